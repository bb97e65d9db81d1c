//! How a set of treatments comes to the units: blocks, squares, sequences.
//!
//! In:  a set whose combinations are made, and the units with their counts.
//! Out: `TreatmentSet::placement`; what does not fit goes to the `Desk`.
//! Never here: random numbers.

use super::check_treatments::{Making, whole};
use super::keys::join;
use super::model::{Factor, FactorId, UnitId};
use super::treatment_set::{Placement, TreatmentSet, Treatments};
use super::walk::{Desk, shown};
use crate::numeric::arrangement::{
    BlocksRefusal, Word, aliases, blocks, cyclic_square, incomplete_blocks, orthogonal_pair, reduced, span, williams,
};

/// Largest order of a square.
const ORDER: usize = 40;

/// Places a set on the units. `None` if it cannot be.
pub(super) fn place(
    desk: &mut Desk<'_>,
    making: &Making<'_>,
    factors: &[Factor],
    set: &mut TreatmentSet,
) -> Option<()> {
    let tree = making.tree;
    match making.treatments {
        Treatments::FullFactorial | Treatments::Fraction if tree.given("blocks") || tree.given("confounded") => {
            confounded(desk, making, factors, set)
        }
        Treatments::LatinSquare | Treatments::GraecoLatinSquare => square(desk, making, factors, set),
        Treatments::WilliamsSquare => sequences(desk, making, set),
        Treatments::IncompleteBlocks => incomplete(desk, making, set),
        _ => Some(()),
    }
}

/// How many of a unit there are, as written; `None` if that follows from elsewhere.
fn count(making: &Making<'_>, unit: UnitId) -> Option<usize> {
    making
        .root
        .trees("unit")
        .get(unit)?
        .whole("count")
        .map(|count| count as usize)
}

/// The unit that a set is divided over, which must be the only one directly above.
fn block(desk: &mut Desk<'_>, making: &Making<'_>) -> Option<UnitId> {
    if let [block] = making.units[making.unit].within[..] {
        return Some(block);
    }
    let name = &making.units[making.unit].name;
    let message = format!("`{name}` must lie within one unit, the block");
    let help = format!("declare a unit such as `block` before it and write `within = \"block\"` for `{name}`");
    making.say(desk, "treatments", "P086", message, help);
    None
}

fn confounded(desk: &mut Desk<'_>, making: &Making<'_>, factors: &[Factor], set: &mut TreatmentSet) -> Option<()> {
    let Some(words) = set.words.clone() else {
        let message = "only two-level factors can be confounded with blocks here".to_owned();
        let help = "give every factor of the set two levels, or take \"incomplete blocks\"";
        making.say(desk, "blocks", "P089", message, help.to_owned());
        return None;
    };
    let block = block(desk, making)?;
    let k = making.own.len();
    let given = making.tree.whole("blocks").map(|blocks| blocks as usize);
    let own = own_words(desk, making, factors)?;
    let chosen = if own.is_empty() {
        let wanted = given.unwrap_or(2);
        let corners = set.rows.len() - set.centre_points;
        if !wanted.is_power_of_two() || 2 * wanted > corners {
            let message = format!("{corners} runs cannot be divided into {wanted} blocks");
            let help = format!("the number of blocks is a power of two, {} at most", corners / 2);
            making.say(desk, "blocks", "P089", message, help);
            return None;
        }
        let is_kept = |effect: u32| {
            making.planned.iter().any(|planned| {
                let (mask, others) = making.parts(planned);
                others.is_empty() && mask == effect
            })
        };
        let found = blocks(&words, k, wanted.ilog2() as usize, &is_kept);
        if found.is_none() {
            let message = format!("no {wanted} blocks were found that spare main effects and planned effects");
            let help = "take fewer blocks, plan fewer interactions, or say in `confounded` what may be spent";
            making.say(desk, "blocks", "P089", message, help.to_owned());
        }
        found?
    } else {
        own
    };
    let groups = 1_usize << chosen.len();
    if let Some(given) = given.filter(|&given| given != groups) {
        let message = format!("{} confounded effects make {groups} blocks, not {given}", chosen.len());
        making.say(
            desk,
            "blocks",
            "P089",
            message,
            "mend or take out one of the two".to_owned(),
        );
        return None;
    }
    // Each of them, with its products and aliases, must be an interaction of its own.
    let all = span(&words);
    let joint: Vec<Word> = words.iter().chain(&chosen).copied().collect();
    let spent = span(&chosen);
    let is_main = |word: &Word| word.length() == 1 || aliases(word.factors, &all).iter().any(|a| a.length() == 1);
    let is_dependent = reduced(&joint).len() != joint.len() || reduced(&joint).iter().any(|(_, w)| w.factors == 0);
    if is_dependent || spent.iter().any(is_main) {
        let message = if is_dependent {
            "the confounded effects follow from one another, or are constant over the runs"
        } else {
            "a main effect would be confounded with blocks"
        };
        let help = "with two effects their product is confounded too, and with each all its aliases; choose others, or give \
                    only `blocks` and have them chosen";
        making.say(desk, "confounded", "P089", message.to_owned(), help.to_owned());
        return None;
    }
    let corners = set.rows.len() - set.centre_points;
    if !set.centre_points.is_multiple_of(groups) {
        let message = format!(
            "{} centre points do not go evenly into {groups} blocks",
            set.centre_points
        );
        let help = format!("give a multiple of {groups}");
        making.say(desk, "centre_points", "P090", message, help);
        return None;
    }
    let mut members = vec![Vec::new(); groups];
    for (index, row) in set.rows.iter().enumerate() {
        let group = if index < corners {
            chosen.iter().enumerate().fold(0, |group, (place, word)| {
                let minuses = (0..k).filter(|&f| word.factors >> f & 1 == 1 && row[f] == 0).count();
                group | (minuses % 2) << place
            })
        } else {
            (index - corners) % groups
        };
        members[group].push(index);
    }
    let effects = span(&chosen).iter().map(|word| effect(making, word.factors)).collect();
    fits_blocks(desk, making, block, groups, "blocks")?;
    set.block_words = chosen;
    set.confounded = effects;
    set.placement = Placement::Blocks {
        block,
        groups: members,
        exchanges: false,
    };
    Some(())
}

fn effect(making: &Making<'_>, mask: u32) -> Vec<FactorId> {
    (0..making.own.len())
        .filter(|place| mask >> place & 1 == 1)
        .map(|place| making.own[place])
        .collect()
}

/// The effects that the protocol gives to the blocks.
fn own_words(desk: &mut Desk<'_>, making: &Making<'_>, factors: &[Factor]) -> Option<Vec<Word>> {
    let mut words = Vec::new();
    for item in making.tree.list("confounded") {
        let mut mask = 0_u32;
        for name in item.list() {
            let text = name.text().unwrap_or_default();
            let Some(place) = making.own.iter().position(|&f| factors[f].name == text) else {
                let message = format!("`{}` is no factor of the set", shown(text));
                let names: Vec<String> = making.own.iter().map(|&f| format!("`{}`", factors[f].name)).collect();
                let help = format!("its factors are {}", join(&names, "and"));
                desk.say(
                    crate::diagnostic::Diagnostic::error("P089", message).help(help),
                    name.span.clone(),
                    "",
                );
                return None;
            };
            mask ^= 1 << place;
        }
        words.push(Word {
            factors: mask,
            is_minus: false,
        });
    }
    if words.len() > 12 {
        let message = format!("{} effects are too many to confound; 12 are allowed", words.len());
        making.say(
            desk,
            "confounded",
            "P089",
            message,
            "name independent ones only".to_owned(),
        );
        return None;
    }
    Some(words)
}

/// The count of the block unit holds whole sets.
fn fits_blocks(desk: &mut Desk<'_>, making: &Making<'_>, block: UnitId, groups: usize, key: &str) -> Option<()> {
    let there = count(making, block);
    if there.is_some_and(|there| there > 0 && there.is_multiple_of(groups)) {
        return Some(());
    }
    let name = &making.units[block].name;
    let message = match there {
        Some(there) => format!("{there} of `{name}` cannot hold a set of {groups} blocks evenly"),
        None => format!("nothing says how many of `{name}` there are"),
    };
    let help = format!("give `{name}` a `count` that is a multiple of {groups}");
    making.say(desk, key, "P086", message, help);
    None
}

/// The two units that cross, directly above the unit of the set; their counts are multiples of `order`.
fn crossing(desk: &mut Desk<'_>, making: &Making<'_>, orders: [usize; 2]) -> Option<[UnitId; 2]> {
    let name = &making.units[making.unit].name;
    let [first, second] = making.units[making.unit].within[..] else {
        let message = format!("`{name}` must lie within two units that cross, as rows and columns");
        let help = format!(
            "declare two units before it, with {} and {} of each, and write `within = [\"...\", \"...\"]` for `{name}`",
            orders[0], orders[1]
        );
        making.say(desk, "treatments", "P086", message, help);
        return None;
    };
    let [first, second] = if making.tree.text("periods") == Some(making.units[first].name.as_str()) {
        [second, first]
    } else {
        [first, second]
    };
    for (unit, order) in [first, second].into_iter().zip(orders) {
        let there = count(making, unit);
        if !there.is_some_and(|there| there > 0 && there.is_multiple_of(order)) {
            let unit = &making.units[unit].name;
            let message = match there {
                Some(there) => format!("{there} of `{unit}` do not hold whole squares"),
                None => format!("nothing says how many of `{unit}` there are"),
            };
            let help = format!("give `{unit}` a `count` that is a multiple of {order}");
            making.say(desk, "treatments", "P086", message, help);
            return None;
        }
    }
    if making.units[first].within != making.units[second].within {
        let message = format!(
            "`{}` and `{}` must lie within the same units",
            making.units[first].name, making.units[second].name
        );
        making.say(
            desk,
            "treatments",
            "P086",
            message,
            "a square lies within one of the wider units".to_owned(),
        );
        return None;
    }
    if count(making, making.unit).is_some_and(|there| there != 1) {
        let message = format!("each row and column of a square holds one `{name}`");
        let help = format!("take `count` out of `{name}`, or write 1");
        making.say(desk, "treatments", "P086", message, help);
        return None;
    }
    Some([first, second])
}

fn square(desk: &mut Desk<'_>, making: &Making<'_>, factors: &[Factor], set: &mut TreatmentSet) -> Option<()> {
    let is_double = making.treatments == Treatments::GraecoLatinSquare;
    let levels: Vec<usize> = making.own.iter().map(|&f| factors[f].levels.len()).collect();
    let order = if is_double { levels[0] } else { set.rows.len() };
    if is_double && (levels.len() != 2 || levels[0] != levels[1]) {
        let message = "a graeco-latin square has two factors with equally many levels on one unit".to_owned();
        let help = "give two such factors, or take a \"latin square\" for one";
        making.say(desk, "treatments", "P081", message, help.to_owned());
        return None;
    }
    if order > ORDER {
        let message = format!("a square of {order} treatments is too large; {ORDER} are allowed");
        making.say(
            desk,
            "treatments",
            "P085",
            message,
            "take \"incomplete blocks\"".to_owned(),
        );
        return None;
    }
    let squares = if is_double {
        let Some(pair) = orthogonal_pair(order) else {
            let message = match order {
                2 | 6 => format!(
                    "there is no graeco-latin square of order {order}: no two latin squares of that order pair all letters once"
                ),
                _ => format!("no graeco-latin square of order {order} is built here, though some exist"),
            };
            let help = "take 3, 4, 5, 7, 8 or 9 levels, or two latin squares one after the other";
            making.say(desk, "treatments", "P085", message, help.to_owned());
            return None;
        };
        pair.to_vec()
    } else {
        vec![cyclic_square(order)]
    };
    let units = crossing(desk, making, [order, order])?;
    if is_double {
        set.rows = whole(&[order, order]);
    }
    set.placement = Placement::Square { units, squares };
    Some(())
}

fn sequences(desk: &mut Desk<'_>, making: &Making<'_>, set: &mut TreatmentSet) -> Option<()> {
    let treatments = set.rows.len();
    if !(2..=ORDER).contains(&treatments) {
        let message = format!("a williams square has 2 to {ORDER} treatments, not {treatments}");
        making.say(desk, "treatments", "P085", message, "take fewer levels".to_owned());
        return None;
    }
    if let Some(name) = making.tree.text("periods")
        && !making.units[making.unit]
            .within
            .iter()
            .any(|&u| making.units[u].name == name)
    {
        let message = format!(
            "`{}` is no unit directly above `{}`",
            shown(name),
            making.units[making.unit].name
        );
        let names: Vec<String> = making.units[making.unit]
            .within
            .iter()
            .map(|&u| format!("`{}`", making.units[u].name))
            .collect();
        let help = format!("the units directly above are {}", join(&names, "and"));
        making.say(desk, "periods", "P086", message, help);
        return None;
    }
    let sequences = williams(treatments);
    let units = crossing(desk, making, [sequences.len(), treatments])?;
    if count(making, units[1]) != Some(treatments) {
        let periods = &making.units[units[1]].name;
        let message = format!("a sequence of {treatments} treatments has {treatments} of `{periods}`");
        let help = format!("give `{periods}` the `count` {treatments}");
        making.say(desk, "treatments", "P086", message, help);
        return None;
    }
    set.placement = Placement::Sequences { units, sequences };
    Some(())
}

fn incomplete(desk: &mut Desk<'_>, making: &Making<'_>, set: &mut TreatmentSet) -> Option<()> {
    let block = block(desk, making)?;
    let treatments = set.rows.len();
    let (name, unit) = (&making.units[block].name, &making.units[making.unit].name);
    let (Some(there), Some(size)) = (count(making, block), count(making, making.unit)) else {
        let message = format!("incomplete blocks need a `count` of `{name}` and of `{unit}`");
        let help = format!("`{unit}` counts the runs of a block, fewer than the {treatments} treatments");
        making.say(desk, "treatments", "P087", message, help);
        return None;
    };
    let found = incomplete_blocks(treatments, size, there);
    match found {
        Ok(groups) => {
            set.placement = Placement::Blocks {
                block,
                groups,
                exchanges: true,
            };
            Some(())
        }
        Err(why) => {
            let what = format!("{there} blocks of {size} out of {treatments} treatments");
            let (message, help) = match why {
                BlocksRefusal::Size => (
                    format!("{what} are no incomplete blocks"),
                    format!(
                        "a block holds 2 to {} of at most 64 treatments",
                        treatments.saturating_sub(1)
                    ),
                ),
                BlocksRefusal::Uneven(least) => (
                    format!("{what} cannot be balanced: treatments, or pairs of them, would not stand equally often"),
                    format!(
                        "the number of blocks must be a multiple of {}; try {least}",
                        step(treatments, size)
                    ),
                ),
                BlocksRefusal::Fisher => (
                    format!("{what} cannot be balanced: that takes as many blocks as treatments at least (Fisher)"),
                    format!("give `{name}` a `count` of {treatments} or more"),
                ),
                BlocksRefusal::Unknown => (
                    format!("no balanced {what} are known here"),
                    "change the number of blocks or their size, or leave a treatment out".to_owned(),
                ),
            };
            making.say(desk, "treatments", "P087", message, help);
            None
        }
    }
}

/// The step in which numbers of blocks could be balanced.
fn step(treatments: usize, size: usize) -> usize {
    (1..=treatments * treatments)
        .find(|b| {
            (b * size).is_multiple_of(treatments)
                && (b * size * (size - 1)).is_multiple_of(treatments * (treatments - 1))
        })
        .unwrap_or(treatments)
}
