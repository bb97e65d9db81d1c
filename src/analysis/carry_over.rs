//! What a level leaves behind: for the next run, and for the first readings of that run.
//!
//! In:  protocol, frame, fit, the changes of the main analysis.
//! Out: for each factor declared to carry over, the residue of its levels, the changes corrected for it, and how the
//!      readings of a run behave after each level; or the reason why that cannot be told.
//!
//! First order: the level of the run made just before joins the model. A chain of runs ends where the unit is set up anew
//! that the protocol names (`carries_within`), and where a run between is not on record. Runs without a known
//! predecessor have an average of their own.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::adjusted::{Adjusted, CorrectedFinding, EstimateFinding, MOST_RUNS};
use super::findings::{ContrastFinding, SlopeFinding};
use super::fit::Fit;
use super::frame::Frame;
use crate::plan::{Part, Term};
use crate::protocol::{FactorId, Protocol, Response};
use crate::stats::mixed::MixedError;
use crate::stats::wash_out::{Ranged, Series};

/// What a factor carries over.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct CarryOverFinding {
    /// The factor.
    pub factor: String,
    /// Runs that follow another in the same chain.
    pub followers: usize,
    /// The unit at whose setting-up a chain ends; empty if there is one chain through the whole study.
    pub chain: String,
    /// Degrees of freedom of the residue of its levels.
    pub df: usize,
    /// Degrees of freedom of the spread it is judged by; null where it cannot be told.
    pub denominator_df: Option<f64>,
    /// Variance ratio of 'no residue differs from another'.
    pub f: Option<f64>,
    /// Its p-value.
    pub p: Option<f64>,
    /// Differences between what two levels leave behind for the next run.
    pub residues: Vec<ResidueFinding>,
    /// The changes between levels, without and with residue in the model.
    pub changes: Vec<CorrectedFinding>,
    /// How the readings of a run behave after each level; null with fewer than three readings a run.
    pub wash_out: Option<WashOutFinding>,
    /// Why something cannot be told.
    pub note: Option<String>,
}

/// What a run after one level reads beyond a run after another.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ResidueFinding {
    /// The level before, subtracted.
    pub from: String,
    /// The level before, from which it is subtracted.
    pub to: String,
    /// The difference.
    pub difference: EstimateFinding,
}

/// The readings of a run after each level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct WashOutFinding {
    /// One entry a level before that occurs.
    pub after: Vec<AfterFinding>,
    /// What is left of the residue from one reading to the next; null without a fit.
    pub factor: Option<f64>,
    /// Readings in which the residue falls to 37 % (−1/ln of `factor`).
    pub readings: Option<f64>,
    /// Lower end of the interval of `readings`; null where the first reading alone may carry all of it.
    pub readings_low: Option<f64>,
    /// Upper end; null where a straight line does as well.
    pub readings_high: Option<f64>,
    /// p-value of 'no series after any level'.
    pub p: Option<f64>,
    /// Why there is no fit.
    pub note: Option<String>,
}

/// The readings of a run after one level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct AfterFinding {
    /// The level before.
    pub level: String,
    /// Runs that follow it.
    pub runs: usize,
    /// Mean of each reading, less the mean of its run.
    pub readings: Vec<f64>,
    /// Mean slope from one reading to the next.
    pub slope: EstimateFinding,
    /// Size of the decay at the first reading, above what is left at last; null without a fit.
    pub size: Option<EstimateFinding>,
}

/// p-value up to which a series counts as seen, so that a decay is worth fitting: the level of the intervals.
fn seen(p: f64, confidence: f64) -> bool {
    p <= 1.0 - confidence
}

/// The findings of all factors that carry over.
pub(super) fn carry_over(
    protocol: &Protocol,
    response: &Response,
    frame: &Frame,
    fit: &Fit,
    contrasts: &[ContrastFinding],
    slopes: &[SlopeFinding],
) -> Vec<CarryOverFinding> {
    (0..protocol.factors.len())
        .filter(|&factor| protocol.factors[factor].carries_over)
        .map(|factor| one(protocol, response, frame, fit, factor, contrasts, slopes))
        .collect()
}

/// The row before each row, where it is known and in the same chain.
fn predecessors(protocol: &Protocol, frame: &Frame, factor: FactorId) -> Vec<Option<usize>> {
    let chain: Vec<usize> = match protocol.factors[factor].carries_within {
        Some(unit) => {
            let mut units = protocol.above(unit);
            units.push(unit);
            units
        }
        None => Vec::new(),
    };
    (0..frame.rows.len())
        .map(|row| {
            let before = row.checked_sub(1)?;
            let (now, last) = (&frame.rows[row], &frame.rows[before]);
            let joined = last.position + 1 == now.position && chain.iter().all(|&u| now.units[u] == last.units[u]);
            joined.then_some(before)
        })
        .collect()
}

fn one(
    protocol: &Protocol,
    response: &Response,
    frame: &Frame,
    fit: &Fit,
    factor: FactorId,
    contrasts: &[ContrastFinding],
    slopes: &[SlopeFinding],
) -> CarryOverFinding {
    let declared = &protocol.factors[factor];
    let before = predecessors(protocol, frame, factor);
    let own: Vec<&Term> = fit
        .terms
        .iter()
        .filter(|term| term.effect == [factor] && term.part == Part::Whole)
        .collect();
    let columns_at = |level: usize| -> Vec<f64> {
        let mut levels = vec![0; protocol.factors.len()];
        levels[factor] = level;
        own.iter().flat_map(|term| term.columns_at(protocol, &levels)).collect()
    };
    let df: usize = own.iter().map(|term| term.df).sum();
    let mut found = CarryOverFinding {
        factor: declared.name.clone(),
        followers: before.iter().flatten().count(),
        chain: declared
            .carries_within
            .map_or_else(String::new, |unit| protocol.units[unit].name.clone()),
        df,
        denominator_df: None,
        f: None,
        p: None,
        residues: Vec::new(),
        changes: Vec::new(),
        wash_out: None,
        note: None,
    };
    if !frame.ordered {
        found.note = Some("the order in which the runs were made is not on record".to_owned());
        return found;
    }
    found.wash_out = wash_out(protocol, response, frame, factor, &before, fit.confidence);
    let levels: Vec<Option<usize>> = before
        .iter()
        .map(|b| b.map(|row| frame.rows[row].levels[factor]))
        .collect();
    let carried: Vec<Vec<f64>> = levels
        .iter()
        .map(|level| level.map_or_else(|| vec![0.0; df], columns_at))
        .collect();
    let residue: Vec<Vec<f64>> = (0..df)
        .map(|column| carried.iter().map(|own| own[column]).collect())
        .collect();
    let first: Vec<f64> = before.iter().map(|b| f64::from(u8::from(b.is_none()))).collect();
    if frame.rows.len() > MOST_RUNS {
        found.note = Some(format!(
            "the model is not fitted once more for more than {MOST_RUNS} runs"
        ));
        return found;
    }
    // The average of the first runs is left out where the model holds it already.
    let adjusted = Adjusted::new(protocol, frame, fit, &[residue.clone(), vec![first]])
        .or_else(|_| Adjusted::new(protocol, frame, fit, &[residue]));
    let adjusted = match adjusted {
        Ok(adjusted) => adjusted,
        Err(problem) => {
            found.note = Some(explain(&problem, &declared.name));
            return found;
        }
    };
    if let Some(test) = adjusted.test(0) {
        found.denominator_df = Some(test.denominator_df);
        found.f = Some(test.f);
        found.p = Some(test.p);
    }
    for (from, to) in super::comparisons::listed_pairs(protocol, factor) {
        let weights: Vec<f64> = columns_at(to)
            .iter()
            .zip(columns_at(from))
            .map(|(to, from)| to - from)
            .collect();
        found.residues.push(ResidueFinding {
            from: declared.level(from),
            to: declared.level(to),
            difference: adjusted.added(0, &weights).into(),
        });
    }
    found.changes = adjusted.changes(contrasts, slopes);
    found
}

fn explain(problem: &MixedError, factor: &str) -> String {
    match problem {
        MixedError::Dependent { .. } => format!(
            "in the order in which the runs were made, what {factor} leaves behind cannot be told apart from the effects of \
             the model"
        ),
        MixedError::NoResidual => "no degrees of freedom are left when residue joins the model".to_owned(),
        _ => "the model with residue in it could not be fitted".to_owned(),
    }
}

/// The readings of a run after each level.
fn wash_out(
    protocol: &Protocol,
    response: &Response,
    frame: &Frame,
    factor: FactorId,
    before: &[Option<usize>],
    confidence: f64,
) -> Option<WashOutFinding> {
    let declared = &protocol.factors[factor];
    let rows: Vec<(usize, usize)> = before
        .iter()
        .enumerate()
        .filter(|(row, _)| frame.rows[*row].readings.len() == response.readings)
        .filter_map(|(row, before)| Some((row, frame.rows[(*before)?].levels[factor])))
        .collect();
    let readings: Vec<Vec<f64>> = rows.iter().map(|&(row, _)| frame.rows[row].readings.clone()).collect();
    let groups: Vec<usize> = rows.iter().map(|&(_, level)| level).collect();
    let series = Series::new(&readings, &groups)?;
    let slopes = series.slopes(confidence);
    let decay = series.decay(confidence);
    let mut found = WashOutFinding {
        after: Vec::new(),
        factor: None,
        readings: None,
        readings_low: None,
        readings_high: None,
        p: decay.as_ref().map(|decay| decay.p),
        note: None,
    };
    let fitted = decay.as_ref().filter(|decay| seen(decay.p, confidence));
    match (&decay, fitted) {
        (None, _) => found.note = Some("too few readings, or readings that do not vary".to_owned()),
        (_, None) => {
            found.note =
                Some("the readings neither climb nor fall after any level, so there is no decay to fit".to_owned());
        }
        (_, Some(decay)) => {
            let length = |factor: f64| -1.0 / factor.ln();
            if decay.low.is_none() && decay.high.is_none() {
                found.note = Some("the readings do not say how fast the residue dies away".to_owned());
            } else {
                found.factor = Some(decay.factor);
                found.readings = Some(length(decay.factor));
                found.readings_low = decay.low.map(length);
                found.readings_high = decay.high.map(length);
                if decay.high.is_none() {
                    found.note = Some("a straight line describes the readings as well".to_owned());
                } else if decay.low.is_none() {
                    found.note = Some("the first reading alone may carry all of it".to_owned());
                }
            }
        }
    }
    for (level, slope) in slopes.iter().enumerate() {
        if series.runs(level) == 0 {
            continue;
        }
        let size = decay
            .as_ref()
            .filter(|_| found.factor.is_some())
            .and_then(|d| d.sizes[level]);
        found.after.push(AfterFinding {
            level: declared.level(level),
            runs: series.runs(level),
            readings: series.mean(level).to_vec(),
            slope: slope.map_or_else(|| straight(series.mean(level)), ranged),
            size: size.map(ranged),
        });
    }
    Some(found)
}

fn ranged(r: Ranged) -> EstimateFinding {
    EstimateFinding {
        value: r.value,
        standard_error: Some(r.standard_error),
        df: Some(r.df),
        low: Some(r.low),
        high: Some(r.high),
        p: Some(r.p),
    }
}

/// The slope of a series without an interval.
fn straight(series: &[f64]) -> EstimateFinding {
    let middle = (series.len() as f64 - 1.0) / 2.0;
    let offsets = (0..series.len()).map(|k| k as f64 - middle);
    let (sum, squares) = offsets
        .zip(series)
        .fold((0.0, 0.0), |(sum, squares), (x, y)| (sum + x * y, squares + x * x));
    EstimateFinding {
        value: sum / squares,
        ..EstimateFinding::default()
    }
}
