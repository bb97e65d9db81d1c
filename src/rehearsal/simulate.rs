//! The readings of a plan, drawn from what is assumed of each response.
//!
//! In:  protocol, plan, one `Assumed` a response, a seed.
//! Out: exact decimals on the steps of the display, inside what is possible.
//!
//! | name     | symbol | meaning                                                                              |
//! |----------|--------|--------------------------------------------------------------------------------------|
//! | mean     | μ      | mean of all readings                                                                 |
//! | effects  | f(t)   | what the run's levels add                                                            |
//! | spreads  | u      | one normal number for each unit, or for each meeting of units that cross             |
//! | drift    | δ      | change from the first run to the last, in the order of the plan, in equal steps      |
//! | residue  | c      | what the levels of the run before leave behind, while no wider unit is set up anew   |
//! | reading  | e      | one normal number for each reading                                                   |
//!
//! reading = μ + f(t) + Σ u + δ·((i − 1)/(N − 1) − ½) + c + e, to the nearest step of the display.
//!
//! A control after the k-th run reads v + f(level) + δ·((k − ½)/(N − 1) − ½) + e: v is what it is assumed to read, f(level)
//! what the level adds that it is read with, averaged over all else. No residue: cleaning comes first.
//!
//! Every source has a stream of its own, named by the protocol's hash, the seed and the source: when one assumption
//! changes, what is drawn for the others stays.
//! Never here: clock, files; what the analysis makes of the readings.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};

use crate::numeric::stream::Stream;
use crate::plan::{Plan, PlannedRun, control_rows};
use crate::protocol::{Assumed, Condition, Protocol, Response, UnitId};

/// What was drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// Readings by response, run and position; a response without an assumption has none.
    pub readings: Vec<Vec<Vec<Decimal>>>,
    /// Conditions by condition and run; `None` where the protocol says nothing about the values to expect.
    pub conditions: Vec<Vec<Option<Decimal>>>,
    /// Readings of the controls: by row, in the order of `plan::control_rows`; none where nothing is assumed.
    pub controls: Vec<Vec<Decimal>>,
    /// How many readings would have lain beyond what is possible, and were set to its end.
    pub beyond: usize,
}

/// Draws the readings and conditions of every run, and the readings of the controls between them.
#[must_use]
pub fn simulate(protocol: &Protocol, plan: &Plan, assumed: &[Assumed], seed: u64) -> Simulated {
    let mut beyond = 0;
    let readings = protocol
        .responses
        .iter()
        .enumerate()
        .map(|(id, response)| {
            let Some(assumed) = assumed.iter().find(|assumed| assumed.response == id) else {
                return Vec::new();
            };
            let grid = Grid::of(response);
            let mut spread = stream(protocol, seed, &format!("readings {}", response.name));
            centres(protocol, plan, assumed, seed)
                .into_iter()
                .map(|centre| {
                    (0..response.readings)
                        .map(|_| {
                            let (value, outside) = grid.nearest(centre + assumed.reading * spread.normal());
                            beyond += usize::from(outside);
                            value
                        })
                        .collect()
                })
                .collect()
        })
        .collect();
    let conditions = (0..protocol.conditions.len())
        .map(|id| condition(protocol, plan, id, seed))
        .collect();
    let controls = controls(protocol, plan, assumed, seed, &mut beyond);
    Simulated {
        readings,
        conditions,
        controls,
        beyond,
    }
}

/// Draws what the controls read, one stream a control.
fn controls(protocol: &Protocol, plan: &Plan, assumed: &[Assumed], seed: u64, beyond: &mut usize) -> Vec<Vec<Decimal>> {
    let declared = &protocol.bench.controls;
    let mut spreads: Vec<Stream> = declared
        .iter()
        .map(|control| stream(protocol, seed, &format!("control {}", control.name)))
        .collect();
    let last = plan.runs.len().saturating_sub(1).max(1) as f64;
    control_rows(protocol, plan.runs.len())
        .iter()
        .map(|row| {
            let control = &declared[row.control];
            let Some(assumed) = assumed.iter().find(|assumed| assumed.response == control.response) else {
                return Vec::new();
            };
            let response = &protocol.responses[control.response];
            let value = assumed.controls.get(&row.control).copied().or(assumed.mean);
            let level: f64 = control.each.zip(row.level).map_or(0.0, |(factor, level)| {
                let mut levels = vec![0; protocol.factors.len()];
                levels[factor] = level;
                let own = assumed.effects.iter().filter(|effect| effect.effect == [factor]);
                own.map(|effect| effect.value(&protocol.factors, &levels)).sum()
            });
            let drift = assumed.drift * ((row.after_run as f64 - 0.5) / last - 0.5);
            let centre = value.or_else(|| usual(response)).unwrap_or(0.0) + level + drift;
            let grid = Grid::of(response);
            (0..control.readings)
                .map(|_| {
                    let (value, outside) = grid.nearest(centre + assumed.reading * spreads[row.control].normal());
                    *beyond += usize::from(outside);
                    value
                })
                .collect()
        })
        .collect()
}

/// The stream of one source of spread.
pub(super) fn stream(protocol: &Protocol, seed: u64, source: &str) -> Stream {
    Stream::named(&format!(
        "wellrun rehearsal 1\nprotocol {}\nseed {seed}\n{source}\n",
        protocol.sha256
    ))
}

/// Where the readings of each run lie, before their own spread.
fn centres(protocol: &Protocol, plan: &Plan, assumed: &Assumed, seed: u64) -> Vec<f64> {
    let name = &protocol.responses[assumed.response].name;
    let middle = assumed
        .mean
        .or_else(|| usual(&protocol.responses[assumed.response]))
        .unwrap_or(0.0);
    let last = plan.runs.len().saturating_sub(1).max(1) as f64;
    let mut centres: Vec<f64> = plan
        .runs
        .iter()
        .enumerate()
        .map(|(index, run)| {
            let effects: f64 = assumed
                .effects
                .iter()
                .map(|effect| effect.value(&protocol.factors, &run.levels))
                .sum();
            let drift = assumed.drift * (index as f64 / last - 0.5);
            middle + effects + drift + residue(plan, assumed, index)
        })
        .collect();
    for spread in assumed.spreads.iter().filter(|spread| spread.sd > 0.0) {
        let heads: Vec<&str> = spread.units.iter().map(|&u| protocol.units[u].name.as_str()).collect();
        let units = with_those_above(protocol, &spread.units);
        let drawn = draws(
            plan,
            &units,
            &mut stream(protocol, seed, &format!("spread {name} {}", heads.join(" "))),
        );
        for (centre, run) in centres.iter_mut().zip(&plan.runs) {
            *centre += spread.sd * drawn.get(&numbers(run, &units)).copied().unwrap_or(0.0);
        }
    }
    centres
}

/// The middle of what is expected, or else of what is possible.
pub(super) fn usual(response: &Response) -> Option<f64> {
    let (low, high) = response.expected.or(response.possible)?;
    middle(low, high).to_f64()
}

fn middle(low: Decimal, high: Decimal) -> Decimal {
    low + (high - low) / Decimal::TWO
}

/// The units with all units above them, in declared order.
fn with_those_above(protocol: &Protocol, units: &[UnitId]) -> Vec<UnitId> {
    let all: BTreeSet<UnitId> = units
        .iter()
        .flat_map(|&unit| protocol.above(unit).into_iter().chain([unit]))
        .collect();
    all.into_iter().collect()
}

fn numbers(run: &PlannedRun, units: &[UnitId]) -> Vec<usize> {
    units
        .iter()
        .map(|&unit| run.units.get(unit).copied().unwrap_or(0))
        .collect()
}

/// A standard normal number for each combination of units that the plan holds, drawn in order of their numbers.
fn draws(plan: &Plan, units: &[UnitId], stream: &mut Stream) -> BTreeMap<Vec<usize>, f64> {
    let there: BTreeSet<Vec<usize>> = plan.runs.iter().map(|run| numbers(run, units)).collect();
    there.into_iter().map(|numbers| (numbers, stream.normal())).collect()
}

/// What the run before leaves behind.
fn residue(plan: &Plan, assumed: &Assumed, index: usize) -> f64 {
    let Some(before) = index.checked_sub(1).and_then(|before| plan.runs.get(before)) else {
        return 0.0;
    };
    let run = &plan.runs[index];
    assumed
        .residues
        .iter()
        .filter(|residue| {
            residue
                .within
                .is_none_or(|unit| run.units.get(..=unit) == before.units.get(..=unit))
        })
        .filter_map(|residue| {
            let level = before.levels.get(residue.factor)?;
            residue.values.get(*level)
        })
        .sum()
}

/// A condition: near the level it follows, or near the middle of what is expected.
fn condition(protocol: &Protocol, plan: &Plan, id: usize, seed: u64) -> Vec<Option<Decimal>> {
    let declared: &Condition = &protocol.conditions[id];
    let Some((low, high)) = declared.expected.or(declared.possible) else {
        return vec![None; plan.runs.len()];
    };
    let steps = low.scale().max(high.scale()) + 1;
    let width = (high - low).to_f64().unwrap_or(0.0);
    let units = with_those_above(protocol, &[declared.measured_on]);
    let mut spread = stream(protocol, seed, &format!("condition {}", declared.name));
    let drawn = draws(plan, &units, &mut spread);
    let (lowest, highest) = declared.possible.unwrap_or((Decimal::MIN, Decimal::MAX));
    plan.runs
        .iter()
        .map(|run| {
            let followed = declared.follows.and_then(|factor| {
                let numbers = protocol.factors[factor].numbers.as_ref()?;
                numbers.get(*run.levels.get(factor)?).copied()
            });
            // A small part of the range, so that values look like values and none is questioned.
            let off = drawn
                .get(&numbers(run, &units))
                .copied()
                .unwrap_or(0.0)
                .clamp(-2.0, 2.0)
                * width
                / 20.0;
            let value = followed.unwrap_or_else(|| middle(low, high)) + Decimal::from_f64(off).unwrap_or_default();
            Some(value.clamp(lowest, highest).round_dp(steps))
        })
        .collect()
}

/// The values that a display can show and the protocol takes.
struct Grid {
    step: Decimal,
    size: f64,
    /// Lowest and highest number of steps.
    bounds: (f64, f64),
}

/// Most steps of a display to either side of zero; far inside what doubles count exactly.
const MOST_STEPS: f64 = 1e12;

impl Grid {
    fn of(response: &Response) -> Self {
        let step = response.resolution;
        let steps = |value: Decimal| value.checked_div(step);
        let (low, high) = response.possible.unzip();
        let low = low.and_then(steps).and_then(|n| n.ceil().to_f64());
        let high = high.and_then(steps).and_then(|n| n.floor().to_f64());
        Self {
            step,
            size: step.to_f64().unwrap_or(1.0),
            bounds: (
                low.unwrap_or(-MOST_STEPS).max(-MOST_STEPS),
                high.unwrap_or(MOST_STEPS).min(MOST_STEPS),
            ),
        }
    }

    /// The nearest value, and whether it had to be brought inside.
    fn nearest(&self, value: f64) -> (Decimal, bool) {
        let steps = (value / self.size).round();
        let (low, high) = self.bounds;
        let inside = steps.max(low).min(high);
        let count = Decimal::from_i64(inside as i64).unwrap_or_default();
        let mut value = count.checked_mul(self.step).unwrap_or_default();
        // A display shows its zeros.
        value.rescale(self.step.scale());
        (value, inside != steps)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn response(resolution: &str, possible: Option<(&str, &str)>) -> Response {
        let number = |text: &str| text.parse::<Decimal>().unwrap();
        Response {
            name: "y".to_owned(),
            measurand: String::new(),
            unit: String::new(),
            resolution: number(resolution),
            possible: possible.map(|(low, high)| (number(low), number(high))),
            expected: None,
            readings: 1,
            reading_time: String::new(),
            result: crate::protocol::Statistic::Mean,
            round_to: None,
            limit: None,
            tolerance: None,
            relevant: None,
        }
    }

    /// Class: closed form.
    #[test]
    fn a_value_is_one_that_the_display_can_show() {
        let grid = Grid::of(&response("0.1", Some(("0", "100"))));
        assert_eq!(grid.nearest(57.04).0.to_string(), "57.0");
        assert_eq!(grid.nearest(57.06).0.to_string(), "57.1");
        assert_eq!(grid.nearest(-3.0), (Decimal::ZERO, true));
        assert_eq!(grid.nearest(1e300).0.to_string(), "100.0");
        assert_eq!(grid.nearest(f64::NAN).0.to_string(), "0.0");
        // The ends of the possible range need not lie on the steps of the display.
        let coarse = Grid::of(&response("0.5", Some(("0.2", "9.9"))));
        assert_eq!(coarse.nearest(-1.0).0.to_string(), "0.5");
        assert_eq!(coarse.nearest(50.0).0.to_string(), "9.5");
        let free = Grid::of(&response("0.000000000001", None));
        assert!(free.nearest(1e12).1);
    }
}
