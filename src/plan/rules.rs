//! Rules for the order: does a list of runs keep them?
//!
//! In:  a protocol, runs in order.
//! Out: the first rule that is broken, with how far; counts of which level follows which.
//!
//! A factor is looked at over the *set-ups* of its unit: each time the unit, or one declared before it, changes from one
//! run to the next. A *sequence* is a stretch of set-ups in which nothing declared before the unit changes, but for the
//! periods of treatments that come as sequences.
//!
//! - Correlation: of the number of the set-up (1, 2, ...) with the level; a numeric factor by its numbers, categories
//!   by each level against the rest, of which the largest counts.
//! - Alike in a row: set-ups with the same level one after another, over the whole study.
//! - Carry-over: how often level a is followed by level b within a sequence. Balanced: over all pairs a ≠ b, and a = b too
//!   where a level comes more than once in a sequence, the counts differ by no more than a bound, 1 if that can be had.
//!   With a bound of 1 they are all equal wherever their sum can be shared out equally.
//!
//! Method: a rule for redrawing declared beforehand is common practice; counts of followers as in Williams (1949) Aust.
//! J. Sci. Res. A 2:149 (from memory).

use rust_decimal::prelude::ToPrimitive;

use super::draw::periods_of;
use super::model::PlannedRun;
use crate::protocol::{FactorId, Protocol, UnitId};

/// Slack of a comparison with a bound, for rounding.
const SLACK: f64 = 1e-9;

/// One set-up of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct SetUp {
    /// Index of the first run under it.
    pub run: usize,
    /// Nothing before it counts as going before.
    pub starts_sequence: bool,
}

/// The set-ups of a unit, in order.
pub(super) fn set_ups(protocol: &Protocol, runs: &[PlannedRun], unit: UnitId) -> Vec<SetUp> {
    let mut found = Vec::new();
    let periods = periods_of(protocol, unit);
    for (index, run) in runs.iter().enumerate() {
        let before = index.checked_sub(1).map(|i| &runs[i].units);
        let is_other = |before: &Vec<usize>, u: UnitId| before[u] != run.units[u];
        let starts_sequence = before.is_none_or(|before| (0..unit).any(|u| periods != Some(u) && is_other(before, u)));
        if starts_sequence || before.is_none_or(|before| (0..=unit).any(|u| is_other(before, u))) {
            found.push(SetUp {
                run: index,
                starts_sequence,
            });
        }
    }
    found
}

/// A rule that is broken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Broken {
    /// Which rule.
    pub rule: Rule,
    /// For which factor.
    pub factor: FactorId,
    /// The correlation, the number in a row, or the largest difference of two counts.
    pub value: f64,
}

/// A rule for the order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// Correlation with the order.
    Correlation,
    /// Alike in a row.
    AlikeInARow,
    /// Balance of carry-over.
    CarryOver,
}

/// The first rule that a list of runs breaks; `spread` is the largest difference allowed of two counts of followers.
#[must_use]
pub fn broken_rule(protocol: &Protocol, runs: &[PlannedRun], spread: usize) -> Option<Broken> {
    let rules = &protocol.bench.rules;
    if !rules.any() {
        return None;
    }
    for unit in 0..protocol.units.len() {
        let factors = protocol.factors_on(unit);
        if factors.is_empty() {
            continue;
        }
        let set_ups = set_ups(protocol, runs, unit);
        for factor in factors {
            let levels: Vec<usize> = set_ups.iter().map(|set_up| runs[set_up.run].levels[factor]).collect();
            let broken = |rule, value| Some(Broken { rule, factor, value });
            if let Some(most) = rules.alike_in_a_row_at_most {
                let found = longest_alike(&levels);
                if found > most {
                    return broken(Rule::AlikeInARow, found as f64);
                }
            }
            if let Some(most) = rules.correlation_at_most {
                let found = correlation(protocol, factor, &levels);
                if found > most + SLACK {
                    return broken(Rule::Correlation, found);
                }
            }
            if rules.carry_over_balanced && protocol.factors[factor].carries_over {
                let starts: Vec<bool> = set_ups.iter().map(|set_up| set_up.starts_sequence).collect();
                let found = Followers::count(&levels, &starts, protocol.factors[factor].levels.len()).spread();
                if found > spread {
                    return broken(Rule::CarryOver, found as f64);
                }
            }
        }
    }
    None
}

fn longest_alike(levels: &[usize]) -> usize {
    levels.chunk_by(|a, b| a == b).map(<[usize]>::len).max().unwrap_or(0)
}

/// Size of the correlation of a factor with the order.
fn correlation(protocol: &Protocol, factor: FactorId, levels: &[usize]) -> f64 {
    let declared = &protocol.factors[factor];
    if let Some(numbers) = &declared.numbers {
        let first = numbers.first().copied().unwrap_or_default();
        let values: Vec<f64> = numbers.iter().map(|n| (n - first).to_f64().unwrap_or(0.0)).collect();
        return with_order(levels.iter().map(|&level| values[level]));
    }
    (0..declared.levels.len())
        .map(|level| with_order(levels.iter().map(|&l| f64::from(u8::from(l == level)))))
        .fold(0.0, f64::max)
}

/// Size of Pearson's correlation with 1, 2, ...; 0 if the values do not vary.
fn with_order(values: impl ExactSizeIterator<Item = f64> + Clone) -> f64 {
    let n = values.len() as f64;
    let middle = f64::midpoint(n, 1.0);
    let mean = values.clone().sum::<f64>() / n;
    let (mut both, mut own, mut order) = (0.0, 0.0, 0.0);
    for (index, value) in values.enumerate() {
        let (x, y) = (index as f64 + 1.0 - middle, value - mean);
        both += x * y;
        own += y * y;
        order += x * x;
    }
    if own > 0.0 && order > 0.0 {
        both.abs() / (own * order).sqrt()
    } else {
        0.0
    }
}

/// How often each level is followed by each.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Followers {
    levels: usize,
    /// Row: the level before; column: the one after.
    counts: Vec<usize>,
    /// A level comes more than once in some sequence, so that it may follow itself.
    repeats: bool,
}

impl Followers {
    /// Counts over set-ups with the sequences marked at their starts.
    #[must_use]
    pub fn count(levels: &[usize], starts: &[bool], kinds: usize) -> Self {
        let mut counts = vec![0; kinds * kinds];
        let mut repeats = false;
        let mut seen = vec![usize::MAX; kinds];
        let mut sequence = 0;
        for (index, (&level, &starts)) in levels.iter().zip(starts).enumerate() {
            if starts {
                sequence += 1;
            } else {
                counts[levels[index - 1] * kinds + level] += 1;
            }
            repeats |= seen[level] == sequence;
            seen[level] = sequence;
        }
        Self {
            levels: kinds,
            counts,
            repeats,
        }
    }

    /// How often the second level follows the first.
    #[must_use]
    pub fn of(&self, before: usize, after: usize) -> usize {
        self.counts[before * self.levels + after]
    }

    fn cells(&self) -> impl Iterator<Item = usize> {
        let counts = self.counts.iter().enumerate();
        counts
            .filter(|(cell, _)| self.repeats || cell / self.levels != cell % self.levels)
            .map(|(_, &count)| count)
    }

    /// The largest difference of two counts.
    #[must_use]
    pub fn spread(&self) -> usize {
        self.cells().max().unwrap_or(0) - self.cells().min().unwrap_or(0)
    }
}
