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
//!    A set of treatments of its own has other rows, and comes to its unit in one of these ways:
//!    - in blocks: purpose `deal UNIT`, for each combination of the units above the block one shuffle of the blocks' numbers,
//!      block j takes the group at position j, counted round; then as above, within each block with the rows of its group.
//!      In incomplete blocks every row stands for another one, by one shuffle of all rows from purpose `exchange UNIT`;
//!    - as a square: purpose `square UNIT`, for each combination of the units above, then each band of rows, then each band of
//!      columns one shuffle of rows, one of columns, and one of the letters of each square;
//!    - as sequences: purpose `sequence UNIT`, for each combination of the units above one shuffle of the treatments, one of
//!      the subjects' numbers; subject j takes the sequence at position j, counted round.
//! 2. Purpose `visit UNIT`, for each unit that crosses a unit declared before it. The runs are made by walking
//!    the units in declared order, the first one outermost. Where a unit crosses an earlier one, its numbers are
//!    visited in an order shuffled anew each time the walk enters; other units, and the periods of sequences, are visited in
//!    order of number.
//!
//! Method: randomization permitted by a poset block structure, Bailey (2008) Design of Comparative
//! Experiments (from memory); streams and shuffles in `numeric::stream`.
//! Never here: clock, entropy. Reference values: tests/plan.rs, repeated independently by tests/draw/repeat.py.

use std::collections::BTreeMap;

use super::model::PlannedRun;
use super::structure::Structure;
use super::terms::terms;
use crate::design::treatments;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::numeric::stream::Stream;
use crate::protocol::{Effect, Placement, Protocol, UnitId};

/// Name of this way of drawing, written into every plan.
pub const ALGORITHM: &str = "wellrun draw 1 (ChaCha20, SHA-256)";

/// Most runs that a plan may hold.
pub const MOST_RUNS: usize = 1_000_000;

/// Draws the runs of a study.
///
/// # Errors
///
/// `D001` for an as-run study, `D002` if a unit's count does not fit its factors, `D003` for too many runs, `D021` for a planned
/// effect that the treatments give no estimate of.
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
            (crosses && !is_periods(protocol, unit)).then(|| stream(&format!("visit {}", protocol.units[unit].name)))
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
        let combinations = match protocol.design.set.as_ref().filter(|set| set.unit == unit) {
            Some(set) => set.at_once(),
            None => treatments(protocol, unit).len(),
        };
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
    for effect in lost(protocol) {
        found.push(
            Diagnostic::error(
                "D021",
                format!(
                    "the planned effect {} cannot be told apart from other effects with this {}",
                    protocol.effect_name(&effect),
                    protocol.design.treatments.word()
                ),
            )
            .help("take more runs, plan fewer effects, or leave interactions out of the model"),
        );
    }
    if Structure::of(protocol).runs() > MOST_RUNS {
        found.push(
            Diagnostic::error("D003", format!("the plan would hold more than {MOST_RUNS} runs"))
                .help("lower `count` or `replicates`"),
        );
    }
    if found.has_errors() { Err(found) } else { Ok(()) }
}

/// Planned effects that a set which is not regular gives no estimate of; regular sets say so when the protocol is read.
fn lost(protocol: &Protocol) -> Vec<Effect> {
    if protocol.design.set.as_ref().is_none_or(|set| set.words.is_some()) {
        return Vec::new();
    }
    let terms = terms(protocol);
    let planned = protocol.analysis.planned.iter();
    planned
        .filter(|effect| terms.iter().all(|term| term.effect != **effect))
        .cloned()
        .collect()
}

/// Whether a unit counts the places in sequences, whose order has a meaning.
fn is_periods(protocol: &Protocol, unit: UnitId) -> bool {
    let set = protocol.design.set.as_ref();
    set.is_some_and(|set| matches!(set.placement, Placement::Sequences { units: [_, periods], .. } if periods == unit))
}

/// What is put on one unit.
struct Allocation {
    /// The combinations.
    treatments: Vec<Vec<usize>>,
    /// For each combination of the units above (by their numbers from 0), the combination of every number of the unit.
    places: BTreeMap<Vec<usize>, Vec<usize>>,
}

fn allocate(protocol: &Protocol, structure: &Structure, unit: UnitId, stream: impl Fn(&str) -> Stream) -> Allocation {
    let treatments = treatments(protocol, unit);
    let rows = treatments.len();
    let mut places = BTreeMap::new();
    if protocol.factors_on(unit).is_empty() {
        return Allocation { treatments, places };
    }
    let stream = |purpose: &str| stream(&format!("{purpose} {}", protocol.units[unit].name));
    let above = &structure.above[unit];
    let count = structure.counts[unit];
    let set = protocol.design.set.as_ref().filter(|set| set.unit == unit);
    match set.map_or(&Placement::Whole, |set| &set.placement) {
        Placement::Whole => {
            let mut stream = stream("allocate");
            for numbers in combinations(structure, above) {
                let shuffled = stream.permutation(count);
                places.insert(numbers, shuffled.into_iter().map(|place| place % rows).collect());
            }
        }
        Placement::Blocks {
            block,
            groups,
            exchanges,
        } => {
            let stands_for = if *exchanges {
                stream("exchange").permutation(rows)
            } else {
                (0..rows).collect()
            };
            let mut deal = stream("deal");
            let mut dealt = BTreeMap::new();
            for numbers in combinations(structure, &structure.above[*block]) {
                dealt.insert(numbers, deal.permutation(structure.counts[*block]));
            }
            let mut stream = stream("allocate");
            for numbers in combinations(structure, above) {
                let own = |u: UnitId| above.iter().position(|&a| a == u).map_or(0, |at| numbers[at]);
                let outer: Vec<usize> = structure.above[*block].iter().map(|&u| own(u)).collect();
                let place = dealt.get(&outer).map_or(0, |places| places[own(*block)]);
                let group = &groups[place % groups.len()];
                let shuffled = stream.permutation(count);
                let own = shuffled.into_iter().map(|place| stands_for[group[place % group.len()]]);
                places.insert(numbers, own.collect());
            }
        }
        Placement::Square { units, squares } => {
            square(structure, unit, (*units, squares), stream("square"), &mut places);
        }
        Placement::Sequences { units, sequences } => {
            let [subjects, periods] = *units;
            let mut stream = stream("sequence");
            for outer in combinations(structure, &structure.above[subjects]) {
                let letters = stream.permutation(rows);
                let dealt = stream.permutation(structure.counts[subjects]);
                for (subject, place) in dealt.into_iter().enumerate() {
                    for (period, &treatment) in sequences[place % sequences.len()].iter().enumerate() {
                        let numbers = placed(structure, unit, &outer, [(subjects, subject), (periods, period)]);
                        places.insert(numbers, vec![letters[treatment]]);
                    }
                }
            }
        }
    }
    Allocation { treatments, places }
}

/// Squares, band by band, with rows, columns and letters shuffled.
fn square(
    structure: &Structure,
    unit: UnitId,
    (units, squares): ([UnitId; 2], &[Vec<Vec<usize>>]),
    mut stream: Stream,
    places: &mut BTreeMap<Vec<usize>, Vec<usize>>,
) {
    let order = squares.first().map_or(1, Vec::len);
    let bands = units.map(|u| structure.counts[u] / order);
    for outer in combinations(structure, &structure.above[units[0]]) {
        for (band, side) in (0..bands[0]).flat_map(|band| (0..bands[1]).map(move |side| (band, side))) {
            let rows = stream.permutation(order);
            let columns = stream.permutation(order);
            let letters: Vec<Vec<usize>> = squares.iter().map(|_| stream.permutation(order)).collect();
            for (i, &row) in rows.iter().enumerate() {
                for (j, &column) in columns.iter().enumerate() {
                    let treatment = squares
                        .iter()
                        .zip(&letters)
                        .fold(0, |sum, (square, letters)| sum * order + letters[square[row][column]]);
                    let at = [(units[0], band * order + i), (units[1], side * order + j)];
                    places.insert(placed(structure, unit, &outer, at), vec![treatment]);
                }
            }
        }
    }
}

/// The numbers of the units above a unit, two of them given, those above these from `outer`.
fn placed(structure: &Structure, unit: UnitId, outer: &[usize], at: [(UnitId, usize); 2]) -> Vec<usize> {
    let wider = &structure.above[at[0].0];
    structure.above[unit]
        .iter()
        .map(|&u| match at.iter().find(|(given, _)| *given == u) {
            Some((_, number)) => *number,
            None => wider.iter().position(|&w| w == u).map_or(0, |place| outer[place]),
        })
        .collect()
}

/// Every combination of numbers of some units, the last one fastest.
fn combinations(structure: &Structure, units: &[UnitId]) -> Vec<Vec<usize>> {
    units.iter().fold(vec![Vec::new()], |known, &unit| {
        known
            .iter()
            .flat_map(|numbers| (0..structure.counts[unit]).map(move |number| [&numbers[..], &[number]].concat()))
            .collect()
    })
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
        let treatment = &allocation.treatments[places[numbers[unit]]];
        for (&factor, &level) in protocol.factors_on(unit).iter().zip(treatment) {
            levels[factor] = level;
        }
    }
    levels
}
