//! What a study will be able to find: power, smallest size found, and what it takes to find more.
//!
//! In:  a protocol with what is assumed of its responses; the frozen plan if there is one.
//! Out: `Power`: for each response and term the power at the relevant size, the size found with the power wanted, and
//!      the counts that would reach it. Codes `D030` (too little power), `D031` (nothing assumed).
//!
//! | name        | symbol | meaning                                                           |
//! |-------------|--------|-------------------------------------------------------------------|
//! | noncentrality | λ    | λ₁ Δ², λ₁ as in `power_strength`, Δ the size                      |
//! | level       | α      | 1 − confidence of the protocol                                    |
//!
//! Method: noncentral F in the effect's own stratum. Where a study does not fill its strata evenly the power at the
//! relevant size is simulated (interval after Clopper and Pearson), and the sizes found are approximate: noncentral F with
//! the mean degrees of freedom of the simulated tests.

use std::fmt::Write as _;

use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;

use super::power_simulation::{Tally, simulate};
use super::power_size::mends;
use super::power_strength::{Hold, Test, given_or_drawn, holds};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::plan::{Part, Plan, Structure, Term};
use crate::protocol::{Assumed, Protocol};
use crate::stats::power::{f_noncentrality, f_power};
use crate::stats::randomization::clopper_pearson;

/// Power below which a plan is warned of; common practice.
pub const ENOUGH: f64 = 0.8;
/// Points of a power curve.
const CURVE: usize = 49;
/// Simulations that only look for degrees of freedom.
const FEW: usize = 40;

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct PowerOptions {
    /// Power wanted, above the level of the test and below 1.
    pub target: f64,
    /// Simulations where there is no closed form; 0 leaves the power approximate there.
    pub simulations: usize,
    /// Whether to look for counts that reach the power wanted.
    pub mend: bool,
}

/// What a study will be able to find.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Power {
    /// Power wanted.
    pub target: f64,
    /// Level of the intervals; the tests are made at 1 − confidence.
    pub confidence: f64,
    /// Runs in all.
    pub runs: usize,
    /// True if the runs are those of the frozen plan.
    pub frozen: bool,
    /// One entry for each response of which something is assumed.
    pub responses: Vec<ResponsePower>,
}

/// One response.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ResponsePower {
    /// Its name.
    pub response: String,
    /// Unit of measure.
    pub unit: String,
    /// Where the spreads come from.
    pub source: String,
    /// The spreads.
    pub spreads: Vec<SpreadLine>,
    /// One entry a term of the model.
    pub effects: Vec<EffectPower>,
}

/// A stated spread.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpreadLine {
    /// Units joined by ` × `, or `reading`.
    pub of: String,
    /// Standard deviation.
    pub standard_deviation: f64,
}

/// One term of the model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EffectPower {
    /// Its name.
    pub term: String,
    /// Degrees of freedom.
    pub df: usize,
    /// The spread it is judged against.
    pub judged_against: String,
    /// Degrees of freedom of that spread.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error_df: Option<f64>,
    /// True if the protocol plans it.
    pub planned: bool,
    /// Size that is to be found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relevant: Option<f64>,
    /// Power at that size.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub power: Option<f64>,
    /// 95 % interval of a simulated power.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub power_interval: Option<[f64; 2]>,
    /// Simulations behind it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub simulations: Option<usize>,
    /// Size found with the power wanted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detectable: Option<f64>,
    /// `exact`, `approximate`, or why there is none.
    pub method: String,
    /// Sizes with their power.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub curve: Vec<[f64; 2]>,
    /// What reaches the power wanted at the relevant size, each by itself, the least bench time first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub mends: Vec<Mend>,
    /// True if the power was looked for and no single count reaches it.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub out_of_reach: bool,
}

/// A change of one count.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mend {
    /// The unit, or `reading`.
    pub more_of: String,
    /// How many there are now.
    pub from: usize,
    /// How many it takes.
    pub to: usize,
    /// Runs then.
    pub runs: usize,
    /// Readings then.
    pub readings: usize,
    /// Bench time then, in minutes.
    pub bench_minutes: f64,
    /// Power then.
    pub power: f64,
}

/// Works out what a study will be able to find.
///
/// # Errors
///
/// `D031` if nothing is assumed; those of the draw.
pub fn power(
    protocol: &Protocol,
    plan: Option<&Plan>,
    options: &PowerOptions,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<Power, Diagnostics> {
    if protocol.assumed.is_empty() {
        return Err(Diagnostic::error("D031", "the protocol states no spread to reckon with")
            .help(
                "add [assumed.RESPONSE] with `source` and `spread`: standard deviations of each unit and of the readings, from a \
                 pilot or an earlier study",
            )
            .into());
    }
    let responses = protocol
        .assumed
        .iter()
        .map(|assumed| of_response(protocol, assumed, plan, options, progress))
        .collect::<Result<Vec<ResponsePower>, Diagnostics>>()?;
    Ok(Power {
        target: options.target,
        confidence: protocol.analysis.confidence,
        runs: plan.map_or_else(|| Structure::of(protocol).runs(), |plan| plan.runs.len()),
        frozen: plan.is_some(),
        responses,
    })
}

impl Power {
    /// A warning for each planned effect whose relevant size is found with less than 80 % power.
    #[must_use]
    pub fn warnings(&self) -> Diagnostics {
        let mut found = Diagnostics::new();
        for response in &self.responses {
            for effect in response.effects.iter().filter(|effect| effect.planned) {
                let (Some(size), Some(power)) = (effect.relevant, effect.power) else {
                    continue;
                };
                if power >= ENOUGH {
                    continue;
                }
                let message = format!(
                    "{}: a relevant size of {size} {} is found with {} power only, given the spreads assumed for `{}`",
                    effect.term,
                    response.unit,
                    percent(power),
                    response.response
                );
                found.push(Diagnostic::warning("D030", message).help(effect.advice(ENOUGH)));
            }
        }
        found
    }
}

impl EffectPower {
    /// What to do about too little power, in a sentence.
    #[must_use]
    pub fn advice(&self, target: f64) -> String {
        let Some(mend) = self.mends.first() else {
            return format!(
                "no single count reaches {}: judge it against a smaller spread (set it on a finer unit), reduce the spread, or \
                 look for a larger size",
                percent(target)
            );
        };
        let (of, from, to) = (&mend.more_of, mend.from, mend.to);
        let mut text = if of == "reading" {
            format!("take {to} readings a run in place of {from}")
        } else {
            format!("set up more of `{of}`: `count = {to}` in place of {from}")
        };
        let _ = write!(text, ", {} runs in all, gives {}", mend.runs, percent(mend.power));
        if of != "reading" && !self.mends.iter().any(|mend| mend.more_of == "reading") {
            text.push_str("; more readings in a run do not get there");
        }
        text
    }
}

/// A power in whole per cent, never rounded to what it is not.
#[must_use]
pub fn percent(power: f64) -> String {
    if power > 0.99 {
        "over 99\u{a0}%".to_owned()
    } else {
        format!("{:.0}\u{a0}%", (power * 100.0).floor())
    }
}

fn of_response(
    protocol: &Protocol,
    assumed: &Assumed,
    plan: Option<&Plan>,
    options: &PowerOptions,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<ResponsePower, Diagnostics> {
    let declared = &protocol.responses[assumed.response];
    let runs = plan.map(|plan| plan.runs.as_slice());
    let holds = holds(protocol, assumed, runs)?;
    let sizes: Vec<Option<f64>> = holds.iter().map(|hold| size(protocol, assumed, &hold.term)).collect();
    let uneven = holds
        .iter()
        .any(|hold| matches!(hold.test, Test::F { exact: false, .. }));
    let (mut tallies, mut looked) = (None, None);
    if uneven {
        let runs = given_or_drawn(protocol, runs)?;
        let at: Vec<f64> = sizes.iter().map(|size| size.unwrap_or(0.0)).collect();
        if options.simulations > 0 {
            tallies = Some(simulate(protocol, assumed, &runs, &at, options.simulations, progress));
        } else {
            looked = Some(simulate(protocol, assumed, &runs, &at, FEW, &|_, _| {}));
        }
    }
    let effects = holds
        .iter()
        .enumerate()
        .map(|(index, hold)| {
            let tally = tallies.as_ref().map(|tallies: &Vec<Tally>| tallies[index]);
            let look = looked.as_ref().map(|tallies: &Vec<Tally>| tallies[index]);
            let mut effect = of_term(protocol, hold, sizes[index], (tally, look), options);
            if let (Some(size), Some(power)) = (effect.relevant, effect.power)
                && power < options.target
                && options.mend
            {
                effect.mends = mends(protocol, assumed, &hold.term, size, options.target);
                effect.out_of_reach = effect.mends.is_empty();
            }
            effect
        })
        .collect();
    Ok(ResponsePower {
        response: declared.name.clone(),
        unit: declared.unit.clone(),
        source: assumed.source.clone(),
        spreads: assumed
            .spreads
            .iter()
            .map(|spread| SpreadLine {
                of: spread
                    .units
                    .iter()
                    .map(|&u| protocol.units[u].name.as_str())
                    .collect::<Vec<&str>>()
                    .join(" × "),
                standard_deviation: spread.sd,
            })
            .chain(std::iter::once(SpreadLine {
                of: "reading".to_owned(),
                standard_deviation: assumed.reading,
            }))
            .collect(),
        effects,
    })
}

/// The size that is to be found: that of the effect, else that of the response. Departures from a straight line have none
/// unless it is stated.
fn size(protocol: &Protocol, assumed: &Assumed, term: &Term) -> Option<f64> {
    if term.part != Part::Whole {
        return None;
    }
    assumed
        .effects
        .iter()
        .find(|known| known.effect == term.effect)
        .and_then(|known| known.relevant)
        .or_else(|| protocol.responses[assumed.response].relevant.and_then(|r| r.to_f64()))
}

fn of_term(
    protocol: &Protocol,
    hold: &Hold,
    size: Option<f64>,
    (tally, look): (Option<Tally>, Option<Tally>),
    options: &PowerOptions,
) -> EffectPower {
    let term = &hold.term;
    let mut effect = EffectPower {
        term: term.name.clone(),
        df: term.df,
        judged_against: hold.judged_against.clone(),
        error_df: None,
        planned: protocol.analysis.planned.contains(&term.effect),
        relevant: size,
        power: None,
        power_interval: None,
        simulations: None,
        detectable: None,
        method: String::new(),
        curve: Vec::new(),
        mends: Vec::new(),
        out_of_reach: false,
    };
    let alpha = 1.0 - protocol.analysis.confidence;
    let (per_square, mut error_df, exact) = match hold.test {
        Test::F {
            per_square,
            error_df,
            exact,
        } => (per_square, error_df, exact),
        other => {
            other.why().clone_into(&mut effect.method);
            return effect;
        }
    };
    let simulated = tally.or(look).filter(|tally| !exact && tally.tests > 0);
    if let Some(tally) = simulated {
        error_df = tally.df / tally.tests as f64;
    }
    effect.error_df = Some(error_df);
    let df = term.df as f64;
    let at = |size: f64| f_power(per_square * size * size, df, error_df, alpha);
    effect.power = size.map(at).filter(|power| power.is_finite());
    if exact { "exact" } else { "approximate" }.clone_into(&mut effect.method);
    if let Some(tally) = tally.filter(|tally| !exact && tally.tests > 0 && size.is_some()) {
        let (low, high) = clopper_pearson(tally.found as f64, tally.tests as f64, 0.95);
        effect.power = Some(tally.found as f64 / tally.tests as f64);
        effect.power_interval = Some([low, high]);
        effect.simulations = Some(tally.tests);
        "simulated".clone_into(&mut effect.method);
    }
    effect.detectable = f_noncentrality(options.target, df, error_df, alpha)
        .map(|noncentrality| (noncentrality / per_square).sqrt())
        .filter(|size| size.is_finite());
    let nearly_all =
        f_noncentrality(0.9995, df, error_df, alpha).map(|noncentrality| (noncentrality / per_square).sqrt());
    let reach = nearly_all.unwrap_or(0.0).max(size.map_or(0.0, |s| 1.2 * s));
    if reach > 0.0 {
        effect.curve = (0..CURVE)
            .map(|i| {
                let size = reach * i as f64 / (CURVE - 1) as f64;
                [size, at(size)]
            })
            .filter(|point| point[1].is_finite())
            .collect();
    }
    effect
}

impl Test {
    /// Why there is no power to give.
    fn why(self) -> &'static str {
        match self {
            Self::F { .. } => "",
            Self::NoError => "no error term",
            Self::Aliased => "cannot be told from other effects",
            Self::NoSpread => "the stated spreads add up to nothing",
            Self::Drawn => "a factor has drawn levels, whose spread is not among the assumed ones",
            Self::NoSize => "no size is defined for it",
            Self::TooLarge => "too many runs for this reckoning",
        }
    }
}
