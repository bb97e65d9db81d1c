//! Drift of a control that was read between the runs, and the changes between levels corrected by it.
//!
//! In:  protocol, plan, record, frame, fit, the changes of the main analysis. Out: a finding a control of the response.
//!
//! What a control reads should stay. Between two occasions its departure from its own mean is taken to change evenly, before
//! the first and after the last one it stays; each run's result less the departure at its place is analysed again. Where
//! a control is read with each level of a factor, each level has a series of its own.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::adjusted::{CorrectedFinding, EstimateFinding, MOST_RUNS};
use super::estimate::Estimate;
use super::findings::{ContrastFinding, SlopeFinding};
use super::fit::Fit;
use super::frame::Frame;
use crate::numeric::sum;
use crate::plan::Plan;
use crate::protocol::{Control, Protocol, ResponseId};
use crate::record::{Record, control_readings};

/// What a control says.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ControlDriftFinding {
    /// The control.
    pub control: String,
    /// Mean reading of every occasion, in order.
    pub occasions: Vec<OccasionFinding>,
    /// Change from the first occasion to the last along a straight line; null where it cannot be told.
    pub over_all: Option<EstimateFinding>,
    /// The changes between levels, without and with correction by the control.
    pub changes: Vec<CorrectedFinding>,
    /// Why something cannot be told.
    pub note: Option<String>,
}

/// One occasion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OccasionFinding {
    /// How many runs come before it, in planned order.
    pub after_run: usize,
    /// The level with which it was read; null if it is not read with each level of a factor.
    pub level: Option<String>,
    /// Mean of its readings.
    pub mean: f64,
}

/// Occasions of one level: place in the order, and mean reading less the mean of all its occasions.
type Series = Vec<(f64, f64)>;

/// What is needed to analyse once more.
pub(super) struct Course<'a> {
    pub protocol: &'a Protocol,
    pub plan: &'a Plan,
    pub record: &'a Record,
    pub response: ResponseId,
    pub frame: &'a Frame,
    pub confidence: f64,
}

impl Course<'_> {
    /// The findings of all controls on which the response is read.
    pub(super) fn controls(&self, contrasts: &[ContrastFinding], slopes: &[SlopeFinding]) -> Vec<ControlDriftFinding> {
        let controls = self.protocol.bench.controls.iter().enumerate();
        controls
            .filter(|(_, control)| control.response == self.response)
            .filter_map(|(index, control)| self.one(index, control, contrasts, slopes))
            .collect()
    }

    fn one(
        &self,
        index: usize,
        control: &Control,
        contrasts: &[ContrastFinding],
        slopes: &[SlopeFinding],
    ) -> Option<ControlDriftFinding> {
        let mut read: BTreeMap<(usize, Option<usize>), Vec<f64>> = BTreeMap::new();
        for reading in control_readings(self.protocol, self.plan, self.record) {
            if reading.control == index {
                let own = read.entry((reading.after_run, reading.level)).or_default();
                own.extend(reading.value.to_f64());
            }
        }
        if read.is_empty() {
            return None;
        }
        let factor = control.each.map(|factor| &self.protocol.factors[factor]);
        let mut series: BTreeMap<Option<usize>, Series> = BTreeMap::new();
        for ((after_run, level), readings) in &read {
            let own = series.entry(*level).or_default();
            own.push((*after_run as f64 + 0.5, sum::mean(readings)));
        }
        for own in series.values_mut() {
            let mean = sum::mean(&own.iter().map(|(_, value)| *value).collect::<Vec<f64>>());
            own.iter_mut().for_each(|(_, value)| *value -= mean);
        }
        let mut found = ControlDriftFinding {
            control: control.name.clone(),
            occasions: read
                .iter()
                .map(|((after_run, level), readings)| OccasionFinding {
                    after_run: *after_run,
                    level: factor.zip(*level).map(|(factor, level)| factor.level(level)),
                    mean: sum::mean(readings),
                })
                .collect(),
            over_all: self.straight(&series),
            changes: Vec::new(),
            note: None,
        };
        if series.values().any(|own| own.len() < 2) {
            found.note = Some("a control that is read once only shows no drift".to_owned());
        } else if self.frame.rows.len() <= MOST_RUNS {
            found.changes = self.corrected(control, &series, contrasts, slopes);
        }
        Some(found)
    }

    /// One slope for all series, over the span of the occasions.
    fn straight(&self, series: &BTreeMap<Option<usize>, Series>) -> Option<EstimateFinding> {
        let (mut xx, mut xy, mut yy, mut count) = (0.0, 0.0, 0.0, 0.0);
        for own in series.values() {
            let mean = sum::mean(&own.iter().map(|(x, _)| *x).collect::<Vec<f64>>());
            for (x, y) in own {
                xx += (x - mean).powi(2);
                xy += (x - mean) * y;
                yy += y * y;
                count += 1.0;
            }
        }
        let places = || series.values().flatten().map(|(x, _)| *x);
        let span = places().fold(f64::NEG_INFINITY, f64::max) - places().fold(f64::INFINITY, f64::min);
        if xx <= 0.0 {
            return None;
        }
        let df = count - series.len() as f64 - 1.0;
        let left = (yy - xy * xy / xx).max(0.0);
        let variance = if df > 0.0 { left / df / xx * span * span } else { 0.0 };
        Some(Estimate::new(xy / xx * span, variance, df, self.confidence).into())
    }

    fn corrected(
        &self,
        control: &Control,
        series: &BTreeMap<Option<usize>, Series>,
        contrasts: &[ContrastFinding],
        slopes: &[SlopeFinding],
    ) -> Vec<CorrectedFinding> {
        let mut frame = self.frame.clone();
        for row in &mut frame.rows {
            let level = control.each.map(|factor| row.levels[factor]);
            let departure = series.get(&level).map_or(0.0, |own| between(own, row.run as f64));
            row.result -= departure;
            row.readings.iter_mut().for_each(|reading| *reading -= departure);
        }
        let Ok(fit) = Fit::new(self.protocol, &frame, &self.protocol.responses[self.response].name) else {
            return Vec::new();
        };
        let mut found = Vec::new();
        for (factor, declared) in self.protocol.factors.iter().enumerate() {
            let place = |name: &str| (0..declared.levels.len()).find(|&l| declared.level(l) == name);
            for slope in slopes.iter().filter(|s| s.factor == declared.name && !s.covariate) {
                let span = slope.span.1 - slope.span.0;
                let Some(corrected) = fit.slope(&vec![factor]) else {
                    continue;
                };
                let before = EstimateFinding {
                    value: slope.per_unit,
                    standard_error: slope.standard_error,
                    df: slope.df,
                    low: slope.low,
                    high: slope.high,
                    p: slope.p,
                };
                let ends = super::comparisons::listed_pairs(self.protocol, factor);
                let Some(&(from, to)) = ends.first() else { continue };
                found.push(CorrectedFinding {
                    factor: declared.name.clone(),
                    from: declared.level(from),
                    to: declared.level(to),
                    uncorrected: before.times(span),
                    corrected: EstimateFinding::from(corrected).times(span),
                    inflation: None,
                    planned: slope.planned,
                });
            }
            for contrast in contrasts
                .iter()
                .filter(|c| c.factor == declared.name && c.within.is_empty())
            {
                let (Some(from), Some(to)) = (place(&contrast.from), place(&contrast.to)) else {
                    continue;
                };
                found.push(CorrectedFinding {
                    factor: contrast.factor.clone(),
                    from: contrast.from.clone(),
                    to: contrast.to.clone(),
                    uncorrected: EstimateFinding {
                        value: contrast.difference,
                        standard_error: contrast.standard_error,
                        df: contrast.df,
                        low: contrast.low,
                        high: contrast.high,
                        p: contrast.p,
                    },
                    corrected: fit.difference(self.protocol, &[(factor, to)], &[(factor, from)]).into(),
                    inflation: None,
                    planned: contrast.planned,
                });
            }
        }
        found
    }
}

/// The value at a place, on straight lines between the points, which are in order.
fn between(points: &[(f64, f64)], at: f64) -> f64 {
    let after = points.iter().position(|(x, _)| *x > at);
    match (after, points) {
        (_, []) => 0.0,
        (Some(0), [first, ..]) => first.1,
        (None, [.., last]) => last.1,
        (Some(next), _) => {
            let ((x0, y0), (x1, y1)) = (points[next - 1], points[next]);
            y0 + (y1 - y0) * (at - x0) / (x1 - x0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form.
    #[test]
    fn lines_between_points() {
        let points = [(0.5, 1.0), (4.5, 3.0)];
        assert_eq!(
            [0.0, 0.5, 2.5, 9.0].map(|at| between(&points, at)),
            [1.0, 1.0, 2.0, 3.0]
        );
        assert_eq!(between(&[], 1.0), 0.0);
    }
}
