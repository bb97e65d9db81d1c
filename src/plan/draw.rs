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
//! 3. An order that breaks a rule of `[order]` (`rules`) is drawn again, in the k-th try from streams whose purposes
//!    end in ` try k`. Where carry-over is balanced by construction (`balance`), each try goes through it. Where it is
//!    not, and all tries are used up, drafts from purposes that end in ` mend k` are mended until one keeps the rules.
//!
//! `draw_with` is the one way in: the plan, and whoever draws again under the same scheme, both come through it.
//!
//! Method: randomization permitted by a poset block structure, Bailey (2008) Design of Comparative
//! Experiments (from memory); streams and shuffles in `numeric::stream`.
//! Never here: clock, entropy. Reference values: tests/plan.rs, repeated independently by tests/draw/repeat.py.

use std::collections::BTreeMap;

use super::balance::{Sequence, is_constructed, mend, square as put_squares};
use super::model::PlannedRun;
use super::rules::{Broken, Rule, broken_rule};
use super::spots::check_room;
use super::structure::Structure;
use super::terms::terms;
use crate::design::treatments;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::numeric::stream::Stream;
use crate::protocol::{Effect, FactorId, Placement, Protocol, UnitId};

/// Name of this way of drawing, written into every plan.
pub const ALGORITHM: &str = "wellrun draw 1 (ChaCha20, SHA-256)";

/// Most runs that a plan may hold.
pub const MOST_RUNS: usize = 1_000_000;

/// A draw, with what it took to find it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drawn {
    /// The runs in the order in which they are to be made.
    pub runs: Vec<PlannedRun>,
    /// How many orders were drawn until one kept the rules; 1 without rules.
    pub tries: usize,
    /// Largest difference of two counts of followers that was allowed; `None` unless carry-over is balanced.
    pub spread: Option<usize>,
}

/// Draws the runs of a study.
///
/// # Errors
///
/// `D001` for an as-run study, `D002` if a unit's count does not fit its factors, `D003` for too many runs, `D021` for a planned
/// effect that the treatments give no estimate of, `D040` if no order keeps the rules, `D041` if nothing can be balanced.
pub fn draw(protocol: &Protocol, site_id: &str, seed: u64) -> Result<Vec<PlannedRun>, Diagnostics> {
    draw_with(protocol, &|purpose| named(protocol, site_id, seed, purpose)).map(|drawn| drawn.runs)
}

/// The stream of a purpose.
pub(super) fn named(protocol: &Protocol, site_id: &str, seed: u64, purpose: &str) -> Stream {
    Stream::named(&format!(
        "wellrun draw 1\nprotocol {}\nsite {site_id}\nseed {seed}\n{purpose}\n",
        protocol.drawn_as
    ))
}

/// Most set-ups and runs looked at while orders are drawn: bounds `tries` for large studies.
const MOST_WORK: usize = 200_000_000;
/// Drafts that are mended before the search for a balance ends.
const MENDS: usize = 50;
/// Widest difference of two counts of followers that a balance may have.
const WIDEST: usize = 3;

/// Draws the runs under every rule that the protocol declares, from streams of the caller's choice: one for each purpose.
///
/// Whoever draws again to see what the draw might have been, as the randomization test does, calls this with streams
/// of its own, and gets orders of the very scheme from which the plan came.
///
/// # Errors
///
/// As `draw`.
pub fn draw_with(protocol: &Protocol, streams: &dyn Fn(&str) -> Stream) -> Result<Drawn, Diagnostics> {
    check(protocol)?;
    let rules = &protocol.bench.rules;
    let structure = Structure::of(protocol);
    let balances = rules.carry_over_balanced;
    let is_constructed = balances && is_constructed(protocol);
    if balances
        && !protocol
            .factors
            .iter()
            .any(|f| f.carries_over && protocol.units[f.set_on].count > 1)
    {
        return Err(Diagnostic::error(
            "D041",
            "no order can be balanced for carry-over: within each set-up of the wider units there is one set-up only",
        )
        .help("set the factor that carries over on a unit of which several follow each other, or take `carry_over` out")
        .into());
    }
    let mut failures = Failures::default();
    let tries = rules.tries.min(MOST_WORK / structure.runs().max(1)).max(1);
    for number in 1..=tries {
        let at_try = |purpose: &str| match number {
            1 => streams(purpose),
            _ => streams(&format!("{purpose} try {number}")),
        };
        let mut draft = Draft::new(protocol, &structure, &at_try);
        if is_constructed {
            put_squares(protocol, &mut draft, &at_try);
        }
        let runs = draft.runs(protocol, &structure);
        match broken_rule(protocol, &runs, 1) {
            None => {
                return Ok(Drawn {
                    runs,
                    tries: number,
                    spread: balances.then_some(1),
                });
            }
            Some(broken) => failures.note(broken),
        }
    }
    let mends = MENDS.min(MOST_WORK / structure.runs().max(1) / 200).max(1);
    let widest = if balances && !is_constructed { WIDEST } else { 0 };
    for (round, spread) in (1..=widest).enumerate() {
        for number in 1..=mends {
            let at_mend = |purpose: &str| streams(&format!("{purpose} mend {number}"));
            let mut draft = Draft::new(protocol, &structure, &at_mend);
            let mut is_good =
                |draft: &Draft| broken_rule(protocol, &draft.runs(protocol, &structure), spread).is_none();
            mend(protocol, &mut draft, spread, &mut at_mend("rearrange"), &mut is_good);
            let runs = draft.runs(protocol, &structure);
            match broken_rule(protocol, &runs, spread) {
                None => {
                    return Ok(Drawn {
                        runs,
                        tries: tries + round * mends + number,
                        spread: Some(spread),
                    });
                }
                Some(broken) => failures.note(broken),
            }
        }
    }
    Err(failures.said(protocol))
}

/// Why drafts were not taken.
#[derive(Default)]
struct Failures {
    tries: usize,
    /// By rule and factor: how often it was the first to be broken, and the value that came nearest.
    seen: BTreeMap<(Rule, usize), (usize, f64)>,
}

impl Failures {
    fn note(&mut self, broken: Broken) {
        self.tries += 1;
        let seen = self
            .seen
            .entry((broken.rule, broken.factor))
            .or_insert((0, broken.value));
        seen.0 += 1;
        seen.1 = seen.1.min(broken.value);
    }

    fn said(&self, protocol: &Protocol) -> Diagnostics {
        let parts: Vec<String> = self
            .seen
            .iter()
            .map(|(&(rule, factor), &(often, nearest))| {
                let name = &protocol.factors[factor].name;
                match rule {
                    Rule::Correlation => {
                        format!("the correlation of `{name}` with the order was too large {often} times, {nearest:.2} at best")
                    }
                    Rule::AlikeInARow => format!(
                        "`{name}` stood too long at one level {often} times, {nearest} in a row at best"
                    ),
                    Rule::CarryOver => format!(
                        "what follows which level of `{name}` was out of balance {often} times, counts {nearest} apart at best"
                    ),
                }
            })
            .collect();
        Diagnostic::error(
            "D040",
            format!("{} orders were drawn, and none keeps the rules of [order]", self.tries),
        )
        .help(format!(
            "{}. Loosen that rule, raise `tries`, or set up more of the unit",
            parts.join("; ")
        ))
        .into()
    }
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
    if let Err(wrong) = check_room(protocol) {
        found.extend(wrong);
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

/// The unit that counts the places in the sequences that come to a unit, if its treatments are sequences.
pub(super) fn periods_of(protocol: &Protocol, unit: UnitId) -> Option<UnitId> {
    let set = protocol.design.set.as_ref().filter(|set| set.unit == unit)?;
    match set.placement {
        Placement::Sequences {
            units: [_, periods], ..
        } => Some(periods),
        _ => None,
    }
}

/// What is put on one unit.
struct Allocation {
    /// The combinations.
    treatments: Vec<Vec<usize>>,
    /// For each combination of the units above (by their numbers from 0), the combination of every number of the unit.
    places: BTreeMap<Vec<usize>, Vec<usize>>,
}

/// What the numbers of a unit get; `earlier` is that of the units before it.
fn allocate(
    protocol: &Protocol,
    structure: &Structure,
    (unit, earlier): (UnitId, &[Allocation]),
    stream: &dyn Fn(&str) -> Stream,
) -> Allocation {
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
        Placement::Split { wide, groups } => {
            let mut stream = stream("allocate");
            for numbers in combinations(structure, above) {
                let own = |u: UnitId| above.iter().position(|&a| a == u).map_or(0, |at| numbers[at]);
                let outer: Vec<usize> = structure.above[*wide].iter().map(|&u| own(u)).collect();
                let got = earlier.get(*wide).and_then(|wider| wider.places.get(&outer));
                let group = &groups[got.map_or(0, |places| places[own(*wide)])];
                let shuffled = stream.permutation(count);
                let own = shuffled.into_iter().map(|place| group[place % group.len()]);
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

/// A draft of a plan: which treatment goes where, and in which order each unit is visited.
pub(super) struct Draft {
    allocations: Vec<Allocation>,
    /// For a unit that crosses an earlier one the order of its numbers each time the walk enters; else empty.
    orders: Vec<Vec<Vec<usize>>>,
    counts: Vec<usize>,
    above: Vec<Vec<UnitId>>,
}

impl Draft {
    fn new(protocol: &Protocol, structure: &Structure, stream: &dyn Fn(&str) -> Stream) -> Self {
        let units = 0..protocol.units.len();
        let mut allocations: Vec<Allocation> = Vec::with_capacity(units.len());
        for unit in units.clone() {
            allocations.push(allocate(protocol, structure, (unit, &allocations), stream));
        }
        let orders = units
            .map(|unit| {
                let crosses = (0..unit).any(|earlier| !structure.above[unit].contains(&earlier));
                if !crosses || is_periods(protocol, unit) {
                    return Vec::new();
                }
                let mut stream = stream(&format!("visit {}", protocol.units[unit].name));
                let entries: usize = structure.counts[..unit].iter().product();
                (0..entries)
                    .map(|_| stream.permutation(structure.counts[unit]))
                    .collect()
            })
            .collect();
        Self {
            allocations,
            orders,
            counts: structure.counts.clone(),
            above: structure.above.clone(),
        }
    }

    /// The numbers of a unit in the order in which they are visited when the walk enters it for the n-th time, from 0.
    fn order(&self, unit: UnitId, entry: usize) -> Vec<usize> {
        match self.orders[unit].get(entry) {
            Some(order) => order.clone(),
            None => (0..self.counts[unit]).collect(),
        }
    }

    /// Calls `visit` with every path of numbers of the units before `depth`, in the order of the walk.
    fn walk(&self, depth: usize, visit: &mut dyn FnMut(&[usize])) {
        let mut entered = vec![0; self.counts.len()];
        self.step(depth, &mut Vec::new(), &mut entered, visit);
    }

    fn step(&self, depth: usize, numbers: &mut Vec<usize>, entered: &mut [usize], visit: &mut dyn FnMut(&[usize])) {
        let unit = numbers.len();
        if unit == depth {
            visit(numbers);
            return;
        }
        let entry = entered[unit];
        entered[unit] += 1;
        for number in self.order(unit, entry) {
            numbers.push(number);
            self.step(depth, numbers, entered, visit);
            numbers.pop();
        }
    }

    fn runs(&self, protocol: &Protocol, structure: &Structure) -> Vec<PlannedRun> {
        let mut runs = Vec::with_capacity(structure.runs());
        self.walk(self.counts.len(), &mut |numbers| {
            runs.push(PlannedRun {
                run: runs.len() + 1,
                units: numbers.iter().map(|number| number + 1).collect(),
                levels: levels(protocol, structure, &self.allocations, numbers),
            });
        });
        runs
    }

    /// The sequences of a unit, as they are walked.
    pub(super) fn sequences(&self, _protocol: &Protocol, unit: UnitId) -> Vec<Sequence> {
        let mut found = Vec::new();
        self.walk(unit, &mut |path| {
            found.push(Sequence {
                unit,
                path: path.to_vec(),
                entry: found.len(),
            });
        });
        found
    }

    fn numbers_above(&self, unit: UnitId, path: &[usize]) -> Vec<usize> {
        self.above[unit].iter().map(|&u| path[u]).collect()
    }

    /// What stands in the places of a sequence: numbers where the unit is visited in an order of its own, else combinations.
    pub(super) fn items(&self, sequence: &Sequence) -> Vec<usize> {
        if let Some(order) = self.orders[sequence.unit].get(sequence.entry) {
            return order.clone();
        }
        let above = self.numbers_above(sequence.unit, &sequence.path);
        self.allocations[sequence.unit]
            .places
            .get(&above)
            .cloned()
            .unwrap_or_default()
    }

    /// Puts items back in another order.
    pub(super) fn put(&mut self, sequence: &Sequence, items: Vec<usize>) {
        let above = self.numbers_above(sequence.unit, &sequence.path);
        if let Some(order) = self.orders[sequence.unit].get_mut(sequence.entry) {
            *order = items;
        } else {
            self.allocations[sequence.unit].places.insert(above, items);
        }
    }

    /// The level that an item of a sequence has.
    pub(super) fn level_of(&self, protocol: &Protocol, sequence: &Sequence, item: usize, factor: FactorId) -> usize {
        let allocation = &self.allocations[sequence.unit];
        let place = if self.orders[sequence.unit].is_empty() {
            item
        } else {
            let above = self.numbers_above(sequence.unit, &sequence.path);
            allocation.places.get(&above).map_or(0, |places| places[item])
        };
        let treatment = &allocation.treatments[place];
        let on = protocol.factors_on(sequence.unit);
        on.iter().position(|&f| f == factor).map_or(0, |at| treatment[at])
    }

    /// Puts a sequence in the order in which its levels are as wanted; each level stands in it once.
    pub(super) fn arrange(&mut self, protocol: &Protocol, sequence: &Sequence, factor: FactorId, wanted: &[usize]) {
        let items = self.items(sequence);
        let arranged: Vec<usize> = wanted
            .iter()
            .filter_map(|&level| {
                let has = |&&item: &&usize| self.level_of(protocol, sequence, item, factor) == level;
                items.iter().find(has).copied()
            })
            .collect();
        if arranged.len() == items.len() {
            self.put(sequence, arranged);
        }
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
