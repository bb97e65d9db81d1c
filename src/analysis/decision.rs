//! Results held against a limit, under the declared rule.
//!
//! In:  the declared rule, the findings of the response with its uncertainty.
//! Out: a `DecisionFinding`; where it cannot be made, the reason.
//!
//! | name              | symbol | meaning                                                                   |
//! |-------------------|--------|---------------------------------------------------------------------------|
//! | guard band        | g      | declared, or t(1 − risk) u                                                |
//! | acceptance limit  | A      | L + g, L − g or L by the rule (mirrored for an upper limit)               |
//! | cut               |        | A, or what rounding before comparison makes of it                         |
//! | conservative      |        | every spread times the 95 % upper limit of u over u (χ² on its effective degrees of freedom) |

use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::ResponseFindings;
use crate::numeric::distribution::{normal_quantile_lower, t_quantile_upper};
use crate::protocol::{DecisionPlan, JudgedBy, Limit, Production, Protocol, RetestRule, Rule};
use crate::stats::conformity::{
    Retest, conformity_probability, conservative_deviation, global_risk, least_margin, limit_before_rounding,
    passes_at_one, passes_at_random, posterior,
};

/// Level of the conservative value.
const CONSERVATIVE: f64 = 0.95;
/// Points of the acceptance curve.
const POINTS: usize = 81;

/// Results held against a limit.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct DecisionFinding {
    /// The limit.
    pub limit: f64,
    /// `at least` or `at most`.
    pub side: String,
    /// The rule.
    pub rule: String,
    /// Width of the guard band; 0 for simple acceptance.
    pub guard: f64,
    /// True if the protocol declares the width; else it follows from the risk.
    pub guard_declared: bool,
    /// The risk from which it follows.
    pub risk: f64,
    /// A result passes from here on.
    pub acceptance: f64,
    /// The same before rounding; equal to `acceptance` if results are not rounded before comparison.
    pub cut: f64,
    /// Step to which results are rounded before comparison, if they are.
    pub rounded_to: Option<f64>,
    /// Standard uncertainty of a stated result.
    pub standard: f64,
    /// Its degrees of freedom; null if taken as known.
    pub df: Option<f64>,
    /// Its 95 % upper limit.
    pub standard_conservative: f64,
    /// Standard deviation that is new in every result.
    pub fresh: f64,
    /// Standard deviation that all results of one laboratory share.
    pub shared: f64,
    /// True if that is a published standard deviation between laboratories.
    pub shared_published: bool,
    /// What is done when a result does not pass.
    pub retest: String,
    /// The results judged.
    pub results: Vec<JudgedResult>,
    /// Share of results that are to pass.
    pub pass_share: f64,
    /// Least true values at which that share passes (largest, for an upper limit).
    pub least: Vec<LeastTrueValue>,
    /// What the window of a factor does, at its worst end.
    pub window: Option<WindowFinding>,
    /// What other rules for rounding and for repeating would do, the declared ones among them.
    #[serde(default)]
    pub variants: Vec<VariantFinding>,
    /// Chance of passing along the true value.
    pub curve: Vec<CurvePoint>,
    /// Risks of the production as a whole.
    pub production: Option<ProductionFinding>,
}

/// A result that was judged.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct JudgedResult {
    /// What it is of.
    pub what: String,
    /// The result.
    pub value: f64,
    /// As compared: rounded, if results are.
    pub compared: f64,
    /// `pass`, `conditional pass`, `conditional fail`, `fail`.
    pub outcome: String,
    /// True if it would pass by the bare limit.
    pub simple: bool,
    /// Probability that the true value keeps the limit, nothing else known.
    pub conforming: f64,
    /// The same with the conservative uncertainty.
    pub conforming_conservative: f64,
    /// The same with what is known of the production.
    pub conforming_in_production: Option<f64>,
}

/// A least true value.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LeastTrueValue {
    /// `one laboratory without bias`, `a laboratory taken at random`, `two laboratories, both`.
    pub at: String,
    /// By the estimated spreads.
    pub estimate: f64,
    /// By the conservative ones.
    pub conservative: f64,
    /// The estimate at the worst end of the window.
    pub worst: Option<f64>,
    /// The conservative value at the worst end of the window, with the steepest slope of its interval.
    pub worst_conservative: Option<f64>,
}

/// What follows under some rule for rounding and for repeating; everything else as declared.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct VariantFinding {
    /// True for the declared rules.
    pub declared: bool,
    /// Step to which results are rounded before comparison; null for not.
    pub rounded_to: Option<f64>,
    /// What is done when a result does not pass.
    pub retest: String,
    /// A result passes from here on, before rounding.
    pub cut: f64,
    /// Chance of passing of a product whose true value lies at the limit, at a laboratory taken at random.
    pub at_limit: f64,
    /// Least true value that passes with the wanted share at one laboratory without bias (largest, for an upper limit).
    pub least_one: f64,
    /// The same at a laboratory taken at random.
    pub least_random: f64,
}

/// What the window of a factor does.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct WindowFinding {
    /// The factor.
    pub factor: String,
    /// Its unit.
    pub unit: String,
    /// The ends of the window.
    pub between: (f64, f64),
    /// The value to which true values refer.
    pub reference: f64,
    /// The end at which a product passes least often.
    pub worst_at: f64,
    /// What a result reads there against the reference.
    pub shift: f64,
    /// The same with the steepest slope of the interval; null without one.
    pub shift_conservative: Option<f64>,
}

/// Chance of passing at a true value.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct CurvePoint {
    /// The true value.
    pub true_value: f64,
    /// At one laboratory without bias.
    pub one: f64,
    /// At a laboratory taken at random.
    pub random: f64,
    /// At a laboratory taken at random, conservative spreads.
    pub conservative: f64,
}

/// Risks of the production as a whole; joint probabilities of one item.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ProductionFinding {
    /// Mean of the true values.
    pub mean: f64,
    /// Their standard deviation.
    pub standard_deviation: f64,
    /// Where they come from.
    pub origin: String,
    /// An item conforms.
    pub conforming: f64,
    /// By the declared rule.
    pub by_rule: RiskFinding,
    /// By simple acceptance.
    pub by_limit: RiskFinding,
}

/// The two risks of one way of accepting.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RiskFinding {
    /// A result passes from here on.
    pub acceptance: f64,
    /// An item is accepted.
    pub accepted: f64,
    /// An item is accepted and does not conform.
    pub wrongly_accepted: f64,
    /// An item is rejected and conforms.
    pub wrongly_rejected: f64,
}

/// Judges, or says why not.
pub(super) fn decision(
    protocol: &Protocol,
    plan: &DecisionPlan,
    found: &ResponseFindings,
) -> Result<DecisionFinding, String> {
    let declared = &protocol.responses[plan.response];
    let (limit, upward) = match declared.limit {
        Some(Limit::AtLeast(limit)) => (limit, true),
        Some(Limit::AtMost(limit)) => (limit, false),
        None => return Err("A decision needs a limit.".to_owned()),
    };
    let limit = limit.to_f64().unwrap_or(f64::NAN);
    let (standard, df, fresh, shared) = match (&found.uncertainty, plan.standard) {
        (_, Some(standard)) => (standard, f64::INFINITY, standard, 0.0),
        (Some(budget), None) => {
            // What pairs and correlation bring is counted with the shared part.
            let rest = budget.standard.powi(2) - budget.fresh.powi(2);
            (
                budget.standard,
                budget.df.unwrap_or(f64::INFINITY),
                budget.fresh,
                rest.max(0.0).sqrt(),
            )
        }
        (None, None) => {
            return Err("Nothing is decided near the limit: the uncertainty of a result cannot be told.".to_owned());
        }
    };
    // Everything below looks upwards; for an upper limit the axis is turned over.
    let turn = |value: f64| if upward { value } else { -value };
    let quantile = |risk: f64| {
        if df.is_finite() {
            t_quantile_upper(risk, df)
        } else {
            -normal_quantile_lower(risk)
        }
    };
    let guard = match plan.rule {
        Rule::Simple => 0.0,
        _ => plan.guard.unwrap_or_else(|| quantile(plan.risk) * standard),
    };
    let bare = turn(limit);
    let accept_from = match plan.rule {
        Rule::Simple => bare,
        Rule::GuardedAcceptance | Rule::FourOutcomes => bare + guard,
        Rule::GuardedRejection => bare - guard,
    };
    let step = declared
        .round_to
        .and_then(|step| step.to_f64())
        .filter(|_| plan.rounded);
    let cut_of = |from: f64| step.map_or(from, |step| limit_before_rounding(from, step));
    let cut = cut_of(accept_from);
    let conservative = conservative_deviation(standard, df, CONSERVATIVE);
    let larger = conservative / standard;
    let (published, shared) = match plan.between_laboratories {
        Some(deviation) => (true, deviation),
        None => (false, shared),
    };
    let retest = retest_of(plan.retest);
    let window = window(protocol, plan, found, upward);
    let production = production(protocol, plan, found, (standard, upward), (bare, cut, cut_of(bare)));
    let rounded = |value: f64| step.map_or(value, |step| round_to(value, step));
    let judge = |(what, value): (String, f64)| {
        let compared = rounded(value);
        let conforming = |u: f64, df: f64| conformity_probability(turn(value), u, df, (bare, f64::INFINITY));
        JudgedResult {
            what,
            value,
            compared,
            outcome: outcome(plan.rule, turn(compared) - bare, guard).to_owned(),
            simple: turn(compared) >= bare - slack(bare),
            conforming: conforming(standard, df),
            conforming_conservative: conforming(conservative, f64::INFINITY),
            conforming_in_production: production.as_ref().map(|p| {
                let (mean, deviation) = posterior((turn(value), standard), (turn(p.mean), p.standard_deviation));
                conformity_probability(mean, deviation, f64::INFINITY, (bare, f64::INFINITY))
            }),
        }
    };
    let results = judged(protocol, plan, found).into_iter().map(judge).collect();
    let least = least(plan, (fresh, shared, larger), retest, cut, &turn, window.as_ref());
    let whole_step = declared.round_to.and_then(|step| step.to_f64());
    let variants = variants((plan, whole_step), (fresh, shared), (bare, accept_from), &turn);
    let all = fresh.hypot(shared) * larger;
    let curve = (0..POINTS)
        .map(|point| {
            let margin = all * (8.0 * point as f64 / (POINTS as f64 - 1.0) - 4.0);
            CurvePoint {
                true_value: turn(cut + margin),
                one: passes_at_one(margin, fresh, retest),
                random: passes_at_random(margin, fresh, shared, retest),
                conservative: passes_at_random(margin, fresh * larger, shared * larger, retest),
            }
        })
        .collect();
    Ok(DecisionFinding {
        limit,
        side: if upward { "at least" } else { "at most" }.to_owned(),
        rule: plan.rule.word().to_owned(),
        guard,
        guard_declared: plan.guard.is_some(),
        risk: plan.risk,
        acceptance: turn(accept_from),
        cut: turn(cut),
        rounded_to: step,
        standard,
        df: df.is_finite().then_some(df),
        standard_conservative: conservative,
        fresh,
        shared,
        shared_published: published,
        retest: plan.retest.word().to_owned(),
        results,
        pass_share: plan.pass_share,
        least,
        window,
        variants,
        curve,
        production,
    })
}

fn retest_of(rule: RetestRule) -> Retest {
    match rule {
        RetestRule::None => Retest::None,
        RetestRule::SecondCounts => Retest::SecondCounts,
        RetestRule::MeanOfTwo => Retest::MeanOfTwo,
    }
}

/// Each way of rounding with each way of repeating; `step` is that to which results may be rounded.
fn variants(
    (plan, step): (&DecisionPlan, Option<f64>),
    (fresh, shared): (f64, f64),
    (bare, accept_from): (f64, f64),
    turn: &dyn Fn(f64) -> f64,
) -> Vec<VariantFinding> {
    let roundings: Vec<Option<f64>> = std::iter::once(None).chain(step.map(Some)).collect();
    let mut all = Vec::new();
    for rounded_to in roundings {
        let cut = rounded_to.map_or(accept_from, |step| limit_before_rounding(accept_from, step));
        for rule in [RetestRule::None, RetestRule::SecondCounts, RetestRule::MeanOfTwo] {
            let retest = retest_of(rule);
            all.push(VariantFinding {
                declared: rounded_to.is_some() == plan.rounded && rule == plan.retest,
                rounded_to,
                retest: rule.word().to_owned(),
                cut: turn(cut),
                at_limit: passes_at_random(bare - cut, fresh, shared, retest),
                least_one: turn(cut + least_margin(plan.pass_share, fresh, 0.0, retest)),
                least_random: turn(cut + least_margin(plan.pass_share, fresh, shared, retest)),
            });
        }
    }
    all
}

/// Room for the last bits of a decimal.
fn slack(value: f64) -> f64 {
    1e-9 * value.abs().max(1.0)
}

/// A result at a step, halves up.
fn round_to(value: f64, step: f64) -> f64 {
    let whole = (value / step + 0.5 + 1e-9).floor();
    let decimals = (-step.log10()).ceil().clamp(0.0, 12.0) as usize + 1;
    format!("{:.decimals$}", whole * step).parse().unwrap_or(value)
}

fn outcome(rule: Rule, margin: f64, guard: f64) -> &'static str {
    let over = |bound: f64| margin >= bound - slack(bound);
    match rule {
        Rule::Simple if over(0.0) => "pass",

        Rule::GuardedRejection if over(-guard) => "pass",
        Rule::GuardedAcceptance | Rule::FourOutcomes if over(guard) => "pass",
        Rule::FourOutcomes if over(0.0) => "conditional pass",
        Rule::FourOutcomes if over(-guard) => "conditional fail",
        _ => "fail",
    }
}

/// What is judged: the declared results, then the means of the study.
fn judged(protocol: &Protocol, plan: &DecisionPlan, found: &ResponseFindings) -> Vec<(String, f64)> {
    let mut all: Vec<(String, f64)> = plan
        .results
        .iter()
        .enumerate()
        .map(|(at, &value)| (format!("stated result {}", at + 1), value))
        .collect();
    let Some(of) = plan.of else { return all };
    let mut groups: Vec<(String, Vec<f64>)> = Vec::new();
    for result in &found.results {
        let key = match of {
            JudgedBy::Unit(unit) if unit == protocol.run_unit() => Some(format!("run {}", result.run)),
            JudgedBy::Unit(unit) => {
                let name = &protocol.units[unit].name;
                // Numbers of a unit start again within each of those above it.
                let mut path: Vec<usize> = protocol.above(unit);
                path.push(unit);
                let words: Vec<String> = path
                    .iter()
                    .filter_map(|&u| {
                        let name = &protocol.units[u].name;
                        result
                            .units
                            .get(name)
                            .map(|label| format!("{} {label}", name.replace('_', " ")))
                    })
                    .collect();
                result.units.contains_key(name).then(|| words.join(", "))
            }
            JudgedBy::Factor(factor) => {
                let name = &protocol.factors[factor].name;
                result
                    .levels
                    .get(name)
                    .map(|level| format!("{} {level}", name.replace('_', " ")))
            }
        };
        let Some(key) = key else { continue };
        match groups.iter_mut().find(|(name, _)| *name == key) {
            Some((_, values)) => values.push(result.result),
            None => groups.push((key, vec![result.result])),
        }
    }
    let number = |name: &str| name.rsplit(' ').next().and_then(|n| n.parse::<f64>().ok());
    groups.sort_by(|a, b| match (number(&a.0), number(&b.0)) {
        (Some(x), Some(y)) => x.total_cmp(&y).then_with(|| a.0.cmp(&b.0)),
        _ => a.0.cmp(&b.0),
    });
    all.extend(
        groups
            .into_iter()
            .map(|(name, values)| (name, crate::numeric::sum::mean(&values))),
    );
    all
}

fn least(
    plan: &DecisionPlan,
    (fresh, shared, larger): (f64, f64, f64),
    retest: Retest,
    cut: f64,
    turn: &dyn Fn(f64) -> f64,
    window: Option<&WindowFinding>,
) -> Vec<LeastTrueValue> {
    let mut cases = vec![("one laboratory without bias", plan.pass_share, 0.0)];
    if shared > 0.0 {
        cases.push(("a laboratory taken at random", plan.pass_share, shared));
        cases.push(("two laboratories taken at random, both", plan.pass_share.sqrt(), shared));
    }
    let row = |(at, share, shared): (&str, f64, f64)| {
        let estimate = cut + least_margin(share, fresh, shared, retest);
        let conservative = cut + least_margin(share, fresh * larger, shared * larger, retest);
        LeastTrueValue {
            at: at.to_owned(),
            estimate: turn(estimate),
            conservative: turn(conservative),
            worst: window.map(|w| turn(estimate) - w.shift),
            worst_conservative: window.and_then(|w| w.shift_conservative.map(|shift| turn(conservative) - shift)),
        }
    };
    cases.into_iter().map(row).collect()
}

fn window(protocol: &Protocol, plan: &DecisionPlan, found: &ResponseFindings, upward: bool) -> Option<WindowFinding> {
    let window = plan.window?;
    let factor = &protocol.factors[window.factor];
    let slope = found.slopes.iter().find(|s| s.factor == factor.name)?;
    let ends = [window.between.0, window.between.1];
    // The shift that makes passing hardest: the lowest for a lower limit.
    let worst = |slopes: &[f64]| {
        let shifts = slopes
            .iter()
            .flat_map(|slope| ends.map(|end| (slope * (end - window.reference), end)));
        shifts.reduce(|a, b| if (b.0 < a.0) == upward && a.0 != b.0 { b } else { a })
    };
    let (shift, worst_at) = worst(&[slope.per_unit])?;
    let steepest = slope.low.zip(slope.high).and_then(|(low, high)| worst(&[low, high]));
    Some(WindowFinding {
        factor: factor.name.clone(),
        unit: factor.unit.clone(),
        between: window.between,
        reference: window.reference,
        worst_at,
        shift,
        shift_conservative: steepest.map(|(shift, _)| shift),
    })
}

fn production(
    protocol: &Protocol,
    plan: &DecisionPlan,
    found: &ResponseFindings,
    (standard, upward): (f64, bool),
    (bare, cut, cut_bare): (f64, f64, f64),
) -> Option<ProductionFinding> {
    let turn = |value: f64| if upward { value } else { -value };
    let (mean, deviation, origin) = match plan.production? {
        Production::Known(mean, deviation) => (mean, deviation, "declared in the protocol".to_owned()),
        Production::Unit(unit) => {
            let name = &protocol.units[unit].name;
            let component = found
                .components
                .iter()
                .find(|c| c.source == *name && c.kind == "unit")?;
            let deviation = component.standard_deviation.filter(|d| *d > 0.0)?;
            let origin = format!(
                "mean of this study and spread between one {} and the next",
                name.replace('_', " ")
            );
            (found.grand_mean.mean, deviation, origin)
        }
    };
    let above = (bare, f64::INFINITY);
    let of = |cut: f64| global_risk((turn(mean), deviation), standard, above, (cut, f64::INFINITY));
    let risk = |cut: f64| {
        of(cut).map(|risk| RiskFinding {
            acceptance: turn(cut),
            accepted: risk.accepted,
            wrongly_accepted: risk.wrongly_accepted,
            wrongly_rejected: risk.wrongly_rejected,
        })
    };
    Some(ProductionFinding {
        mean,
        standard_deviation: deviation,
        origin,
        conforming: of(cut)?.conforming,
        by_rule: risk(cut)?,
        by_limit: risk(cut_bare)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: each rule at, above and below its edges.
    #[test]
    fn outcomes_follow_the_rule() {
        let all = |margin: f64| {
            [
                Rule::Simple,
                Rule::GuardedAcceptance,
                Rule::GuardedRejection,
                Rule::FourOutcomes,
            ]
            .map(|rule| outcome(rule, margin, 1.0))
        };
        assert_eq!(all(1.0), ["pass", "pass", "pass", "pass"]);
        assert_eq!(all(0.4), ["pass", "fail", "pass", "conditional pass"]);
        assert_eq!(all(0.0), ["pass", "fail", "pass", "conditional pass"]);
        assert_eq!(all(-0.4), ["fail", "fail", "pass", "conditional fail"]);
        assert_eq!(all(-1.1), ["fail", "fail", "fail", "fail"]);
    }

    /// Closed form: halves go up, whatever the binary fraction says.
    #[test]
    fn results_are_rounded_as_people_do() {
        for (value, step, expected) in [
            (54.95, 0.1, 55.0),
            (54.949, 0.1, 54.9),
            (2.675, 0.01, 2.68),
            (54.5, 1.0, 55.0),
        ] {
            assert_eq!(round_to(value, step), expected);
        }
    }
}
