//! Is there anything the model does not see? Findings, never deletions.
//!
//! In:  the frame and the fit.
//! Out: one `Check` a question, each with its answer in a sentence.

use super::diagnosis::{Diagnosis, SpreadByLevel};
use super::drift::DriftFinding;
use super::findings::{Check, Outcome};
use super::fit::Fit;
use super::frame::Frame;
use super::trust;
use crate::numeric::distribution::t_upper;
use crate::numeric::sum;
use crate::protocol::Response;
use crate::stats::deletion::Deletion;
use crate::stats::strata::StrataFit;

/// p-value below which somebody should look; common practice, and no test of a hypothesis.
const LOOK: f64 = 0.01;

/// All checks of one response.
pub(super) fn checks(
    response: &Response,
    frame: &Frame,
    fit: &Fit,
    diagnosis: &Diagnosis,
    ready: &Result<Deletion, &'static str>,
    drift: Option<&DriftFinding>,
) -> Vec<Check> {
    let mut checks = vec![along_order(frame, drift, response, fit.confidence)];
    if let Some(balanced) = fit.balanced() {
        let strata = &balanced.strata;
        checks.extend(diagnosis.spread.iter().map(spread));
        checks.push(odd_run(frame, fit, strata, response));
    } else if let Ok(deletion) = ready {
        checks.extend(diagnosis.spread.iter().map(spread));
        checks.extend(trust::odd_run(diagnosis, deletion, response));
    }
    checks.push(trust::single_runs(diagnosis, ready));
    checks.extend(trust::lack_of_fit(diagnosis));
    checks.extend(trust::shape(diagnosis, fit.confidence));
    if response.readings > 1 {
        checks.push(within_run(frame, response));
        checks.push(resolution(frame, response));
    }
    checks.extend(trust::last_digits(diagnosis));
    checks.extend(trust::readings(diagnosis, response, frame));
    checks
}

pub(super) fn cannot_tell(name: &str, why: &str) -> Check {
    Check {
        name: name.to_owned(),
        outcome: Outcome::CannotTell,
        answer: why.to_owned(),
        statistic: None,
        p: None,
    }
}

pub(super) fn judged(name: String, p: f64, statistic: f64, look: String, fine: String) -> Check {
    let seen = p < LOOK;
    Check {
        name,
        outcome: if seen { Outcome::Look } else { Outcome::NothingFound },
        answer: if seen { look } else { fine },
        statistic: Some(statistic),
        p: Some(p),
    }
}

/// Do the results drift along the run order? As the drift in the model tells it.
fn along_order(frame: &Frame, drift: Option<&DriftFinding>, response: &Response, confidence: f64) -> Check {
    let name = "drift along the run order";
    if !frame.ordered {
        return cannot_tell(name, "The order in which the readings were made is not on record.");
    }
    let Some(drift) = drift else {
        return cannot_tell(
            name,
            "There are too few or too many runs to look for a drift along their order.",
        );
    };
    let told = drift.per_run.as_ref().and_then(|slope| Some((slope.value, slope.p?)));
    let Some((slope, p)) = told else {
        let why = drift.note.as_deref().unwrap_or("nothing is left to judge it by");
        return cannot_tell(name, &format!("A drift along the run order cannot be told: {why}."));
    };
    let seen = p <= 1.0 - confidence;
    Check {
        name: name.to_owned(),
        outcome: if seen { Outcome::Look } else { Outcome::NothingFound },
        answer: if seen {
            format!(
                "The results drift along the run order, by {slope:.3} {} a run.",
                response.unit
            )
        } else {
            "No drift along the run order is seen.".to_owned()
        },
        statistic: Some(slope),
        p: Some(p),
    }
}

/// Is the spread the same at every level of a factor?
fn spread(found: &SpreadByLevel) -> Check {
    let name = format!("spread by {}", found.factor);
    if found.levels.iter().any(|(_, runs, _)| *runs < 3) {
        return cannot_tell(&name, "Too few runs at each level to compare their spread.");
    }
    let Some(test) = &found.brown_forsythe else {
        return cannot_tell(&name, "The residuals do not vary enough to compare their spread.");
    };
    let widest = found.levels.iter().max_by(|a, b| a.2.total_cmp(&b.2));
    judged(
        name,
        test.p,
        test.statistic,
        format!(
            "Results spread differently at different levels of {}; most at {}.",
            found.factor,
            widest.map_or("", |(level, _, _)| level)
        ),
        format!("The spread is much the same at every level of {}.", found.factor),
    )
}

/// Does one run stand off from what the model gives for it? Largest residual over its standard deviation, with the number of runs allowed for.
fn odd_run(frame: &Frame, fit: &Fit, strata: &StrataFit, response: &Response) -> Check {
    let name = "a run that stands apart";
    let finest = fit.partitions.len() - 1;
    let residuals = &strata.residuals;
    let Some((mean_square, df)) = fit.error(finest).filter(|(ms, df)| *df >= 3.0 && *ms > 0.0) else {
        return cannot_tell(
            name,
            "Too few degrees of freedom are left to see a run that stands apart.",
        );
    };
    let n = residuals.len() as f64;
    let Some(worst) = (0..residuals.len()).max_by(|&a, &b| residuals[a].abs().total_cmp(&residuals[b].abs())) else {
        return cannot_tell(name, "There are no runs.");
    };
    // In a balanced layout every residual has variance ξ·df/n.
    let standard = residuals[worst].abs() / (mean_square * df / n).sqrt();
    let rest = df - standard * standard;
    let t = if rest > 0.0 {
        standard * ((df - 1.0) / rest).sqrt()
    } else {
        f64::INFINITY
    };
    let p = (2.0 * n * t_upper(t, df - 1.0)).min(1.0);
    judged(
        name.to_owned(),
        p,
        standard,
        format!(
            "Run {} stands {:.2} {} away from what the model gives for it. Look for a cause; nothing was left out.",
            frame.rows[worst].run,
            residuals[worst].abs(),
            response.unit
        ),
        format!("No run stands apart; the furthest is run {}.", frame.rows[worst].run),
    )
}

/// Do the readings of a run climb or fall? The slope over the reading number, run by run.
fn within_run(frame: &Frame, response: &Response) -> Check {
    let name = "readings within a run";
    let slopes: Vec<f64> = frame
        .rows
        .iter()
        .filter(|row| row.readings.len() == response.readings)
        .map(|row| {
            let middle = (row.readings.len() - 1) as f64 / 2.0;
            let offsets: Vec<f64> = (0..row.readings.len()).map(|i| i as f64 - middle).collect();
            sum::dot(&offsets, &row.readings) / sum::dot(&offsets, &offsets)
        })
        .collect();
    if slopes.len() < 3 {
        return cannot_tell(
            name,
            "Too few complete runs to see whether readings climb or fall within a run.",
        );
    }
    let n = slopes.len() as f64;
    let mean = sum::mean(&slopes);
    let variance = slopes.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0);
    if variance <= 0.0 {
        return cannot_tell(name, "The readings within a run do not vary.");
    }
    let t = mean / (variance / n).sqrt();
    let word = if mean > 0.0 { "climb" } else { "fall" };
    judged(
        name.to_owned(),
        (2.0 * t_upper(t.abs(), n - 1.0)).min(1.0),
        mean,
        format!(
            "The readings of a run {word} by {:.3} {} from one to the next, on average.",
            mean.abs(),
            response.unit
        ),
        "The readings of a run neither climb nor fall.".to_owned(),
    )
}

/// Is the display fine enough? Common practice: the step of the display no larger than the spread of the readings.
fn resolution(frame: &Frame, response: &Response) -> Check {
    use rust_decimal::prelude::ToPrimitive;
    let name = "resolution of the display";
    let (squares, df) = frame.within_runs();
    let step = response.resolution.to_f64().unwrap_or(f64::NAN);
    if df < 1.0 {
        return cannot_tell(name, "No run has two readings.");
    }
    let standard_deviation = (squares / df).sqrt();
    let coarse = step > standard_deviation;
    Check {
        name: name.to_owned(),
        outcome: if coarse { Outcome::Look } else { Outcome::NothingFound },
        answer: if coarse {
            format!(
                "The display steps by {} {}, more than the spread of readings within a run: rounding hides part of it.",
                response.resolution, response.unit
            )
        } else {
            format!(
                "The display steps by {} {}, fine enough for the spread of readings within a run.",
                response.resolution, response.unit
            )
        },
        statistic: Some(standard_deviation / step),
        p: None,
    }
}
