//! What a set of treatments cannot tell apart: resolution, words, alias chains, what blocks take.
//!
//! In:  a checked protocol.
//! Out: an `Aliasing`; and for one effect the effects that its estimate holds as well, each with its coefficient.
//!
//! | name        | symbol | meaning                                                                     |
//! |-------------|--------|-----------------------------------------------------------------------------|
//! | coefficient | aᵢⱼ    | what effect j, left out of the model, adds to the estimate of effect i for each unit of its own |
//!
//! Levels count as −1 (the first) and +1 (the second). Regular sets have coefficients of ±1; the others have the matrix
//! A = (X₁'X₁)⁻¹X₁'X₂ of the terms in the model and those left out (Box and Wilson 1951, from memory). Where a factor has more
//! levels the size alone is given: the root of the share of the other effect that the estimate holds.

use serde::Serialize;

use super::terms::{Part, Term, terms};
use crate::numeric::arrangement::{
    Word, aliases, carry_over_counts, reduced, representative, resolution, span, subsets, word_lengths,
};
use crate::protocol::{Effect, FactorId, Placement, Protocol, TreatmentSet};
use crate::stats::alias::{Columns, Inside};

/// Most words of a defining relation that are listed.
const WORDS: usize = 255;
/// Most effects that are asked about in a set that is not regular.
const OTHERS: usize = 1_500;

/// What a set of treatments cannot tell apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Aliasing {
    /// The word of the set.
    pub treatments: String,
    /// The unit on which its factors are set.
    pub unit: String,
    /// Runs of one set, centre points included.
    pub runs: usize,
    /// Centre points among them.
    pub centre_points: usize,
    /// Length of the shortest word; `None` where nothing is aliased, or the set is not regular.
    pub resolution: Option<usize>,
    /// How the level of each generated factor follows, such as `dwell = speed × load`.
    pub generators: Vec<String>,
    /// Products that are constant over the runs, the shortest first; at most 255 of them.
    pub defining_relation: Vec<String>,
    /// The number of words of each length, from 1.
    pub word_lengths: Vec<usize>,
    /// Highest order of interaction in the chains.
    pub alias_order: usize,
    /// One a term of the model that holds more than itself.
    pub chains: Vec<AliasChain>,
    /// Effects confounded with blocks, with their aliases to the same order.
    pub confounded: Vec<String>,
    /// What else the set promises, in sentences.
    pub sentences: Vec<String>,
}

/// An effect and what its estimate holds as well.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AliasChain {
    /// The effect that stands in the model, as printed.
    pub effect: String,
    /// True if the protocol names it as planned.
    pub planned: bool,
    /// The others.
    pub aliases: Vec<Alias>,
}

/// An effect that another one's estimate holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alias {
    /// Its name, as printed.
    pub effect: String,
    /// Its factors.
    #[serde(skip)]
    pub factors: Effect,
    /// What it adds to the estimate for each unit of its own; a size without sign where a factor has more than two levels.
    pub coefficient: f64,
}

/// What the set of a protocol cannot tell apart; `None` for a plain full factorial.
#[must_use]
pub fn aliasing(protocol: &Protocol) -> Option<Aliasing> {
    let set = protocol.design.set.as_ref()?;
    let factors = &set.factors;
    let mut found = Aliasing {
        treatments: protocol.design.treatments.word().to_owned(),
        unit: match set.placement {
            Placement::Split { wide, .. } => {
                format!("{}` and `{}", protocol.units[wide].name, protocol.units[set.unit].name)
            }
            _ => protocol.units[set.unit].name.clone(),
        },
        runs: set.runs(),
        centre_points: set.centre_points,
        resolution: None,
        generators: Vec::new(),
        defining_relation: Vec::new(),
        word_lengths: Vec::new(),
        alias_order: set.alias_order,
        chains: chains(protocol, set),
        confounded: Vec::new(),
        sentences: sentences(protocol, set),
    };
    if let Some(words) = &set.words {
        let all = span(words);
        let pattern = word_lengths(&all, factors.len());
        found.resolution = resolution(&pattern);
        found.word_lengths = pattern.into_iter().skip(1).collect();
        let sign = |word: &Word| if word.is_minus { "−" } else { "" };
        found.defining_relation = all
            .iter()
            .take(WORDS)
            .map(|word| format!("{}{}", sign(word), named(protocol, factors, word.factors)))
            .collect();
        found.generators = reduced(words)
            .iter()
            .map(|(pivot, word)| {
                format!(
                    "{} = {}{}",
                    named(protocol, factors, *pivot),
                    sign(word),
                    named(protocol, factors, word.factors & !pivot)
                )
            })
            .collect();
        found.generators.sort();
        for word in span(&set.block_words) {
            let mut chain = vec![named(protocol, factors, word.factors)];
            chain.extend(
                aliases(word.factors, &all)
                    .iter()
                    .filter(|alias| alias.length() <= set.alias_order)
                    .map(|alias| named(protocol, factors, alias.factors)),
            );
            found.confounded.push(chain.join(" = "));
        }
    }
    Some(found)
}

/// The effects up to `order` whose size the estimate of `effect` holds as well, by order. Empty for an effect that stands
/// alone, and for a full factorial.
///
/// Factors outside the set go along: an alias holds the same ones.
#[must_use]
pub fn alias_chain(protocol: &Protocol, effect: &[FactorId], order: usize) -> Vec<Alias> {
    let Some(set) = &protocol.design.set else {
        return Vec::new();
    };
    let factors = &set.factors;
    let others: Vec<FactorId> = effect.iter().copied().filter(|f| !factors.contains(f)).collect();
    let places: Vec<usize> = (0..factors.len()).filter(|&p| effect.contains(&factors[p])).collect();
    let order = order.saturating_sub(others.len());
    let own: Vec<(Effect, f64)> = if let Some(words) = &set.words {
        let mask = places.iter().fold(0_u32, |mask, place| mask | 1 << place);
        aliases(mask, &span(words))
            .into_iter()
            .filter(|alias| alias.length() <= order)
            .map(|alias| {
                (
                    effect_of(factors, alias.factors),
                    if alias.is_minus { -1.0 } else { 1.0 },
                )
            })
            .collect()
    } else {
        let wanted: Effect = places.iter().map(|&p| factors[p]).collect();
        matrix(protocol, set, order, Some(&wanted))
            .into_iter()
            .find(|(kept, _)| *kept == wanted)
            .map_or_else(Vec::new, |(_, own)| own)
    };
    own.into_iter()
        .map(|(mut effect, coefficient)| {
            effect.extend(&others);
            effect.sort_unstable();
            Alias {
                effect: protocol.effect_name(&effect),
                factors: effect,
                coefficient,
            }
        })
        .collect()
}

fn effect_of(factors: &[FactorId], mask: u32) -> Effect {
    (0..factors.len().min(32))
        .filter(|place| mask >> place & 1 == 1)
        .map(|place| factors[place])
        .collect()
}

fn named(protocol: &Protocol, factors: &[FactorId], mask: u32) -> String {
    protocol.effect_name(&effect_of(factors, mask))
}

/// One chain for each effect of the set that holds another one up to the order asked for.
fn chains(protocol: &Protocol, set: &TreatmentSet) -> Vec<AliasChain> {
    let factors = &set.factors;
    let chain = |effect: &Effect, own: Vec<(Effect, f64)>| AliasChain {
        effect: protocol.effect_name(effect),
        planned: protocol.analysis.planned.contains(effect),
        aliases: own
            .into_iter()
            .map(|(factors, coefficient)| Alias {
                effect: protocol.effect_name(&factors),
                factors,
                coefficient,
            })
            .collect(),
    };
    let Some(words) = &set.words else {
        return matrix(protocol, set, set.alias_order, None)
            .into_iter()
            .filter(|(_, own)| !own.is_empty())
            .map(|(effect, own)| chain(&effect, own))
            .collect();
    };
    let (all, reduced) = (span(words), reduced(words));
    let mut seen = std::collections::BTreeSet::new();
    let mut effects = masks(factors.len(), set.alias_order);
    // The effect that stands for a chain in the model goes first: a planned one among those of the fewest factors.
    effects.sort_by_key(|&mask| {
        let is_planned = protocol.analysis.planned.contains(&effect_of(factors, mask));
        (mask.count_ones(), !is_planned)
    });
    let mut found: Vec<(u32, AliasChain)> = Vec::new();
    for mask in effects {
        let key = representative(mask, &reduced).factors;
        if key == 0 || !seen.insert(key) {
            continue;
        }
        let own: Vec<(Effect, f64)> = aliases(mask, &all)
            .into_iter()
            .filter(|alias| (1..=set.alias_order).contains(&alias.length()))
            .map(|alias| {
                (
                    effect_of(factors, alias.factors),
                    if alias.is_minus { -1.0 } else { 1.0 },
                )
            })
            .collect();
        if !own.is_empty() {
            found.push((mask, chain(&effect_of(factors, mask), own)));
        }
    }
    found.sort_by_key(|(mask, _)| (mask.count_ones(), mask.reverse_bits() ^ u32::MAX));
    found.into_iter().map(|(_, chain)| chain).collect()
}

/// Sets of 1 to `order` of `factors` factors, by size, then in declared order.
fn masks(factors: usize, order: usize) -> Vec<u32> {
    (1..=order.min(factors))
        .flat_map(|size| subsets(factors, size))
        .map(|places| places.iter().fold(0_u32, |mask, place| mask | 1 << place))
        .collect()
}

/// For each effect of the model within the set, the effects left out up to `order` that its estimate holds.
fn matrix(
    protocol: &Protocol,
    set: &TreatmentSet,
    order: usize,
    only: Option<&Effect>,
) -> Vec<(Effect, Vec<(Effect, f64)>)> {
    let factors = &set.factors;
    if set.rows.len() < 2 || factors.is_empty() {
        return Vec::new();
    }
    let kept: Vec<Term> = terms(protocol)
        .into_iter()
        .filter(|term| term.part != Part::Curvature && term.effect.iter().all(|f| factors.contains(f)))
        .collect();
    let is_two_level = factors.iter().all(|&f| protocol.factors[f].corner_levels() == 2);
    let columns = |term: &Term| -> Vec<Vec<f64>> {
        let mut levels = vec![0; protocol.factors.len()];
        let over: Vec<Vec<f64>> = set
            .rows
            .iter()
            .map(|row| {
                factors.iter().zip(row).for_each(|(&f, &level)| levels[f] = level);
                if is_two_level {
                    let signs = term.effect.iter().map(|&f| match levels[f] {
                        0 => -1.0,
                        1 => 1.0,
                        _ => 0.0,
                    });
                    vec![signs.product()]
                } else {
                    term.columns_at(protocol, &levels)
                }
            })
            .collect();
        let count = over.first().map_or(0, Vec::len);
        (0..count).map(|c| over.iter().map(|row| row[c]).collect()).collect()
    };
    // A constant, then the terms.
    let mut effects: Vec<Columns> = vec![vec![vec![1.0; set.rows.len()]]];
    effects.extend(kept.iter().map(columns));
    let inside = Inside::new(&effects);
    let mut found: Vec<(Effect, Vec<(Effect, f64)>)> =
        kept.iter().map(|term| (term.effect.clone(), Vec::new())).collect();
    for effect in left_out(factors, order, &kept) {
        let whole = columns(&Term {
            df: 0,
            name: String::new(),
            part: Part::Whole,
            effect: effect.clone(),
        });
        let length: f64 = whole.iter().flatten().map(|v| v * v).sum();
        let mut held = vec![0.0; kept.len()];
        for column in &whole {
            let entries = inside.held(column).coefficients;
            for (index, term) in kept.iter().enumerate() {
                if only.is_some_and(|only| term.effect != *only) {
                    continue;
                }
                let (own, over) = (&entries[index + 1], &effects[index + 1]);
                if is_two_level {
                    held[index] = own.first().copied().unwrap_or(0.0);
                    continue;
                }
                let part: f64 = (0..set.rows.len())
                    .map(|row| {
                        let value: f64 = own.iter().zip(over).map(|(entry, column)| entry * column[row]).sum();
                        value * value
                    })
                    .sum();
                held[index] += part / length.max(f64::MIN_POSITIVE);
            }
        }
        for (index, value) in held.into_iter().enumerate() {
            let coefficient = if is_two_level { value } else { value.sqrt() };
            if coefficient.abs() > 1e-9 {
                found[index].1.push((effect.clone(), coefficient));
            }
        }
    }
    // Departures have the effect of their slope; one entry is enough.
    found.dedup_by(|a, b| a.0 == b.0);
    found
}

/// The effects up to an order that no term of the model stands for.
fn left_out(factors: &[FactorId], order: usize, kept: &[Term]) -> Vec<Effect> {
    (1..=order.min(factors.len()))
        .flat_map(|size| subsets(factors.len(), size))
        .take(OTHERS)
        .map(|places| places.iter().map(|&p| factors[p]).collect::<Effect>())
        .filter(|effect| kept.iter().all(|term| term.effect != *effect))
        .collect()
}

fn times(count: usize) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        n => format!("{n} times"),
    }
}

/// What a placement promises.
fn sentences(protocol: &Protocol, set: &TreatmentSet) -> Vec<String> {
    let unit_name = |unit: usize| &protocol.units[unit].name;
    let mut sentences = Vec::new();
    match &set.placement {
        Placement::Whole => {}
        Placement::Split { wide, groups } => sentences.push(format!(
            "One fraction over the factors of both units: {} of its {} runs belong to what each {} gets, and effects that say the \
             same as an effect of its factors alone are judged against the spread between one {} and the next.",
            groups.first().map_or(0, Vec::len),
            set.runs(),
            unit_name(*wide),
            unit_name(*wide)
        )),
        Placement::Blocks {
            block,
            groups,
            exchanges: true,
        } => {
            let (v, k, b) = (set.rows.len(), groups.first().map_or(0, Vec::len), groups.len());
            let r = b * k / v;
            let lambda = r * (k - 1) / (v - 1);
            let efficiency = (lambda * v) as f64 / (r * k) as f64;
            sentences.push(format!(
                "{b} blocks of {k} out of {v} treatments: each treatment stands {}, each pair meets {} in a {}. \
                 Compared within blocks a difference is known {:.0} % as well as in whole blocks with the same spread.",
                times(r),
                times(lambda),
                unit_name(*block),
                100.0 * efficiency
            ));
        }
        Placement::Blocks { block, groups, .. } => sentences.push(format!(
            "One set is divided over {} of `{}`; what is confounded with them is judged against the spread between them.",
            groups.len(),
            unit_name(*block)
        )),
        Placement::Square { units, squares } => sentences.push(format!(
            "Each treatment stands once in every {} and every {} of a square of {}. This assumes that {}, {} and treatments \
             act one beside the other, without interactions.",
            unit_name(units[0]),
            unit_name(units[1]),
            squares.first().map_or(0, Vec::len),
            unit_name(units[0]),
            unit_name(units[1])
        )),
        Placement::Sequences { units, sequences } => {
            let counts = carry_over_counts(sequences, set.rows.len());
            let often = counts.first().and_then(|row| row.get(1)).copied().unwrap_or(0);
            sentences.push(format!(
                "{} sequences of {} treatments: over them each treatment follows each other one {}, and stands equally often in \
                 every {}. What a treatment leaves for itself is not covered.",
                sequences.len(),
                set.rows.len(),
                times(often),
                unit_name(units[1])
            ));
        }
    }
    if set.centre_points > 0 {
        sentences.push(format!(
            "{} centre points show whether the response bends between the levels, not for which factor; they give an error \
             term of their own.",
            set.centre_points
        ));
    }
    sentences
}
