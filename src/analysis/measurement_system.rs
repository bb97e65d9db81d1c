//! How much of the spread is the measuring: parts, those who measure, repeats; bias, linearity and stability on references.
//!
//! In:  protocol with its [`measurement_system`], and the frame.
//! Out: a `MeasurementFinding`. Everything named in the protocol is taken as drawn from many.
//!
//! | name            | symbol | meaning                                                                    |
//! |-----------------|--------|----------------------------------------------------------------------------|
//! | repeatability   | e      | the layer of the repeats                                                   |
//! | reproducibility | v      | all layers of those who measure, with those they share with the parts      |
//! | measuring       | g      | √(e² + v²)                                                                 |
//! | parts           | p      | the layer of the parts alone                                               |
//! | categories      | c      | √2 p/g: how many groups of parts the measuring tells apart (common practice) |
//!
//! Intervals of ratios: the values for which the modified large sample interval of numerator − ratio · denominator holds zero.
//! Readings of references take no part in the components, unless all readings are of references.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::comparisons::verdict;
use super::estimate::Estimate;
use super::findings::Verdict;
use super::frame::Frame;
use super::layers::{Layers, grouping_name, key_of, label_of, spoken};
use super::precision::{bias_estimate, reference_of};
use super::precision_findings::SpreadFinding;
use crate::numeric::distribution::t_quantile_upper;
use crate::numeric::sum;
use crate::protocol::{Grouping, MeasurementPlan, Protocol, Reference, ResponseId};

/// Fewest checks from which stability is judged.
const FEWEST_CHECKS: usize = 5;

/// A study of a measurement system.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct MeasurementFinding {
    /// What stands for the parts.
    pub part: String,
    /// Who or what measures.
    pub by: Vec<String>,
    /// Number of parts.
    pub parts: usize,
    /// Number of results that the components rest on.
    pub results: usize,
    /// Their mean.
    pub mean: f64,
    /// `crossed` if the same parts come back, `nested` if each who measures has parts of their own.
    pub design: String,
    /// The layers of spread.
    pub layers: Vec<MeasuringLayer>,
    /// p-value of 'those who measure agree from part to part'; null if it cannot be told.
    pub p_joint: Option<f64>,
    /// True if the joint spread was pooled with the repeats, by the rule of the protocol.
    pub pooled: bool,
    /// Standard deviation of repeats.
    pub repeatability: Option<SpreadFinding>,
    /// Standard deviation of those who measure.
    pub reproducibility: Option<SpreadFinding>,
    /// Standard deviation of the measuring: both together.
    pub measuring: Option<SpreadFinding>,
    /// Standard deviation of the parts.
    pub product: Option<SpreadFinding>,
    /// Standard deviation of everything.
    pub total: Option<SpreadFinding>,
    /// Variance of the measuring over that of everything.
    pub variance_share: Option<RatioFinding>,
    /// Standard deviation of the measuring over that of everything.
    pub spread_ratio: Option<RatioFinding>,
    /// √2 times the standard deviation of the parts over that of the measuring; whole numbers of it are told apart.
    pub categories: Option<RatioFinding>,
    /// Lowest and highest value that a part may have.
    pub tolerance: Option<(f64, f64)>,
    /// How many standard deviations count as the width of the measuring.
    pub multiple: f64,
    /// That width over the width of the tolerance.
    pub to_tolerance: Option<RatioFinding>,
    /// Means by who measures, over all parts.
    pub by_means: Vec<MeasuredMean>,
    /// Means of each part by who measures.
    pub cells: Vec<MeasuredMean>,
    /// Bias on each reference.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bias: Vec<BiasFinding>,
    /// Bias along the scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub linearity: Option<LinearityFinding>,
    /// References watched over time.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stability: Vec<StabilityFinding>,
    /// What could not be answered, and why, in sentences.
    pub cannot_tell: Vec<String>,
}

/// A layer of spread.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct MeasuringLayer {
    /// Its name: `roller`, `operator`, `roller × operator`, `repeat`.
    pub source: String,
    /// `product` or `measuring`.
    pub part_of: String,
    /// Degrees of freedom; null where cells are uneven.
    pub df: Option<usize>,
    /// Sum of squares.
    pub sum_of_squares: Option<f64>,
    /// Mean square.
    pub mean_square: Option<f64>,
    /// Its variance as estimated; negative stands for 'not told apart from zero'.
    pub variance: Option<f64>,
    /// Its standard deviation with the interval.
    pub spread: Option<SpreadFinding>,
    /// Its part of the sum of all variances, negative ones counted as 0.
    pub share: Option<f64>,
}

/// A ratio with its interval.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RatioFinding {
    /// The ratio.
    pub value: f64,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end; null if it has none.
    pub high: Option<f64>,
}

/// A mean of some results.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct MeasuredMean {
    /// The part; empty for all.
    pub part: String,
    /// Who measured.
    pub by: String,
    /// Number of results.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// The smallest.
    pub lowest: f64,
    /// The largest.
    pub highest: f64,
}

/// Bias on one reference.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct BiasFinding {
    /// The reference.
    pub label: String,
    /// Its accepted value.
    pub reference: f64,
    /// The standard uncertainty of that.
    pub uncertainty: f64,
    /// Where the value comes from; may be empty.
    pub source: String,
    /// Number of results.
    pub n: usize,
    /// Number of those who measured, whose means the bias is judged by if there are two or more.
    pub by: usize,
    /// Mean minus the accepted value.
    pub bias: f64,
    /// Standard uncertainty; null if it cannot be told.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// Against the smallest difference that matters; null if the protocol states none.
    pub verdict: Option<Verdict>,
}

/// Bias along the scale: a line through the biases of the references, one point each.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LinearityFinding {
    /// Number of references.
    pub references: usize,
    /// Bias at the mean of the accepted values.
    pub at_mean: f64,
    /// Mean of the accepted values.
    pub mean: f64,
    /// Change of bias per unit of the response.
    pub slope: f64,
    /// Its standard error.
    pub standard_error: Option<f64>,
    /// Degrees of freedom: references less two.
    pub df: f64,
    /// Lower end of the interval of the slope.
    pub low: Option<f64>,
    /// Upper end of the interval of the slope.
    pub high: Option<f64>,
    /// The band of the line: accepted value, bias, lower and upper end, along the scale.
    pub band: Vec<(f64, f64, f64, f64)>,
    /// Whether the band stays within the smallest difference that matters; null if the protocol states none.
    pub verdict: Option<Verdict>,
}

/// A reference watched over time.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct StabilityFinding {
    /// The reference.
    pub label: String,
    /// Over what it is watched.
    pub over: String,
    /// The checks in order: label and mean.
    pub checks: Vec<(String, f64)>,
    /// Their mean.
    pub mean: f64,
    /// Mean distance of a check from the one before.
    pub mean_step: f64,
    /// Mean less 2.66 mean steps.
    pub low: f64,
    /// Mean plus 2.66 mean steps.
    pub high: f64,
    /// The checks outside.
    pub outside: Vec<String>,
    /// Change from one check to the next, by a straight line.
    pub slope: f64,
    /// Lower end of its interval.
    pub slope_low: Option<f64>,
    /// Upper end of its interval.
    pub slope_high: Option<f64>,
}

/// The study of the measurement system; none without one in the protocol, or without results.
pub(super) fn measurement(protocol: &Protocol, response: ResponseId, frame: &Frame) -> Option<MeasurementFinding> {
    let plan = protocol.measurement_system.as_ref()?;
    // The rows of each reference of this response, in the order of the protocol.
    let mut owned: Vec<(&Reference, Vec<usize>)> = protocol
        .references
        .iter()
        .filter(|r| r.response == response)
        .map(|r| (r, Vec::new()))
        .collect();
    let mut rows: Vec<usize> = Vec::new();
    for row in 0..frame.rows.len() {
        let owner = reference_of(protocol, response, frame, row);
        match owned.iter_mut().find(|(r, _)| owner == Some(*r)) {
            Some((_, own)) => own.push(row),
            None => rows.push(row),
        }
    }
    if rows.is_empty() {
        rows = (0..frame.rows.len()).collect();
    }
    if rows.is_empty() {
        return None;
    }
    let declared = &protocol.responses[response];
    let tolerance = declared.tolerance.and_then(|(l, h)| l.to_f64().zip(h.to_f64()));
    let mut groupings = vec![plan.part];
    groupings.extend(&plan.by);
    let results: Vec<f64> = rows.iter().map(|&row| frame.rows[row].result).collect();
    let (cells, by_means) = means(protocol, plan, frame, &rows);
    let mut parts: Vec<Vec<usize>> = rows
        .iter()
        .map(|&row| key_of(protocol, plan.part, &frame.rows[row]))
        .collect();
    parts.sort();
    parts.dedup();
    let nested = nested(protocol, plan, frame, &rows);
    let mut found = MeasurementFinding {
        part: grouping_name(protocol, plan.part),
        by: plan.by.iter().map(|&g| grouping_name(protocol, g)).collect(),
        parts: parts.len(),
        results: rows.len(),
        mean: frame.reference + sum::mean(&results),
        design: if nested { "nested" } else { "crossed" }.to_owned(),
        layers: Vec::new(),
        p_joint: None,
        pooled: false,
        repeatability: None,
        reproducibility: None,
        measuring: None,
        product: None,
        total: None,
        variance_share: None,
        spread_ratio: None,
        categories: None,
        tolerance,
        multiple: plan.multiple,
        to_tolerance: None,
        by_means,
        cells,
        bias: Vec::new(),
        linearity: None,
        stability: Vec::new(),
        cannot_tell: Vec::new(),
    };
    components(&mut found, protocol, plan, frame, &rows, &groupings);
    if let (Some(measuring), Some((low, high))) = (&found.measuring, tolerance) {
        let scale = plan.multiple / (high - low);
        found.to_tolerance = Some(RatioFinding {
            value: measuring.value * scale,
            low: measuring.low.map(|v| v * scale),
            high: measuring.high.map(|v| v * scale),
        });
    } else if tolerance.is_none() {
        let why = if declared.limit.is_some() {
            "A limit on one side has no width to hold the measuring against; what the measuring means near it is a question of risk."
        } else {
            "The protocol states no tolerance, so the measuring cannot be held against it."
        };
        found.cannot_tell.push(why.to_owned());
    }
    found.bias = biases(protocol, plan, response, frame, &owned);
    found.linearity = linearity(protocol, response, &found.bias);
    stability(&mut found, protocol, plan, frame, &owned);
    Some(found)
}

/// True if no part is measured by two of those who measure.
fn nested(protocol: &Protocol, plan: &MeasurementPlan, frame: &Frame, rows: &[usize]) -> bool {
    let mut seen: BTreeMap<Vec<usize>, Vec<Vec<usize>>> = BTreeMap::new();
    for &row in rows {
        let by = plan
            .by
            .iter()
            .flat_map(|&g| key_of(protocol, g, &frame.rows[row]))
            .collect();
        let part = key_of(protocol, plan.part, &frame.rows[row]);
        let own = seen.entry(part).or_default();
        if !own.contains(&by) {
            own.push(by);
        }
    }
    seen.values().all(|by| by.len() == 1)
}

/// Who measured a row, in words.
fn by_label(protocol: &Protocol, plan: &MeasurementPlan, frame: &Frame, row: usize) -> String {
    let labels: Vec<String> = plan
        .by
        .iter()
        .map(|&g| {
            format!(
                "{} {}",
                spoken(&grouping_name(protocol, g)),
                label_of(protocol, g, &frame.rows[row])
            )
        })
        .collect();
    labels.join(", ")
}

fn by_key(protocol: &Protocol, plan: &MeasurementPlan, frame: &Frame, row: usize) -> Vec<usize> {
    plan.by
        .iter()
        .flat_map(|&g| key_of(protocol, g, &frame.rows[row]))
        .collect()
}

/// Means of every part by who measures, and of all parts by who measures.
fn means(
    protocol: &Protocol,
    plan: &MeasurementPlan,
    frame: &Frame,
    rows: &[usize],
) -> (Vec<MeasuredMean>, Vec<MeasuredMean>) {
    type Cells = BTreeMap<(Vec<usize>, Vec<usize>), Vec<usize>>;
    let (mut cells, mut all): (Cells, Cells) = (Cells::new(), Cells::new());
    for &row in rows {
        let part = key_of(protocol, plan.part, &frame.rows[row]);
        let by = by_key(protocol, plan, frame, row);
        cells.entry((part, by.clone())).or_default().push(row);
        all.entry((Vec::new(), by)).or_default().push(row);
    }
    let mean = |rows: &Vec<usize>, part: bool| {
        let results: Vec<f64> = rows.iter().map(|&r| frame.rows[r].result).collect();
        let end = |f: fn(f64, f64) -> f64, from: f64| frame.reference + results.iter().copied().fold(from, f);
        MeasuredMean {
            part: if part {
                label_of(protocol, plan.part, &frame.rows[rows[0]])
            } else {
                String::new()
            },
            by: by_label(protocol, plan, frame, rows[0]),
            n: rows.len(),
            mean: frame.reference + sum::mean(&results),
            lowest: end(f64::min, f64::INFINITY),
            highest: end(f64::max, f64::NEG_INFINITY),
        }
    };
    (
        cells.values().map(|rows| mean(rows, true)).collect(),
        all.values().map(|rows| mean(rows, false)).collect(),
    )
}

fn components(
    found: &mut MeasurementFinding,
    protocol: &Protocol,
    plan: &MeasurementPlan,
    frame: &Frame,
    rows: &[usize],
    groupings: &[Grouping],
) {
    let fitted = |joint: bool| Layers::new(protocol, frame, rows, groupings, joint);
    let mut layers = match fitted(true) {
        Ok(layers) => layers,
        Err(why) => {
            found.cannot_tell.push(why);
            return;
        }
    };
    let finest = layers.list.len() - 1;
    let joint: Vec<usize> = (0..finest).filter(|&l| layers.list[l].of.len() > 1).collect();
    // The largest joint layer of the parts lies just around the repeats.
    let with_parts = joint
        .iter()
        .copied()
        .filter(|&l| layers.list[l].of.contains(&0))
        .max_by_key(|&l| layers.list[l].of.len());
    found.p_joint = with_parts.and_then(|l| layers.p(l, finest));
    if let (Some(least), Some(p)) = (plan.pool_above, found.p_joint)
        && p > least
        && let Ok(pooled) = fitted(false)
    {
        layers = pooled;
        found.pooled = true;
    }
    for (place, &grouping) in groupings.iter().enumerate() {
        if !layers.list.iter().any(|layer| layer.of == [place]) {
            let name = spoken(&grouping_name(protocol, grouping));
            found.cannot_tell.push(format!(
                "The spread of {name} cannot be told from that of the others: there is one only, or it never holds two results."
            ));
        }
    }
    let finest = layers.list.len() - 1;
    let cells: usize = found.cells.len();
    if cells == rows.len() {
        found.cannot_tell.push(
            "No part was measured twice under the same conditions: repeats cannot be told from the joint spread of parts and \
             those who measure."
                .to_owned(),
        );
    }
    let is_part = |l: usize| layers.list[l].of == [0];
    let measuring: Vec<usize> = (0..=finest).filter(|&l| !is_part(l)).collect();
    let by: Vec<usize> = (0..finest).filter(|&l| !is_part(l)).collect();
    let part: Vec<usize> = (0..finest).filter(|&l| is_part(l)).collect();
    let all: Vec<usize> = (0..=finest).collect();
    let sum = |of: &[usize]| layers.sum(of).map(SpreadFinding::from).filter(|_| !of.is_empty());
    found.repeatability = sum(&[finest]);
    found.reproducibility = sum(&by);
    found.measuring = sum(&measuring);
    found.product = sum(&part);
    found.total = sum(&all);
    let whole = found.total.as_ref().map_or(0.0, |t| t.value * t.value);
    found.layers = (0..=finest)
        .map(|l| {
            let layer = &layers.list[l];
            let names: Vec<String> = layer
                .of
                .iter()
                .map(|&g| grouping_name(protocol, groupings[g]))
                .collect();
            MeasuringLayer {
                source: if names.is_empty() {
                    "repeat".to_owned()
                } else {
                    names.join(" × ")
                },
                part_of: if is_part(l) { "product" } else { "measuring" }.to_owned(),
                df: layer.squares.map(|s| s.0),
                sum_of_squares: layer.squares.map(|s| s.1),
                mean_square: layer.squares.map(|s| s.2),
                variance: layer.variance,
                spread: sum(&[l]),
                share: layer.variance.filter(|_| whole > 0.0).map(|v| v.max(0.0) / whole),
            }
        })
        .collect();
    if part.is_empty() {
        return;
    }
    if let Some((ratio, ends)) = layers.ratio(&part, &measuring) {
        let of = |f: &dyn Fn(f64) -> f64| {
            let (a, b) = match ends {
                Some((low, high)) => (Some(f(low)), Some(f(high))),
                None => (None, None),
            };
            let order = |x: Option<f64>, y: Option<f64>, pick: fn(f64, f64) -> f64| x.zip(y).map(|(x, y)| pick(x, y));
            RatioFinding {
                value: f(ratio),
                low: order(a, b, f64::min),
                high: order(a, b, f64::max).filter(|v| v.is_finite()),
            }
        };
        found.variance_share = Some(of(&|r| 1.0 / (1.0 + r)));
        found.spread_ratio = Some(of(&|r| 1.0 / (1.0 + r).sqrt()));
        found.categories = Some(of(&|r| (2.0 * r).sqrt()));
    }
}

/// Bias on every reference with results, in the order of the protocol.
fn biases(
    protocol: &Protocol,
    plan: &MeasurementPlan,
    response: ResponseId,
    frame: &Frame,
    owned: &[(&Reference, Vec<usize>)],
) -> Vec<BiasFinding> {
    let relevant = protocol.responses[response].relevant.and_then(|r| r.to_f64());
    owned
        .iter()
        .filter(|(_, rows)| !rows.is_empty())
        .map(|(reference, rows)| {
            let mut groups: BTreeMap<Vec<usize>, Vec<f64>> = BTreeMap::new();
            for &row in rows {
                groups
                    .entry(by_key(protocol, plan, frame, row))
                    .or_default()
                    .push(frame.rows[row].result);
            }
            let group_means: Vec<f64> = groups.values().map(|g| sum::mean(g)).collect();
            let values: Vec<f64> = if group_means.len() > 1 {
                group_means.clone()
            } else {
                rows.iter().map(|&row| frame.rows[row].result).collect()
            };
            let mean = sum::mean(&values);
            let count = values.len() as f64;
            let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
            let own = (values.len() > 1).then(|| (squares / (count - 1.0) / count, count - 1.0));
            let value = reference.value.to_f64().unwrap_or(f64::NAN);
            let uncertainty = reference.uncertainty.to_f64().unwrap_or(f64::NAN);
            let bias = mean + (frame.reference - value);
            let estimate = bias_estimate(bias, own, uncertainty, protocol.analysis.confidence);
            BiasFinding {
                label: reference.label.clone(),
                reference: value,
                uncertainty,
                source: reference.source.clone(),
                n: rows.len(),
                by: group_means.len(),
                bias,
                standard_error: estimate.standard_error,
                df: estimate.df,
                low: estimate.low,
                high: estimate.high,
                verdict: relevant
                    .zip(estimate.low.zip(estimate.high))
                    .map(|(size, (low, high))| verdict(low, high, size)),
            }
        })
        .collect()
}

/// Intercept at the mean of x, slope, residual variance and its degrees of freedom, mean of x, Sxx.
fn line(x: &[f64], y: &[f64]) -> Option<(f64, f64, f64, f64, f64, f64)> {
    let n = x.len() as f64;
    let (mx, my) = (sum::mean(x), sum::mean(y));
    let sxx: f64 = x.iter().map(|x| (x - mx).powi(2)).sum();
    if x.len() < 3 || sxx <= 0.0 {
        return None;
    }
    let slope = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum::<f64>() / sxx;
    let left: f64 = x.iter().zip(y).map(|(x, y)| (y - my - slope * (x - mx)).powi(2)).sum();
    Some((my, slope, left / (n - 2.0), n - 2.0, mx, sxx))
}

/// A line through the biases; readings on one reference share its error, so each is one point.
fn linearity(protocol: &Protocol, response: ResponseId, biases: &[BiasFinding]) -> Option<LinearityFinding> {
    let (x, y): (Vec<f64>, Vec<f64>) = biases.iter().map(|b| (b.reference, b.bias)).unzip();
    let (at_mean, slope, variance, df, mean, sxx) = line(&x, &y)?;
    let confidence = protocol.analysis.confidence;
    let own = Estimate::new(slope, variance / sxx, df, confidence);
    let reach = t_quantile_upper((1.0 - confidence) / 2.0, df);
    let n = x.len() as f64;
    let (low, high) = x
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), &v| (a.min(v), b.max(v)));
    let band: Vec<(f64, f64, f64, f64)> = (0..=40)
        .map(|i| low + (high - low) * f64::from(i) / 40.0)
        .map(|at| {
            let fitted = at_mean + slope * (at - mean);
            let half = reach * (variance * (1.0 / n + (at - mean).powi(2) / sxx)).sqrt();
            (at, fitted, fitted - half, fitted + half)
        })
        .collect();
    let relevant = protocol.responses[response].relevant.and_then(|r| r.to_f64());
    let verdict = relevant.map(|size| {
        let inside = band.iter().all(|b| b.2 > -size && b.3 < size);
        let beyond = band.iter().any(|b| b.2 >= size || b.3 <= -size);
        match (inside, beyond) {
            (true, _) => Verdict::DoesNotMatter,
            (false, true) => Verdict::Matters,
            (false, false) => Verdict::Undecided,
        }
    });
    Some(LinearityFinding {
        references: x.len(),
        at_mean,
        mean,
        slope,
        standard_error: own.standard_error,
        df,
        low: own.low,
        high: own.high,
        band,
        verdict,
    })
}

/// Each reference over the checks: individuals with limits of 2.66 mean moving ranges (common practice), and a line.
fn stability(
    found: &mut MeasurementFinding,
    protocol: &Protocol,
    plan: &MeasurementPlan,
    frame: &Frame,
    owned: &[(&Reference, Vec<usize>)],
) {
    let Some(over) = plan.check_over else { return };
    let over_name = grouping_name(protocol, over);
    for (reference, rows) in owned {
        // In the order in which the checks were first read.
        let mut checks: Vec<(Vec<usize>, String, Vec<f64>)> = Vec::new();
        for &row in rows {
            let key = key_of(protocol, over, &frame.rows[row]);
            let result = frame.rows[row].result;
            match checks.iter_mut().find(|(other, _, _)| *other == key) {
                Some((_, _, results)) => results.push(result),
                None => checks.push((key, label_of(protocol, over, &frame.rows[row]), vec![result])),
            }
        }
        if checks.is_empty() {
            continue;
        }
        if checks.len() < FEWEST_CHECKS {
            found.cannot_tell.push(format!(
                "{} checks of {} over {} are too few to judge stability; {FEWEST_CHECKS} at least are needed.",
                checks.len(),
                reference.label,
                spoken(&over_name)
            ));
            continue;
        }
        let values: Vec<f64> = checks.iter().map(|(_, _, results)| sum::mean(results)).collect();
        let steps: Vec<f64> = values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        let (mean, step) = (sum::mean(&values), sum::mean(&steps));
        let (low, high) = (mean - 2.66 * step, mean + 2.66 * step);
        let places: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
        let slope = line(&places, &values).map(|(_, slope, variance, df, _, sxx)| {
            Estimate::new(slope, variance / sxx, df, protocol.analysis.confidence)
        });
        found.stability.push(StabilityFinding {
            label: reference.label.clone(),
            over: over_name.clone(),
            checks: checks
                .iter()
                .zip(&values)
                .map(|((_, label, _), v)| (label.clone(), frame.reference + v))
                .collect(),
            mean: frame.reference + mean,
            mean_step: step,
            low: frame.reference + low,
            high: frame.reference + high,
            outside: checks
                .iter()
                .zip(&values)
                .filter(|(_, v)| **v < low || **v > high)
                .map(|((_, label, _), _)| label.clone())
                .collect(),
            slope: slope.map_or(0.0, |s| s.value),
            slope_low: slope.and_then(|s| s.low),
            slope_high: slope.and_then(|s| s.high),
        });
    }
}
