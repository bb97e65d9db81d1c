//! The model of one response: the terms judged, and every linear function with its interval.
//!
//! In:  protocol and frame.
//! Out: a `Fit`, or the sentence that says why the study cannot be analysed.

use std::collections::BTreeMap;

use super::aliasing::{AliasFinding, LeftOutFinding, chosen};
use super::estimate::Estimate;
use super::frame::Frame;
use super::mixed_model::{self, Drawn, MixedModel, Request};
use crate::plan::{Part, Structure, Term};
use crate::protocol::{Effect, ModelOf, Protocol, Weights};
use crate::stats::components::{Combinations, combinations};
use crate::stats::interval::{WeightedMeanSquare, combination, satterthwaite_df};
use crate::stats::mixed::MixedError;
use crate::stats::strata::{Partition, StrataError, StrataFit, TermColumns, fit};

/// A fitted response.
pub(super) struct Fit {
    /// The terms that the runs can tell apart, as declared.
    pub terms: Vec<Term>,
    /// Columns of each term over the rows.
    pub columns: Vec<TermColumns>,
    /// What else stands in the estimate of each term.
    pub aliases: Vec<Vec<AliasFinding>>,
    /// Effects that cannot be told from those of the model.
    pub left_out: Vec<LeftOutFinding>,
    /// The unit structure of the rows.
    pub structure: Structure,
    /// The partitions of the rows, one a stratum.
    pub partitions: Vec<Partition>,
    /// How it was fitted.
    pub engine: Engine,
    /// Level of intervals.
    pub confidence: f64,
}

/// Averages where the study is balanced over its units, the mixed model where it is not.
pub(super) enum Engine {
    Balanced(Box<Balanced>),
    Mixed(Box<MixedModel>),
}

/// A balanced study: strata, and how their mean squares make up the components.
pub(super) struct Balanced {
    pub strata: StrataFit,
    pub combinations: Combinations,
}

impl Fit {
    /// Fits the model of response `name`.
    pub(super) fn new(protocol: &Protocol, frame: &Frame, name: &str) -> Result<Self, String> {
        let structure = frame.structure(protocol);
        let partitions = partitions(frame, &structure);
        if frame.rows.len() < 2 {
            return Err(format!("{} results are too few to analyse.", frame.rows.len()));
        }
        let chosen = chosen(protocol, frame)?;
        let (terms, columns) = (chosen.terms, chosen.columns);
        let results = frame.results();
        let drawn = drawn(protocol, frame);
        let by_averages = protocol.analysis.model.is_usual() && drawn.is_empty();
        let averages = by_averages.then(|| fit(&results, &partitions, &columns));
        let engine = match averages {
            Some(Ok(strata)) => {
                let known: Vec<bool> = strata.strata.iter().map(|stratum| stratum.residual_df > 0).collect();
                let combinations = combinations(&partitions, &known, frame.rows.len());
                Engine::Balanced(Box::new(Balanced { strata, combinations }))
            }
            None | Some(Err(StrataError::UnevenCells { .. } | StrataError::SplitTerm { .. })) => {
                let mixed = mixed(protocol, frame, name, &results, &partitions, columns.clone(), drawn);
                Engine::Mixed(Box::new(mixed.map_err(|e| mixed_model::explain(&e))?))
            }
            Some(Err(problem)) => return Err(explain(&problem, &terms, frame)),
        };
        Ok(Self {
            terms,
            columns,
            aliases: chosen.aliases,
            left_out: chosen.left_out,
            structure,
            partitions,
            engine,
            confidence: protocol.analysis.confidence,
        })
    }

    /// True if all of an effect is in the model.
    pub(super) fn holds(&self, effect: &Effect) -> bool {
        self.terms
            .iter()
            .any(|term| term.effect == *effect && term.part == Part::Whole)
    }

    /// What else stands in the estimate of an effect.
    pub(super) fn aliases_of(&self, effect: &Effect) -> Vec<AliasFinding> {
        let own = self
            .terms
            .iter()
            .position(|t| t.effect == *effect && t.part == Part::Whole);
        own.map_or_else(Vec::new, |term| self.aliases[term].clone())
    }

    /// The balanced fit, if it is one.
    pub(super) fn balanced(&self) -> Option<&Balanced> {
        match &self.engine {
            Engine::Balanced(balanced) => Some(balanced),
            Engine::Mixed(_) => None,
        }
    }

    /// What the fixed effects give for each row, less the frame's reference.
    pub(super) fn fitted(&self) -> Vec<f64> {
        match &self.engine {
            Engine::Balanced(balanced) => balanced.strata.fitted.clone(),
            Engine::Mixed(mixed) => mixed.fitted(),
        }
    }

    /// Mean square and degrees of freedom left in a stratum.
    pub(super) fn error(&self, stratum: usize) -> Option<(f64, f64)> {
        let left = &self.balanced()?.strata.strata[stratum];
        left.mean_square()
            .map(|mean_square| (mean_square, left.residual_df as f64))
    }

    /// The response (minus the frame's reference) averaged over an even grid of all factors but those fixed in `at`
    /// (factor, level index).
    pub(super) fn mean(&self, protocol: &Protocol, at: &[(usize, usize)]) -> Estimate {
        self.estimate(1.0, &self.values(protocol, at))
    }

    /// Difference of two such means.
    pub(super) fn difference(&self, protocol: &Protocol, to: &[(usize, usize)], from: &[(usize, usize)]) -> Estimate {
        self.estimate(0.0, &self.difference_values(protocol, to, from))
    }

    /// Column values of every term in the difference of two means.
    pub(super) fn difference_values(
        &self,
        protocol: &Protocol,
        to: &[(usize, usize)],
        from: &[(usize, usize)],
    ) -> Vec<Vec<f64>> {
        let mut values = self.values(protocol, to);
        for (to, from) in values
            .iter_mut()
            .flatten()
            .zip(self.values(protocol, from).iter().flatten())
        {
            *to -= from;
        }
        values
    }

    /// Slope of a numeric factor, averaged over an even grid of the others.
    pub(super) fn slope(&self, effect: &Effect) -> Option<Estimate> {
        Some(self.estimate(0.0, &self.first_column_of(effect)?))
    }

    /// Column values of every term in the slope of a numeric factor, its straight part, at fixed levels of others.
    pub(super) fn slope_values(&self, protocol: &Protocol, factor: usize, at: &[(usize, usize)]) -> Vec<Vec<f64>> {
        let declared = &protocol.factors[factor];
        let Some(((lowest, highest), span)) = declared.ends().zip(declared.span()) else {
            return self.terms.iter().map(|term| vec![0.0; term.df]).collect();
        };
        let with = |level: usize| [at, &[(factor, level)]].concat();
        let mut values = self.difference_values(protocol, &with(highest), &with(lowest));
        for (term, own) in self.terms.iter().zip(&mut values) {
            for value in own {
                *value = if term.part == Part::Whole {
                    *value / (span.1 - span.0)
                } else {
                    0.0
                };
            }
        }
        values
    }

    /// Column values of every term at which the first column of an effect stands alone: its slope, where it has one.
    pub(super) fn first_column_of(&self, effect: &Effect) -> Option<Vec<Vec<f64>>> {
        let term = self
            .terms
            .iter()
            .position(|term| term.effect == *effect && term.part == Part::Whole)?;
        let mut values: Vec<Vec<f64>> = self.terms.iter().map(|term| vec![0.0; term.df]).collect();
        *values.get_mut(term)?.first_mut()? = 1.0;
        Some(values)
    }

    /// Column values of every term at fixed levels; a term with another factor averages to zero over that factor's levels.
    fn values(&self, protocol: &Protocol, at: &[(usize, usize)]) -> Vec<Vec<f64>> {
        let mut levels = vec![0; protocol.factors.len()];
        for &(factor, level) in at {
            levels[factor] = level;
        }
        self.terms
            .iter()
            .map(|term| {
                if term
                    .effect
                    .iter()
                    .all(|factor| at.iter().any(|(fixed, _)| fixed == factor))
                {
                    let mut own = term.columns_at(protocol, &levels);
                    own.truncate(term.df);
                    own
                } else {
                    vec![0.0; term.df]
                }
            })
            .collect()
    }

    /// A linear function of the coefficients; the mean response at these column values if `mean_part` is 1.
    pub(super) fn estimate(&self, mean_part: f64, values: &[Vec<f64>]) -> Estimate {
        let balanced = match &self.engine {
            Engine::Balanced(balanced) => balanced,
            Engine::Mixed(mixed) => return mixed.estimate(mean_part, values, self.confidence),
        };
        let function = balanced.strata.linear(mean_part, values);
        let mut factors: Vec<f64> = function.weights.clone();
        if function.mean_weight > 0.0 {
            let Some(mean) = &balanced.combinations.mean else {
                return Estimate {
                    value: function.value,
                    ..Estimate::default()
                };
            };
            factors
                .iter_mut()
                .zip(mean)
                .for_each(|(f, m)| *f += function.mean_weight * m);
        }
        let largest = factors.iter().fold(0.0_f64, |a, &b| a.max(b.abs()));
        let mut parts = Vec::new();
        for (stratum, &factor) in factors.iter().enumerate() {
            // What is left of a factor that cancelled is rounding, and its stratum has no say.
            if factor.abs() <= 1e-10 * largest {
                continue;
            }
            let Some((mean_square, df)) = self.error(stratum) else {
                return Estimate {
                    value: function.value,
                    ..Estimate::default()
                };
            };
            parts.push(WeightedMeanSquare {
                coefficient: factor,
                mean_square,
                df,
            });
        }
        let df = satterthwaite_df(&parts).unwrap_or(f64::NAN);
        Estimate::new(function.value, combination(&parts), df, self.confidence)
    }
}

/// The mixed model that the protocol asks for, or that uneven runs need.
pub(super) fn mixed(
    protocol: &Protocol,
    frame: &Frame,
    name: &str,
    results: &[f64],
    partitions: &[Partition],
    mut columns: Vec<TermColumns>,
    drawn: Vec<Drawn>,
) -> Result<MixedModel, MixedError> {
    let plan = &protocol.analysis.model;
    columns.extend((0..plan.covariates.len()).map(|c| TermColumns {
        columns: vec![frame.rows.iter().map(|row| row.covariates[c]).collect()],
    }));
    MixedModel::new(Request {
        results,
        readings: (plan.of == ModelOf::Readings)
            .then(|| frame.rows.iter().map(|row| row.readings.as_slice()).collect()),
        partitions,
        terms: &columns,
        drawn,
        weights: (plan.weights == Weights::Readings)
            .then(|| frame.rows.iter().map(|row| row.readings.len() as f64).collect()),
        plan,
        stream: format!("wellrun bootstrap 1\nprotocol {}\nresponse {name}\n", protocol.sha256),
    })
}

/// What random factors bring: each by itself, and with every set of other factors that the model joins with it.
pub(super) fn drawn(protocol: &Protocol, frame: &Frame) -> Vec<Drawn> {
    protocol
        .model_effects()
        .into_iter()
        .filter(|effect| effect.iter().any(|&f| protocol.factors[f].random))
        .map(|effect| {
            let mut numbers: BTreeMap<Vec<usize>, u32> = BTreeMap::new();
            let cell = frame
                .rows
                .iter()
                .map(|row| {
                    let key: Vec<usize> = effect.iter().map(|&f| row.levels[f]).collect();
                    let next = numbers.len() as u32;
                    *numbers.entry(key).or_insert(next)
                })
                .collect();
            Drawn {
                name: protocol.effect_name(&effect),
                factors: effect,
                cell,
                cells: numbers.len(),
                untold: None,
            }
        })
        .collect()
}

/// The partitions of the rows by the strata of the structure, told apart by what the rows hold.
pub(super) fn partitions(frame: &Frame, structure: &Structure) -> Vec<Partition> {
    let all = frame.rows.len();
    (0..structure.strata.len())
        .map(|index| {
            let stratum = &structure.strata[index];
            let (cell, cells) = if stratum.cells == structure.runs() {
                ((0..all as u32).collect(), all)
            } else {
                frame.cells(&stratum.units)
            };
            Partition {
                cell,
                cells,
                inside: (0..index).filter(|&inner| structure.inside(inner, index)).collect(),
            }
        })
        .collect()
}

/// Why a study cannot be analysed, for people.
fn explain(problem: &StrataError, terms: &[Term], frame: &Frame) -> String {
    match problem {
        StrataError::Aliased { term } => format!(
            "{} cannot be told apart from other effects with the runs that were made: some combinations of levels never occur.",
            terms[*term].name
        ),
        _ => format!("{} results are too few to analyse.", frame.rows.len()),
    }
}
