//! The model with something of the bench added to it: what came before a run, or when it was made.
//!
//! In:  protocol, frame, fit, and columns over the runs.
//! Out: the added columns' test and effects; the changes between levels with them in the model, beside those without.
//!
//! The units bring spread as in the main fit; the whole is a mixed model, whether the study is balanced or not, because
//! what is added seldom lies in one stratum.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::estimate::Estimate;
use super::findings::{ContrastFinding, SlopeFinding};
use super::fit::{Fit, drawn, mixed as refitted};
use super::frame::Frame;
use super::mixed_model::{MixedModel, TermTest};
use crate::numeric::{Matrix, Qr};
use crate::protocol::{FactorId, Protocol};
use crate::stats::mixed::MixedError;
use crate::stats::strata::TermColumns;

/// Most runs for which the model is fitted once more.
pub(super) const MOST_RUNS: usize = 20_000;

/// An estimate as a finding.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EstimateFinding {
    /// The estimate.
    pub value: f64,
    /// Standard error; null where it cannot be told.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// p-value of zero.
    pub p: Option<f64>,
}

impl EstimateFinding {
    /// The same, so many times as large.
    pub(super) fn times(self, factor: f64) -> Self {
        let scaled = |v: Option<f64>| v.map(|v| v * factor);
        Self {
            value: self.value * factor,
            standard_error: scaled(self.standard_error),
            low: scaled(self.low),
            high: scaled(self.high),
            ..self
        }
    }
}

impl From<Estimate> for EstimateFinding {
    fn from(e: Estimate) -> Self {
        Self {
            value: e.value,
            standard_error: e.standard_error,
            df: e.df,
            low: e.low,
            high: e.high,
            p: e.p,
        }
    }
}

/// A change between two levels of a factor, without and with something else in the model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CorrectedFinding {
    /// The factor.
    pub factor: String,
    /// The level subtracted; of a numeric factor the lowest.
    pub from: String,
    /// The level it is subtracted from; of a numeric factor the highest.
    pub to: String,
    /// As in the main analysis.
    pub uncorrected: EstimateFinding,
    /// With the addition in the model.
    pub corrected: EstimateFinding,
    /// By how much the addition widens its variance, were the spread the same; 1 where the two have nothing in common.
    pub inflation: Option<f64>,
    /// True if its effect is planned.
    pub planned: bool,
}

/// A fit with columns added.
pub(super) struct Adjusted<'a> {
    protocol: &'a Protocol,
    fit: &'a Fit,
    mixed: MixedModel,
    /// Columns of each term, the added ones last.
    sizes: Vec<usize>,
    /// Factorized columns without and with the addition.
    without: Qr,
    with: Qr,
}

impl<'a> Adjusted<'a> {
    /// Fits the model with blocks of columns added.
    pub(super) fn new(
        protocol: &'a Protocol,
        frame: &Frame,
        fit: &'a Fit,
        added: &[Vec<Vec<f64>>],
    ) -> Result<Self, MixedError> {
        let mut terms = fit.columns.clone();
        let factorized = |terms: &[TermColumns]| {
            let mut columns = vec![vec![1.0; frame.rows.len()]];
            columns.extend(terms.iter().flat_map(|term| term.columns.iter().cloned()));
            Qr::in_order(&Matrix::from_columns(&columns))
        };
        let without = factorized(&terms);
        terms.extend(added.iter().map(|columns| TermColumns {
            columns: columns.clone(),
        }));
        let with = factorized(&terms);
        let columns: usize = 1 + terms.iter().map(|term| term.columns.len()).sum::<usize>();
        if with.rank() < columns {
            return Err(MixedError::Dependent { column: columns - 1 });
        }
        if columns >= frame.rows.len() {
            return Err(MixedError::NoResidual);
        }
        Ok(Self {
            protocol,
            fit,
            mixed: refitted(
                protocol,
                frame,
                "",
                &frame.results(),
                &fit.partitions,
                terms.clone(),
                drawn(protocol, frame),
            )?,
            sizes: terms.iter().map(|term| term.columns.len()).collect(),
            without,
            with,
        })
    }

    /// What is left of each result once the effects of the model are taken out, but for those of one added block.
    pub(super) fn left(&self, frame: &Frame, block: usize, columns: &[Vec<f64>]) -> Vec<f64> {
        let slopes: Vec<f64> = (0..columns.len())
            .map(|column| {
                let weights: Vec<f64> = (0..columns.len()).map(|c| f64::from(u8::from(c == column))).collect();
                self.added(block, &weights).value
            })
            .collect();
        frame
            .rows
            .iter()
            .zip(self.mixed.fitted())
            .enumerate()
            .map(|(row, (own, fitted))| {
                let kept: f64 = slopes.iter().zip(columns).map(|(b, column)| b * column[row]).sum();
                own.result - fitted + kept
            })
            .collect()
    }

    /// The test of one added block.
    pub(super) fn test(&self, block: usize) -> Option<TermTest> {
        let term = self.fit.terms.len() + block;
        self.mixed.test(term, self.sizes[term])
    }

    /// A linear function of one added block's coefficients.
    pub(super) fn added(&self, block: usize, weights: &[f64]) -> Estimate {
        let mut values: Vec<Vec<f64>> = self.sizes.iter().map(|&size| vec![0.0; size]).collect();
        values[self.fit.terms.len() + block].copy_from_slice(weights);
        self.mixed.estimate(0.0, &values, self.fit.confidence)
    }

    /// The change between two levels of a factor, averaged over the others.
    fn change(&self, factor: FactorId, from: usize, to: usize) -> (Estimate, Option<f64>) {
        let mut values = self
            .fit
            .difference_values(self.protocol, &[(factor, to)], &[(factor, from)]);
        let direction = |values: &[Vec<f64>]| -> Vec<f64> {
            std::iter::once(0.0).chain(values.iter().flatten().copied()).collect()
        };
        let length = |qr: &Qr, values: &[Vec<f64>]| {
            let half = qr.half_of_combination(&direction(values))?;
            Some(half.iter().map(|h| h * h).sum::<f64>())
        };
        let before = length(&self.without, &values);
        let extra = &self.sizes[self.fit.terms.len()..];
        values.extend(extra.iter().map(|&size| vec![0.0; size]));
        let after = length(&self.with, &values);
        let inflation = before.zip(after).map(|(before, after)| after / before);
        let estimate = self.mixed.estimate(0.0, &values, self.fit.confidence);
        (estimate, inflation.filter(|i| i.is_finite()))
    }

    /// Every change of the main analysis, corrected: the differences over all settings, and slopes over their span.
    pub(super) fn changes(&self, contrasts: &[ContrastFinding], slopes: &[SlopeFinding]) -> Vec<CorrectedFinding> {
        let mut found = Vec::new();
        for (factor, declared) in self.protocol.factors.iter().enumerate() {
            for slope in slopes.iter().filter(|s| s.factor == declared.name) {
                let Some((lowest, highest)) = declared.ends() else {
                    continue;
                };
                let span = slope.span.1 - slope.span.0;
                let scaled = |v: Option<f64>| v.map(|v| v * span);
                // The slope alone, without what it leaves over.
                let mut values: Vec<Vec<f64>> = self.sizes.iter().map(|&size| vec![0.0; size]).collect();
                let own = self
                    .fit
                    .terms
                    .iter()
                    .position(|t| t.effect == [factor] && t.part == crate::plan::Part::Whole);
                let Some(own) = own.and_then(|term| values.get_mut(term)).and_then(|v| v.first_mut()) else {
                    continue;
                };
                *own = span;
                found.push(CorrectedFinding {
                    factor: declared.name.clone(),
                    from: declared.level(lowest),
                    to: declared.level(highest),
                    uncorrected: EstimateFinding {
                        value: slope.per_unit * span,
                        standard_error: scaled(slope.standard_error),
                        df: slope.df,
                        low: scaled(slope.low),
                        high: scaled(slope.high),
                        p: slope.p,
                    },
                    corrected: self.mixed.estimate(0.0, &values, self.fit.confidence).into(),
                    inflation: self.change(factor, lowest, highest).1,
                    planned: slope.planned,
                });
            }
            let own = contrasts
                .iter()
                .filter(|c| c.factor == declared.name && c.within.is_empty());
            for contrast in own {
                let place = |name: &str| (0..declared.levels.len()).find(|&l| declared.level(l) == name);
                let (Some(from), Some(to)) = (place(&contrast.from), place(&contrast.to)) else {
                    continue;
                };
                let (corrected, inflation) = self.change(factor, from, to);
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
                    corrected: corrected.into(),
                    inflation,
                    planned: contrast.planned,
                });
            }
        }
        found
    }
}
