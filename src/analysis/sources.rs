//! Where the spread of one result comes from: units, readings, and the levels studied.
//!
//! In:  the frame and the fit.
//! Out: one `Component` a source, with intervals, and the share of each.
//!
//! | name           | symbol | meaning                                                                |
//! |----------------|--------|------------------------------------------------------------------------|
//! | unit           | σ²(S)  | variance between units of a kind, from the mean squares                 |
//! | reading        | s²/m   | variance of readings within a run, over the m readings averaged         |
//! | levels studied | θ      | (SS − q·M) / n, the mean square of an effect over the settings studied  |
//!
//! A fixed factor has no population behind it; its θ describes an even mix of the levels that were run. Intervals:
//! chi-square for one mean square, modified large sample for sums and differences, noncentral F for levels studied.

use super::findings::Component;
use super::fit::{Balanced, Engine, Fit};
use super::frame::Frame;
use super::mixed_model::{MixedModel, Variance};
use crate::numeric::distribution::{f_lower, noncentral_f_lower};
use crate::plan::Part;
use crate::protocol::{PartOf, Protocol, Response, Statistic};
use crate::stats::interval::{WeightedMeanSquare, combination, combination_interval};

/// All sources of spread of one response.
pub(super) fn components(protocol: &Protocol, response: &Response, frame: &Frame, fit: &Fit) -> Vec<Component> {
    let readings = readings_within_runs(response, frame);
    let mut components = Vec::new();
    let finest = fit.partitions.len() - 1;
    let mixed = match &fit.engine {
        Engine::Balanced(_) => None,
        Engine::Mixed(mixed) => Some(mixed),
    };
    let of_readings = mixed.is_some_and(|mixed| mixed.of_readings);
    for stratum in 0..=finest {
        let reading = readings.filter(|_| stratum == finest && !of_readings);
        components.push(unit(protocol, fit, stratum, reading));
    }
    if let Some(mixed) = mixed {
        components.extend((0..mixed.drawn.len()).map(|index| drawn(protocol, fit, mixed, index)));
    }
    if let Some((mean_square, df, readings)) = readings {
        components.push(match mixed.and_then(|m| m.reading_component(fit.confidence)) {
            Some(single) => single_reading(&single, readings),
            None => reading(mean_square, df, readings, fit.confidence),
        });
    }
    for (index, term) in fit.terms.iter().enumerate() {
        let product = term
            .effect
            .iter()
            .all(|&f| protocol.factors[f].part_of == PartOf::Product);
        components.push(levels_studied(fit, index, &term.name, term.part, product));
    }
    let total: f64 = components.iter().filter_map(|c| c.variance).map(|v| v.max(0.0)).sum();
    if total > 0.0 && components.iter().all(|c| c.variance.is_some()) {
        for component in &mut components {
            component.share = component.variance.map(|v| v.max(0.0) / total);
        }
    }
    components
}

/// Pooled variance of single readings within runs, its degrees of freedom, and how many readings make a result;
/// `None` where a result is not a mean of several readings.
fn readings_within_runs(response: &Response, frame: &Frame) -> Option<(f64, f64, f64)> {
    if response.readings < 2 || response.result != Statistic::Mean {
        return None;
    }
    let (squares, df) = frame.within_runs();
    let inverse: f64 = frame.rows.iter().map(|row| 1.0 / row.readings.len() as f64).sum();
    // Where runs have unequal numbers of readings their harmonic mean counts.
    (df > 0.0).then(|| (squares / df, df, frame.rows.len() as f64 / inverse))
}

fn word(product: bool) -> String {
    if product { "product" } else { "method" }.to_owned()
}

fn unit(protocol: &Protocol, fit: &Fit, stratum: usize, reading: Option<(f64, f64, f64)>) -> Component {
    let heads = &fit.structure.strata[stratum].heads;
    let product = heads.iter().all(|&u| protocol.units[u].part_of == PartOf::Product);
    let mut component = Component {
        source: fit.structure.name(stratum, protocol),
        kind: "unit".to_owned(),
        part_of: word(product),
        variance: None,
        standard_deviation: None,
        low: None,
        high: None,
        df: fit.error(stratum).map(|(_, df)| df),
        share: None,
        note: None,
    };
    match &fit.engine {
        Engine::Balanced(balanced) => from_mean_squares(&mut component, fit, balanced, stratum, reading),
        Engine::Mixed(mixed) => from_likelihood(&mut component, fit, mixed, stratum, reading),
    }
    if component.variance.is_some_and(|v| v < 0.0) {
        component.note = Some("the estimate is negative: not told apart from zero".to_owned());
    }
    component
}

fn from_mean_squares(
    component: &mut Component,
    fit: &Fit,
    balanced: &Balanced,
    stratum: usize,
    reading: Option<(f64, f64, f64)>,
) {
    let Some(factors) = &balanced.combinations.components[stratum] else {
        component.note = Some("no degrees of freedom are left to estimate it".to_owned());
        return;
    };
    let mut parts: Vec<WeightedMeanSquare> = factors
        .iter()
        .enumerate()
        .filter(|(_, factor)| **factor != 0.0)
        .filter_map(|(s, &coefficient)| {
            fit.error(s).map(|(mean_square, df)| WeightedMeanSquare {
                coefficient,
                mean_square,
                df,
            })
        })
        .collect();
    if let Some((mean_square, df, readings)) = reading {
        parts.push(WeightedMeanSquare {
            coefficient: -1.0 / readings,
            mean_square,
            df,
        });
    }
    fill(component, &parts, fit.confidence);
}

/// By restricted likelihood; the interval is the profile one, of runs with their readings where those are taken out.
fn from_likelihood(
    component: &mut Component,
    fit: &Fit,
    mixed: &MixedModel,
    stratum: usize,
    reading: Option<(f64, f64, f64)>,
) {
    let finest = fit.partitions.len() - 1;
    let Some(found) = mixed.component(stratum, finest, fit.confidence) else {
        component.note = Some("it cannot be told from the spread of single runs".to_owned());
        return;
    };
    let readings = reading.map_or(0.0, |(mean_square, _, readings)| mean_square / readings);
    component.variance = Some(found.value - readings);
    component.standard_deviation = Some((found.value - readings).max(0.0).sqrt());
    let less = |sd: f64| (sd * sd - readings).max(0.0).sqrt();
    if let Some((low, high)) = found.interval {
        component.low = Some(less(low));
        component.high = Some(less(high)).filter(|high| high.is_finite());
    }
    if found.boundary {
        component.note = Some("the estimate is zero: not told apart from zero".to_owned());
    }
}

/// What a random factor brings, or its interaction with others.
fn drawn(protocol: &Protocol, fit: &Fit, mixed: &MixedModel, index: usize) -> Component {
    let source = &mixed.drawn[index];
    let product = source
        .factors
        .iter()
        .all(|&f| protocol.factors[f].part_of == PartOf::Product);
    let mut component = Component {
        source: source.name.clone(),
        kind: "levels drawn".to_owned(),
        part_of: word(product),
        variance: None,
        standard_deviation: None,
        low: None,
        high: None,
        df: None,
        share: None,
        note: source.untold.clone(),
    };
    if let Some(found) = mixed.drawn_component(index, fit.confidence) {
        component.variance = Some(found.value);
        component.standard_deviation = Some(found.value.sqrt());
        component.low = found.interval.map(|(low, _)| low);
        component.high = found.interval.map(|(_, high)| high).filter(|high| high.is_finite());
        if found.boundary {
            component.note = Some("the estimate is zero: not told apart from zero".to_owned());
        } else if source.cells < 5 {
            component.note = Some(format!(
                "{} of them are few for a spread: the interval says how little they tell",
                source.cells
            ));
        }
    }
    component
}

/// Readings within a run, from a model of single readings: the variance they bring into a result.
fn single_reading(found: &Variance, readings: f64) -> Component {
    let sd = |sd: f64| sd / readings.sqrt();
    Component {
        source: "reading".to_owned(),
        kind: "reading".to_owned(),
        part_of: word(false),
        variance: Some(found.value / readings),
        standard_deviation: Some(sd(found.value.sqrt())),
        low: found.interval.map(|(low, _)| sd(low)),
        high: found.interval.map(|(_, high)| sd(high)),
        df: None,
        share: None,
        note: Some(format!(
            "a single reading varies with a standard deviation of {:.3}; a result averages {readings:.0} of them",
            found.value.sqrt()
        )),
    }
}

fn reading(mean_square: f64, df: f64, readings: f64, confidence: f64) -> Component {
    let mut component = Component {
        source: "reading".to_owned(),
        kind: "reading".to_owned(),
        part_of: word(false),
        variance: None,
        standard_deviation: None,
        low: None,
        high: None,
        df: Some(df),
        share: None,
        note: Some(format!(
            "a single reading varies with a standard deviation of {:.3}; a result averages {readings:.0} of them",
            mean_square.sqrt()
        )),
    };
    fill(
        &mut component,
        &[WeightedMeanSquare {
            coefficient: 1.0 / readings,
            mean_square,
            df,
        }],
        confidence,
    );
    component
}

/// Variance, standard deviation and interval of a combination of mean squares.
fn fill(component: &mut Component, parts: &[WeightedMeanSquare], confidence: f64) {
    let variance = combination(parts);
    component.variance = Some(variance);
    component.standard_deviation = Some(variance.max(0.0).sqrt());
    if let Some(interval) = combination_interval(parts, confidence) {
        component.low = Some(interval.lower.max(0.0).sqrt());
        component.high = Some(interval.upper.max(0.0).sqrt());
    }
}

fn levels_studied(fit: &Fit, index: usize, name: &str, part: Part, product: bool) -> Component {
    let df = fit.terms[index].df as f64;
    let mut component = Component {
        source: name.to_owned(),
        kind: "levels studied".to_owned(),
        part_of: word(product),
        variance: None,
        standard_deviation: None,
        low: None,
        high: None,
        df: Some(df),
        share: None,
        note: None,
    };
    let balanced = match &fit.engine {
        Engine::Balanced(balanced) => balanced,
        Engine::Mixed(mixed) => {
            let variance = mixed.mean_square_of_term(index, fit.terms[index].df);
            component.variance = Some(variance);
            component.standard_deviation = Some(variance.max(0.0).sqrt());
            if variance < 0.0 {
                component.note = Some("the estimate is negative: not told apart from zero".to_owned());
            }
            return component;
        }
    };
    let term = &balanced.strata.terms[index];
    let n = balanced.strata.n as f64;
    let Some((mean_square, error_df)) = fit.error(term.stratum) else {
        component.note = Some("it has no error term".to_owned());
        return component;
    };
    let variance = (term.sum_of_squares - df * mean_square) / n;
    component.variance = Some(variance);
    component.standard_deviation = Some(variance.max(0.0).sqrt());
    if variance < 0.0 {
        component.note = Some("the estimate is negative: not told apart from zero".to_owned());
    } else if part == Part::Departure {
        component.note = Some("what a straight line leaves over".to_owned());
    } else if part == Part::Curvature {
        component.note = Some("as far as centre points show it".to_owned());
    }
    if mean_square > 0.0 {
        let ratio = term.sum_of_squares / df / mean_square;
        let tail = (1.0 - fit.confidence) / 2.0;
        let size = |lambda: f64| (lambda * mean_square / n).sqrt();
        component.low = Some(size(noncentrality(ratio, df, error_df, 1.0 - tail)));
        component.high = Some(size(noncentrality(ratio, df, error_df, tail)));
    }
    component
}

/// Noncentrality beyond which the sum over the Poisson weights takes too long; the approximation is then good to 10⁻⁴.
const FAR: f64 = 10_000.0;

/// Lower tail of the noncentral F; far out a scaled central F with the same two first moments of the numerator (Patnaik 1949,
/// Biometrika 36:202, from memory), so that an effect a thousand times its error costs no more than any other.
fn noncentral_below(ratio: f64, df1: f64, df2: f64, lambda: f64) -> f64 {
    if lambda <= FAR {
        return noncentral_f_lower(ratio, df1, df2, lambda);
    }
    let df = (df1 + lambda) * (df1 + lambda) / (df1 + 2.0 * lambda);
    f_lower(ratio * df1 / (df1 + lambda), df, df2)
}

/// The noncentrality at which a ratio as large as the one seen, or smaller, has probability `p`; 0 if it is less likely than that at 0.
fn noncentrality(ratio: f64, df1: f64, df2: f64, p: f64) -> f64 {
    let below = |lambda: f64| noncentral_below(ratio, df1, df2, lambda);
    if !(below(0.0) > p) {
        return 0.0;
    }
    let mut high = 1.0 + 2.0 * ratio * df1;
    while below(high) > p && high < 1e300 {
        high *= 2.0;
    }
    let mut low = 0.0;
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if below(middle) > p {
            low = middle;
        } else {
            high = middle;
        }
        if high - low <= 1e-10 * high {
            break;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form against approximation: both agree where the one gives way to the other.
    #[test]
    fn a_far_noncentrality_goes_over_smoothly() {
        for (df1, df2) in [(1.0, 2.0), (1.0, 12.0), (3.0, 40.0)] {
            for part in [0.5, 1.0, 1.5] {
                let ratio = part * FAR / df1;
                let exact = noncentral_f_lower(ratio, df1, df2, FAR);
                let near = noncentral_below(ratio, df1, df2, FAR * 1.000_000_1);
                assert!((exact - near).abs() < 2e-4, "{df1} {df2} {part}: {exact} {near}");
            }
        }
    }

    /// An effect far beyond its error has an interval all the same, around its own size.
    #[test]
    fn an_effect_far_beyond_its_error_takes_no_time() {
        let ratio = 1e9;
        let (low, high) = (
            noncentrality(ratio, 1.0, 12.0, 0.975),
            noncentrality(ratio, 1.0, 12.0, 0.025),
        );
        assert!(low < ratio && ratio < high && high < 1e10, "{low} {high}");
        assert!(noncentrality(1e28, 1.0, 60.0, 0.5) > 1e27);
    }
}
