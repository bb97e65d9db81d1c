//! The randomization test of an effect, and the shifts that it does not rule out: the plan's own draw, repeated.
//!
//! In:  protocol, plan, frame, fit; an effect, or two levels of a factor.
//! Out: how the test came out, or the interval; `None` where the order was not drawn by this tool.
//!
//! Where the levels were shuffled within the units above, only the units on which the effect's factors are set are drawn
//! anew, within the units above them, as in `plan::draw`; any other scheme is drawn whole by `plan::draw` itself, with other
//! seeds. Results stay with their units. Runs that are missing stay missing. What the other effects explain is taken out of
//! the results first: in a balanced study by the strata, else by least squares. The test is exact where there are no such
//! effects, and nearly so otherwise (Freedman and Lane 1983, J. Bus. Econ. Stat. 1:292, from memory).

use std::collections::BTreeMap;
use std::sync::OnceLock;

use rayon::prelude::*;

use super::findings::ShiftFinding;
use super::fit::Fit;
use super::frame::Frame;
use crate::numeric::stream::Stream;
use crate::numeric::{Matrix, Qr};
use crate::plan::{Part, Plan, draw};
use crate::protocol::{Effect, FactorId, Placement, Protocol, UnitId};
use crate::stats::randomization::{
    Effort, Group, Randomization, Scheme, Shifts, shifts, shifts_by_redrawing, test, test_by_redrawing,
};

/// Arrangements listed at most.
const LISTED: u64 = 20_000;
/// Sums of half of the groups that are sorted at most.
const HALF: usize = 1 << 18;
/// Draws at most and at least, and about as many runs as are drawn in all.
const DRAWS: (u64, u64) = (99_999, 999);
/// Draws for an interval at most: its ends need no more.
const DRAWS_FOR_ENDS: u64 = 19_999;
const RUNS_DRAWN: u64 = 10_000_000;
/// Draws at most and at least where each is a plan of its own, and about as many runs as are drawn in all.
const PLANS: (u64, u64) = (4_999, 199);
const PLANNED_RUNS: u64 = 1_000_000;
/// Most runs of a plan that is drawn so often.
const MOST_PLANNED: usize = 5_000;
/// Most numbers in the matrix by which other effects are taken out.
const MOST_NUMBERS: usize = 4_000_000;

/// What the levels of a run add to the number of its cell on a unit, and whether this place is drawn anew.
type PartOf<'a> = &'a dyn Fn(UnitId, &[usize]) -> (u32, bool);

/// What the tests of one response share.
pub(super) struct Redraw<'a> {
    protocol: &'a Protocol,
    plan: &'a Plan,
    frame: &'a Frame,
    fit: &'a Fit,
    /// Plans drawn with other seeds, once they are needed: the levels of every run of the frame.
    drawn: OnceLock<Option<Vec<Vec<Vec<usize>>>>>,
}

impl<'a> Redraw<'a> {
    /// `None` where the order was not drawn.
    pub(super) fn new(protocol: &'a Protocol, plan: Option<&'a Plan>, frame: &'a Frame, fit: &'a Fit) -> Option<Self> {
        let plan = plan?;
        let planned = frame.rows.iter().all(|row| (1..=plan.runs.len()).contains(&row.run));
        planned.then_some(Self {
            protocol,
            plan,
            frame,
            fit,
            drawn: OnceLock::new(),
        })
    }

    /// True if the levels of each unit were shuffled within the units above it, and nothing else was asked of the order.
    fn plain(&self) -> bool {
        let set = self.protocol.design.set.as_ref();
        set.is_none_or(|set| set.placement == Placement::Whole) && !self.protocol.bench.rules.any()
    }

    /// The test of a whole effect.
    pub(super) fn effect(&self, effect: &Effect) -> Option<Randomization> {
        let term = self.term(effect)?;
        let cells = Cells::of(self.protocol, effect);
        let contrasts = cells.contrasts(self.protocol, effect);
        let name = self.name(&self.protocol.effect_name(effect));
        let balanced = self.balanced(term);
        let y = match &balanced {
            Some(y) => y.clone(),
            None => self.others(effect, &[])?.left(&self.frame.results()),
        };
        if !self.plain() {
            let cell = |levels: &[usize]| cells.at(levels);
            let observed = self.observed(&cell);
            let redraw = self.plans(&cell);
            return test_by_redrawing(&y, &observed, &contrasts, self.plan_count(), redraw);
        }
        let scheme = self.scheme(effect, &|unit, levels| {
            let on_unit = effect.iter().filter(|&&f| self.protocol.factors[f].set_on == unit);
            (on_unit.map(|&f| cells.step(f) * levels[f]).sum::<usize>() as u32, true)
        });
        test(&y, &scheme, &contrasts, self.effort(), &name)
    }

    /// The differences `to` less `from` between two levels of a factor that the test does not rule out: only the places
    /// that had one of the two are drawn anew.
    pub(super) fn difference(&self, factor: FactorId, from: usize, to: usize) -> Option<ShiftFinding> {
        let effect = vec![factor];
        let term = self.term(&effect)?;
        let cell = |level: usize| match level {
            l if l == from => 0_usize,
            l if l == to => 1,
            _ => 2,
        };
        let x: Vec<f64> = self
            .frame
            .rows
            .iter()
            .map(|row| f64::from(u8::from(row.levels[factor] == to)))
            .collect();
        let rest: Vec<usize> = (0..self.protocol.factors[factor].levels.len())
            .filter(|&level| level != from && level != to)
            .collect();
        let declared = &self.protocol.factors[factor];
        let name = self.name(&format!(
            "{} {} {}",
            declared.name, declared.levels[from], declared.levels[to]
        ));
        self.shifts(
            term,
            &effect,
            &rest,
            &x,
            &[-1.0, 1.0, 0.0],
            &|levels| cell(levels[factor]),
            &name,
        )
    }

    /// The slopes of a numeric factor that the test does not rule out.
    pub(super) fn slope(&self, factor: FactorId) -> Option<ShiftFinding> {
        let effect = vec![factor];
        let term = self.term(&effect)?;
        let contrast = self.protocol.factors[factor].centred_levels()?;
        let x: Vec<f64> = self.frame.rows.iter().map(|row| contrast[row.levels[factor]]).collect();
        let name = self.name(&self.protocol.factors[factor].name);
        self.shifts(term, &effect, &[], &x, &contrast, &|levels| levels[factor], &name)
    }

    #[allow(clippy::too_many_arguments)] // what the two callers differ in
    fn shifts(
        &self,
        term: usize,
        effect: &Effect,
        rest: &[usize],
        x: &[f64],
        contrast: &[f64],
        cell: &(dyn Fn(&[usize]) -> usize + Sync),
        name: &str,
    ) -> Option<ShiftFinding> {
        let confidence = self.fit.confidence;
        let (y, x) = if let Some(y) = self.balanced(term).filter(|_| self.plain()) {
            (y, x.to_vec())
        } else {
            let others = self.others(effect, rest)?;
            (others.left(&self.frame.results()), others.left(x))
        };
        let found = if self.plain() {
            let scheme = self.scheme(effect, &|_, levels| {
                let cell = cell(levels);
                (cell as u32, contrast[cell] != 0.0 || rest.is_empty())
            });
            let mut effort = self.effort();
            effort.draws = effort.draws.min(DRAWS_FOR_ENDS);
            shifts(&y, &x, &scheme, contrast, confidence, effort, name)
        } else {
            let observed = self.observed(cell);
            let redraw = self.plans(cell);
            shifts_by_redrawing(&y, &x, &observed, contrast, confidence, self.plan_count(), redraw)
        };
        found.map(finding)
    }

    fn term(&self, effect: &Effect) -> Option<usize> {
        // With several columns a numeric factor's slope is not symmetric in the levels; its own contrast is used all the same.
        self.fit
            .terms
            .iter()
            .position(|term| term.effect == *effect && term.part == Part::Whole)
    }

    fn name(&self, what: &str) -> String {
        format!(
            "wellrun randomization 2\nplan {}\n{what}\n",
            self.plan.header.plan_sha256
        )
    }

    fn effort(&self) -> Effort {
        Effort {
            list: LISTED,
            half: HALF,
            draws: (RUNS_DRAWN / self.frame.rows.len().max(1) as u64).clamp(DRAWS.1, DRAWS.0),
        }
    }

    fn plan_count(&self) -> u64 {
        // A rule that few orders keep makes each plan so much dearer.
        let work = self.plan.runs.len().max(1) * self.plan.header.tries.unwrap_or(1).max(1);
        (PLANNED_RUNS / work as u64).clamp(PLANS.1, PLANS.0)
    }

    /// The results as the strata leave them for a term, in a complete and balanced study.
    fn balanced(&self, term: usize) -> Option<Vec<f64>> {
        if self.frame.rows.len() != self.plan.runs.len() {
            return None;
        }
        Some(self.fit.balanced()?.strata.without_others(term))
    }

    /// Everything but an effect: the units that hold its units, the other terms, and levels of its factor left aside.
    fn others(&self, effect: &Effect, rest: &[usize]) -> Option<Others> {
        let rows = &self.frame.rows;
        let units: Vec<UnitId> = effect.iter().map(|&f| self.protocol.factors[f].set_on).collect();
        let stratum = self.fit.structure.stratum_of(&units)?;
        let mut columns = vec![vec![1.0; rows.len()]];
        for (inner, partition) in self.fit.partitions.iter().enumerate() {
            if self.fit.structure.inside(inner, stratum) {
                if (columns.len() + partition.cells) * rows.len() > MOST_NUMBERS {
                    return None;
                }
                columns.extend((0..partition.cells).map(|cell| {
                    let here = partition.cell.iter().map(|&c| f64::from(u8::from(c as usize == cell)));
                    here.collect::<Vec<f64>>()
                }));
            }
        }
        for (term, own) in self.fit.terms.iter().zip(&self.fit.columns) {
            // The departure of a factor with some levels left aside would take part of the difference with it.
            let same = term.effect == *effect && (term.part == Part::Whole || !rest.is_empty());
            if !same {
                columns.extend(own.columns.iter().cloned());
            }
        }
        for &level in rest {
            let here = |row: &super::frame::Row| effect.iter().any(|&f| row.levels[f] == level);
            columns.push(rows.iter().map(|row| f64::from(u8::from(here(row)))).collect());
        }
        if columns.len() * rows.len() > MOST_NUMBERS {
            return None;
        }
        Some(Others(Qr::new(&Matrix::from_columns(&columns))))
    }

    /// The cell of every run of the frame, as run.
    fn observed(&self, cell: &dyn Fn(&[usize]) -> usize) -> Vec<usize> {
        self.frame.rows.iter().map(|row| cell(&row.levels)).collect()
    }

    /// The cells of the runs in plans drawn with other seeds.
    fn plans<'b>(
        &'b self,
        cell: &'b (dyn Fn(&[usize]) -> usize + Sync),
    ) -> impl Fn(u64) -> Option<Vec<usize>> + Sync + 'b {
        let drawn = self.drawn.get_or_init(|| {
            let count = if self.plan.runs.len() > MOST_PLANNED {
                0
            } else {
                self.plan_count()
            };
            (0..count).into_par_iter().map(|k| self.draw_again(k)).collect()
        });
        move |k| {
            let plan = drawn.as_ref()?.get(usize::try_from(k).ok()?)?;
            Some(plan.iter().map(|levels| cell(levels)).collect())
        }
    }

    /// The levels of every run of the frame in a plan drawn with another seed.
    fn draw_again(&self, k: u64) -> Option<Vec<Vec<usize>>> {
        let seed = Stream::named(&self.name(&format!("plan {k}"))).word();
        let runs = draw(self.protocol, &self.plan.header.site, seed).ok()?;
        let mut levels: BTreeMap<Vec<usize>, Vec<usize>> =
            runs.into_iter().map(|run| (run.units, run.levels)).collect();
        let rows = self.frame.rows.iter();
        rows.map(|row| levels.remove(&self.plan.runs.get(row.run - 1)?.units))
            .collect()
    }

    /// The shuffles behind the levels of an effect.
    fn scheme(&self, effect: &Effect, part: PartOf<'_>) -> Scheme {
        let mut units: Vec<UnitId> = effect.iter().map(|&f| self.protocol.factors[f].set_on).collect();
        units.sort_unstable();
        units.dedup();
        let mut scheme = Scheme {
            slots: vec![Vec::new(); self.frame.rows.len()],
            groups: Vec::new(),
            observed: Vec::new(),
        };
        for unit in units {
            let above = &self.fit.structure.above[unit];
            let key = |numbers: &[usize]| -> Vec<usize> { above.iter().map(|&u| numbers[u]).collect() };
            // Every number of the unit, within each combination of those above, with its part.
            let mut places: BTreeMap<Vec<usize>, BTreeMap<usize, (u32, bool)>> = BTreeMap::new();
            for run in &self.plan.runs {
                let group = places.entry(key(&run.units)).or_default();
                group.insert(run.units[unit], part(unit, &run.levels));
            }
            let mut slot_of: BTreeMap<(Vec<usize>, usize), usize> = BTreeMap::new();
            for (above, numbers) in &places {
                let mut push = |drawn: bool| -> Vec<u32> {
                    let own = numbers.iter().filter(|(_, (_, anew))| *anew == drawn);
                    own.map(|(&number, &(part, _))| {
                        slot_of.insert((above.clone(), number), scheme.observed.len());
                        scheme.observed.push(part);
                        part
                    })
                    .collect()
                };
                for parts in std::iter::once(push(true)).chain(push(false).into_iter().map(|part| vec![part])) {
                    if !parts.is_empty() {
                        let first = scheme.groups.last().map_or(0, |g: &Group| g.first + g.parts.len());
                        scheme.groups.push(Group { first, parts });
                    }
                }
            }
            for (row, slots) in self.frame.rows.iter().zip(&mut scheme.slots) {
                let numbers = &self.plan.runs[row.run - 1].units;
                slots.extend(slot_of.get(&(key(numbers), numbers[unit])));
            }
        }
        scheme
    }
}

/// What is taken out of the results before a test.
struct Others(Qr);

impl Others {
    fn left(&self, vector: &[f64]) -> Vec<f64> {
        self.0.solve(vector).residuals
    }
}

fn finding(found: Shifts) -> ShiftFinding {
    ShiftFinding {
        low: Some(found.low).filter(|end| end.is_finite()),
        high: Some(found.high).filter(|end| end.is_finite()),
        arrangements: found.arrangements,
        exact: found.exact,
    }
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

    /// Number of the cell at some levels.
    fn at(&self, levels: &[usize]) -> usize {
        self.steps.iter().map(|&(factor, step)| step * levels[factor]).sum()
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
            let own: Vec<Vec<f64>> = match declared.centred_levels() {
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
