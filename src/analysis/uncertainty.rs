//! The uncertainty budget of a stated result: declared sources, and those taken from this study's own findings.
//!
//! In:  the budget, the findings of the response, the conditions, the site's tolerances.
//! Out: an `UncertaintyFinding`; where a source cannot be had, the reason in its place.
//!
//! | rule                       | what follows                                                              |
//! |----------------------------|---------------------------------------------------------------------------|
//! | shared by all readings     | counts once, undivided                                                    |
//! | taken anew with a unit     | divided by √ of how many of the unit a result averages                    |
//! | spread of a unit           | degrees of freedom such that χ² gives the upper end of its interval       |
//! | resolution beside readings | the larger of the two counts: readings that scatter over steps hold it    |
//!
//! The simulation draws what has degrees of freedom from the t distribution (JCGM 101 6.4.9).

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::{ConditionFinding, ResponseFindings};
use super::uncertainty_sources::{Resolved, resolve, set_resolution_aside};
use crate::numeric::Matrix;
use crate::protocol::{Anew, Budget, Given, Origin, PartOf, Protocol, Site, Source};
use crate::stats::simulation::{Drawn, Shape, Trials, numerical_tolerance, simulate};
use crate::stats::uncertainty::{
    Propagation, Quantity, correlation_of, coverage_factor, half_of_correlation, propagate,
};

/// The uncertainty of a stated result.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct UncertaintyFinding {
    /// The measurement equation; empty for the sum of all sources.
    pub equation: String,
    /// What a stated result averages: how many of each unit, and of readings in all.
    pub result_of: BTreeMap<String, usize>,
    /// The sources, in the order of the equation.
    pub sources: Vec<SourceFinding>,
    /// Sources that go up and down together.
    pub correlations: Vec<CorrelationFinding>,
    /// The equation at the estimates, moved by its curvature.
    pub value: f64,
    /// What the curvature moved it by.
    pub shift: f64,
    /// Combined standard uncertainty.
    pub standard: f64,
    /// Its part from sources that are new in every result.
    pub fresh: f64,
    /// Its part from sources that all results of one laboratory share.
    pub shared: f64,
    /// Variance that correlation adds or takes; not in `fresh` or `shared`.
    pub correlated_variance: f64,
    /// Variance of second-order terms of pairs of sources.
    pub pairs_variance: f64,
    /// Effective degrees of freedom; null if every source is taken as known.
    pub df: Option<f64>,
    /// Coverage probability.
    pub coverage: f64,
    /// Coverage factor.
    pub factor: f64,
    /// Expanded uncertainty, unrounded.
    pub expanded: f64,
    /// Expanded uncertainty as stated.
    pub stated: f64,
    /// The check by simulation.
    pub simulation: Option<SimulationFinding>,
    /// What would make it smaller, the largest gain first.
    pub options: Vec<OptionFinding>,
}

/// A source of uncertainty.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SourceFinding {
    /// Its name.
    pub name: String,
    /// What it is, in the protocol's words.
    pub what: String,
    /// Where its numbers come from.
    pub origin: String,
    /// `A` from statistics of readings, `B` from anything else.
    pub evaluation: String,
    /// `normal`, `t`, `rectangular`, ...
    pub shape: String,
    /// Unit of measure.
    pub unit: String,
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty of one.
    pub standard: f64,
    /// Degrees of freedom; null if taken as known.
    pub df: Option<f64>,
    /// With what it takes a new value; empty if all readings of a result share it.
    pub anew: Vec<String>,
    /// How many are averaged in a result.
    pub averaged: usize,
    /// Change of the result for a change of it by one.
    pub sensitivity: f64,
    /// What it brings to the standard uncertainty of the result, curvature included.
    pub contribution: f64,
    /// Part of the variance of the result; null where correlation makes parts meaningless.
    pub share: Option<f64>,
    /// What to bear in mind.
    pub note: Option<String>,
}

/// Two sources that go together.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct CorrelationFinding {
    /// One source.
    pub first: String,
    /// The other one.
    pub second: String,
    /// Their correlation.
    pub correlation: f64,
    /// What makes them go together.
    pub why: String,
}

/// The check by simulation.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SimulationFinding {
    /// Number of trials.
    pub trials: usize,
    /// Trials in which the equation has no value.
    pub undefined: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub standard_deviation: f64,
    /// Lower end of the interval with equal tails.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Lower end of the shortest interval.
    pub shortest_low: f64,
    /// Its upper end.
    pub shortest_high: f64,
    /// Twice the standard deviation of the less certain end.
    pub reach: Option<f64>,
    /// True if the digits stated are steady.
    pub steady: bool,
    /// Largest difference of the two intervals' ends that leaves the digits stated alone.
    pub tolerance: f64,
    /// True if the interval of the budget lies within the tolerance of the simulated one.
    pub agrees: bool,
}

/// A change of the work and the uncertainty it would leave.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct OptionFinding {
    /// The change.
    pub change: String,
    /// Standard uncertainty with it.
    pub standard: f64,
    /// Expanded uncertainty with it.
    pub expanded: f64,
}

/// Works a budget out, or says why it cannot be.
pub(super) fn uncertainty(
    protocol: &Protocol,
    site: Option<&Site>,
    budget: &Budget,
    found: &ResponseFindings,
    conditions: &[ConditionFinding],
    stream: &str,
) -> Result<UncertaintyFinding, String> {
    let mut sources = Vec::with_capacity(budget.sources.len());
    for declared in &budget.sources {
        let mut resolved = resolve(protocol, site, declared, found, conditions)
            .map_err(|why| format!("The uncertainty budget has no number for {}: {why}.", declared.name))?;
        resolved.averaged = averaged(declared, &budget.result_of, budget.readings);
        if let Some(df) = declared.df {
            resolved.df = df;
        }
        if let Some(value) = declared.value {
            resolved.value = value;
        }
        sources.push(resolved);
    }
    set_resolution_aside(&mut sources);
    let n = sources.len();
    let (correlation, correlations) = correlation(budget, n);
    let half = match &correlation {
        Some(matrix) => Some(
            half_of_correlation(matrix)
                .ok_or("The correlations of the uncertainty budget cannot all hold together.".to_owned())?,
        ),
        None => None,
    };
    let with = |counts: &[usize]| -> Option<Propagation> {
        let quantities: Vec<Quantity> = sources
            .iter()
            .zip(counts)
            .map(|(s, &count)| s.quantity(count))
            .collect();
        propagate(&budget.equation, &quantities, correlation.as_ref())
    };
    let counts: Vec<usize> = sources.iter().map(|source| source.averaged).collect();
    let all = with(&counts)
        .ok_or("The measurement equation has no value, or no slope, at the estimates of its sources.".to_owned())?;
    if !(all.combined > 0.0) {
        return Err("Every source of the uncertainty budget came out as zero.".to_owned());
    }
    let factor = coverage_factor(budget.coverage, all.df);
    let expanded = factor * all.combined;
    let own = |at: usize| {
        let part = &all.contributions[at];
        (part.linear * part.linear + part.curved).max(0.0)
    };
    let total = all.combined * all.combined;
    let part_of = |shared: bool| -> f64 {
        (0..n)
            .filter(|&at| sources[at].declared.anew.is_empty() == shared)
            .map(own)
            .sum::<f64>()
            .sqrt()
    };
    let singles: f64 = all.contributions.iter().map(|c| c.curved).sum();
    let names: Vec<SourceFinding> = sources
        .iter()
        .enumerate()
        .map(|(at, source)| {
            let share = (correlations.is_empty()).then(|| own(at) / total);
            source_finding(
                protocol,
                source,
                all.contributions[at].sensitivity,
                own(at).sqrt(),
                share,
            )
        })
        .collect();
    let mut result_of: BTreeMap<String, usize> = protocol
        .units
        .iter()
        .zip(&budget.result_of)
        .map(|(unit, &count)| (unit.name.clone(), count))
        .collect();
    result_of.insert("reading".to_owned(), budget.readings);
    Ok(UncertaintyFinding {
        equation: budget.equation_text.clone(),
        result_of,
        sources: names,
        correlations,
        value: all.value + all.shift,
        shift: all.shift,
        standard: all.combined,
        fresh: part_of(false),
        shared: part_of(true),
        correlated_variance: all.correlated_variance,
        pairs_variance: all.curved_variance - singles,
        df: all.df.is_finite().then_some(all.df),
        coverage: budget.coverage,
        factor,
        expanded,
        stated: stated(expanded, budget.digits, budget.rounds_up),
        simulation: simulation(budget, &sources, half.as_deref(), (&all, expanded), stream),
        options: options(protocol, budget, &sources, &with, all.combined),
    })
}

/// How many of what a source is taken anew with a result averages.
fn averaged(source: &Source, result_of: &[usize], readings: usize) -> usize {
    source
        .anew
        .iter()
        .map(|anew| match anew {
            Anew::Reading => readings,
            Anew::Unit(unit) => result_of[*unit],
        })
        .product::<usize>()
        .max(1)
}

fn correlation(budget: &Budget, n: usize) -> (Option<Matrix>, Vec<CorrelationFinding>) {
    if budget.correlations.is_empty() {
        return (None, Vec::new());
    }
    let mut matrix = Matrix::identity(n);
    let mut listed = Vec::new();
    for entry in &budget.correlations {
        let (a, b) = entry.of;
        let readings = |at: usize| match &budget.sources[at].given {
            Given::Readings(readings) => readings.clone(),
            _ => Vec::new(),
        };
        let r = entry
            .is
            .or_else(|| correlation_of(&readings(a), &readings(b)))
            .unwrap_or(0.0);
        // A negative sensitivity of a budget without an equation turns its source over.
        let sign = (budget.sources[a].sensitivity * budget.sources[b].sensitivity).signum();
        let sign = if sign == 0.0 { 1.0 } else { sign };
        matrix.col_mut(a)[b] = r * sign;
        matrix.col_mut(b)[a] = r * sign;
        listed.push(CorrelationFinding {
            first: budget.sources[a].name.clone(),
            second: budget.sources[b].name.clone(),
            correlation: r,
            why: entry.why.clone(),
        });
    }
    (Some(matrix), listed)
}

fn source_finding(
    protocol: &Protocol,
    source: &Resolved<'_>,
    sensitivity: f64,
    contribution: f64,
    share: Option<f64>,
) -> SourceFinding {
    let declared = source.declared;
    SourceFinding {
        name: declared.name.clone(),
        what: declared.what.clone(),
        origin: source.origin.clone(),
        evaluation: if source.type_a { "A" } else { "B" }.to_owned(),
        shape: match source.shape {
            Shape::Normal => "normal",
            Shape::Student(_) => "t",
            Shape::Rectangular => "rectangular",
            Shape::Triangular => "triangular",
            Shape::Arcsine => "arcsine",
            Shape::Trapezoidal(_) => "trapezoidal",
        }
        .to_owned(),
        unit: declared.unit.clone(),
        value: source.value,
        standard: source.standard,
        df: source.df.is_finite().then_some(source.df),
        anew: declared
            .anew
            .iter()
            .map(|anew| match anew {
                Anew::Reading => "reading".to_owned(),
                Anew::Unit(unit) => protocol.units[*unit].name.clone(),
            })
            .collect(),
        averaged: source.averaged,
        sensitivity: sensitivity * declared.sensitivity,
        contribution,
        share,
        note: source.note.clone(),
    }
}

/// The expanded uncertainty at its significant digits.
fn stated(expanded: f64, digits: i32, up: bool) -> f64 {
    let step = 2.0 * numerical_tolerance(expanded, digits);
    let steps = expanded / step;
    // A value that is whole up to the last bits is not rounded up again.
    let whole = if up { (steps - 1e-9).ceil() } else { steps.round() };
    // Through the decimal text, so that 13 steps of 0.1 are 1.3.
    let decimals = (-step.log10()).round().max(0.0) as usize;
    format!("{:.decimals$}", whole * step).parse().unwrap_or(whole * step)
}

fn simulation(
    budget: &Budget,
    sources: &[Resolved<'_>],
    half: Option<&[Vec<f64>]>,
    (all, expanded): (&Propagation, f64),
    stream: &str,
) -> Option<SimulationFinding> {
    let drawn: Vec<Drawn> = sources
        .iter()
        .map(|source| {
            let c = source.declared.sensitivity;
            let (standard, shape, count) = match source.shape {
                // One uncertain standard deviation stands behind all of them.
                Shape::Student(df) if df.is_finite() => (source.in_result(source.averaged), Shape::Student(df), 1),
                Shape::Student(_) => (source.in_result(source.averaged), Shape::Normal, 1),
                shape if source.aside => (0.0, shape, 1),
                shape => (source.standard, shape, source.averaged),
            };
            Drawn {
                value: c * source.value,
                standard: c.abs() * standard,
                shape,
                count,
            }
        })
        .collect();
    let trials = Trials::Steady {
        digits: budget.digits,
        most: budget.trials,
    };
    let found = simulate(&budget.equation, &drawn, half, budget.coverage, trials, stream)?;
    let tolerance = numerical_tolerance(all.combined, budget.digits);
    let middle = all.value + all.shift;
    let (low, high) = found.symmetric;
    Some(SimulationFinding {
        trials: found.trials,
        undefined: found.undefined,
        mean: found.mean,
        standard_deviation: found.deviation,
        low,
        high,
        shortest_low: found.shortest.0,
        shortest_high: found.shortest.1,
        reach: found.reach.is_finite().then_some(found.reach),
        steady: found.steady,
        tolerance,
        agrees: (middle - expanded - low).abs() <= tolerance && (middle + expanded - high).abs() <= tolerance,
    })
}

/// Twice and four times as many of everything that averaging helps, and half of each large shared source.
fn options(
    protocol: &Protocol,
    budget: &Budget,
    sources: &[Resolved<'_>],
    with: &dyn Fn(&[usize]) -> Option<Propagation>,
    now: f64,
) -> Vec<OptionFinding> {
    let mut found: Vec<OptionFinding> = Vec::new();
    let mut add = |change: String, propagation: Option<Propagation>| {
        if let Some(p) = propagation
            && p.combined < now * (1.0 - 1e-9)
        {
            found.push(OptionFinding {
                change,
                standard: p.combined,
                expanded: coverage_factor(budget.coverage, p.df) * p.combined,
            });
        }
    };
    let counts = |result_of: &[usize], readings: usize| -> Vec<usize> {
        let count = |source: &Resolved<'_>| averaged(source.declared, result_of, readings);
        sources.iter().map(count).collect()
    };
    for times in [2, 4] {
        let readings = budget.readings * times;
        add(
            format!("{readings} readings in place of {}", budget.readings),
            with(&counts(&budget.result_of, readings)),
        );
    }
    // More of a wider unit means more of everything within it.
    for unit in 0..protocol.units.len() {
        // A result is of one product.
        if protocol.units[unit].part_of == PartOf::Product {
            continue;
        }
        for times in [2, 4] {
            let mut result_of = budget.result_of.clone();
            for (other, count) in result_of.iter_mut().enumerate() {
                if other == unit || protocol.above(other).contains(&unit) {
                    *count *= times;
                }
            }
            let name = protocol.units[unit].name.replace('_', " ");
            let change = format!(
                "the mean of {} results, each from a {name} of its own",
                times * budget.result_of[unit]
            );
            add(change, with(&counts(&result_of, budget.readings * times)));
        }
    }
    let own: Vec<usize> = sources.iter().map(|source| source.averaged).collect();
    // More instruments: each brings a calibration of its own.
    let mut instruments: Vec<usize> = sources
        .iter()
        .filter_map(|source| match source.declared.given {
            Given::Found(Origin::Tolerance(factor)) => Some(factor),
            _ => None,
        })
        .collect();
    instruments.dedup();
    for factor in instruments {
        for times in [2, 4] {
            let counts: Vec<usize> = sources
                .iter()
                .map(|source| match source.declared.given {
                    Given::Found(Origin::Tolerance(own)) if own == factor => source.averaged * times,
                    _ => source.averaged,
                })
                .collect();
            let name = protocol.factors[factor].name.replace('_', " ");
            add(
                format!("the same readings shared out over {times} {name}s, each with a calibration of its own"),
                with(&counts),
            );
        }
    }
    for (at, source) in sources.iter().enumerate() {
        if source.declared.anew.is_empty() && !source.aside {
            // A quarter of the variance is half of the uncertainty.
            let mut counts = own.clone();
            counts[at] = 4;
            add(
                format!("half the uncertainty of {}", source.declared.name.replace('_', " ")),
                with(&counts),
            );
        }
    }
    found.sort_by(|a, b| a.standard.total_cmp(&b.standard));
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form.
    #[test]
    fn the_stated_uncertainty_has_its_digits() {
        for (expanded, digits, up, expected) in [
            (1.2899, 2, false, 1.3),
            (1.21, 2, true, 1.3),
            (1.2, 2, true, 1.2),
            (0.0996, 2, false, 0.1),
            (92.4, 2, false, 92.0),
            (2.45, 1, false, 2.0),
            (2.45, 1, true, 3.0),
            (134.0, 2, false, 130.0),
        ] {
            assert_eq!(stated(expanded, digits, up), expected, "{expanded}");
        }
    }
}
