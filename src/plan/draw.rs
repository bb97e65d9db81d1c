//! The draw: which treatment goes to which unit, and in which order the runs are made.
//!
//! In:  a checked protocol, the site's id, a seed.
//! Out: the runs in the order in which they are to be made.
//!
//! Each purpose has a stream of its own, whose key is the SHA-256 of these lines (each ended by LF):
//!
//! ```text
//! wellrun draw 1
//! protocol <SHA-256 of the protocol>
//! site <site id>
//! seed <seed, decimal>
//! <purpose>
//! ```
//!
//! 1. Purpose `allocate UNIT`, for each unit on which factors are set. The combinations of their levels are
//!    written in a row, the last factor fastest, repeated until the row has as many places as the unit has
//!    numbers. For each combination of the units above it, in order of their numbers (units in declared
//!    order, the last one fastest), the numbers 0..count are shuffled once; number j of the unit gets the
//!    combination in the place that stands at position j of the shuffled row.
//! 2. Purpose `visit UNIT`, for each unit that crosses a unit declared before it. The runs are made by walking
//!    the units in declared order, the first one outermost. Where a unit crosses an earlier one, its numbers are
//!    visited in an order shuffled anew each time the walk enters; other units are visited in order of number.
//!
//! Method: randomization permitted by a poset block structure, Bailey (2008) Design of Comparative
//! Experiments (from memory); streams and shuffles in `numeric::stream`.
//! Never here: clock, entropy. Reference values: tests/plan.rs, repeated independently by tests/draw/repeat.py.

use std::collections::BTreeMap;

use super::model::PlannedRun;
use super::structure::Structure;
use crate::design::treatments;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::numeric::stream::Stream;
use crate::protocol::{Protocol, UnitId};

/// Name of this way of drawing, written into every plan.
pub const ALGORITHM: &str = "wellrun draw 1 (ChaCha20, SHA-256)";

/// Most runs that a plan may hold.
pub const MOST_RUNS: usize = 1_000_000;

/// Draws the runs of a study.
///
/// # Errors
///
/// `D001` for an as-run study, `D002` if a unit's count does not fit its factors, `D003` for too many runs.
pub fn draw(protocol: &Protocol, site_id: &str, seed: u64) -> Result<Vec<PlannedRun>, Diagnostics> {
    check(protocol)?;
    let structure = Structure::of(protocol);
    let stream = |purpose: &str| {
        Stream::named(&format!(
            "wellrun draw 1\nprotocol {}\nsite {site_id}\nseed {seed}\n{purpose}\n",
            protocol.sha256
        ))
    };
    let allocations: Vec<Allocation> = (0..protocol.units.len())
        .map(|unit| allocate(protocol, &structure, unit, stream))
        .collect();
    let mut visits: Vec<Option<Stream>> = (0..protocol.units.len())
        .map(|unit| {
            let crosses = (0..unit).any(|earlier| !structure.above[unit].contains(&earlier));
            crosses.then(|| stream(&format!("visit {}", protocol.units[unit].name)))
        })
        .collect();
    let mut runs = Vec::with_capacity(structure.runs());
    let mut numbers = Vec::with_capacity(protocol.units.len());
    walk(protocol, &structure, &allocations, &mut visits, &mut numbers, &mut runs);
    Ok(runs)
}

/// What stands in the way of a draw; shared with the skeleton, which wants the same guarantees.
pub(super) fn check(protocol: &Protocol) -> Result<(), Diagnostics> {
    let mut found = Diagnostics::new();
    if protocol.is_as_run() {
        found.push(
            Diagnostic::error(
                "D001",
                "this study has readings already (`order = \"as run\"`), so no order is drawn",
            )
            .help("take the readings in with `wellrun record`"),
        );
        return Err(found);
    }
    for (unit, declared) in protocol.units.iter().enumerate() {
        let combinations = treatments(protocol, unit).len();
        if declared.count == 0 || declared.count % combinations != 0 {
            found.push(
                Diagnostic::error(
                    "D002",
                    format!(
                        "{} × `{}` cannot carry {combinations} combinations of its factors equally often",
                        declared.count, declared.name
                    ),
                )
                .help(format!(
                    "set `count` of `{}` to a multiple of {combinations}",
                    declared.name
                )),
            );
        }
    }
    if Structure::of(protocol).runs() > MOST_RUNS {
        found.push(
            Diagnostic::error("D003", format!("the plan would hold more than {MOST_RUNS} runs"))
                .help("lower `count` or `replicates`"),
        );
    }
    if found.has_errors() { Err(found) } else { Ok(()) }
}

/// What is put on one unit.
struct Allocation {
    /// The combinations, in the order in which they stand in the row.
    treatments: Vec<Vec<usize>>,
    /// For each combination of the units above (by their numbers from 0), the place of every number of the unit.
    places: BTreeMap<Vec<usize>, Vec<usize>>,
}

fn allocate(protocol: &Protocol, structure: &Structure, unit: UnitId, stream: impl Fn(&str) -> Stream) -> Allocation {
    let mut allocation = Allocation {
        treatments: treatments(protocol, unit),
        places: BTreeMap::new(),
    };
    if protocol.factors_on(unit).is_empty() {
        return allocation;
    }
    let mut stream = stream(&format!("allocate {}", protocol.units[unit].name));
    let above = &structure.above[unit];
    let mut numbers = vec![0; above.len()];
    loop {
        allocation
            .places
            .insert(numbers.clone(), stream.permutation(structure.counts[unit]));
        let Some(place) = (0..above.len())
            .rev()
            .find(|&i| numbers[i] + 1 < structure.counts[above[i]])
        else {
            return allocation;
        };
        numbers[place] += 1;
        numbers[place + 1..].fill(0);
    }
}

/// Visits the units from the outermost inwards and writes down a run at the end of each path.
fn walk(
    protocol: &Protocol,
    structure: &Structure,
    allocations: &[Allocation],
    visits: &mut [Option<Stream>],
    numbers: &mut Vec<usize>,
    runs: &mut Vec<PlannedRun>,
) {
    let unit = numbers.len();
    if unit == protocol.units.len() {
        runs.push(PlannedRun {
            run: runs.len() + 1,
            units: numbers.iter().map(|number| number + 1).collect(),
            levels: levels(protocol, structure, allocations, numbers),
        });
        return;
    }
    let count = structure.counts[unit];
    let order = visits[unit]
        .as_mut()
        .map_or_else(|| (0..count).collect(), |stream| stream.permutation(count));
    for number in order {
        numbers.push(number);
        walk(protocol, structure, allocations, visits, numbers, runs);
        numbers.pop();
    }
}

/// The levels of every factor for one choice of numbers.
fn levels(protocol: &Protocol, structure: &Structure, allocations: &[Allocation], numbers: &[usize]) -> Vec<usize> {
    let mut levels = vec![0; protocol.factors.len()];
    for (unit, allocation) in allocations.iter().enumerate() {
        let above: Vec<usize> = structure.above[unit].iter().map(|&u| numbers[u]).collect();
        let Some(places) = allocation.places.get(&above) else {
            continue;
        };
        let treatment = &allocation.treatments[places[numbers[unit]] % allocation.treatments.len()];
        for (&factor, &level) in protocol.factors_on(unit).iter().zip(treatment) {
            levels[factor] = level;
        }
    }
    levels
}
