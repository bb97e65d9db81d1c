//! The skeleton table: what a design can and cannot tell, before any bench time is spent.
//!
//! In:  a checked protocol of a study that is still to be run.
//! Out: a `Skeleton`: strata with their degrees of freedom, the spread each effect is judged against, the
//!      work at the bench, and sentences on what cannot be told.

use serde::Serialize;

use super::aliases::{Aliasing, aliasing};
use super::draw::check;
use super::quality::{Quality, quality};
use super::structure::Structure;
use super::terms::{Part, Term, terms};
use crate::diagnostic::Diagnostics;
use crate::numeric::arrangement::{aliases, reduced, representative, span};
use crate::numeric::distribution::t_quantile_upper;
use crate::protocol::{Placement, Protocol};

/// What a design can and cannot tell.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Skeleton {
    /// Runs in all.
    pub runs: usize,
    /// Readings in all, over all responses.
    pub readings: usize,
    /// How often each unit is set up, in declared order.
    pub set_ups: Vec<SetUps>,
    /// Estimated time at the bench, in minutes, from the times the protocol gives; 0 if it gives none.
    pub bench_minutes: f64,
    /// One line a stratum.
    pub strata: Vec<SkeletonStratum>,
    /// One line a term of the model.
    pub effects: Vec<SkeletonEffect>,
    /// What a reader must know, in sentences.
    pub sentences: Vec<String>,
    /// What the set of treatments cannot tell apart.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aliasing: Option<Aliasing>,
    /// How much an optimal set or a list of one's own tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quality: Option<Quality>,
}

/// How often a unit is set up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SetUps {
    /// The unit.
    pub unit: String,
    /// How many different ones there are.
    pub count: usize,
    /// How often one is set up in the course of the study.
    pub set_ups: usize,
}

/// A stratum before data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SkeletonStratum {
    /// The unit, or units joined by ` × `.
    pub unit: String,
    /// Degrees of freedom in all.
    pub df: usize,
    /// Degrees of freedom left when its effects are taken out.
    pub residual_df: usize,
    /// Names of the effects judged against it.
    pub effects: Vec<String>,
}

/// An effect before data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SkeletonEffect {
    /// Its name.
    pub term: String,
    /// Degrees of freedom.
    pub df: usize,
    /// The unit whose spread it is judged against.
    pub judged_against: String,
    /// Degrees of freedom of that spread; 0 means that there is no error term.
    pub error_df: usize,
    /// True if the protocol names it as planned.
    pub planned: bool,
}

/// Works out the skeleton table.
///
/// # Errors
///
/// The same as `draw`: codes `D001` to `D003`.
pub fn skeleton(protocol: &Protocol) -> Result<Skeleton, Diagnostics> {
    check(protocol)?;
    let structure = Structure::of(protocol);
    let terms = terms(protocol);
    // An effect lies whole in the stratum of its units, or of the blocks with which it is confounded. Of incomplete blocks
    // the part within blocks is counted.
    let placed: Vec<(Term, usize)> = terms
        .into_iter()
        .filter_map(|term| {
            let units = units_of(protocol, &term);
            structure.stratum_of(&units).map(|stratum| (term, stratum))
        })
        .collect();
    let strata: Vec<SkeletonStratum> = (0..structure.strata.len())
        .map(|index| {
            let own: Vec<&Term> = placed
                .iter()
                .filter(|(_, s)| *s == index)
                .map(|(term, _)| term)
                .collect();
            let df = structure.strata[index].df;
            SkeletonStratum {
                unit: structure.name(index, protocol),
                df,
                residual_df: df.saturating_sub(own.iter().map(|term| term.df).sum()),
                effects: own.iter().map(|term| term.name.clone()).collect(),
            }
        })
        .collect();
    let is_drawn = |term: &Term| term.effect.iter().any(|&f| protocol.factors[f].random);
    let effects: Vec<SkeletonEffect> = placed
        .iter()
        .filter(|(term, _)| !is_drawn(term))
        .map(|(term, stratum)| {
            let mut judge = (strata[*stratum].residual_df, strata[*stratum].unit.clone());
            // What changes from one drawn level to the next is spread as well; the source with fewer degrees of freedom rules.
            for (joined, _) in placed
                .iter()
                .filter(|(joined, _)| changes_with_drawn(protocol, term, joined))
            {
                if joined.df < judge.0 {
                    judge = (joined.df, joined.name.clone());
                }
            }
            SkeletonEffect {
                term: term.name.clone(),
                df: term.df,
                judged_against: judge.1,
                error_df: judge.0,
                planned: protocol.analysis.planned.contains(&term.effect),
            }
        })
        .collect();
    let runs = structure.runs();
    let mut set_ups = Vec::new();
    let mut visits = 1_usize;
    for (unit, declared) in protocol.units.iter().enumerate() {
        visits = visits.saturating_mul(declared.count);
        set_ups.push(SetUps {
            unit: declared.name.clone(),
            count: structure
                .closure(&[unit])
                .iter()
                .map(|&u| structure.counts[u])
                .product(),
            set_ups: visits,
        });
    }
    let readings_a_run: usize = protocol.responses.iter().map(|response| response.readings).sum();
    let readings = runs * readings_a_run;
    let bench_minutes = set_ups
        .iter()
        .zip(&protocol.units)
        .map(|(set_up, unit)| set_up.set_ups as f64 * unit.set_up_minutes)
        .sum::<f64>()
        + runs as f64 * protocol.procedure.run_minutes
        + readings as f64 * protocol.procedure.reading_minutes;
    let sentences = sentences(protocol, &effects);
    Ok(Skeleton {
        runs,
        readings,
        set_ups,
        bench_minutes,
        strata,
        effects,
        sentences,
        aliasing: aliasing(protocol),
        quality: quality(protocol),
    })
}

/// Whether `joined` is the term of an effect together with random factors only.
fn changes_with_drawn(protocol: &Protocol, term: &Term, joined: &Term) -> bool {
    joined.part == Part::Whole
        && joined.effect.len() > term.effect.len()
        && term.effect.iter().all(|f| joined.effect.contains(f))
        && joined
            .effect
            .iter()
            .all(|f| term.effect.contains(f) || protocol.factors[*f].random)
}

/// The units on which an effect is set; for one confounded with blocks, the block in place of its own unit; for one of a split
/// fraction that says the same as an effect of the wider unit's factors, that unit.
#[must_use]
pub fn units_of(protocol: &Protocol, term: &Term) -> Vec<usize> {
    let mut units: Vec<usize> = term.effect.iter().map(|&f| protocol.factors[f].set_on).collect();
    if let Some(set) = &protocol.design.set
        && let Placement::Split { wide, .. } = set.placement
        && let Some(words) = &set.words
    {
        let mask_of = |keep: &dyn Fn(usize) -> bool| {
            let places = set.factors.iter().enumerate();
            places
                .filter(|&(_, &f)| keep(f))
                .fold(0_u32, |mask, (place, _)| mask | 1 << place)
        };
        let inner = mask_of(&|f| protocol.factors[f].set_on == set.unit);
        let own = mask_of(&|f| term.effect.contains(&f));
        let is_wide = own & inner != 0
            && aliases(own, &span(words))
                .iter()
                .any(|alias| alias.factors & inner == 0 && alias.factors != 0);
        if is_wide {
            let finer = units.iter_mut().filter(|unit| **unit == set.unit);
            finer.for_each(|unit| *unit = wide);
        }
    }
    if let Some(set) = &protocol.design.set
        && let Placement::Blocks { block, .. } = set.placement
        && !set.block_words.is_empty()
    {
        let factors = protocol.factors_on(set.unit);
        let mask = (0..factors.len())
            .filter(|&place| term.effect.contains(&factors[place]))
            .fold(0_u32, |mask, place| mask | 1 << place);
        let words = set.words.as_deref().unwrap_or_default();
        let fraction = reduced(words);
        let joint = reduced(&[words, &set.block_words[..]].concat());
        let is_spent =
            mask != 0 && representative(mask, &joint).factors == 0 && representative(mask, &fraction).factors != 0;
        if is_spent {
            units
                .iter_mut()
                .filter(|unit| **unit == set.unit)
                .for_each(|unit| *unit = block);
        }
    }
    units
}

/// What the table means for the person who is about to spend bench time.
fn sentences(protocol: &Protocol, effects: &[SkeletonEffect]) -> Vec<String> {
    let mut sentences = Vec::new();
    let tail = (1.0 - protocol.analysis.confidence) / 2.0;
    for effect in effects {
        let planned = if effect.planned { "planned" } else { "exploratory" };
        if effect.error_df == 0 {
            sentences.push(format!(
                "{} ({planned}) has no error term: nothing is left of the spread between one {} and the next to judge it by. \
                 No interval and no p-value can be given for it; set up more of `{}`, or leave interactions out of the model.",
                effect.term, effect.judged_against, effect.judged_against
            ));
        } else if effect.error_df < 5 && effect.planned {
            sentences.push(format!(
                "{} (planned) is judged against {} on {} degrees of freedom only: its interval will reach {:.1} standard errors \
                 to each side, where plenty of them would give {:.1}. More readings do not help; more of `{}` does.",
                effect.term,
                effect.judged_against,
                effect.error_df,
                t_quantile_upper(tail, effect.error_df as f64),
                t_quantile_upper(tail, f64::INFINITY),
                effect.judged_against
            ));
        }
    }
    for factor in protocol.factors.iter().filter(|factor| factor.random) {
        sentences.push(format!(
            "The {} levels of {} are drawn from a population: it is reported as a spread, and what changes with it from level to \
             level is judged against that change.",
            factor.levels.len(),
            factor.name
        ));
    }
    for response in protocol.responses.iter().filter(|response| response.readings > 1) {
        sentences.push(format!(
            "The {} readings of {} in a run make one result: they do not count as replicates.",
            response.readings, response.name
        ));
    }
    if protocol.analysis.planned.is_empty() && !protocol.factors.is_empty() {
        sentences.push("No effect is planned: everything this study finds will be exploratory.".to_owned());
    }
    sentences
}
