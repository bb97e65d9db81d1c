//! The terms that the runs at hand can tell apart, and what else stands in the estimate of each.
//!
//! In:  protocol and frame.
//! Out: `Chosen`: terms with their columns, effects left out, and aliases; or the sentence that says why there are none.
//!
//! Effects of fewer factors come first, planned ones before others of as many factors. An effect of several factors that
//! says the same as effects before it is left out of the model and named in their aliases; so is an exploratory one that the
//! runs only tell apart in part. Nothing planned is dropped in part: then there is no model.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::frame::Frame;
use crate::numeric::arrangement::subsets;
use crate::plan::{Part, Term, every_term};
use crate::protocol::{Effect, Protocol};
use crate::stats::alias::{Columns, Place, aliases, choose};
use crate::stats::strata::TermColumns;

/// Another effect that stands in an estimate, and by how much.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AliasFinding {
    /// The other effect.
    pub effect: String,
    /// What it adds to the estimate, per unit of itself, both over columns of one length; for effects of several degrees of
    /// freedom the largest entry.
    pub coefficient: f64,
    /// True if the two cannot be told apart at all over these runs.
    pub whole: bool,
}

/// An effect that the model leaves out because these runs cannot tell it from others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeftOutFinding {
    /// The effect.
    pub term: String,
    /// True if the protocol names it as planned.
    pub planned: bool,
    /// True if it is mixed with the effects of the model as a whole; false if in part.
    pub whole: bool,
    /// The effects of the model in whose estimates it stands.
    pub stands_in: Vec<String>,
}

/// Entries of aliases smaller than this are not listed.
const LEAST: f64 = 0.1;

/// Most products (rows × columns × effects) spent on effects outside the model.
const MOST_PRODUCTS: usize = 5_000_000;

/// The terms that can be judged.
pub(super) struct Chosen {
    pub terms: Vec<Term>,
    /// Columns of each term over the rows.
    pub columns: Vec<TermColumns>,
    /// What else stands in the estimate of each term.
    pub aliases: Vec<Vec<AliasFinding>>,
    pub left_out: Vec<LeftOutFinding>,
}

/// Columns of a term over the rows, as many as it has degrees of freedom.
fn columns(protocol: &Protocol, frame: &Frame, term: &Term) -> Columns {
    let rows: Vec<Vec<f64>> = frame
        .rows
        .iter()
        .map(|row| term.columns_at(protocol, &row.levels))
        .collect();
    (0..term.df)
        .map(|column| rows.iter().map(|row| row[column]).collect())
        .collect()
}

/// Chooses the terms of the model.
pub(super) fn chosen(protocol: &Protocol, frame: &Frame) -> Result<Chosen, String> {
    let n = frame.rows.len();
    let is_drawn = |effect: &Effect| effect.iter().any(|&f| protocol.factors[f].random);
    let mut all: Vec<Term> = every_term(protocol)
        .into_iter()
        .filter(|term| !is_drawn(&term.effect))
        .collect();
    let planned = |term: &Term| protocol.analysis.planned.contains(&term.effect);
    let mut every: Vec<Columns> = all.iter().map(|term| columns(protocol, frame, term)).collect();
    let mut groups = groups(&all, &planned);
    let mut places = choose(n, &every, &groups);
    // Levels at which curves of higher order cannot be had still show whether there is a curve.
    let bent = |term: &Term| term.part == Part::Departure && term.effect.len() == 1 && term.df > 1;
    if all
        .iter()
        .zip(&places)
        .any(|(term, &place)| bent(term) && place != Place::Kept)
    {
        for (term, own) in all.iter_mut().zip(&mut every).filter(|(term, _)| bent(term)) {
            term.df = 1;
            own.truncate(1);
        }
        groups.sort_by_key(|group| group.first().map_or(0, |&t| all[t].effect.len()));
        places = choose(n, &every, &groups);
    }
    for (term, &place) in all.iter().zip(&places) {
        let main = term.effect.len() == 1 && term.part == Part::Whole;
        if place != Place::Kept && (main || place == Place::Tangled && planned(term) && term.part == Part::Whole) {
            return Err(format!(
                "{} cannot be told apart from other effects with the runs that were made: some combinations of levels never occur.",
                term.name
            ));
        }
    }
    let kept: Vec<usize> = (0..all.len()).filter(|&t| places[t] == Place::Kept).collect();
    let out: Vec<usize> = (0..all.len()).filter(|&t| places[t] != Place::Kept).collect();
    let own: Vec<Columns> = kept.iter().map(|&t| every[t].clone()).collect();
    let mut others: Vec<(Term, Columns)> = out.iter().map(|&t| (all[t].clone(), every[t].clone())).collect();
    let width: usize = own.iter().map(Vec::len).sum();
    others.extend(outside(protocol, frame, &all, n * width.max(1)));
    let other_columns: Vec<Columns> = others.iter().map(|(_, columns)| columns.clone()).collect();
    let found = aliases(n, &own, &other_columns, LEAST);
    let mut listed = vec![Vec::new(); kept.len()];
    let mut left_out: Vec<LeftOutFinding> = out
        .iter()
        .map(|&t| LeftOutFinding {
            term: all[t].name.clone(),
            planned: planned(&all[t]),
            whole: places[t] == Place::Same,
            stands_in: Vec::new(),
        })
        .collect();
    for mixed in found {
        let term = &others[mixed.other].0;
        if let Some(entry) = left_out.get_mut(mixed.other) {
            entry.stands_in.push(all[kept[mixed.kept]].name.clone());
        } else if term.effect.len() > 2 && !mixed.same {
            continue;
        }
        // Curves of higher order beside an interaction are named as left out, not with every effect.
        if term.effect.len() > 1 && term.part == Part::Departure && !mixed.same {
            continue;
        }
        listed[mixed.kept].push(AliasFinding {
            effect: term.name.clone(),
            coefficient: mixed.coefficient,
            whole: mixed.same,
        });
    }
    Ok(Chosen {
        terms: kept.iter().map(|&t| all[t].clone()).collect(),
        columns: own.into_iter().map(|columns| TermColumns { columns }).collect(),
        aliases: listed,
        left_out,
    })
}

/// Terms by precedence: fewer factors first, slopes before what they leave over, planned before exploratory.
fn groups(all: &[Term], planned: &dyn Fn(&Term) -> bool) -> Vec<Vec<usize>> {
    let rank = |term: &Term| (term.effect.len(), term.part == Part::Departure);
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by_key(|&t| (rank(&all[t]), !planned(&all[t])));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for term in order {
        match groups.last_mut() {
            Some(group) if rank(&all[group[0]]) == rank(&all[term]) => group.push(term),
            _ => groups.push(vec![term]),
        }
    }
    groups
}

/// Interactions of two and three factors that the model does not hold, as far as there is room to look at them.
fn outside(protocol: &Protocol, frame: &Frame, all: &[Term], products: usize) -> Vec<(Term, Columns)> {
    let mut found = Vec::new();
    for order in [2, 3] {
        let effects = effects_of(protocol, order, MOST_PRODUCTS / products.max(1));
        for effect in effects.into_iter().flatten() {
            let drawn = effect.iter().any(|&f| protocol.factors[f].random);
            if !drawn
                && !all.iter().any(|term| term.effect == effect)
                && let Some(term) = outer_term(protocol, effect)
            {
                let own = columns(protocol, frame, &term);
                found.push((term, own));
            }
        }
    }
    found
}

/// All effects of so many factors; `None` if there are more than `most`.
pub(super) fn effects_of(protocol: &Protocol, order: usize, most: usize) -> Option<Vec<Effect>> {
    let all: Vec<Effect> = subsets(protocol.factors.len(), order)
        .take(most.saturating_add(1))
        .collect();
    (all.len() <= most).then_some(all)
}

/// A term for an effect outside the model; `None` if it has very many degrees of freedom.
pub(super) fn outer_term(protocol: &Protocol, effect: Effect) -> Option<Term> {
    let df: usize = effect
        .iter()
        .map(|&f| {
            let factor = &protocol.factors[f];
            if factor.is_numeric() {
                1
            } else {
                factor.corner_levels() - 1
            }
        })
        .product();
    (df <= 16).then(|| Term {
        name: protocol.effect_name(&effect),
        part: Part::Whole,
        df,
        effect,
    })
}
