//! Two methods on the same specimens: how far apart they read, and whether that is small enough.
//!
//! In:  the declared comparison, the results of the response, the site's tolerances.
//! Out: an `AgreementFinding`; where there are too few pairs, the reason.
//!
//! A difference is the other method minus the reference. On the ratio scale everything is worked out in logarithms and
//! given as ratios: 1.02 reads 2 % higher. One specimen is one pair: results on it are averaged first, and what single results scatter on it is put back into the
//! limits of agreement. Where both methods read a specimen once each under the same other units and levels (in one
//! session, at one temperature), it is their difference that scatters: what a session does to both cancels.

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::findings::{ResponseFindings, RunResult};
use crate::numeric::sum;
use crate::protocol::{ComparisonPlan, Limit, Protocol, Site};
use crate::stats::agreement::{self, Replicates, concordance, equivalence, limit_reach, limits, line};
use crate::stats::both_errors::{BothErrorsLine, deming, passing_bablok};
use crate::stats::power::{equivalence_power, sample_size};

/// Power for which the number of specimens is worked out.
const POWER: f64 = 0.9;
/// Values at which the band of the line is given.
const BAND: usize = 21;
/// Most specimens that are thought of.
const MOST: u32 = 10_000;

/// How two methods agree.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct AgreementFinding {
    /// The factor.
    pub factor: String,
    /// The level that is subtracted.
    pub reference: String,
    /// The other level: differences are `other` minus `reference`.
    pub other: String,
    /// The unit that both read.
    pub specimens: String,
    /// Number of specimens read by both.
    pub n: usize,
    /// `difference` or `ratio`.
    pub scale: String,
    /// `result` or `reading`: what the limits of agreement are for.
    pub single: String,
    /// Mean difference, or mean ratio.
    pub difference: f64,
    /// Standard error, of the logarithm for a ratio.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Lower end of the interval of the mean difference.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Standard deviation of the difference of two single results, of the logarithm for a ratio.
    pub standard_deviation: f64,
    /// Share of single differences between the limits.
    pub coverage: f64,
    /// Lower limit of agreement.
    pub lower_limit: LimitFinding,
    /// Upper limit of agreement.
    pub upper_limit: LimitFinding,
    /// True if the intervals of the limits are exact for normal differences.
    pub exact: bool,
    /// What single results of each method scatter on a specimen; empty without replicates.
    pub within: Vec<WithinFinding>,
    /// How the difference changes along the level.
    pub along_level: Option<SpreadTrendFinding>,
    /// How the size of the deviations changes along the level.
    pub spread_along_level: Option<SpreadTrendFinding>,
    /// Limits of agreement at some levels, where the mean or the size of the differences changes along the level.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub limits_along_level: Vec<LimitsAtFinding>,
    /// How the difference changes along the order of the runs; null where the order is not known.
    pub along_order: Option<SpreadTrendFinding>,
    /// Largest mean difference that does no harm.
    pub margin: f64,
    /// Where it comes from.
    pub origin: String,
    /// The two one-sided tests against it.
    pub equivalence: Option<EquivalenceFinding>,
    /// Largest single difference that does no harm, and how the limits lie to it.
    pub acceptable: Option<AcceptableFinding>,
    /// The straight line with errors in both methods.
    pub line: Option<LineFinding>,
    /// The line by ranks.
    pub ranks: Option<RankFinding>,
    /// Concordance.
    pub concordance: Option<ConcordanceFinding>,
    /// Against the calibration tolerances of both.
    pub tolerance: Option<ToleranceFinding>,
    /// How many specimens another study would need.
    pub next: NextFinding,
    /// The pairs.
    pub pairs: Vec<PairFinding>,
    /// What could not be answered, in sentences.
    pub cannot_tell: Vec<String>,
}

/// A limit with its interval.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LimitFinding {
    /// The limit.
    pub value: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
}

/// What single results of a method scatter on a specimen.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct WithinFinding {
    /// The method; `both together` for the difference of results read under the same units and levels.
    pub method: String,
    /// Standard deviation, of the logarithm for a ratio.
    pub standard_deviation: f64,
    /// Degrees of freedom.
    pub df: f64,
}

/// A slope.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct SpreadTrendFinding {
    /// Value at zero.
    pub intercept: f64,
    /// Change for a change by one.
    pub slope: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// p-value of 'no change'.
    pub p: f64,
    /// Standard deviation about the line.
    pub standard_deviation: f64,
}

/// Limits of agreement at a level.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LimitsAtFinding {
    /// The level: mean of both methods.
    pub at: f64,
    /// Mean difference there.
    pub difference: f64,
    /// Standard deviation there of the difference of two single results, of the logarithm for a ratio.
    pub standard_deviation: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// What an interval says about a margin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Closeness {
    /// Surely within the margin, and not told apart from zero.
    #[serde(rename = "equivalent")]
    Equivalent,
    /// Surely within the margin, and surely not zero.
    #[serde(rename = "different but equivalent")]
    DifferentButEquivalent,
    /// Surely beyond the margin.
    #[serde(rename = "different and relevant")]
    DifferentAndRelevant,
    /// The interval reaches both sides of the margin.
    #[serde(rename = "undecided")]
    Undecided,
}

/// The two one-sided tests.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct EquivalenceFinding {
    /// Level of each test.
    pub risk: f64,
    /// The larger p-value.
    pub p: f64,
    /// Lower end of the interval that decides.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// What follows.
    pub outcome: Closeness,
}

/// How the limits of agreement lie to the largest single difference that does no harm.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct AcceptableFinding {
    /// The largest single difference that does no harm.
    pub size: f64,
    /// `within` if both limits, with their intervals, keep it; `beyond` if one surely does not; else `undecided`.
    pub outcome: String,
}

/// The straight line with errors in both methods.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct LineFinding {
    /// Error variance of the other method over that of the reference.
    pub error_ratio: f64,
    /// `declared`, `from replicates`, `taken as 1`.
    pub error_ratio_from: String,
    /// True if errors grow in proportion to the level.
    pub weighted: bool,
    /// Slope.
    pub slope: LimitFinding,
    /// Intercept.
    pub intercept: LimitFinding,
    /// What the other method reads above the reference at some values.
    pub bias: Vec<BiasAtFinding>,
    /// The same along the specimens: the line with its band, value by value.
    #[serde(default)]
    pub band: Vec<BiasAtFinding>,
}

/// Bias at a value of the reference.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct BiasAtFinding {
    /// The value.
    pub at: f64,
    /// Other minus reference there.
    pub bias: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// True if the value lies outside the specimens studied.
    pub outside: bool,
}

/// The line by ranks.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct RankFinding {
    /// Slope; an end that cannot be told is null.
    pub slope: (f64, Option<f64>, Option<f64>),
    /// Intercept.
    pub intercept: (f64, Option<f64>, Option<f64>),
    /// p-value of 'a straight line'.
    pub linearity_p: f64,
    /// Pairs of specimens with an equal value.
    pub ties: usize,
    /// Pairs of specimens in all.
    pub slopes: usize,
}

/// Concordance with its parts.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ConcordanceFinding {
    /// Concordance.
    pub value: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Correlation.
    pub correlation: f64,
    /// How near the line is to equality.
    pub nearness: f64,
}

/// The observed difference against the calibration tolerances of both.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct ToleranceFinding {
    /// Tolerance of the reference.
    pub reference: f64,
    /// Tolerance of the other.
    pub other: f64,
    /// The most that both allow together.
    pub together: f64,
    /// What 95 of 100 such pairs keep, if errors lie anywhere within their tolerances.
    pub likely: f64,
    /// `within`, `beyond`, `undecided`.
    pub outcome: String,
}

/// How many specimens another study would need; null where no number of them up to 10,000 does.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct NextFinding {
    /// Power of the equivalence test.
    pub power: f64,
    /// To show equivalence with that power if there is no difference.
    pub equivalence: Option<u32>,
    /// Half the length of a limit's interval that is asked for.
    pub limit_reach: f64,
    /// To know each limit of agreement that well.
    pub limits: Option<u32>,
    /// To know the bias at the first value as well as the margin; about.
    pub bias: Option<u32>,
    /// To know what the slope by ranks makes of the bias at the ends of the range as well as the margin; about.
    #[serde(default)]
    pub ranks: Option<u32>,
    /// To halve the interval of the concordance; about.
    #[serde(default)]
    pub concordance: Option<u32>,
}

/// One specimen.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
pub struct PairFinding {
    /// Its label.
    pub specimen: String,
    /// Mean of the reference.
    pub reference: f64,
    /// Mean of the other.
    pub other: f64,
    /// Results averaged for each.
    pub replicates: (usize, usize),
    /// Mean position of its runs in the order.
    pub position: f64,
}

struct Specimen {
    label: String,
    values: [Vec<f64>; 2],
    /// Under which other units and levels each value was read.
    under: [Vec<String>; 2],
    positions: Vec<f64>,
}

/// Compares, or says why not. `ordered` is true if the order of the runs is known.
pub(super) fn comparison(
    protocol: &Protocol,
    site: Option<&Site>,
    plan: &ComparisonPlan,
    found: &ResponseFindings,
    ordered: bool,
) -> Result<AgreementFinding, String> {
    let factor = &protocol.factors[plan.methods];
    let names = [factor.level(plan.reference), factor.level(1 - plan.reference)];
    let specimens = specimens(protocol, plan, found, &names);
    let unit = protocol.units[plan.specimens].name.replace('_', " ");
    let n = specimens.len();
    if n < 4 {
        return Err(format!(
            "The methods cannot be compared: {n} of the {unit}s were read by both, and four are the least."
        ));
    }
    if plan.ratio && specimens.iter().any(|s| s.values.iter().flatten().any(|v| *v <= 0.0)) {
        return Err("The methods cannot be compared as ratios: a result is not above zero.".to_owned());
    }
    let scale = |value: f64| if plan.ratio { value.ln() } else { value };
    let back = |value: f64| if plan.ratio { value.exp() } else { value };
    let mean_of = |s: &Specimen, side: usize| {
        let scaled: Vec<f64> = s.values[side].iter().map(|v| scale(*v)).collect();
        sum::mean(&scaled)
    };
    let x: Vec<f64> = specimens.iter().map(|s| back(mean_of(s, 0))).collect();
    let y: Vec<f64> = specimens.iter().map(|s| back(mean_of(s, 1))).collect();
    let d: Vec<f64> = specimens.iter().map(|s| mean_of(s, 1) - mean_of(s, 0)).collect();
    let within = [0, 1].map(|side| {
        let groups: Vec<Vec<f64>> = specimens
            .iter()
            .map(|s| s.values[side].iter().map(|v| scale(*v)).collect())
            .collect();
        agreement::replicates(&groups)
    });
    let averaged = specimens.iter().any(|s| s.values.iter().any(|v| v.len() > 1));
    let linked = linked(&specimens, &scale);
    // A method without replicates has nothing to put back.
    let none = Replicates {
        variance: 0.0,
        df: 1.0,
        inverse: 1.0,
    };
    let both = match linked {
        Some(linked) => Some([linked, none]),
        None => averaged.then(|| within.map(|w| w.unwrap_or(none))),
    };
    // Sessions and temperatures scatter both methods alike: their own errors cannot be told from such replicates.
    let within = if linked.is_some() { [None, None] } else { within };
    let agreed = limits(&d, both, plan.coverage, found.confidence)
        .ok_or_else(|| format!("The methods cannot be compared: all {unit}s differ by the same."))?;
    let df = n as f64 - 1.0;
    let level: Vec<f64> = x.iter().zip(&y).map(|(x, y)| f64::midpoint(*x, *y)).collect();
    let margin = if plan.ratio { plan.margin.ln_1p() } else { plan.margin };
    let mut cannot_tell = Vec::new();
    if n < 40 {
        cannot_tell.push(format!(
            "{n} {unit}s were compared; for lines between methods 40 are a common floor (common practice), so their intervals \
             are wide."
        ));
    }
    if !averaged {
        cannot_tell.push(
            "No method read a specimen twice under this comparison, so what each scatters by itself cannot be told apart."
                .to_owned(),
        );
    }
    let with_interval = |(value, interval): (f64, crate::stats::interval::Interval)| LimitFinding {
        value: back(value),
        low: back(interval.lower),
        high: back(interval.upper),
    };
    let equivalence = equivalence(agreed.mean, agreed.standard_error, df, margin, plan.risk).map(|test| {
        let (low, high) = (test.interval.lower, test.interval.upper);
        let zero = agreed.mean_interval.lower <= 0.0 && agreed.mean_interval.upper >= 0.0;
        EquivalenceFinding {
            risk: plan.risk,
            p: test.p,
            low: back(low),
            high: back(high),
            outcome: if test.p <= plan.risk {
                if zero {
                    Closeness::Equivalent
                } else {
                    Closeness::DifferentButEquivalent
                }
            } else if agreed.mean_interval.lower >= margin || agreed.mean_interval.upper <= -margin {
                Closeness::DifferentAndRelevant
            } else {
                Closeness::Undecided
            },
        }
    });
    let acceptable = plan.acceptable.map(|size| {
        let most = if plan.ratio { size.ln_1p() } else { size };
        let outcome = if agreed.upper.1.upper <= most && agreed.lower.1.lower >= -most {
            "within"
        } else if agreed.upper.1.lower > most || agreed.lower.1.upper < -most {
            "beyond"
        } else {
            "undecided"
        };
        AcceptableFinding {
            size,
            outcome: outcome.to_owned(),
        }
    });
    let straight = straight(protocol, plan, (&x, &y), within, found.confidence);
    if straight.is_none() {
        cannot_tell.push("No straight line with errors in both methods fits these results.".to_owned());
    }
    let ranks = ranks(&x, &y, found.confidence);
    let outer = plan.acceptable.unwrap_or(plan.margin);
    let reach = if plan.ratio { outer.ln_1p() } else { outer } / 2.0;
    let bias_half = straight
        .as_ref()
        .and_then(|line| line.bias.first())
        .map(|b| (b.high - b.low) / 2.0);
    let deviation = sum::sum_of_squares_about_mean(&d) / df;
    // Half an interval shrinks with the root of the number of specimens.
    let enough = |half: f64| {
        Some((n as f64 * (half / plan.margin).powi(2)).ceil())
            .filter(|n| !plan.ratio && *n <= f64::from(MOST))
            .map(|n| (n as u32).max(4))
    };
    let half_range = {
        let (low, high) = ends(&x);
        (high - low) / 2.0
    };
    let next = NextFinding {
        power: POWER,
        equivalence: sample_size(POWER, 3, MOST, |n| {
            equivalence_power(0.0, margin * (n / deviation).sqrt(), n - 1.0, plan.risk)
        }),
        limit_reach: if plan.ratio { outer / 2.0 } else { reach },
        limits: sample_size(0.0, 3, MOST, |n| {
            reach - limit_reach(n, plan.coverage, found.confidence) * agreed.deviation
        }),
        bias: bias_half.and_then(enough),
        ranks: ranks
            .as_ref()
            .and_then(|ranks| ranks.slope.1.zip(ranks.slope.2))
            .and_then(|(low, high)| enough((high - low) / 2.0 * half_range)),
        // Lin's interval goes with 1/√(n − 2).
        concordance: u32::try_from(4 * (n - 2) + 2).ok().filter(|n| *n <= MOST),
    };
    let positions: Vec<f64> = specimens.iter().map(|s| sum::mean(&s.positions)).collect();
    let away: Vec<f64> = match line(&level, &d) {
        Some(line) => d
            .iter()
            .zip(&level)
            .map(|(d, m)| (d - line.intercept - line.slope * m).abs())
            .collect(),
        None => d.iter().map(|d| (d - agreed.mean).abs()).collect(),
    };
    let trend = |x: &[f64], y: &[f64]| {
        line(x, y).map(|line| {
            let interval = line.slope_interval(found.confidence);
            SpreadTrendFinding {
                intercept: line.intercept,
                slope: line.slope,
                low: interval.lower,
                high: interval.upper,
                p: line.p(),
                standard_deviation: line.deviation,
            }
        })
    };
    let (along_level, spread_along_level) = (trend(&level, &d), trend(&level, &away));
    let changes = |trend: &Option<SpreadTrendFinding>| trend.as_ref().is_some_and(|t| t.p <= 1.0 - found.confidence);
    let limits_along_level = if changes(&along_level) || changes(&spread_along_level) {
        along(
            (
                along_level.as_ref(),
                spread_along_level.as_ref().filter(|_| changes(&spread_along_level)),
            ),
            ends(&level),
            agreed.deviation.powi(2) - deviation,
            plan.coverage,
            &back,
        )
    } else {
        Vec::new()
    };
    Ok(AgreementFinding {
        factor: factor.name.clone(),
        reference: names[0].clone(),
        other: names[1].clone(),
        specimens: protocol.units[plan.specimens].name.clone(),
        n,
        scale: if plan.ratio { "ratio" } else { "difference" }.to_owned(),
        single: if plan.single_readings { "reading" } else { "result" }.to_owned(),
        difference: back(agreed.mean),
        standard_error: agreed.standard_error,
        df,
        low: back(agreed.mean_interval.lower),
        high: back(agreed.mean_interval.upper),
        standard_deviation: agreed.deviation,
        coverage: plan.coverage,
        lower_limit: with_interval(agreed.lower),
        upper_limit: with_interval(agreed.upper),
        exact: agreed.exact,
        within: within
            .iter()
            .zip(&names)
            .filter_map(|(within, name)| Some((name.clone(), (*within)?)))
            .chain(linked.map(|linked| ("both together".to_owned(), linked)))
            .map(|(method, within)| WithinFinding {
                method,
                standard_deviation: within.variance.sqrt(),
                df: within.df,
            })
            .collect(),
        along_level,
        spread_along_level,
        limits_along_level,
        along_order: if ordered { trend(&positions, &d) } else { None },
        margin: plan.margin,
        origin: plan.origin.clone(),
        equivalence,
        acceptable,
        line: straight,
        ranks,
        concordance: concordance(&x, &y, found.confidence).map(|c| ConcordanceFinding {
            value: c.value,
            low: c.interval.lower,
            high: c.interval.upper,
            correlation: c.correlation,
            nearness: c.nearness,
        }),
        tolerance: tolerance(
            site,
            plan,
            (back(agreed.mean_interval.lower), back(agreed.mean_interval.upper)),
        ),
        next,
        pairs: specimens
            .iter()
            .enumerate()
            .map(|(at, s)| PairFinding {
                specimen: s.label.clone(),
                reference: x[at],
                other: y[at],
                replicates: (s.values[0].len(), s.values[1].len()),
                position: positions[at],
            })
            .collect(),
        cannot_tell,
    })
}

fn ends(values: &[f64]) -> (f64, f64) {
    let start = (f64::INFINITY, f64::NEG_INFINITY);
    values.iter().fold(start, |(low, high), v| (low.min(*v), high.max(*v)))
}

/// Limits of agreement that follow the level (Bland and Altman 1999, section 3.2): the mean difference by its line; the
/// standard deviation √(π/2) times the line through the absolute residuals, or that of the residuals where their size does
/// not change. `averaging` is the variance that averaging took away.
fn along(
    (mean, size): (Option<&SpreadTrendFinding>, Option<&SpreadTrendFinding>),
    (low, high): (f64, f64),
    averaging: f64,
    coverage: f64,
    back: &dyn Fn(f64) -> f64,
) -> Vec<LimitsAtFinding> {
    let Some(mean) = mean else { return Vec::new() };
    let z = -crate::numeric::distribution::normal_quantile_lower((1.0 - coverage) / 2.0);
    [low, f64::midpoint(low, high), high]
        .into_iter()
        .map(|at| {
            let difference = mean.intercept + mean.slope * at;
            let of_means = size.map_or(mean.standard_deviation, |size| {
                ((size.intercept + size.slope * at) * (std::f64::consts::PI / 2.0).sqrt()).max(0.0)
            });
            let standard_deviation = (of_means * of_means + averaging.max(0.0)).sqrt();
            LimitsAtFinding {
                at,
                difference: back(difference),
                standard_deviation,
                lower: back(difference - z * standard_deviation),
                upper: back(difference + z * standard_deviation),
            }
        })
        .collect()
}

/// The specimens that both methods read, in order of their labels.
fn specimens(
    protocol: &Protocol,
    plan: &ComparisonPlan,
    found: &ResponseFindings,
    names: &[String; 2],
) -> Vec<Specimen> {
    let mut units = protocol.above(plan.specimens);
    units.push(plan.specimens);
    let factor = &protocol.factors[plan.methods].name;
    let label = |result: &RunResult| -> Option<String> {
        let parts: Option<Vec<&str>> = units
            .iter()
            .map(|&u| result.units.get(&protocol.units[u].name).map(String::as_str))
            .collect();
        Some(parts?.join(", "))
    };
    let mut all: BTreeMap<String, Specimen> = BTreeMap::new();
    for result in &found.results {
        let side = result
            .levels
            .get(factor)
            .and_then(|level| names.iter().position(|name| name == level));
        let (Some(label), Some(side)) = (label(result), side) else {
            continue;
        };
        let specimen = all.entry(label.clone()).or_insert_with(|| Specimen {
            label,
            values: [Vec::new(), Vec::new()],
            under: [Vec::new(), Vec::new()],
            positions: Vec::new(),
        });
        if plan.single_readings {
            specimen.values[side].extend(&result.readings);
        } else {
            specimen.values[side].push(result.result);
        }
        let under = under(protocol, &units, factor, result);
        specimen.under[side].resize(specimen.values[side].len(), under);
        specimen.positions.push(result.position as f64);
    }
    let mut both: Vec<Specimen> = all
        .into_values()
        .filter(|specimen| specimen.values.iter().all(|values| !values.is_empty()))
        .collect();
    let number = |label: &str| label.parse::<f64>().ok();
    both.sort_by(|a, b| match (number(&a.label), number(&b.label)) {
        (Some(x), Some(y)) => x.total_cmp(&y),
        _ => a.label.cmp(&b.label),
    });
    both
}

/// The other units and levels of a result.
fn under(protocol: &Protocol, specimen: &[usize], factor: &str, result: &RunResult) -> String {
    let units = protocol
        .units
        .iter()
        .enumerate()
        .filter(|(u, _)| !specimen.contains(u))
        .filter_map(|(_, unit)| result.units.get(&unit.name));
    let levels = result
        .levels
        .iter()
        .filter(|(name, _)| *name != factor)
        .map(|(_, level)| level);
    let all: Vec<&str> = units.chain(levels).map(String::as_str).collect();
    all.join("\n")
}

/// The scatter of differences on a specimen, if both methods read every specimen the same number of times under the same
/// other units and levels, and more than once.
fn linked(specimens: &[Specimen], scale: &dyn Fn(f64) -> f64) -> Option<Replicates> {
    let mut groups: Vec<Vec<f64>> = Vec::new();
    for specimen in specimens {
        let mut by: [BTreeMap<&str, Vec<f64>>; 2] = [BTreeMap::new(), BTreeMap::new()];
        for (side, own) in by.iter_mut().enumerate() {
            for (value, under) in specimen.values[side].iter().zip(&specimen.under[side]) {
                own.entry(under).or_default().push(scale(*value));
            }
        }
        let [first, second] = &by;
        let alike = first.len() > 1
            && first.len() == second.len()
            && first
                .iter()
                .all(|(under, values)| values.len() == 1 && second.get(under).is_some_and(|other| other.len() == 1));
        if !alike {
            return None;
        }
        groups.push(
            first
                .iter()
                .map(|(under, values)| second.get(under).map_or(0.0, |other| other[0]) - values[0])
                .collect(),
        );
    }
    agreement::replicates(&groups)
}

fn straight(
    protocol: &Protocol,
    plan: &ComparisonPlan,
    (x, y): (&[f64], &[f64]),
    within: [Option<Replicates>; 2],
    confidence: f64,
) -> Option<LineFinding> {
    let (ratio, from) = match (plan.error_ratio, within) {
        (Some(ratio), _) => (ratio, "declared"),
        // Replicates tell the errors of single results; those of the means count for the line.
        (None, [Some(first), Some(second)]) if first.variance > 0.0 && second.variance > 0.0 => (
            second.variance * second.inverse / (first.variance * first.inverse),
            "from replicates",
        ),
        _ => (1.0, "taken as 1"),
    };
    let line: BothErrorsLine = deming(x, y, ratio, plan.weighted)?;
    let (slope, intercept) = (line.slope_interval(confidence), line.intercept_interval(confidence));
    let (low, high) = x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(*v), high.max(*v))
    });
    let mut levels = plan.levels.clone();
    let declared = &protocol.responses[plan.response];
    if let Some(Limit::AtLeast(limit) | Limit::AtMost(limit)) = declared.limit
        && let Some(limit) = limit.to_f64()
        && !levels.contains(&limit)
    {
        levels.push(limit);
    }
    if levels.is_empty() {
        levels.push(f64::midpoint(low, high));
    }
    let bias_at = |at: f64| {
        let (bias, error) = line.bias_at(at);
        let interval = line.around(bias, error, confidence);
        BiasAtFinding {
            at,
            bias,
            low: interval.0,
            high: interval.1,
            outside: at < low || at > high,
        }
    };
    Some(LineFinding {
        error_ratio: ratio,
        error_ratio_from: from.to_owned(),
        weighted: plan.weighted,
        slope: LimitFinding {
            value: line.slope,
            low: slope.0,
            high: slope.1,
        },
        intercept: LimitFinding {
            value: line.intercept,
            low: intercept.0,
            high: intercept.1,
        },
        bias: levels.iter().map(|&at| bias_at(at)).collect(),
        band: (0..BAND)
            .map(|point| bias_at(low + (high - low) * point as f64 / (BAND as f64 - 1.0)))
            .collect(),
    })
}

fn ranks(x: &[f64], y: &[f64], confidence: f64) -> Option<RankFinding> {
    let found = passing_bablok(x, y, confidence)?;
    let end = |value: f64| value.is_finite().then_some(value);
    Some(RankFinding {
        slope: (found.slope, end(found.slope_interval.0), end(found.slope_interval.1)),
        intercept: (
            found.intercept,
            end(found.intercept_interval.0),
            end(found.intercept_interval.1),
        ),
        linearity_p: found.linearity_p,
        ties: found.ties,
        slopes: found.slopes.0,
    })
}

/// Is the difference inside what two tolerances allow together?
fn tolerance(site: Option<&Site>, plan: &ComparisonPlan, (low, high): (f64, f64)) -> Option<ToleranceFinding> {
    if plan.ratio {
        return None;
    }
    let of = |level: usize| {
        site?
            .named
            .iter()
            .find(|named| named.factor == plan.methods && named.level == level)
            .and_then(|named| named.tolerance)
            .and_then(|tolerance| tolerance.to_f64())
    };
    let (reference, other) = (of(plan.reference)?, of(1 - plan.reference)?);
    let together = reference + other;
    let outcome = if low > together || high < -together {
        "beyond"
    } else if low >= -together && high <= together {
        "within"
    } else {
        "undecided"
    };
    Some(ToleranceFinding {
        reference,
        other,
        together,
        likely: likely_difference(reference, other),
        outcome: outcome.to_owned(),
    })
}

/// What the difference of two errors, each anywhere within its tolerance, keeps in 95 of 100 pairs.
fn likely_difference(first: f64, second: f64) -> f64 {
    let (large, small) = (first.max(second), first.min(second));
    // In the level part of the trapezoid first, else on its slope.
    if 0.95 * large <= large - small {
        0.95 * large
    } else {
        large + small - (0.2 * large * small).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: two equal tolerances make a triangle, one alone a rectangle; the two forms meet.
    #[test]
    fn differences_of_errors_within_tolerances() {
        assert!((likely_difference(1.0, 1.0) - (2.0 - 0.2_f64.sqrt())).abs() < 1e-15);
        assert_eq!(likely_difference(1.0, 0.0), 0.95);
        assert!((likely_difference(1.0, 0.05) - 0.95).abs() < 1e-15);
        assert!((likely_difference(1.0, 0.050_000_1) - 0.95).abs() < 1e-6);
    }
}
