//! The arrangements of a randomization scheme: how many there are, what they add up to, and fast ways to draw them.
//!
//! In:  a `Scheme`, and channels: a contrast over the cells with a value a run.
//! Out: for an arrangement the sum over runs of contrast times value, one a channel.
//!
//! With the coarser units held, the sum is one number a group of the finest unit, added up; a group whose slots can be
//! filled in few ways has its numbers tabled, and small tables are merged.
//! Never here: p-values.

use std::collections::BTreeMap;

use super::randomization::{Group, Scheme};
use crate::numeric::stream::Stream;

/// Most entries of a table.
const TABLE: u64 = 1 << 13;
/// Most arrangements of the coarser units for which halves are counted.
const COARSE: u64 = 1 << 10;
/// Most arrangements of the coarser units with tables of their own, and most rows in all tables.
const COARSE_TABLES: u64 = 1 << 8;
const ROWS: u64 = 1 << 18;
/// Most choices made out of one word of the stream.
const CHOICES: u64 = 1 << 48;

/// Results with the slots they occupy, in the form in which sums are quickest.
pub(super) struct Layout<'a> {
    contrasts: Vec<&'a [f64]>,
    /// Values of the results, one row a channel.
    values: Vec<Vec<f64>>,
    /// Slots of each result, all of one length.
    slots: Vec<usize>,
    units: usize,
    /// Groups of the coarser units, and of the finest one.
    coarse: Vec<Group>,
    fine: Vec<Group>,
    /// The results in each fine group.
    members: Vec<Vec<usize>>,
    slot_count: usize,
}

impl<'a> Layout<'a> {
    /// Runs that occupy the same slots are added up: they always fall into the same cell. `None` if lengths do not fit.
    pub(super) fn new(scheme: &Scheme, channels: &[(&'a [f64], &[f64])]) -> Option<Self> {
        let units = scheme.slots.first()?.len();
        let slot_count: usize = scheme.groups.iter().map(|group| group.parts.len()).sum();
        let mut next = 0;
        let in_a_row = scheme.groups.iter().all(|group| {
            let fits = group.first == next;
            next += group.parts.len();
            fits
        });
        let runs = scheme.slots.len();
        let fits = units > 0
            && in_a_row
            && scheme.observed.len() == slot_count
            && !channels.is_empty()
            && channels.iter().all(|(_, values)| values.len() == runs)
            && scheme
                .slots
                .iter()
                .all(|own| own.len() == units && own.iter().all(|&s| s < slot_count));
        if !fits {
            return None;
        }
        let mut group_of = vec![0; slot_count];
        for (index, group) in scheme.groups.iter().enumerate() {
            group_of[group.first..group.first + group.parts.len()].fill(index);
        }
        let mut sums: BTreeMap<&[usize], Vec<f64>> = BTreeMap::new();
        for (run, own) in scheme.slots.iter().enumerate() {
            let sum = sums.entry(own.as_slice()).or_insert_with(|| vec![0.0; channels.len()]);
            for (sum, (_, values)) in sum.iter_mut().zip(channels) {
                *sum += values[run];
            }
        }
        let is_fine = |group: usize| {
            scheme
                .slots
                .iter()
                .any(|own| own.last().is_some_and(|&s| group_of[s] == group))
        };
        let mut place = vec![None; scheme.groups.len()];
        let (mut coarse, mut fine) = (Vec::new(), Vec::new());
        for (index, group) in scheme.groups.iter().enumerate() {
            if units == 1 || is_fine(index) {
                place[index] = Some(fine.len());
                fine.push(group.clone());
            } else {
                coarse.push(group.clone());
            }
        }
        let mut members = vec![Vec::new(); fine.len()];
        for (result, own) in sums.keys().enumerate() {
            members[own.last().and_then(|&slot| place[group_of[slot]])?].push(result);
        }
        // No part may point beyond the cells.
        let cells = channels.iter().map(|(contrast, _)| contrast.len()).min()?;
        let largest = |unit: usize| -> usize {
            let seen = sums.keys().map(|own| &scheme.groups[group_of[own[unit]]].parts);
            seen.flatten().map(|&part| part as usize).max().unwrap_or(0)
        };
        if (0..units).map(largest).sum::<usize>() >= cells {
            return None;
        }
        Some(Self {
            contrasts: channels.iter().map(|(contrast, _)| *contrast).collect(),
            values: (0..channels.len())
                .map(|channel| sums.values().map(|sum| sum[channel]).collect())
                .collect(),
            slots: sums.keys().flat_map(|own| own.iter().copied()).collect(),
            units,
            coarse,
            fine,
            members,
            slot_count,
        })
    }

    fn channels(&self) -> usize {
        self.values.len()
    }

    fn cell(&self, result: usize, parts: &[u32]) -> usize {
        let own = &self.slots[result * self.units..(result + 1) * self.units];
        own.iter().map(|&slot| parts[slot] as usize).sum()
    }

    /// What some results add up to. `parts` is what each slot adds to the number of the cell.
    fn add(&self, results: impl Iterator<Item = usize>, parts: &[u32], sums: &mut [f64]) {
        sums.fill(0.0);
        for result in results {
            let cell = self.cell(result, parts);
            for ((sum, contrast), values) in sums.iter_mut().zip(&self.contrasts).zip(&self.values) {
                *sum += contrast[cell] * values[result];
            }
        }
    }

    pub(super) fn sums(&self, parts: &[u32]) -> Vec<f64> {
        let mut sums = vec![0.0; self.channels()];
        self.add(0..self.slots.len() / self.units, parts, &mut sums);
        sums
    }

    /// Size below which a sum is rounding.
    pub(super) fn scale(&self) -> f64 {
        let largest = |c: &[f64]| c.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
        let sizes = self.contrasts.iter().zip(&self.values);
        sizes
            .map(|(contrast, values)| largest(contrast) * values.iter().map(|v| v.abs()).sum::<f64>())
            .fold(0.0, f64::max)
    }

    /// Number of different arrangements; `None` on overflow.
    pub(super) fn arrangements(&self) -> Option<u64> {
        product(&self.coarse)?.checked_mul(product(&self.fine)?)
    }

    /// The row of every group, written down in order.
    fn rows(&self) -> Vec<u32> {
        let mut parts = vec![0; self.slot_count];
        for group in self.coarse.iter().chain(&self.fine) {
            parts[group.first..group.first + group.parts.len()].copy_from_slice(&group.parts);
        }
        parts
    }

    /// The sums of one fine group in every arrangement, the coarser units held as in `parts`.
    fn table(&self, group: usize, parts: &mut [u32]) -> Vec<f64> {
        let mut table = Vec::new();
        let mut sums = vec![0.0; self.channels()];
        each_of(&self.fine[group], parts, &mut |parts| {
            self.add(self.members[group].iter().copied(), parts, &mut sums);
            table.extend_from_slice(&sums);
        });
        table
    }

    /// Both halves of the fine groups with all their sums, for every arrangement of the coarser units; `None` if a half
    /// has more than `most`.
    pub(super) fn halves(&self, most: usize) -> Option<Halves> {
        let ways: Vec<u64> = self.fine.iter().map(arrangements).collect::<Option<_>>()?;
        let coarse = product(&self.coarse).filter(|&c| c <= COARSE)?;
        let most = (most as u64 / coarse).max(1);
        let mut halves: [(u64, Vec<usize>); 2] = [(1, Vec::new()), (1, Vec::new())];
        for (group, &ways) in ways.iter().enumerate() {
            let smaller = usize::from(halves[1].0 < halves[0].0);
            halves[smaller].0 = halves[smaller].0.checked_mul(ways)?;
            halves[smaller].1.push(group);
        }
        if halves.iter().any(|(ways, _)| *ways > most) {
            return None;
        }
        let mut parts = self.rows();
        let mut pairs = Vec::new();
        all_of(&self.coarse, &mut parts, &mut |parts| {
            let mut sums = halves.each_ref().map(|(_, groups)| {
                groups
                    .iter()
                    .fold(vec![0.0], |sums, &group| merged(&sums, &self.table(group, parts), 1))
            });
            sums.iter_mut().for_each(|sums| sums.sort_by(f64::total_cmp));
            pairs.push(sums);
        });
        Some(Halves { pairs })
    }
}

/// Every sum of one table with every sum of another.
fn merged(one: &[f64], other: &[f64], channels: usize) -> Vec<f64> {
    let rows = one.chunks_exact(channels);
    rows.flat_map(|a| {
        other
            .chunks_exact(channels)
            .flat_map(move |b| a.iter().zip(b).map(|(a, b)| a + b))
    })
    .collect()
}

/// Sorted sums of two halves, for each arrangement of the coarser units.
pub(super) struct Halves {
    pairs: Vec<[Vec<f64>; 2]>,
}

impl Halves {
    /// Number of arrangements whose sum is at least `reach` in size.
    pub(super) fn reaching(&self, reach: f64) -> u64 {
        let count = |[one, other]: &[Vec<f64>; 2]| -> u64 {
            if reach <= 0.0 {
                return one.len() as u64 * other.len() as u64;
            }
            // As the sums of one half rise, fewer of the other are needed to stay below, and more to stay above.
            let (mut above, mut below) = (other.len(), other.len());
            let mut count = 0;
            for &sum in one {
                while above > 0 && other[above - 1] + sum >= reach {
                    above -= 1;
                }
                while below > 0 && other[below - 1] + sum > -reach {
                    below -= 1;
                }
                count += (other.len() - above + below) as u64;
            }
            count
        };
        self.pairs.iter().map(count).sum()
    }

    /// The largest sum in size.
    pub(super) fn largest(&self) -> f64 {
        let ends = |pair: &[Vec<f64>; 2], pick: fn(&[f64]) -> Option<&f64>| -> f64 {
            pair.iter().filter_map(|sums| pick(sums)).sum::<f64>().abs()
        };
        self.pairs
            .iter()
            .map(|pair| ends(pair, <[f64]>::first).max(ends(pair, <[f64]>::last)))
            .fold(0.0, f64::max)
    }
}

/// Ways to draw an arrangement at random.
pub(super) enum Tables {
    /// One draw of a few numbers, then look-ups: for each arrangement of the coarser units the words to draw.
    LookUps(Vec<Vec<Word>>),
    /// The slots are shuffled.
    Shuffles(Vec<u32>),
}

/// Choices made out of one word of the stream: how many in all, and the tables with their rows.
pub(super) struct Word {
    choices: u64,
    tables: Vec<(u64, Vec<f64>)>,
}

impl Tables {
    pub(super) fn new(layout: &Layout) -> Self {
        let ways: Option<Vec<u64>> = layout.fine.iter().map(arrangements).collect();
        let coarse = product(&layout.coarse).unwrap_or(u64::MAX);
        let fits = |ways: &Vec<u64>| {
            let rows: u64 = ways
                .iter()
                .map(|&w| w.saturating_mul(coarse))
                .fold(0, u64::saturating_add);
            coarse <= COARSE_TABLES && ways.iter().all(|&w| w <= TABLE) && rows <= ROWS
        };
        let Some(ways) = ways.filter(fits) else {
            return Self::Shuffles(layout.rows());
        };
        // Tables are merged as far as they stay small, less far where there are many of them.
        let most = (TABLE / coarse).max(1);
        let channels = layout.channels();
        let mut parts = layout.rows();
        let mut found = Vec::new();
        all_of(&layout.coarse, &mut parts, &mut |parts| {
            let mut tables: Vec<(u64, Vec<f64>)> = Vec::new();
            for (group, &ways) in ways.iter().enumerate() {
                let table = layout.table(group, parts);
                match tables.last_mut().filter(|(have, _)| have * ways <= most) {
                    Some(last) => *last = (last.0 * ways, merged(&last.1, &table, channels)),
                    None => tables.push((ways, table)),
                }
            }
            let mut words: Vec<Word> = Vec::new();
            for (ways, table) in tables {
                match words.last_mut().filter(|word| word.choices * ways <= CHOICES) {
                    Some(word) => {
                        word.choices *= ways;
                        word.tables.push((ways, table));
                    }
                    None => words.push(Word {
                        choices: ways,
                        tables: vec![(ways, table)],
                    }),
                }
            }
            found.push(words);
        });
        Self::LookUps(found)
    }

    /// Draws arrangements and shows their sums.
    pub(super) fn each(&self, layout: &Layout, stream: &mut Stream, draws: u64, visit: &mut impl FnMut(&[f64])) {
        let channels = layout.channels();
        let mut sums = vec![0.0; channels];
        match self {
            Self::LookUps(coarse) => {
                for _ in 0..draws {
                    sums.fill(0.0);
                    for word in pick(coarse, stream) {
                        let mut rest = stream.below(word.choices);
                        for (ways, table) in &word.tables {
                            let row = (rest % ways) as usize * channels;
                            rest /= ways;
                            sums.iter_mut()
                                .zip(&table[row..row + channels])
                                .for_each(|(sum, own)| *sum += own);
                        }
                    }
                    visit(&sums);
                }
            }
            Self::Shuffles(rows) => {
                let mut parts = rows.clone();
                let results = layout.slots.len() / layout.units;
                for _ in 0..draws {
                    for group in layout.coarse.iter().chain(&layout.fine) {
                        stream.shuffle(&mut parts[group.first..group.first + group.parts.len()]);
                    }
                    layout.add(0..results, &parts, &mut sums);
                    visit(&sums);
                }
            }
        }
    }

    /// Of so many draws, the number whose sums have at least the length `reach`.
    pub(super) fn reaching(&self, layout: &Layout, stream: &mut Stream, draws: u64, reach: f64) -> u64 {
        let mut count = 0;
        match self {
            // The usual case in a loop of its own: one contrast, few tables.
            Self::LookUps(coarse) if layout.channels() == 1 => {
                for _ in 0..draws {
                    let mut sum = 0.0;
                    for word in pick(coarse, stream) {
                        let mut rest = stream.below(word.choices);
                        for (ways, table) in &word.tables {
                            let next = rest / ways;
                            sum += table[(rest - next * ways) as usize];
                            rest = next;
                        }
                    }
                    count += u64::from(sum.abs() >= reach);
                }
            }
            _ => self.each(layout, stream, draws, &mut |sums| {
                let size = sums.iter().map(|s| s * s).sum::<f64>().sqrt();
                count += u64::from(size >= reach);
            }),
        }
        count
    }
}

/// One of the arrangements of the coarser units.
fn pick<'a>(coarse: &'a [Vec<Word>], stream: &mut Stream) -> &'a [Word] {
    match coarse {
        [only] => only,
        many => &many[stream.below(many.len() as u64) as usize],
    }
}

/// Shows the sums of every arrangement, once each.
pub(super) fn list(layout: &Layout, visit: &mut dyn FnMut(&[f64])) {
    let channels = layout.channels();
    let mut parts = layout.rows();
    let mut sums = vec![vec![0.0; channels]; layout.fine.len() + 1];
    all_of(&layout.coarse, &mut parts, &mut |parts| {
        let tables: Vec<Vec<f64>> = (0..layout.fine.len()).map(|group| layout.table(group, parts)).collect();
        add_up(&tables, 0, &mut sums, channels, visit);
    });
}

fn add_up(tables: &[Vec<f64>], depth: usize, sums: &mut [Vec<f64>], channels: usize, visit: &mut dyn FnMut(&[f64])) {
    let Some(table) = tables.get(depth) else {
        visit(&sums[depth]);
        return;
    };
    for row in table.chunks_exact(channels) {
        let (before, after) = sums.split_at_mut(depth + 1);
        for ((next, sum), own) in after[0].iter_mut().zip(&before[depth]).zip(row) {
            *next = sum + own;
        }
        add_up(tables, depth + 1, sums, channels, visit);
    }
}

/// Number of different ways to put the parts of a group on its slots; `None` on overflow.
fn arrangements(group: &Group) -> Option<u64> {
    let mut sorted = group.parts.clone();
    sorted.sort_unstable();
    let (mut ways, mut placed) = (1_u64, 0_u64);
    for same in sorted.chunk_by(|a, b| a == b) {
        for k in 1..=same.len() as u64 {
            placed += 1;
            // The product of k successive binomial factors is whole after each division.
            ways = ways.checked_mul(placed)? / k;
        }
    }
    Some(ways)
}

fn product(groups: &[Group]) -> Option<u64> {
    groups
        .iter()
        .try_fold(1_u64, |total, group| total.checked_mul(arrangements(group)?))
}

/// Puts the parts of every group on its slots in every way, once each.
fn all_of(groups: &[Group], parts: &mut [u32], visit: &mut dyn FnMut(&mut [u32])) {
    let Some((first, rest)) = groups.split_first() else {
        visit(parts);
        return;
    };
    each_of(first, parts, &mut |parts| all_of(rest, parts, visit));
}

/// Puts the parts of one group on its slots in every way, in rising order, and leaves them in the last one.
fn each_of(group: &Group, parts: &mut [u32], visit: &mut dyn FnMut(&mut [u32])) {
    let slots = group.first..group.first + group.parts.len();
    parts[slots.clone()].copy_from_slice(&group.parts);
    parts[slots.clone()].sort_unstable();
    loop {
        visit(parts);
        // The next larger arrangement: the last rise is turned at its smallest larger successor.
        let own = &mut parts[slots.clone()];
        let Some(rise) = own.windows(2).rposition(|pair| pair[0] < pair[1]) else {
            return;
        };
        let Some(larger) = own.iter().rposition(|&part| part > own[rise]) else {
            return;
        };
        own.swap(rise, larger);
        own[rise + 1..].reverse();
    }
}

/// The value at a place of the sorted order.
pub(super) fn choose(values: &mut [f64], place: usize, order: impl Fn(&f64, &f64) -> std::cmp::Ordering) -> f64 {
    if place >= values.len() {
        return f64::NAN;
    }
    *values.select_nth_unstable_by(place, order).1
}
