//! The precision of the method, one level after the other: how far apart results may lie.
//!
//! In:  protocol with its [precision], and the frame.
//! Out: a `PrecisionFinding` a level, and a `PrecisionStudy` over all of them. Nothing is left out but in the estimates that
//!      say so, which stand beside those with everything.
//!
//! Order of the tests as in ISO 5725-2: Cochran on the variances of the cells, Grubbs on one mean, then on two. Beyond the 5 %
//! value a cell is a straggler, beyond the 1 % value an outlier; what they flag is left out once, and not again until clean.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;

use super::estimate::Estimate;
use super::frame::Frame;
use super::layers::{Layers, grouping_name, key_of, label_of};
use super::precision_findings::{
    AgainstLevel, CellFinding, IntermediateFinding, LaboratoryDifference, OddLaboratory, Oddness, PooledFinding,
    PrecisionFinding, PrecisionStudy, SpreadFinding, TruenessFinding, WithoutFinding,
};
use crate::numeric::distribution::{normal_upper, t_quantile_upper};
use crate::numeric::sum;
use crate::protocol::{Grouping, PrecisionPlan, Protocol, Reference, ResponseId};
use crate::stats::consistency::{
    MOST_FOR_TWO, cochran, cochran_critical, cochran_upper, grubbs_one, grubbs_one_critical, grubbs_one_upper,
    grubbs_two, grubbs_two_critical, grubbs_two_lower, h_critical, k_critical, standardized,
};
use crate::stats::interval::{WeightedMeanSquare, satterthwaite_df};
use crate::stats::repeatability::{Cell, Form, Level, against, same_variance};

/// Below, the tests for odd laboratories have next to no power and are not made (common practice).
const FEWEST_FOR_TESTS: usize = 5;

/// The precision of one response; none without a [precision] in the protocol, or without results.
pub(super) fn precision(
    protocol: &Protocol,
    response: ResponseId,
    frame: &Frame,
) -> Option<(PrecisionStudy, Vec<PrecisionFinding>)> {
    let plan = protocol.precision.as_ref()?;
    let mut levels: BTreeMap<Vec<usize>, Vec<usize>> = BTreeMap::new();
    for (index, row) in frame.rows.iter().enumerate() {
        let key = plan.material.map_or_else(Vec::new, |g| key_of(protocol, g, row));
        levels.entry(key).or_default().push(index);
    }
    let found: Vec<(PrecisionFinding, Option<(f64, f64)>)> = levels
        .values()
        .map(|rows| level(protocol, plan, response, frame, rows))
        .collect();
    if found.is_empty() {
        return None;
    }
    let name = |g: Option<Grouping>| g.map(|g| grouping_name(protocol, g)).unwrap_or_default();
    let within: Vec<(f64, f64)> = found.iter().filter_map(|(_, within)| *within).collect();
    let found: Vec<PrecisionFinding> = found.into_iter().map(|(level, _)| level).collect();
    let pooled = pooled(&within);
    let study = PrecisionStudy {
        laboratory: name(plan.laboratory),
        material: name(plan.material),
        intermediate: plan.intermediate.iter().map(|&g| grouping_name(protocol, g)).collect(),
        limit_factor: plan.limit_factor,
        limit_exceeded: 2.0 * normal_upper(plan.limit_factor / 2_f64.sqrt()),
        against_level: forms(&found, pooled.as_ref()),
        pooled,
    };
    Some((study, found))
}

/// The label of a row as the protocol writes it, a level without its unit of measure.
fn raw_label(protocol: &Protocol, grouping: Grouping, frame: &Frame, row: usize) -> String {
    match grouping {
        Grouping::Unit(_) => label_of(protocol, grouping, &frame.rows[row]),
        Grouping::Factor(factor) => protocol.factors[factor].levels[frame.rows[row].levels[factor]].clone(),
    }
}

/// The reference to which a row belongs, if to any.
pub(super) fn reference_of<'a>(
    protocol: &'a Protocol,
    response: ResponseId,
    frame: &Frame,
    row: usize,
) -> Option<&'a Reference> {
    let same = |reference: &Reference| {
        let label = raw_label(protocol, reference.of, frame, row);
        label == reference.label
            || matches!((label.parse::<rust_decimal::Decimal>(), reference.label.parse()), (Ok(a), Ok(b)) if a == b)
    };
    protocol.references.iter().find(|r| r.response == response && same(r))
}

fn level(
    protocol: &Protocol,
    plan: &PrecisionPlan,
    response: ResponseId,
    frame: &Frame,
    rows: &[usize],
) -> (PrecisionFinding, Option<(f64, f64)>) {
    let confidence = protocol.analysis.confidence;
    // The laboratories in order, each with its cell.
    let mut by_laboratory: BTreeMap<Vec<usize>, Vec<usize>> = BTreeMap::new();
    for &row in rows {
        let key = plan
            .laboratory
            .map_or_else(Vec::new, |g| key_of(protocol, g, &frame.rows[row]));
        by_laboratory.entry(key).or_default().push(row);
    }
    let names: Vec<String> = by_laboratory
        .values()
        .map(|rows| {
            plan.laboratory
                .map_or_else(String::new, |g| label_of(protocol, g, &frame.rows[rows[0]]))
        })
        .collect();
    let cells: Vec<Cell> = by_laboratory
        .values()
        .filter_map(|rows| Cell::of(&rows.iter().map(|&r| frame.rows[r].result).collect::<Vec<f64>>()))
        .collect();
    let label = plan
        .material
        .map_or_else(String::new, |g| label_of(protocol, g, &frame.rows[rows[0]]));
    let mut found = PrecisionFinding {
        level: label,
        laboratories: cells.len(),
        results: rows.len(),
        mean: 0.0,
        repeatability_sd: None,
        between_sd: None,
        reproducibility_sd: None,
        repeatability_limit: None,
        reproducibility_limit: None,
        between_variance: None,
        among_mean_square: None,
        cell_size: None,
        repeatability: None,
        between: None,
        reproducibility: None,
        intermediate: Vec::new(),
        h: BTreeMap::new(),
        k: BTreeMap::new(),
        h_critical: Vec::new(),
        cells: Vec::new(),
        tests: Vec::new(),
        without: None,
        difference: None,
        trueness: None,
        cannot_tell: Vec::new(),
    };
    let Some(estimated) = Level::new(&cells) else {
        return (found, None);
    };
    found.mean = frame.reference + estimated.mean;
    let nested = !plan.intermediate.is_empty();
    let within = if nested {
        layered(&mut found, protocol, plan, frame, rows)
    } else {
        simple(&mut found, &estimated, confidence, plan.laboratory.is_some());
        estimated.within
    };
    let limit = |sd: Option<f64>| sd.map(|sd| plan.limit_factor * sd);
    found.repeatability_sd = found.repeatability.as_ref().map(|s| s.value);
    found.between_sd = found.between.as_ref().map(|s| s.value);
    found.reproducibility_sd = found.reproducibility.as_ref().map(|s| s.value);
    found.repeatability_limit = limit(found.repeatability_sd);
    found.reproducibility_limit = limit(found.reproducibility_sd);
    consistency(
        &mut found,
        &names,
        &cells,
        frame.reference,
        estimated.within.filter(|_| !nested),
    );
    if plan.laboratory.is_some() {
        tests(&mut found, &names, &cells, nested);
        without(&mut found, plan, &names, &cells, frame.reference, nested);
    }
    if let ([from, to], [from_name, to_name]) = (cells.as_slice(), names.as_slice()) {
        let error = within
            .filter(|_| !nested)
            .map(|(ms, df)| (ms * (1.0 / from.n as f64 + 1.0 / to.n as f64), df));
        let (variance, df) = error.unwrap_or((f64::NAN, f64::NAN));
        let difference = Estimate::new(to.mean - from.mean, variance, df, confidence);
        found.difference = Some(LaboratoryDifference {
            from: from_name.clone(),
            to: to_name.clone(),
            difference: difference.value,
            standard_error: difference.standard_error,
            df: difference.df,
            low: difference.low,
            high: difference.high,
        });
    }
    found.trueness = reference_of(protocol, response, frame, rows[0])
        .map(|reference| trueness(protocol, response, frame, reference, &cells, within));
    (found, within)
}

/// Repeatability, between laboratories, reproducibility from cells.
fn simple(found: &mut PrecisionFinding, level: &Level, confidence: f64, laboratories: bool) {
    found.repeatability = level
        .within
        .map(|(ms, df)| SpreadFinding::new(ms, level.within_interval(confidence), Some(df)));
    if found.repeatability.is_none() {
        found
            .cannot_tell
            .push("Each laboratory gave a single result, so repeatability cannot be told.".to_owned());
    }
    if !laboratories {
        return;
    }
    if level.among.is_none() {
        found.cannot_tell.push(
            "There are results of one laboratory only, so how far laboratories lie apart cannot be told.".to_owned(),
        );
        return;
    }
    found.among_mean_square = level.among.map(|(ms, _)| ms);
    found.cell_size = Some(level.size);
    found.between_variance = level.between();
    found.between = level
        .between()
        .map(|v| SpreadFinding::new(v, level.between_interval(confidence), level.among.map(|(_, df)| df)));
    found.reproducibility = level.reproducibility().map(|v| {
        SpreadFinding::new(
            v,
            level.reproducibility_interval(confidence),
            level.reproducibility_df(),
        )
    });
}

/// The same where days, operators and the like are taken apart; returns the mean square of repeats and its degrees of freedom.
fn layered(
    found: &mut PrecisionFinding,
    protocol: &Protocol,
    plan: &PrecisionPlan,
    frame: &Frame,
    rows: &[usize],
) -> Option<(f64, f64)> {
    let groupings: Vec<Grouping> = plan.laboratory.iter().chain(&plan.intermediate).copied().collect();
    let layers = match Layers::new(protocol, frame, rows, &groupings, true) {
        Ok(layers) => layers,
        Err(why) => {
            found.cannot_tell.push(why);
            return None;
        }
    };
    let laboratory: Option<usize> = plan.laboratory.map(|_| 0);
    for (place, &grouping) in groupings.iter().enumerate() {
        if !layers.list.iter().any(|layer| layer.of == [place]) {
            let name = super::layers::spoken(&grouping_name(protocol, grouping));
            found.cannot_tell.push(format!(
                "The spread of {name} cannot be told from that of the others: there is one only, or it never holds two results."
            ));
        }
    }
    let finest = layers.list.len() - 1;
    found.repeatability = layers.sum(&[finest]).map(Into::into);
    let own = layers
        .list
        .iter()
        .position(|l| laboratory.is_some_and(|lab| l.of == [lab]));
    if let Some(own) = own {
        found.between_variance = layers.list[own].variance;
        found.between = layers.sum(&[own]).map(Into::into);
        let all: Vec<usize> = (0..=finest).collect();
        found.reproducibility = layers.sum(&all).map(Into::into);
    }
    // What varies: each alone, then all together.
    let mut sets: Vec<Vec<usize>> = (usize::from(laboratory.is_some())..groupings.len())
        .map(|g| vec![g])
        .collect();
    if sets.len() > 1 {
        sets.push(sets.concat());
    }
    for set in sets {
        let taken: Vec<usize> = (0..=finest)
            .filter(|&l| {
                let of = &layers.list[l].of;
                Some(l) != own && of.iter().all(|g| set.contains(g) || Some(*g) == laboratory)
            })
            .collect();
        let varied = set.iter().map(|&g| grouping_name(protocol, groupings[g])).collect();
        if let Some(spread) = layers.sum(&taken).filter(|_| taken.len() > 1) {
            found.intermediate.push(IntermediateFinding {
                varied,
                limit: plan.limit_factor * spread.value,
                spread: spread.into(),
            });
        }
    }
    let repeat = &layers.list[finest];
    match repeat.squares {
        Some((df, _, ms)) => Some((ms, df as f64)),
        None => repeat.variance.zip(found.repeatability.as_ref().and_then(|s| s.df)),
    }
}

/// h and k of every cell.
fn consistency(
    found: &mut PrecisionFinding,
    names: &[String],
    cells: &[Cell],
    reference: f64,
    within: Option<(f64, f64)>,
) {
    let means: Vec<f64> = cells.iter().map(|c| c.mean).collect();
    let h = if cells.len() >= 3 { standardized(&means) } else { None };
    let significances = [0.05, 0.01, 0.005];
    if h.is_some() {
        found.h_critical = significances.iter().map(|&s| h_critical(cells.len(), s)).collect();
    }
    for (place, (name, cell)) in names.iter().zip(cells).enumerate() {
        let own = h.as_ref().map(|h| h[place]);
        let k = within
            .zip(cell.variance)
            .filter(|((ms, _), _)| *ms > 0.0 && cells.len() >= 2)
            .map(|((ms, df), variance)| ((variance / ms).sqrt(), df));
        if let Some(h) = own {
            found.h.insert(name.clone(), h);
        }
        if let Some((k, _)) = k {
            found.k.insert(name.clone(), k);
        }
        let df = cell.n as f64 - 1.0;
        found.cells.push(CellFinding {
            laboratory: name.clone(),
            n: cell.n,
            mean: reference + cell.mean,
            standard_deviation: cell.variance.map(f64::sqrt),
            h: own,
            k: k.map(|(k, _)| k),
            k_critical: k.map_or_else(Vec::new, |(_, all)| {
                let values = significances.iter().map(|&s| k_critical(df, all, s));
                values.filter(|k| k.is_finite()).collect()
            }),
        });
    }
}

fn tests(found: &mut PrecisionFinding, names: &[String], cells: &[Cell], nested: bool) {
    let p = cells.len();
    if p < FEWEST_FOR_TESTS {
        found.cannot_tell.push(format!(
            "With fewer than {FEWEST_FOR_TESTS} laboratories the tests for an odd one have next to no power and are not made."
        ));
        return;
    }
    let repeated: Vec<usize> = (0..p).filter(|&i| cells[i].variance.is_some()).collect();
    if !nested && repeated.len() >= 2 {
        let variances: Vec<f64> = repeated.iter().filter_map(|&i| cells[i].variance).collect();
        // The number of results that most cells hold; the larger of two as frequent ones.
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        for &i in &repeated {
            *counts.entry(cells[i].n).or_insert(0) += 1;
        }
        let (&commonest, _) = counts
            .iter()
            .max_by_key(|(n, times)| (**times, **n))
            .unwrap_or((&2, &0));
        let df = commonest as f64 - 1.0;
        if let Some((place, c)) = cochran(&variances) {
            let (five, one) = (
                cochran_critical(variances.len(), df, 0.05),
                cochran_critical(variances.len(), df, 0.01),
            );
            found.tests.push(OddLaboratory {
                test: "Cochran".to_owned(),
                laboratories: vec![names[repeated[place]].clone()],
                statistic: c,
                critical_5: five,
                critical_1: one,
                p: cochran_upper(c, variances.len(), df),
                outcome: outcome(c > five, c > one),
                note: (counts.len() > 1).then(|| {
                    format!("cells hold unequal numbers of results; the critical values are those for {commonest} each")
                }),
            });
        }
    }
    let means: Vec<f64> = cells.iter().map(|c| c.mean).collect();
    let Some((place, g)) = grubbs_one(&means) else { return };
    let (five, one) = (grubbs_one_critical(p, 0.05), grubbs_one_critical(p, 0.01));
    let alone = outcome(g.abs() > five, g.abs() > one);
    found.tests.push(OddLaboratory {
        test: "Grubbs, one mean".to_owned(),
        laboratories: vec![names[place].clone()],
        statistic: g.abs(),
        critical_5: five,
        critical_1: one,
        p: grubbs_one_upper(g.abs(), p),
        outcome: alone,
        note: None,
    });
    if alone != Oddness::NothingFound || p > MOST_FOR_TWO {
        return;
    }
    if let Some((pair, ratio)) = grubbs_two(&means) {
        let (five, one) = (grubbs_two_critical(p, 0.05), grubbs_two_critical(p, 0.01));
        found.tests.push(OddLaboratory {
            test: "Grubbs, two means".to_owned(),
            laboratories: pair.iter().map(|&i| names[i].clone()).collect(),
            statistic: ratio,
            critical_5: five,
            critical_1: one,
            p: (2.0 * grubbs_two_lower(ratio, p)).min(1.0),
            outcome: outcome(ratio < five, ratio < one),
            note: None,
        });
    }
}

fn outcome(beyond_5: bool, beyond_1: bool) -> Oddness {
    match (beyond_5, beyond_1) {
        (_, true) => Oddness::Outlier,
        (true, false) => Oddness::Straggler,
        (false, false) => Oddness::NothingFound,
    }
}

/// The same estimates without the cells beyond the 1 % values.
fn without(
    found: &mut PrecisionFinding,
    plan: &PrecisionPlan,
    names: &[String],
    cells: &[Cell],
    reference: f64,
    nested: bool,
) {
    let flagged: Vec<&String> = found
        .tests
        .iter()
        .filter(|t| t.outcome == Oddness::Outlier)
        .flat_map(|t| &t.laboratories)
        .collect();
    if flagged.is_empty() || nested {
        return;
    }
    let kept: Vec<Cell> = names
        .iter()
        .zip(cells)
        .filter(|(name, _)| !flagged.contains(name))
        .map(|(_, cell)| cell.clone())
        .collect();
    let Some(level) = Level::new(&kept) else { return };
    let repeatability = level.within.map(|(ms, _)| ms.sqrt());
    let reproducibility = level.reproducibility().map(f64::sqrt);
    found.without = Some(WithoutFinding {
        left_out: names.iter().filter(|name| flagged.contains(name)).cloned().collect(),
        laboratories: level.laboratories,
        results: level.results,
        mean: reference + level.mean,
        repeatability_sd: repeatability,
        between_sd: level.between().map(|v| v.max(0.0).sqrt()),
        reproducibility_sd: reproducibility,
        repeatability_limit: repeatability.map(|s| plan.limit_factor * s),
        reproducibility_limit: reproducibility.map(|s| plan.limit_factor * s),
    });
}

/// Mean of the laboratories' means against the accepted value; within one laboratory, of its results.
fn trueness(
    protocol: &Protocol,
    response: ResponseId,
    frame: &Frame,
    reference: &Reference,
    cells: &[Cell],
    within: Option<(f64, f64)>,
) -> TruenessFinding {
    let value = reference.value.to_f64().unwrap_or(f64::NAN);
    let uncertainty = reference.uncertainty.to_f64().unwrap_or(f64::NAN);
    let means: Vec<f64> = cells.iter().map(|c| c.mean).collect();
    let mean = sum::mean(&means);
    let squares: f64 = means.iter().map(|m| (m - mean).powi(2)).sum();
    let p = means.len() as f64;
    let own = if means.len() > 1 {
        Some((squares / (p - 1.0) / p, p - 1.0))
    } else {
        within.map(|(ms, df)| (ms / cells[0].n as f64, df))
    };
    let relevant = protocol.responses[response].relevant.and_then(|r| r.to_f64());
    // The reference is taken off exactly where both are near each other.
    let bias = mean + (frame.reference - value);
    let estimate = bias_estimate(bias, own, uncertainty, protocol.analysis.confidence);
    TruenessFinding {
        reference: value,
        uncertainty,
        source: reference.source.clone(),
        bias,
        standard_error: estimate.standard_error,
        df: estimate.df,
        low: estimate.low,
        high: estimate.high,
        verdict: relevant
            .zip(estimate.low.zip(estimate.high))
            .map(|(size, (low, high))| super::comparisons::verdict(low, high, size)),
    }
}

/// A bias with the variance of the mean on its degrees of freedom, and the uncertainty of the reference, which counts as known.
pub(super) fn bias_estimate(bias: f64, own: Option<(f64, f64)>, uncertainty: f64, confidence: f64) -> Estimate {
    let Some((variance, df)) = own else {
        return Estimate {
            value: bias,
            ..Estimate::default()
        };
    };
    let term = |mean_square: f64, df: f64| WeightedMeanSquare {
        coefficient: 1.0,
        mean_square,
        df,
    };
    let parts = [term(variance, df), term(uncertainty * uncertainty, f64::INFINITY)];
    let df = satterthwaite_df(&parts).unwrap_or(df);
    let total = variance + uncertainty * uncertainty;
    if df.is_infinite() {
        // Nothing but the reference is uncertain: Student's t on endless degrees of freedom.
        let reach = t_quantile_upper((1.0 - confidence) / 2.0, f64::INFINITY) * total.sqrt();
        return Estimate {
            value: bias,
            standard_error: Some(total.sqrt()),
            df: None,
            low: Some(bias - reach),
            high: Some(bias + reach),
            p: None,
        };
    }
    Estimate::new(bias, total, df, confidence)
}

fn pooled(within: &[(f64, f64)]) -> Option<PooledFinding> {
    let df: f64 = within.iter().map(|(_, df)| df).sum();
    if within.len() < 2 || df <= 0.0 {
        return None;
    }
    let p = same_variance(within);
    Some(PooledFinding {
        standard_deviation: (within.iter().map(|(ms, df)| ms * df).sum::<f64>() / df).sqrt(),
        df,
        p,
        same: p.is_some_and(|p| p >= 0.05),
    })
}

/// The word for a form.
fn word(form: Form) -> &'static str {
    match form {
        Form::Constant => "constant",
        Form::Proportional => "proportional",
        Form::Line => "line",
        Form::Power => "power",
    }
}

/// What a form is fitted to: its name, where it stands, and whether the levels bear a constant.
type Quantity = (&'static str, fn(&PrecisionFinding) -> Option<f64>, bool);

/// Every form for both standard deviations, from three levels on. Chosen: for repeatability the constant if the levels do not
/// contradict it (Bartlett, 5 %); else the form with the least misfit, the simplest of equal ones.
fn forms(levels: &[PrecisionFinding], pooled: Option<&PooledFinding>) -> Vec<AgainstLevel> {
    let mut found = Vec::new();
    let quantities: [Quantity; 2] = [
        ("repeatability", |l| l.repeatability_sd, pooled.is_some_and(|p| p.same)),
        ("reproducibility", |l| l.reproducibility_sd, false),
    ];
    for (of, value, constant) in quantities {
        let (means, deviations): (Vec<f64>, Vec<f64>) = levels.iter().filter_map(|l| Some((l.mean, value(l)?))).unzip();
        if means.len() < 3 {
            continue;
        }
        let fitted: Vec<_> = Form::ALL
            .iter()
            .filter_map(|&form| against(form, &means, &deviations))
            .collect();
        let least = fitted.iter().map(|f| f.misfit).fold(f64::INFINITY, f64::min);
        let best = fitted.iter().position(|f| f.misfit <= least * (1.0 + 1e-9));
        let best = if constant {
            fitted.iter().position(|f| f.form == Form::Constant)
        } else {
            best
        };
        found.extend(fitted.iter().enumerate().map(|(place, f)| AgainstLevel {
            of: of.to_owned(),
            form: word(f.form).to_owned(),
            a: f.first,
            b: f.second,
            misfit: f.misfit,
            chosen: Some(place) == best,
        }));
    }
    found
}
