//! A two-level fraction over the factors of two units, one within the other: some factors are hard to change.
//!
//! In:  what is being made: factors of both units, words.
//! Out: words that the units can carry; a set whose runs within a wider unit follow from what that one got.
//!
//! Two things must hold. The factors of the wider unit make a full factorial of their own, so no word holds them alone. And
//! every factor of the finer unit changes within each wider one, so no word holds just one of them: its main effect would be
//! an interaction of the wider factors, judged against the wider unit. (Bingham and Sitter 1999, from memory.)
//! Never here: random numbers.

use super::check_treatments::{Making, whole};
use super::model::{Factor, UnitId};
use super::structure::above;
use super::treatment_set::{Placement, TreatmentSet, Treatments};
use super::walk::Desk;
use crate::numeric::arrangement::{self, Word, span, subsets};

/// Most ways to give the columns of a fraction to the factors of the wider unit that are tried.
const TRIED: usize = 5_000;

/// Says why a set cannot lie over two units.
pub(super) fn can_be(desk: &mut Desk<'_>, making: &Making<'_>, factors: &[Factor], wide: UnitId) -> Option<()> {
    let (outer, inner) = (&making.units[wide].name, &making.units[making.unit].name);
    let of = |unit: UnitId| making.own.iter().filter(|&&f| factors[f].set_on == unit).count();
    let tree = making.tree;
    let (message, help) = if making.treatments != Treatments::Fraction {
        (
            format!("a {} combines the factors of one unit", making.treatments.word()),
            "name one unit, or take a \"two-level fraction\"".to_owned(),
        )
    } else if !above(making.units, making.unit)[wide] {
        (
            format!("`{inner}` does not lie within `{outer}`"),
            "name two units of which one lies within the other".to_owned(),
        )
    } else if of(wide) == 0 || of(making.unit) == 0 {
        let empty = if of(wide) == 0 { outer } else { inner };
        (
            format!("no factor is set on `{empty}`"),
            "name only the unit on which the factors of the set are".to_owned(),
        )
    } else if let Some(key) = ["centre_points", "blocks", "confounded"]
        .into_iter()
        .find(|key| tree.given(key))
    {
        (
            format!("`{key}` does not go with a fraction over two units"),
            format!("take it out: every `{outer}` is a block already"),
        )
    } else if making.root.tree("order").is_some_and(|order| order.given("carry_over")) {
        (
            "carry-over cannot be balanced in a fraction over two units".to_owned(),
            "take `carry_over` out of [order], and clean or wash out between the runs".to_owned(),
        )
    } else {
        return Some(());
    };
    making.say(desk, "set_on", "P095", message, help);
    None
}

/// The places of the wider unit's factors in the words.
fn wide_mask(making: &Making<'_>, factors: &[Factor], wide: UnitId) -> u32 {
    let places = making.own.iter().enumerate();
    places
        .filter(|&(_, &f)| factors[f].set_on == wide)
        .fold(0, |mask, (place, _)| mask | 1 << place)
}

/// The first word that the units cannot carry.
fn wrong(words: &[Word], wide: u32) -> Option<Word> {
    span(words)
        .into_iter()
        .find(|word| (word.factors & !wide).count_ones() <= 1)
}

/// The fraction of 2^`base` runs with the fewest short words, its columns given to the factors so that the units can carry it.
pub(super) fn allowed(making: &Making<'_>, factors: &[Factor], wide: UnitId, base: usize) -> Option<Vec<Word>> {
    let k = making.own.len();
    let words = arrangement::search(k, base)?;
    let mask = wide_mask(making, factors, wide);
    let places = |is_wide: bool| (0..k).filter(move |place| (mask >> place & 1 == 1) == is_wide);
    subsets(k, mask.count_ones() as usize).take(TRIED).find_map(|columns| {
        let chosen = columns.iter().fold(0_u32, |chosen, column| chosen | 1 << column);
        if wrong(&words, chosen).is_some() {
            return None;
        }
        let (mut outer, mut inner) = (places(true), places(false));
        let place: Vec<usize> = (0..k)
            .filter_map(|column| {
                if chosen >> column & 1 == 1 {
                    outer.next()
                } else {
                    inner.next()
                }
            })
            .collect();
        let moved = words.iter().map(|word| Word {
            factors: (0..k)
                .filter(|column| word.factors >> column & 1 == 1)
                .fold(0, |moved, column| moved | 1 << place[column]),
            is_minus: word.is_minus,
        });
        Some(moved.collect())
    })
}

/// The same for a number of runs that the protocol asks for.
pub(super) fn search(
    desk: &mut Desk<'_>,
    making: &Making<'_>,
    factors: &[Factor],
    wide: UnitId,
    runs: usize,
) -> Option<Vec<Word>> {
    let found = allowed(making, factors, wide, runs.ilog2() as usize);
    if found.is_none() {
        let (outer, inner) = (&making.units[wide].name, &making.units[making.unit].name);
        let message = format!(
            "no fraction of {runs} runs was found in which the factors of `{outer}` make a full factorial and those of `{inner}` \
             change within each"
        );
        let more = if 2 * runs < 1 << making.own.len() {
            format!("{} runs", 2 * runs)
        } else {
            "a \"full factorial\"".to_owned()
        };
        let help = format!("take {more}, or give `generators` of your own");
        making.say(desk, "runs", "P095", message, help);
    }
    found
}

/// Says which factor the units cannot carry.
pub(super) fn check_words(
    desk: &mut Desk<'_>,
    making: &Making<'_>,
    factors: &[Factor],
    wide: UnitId,
    words: &[Word],
) -> Option<()> {
    let mask = wide_mask(making, factors, wide);
    let Some(word) = wrong(words, mask) else {
        return Some(());
    };
    let (outer, inner) = (&making.units[wide].name, &making.units[making.unit].name);
    let lone = word.factors & !mask;
    let message = if lone == 0 {
        format!("the fraction leaves out combinations of the factors that are set on `{outer}`")
    } else {
        let factor = &factors[making.own[lone.trailing_zeros() as usize]].name;
        format!("`{factor}` would stay the same within each `{outer}`, though it is set on `{inner}`")
    };
    let help = format!("give generators whose products hold two factors of `{inner}` or more each, or take more runs");
    making.say(desk, "generators", "P095", message, help);
    None
}

/// Parts the rows of a set over both units: what belongs to each combination of the wider unit's levels.
pub(super) fn part(making: &Making<'_>, factors: &[Factor], wide: UnitId, set: &mut TreatmentSet) {
    let is_wide = |place: &usize| factors[making.own[*place]].set_on == wide;
    let places = 0..making.own.len();
    let outer: Vec<usize> = places.clone().filter(is_wide).collect();
    let inner: Vec<usize> = places.filter(|place| !is_wide(place)).collect();
    let of = |row: &[usize], places: &[usize]| -> Vec<usize> { places.iter().map(|&place| row[place]).collect() };
    let mut own: Vec<Vec<usize>> = set.rows.iter().map(|row| of(row, &inner)).collect();
    own.sort_unstable();
    own.dedup();
    let groups = whole(&vec![2; outer.len()])
        .iter()
        .map(|combination| {
            let here = set.rows.iter().filter(|row| of(row, &outer) == *combination);
            let mut group: Vec<usize> = here
                .filter_map(|row| own.binary_search(&of(row, &inner)).ok())
                .collect();
            group.sort_unstable();
            group
        })
        .collect();
    set.rows = own;
    set.placement = Placement::Split { wide, groups };
}
