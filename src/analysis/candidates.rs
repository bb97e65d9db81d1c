//! Which designs fit into a budget of runs, and what each of them can tell.
//!
//! In:  the source of a protocol that states a budget, and the protocol.
//! Out: a list of `Candidate`s, the most runs first; the lead picks one.
//!
//! The set of one unit is exchanged, the finest with factors or that of the declared set; all else stays as declared.
//! Each candidate is repeated in whole sets as often as the budget has room for. Sets that cannot be made for these
//! factors, or that hold levels which an optimal set was told to keep apart, are left out.
//! Never here: a choice.

use std::sync::Arc;

use serde::Serialize;

use super::power::{ENOUGH, PowerOptions, power};
use crate::design::treatments;
use crate::diagnostic::Source;
use crate::numeric::arrangement::orthogonal_array_runs;
use crate::plan::{Skeleton, Structure, skeleton};
use crate::protocol::{Choice, Protocol, Treatments, UnitId, read_as};

/// Most orthogonal arrays that are offered.
const ARRAYS: usize = 2;
/// Runs beyond the number of coefficients in a small optimal set; common practice is three to five.
const BEYOND: usize = 4;

/// Share of another effect from which on an estimate holds it as a whole.
const WHOLE: f64 = 0.999;

/// A design that fits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Candidate {
    /// What it is, in words.
    pub name: String,
    /// Runs in all.
    pub runs: usize,
    /// How often its set comes back within the units above.
    pub sets: usize,
    /// Bench time in minutes; 0 if the protocol gives none.
    pub bench_minutes: f64,
    /// Terms of the model that it estimates.
    pub terms: usize,
    /// Resolution, for a regular fraction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resolution: Option<usize>,
    /// Planned effects that it cannot tell at all.
    pub lost: Vec<String>,
    /// Planned effects whose estimates hold others as well.
    pub mixed: Vec<Mixed>,
    /// Smallest degrees of freedom that a planned effect is judged on; `None` if one has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error_df: Option<usize>,
    /// For each response with stated spreads the largest of the sizes that planned effects are found at with 80 % power.
    pub detectable: Vec<Detectable>,
    /// What to write into the protocol.
    pub write: Vec<String>,
}

/// A planned effect and what its estimate holds as well.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mixed {
    /// The planned effect.
    pub effect: String,
    /// The others.
    pub with: Vec<String>,
    /// True if no share of any of them is as large as the effect itself: they are mixed in part only.
    pub in_part: bool,
}

/// The size that a design finds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Detectable {
    /// The response.
    pub response: String,
    /// Its unit of measure.
    pub unit: String,
    /// The size; `None` if a planned effect is found at no size.
    pub size: Option<f64>,
    /// The planned effect that needs it.
    pub effect: String,
}

/// The designs that fit into the budget of a protocol; empty without a budget or without factors.
#[must_use]
pub fn candidates(source: &Arc<Source>, protocol: &Protocol) -> Vec<Candidate> {
    let (Some(budget), false) = (protocol.design.budget, protocol.is_as_run()) else {
        return Vec::new();
    };
    let declared = protocol.design.set.as_ref().map(|set| set.unit);
    let Some(unit) = declared.or_else(|| protocol.factors.iter().map(|factor| factor.set_on).max()) else {
        return Vec::new();
    };
    let others = Structure::of(protocol).runs() / protocol.units[unit].count.max(1);
    let room = budget / others.max(1);
    // What an optimal set was told to avoid, no other set may hold.
    let constraints = protocol.design.set.as_ref().map_or(&[][..], |set| &set.forbidden);
    let candidate = |choice: &Choice, sets: usize, size: usize| candidate(source, choice, constraints, sets, size);
    let mut found: Vec<Candidate> = Vec::new();
    for (treatments, runs, is_folded, size) in sorts(protocol, unit, room) {
        let sets = room / size.max(1);
        if sets == 0 || size == 0 {
            continue;
        }
        let choice = Choice {
            treatments,
            unit,
            runs,
            is_folded,
            count: size * sets,
        };
        found.extend(candidate(&choice, sets, size));
    }
    // An optimal set that fills the budget, and one that has just enough runs to be judged.
    let optimal = |runs: usize| {
        let choice = Choice {
            treatments: Treatments::Optimal,
            unit,
            runs: Some(runs),
            is_folded: false,
            count: runs,
        };
        let (changed, _) = read_as(source, &choice).ok()?;
        let coefficients = skeleton(&changed).ok()?.quality?.coefficients;
        Some((candidate(&choice, 1, runs)?, coefficients))
    };
    if let Some((largest, coefficients)) = optimal(room) {
        found.push(largest);
        let small = coefficients + BEYOND;
        if small < room {
            found.extend(optimal(small).map(|(smallest, _)| smallest));
        }
    }
    found.sort_by_key(|candidate| std::cmp::Reverse(candidate.runs));
    found
}

/// The sorts of sets that these factors may have: sort, size asked for, fold-over, runs of one set.
fn sorts(protocol: &Protocol, unit: UnitId, room: usize) -> Vec<(Treatments, Option<usize>, bool, usize)> {
    let levels: Vec<usize> = protocol
        .factors_on(unit)
        .iter()
        .map(|&f| protocol.factors[f].corner_levels())
        .collect();
    let count = levels.len();
    let total = levels.iter().fold(1_usize, |product, &n| product.saturating_mul(n));
    let mut sorts = vec![(Treatments::FullFactorial, None, false, total)];
    if levels.iter().all(|&n| n == 2) {
        let mut runs = (count + 1).next_power_of_two();
        while runs < total && runs <= room {
            sorts.push((Treatments::Fraction, Some(runs), false, runs));
            runs *= 2;
        }
        // A power of two would be a fraction again.
        let runs = (count + 1).next_multiple_of(4).max(8);
        let runs = if runs.is_power_of_two() { runs + 4 } else { runs };
        if count >= 4 && runs < total {
            sorts.push((Treatments::Screening, Some(runs), false, runs));
            sorts.push((Treatments::Screening, Some(runs), true, 2 * runs));
        }
    } else if count >= 2 {
        let arrays = orthogonal_array_runs(&levels).into_iter();
        for runs in arrays.filter(|&runs| runs < total && runs <= room).take(ARRAYS) {
            sorts.push((Treatments::OrthogonalArray, Some(runs), false, runs));
        }
    }
    sorts
}

/// A design as it would be; `None` if it cannot be made, or holds what must not come together.
fn candidate(
    source: &Arc<Source>,
    choice: &Choice,
    constraints: &[Vec<(usize, usize)>],
    sets: usize,
    size: usize,
) -> Option<Candidate> {
    let (protocol, _) = read_as(source, choice).ok()?;
    let rows = treatments(&protocol, choice.unit);
    let holds = |together: &Vec<(usize, usize)>| {
        rows.iter()
            .any(|row| together.iter().all(|&(place, level)| row.get(place) == Some(&level)))
    };
    if constraints.iter().any(holds) {
        return None;
    }
    let skeleton = skeleton(&protocol).ok()?;
    let planned: Vec<String> = protocol
        .analysis
        .planned
        .iter()
        .map(|effect| protocol.effect_name(effect))
        .collect();
    let kept = |name: &String| skeleton.effects.iter().any(|effect| effect.term == *name);
    let lost: Vec<String> = planned.iter().filter(|name| !kept(name)).cloned().collect();
    let sort = match (choice.treatments, choice.is_folded) {
        (treatments, true) => format!("{} of {} runs, folded over", treatments.word(), size / 2),
        (treatments, false) => format!("{} of {size} runs", treatments.word()),
    };
    let times = if sets > 1 {
        format!(", {sets} times")
    } else {
        String::new()
    };
    Some(Candidate {
        name: format!("{sort}{times}"),
        runs: skeleton.runs,
        sets,
        bench_minutes: skeleton.bench_minutes,
        terms: skeleton.effects.len(),
        resolution: skeleton.aliasing.as_ref().and_then(|aliasing| aliasing.resolution),
        mixed: mixed(&skeleton),
        lost,
        error_df: skeleton
            .effects
            .iter()
            .filter(|effect| effect.planned)
            .map(|effect| effect.error_df)
            .min()
            .filter(|&df| df > 0),
        detectable: detectable(&protocol),
        write: choice.lines(&protocol.units[choice.unit].name),
    })
}

fn mixed(skeleton: &Skeleton) -> Vec<Mixed> {
    let chains = skeleton.aliasing.iter().flat_map(|aliasing| &aliasing.chains);
    chains
        .filter(|chain| chain.planned && !chain.aliases.is_empty())
        .map(|chain| Mixed {
            effect: chain.effect.clone(),
            with: chain.aliases.iter().map(|alias| alias.effect.clone()).collect(),
            in_part: chain.aliases.iter().all(|alias| alias.coefficient.abs() < WHOLE),
        })
        .collect()
}

/// The largest size that a planned effect needs, for each response with stated spreads.
fn detectable(protocol: &Protocol) -> Vec<Detectable> {
    let options = PowerOptions {
        target: ENOUGH,
        simulations: 0,
        mend: false,
    };
    let Ok(power) = power(protocol, None, &options, &|_, _| {}) else {
        return Vec::new();
    };
    let needs = |size: Option<f64>| size.unwrap_or(f64::INFINITY);
    power
        .responses
        .into_iter()
        .filter_map(|response| {
            let planned = response.effects.into_iter().filter(|effect| effect.planned);
            let worst = planned.max_by(|a, b| needs(a.detectable).total_cmp(&needs(b.detectable)))?;
            Some(Detectable {
                response: response.response,
                unit: response.unit,
                size: worst.detectable,
                effect: worst.term,
            })
        })
        .collect()
}
