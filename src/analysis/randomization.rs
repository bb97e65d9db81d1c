//! The randomization test of an effect: the plan's own draw, repeated.
//!
//! In:  protocol, frame, fit, an effect of the model.
//! Out: how the test came out; `None` where the order was not drawn by this tool, or runs are missing.
//!
//! Only the units on which the effect's factors are set are drawn anew, within the units above them, as in `plan::draw`. What
//! the other effects of the same stratum explain is taken out of the results first. The test is exact where there are no
//! such effects, and nearly so otherwise (Freedman and Lane 1983, J. Bus. Econ. Stat. 1:292, from memory).

use std::collections::BTreeMap;

use super::fit::Fit;
use super::frame::Frame;
use crate::design::treatments;
use crate::numeric::stream::Stream;
use crate::plan::{Part, Plan};
use crate::protocol::{Effect, Placement, Protocol, UnitId};
use crate::stats::randomization::{Group, Randomization, test};

/// Arrangements listed at most; beyond, so many are drawn.
const ARRANGEMENTS: u64 = 9_999;

pub(super) fn randomization(
    protocol: &Protocol,
    plan: Option<&Plan>,
    frame: &Frame,
    fit: &Fit,
    effect: &Effect,
) -> Option<Randomization> {
    let plan = plan?;
    let complete = frame.rows.len() == plan.runs.len();
    // With several columns a numeric factor's slope is not symmetric in the levels; its own contrast is used all the same.
    let index = fit
        .terms
        .iter()
        .position(|term| term.effect == *effect && term.part == Part::Whole)?;
    if !complete {
        return None;
    }
    let mut units: Vec<UnitId> = effect.iter().map(|&f| protocol.factors[f].set_on).collect();
    units.sort_unstable();
    units.dedup();
    let mut groups: Vec<Group> = Vec::new();
    let mut slots = vec![Vec::new(); frame.rows.len()];
    let mut observed = Vec::new();
    let cells = Cells::of(protocol, effect);
    for unit in units {
        let factors = protocol.factors_on(unit);
        // Where a set comes in groups, as a square or as sequences, runs were not free to change places one by one.
        let set = protocol.design.set.as_ref().filter(|set| set.unit == unit);
        if set.is_some_and(|set| set.placement != Placement::Whole) {
            return None;
        }
        let rows = treatments(protocol, unit);
        let parts: Vec<u32> = rows
            .iter()
            .map(|row| {
                let steps = factors
                    .iter()
                    .zip(row)
                    .map(|(&factor, level)| cells.step(factor) * level);
                steps.sum::<usize>() as u32
            })
            .collect();
        let above = &fit.structure.above[unit];
        let count = fit.structure.counts[unit];
        let mut first_of: BTreeMap<Vec<usize>, usize> = BTreeMap::new();
        for (row, own) in frame.rows.iter().zip(&mut slots) {
            let key: Vec<usize> = above.iter().map(|&u| row.units[u]).collect();
            let first = *first_of.entry(key).or_insert_with(|| {
                let first = observed.len();
                observed.resize(first + count, 0);
                groups.push(Group {
                    first,
                    count,
                    parts: parts.clone(),
                });
                first
            });
            let slot = first + row.units[unit];
            own.push(slot);
            let own: Vec<usize> = factors.iter().map(|&f| row.levels[f]).collect();
            observed[slot] = rows.iter().position(|known| *known == own)?;
        }
    }
    let contrasts = cells.contrasts(protocol, effect);
    let name = format!(
        "wellrun randomization 1\nplan {}\n{}\n",
        plan.header.plan_sha256,
        protocol.effect_name(effect)
    );
    test(
        &fit.balanced()?.strata.without_others(index),
        &slots,
        &groups,
        &observed,
        &contrasts,
        ARRANGEMENTS,
        &mut Stream::named(&name),
    )
}

/// The combinations of levels of an effect, numbered with its last factor fastest.
struct Cells {
    steps: Vec<(usize, usize)>,
    count: usize,
}

impl Cells {
    fn of(protocol: &Protocol, effect: &Effect) -> Self {
        let mut count = 1;
        let mut steps = Vec::new();
        for &factor in effect.iter().rev() {
            steps.push((factor, count));
            count *= protocol.factors[factor].levels.len();
        }
        Self { steps, count }
    }

    /// What one level more of a factor adds to the number of a cell; 0 for a factor outside the effect.
    fn step(&self, factor: usize) -> usize {
        self.steps
            .iter()
            .find(|(f, _)| *f == factor)
            .map_or(0, |(_, step)| *step)
    }

    /// Orthogonal contrasts of one length over the cells.
    fn contrasts(&self, protocol: &Protocol, effect: &Effect) -> Vec<Vec<f64>> {
        let mut columns: Vec<Vec<f64>> = vec![vec![1.0; self.count]];
        for &factor in effect {
            let declared = &protocol.factors[factor];
            let levels = declared.levels.len();
            let own: Vec<Vec<f64>> = match crate::plan::centred_levels(declared) {
                Some(slope) => vec![slope],
                None => (1..levels).map(|k| step_contrast(k, levels)).collect(),
            };
            columns = columns
                .iter()
                .flat_map(|column| {
                    own.iter().map(|contrast| {
                        (0..self.count)
                            .map(|cell| column[cell] * contrast[cell / self.step(factor) % levels])
                            .collect()
                    })
                })
                .collect();
        }
        for column in &mut columns {
            let length = column.iter().map(|v| v * v).sum::<f64>().sqrt();
            column.iter_mut().for_each(|v| *v /= length);
        }
        columns
    }
}

/// Level k against the mean of the levels before it, scaled to length one.
fn step_contrast(k: usize, levels: usize) -> Vec<f64> {
    let length = ((k * k + k) as f64).sqrt();
    (0..levels)
        .map(|level| match level.cmp(&k) {
            std::cmp::Ordering::Less => -1.0 / length,
            std::cmp::Ordering::Equal => k as f64 / length,
            std::cmp::Ordering::Greater => 0.0,
        })
        .collect()
}
