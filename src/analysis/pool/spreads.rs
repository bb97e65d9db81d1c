//! The spread of every unit at every site, what local factors bring, and precision with the sites as laboratories.
//!
//! In:  the fits of the sites. Out: `PooledSpread`, `LocalSpread`, the precision statement.
//!
//! Local levels enter as spread within sites only: Σ of their sums of squares over Σ of their degrees of freedom. With all runs
//! there the component is (mean square − that of the spread within sites) / runs at a level, its levels taken as drawn.

use super::super::frame::Frame;
use super::super::precision::precision;
use super::super::precision_findings::{PrecisionFinding, PrecisionStudy};
use super::findings::{LocalSpread, PooledSpread, SiteSpread, SpreadOverSites};
use super::{Fitted, Pooling};
use crate::numeric::distribution::f_upper;
use crate::plan::Part;
use crate::protocol::{Factor, Grouping, PartOf, Protocol, ResponseId};
use crate::stats::equal_spread::{bartlett_of, two_variances};
use crate::stats::interval::{WeightedMeanSquare, combination, combination_interval, mean_square_interval};

/// Below this p-value the sites are said to have different spreads.
const SAME: f64 = 0.05;

/// The spread of readings within a run, then of every unit, finest first.
pub(super) fn spreads(pooling: &Pooling, sites: &[Fitted]) -> Vec<PooledSpread> {
    let mut found = Vec::new();
    let readings: Vec<Option<(f64, f64)>> = sites
        .iter()
        .map(|site| {
            let (squares, df) = site.frame.within_runs();
            (df > 0.0).then(|| (squares / df, df))
        })
        .collect();
    if readings.iter().any(Option::is_some) {
        found.push(spread("reading".to_owned(), pooling, sites, &readings));
    }
    let Some(lead) = sites.first() else { return found };
    for stratum in (0..lead.fit.partitions.len()).rev() {
        let unit = lead.fit.structure.name(stratum, pooling.protocol);
        let own: Vec<Option<(f64, f64)>> = sites
            .iter()
            .map(|site| {
                let place = (0..site.fit.partitions.len())
                    .find(|&place| site.fit.structure.name(place, pooling.protocol) == unit)?;
                let (mean_square, df) = site.fit.error(place)?;
                // Per mean of the unit: a mean square is that of runs, times the runs in the unit.
                let runs = site.frame.rows.len() as f64 / site.fit.partitions[place].cells as f64;
                Some((mean_square / runs, df))
            })
            .collect();
        if own.iter().any(Option::is_some) {
            found.push(spread(unit, pooling, sites, &own));
        }
    }
    found
}

fn spread(unit: String, pooling: &Pooling, sites: &[Fitted], own: &[Option<(f64, f64)>]) -> PooledSpread {
    let confidence = pooling.confidence;
    let interval = |variance: f64, df: f64| {
        mean_square_interval(variance, df, confidence)
            .map(|i| (i.lower.max(0.0).sqrt(), i.upper.max(0.0).sqrt()))
            .filter(|(_, high)| high.is_finite())
    };
    let each = sites
        .iter()
        .zip(own)
        .map(|(site, own)| {
            let ends = own.and_then(|(variance, df)| interval(variance, df));
            SiteSpread {
                site: pooling.name(site.place).to_owned(),
                standard_deviation: own.map(|(variance, _)| variance.sqrt()),
                df: own.map(|(_, df)| df),
                low: ends.map(|(low, _)| low),
                high: ends.map(|(_, high)| high),
            }
        })
        .collect();
    let mut found = PooledSpread {
        unit,
        sites: each,
        test: String::new(),
        statistic: None,
        p: None,
        same: None,
        pooled: None,
    };
    let known: Vec<(f64, f64)> = own.iter().flatten().copied().collect();
    if known.len() < own.len() {
        return found;
    }
    let (variances, df): (Vec<f64>, Vec<f64>) = known.into_iter().unzip();
    let (name, test) = match (variances.as_slice(), df.as_slice()) {
        ([a, b], [one, other]) => ("ratio of variances (F)", two_variances([*a, *b], [*one, *other])),
        _ => ("Bartlett", bartlett_of(&variances, &df)),
    };
    if let Some(test) = test {
        name.clone_into(&mut found.test);
        found.statistic = Some(test.statistic);
        found.p = Some(test.p);
        found.same = Some(test.p >= SAME);
    }
    let total: f64 = df.iter().sum();
    let pooled = variances.iter().zip(&df).map(|(v, df)| v * df).sum::<f64>() / total;
    found.pooled = interval(pooled, total).map(|(low, high)| SpreadOverSites {
        standard_deviation: pooled.sqrt(),
        df: total,
        low,
        high,
    });
    found
}

/// What the levels of local factors bring; with a sentence where it cannot be told.
pub(super) fn local(pooling: &Pooling, sites: &[Fitted], cannot_tell: &mut Vec<String>) -> Vec<LocalSpread> {
    let protocol = pooling.protocol;
    let drawn: Vec<&str> = protocol
        .factors
        .iter()
        .filter(|factor| factor.random)
        .map(|factor| factor.name.as_str())
        .collect();
    if !drawn.is_empty() {
        cannot_tell.push(format!(
            "The spread of {} is estimated at each site alone: see the reports of the sites.",
            drawn.join(", ")
        ));
    }
    let Some(lead) = sites.first() else { return Vec::new() };
    let terms: Vec<usize> = (0..lead.fit.terms.len())
        .filter(|&term| {
            lead.fit.terms[term]
                .effect
                .iter()
                .any(|&factor| protocol.is_local(factor))
        })
        .collect();
    if terms.is_empty() {
        return Vec::new();
    }
    if sites.iter().any(|site| site.fit.balanced().is_none()) {
        cannot_tell.push(
            "Runs are missing at a site, so what local levels bring is not pooled: see the reports of the sites."
                .to_owned(),
        );
        return Vec::new();
    }
    terms
        .into_iter()
        .filter_map(|term| local_term(pooling, sites, term))
        .collect()
}

fn local_term(pooling: &Pooling, sites: &[Fitted], term: usize) -> Option<LocalSpread> {
    let protocol = pooling.protocol;
    let lead = &sites[0].fit.terms[term];
    let (mut squares, mut df) = (0.0, 0.0);
    let (mut error_squares, mut error_df) = (0.0, 0.0);
    let mut runs: Option<f64> = None;
    let mut even = lead.part == Part::Whole && lead.effect.iter().all(|&f| !protocol.factors[f].is_numeric());
    for site in sites {
        let balanced = site.fit.balanced()?;
        let place = site
            .fit
            .terms
            .iter()
            .position(|t| t.effect == lead.effect && t.part == lead.part)?;
        let fitted = &balanced.strata.terms[place];
        squares += fitted.sum_of_squares;
        df += fitted.df as f64;
        if let Some((mean_square, own)) = site.fit.error(fitted.stratum) {
            error_squares += mean_square * own;
            error_df += own;
        }
        let cells: usize = lead.effect.iter().map(|&f| protocol.factors[f].levels.len()).product();
        let own = site.frame.rows.len() as f64 / cells as f64;
        even &= *runs.get_or_insert(own) == own;
    }
    let mean_square = squares / df;
    let error = (error_df > 0.0 && error_squares > 0.0).then(|| (error_squares / error_df, error_df));
    let mut found = LocalSpread {
        term: lead.name.clone(),
        factors: lead.effect.iter().map(|&f| protocol.factors[f].name.clone()).collect(),
        df,
        mean_square,
        denominator_df: error.map(|(_, df)| df),
        f: error.map(|(error, _)| mean_square / error),
        p: error.map(|(error, error_df)| f_upper(mean_square / error, df, error_df)),
        standard_deviation: None,
        low: None,
        high: None,
    };
    if let (true, Some(runs), Some((error, error_df))) = (even, runs, error) {
        let parts = [
            WeightedMeanSquare {
                coefficient: 1.0 / runs,
                mean_square,
                df,
            },
            WeightedMeanSquare {
                coefficient: -1.0 / runs,
                mean_square: error,
                df: error_df,
            },
        ];
        found.standard_deviation = Some(combination(&parts).max(0.0).sqrt());
        if let Some(interval) = combination_interval(&parts, pooling.confidence) {
            found.low = Some(interval.lower.max(0.0).sqrt());
            found.high = Some(interval.upper.max(0.0).sqrt()).filter(|high| high.is_finite());
        }
    }
    Some(found)
}

/// Precision with the sites as laboratories; none where the protocol does not allow it, with a sentence if it asks for it.
pub(super) fn between_laboratories(
    pooling: &Pooling,
    response: ResponseId,
    sites: &[Fitted],
    cannot_tell: &mut Vec<String>,
) -> Option<(PrecisionStudy, Vec<PrecisionFinding>)> {
    let protocol = pooling.protocol;
    let plan = protocol.precision.as_ref()?;
    let why = if plan.laboratory.is_some() {
        Some("the protocol names its own laboratories, so the sites cannot stand for them")
    } else if matches!(plan.material, Some(Grouping::Unit(_))) {
        Some("the materials are units, and those of one site are not those of another")
    } else if matches!(plan.material, Some(Grouping::Factor(factor)) if protocol.is_local(factor)) {
        Some("the materials are named by the site, and those of one site are not those of another")
    } else {
        None
    };
    if let Some(why) = why {
        cannot_tell.push(format!("There is no statement of precision between the sites: {why}."));
        return None;
    }
    let mut joint = protocol.clone();
    let laboratory = joint.factors.len();
    joint.factors.push(site_factor(pooling, sites));
    if let Some(plan) = &mut joint.precision {
        plan.laboratory = Some(Grouping::Factor(laboratory));
    }
    let frame = joined(&joint, sites);
    let (mut study, levels) = precision(&joint, response, &frame)?;
    "site".clone_into(&mut study.laboratory);
    if sites.len() < 5 {
        cannot_tell.push(format!(
            "{} sites say next to nothing about the spread between laboratories: take the difference between the sites, \
             not a standard deviation.",
            sites.len()
        ));
    }
    Some((study, levels))
}

/// The sites as the levels of a factor.
fn site_factor(pooling: &Pooling, sites: &[Fitted]) -> Factor {
    Factor {
        name: "site".to_owned(),
        set_on: 0,
        levels: sites.iter().map(|site| pooling.name(site.place).to_owned()).collect(),
        numbers: None,
        unit: String::new(),
        part_of: PartOf::Method,
        named_by_site: false,
        random: false,
        carries_over: false,
        carries_within: None,
        compare_with: None,
        how: String::new(),
        centre: None,
    }
}

/// The rows of all sites, about one reference; units of different sites are different units.
fn joined(protocol: &Protocol, sites: &[Fitted]) -> Frame {
    let reference = sites.first().map_or(0.0, |site| site.frame.reference);
    let mut rows = Vec::new();
    let mut offset = vec![0; protocol.units.len()];
    for (place, site) in sites.iter().enumerate() {
        let shift = site.frame.reference - reference;
        for row in &site.frame.rows {
            let mut row = row.clone();
            row.levels.push(place);
            row.units
                .iter_mut()
                .zip(&offset)
                .for_each(|(unit, offset)| *unit += offset);
            row.result += shift;
            row.readings.iter_mut().for_each(|reading| *reading += shift);
            rows.push(row);
        }
        offset
            .iter_mut()
            .zip(&site.frame.counts)
            .for_each(|(offset, count)| *offset += count);
    }
    Frame {
        rows,
        reference,
        counts: offset,
        ordered: false,
        missing: 0,
        short: Vec::new(),
        unmeasured: Vec::new(),
        covariate_means: Vec::new(),
    }
}
