//! The terms of the model: one for each effect, or two where a numeric factor has more than two levels.
//!
//! In:  a checked protocol.
//! Out: a list of `Term`s with their degrees of freedom and contrast columns.
//!
//! Categories are coded so that the effects of the levels sum to zero (last level −1); a numeric factor by its
//! level minus the mean of its levels, so that its coefficient is a slope. The part of an effect that its slopes
//! do not describe is a term of its own, the departure from a straight line.

use std::collections::{BTreeMap, BTreeSet};

use crate::numeric::arrangement::{reduced, representative};
use crate::protocol::{Effect, Factor, Protocol, TreatmentSet, Treatments};
use crate::stats::alias::{Columns, Place, choose};

/// Which part of an effect a term stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// All of it; for numeric factors the slope.
    Whole,
    /// What slopes leave over.
    Departure,
    /// What the centre points leave over: the curvature of all numeric factors together.
    Curvature,
}

/// One term of the model.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Term {
    /// Its factors.
    pub effect: Effect,
    /// Which part of the effect it is.
    pub part: Part,
    /// Degrees of freedom.
    pub df: usize,
    /// Name as printed.
    pub name: String,
}

/// The terms of the model, by order of interaction, then declaration.
///
/// Of effects that a set of treatments cannot tell apart one stands for all: one of the fewest factors, a planned one among
/// these, else the first.
#[must_use]
pub fn terms(protocol: &Protocol) -> Vec<Term> {
    let mut terms = every_term(protocol);
    let Some(set) = &protocol.design.set else { return terms };
    let curvature = if set.centre_points > 0 { terms.pop() } else { None };
    let mut terms = match &set.words {
        Some(words) => {
            let words = reduced(words);
            let mut taken = BTreeSet::new();
            let mut kept = vec![false; terms.len()];
            for index in precedence(protocol, &terms).concat() {
                let (own, others) = split(set, &terms[index].effect);
                let mask = own.iter().fold(0_u32, |mask, place| mask | 1 << place);
                let stands_for = representative(mask, &words).factors;
                let is_constant = stands_for == 0 && others.is_empty();
                kept[index] = !is_constant && taken.insert((others, terms[index].part == Part::Whole, stands_for));
            }
            terms
                .into_iter()
                .zip(kept)
                .filter(|(_, kept)| *kept)
                .map(|(term, _)| term)
                .collect()
        }
        None => independent(protocol, set, terms),
    };
    terms.extend(curvature);
    terms
}

/// Every term that the protocol asks for, whether the treatments tell it apart from others or not.
#[must_use]
pub fn every_term(protocol: &Protocol) -> Vec<Term> {
    let mut terms = candidates(protocol);
    if protocol.design.set.as_ref().is_some_and(|set| set.centre_points > 0) {
        let effect: Effect = (0..protocol.factors.len())
            .filter(|&f| protocol.factors[f].centre.is_some())
            .collect();
        terms.push(Term {
            effect,
            part: Part::Curvature,
            df: 1,
            name: "curvature (centre points against the others)".to_owned(),
        });
    }
    terms
}

/// The places of an effect's factors in the set, and its other factors.
fn split(set: &TreatmentSet, effect: &Effect) -> (Vec<usize>, Effect) {
    let factors = &set.factors;
    let own = effect
        .iter()
        .filter_map(|factor| factors.iter().position(|f| f == factor))
        .collect();
    let others = effect.iter().copied().filter(|f| !factors.contains(f)).collect();
    (own, others)
}

/// Places of terms by precedence: fewer factors first, slopes before what they leave over, planned ones before others.
fn precedence(protocol: &Protocol, all: &[Term]) -> Vec<Vec<usize>> {
    let rank = |&t: &usize| (all[t].effect.len(), all[t].part != Part::Whole);
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by_key(|t| (rank(t), !protocol.analysis.planned.contains(&all[*t].effect)));
    order
        .chunk_by(|a, b| rank(a) == rank(b))
        .map(<[usize]>::to_vec)
        .collect()
}

/// The terms that the rows of the set tell apart. Terms with different factors outside the set are told apart by these.
fn independent(protocol: &Protocol, set: &TreatmentSet, all: Vec<Term>) -> Vec<Term> {
    let factors = protocol.factors_on(set.unit);
    let mut rows = set.rows.clone();
    rows.sort_unstable();
    rows.dedup();
    let mut classes: BTreeMap<Effect, Vec<usize>> = BTreeMap::new();
    for (index, term) in all.iter().enumerate() {
        classes.entry(split(set, &term.effect).1).or_default().push(index);
    }
    let mut kept = vec![true; all.len()];
    for members in classes.values() {
        let own: Vec<Term> = members.iter().map(|&index| all[index].clone()).collect();
        let effects: Vec<Columns> = own
            .iter()
            .map(|term| {
                let effect: Effect = term.effect.iter().copied().filter(|f| factors.contains(f)).collect();
                let part = Term { effect, ..term.clone() };
                let mut levels = vec![0; protocol.factors.len()];
                let over: Vec<Vec<f64>> = rows
                    .iter()
                    .map(|row| {
                        factors.iter().zip(row).for_each(|(&f, &level)| levels[f] = level);
                        part.columns_at(protocol, &levels)
                    })
                    .collect();
                let count = if part.effect.is_empty() {
                    0
                } else {
                    over.first().map_or(0, Vec::len)
                };
                (0..count).map(|c| over.iter().map(|row| row[c]).collect()).collect()
            })
            .collect();
        let places = choose(rows.len(), &effects, &precedence(protocol, &own));
        for (&index, place) in members.iter().zip(places) {
            kept[index] = place == Place::Kept;
        }
    }
    all.into_iter()
        .zip(kept)
        .filter(|(_, kept)| *kept)
        .map(|(term, _)| term)
        .collect()
}

/// Every term that the model asks for.
fn candidates(protocol: &Protocol) -> Vec<Term> {
    let mut terms = Vec::new();
    for effect in protocol.model_effects() {
        let df = |whole: bool| -> usize {
            effect
                .iter()
                .map(|&f| {
                    if whole || !protocol.factors[f].is_numeric() {
                        protocol.factors[f].corner_levels() - 1
                    } else {
                        1
                    }
                })
                .product()
        };
        let (slopes, all) = (df(false), df(true));
        let name = protocol.effect_name(&effect);
        terms.push(Term {
            effect: effect.clone(),
            part: Part::Whole,
            df: slopes,
            name: name.clone(),
        });
        // An optimal set is made for straight interactions only.
        let is_straight = protocol.design.treatments == Treatments::Optimal && effect.len() > 1;
        if all > slopes && !is_straight {
            terms.push(Term {
                effect,
                part: Part::Departure,
                df: all - slopes,
                name: format!("{name} (departure from a straight line)"),
            });
        }
    }
    terms
}

impl Term {
    /// The values of the term's columns at given levels (one level index for each factor of the protocol).
    #[must_use]
    pub fn columns_at(&self, protocol: &Protocol, levels: &[usize]) -> Vec<f64> {
        if self.part == Part::Curvature {
            let is_centre = |&f: &usize| levels[f] >= protocol.factors[f].corner_levels();
            return vec![f64::from(u8::from(self.effect.first().is_some_and(is_centre)))];
        }
        // (value, is part of the slope): a column belongs to the departure if any of its factors is off its slope.
        let mut columns: Vec<(f64, bool)> = vec![(1.0, true)];
        for &factor in &self.effect {
            let own = factor_columns(&protocol.factors[factor], levels[factor]);
            columns = columns
                .iter()
                .flat_map(|&(value, straight)| own.iter().map(move |&(v, s)| (value * v, straight && s)))
                .collect();
        }
        columns
            .into_iter()
            .filter(|&(_, straight)| straight == (self.part == Part::Whole))
            .map(|(value, _)| value)
            .collect()
    }
}

/// The columns of one factor at one level: sum-to-zero contrasts, or powers of a numeric level orthogonal over its levels.
fn factor_columns(factor: &Factor, level: usize) -> Vec<(f64, bool)> {
    let count = factor.levels.len();
    let Some(numbers) = factor.centred_levels() else {
        return (0..count - 1)
            .map(|column| {
                let value = if level == count - 1 {
                    -1.0
                } else {
                    f64::from(u8::from(level == column))
                };
                (value, true)
            })
            .collect();
    };
    orthogonal_powers(&numbers)
        .iter()
        .enumerate()
        .map(|(power, column)| (column[level], power == 0))
        .collect()
}

/// Powers 1, 2, ... of centred levels, each made orthogonal to a constant and to the powers before it.
/// The first stays in the unit of the levels; the others are scaled to the same length.
fn orthogonal_powers(levels: &[f64]) -> Vec<Vec<f64>> {
    let length = |column: &[f64]| column.iter().map(|v| v * v).sum::<f64>().sqrt();
    let scale = length(levels);
    let mut powers: Vec<Vec<f64>> = vec![levels.to_vec()];
    for _ in 2..levels.len() {
        let last = &powers[powers.len() - 1];
        let mut next: Vec<f64> = last.iter().zip(levels).map(|(a, b)| a * b / scale).collect();
        for _ in 0..2 {
            let mean = next.iter().sum::<f64>() / next.len() as f64;
            next.iter_mut().for_each(|v| *v -= mean);
            for earlier in &powers {
                let along =
                    next.iter().zip(earlier).map(|(a, b)| a * b).sum::<f64>() / (length(earlier) * length(earlier));
                next.iter_mut().zip(earlier).for_each(|(v, e)| *v -= along * e);
            }
        }
        let stretch = scale / length(&next);
        next.iter_mut().for_each(|v| *v *= stretch);
        powers.push(next);
    }
    powers
}
