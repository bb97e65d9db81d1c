//! Balance of carry-over: by construction where each level comes once in a sequence, else by mending.
//!
//! In:  a draft of a plan, and streams of random numbers.
//! Out: the draft with the order within sequences changed.
//!
//! **Construction** (`square`), where a sequence holds each of its k levels once and nothing else is set on that unit,
//! and k is even, or k is odd and the number of sequences is a multiple of 2k. The first row is 0, 1, k−1, 2, k−2, ...;
//! the others add 1, 2, ..., k−1 to it, modulo k; for odd k the same rows read backwards follow. From stream
//! `balance UNIT`: for each square the levels are shuffled (the j-th of the shuffled levels stands for j), then its rows,
//! until there are as many as sequences; last, the rows are shuffled over the sequences in the order in which they are
//! walked.
//!
//! **Mending** (`mend`) elsewhere, if no draw keeps the rules as it is. From stream `rearrange`: a sequence of at least two set-ups is
//! chosen among all of them (units in declared order, sequences as they are walked), then two places in it. What stands there
//! changes place, unless the sum of squares of the counts of followers, over all factors that carry over, grows by it. Before
//! the first exchange, and again after as many as there are set-ups, the order is looked at: if it is balanced and keeps the
//! other rules, it is done.
//!
//! Method: Williams (1949) Aust. J. Sci. Res. A 2:149 for the squares (from memory); the search is our own. Every arrangement
//! that differs by names of levels, or by which sequence comes where, is equally likely to come out of both.

use super::draw::Draft;
use super::rules::Followers;
use crate::numeric::stream::Stream;
use crate::protocol::{FactorId, Protocol, UnitId};

/// Exchanges tried for each set-up.
const EXCHANGES: usize = 200;
/// Exchanges tried at most.
const MOST_EXCHANGES: usize = 2_000_000;

/// The set-ups of one unit under one set-up of everything declared before it.
pub(super) struct Sequence {
    pub unit: UnitId,
    /// Numbers of the units declared before, from 0.
    pub path: Vec<usize>,
    /// How often the walk entered the unit before.
    pub entry: usize,
}

/// The factors that carry over and are set on a unit.
fn carrying(protocol: &Protocol, unit: UnitId) -> Vec<FactorId> {
    let on = protocol.factors_on(unit);
    on.into_iter().filter(|&f| protocol.factors[f].carries_over).collect()
}

/// True if the construction gives the balance for every factor that carries over.
pub(super) fn is_constructed(protocol: &Protocol) -> bool {
    (0..protocol.units.len()).all(|unit| carrying(protocol, unit).is_empty() || has_square(protocol, unit))
}

fn has_square(protocol: &Protocol, unit: UnitId) -> bool {
    let [factor] = protocol.factors_on(unit)[..] else {
        return false;
    };
    if protocol.design.set.as_ref().is_some_and(|set| set.unit == unit) {
        return false;
    }
    let kinds = protocol.factors[factor].levels.len();
    let sequences: usize = protocol.units[..unit].iter().map(|u| u.count).product();
    protocol.units[unit].count == kinds && (kinds.is_multiple_of(2) || sequences.is_multiple_of(2 * kinds))
}

/// Puts the rows of squares where `has_square` says that they fit.
pub(super) fn square(protocol: &Protocol, draft: &mut Draft, stream: &dyn Fn(&str) -> Stream) {
    for unit in 0..protocol.units.len() {
        let [factor] = carrying(protocol, unit)[..] else {
            continue;
        };
        if !has_square(protocol, unit) {
            continue;
        }
        let sequences = draft.sequences(protocol, unit);
        let kinds = protocol.factors[factor].levels.len();
        let mut stream = stream(&format!("balance {}", protocol.units[unit].name));
        let rows = rows(kinds, sequences.len(), &mut stream);
        let order = stream.permutation(sequences.len());
        for (sequence, row) in sequences.iter().zip(order) {
            draft.arrange(protocol, sequence, factor, &rows[row]);
        }
    }
}

/// So many rows, balanced together as nearly as can be.
fn rows(kinds: usize, wanted: usize, stream: &mut Stream) -> Vec<Vec<usize>> {
    let first: Vec<usize> = (0..kinds)
        .map(|j| {
            if j % 2 == 1 {
                j.div_ceil(2)
            } else {
                (kinds - j / 2) % kinds
            }
        })
        .collect();
    let mut square: Vec<Vec<usize>> = (0..kinds)
        .map(|shift| first.iter().map(|&level| (level + shift) % kinds).collect())
        .collect();
    if kinds % 2 == 1 {
        let backwards: Vec<Vec<usize>> = square.iter().map(|row| row.iter().rev().copied().collect()).collect();
        square.extend(backwards);
    }
    let mut rows: Vec<Vec<usize>> = Vec::new();
    while rows.len() < wanted {
        let names = stream.permutation(kinds);
        for row in stream.permutation(square.len()) {
            if rows.len() < wanted {
                rows.push(square[row].iter().map(|&level| names[level]).collect());
            }
        }
    }
    rows
}

/// One sequence while it is mended: what stands in each place, and its level of each factor that carries over.
struct Mending {
    items: Vec<usize>,
    levels: Vec<Vec<usize>>,
}

/// Exchanges places until no two counts of followers differ by more than `spread` and `is_good` finds nothing else wrong,
/// or the exchanges are used up. `is_good` is asked whenever as many exchanges were tried as there are set-ups.
pub(super) fn mend(
    protocol: &Protocol,
    draft: &mut Draft,
    spread: usize,
    stream: &mut Stream,
    is_good: &mut dyn FnMut(&Draft) -> bool,
) {
    let mut places: Vec<Sequence> = Vec::new();
    let mut work: Vec<Mending> = Vec::new();
    // Counts of followers by factor; factors of different units never meet in one sequence.
    let mut counts: Vec<Vec<i64>> = protocol
        .factors
        .iter()
        .map(|factor| vec![0; factor.levels.len() * factor.levels.len()])
        .collect();
    for unit in 0..protocol.units.len() {
        let factors = carrying(protocol, unit);
        if factors.is_empty() || protocol.units[unit].count < 2 {
            continue;
        }
        for sequence in draft.sequences(protocol, unit) {
            let items = draft.items(&sequence);
            let levels: Vec<Vec<usize>> = factors
                .iter()
                .map(|&factor| {
                    let of = |&item: &usize| draft.level_of(protocol, &sequence, item, factor);
                    items.iter().map(of).collect()
                })
                .collect();
            for (&factor, levels) in factors.iter().zip(&levels) {
                let kinds = protocol.factors[factor].levels.len();
                for pair in levels.windows(2) {
                    counts[factor][pair[0] * kinds + pair[1]] += 1;
                }
            }
            places.push(sequence);
            work.push(Mending { items, levels });
        }
    }
    let set_ups: usize = work.iter().map(|sequence| sequence.items.len()).sum();
    let exchanges = set_ups.saturating_mul(EXCHANGES).min(MOST_EXCHANGES);
    for step in 0..exchanges {
        if work.is_empty() {
            break;
        }
        if step % set_ups == 0 && is_balanced(protocol, &places, &work, spread) {
            for (sequence, mending) in places.iter().zip(&work) {
                draft.put(sequence, mending.items.clone());
            }
            if is_good(draft) {
                break;
            }
        }
        let index = stream.below(work.len() as u64) as usize;
        let sequence = &mut work[index];
        let length = sequence.items.len() as u64;
        let (one, other) = (stream.below(length) as usize, stream.below(length) as usize);
        let factors = carrying(protocol, places[index].unit);
        if sequence.levels.iter().all(|levels| levels[one] == levels[other]) {
            continue;
        }
        let mut change = 0;
        for (&factor, levels) in factors.iter().zip(&mut sequence.levels) {
            let kinds = protocol.factors[factor].levels.len();
            change += add(&mut counts[factor], kinds, levels, (one, other), -1);
            levels.swap(one, other);
            change += add(&mut counts[factor], kinds, levels, (one, other), 1);
        }
        if change > 0 {
            for (&factor, levels) in factors.iter().zip(&mut sequence.levels) {
                let kinds = protocol.factors[factor].levels.len();
                add(&mut counts[factor], kinds, levels, (one, other), -1);
                levels.swap(one, other);
                add(&mut counts[factor], kinds, levels, (one, other), 1);
            }
            continue;
        }
        sequence.items.swap(one, other);
    }
    for (sequence, mending) in places.iter().zip(work) {
        draft.put(sequence, mending.items);
    }
}

/// Adds or takes away the pairs that touch two places; gives back the change in the sum of squares.
fn add(counts: &mut [i64], kinds: usize, levels: &[usize], (one, other): (usize, usize), sign: i64) -> i64 {
    let mut starts = [one.wrapping_sub(1), one, other.wrapping_sub(1), other];
    starts.sort_unstable();
    let mut change = 0;
    for (at, &start) in starts.iter().enumerate() {
        let is_new = at == 0 || starts[at - 1] != start;
        if let Some(pair) = levels.get(start..).and_then(|rest| rest.get(..2)).filter(|_| is_new) {
            let count = &mut counts[pair[0] * kinds + pair[1]];
            change += (*count + sign).pow(2) - count.pow(2);
            *count += sign;
        }
    }
    change
}

fn is_balanced(protocol: &Protocol, places: &[Sequence], work: &[Mending], spread: usize) -> bool {
    (0..protocol.units.len()).all(|unit| {
        carrying(protocol, unit).iter().enumerate().all(|(at, &factor)| {
            let (mut levels, mut starts) = (Vec::new(), Vec::new());
            for (_, mending) in places.iter().zip(work).filter(|(place, _)| place.unit == unit) {
                starts.extend((0..mending.items.len()).map(|i| i == 0));
                levels.extend(&mending.levels[at]);
            }
            Followers::count(&levels, &starts, protocol.factors[factor].levels.len()).spread() <= spread
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: the property that Williams (1949) built his squares for, for 2 to 12 levels: each level follows each
    /// other one equally often, and stands in each place equally often.
    #[test]
    fn squares_are_balanced_for_two_to_twelve_levels() {
        for kinds in 2..=12 {
            let wanted = if kinds % 2 == 0 { kinds } else { 2 * kinds };
            let rows = rows(kinds, wanted, &mut Stream::named("squares"));
            let levels: Vec<usize> = rows.iter().flatten().copied().collect();
            let starts: Vec<bool> = (0..levels.len()).map(|i| i % kinds == 0).collect();
            let followers = Followers::count(&levels, &starts, kinds);
            for before in 0..kinds {
                for after in (0..kinds).filter(|&after| after != before) {
                    assert_eq!(followers.of(before, after), wanted / kinds, "{kinds} levels");
                }
            }
            for place in 0..kinds {
                for level in 0..kinds {
                    let often = rows.iter().filter(|row| row[place] == level).count();
                    assert_eq!(often, wanted / kinds, "{kinds} levels");
                }
            }
        }
    }

    /// Closed form: any rows of a square of even order hold each pair once at most.
    #[test]
    fn part_of_a_square_is_as_near_to_balance_as_can_be() {
        for wanted in 1..=13 {
            let rows = rows(6, wanted, &mut Stream::named("part"));
            let levels: Vec<usize> = rows.iter().flatten().copied().collect();
            let starts: Vec<bool> = (0..levels.len()).map(|i| i % 6 == 0).collect();
            assert!(Followers::count(&levels, &starts, 6).spread() <= 1, "{wanted} rows");
        }
    }
}
