//! The numbers that can be set side by side over sites, and what they say together.
//!
//! In:  the fits of the sites, all of one protocol. Out: `PooledQuantity` and `SiteByEffect`.
//!
//! The joint model is y = site + common effects + site × common effects + local effects within the site + the spread of every
//! unit, of a size of its own at every site. Its estimates are those of the sites fitted one by one, since no parameter is shared;
//! what is estimated here are the contrasts over sites. Never here: a random-effects mean of two sites, whose spread would rest on
//! one degree of freedom.

use super::super::comparisons::{listed_pairs, verdict};
use super::super::estimate::Estimate;
use super::super::findings::Verdict;
use super::super::fit::Fit;
use super::criteria::{estimate_of, replication};
use super::findings::{
    OtherRandom, PooledNumber, PooledQuantity, QuantityKind, RandomFinding, SiteAgreement, SiteByEffect,
    SiteDifference, SiteNumber, WithoutSite,
};
use super::{Fitted, Pooling};
use crate::numeric::Matrix;
use crate::numeric::distribution::f_upper;
use crate::plan::Part;
use crate::protocol::{Effect, Factor, FactorId, Protocol};
use crate::stats::multiplicity::holm;
use crate::stats::pooling::{
    self, BetweenSites, SiteEstimate, SiteMean, agreement, between_interval, between_sites, difference, plain_mean,
    random_sites, scatter, weighted_mean,
};

/// How the number of a quantity is had from a site's fit.
enum How {
    Level,
    Difference {
        factor: FactorId,
        from: usize,
        to: usize,
    },
    /// The first column of an effect, times a size.
    Column {
        times: f64,
    },
}

/// A number to be set side by side.
struct Wanted {
    effect: Effect,
    kind: QuantityKind,
    from: Vec<String>,
    to: Vec<String>,
    how: How,
}

/// The mean of all results at each site.
pub(super) fn level(pooling: &Pooling, sites: &[Fitted]) -> Option<PooledQuantity> {
    let wanted = Wanted {
        effect: Effect::new(),
        kind: QuantityKind::Level,
        from: Vec::new(),
        to: Vec::new(),
        how: How::Level,
    };
    quantity(pooling, sites, &wanted)
}

/// Every effect of common factors that one number tells.
pub(super) fn effects(pooling: &Pooling, sites: &[Fitted]) -> Vec<PooledQuantity> {
    let protocol = pooling.protocol;
    let common = |effect: &Effect| effect.iter().all(|&factor| !protocol.is_local(factor));
    protocol
        .model_effects()
        .into_iter()
        .filter(common)
        .flat_map(|effect| wanted(protocol, &effect))
        .filter_map(|wanted| quantity(pooling, sites, &wanted))
        .collect()
}

/// The numbers that tell an effect; none where it takes several columns and is no main effect.
fn wanted(protocol: &Protocol, effect: &Effect) -> Vec<Wanted> {
    if let [factor] = effect.as_slice() {
        let declared = &protocol.factors[*factor];
        let Some((low, high, span)) = ends(declared) else {
            return listed_pairs(protocol, *factor)
                .into_iter()
                .map(|(from, to)| Wanted {
                    effect: effect.clone(),
                    kind: QuantityKind::Difference,
                    from: vec![declared.level(from)],
                    to: vec![declared.level(to)],
                    how: How::Difference {
                        factor: *factor,
                        from,
                        to,
                    },
                })
                .collect();
        };
        return vec![Wanted {
            effect: effect.clone(),
            kind: QuantityKind::Change,
            from: vec![declared.level(low)],
            to: vec![declared.level(high)],
            how: How::Column { times: span },
        }];
    }
    // A category of two levels is coded 1 and −1: from the first to the second is −2 columns.
    let mut times = 1.0;
    let (mut from, mut to) = (Vec::new(), Vec::new());
    for &factor in effect {
        let declared = &protocol.factors[factor];
        let (low, high, size) = match ends(declared) {
            Some(ends) => ends,
            None if declared.levels.len() == 2 => (0, 1, -2.0),
            None => return Vec::new(),
        };
        from.push(declared.level(low));
        to.push(declared.level(high));
        times *= size;
    }
    vec![Wanted {
        effect: effect.clone(),
        kind: QuantityKind::Interaction,
        from,
        to,
        how: How::Column { times },
    }]
}

/// Lowest and highest level of a numeric factor, and how far they lie apart.
fn ends(factor: &Factor) -> Option<(usize, usize, f64)> {
    let numbers = factor.centred_levels()?;
    let end = |better: fn(&f64, &f64) -> bool| {
        (1..numbers.len()).fold(0, |end, l| if better(&numbers[l], &numbers[end]) { l } else { end })
    };
    let (low, high) = (end(f64::lt), end(f64::gt));
    Some((low, high, numbers[high] - numbers[low]))
}

fn own_number(pooling: &Pooling, site: &Fitted, wanted: &Wanted) -> Option<Estimate> {
    let protocol = pooling.protocol;
    let fit = &site.fit;
    match wanted.how {
        How::Level => {
            let mean = fit.mean(protocol, &[]);
            let back = |v: Option<f64>| v.map(|v| v + site.frame.reference);
            Some(Estimate {
                value: mean.value + site.frame.reference,
                low: back(mean.low),
                high: back(mean.high),
                p: None,
                ..mean
            })
        }
        How::Difference { factor, from, to } => fit
            .holds(&wanted.effect)
            .then(|| fit.difference(protocol, &[(factor, to)], &[(factor, from)])),
        How::Column { times } => {
            let mut values = fit.first_column_of(&wanted.effect)?;
            values.iter_mut().flatten().for_each(|value| *value *= times);
            Some(fit.estimate(0.0, &values))
        }
    }
}

fn quantity(pooling: &Pooling, sites: &[Fitted], wanted: &Wanted) -> Option<PooledQuantity> {
    let protocol = pooling.protocol;
    let is_level = wanted.kind == QuantityKind::Level;
    let relevant = pooling.relevant.filter(|_| !is_level);
    let own: Vec<Option<Estimate>> = sites.iter().map(|site| own_number(pooling, site, wanted)).collect();
    if own.iter().all(Option::is_none) {
        return None;
    }
    let numbers: Vec<SiteNumber> = sites
        .iter()
        .zip(&own)
        .map(|(site, estimate)| {
            let estimate = estimate.as_ref();
            let (low, high) = (estimate.and_then(|e| e.low), estimate.and_then(|e| e.high));
            SiteNumber {
                site: pooling.name(site.place).to_owned(),
                estimate: estimate.map(|e| e.value),
                standard_error: estimate.and_then(|e| e.standard_error),
                df: estimate.and_then(|e| e.df),
                low,
                high,
                p: estimate.and_then(|e| e.p),
                verdict: relevant
                    .zip(low.zip(high))
                    .map(|(size, (low, high))| verdict(low, high, size)),
            }
        })
        .collect();
    let known: Vec<(usize, SiteEstimate)> = numbers
        .iter()
        .enumerate()
        .filter_map(|(place, number)| Some((place, estimate_of(number)?)))
        .collect();
    let estimates: Vec<SiteEstimate> = known.iter().map(|(_, estimate)| *estimate).collect();
    let all_known = known.len() == numbers.len();
    let pooled = |mean: Option<SiteMean>| mean.filter(|_| all_known).map(|m| pooled_number(&m, pooling, relevant));
    let declared = protocol.replication.effects.contains(&wanted.effect) && !is_level;
    let names: Vec<&str> = wanted
        .effect
        .iter()
        .map(|&factor| protocol.factors[factor].name.as_str())
        .collect();
    Some(PooledQuantity {
        name: name(&names, wanted),
        kind: wanted.kind,
        factors: names.iter().map(|&name| name.to_owned()).collect(),
        from: wanted.from.clone(),
        to: wanted.to.clone(),
        planned: protocol.analysis.planned.contains(&wanted.effect),
        differences: differences(&numbers, &known, pooling.confidence),
        agreement: agree(&estimates).filter(|_| all_known),
        these_sites: pooled(plain_mean(&estimates)),
        weighted: pooled(weighted_mean(&estimates)),
        random: random(&estimates, pooling, relevant).filter(|_| all_known),
        without: if all_known {
            without(&numbers, &estimates, pooling.confidence)
        } else {
            Vec::new()
        },
        replication: declared
            .then(|| {
                let first = sites.iter().position(|site| site.place == pooling.first)?;
                let called: Vec<String> = sites.iter().map(|site| pooling.called[site.place].clone()).collect();
                replication(
                    &numbers,
                    &called,
                    first,
                    &protocol.replication.criteria,
                    pooling.confidence,
                    relevant,
                )
            })
            .flatten(),
        sites: numbers,
    })
}

/// `finish-waxed-turned`, for files.
fn name(factors: &[&str], wanted: &Wanted) -> String {
    let mut parts: Vec<String> = if factors.is_empty() {
        vec!["level".to_owned()]
    } else {
        factors.iter().map(|&factor| factor.to_owned()).collect()
    };
    if let How::Difference { from, to, .. } = wanted.how {
        parts.push(format!("{}-{}", from + 1, to + 1));
    }
    parts.join("-")
}

fn pooled_number(mean: &SiteMean, pooling: &Pooling, relevant: Option<f64>) -> PooledNumber {
    let (low, high) = mean.interval(pooling.confidence);
    PooledNumber {
        estimate: mean.mean,
        standard_error: mean.standard_error,
        df: mean.df,
        low,
        high,
        verdict: judged(relevant, low, high),
    }
}

fn judged(relevant: Option<f64>, low: f64, high: f64) -> Option<Verdict> {
    relevant.map(|size| verdict(low, high, size))
}

fn differences(numbers: &[SiteNumber], known: &[(usize, SiteEstimate)], confidence: f64) -> Vec<SiteDifference> {
    let mut found: Vec<SiteDifference> = Vec::new();
    for (place, (from, earlier)) in known.iter().enumerate() {
        for (to, later) in &known[place + 1..] {
            let apart = difference(later, earlier);
            let (low, high) = apart.interval(confidence);
            let (inner_low, inner_high) = apart.interval(2.0 * confidence - 1.0);
            let test = Estimate::new(apart.mean, apart.standard_error.powi(2), apart.df, confidence);
            found.push(SiteDifference {
                from: numbers[*from].site.clone(),
                to: numbers[*to].site.clone(),
                difference: apart.mean,
                standard_error: apart.standard_error,
                df: apart.df,
                low,
                high,
                inner_low,
                inner_high,
                p: test.p.unwrap_or(f64::NAN),
                p_adjusted: f64::NAN,
            });
        }
    }
    let adjusted = holm(&found.iter().map(|d| d.p).collect::<Vec<f64>>());
    for (difference, p) in found.iter_mut().zip(adjusted) {
        difference.p_adjusted = p;
    }
    found
}

fn agree(estimates: &[SiteEstimate]) -> Option<SiteAgreement> {
    let q = scatter(estimates)?;
    let values: Vec<Vec<f64>> = estimates.iter().map(|e| vec![e.estimate]).collect();
    let errors: Vec<Matrix> = estimates
        .iter()
        .map(|e| Matrix::from_columns(&[vec![e.variance]]))
        .collect();
    let df: Vec<f64> = estimates.iter().map(|e| e.df).collect();
    let test = agreement(&values, &errors, &df)?;
    Some(SiteAgreement {
        f: test.f,
        df: test.df1,
        denominator_df: test.df2,
        p: test.p,
        q: q.q,
        q_p: q.p,
        share_beyond_error: q.share_beyond_error,
    })
}

/// The mean of a population of sites; from three sites on. Paule and Mandel's estimate stands at the head: with few sites it is
/// less biased than that from moments (common practice).
fn random(estimates: &[SiteEstimate], pooling: &Pooling, relevant: Option<f64>) -> Option<RandomFinding> {
    if estimates.len() < 3 {
        return None;
    }
    let name = |method: BetweenSites| {
        let found = BetweenSites::ALL.iter().find(|(known, _)| *known == method);
        found.map_or_else(String::new, |(_, name)| (*name).to_owned())
    };
    let by = |method: BetweenSites| random_sites(estimates, between_sites(estimates, method)?);
    let head = by(BetweenSites::PauleMandel)?;
    let (between_low, between_high) = between_interval(estimates, pooling.confidence)?;
    let (low, high) = head.interval(pooling.confidence);
    let (further_low, further_high) = head.further_site(head.standard_error(), pooling.confidence)?;
    Some(RandomFinding {
        method: name(BetweenSites::PauleMandel),
        between_sd: head.between.sqrt(),
        between_low: between_low.sqrt(),
        between_high: between_high.sqrt(),
        estimate: head.mean,
        plain_error: head.plain_error,
        scatter_error: head.scatter_error,
        standard_error: head.standard_error(),
        df: estimates.len() as f64 - 1.0,
        low,
        high,
        further_low,
        further_high,
        verdict: judged(relevant, low, high),
        others: [BetweenSites::Moments, BetweenSites::Restricted]
            .into_iter()
            .filter_map(|method| {
                let other = by(method)?;
                let (low, high) = other.interval(pooling.confidence);
                Some(OtherRandom {
                    method: name(method),
                    between_sd: other.between.sqrt(),
                    estimate: other.mean,
                    plain_error: other.plain_error,
                    scatter_error: other.scatter_error,
                    low,
                    high,
                })
            })
            .collect(),
    })
}

fn without(numbers: &[SiteNumber], estimates: &[SiteEstimate], confidence: f64) -> Vec<WithoutSite> {
    if estimates.len() < 3 {
        return Vec::new();
    }
    (0..estimates.len())
        .filter_map(|left_out| {
            let mut others = estimates.to_vec();
            others.remove(left_out);
            let (estimate, (low, high)) = if others.len() < 3 {
                let mean = plain_mean(&others)?;
                (mean.mean, mean.interval(confidence))
            } else {
                let between = between_sites(&others, BetweenSites::PauleMandel)?;
                let mean = random_sites(&others, between)?;
                (mean.mean, mean.interval(confidence))
            };
            Some(WithoutSite {
                site: numbers[left_out].site.clone(),
                estimate,
                low,
                high,
            })
        })
        .collect()
}

/// Whether each term of common factors changes from site to site.
pub(super) fn site_by_effect(pooling: &Pooling, sites: &[Fitted]) -> Vec<SiteByEffect> {
    let protocol = pooling.protocol;
    let Some(lead) = sites.first() else { return Vec::new() };
    lead.fit
        .terms
        .iter()
        .filter(|term| term.effect.iter().all(|&factor| !protocol.is_local(factor)))
        .map(|term| {
            let places: Option<Vec<usize>> = sites
                .iter()
                .map(|site| {
                    let same =
                        |t: &crate::plan::Term| t.effect == term.effect && t.part == term.part && t.df == term.df;
                    site.fit.terms.iter().position(same)
                })
                .collect();
            let units: Vec<usize> = term.effect.iter().map(|&f| protocol.factors[f].set_on).collect();
            let mut found = SiteByEffect {
                term: term.name.clone(),
                planned: protocol.analysis.planned.contains(&term.effect) && term.part == Part::Whole,
                judged_against: lead
                    .fit
                    .structure
                    .stratum_of(&units)
                    .map_or_else(String::new, |stratum| lead.fit.structure.name(stratum, protocol)),
                df: ((sites.len() - 1) * term.df) as f64,
                f: None,
                denominator_df: None,
                p: None,
                f_one_spread: None,
                denominator_df_one_spread: None,
                p_one_spread: None,
                note: None,
            };
            let Some(places) = places else {
                found.note = Some("not every site can tell this effect from others".to_owned());
                return found;
            };
            let columns: Option<Vec<Columns>> = sites
                .iter()
                .zip(&places)
                .map(|(site, &place)| Columns::of(&site.fit, place))
                .collect();
            let Some(columns) = columns else {
                found.note = Some("a site has no error term for it".to_owned());
                return found;
            };
            let values: Vec<Vec<f64>> = columns.iter().map(|c| c.values.clone()).collect();
            let errors: Vec<Matrix> = columns.iter().map(|c| c.errors.clone()).collect();
            let df: Vec<f64> = columns.iter().map(|c| c.df).collect();
            if let Some(test) = agreement(&values, &errors, &df) {
                found.f = Some(test.f);
                found.denominator_df = Some(test.df2);
                found.p = Some(test.p);
            }
            if let Some((f, df)) = one_spread(sites, &places, columns) {
                found.f_one_spread = Some(f);
                found.denominator_df_one_spread = Some(df);
                found.p_one_spread = Some(f_upper(f, found.df, df));
            }
            found
        })
        .collect()
}

/// The estimates of a term's columns at one site, their covariance matrix and its degrees of freedom.
struct Columns {
    values: Vec<f64>,
    errors: Matrix,
    df: f64,
}

impl Columns {
    fn of(fit: &Fit, term: usize) -> Option<Self> {
        let count = fit.terms[term].df;
        let estimate = |columns: &[usize]| {
            let mut values: Vec<Vec<f64>> = fit.terms.iter().map(|term| vec![0.0; term.df]).collect();
            for &column in columns {
                values[term][column] = 1.0;
            }
            fit.estimate(0.0, &values)
        };
        let own: Vec<Estimate> = (0..count).map(|column| estimate(&[column])).collect();
        let mut errors = Matrix::zeros(count, count);
        let mut df = f64::INFINITY;
        for (row, one) in own.iter().enumerate() {
            errors[(row, row)] = one.standard_error?.powi(2);
            df = df.min(one.df?);
            for column in 0..row {
                // var(a + b) = var(a) + var(b) + 2 cov(a, b)
                let both = estimate(&[row, column]).standard_error.map_or(0.0, |e| e * e);
                let cross = 0.5 * (both - errors[(row, row)] - errors[(column, column)]);
                errors[(row, column)] = cross;
                errors[(column, row)] = cross;
            }
        }
        Some(Self {
            values: own.iter().map(|e| e.value).collect(),
            errors,
            df,
        })
    }
}

/// The same with one spread for all sites: the sum of squares of site × effect over the mean square of all sites' error. `None`
/// where runs are missing.
fn one_spread(sites: &[Fitted], places: &[usize], columns: Vec<Columns>) -> Option<(f64, f64)> {
    let mut own = Vec::new();
    for (site, &place) in sites.iter().zip(places) {
        let stratum = site.fit.balanced()?.strata.terms[place].stratum;
        own.push(site.fit.error(stratum).filter(|(mean_square, _)| *mean_square > 0.0)?);
    }
    let df: f64 = own.iter().map(|(_, df)| df).sum();
    let pooled = own.iter().map(|(mean_square, df)| mean_square * df).sum::<f64>() / df;
    let mut values = Vec::new();
    let mut errors = Vec::new();
    for (mut own_columns, (mean_square, _)) in columns.into_iter().zip(&own) {
        let size = own_columns.errors.cols();
        for column in 0..size {
            own_columns
                .errors
                .col_mut(column)
                .iter_mut()
                .for_each(|v| *v *= pooled / mean_square);
        }
        values.push(own_columns.values);
        errors.push(own_columns.errors);
    }
    // With known errors the statistic is chi-square over its degrees of freedom; the error is that of the pooled mean square.
    let known = vec![f64::INFINITY; values.len()];
    let test: pooling::Agreement = agreement(&values, &errors, &known)?;
    Some((test.f, df))
}
