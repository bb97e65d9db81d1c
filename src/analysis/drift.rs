//! Drift along the order of the runs, and the changes between levels corrected for it.
//!
//! In:  protocol, frame, fit, the changes of the main analysis. Out: a `DriftFinding`.
//!
//! The position of a run joins the model as a straight line, beside the effects and the spread of the units.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::adjusted::{Adjusted, CorrectedFinding, EstimateFinding, MOST_RUNS};
use super::findings::{ContrastFinding, SlopeFinding};
use super::fit::Fit;
use super::frame::Frame;
use crate::numeric::sum;
use crate::protocol::Protocol;
use crate::stats::mixed::MixedError;

/// A straight drift along the order of the runs.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct DriftFinding {
    /// Change from one run to the next; null where it cannot be told.
    pub per_run: Option<EstimateFinding>,
    /// Change from the first run to the last.
    pub over_all: Option<EstimateFinding>,
    /// What is left of each result once the effects of the levels are taken out, in the order of the runs.
    pub course: Vec<CoursePoint>,
    /// The changes between levels, without and with the drift in the model.
    pub changes: Vec<CorrectedFinding>,
    /// Why it cannot be told.
    pub note: Option<String>,
}

/// One run in the course of the study.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CoursePoint {
    /// Position in which it was made, from 1.
    pub position: usize,
    /// Its result less the effects of its levels; a drift stays in it.
    pub left: f64,
}

/// The drift; `None` where the order is not known or there are too few or too many runs.
pub(super) fn drift(
    protocol: &Protocol,
    frame: &Frame,
    fit: &Fit,
    contrasts: &[ContrastFinding],
    slopes: &[SlopeFinding],
) -> Option<DriftFinding> {
    let runs = frame.rows.len();
    if !frame.ordered || !(4..=MOST_RUNS).contains(&runs) {
        return None;
    }
    let positions: Vec<f64> = frame.rows.iter().map(|row| row.position as f64).collect();
    let mean = sum::mean(&positions);
    let centred: Vec<f64> = positions.iter().map(|p| p - mean).collect();
    let span = positions.last()? - positions.first()?;
    let none = |note: &str| DriftFinding {
        per_run: None,
        over_all: None,
        course: Vec::new(),
        changes: Vec::new(),
        note: Some(note.to_owned()),
    };
    let column = [centred];
    Some(match Adjusted::new(protocol, frame, fit, &[column.to_vec()]) {
        Ok(adjusted) => DriftFinding {
            per_run: Some(adjusted.added(0, &[1.0]).into()),
            over_all: Some(adjusted.added(0, &[span]).into()),
            course: frame
                .rows
                .iter()
                .zip(adjusted.left(frame, 0, &column))
                .map(|(row, left)| CoursePoint {
                    position: row.position,
                    left,
                })
                .collect(),
            changes: adjusted.changes(contrasts, slopes),
            note: None,
        },
        Err(MixedError::Dependent { .. }) => {
            none("the order of the runs follows the effects so closely that a drift cannot be told from them")
        }
        Err(MixedError::NoResidual) => none("no degrees of freedom are left when the order joins the model"),
        Err(_) => none("the model with the order of the runs in it could not be fitted"),
    })
}
