//! Effects without replicates: all of them beside each other, and which stand out.
//!
//! In:  protocol, frame, fit.
//! Out: an `UnreplicatedFinding` where no setting was run twice and the effects leave little or nothing to judge them by.
//!
//! Every degree of freedom of the runs is taken as an effect, higher interactions included, so that few active ones among
//! many give the rest away. Lenth's pseudo standard error judges them; critical values come from a simulation with a fixed
//! stream (`stats::unreplicated`).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::aliasing::{AliasFinding, effects_of, outer_term};
use super::fit::Fit;
use super::frame::Frame;
use crate::numeric::stream::Stream;
use crate::numeric::sum;
use crate::protocol::{Effect, Protocol};
use crate::stats::unreplicated::{Chance, Lenth, half_normal_score};

/// Effects judged against each other where nothing was repeated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UnreplicatedFinding {
    /// Every effect, as listed in the model, then higher interactions.
    pub effects: Vec<LoneEffect>,
    /// Lenth's pseudo standard error of an effect, in the unit of the response.
    pub pseudo_standard_error: f64,
    /// Degrees of freedom that go with it: a third of the number of effects.
    pub df: f64,
    /// Margin of one effect chosen beforehand, from Lenth's approximation by t.
    pub margin: f64,
    /// Margin over all effects together, from the same approximation.
    pub simultaneous_margin: f64,
    /// Size that one effect of pure chance stays below with the confidence of the protocol, simulated.
    pub simulated_margin: f64,
    /// Size that all effects of pure chance stay below, simulated.
    pub simulated_simultaneous_margin: f64,
    /// Number of simulated sets.
    pub draws: usize,
}

/// One effect among those without replicates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoneEffect {
    /// Name.
    pub term: String,
    /// True if the model holds it; false for a higher interaction that only fills up the runs.
    pub in_model: bool,
    /// True if the protocol names it as planned.
    pub planned: bool,
    /// Mean at the second level minus mean at the first one; of an interaction half the difference of such differences.
    pub effect: f64,
    /// Half-normal score of its size among all.
    pub score: f64,
    /// Where chance alone would put the size of this rank, with the confidence of the protocol.
    pub by_chance: (f64, f64),
    /// How it stands against chance.
    pub standing: Standing,
    /// Share of single effects of pure chance at least as large, simulated.
    pub p_alone: f64,
    /// Share of sets of pure chance with an effect at least as large, simulated.
    pub p_among_all: f64,
    /// What else stands in it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aliases: Vec<AliasFinding>,
}

/// How an effect stands against those of pure chance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Standing {
    /// Beyond what any of so many effects of pure chance would reach.
    #[serde(rename = "stands out")]
    StandsOut,
    /// Beyond what one effect chosen beforehand would reach by chance, but not what the largest of all would.
    #[serde(rename = "may stand out")]
    MayStandOut,
    /// Within what chance gives.
    #[serde(rename = "within chance")]
    WithinChance,
}

/// Most effects looked at.
const MOST_EFFECTS: usize = 255;
/// Most higher interactions tried while filling up the runs.
const MOST_TRIED: usize = 5000;
/// Sets simulated.
const DRAWS: usize = 10_000;
/// Most simulated effects; with many effects fewer sets do.
const MOST_DRAWN: usize = 300_000;

struct Effects {
    effects: Vec<LoneEffect>,
    /// Columns of length one, one an effect.
    columns: Vec<Vec<f64>>,
}

pub(super) fn unreplicated(protocol: &Protocol, frame: &Frame, fit: &Fit) -> Option<UnreplicatedFinding> {
    let balanced = fit.balanced()?;
    let n = frame.rows.len();
    let model_df: usize = fit.terms.iter().map(|term| term.df).sum();
    let left = balanced.strata.strata.last()?.residual_df;
    let repeated = {
        let mut settings: Vec<&Vec<usize>> = frame.rows.iter().map(|row| &row.levels).collect();
        settings.sort_unstable();
        settings.windows(2).any(|pair| pair[0] == pair[1])
    };
    let single = fit.terms.iter().all(|term| term.df == 1);
    if fit.partitions.len() > 1 || repeated || !single || left >= model_df || n > MOST_EFFECTS + 1 {
        return None;
    }
    let mut found = Effects {
        effects: Vec::new(),
        columns: Vec::new(),
    };
    let results = frame.results();
    for (index, term) in fit.terms.iter().enumerate() {
        let planned = protocol.analysis.planned.contains(&term.effect);
        let column = &fit.columns[index].columns[0];
        let aliases = fit.aliases[index].clone();
        if !found.add(protocol, &term.effect, &term.name, column, &results, aliases) {
            return None;
        }
        if let Some(last) = found.effects.last_mut() {
            last.in_model = true;
            last.planned = planned;
        }
    }
    fill_up(protocol, frame, fit, &results, &mut found);
    if found.effects.len() + 1 != n {
        return None;
    }
    judged(found.effects, fit.confidence)
}

impl Effects {
    /// Adds an effect whose column is orthogonal to all before; false, and nothing added, if it is not.
    fn add(
        &mut self,
        protocol: &Protocol,
        effect: &Effect,
        name: &str,
        column: &[f64],
        results: &[f64],
        aliases: Vec<AliasFinding>,
    ) -> bool {
        let (_, mut own) = sum::centred(column);
        let length = sum::dot(&own, &own).sqrt();
        if length <= 1e-9 * sum::dot(column, column).sqrt() {
            return false;
        }
        own.iter_mut().for_each(|v| *v /= length);
        if self.columns.iter().any(|other| sum::dot(other, &own).abs() > 1e-9) {
            return false;
        }
        // A category is coded with its last level at minus one; effects are told as last minus first.
        let flips = effect.iter().filter(|&&f| !protocol.factors[f].is_numeric()).count();
        let sign = if flips % 2 == 1 { -1.0 } else { 1.0 };
        let (_, y) = sum::centred(results);
        self.effects.push(LoneEffect {
            term: name.to_owned(),
            in_model: false,
            planned: false,
            effect: sign * 2.0 * sum::dot(&own, &y) / (results.len() as f64).sqrt(),
            score: 0.0,
            by_chance: (0.0, 0.0),
            standing: Standing::WithinChance,
            p_alone: 1.0,
            p_among_all: 1.0,
            aliases,
        });
        self.columns.push(own);
        true
    }
}

/// Adds higher interactions until every degree of freedom has its effect.
fn fill_up(protocol: &Protocol, frame: &Frame, fit: &Fit, results: &[f64], found: &mut Effects) {
    let wanted = frame.rows.len() - 1;
    for order in 2..=protocol.factors.len() {
        if found.effects.len() >= wanted {
            return;
        }
        let Some(effects) = effects_of(protocol, order, MOST_TRIED) else {
            return;
        };
        for effect in effects.into_iter().filter(|effect| !fit.holds(effect)) {
            if found.effects.len() >= wanted {
                return;
            }
            let Some(term) = outer_term(protocol, effect).filter(|term| term.df == 1) else {
                continue;
            };
            let column: Vec<f64> = frame
                .rows
                .iter()
                .filter_map(|row| term.columns_at(protocol, &row.levels).first().copied())
                .collect();
            found.add(protocol, &term.effect, &term.name, &column, results, Vec::new());
        }
    }
}

fn judged(mut effects: Vec<LoneEffect>, confidence: f64) -> Option<UnreplicatedFinding> {
    let sizes: Vec<f64> = effects.iter().map(|e| e.effect).collect();
    let lenth = Lenth::new(&sizes).filter(|lenth| lenth.pse > 0.0)?;
    let m = effects.len();
    let draws = DRAWS.min(MOST_DRAWN / m).max(2000);
    let stream = format!("wellrun unreplicated 1\n{m} effects\n");
    let chance = Chance::new(m, draws, &mut Stream::named(&stream))?;
    let simulated_margin = chance.margin(confidence) * lenth.pse;
    let simulated_simultaneous_margin = chance.simultaneous_margin(confidence) * lenth.pse;
    let mut order: Vec<usize> = (0..m).collect();
    order.sort_by(|&a, &b| sizes[a].abs().total_cmp(&sizes[b].abs()).then(b.cmp(&a)));
    for (place, &index) in order.iter().enumerate() {
        let effect = &mut effects[index];
        let size = effect.effect.abs();
        let (low, high) = chance.range(place + 1, confidence)?;
        effect.score = half_normal_score(place + 1, m);
        effect.by_chance = (low * lenth.pse, high * lenth.pse);
        effect.p_alone = chance.p_alone(size / lenth.pse);
        effect.p_among_all = chance.p_among_all(size / lenth.pse);
        effect.standing = if size > simulated_simultaneous_margin {
            Standing::StandsOut
        } else if size > simulated_margin {
            Standing::MayStandOut
        } else {
            Standing::WithinChance
        };
    }
    Some(UnreplicatedFinding {
        effects,
        pseudo_standard_error: lenth.pse,
        df: lenth.df,
        margin: lenth.margin(confidence),
        simultaneous_margin: lenth.simultaneous_margin(confidence),
        simulated_margin,
        simulated_simultaneous_margin,
        draws: chance.draws(),
    })
}
