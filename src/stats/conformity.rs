//! Does a true value keep a limit, and how often will results say so?
//!
//! In:  a result with its uncertainty, limits, or the spread of results about the true value. Out: probabilities in [0, 1].
//!
//! | name     | symbol | meaning                                                                      |
//! |----------|--------|------------------------------------------------------------------------------|
//! | `fresh`  | `σ_f`  | standard deviation that is new in every result: readings, set-ups            |
//! | `shared` | `σ_s`  | standard deviation that all results of one laboratory share: its bias        |
//! | `margin` | μ − A  | how far the true value lies inside the acceptance limit; negative outside    |
//!
//! Method: JCGM 106:2012: conformity probability (7), guard bands (8), risks of a process (9.5). Integrals by Gauss and
//! Legendre's rule on short pieces.
//! Never here: one-sided or two-sided wording, rounding, who bears which risk.

use crate::numeric::distribution::{
    normal_density, normal_lower, normal_quantile_lower, normal_upper, t_lower, t_upper,
};

/// Probability that the true value lies between the limits, for a result `y` with standard uncertainty `u` on `df` degrees
/// of freedom (∞ for known) and nothing else known; a limit may be infinite. NaN unless u > 0.
pub fn conformity_probability(y: f64, u: f64, df: f64, (lower, upper): (f64, f64)) -> f64 {
    if !(u > 0.0) {
        return f64::NAN;
    }
    let (below, above) = ((lower - y) / u, (upper - y) / u);
    let tail_below = |z: f64| {
        if df.is_finite() {
            t_lower(z, df)
        } else {
            normal_lower(z)
        }
    };
    let tail_above = |z: f64| {
        if df.is_finite() {
            t_upper(z, df)
        } else {
            normal_upper(z)
        }
    };
    if above.is_infinite() {
        tail_above(below)
    } else if below.is_infinite() {
        tail_below(above)
    } else {
        1.0 - tail_below(below) - tail_above(above)
    }
}

/// What is known of a true value after a result, from what was known of its production before: (mean, standard deviation).
pub fn posterior((y, u): (f64, f64), (mean, deviation): (f64, f64)) -> (f64, f64) {
    let (known, seen) = (1.0 / (deviation * deviation), 1.0 / (u * u));
    let variance = 1.0 / (known + seen);
    (variance * (mean * known + y * seen), variance.sqrt())
}

/// The risks of a production that is measured and sorted; joint probabilities of one item.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalRisk {
    /// An item conforms.
    pub conforming: f64,
    /// An item is accepted.
    pub accepted: f64,
    /// An item is accepted and does not conform: the consumer's risk.
    pub wrongly_accepted: f64,
    /// An item is rejected and conforms: the producer's risk.
    pub wrongly_rejected: f64,
}

/// Risks for a normal production and normal errors of standard deviation `u`. Limits may be infinite.
///
/// `None` unless both standard deviations are positive and each first limit lies below the second.
pub fn global_risk(
    (mean, deviation): (f64, f64),
    u: f64,
    tolerance: (f64, f64),
    acceptance: (f64, f64),
) -> Option<GlobalRisk> {
    if !(deviation > 0.0 && u > 0.0 && mean.is_finite() && tolerance.0 < tolerance.1 && acceptance.0 < acceptance.1) {
        return None;
    }
    let density = |t: f64| normal_density((t - mean) / deviation) / deviation;
    let accept = |t: f64| conformity_probability(t, u, f64::INFINITY, acceptance);
    let ends = (mean - 10.0 * deviation, mean + 10.0 * deviation);
    let over =
        |low: f64, high: f64, f: &dyn Fn(f64) -> f64| integral(low.max(ends.0), high.min(ends.1), deviation.min(u), f);
    let below_and_above =
        |f: &dyn Fn(f64) -> f64| over(f64::NEG_INFINITY, tolerance.0, f) + over(tolerance.1, f64::INFINITY, f);
    let (low, high) = ((tolerance.0 - mean) / deviation, (tolerance.1 - mean) / deviation);
    let all = deviation.hypot(u);
    let (from, to) = ((acceptance.0 - mean) / all, (acceptance.1 - mean) / all);
    Some(GlobalRisk {
        conforming: 1.0 - normal_lower(low) - normal_upper(high),
        accepted: 1.0 - normal_lower(from) - normal_upper(to),
        wrongly_accepted: below_and_above(&|t| density(t) * accept(t)),
        wrongly_rejected: over(tolerance.0, tolerance.1, &|t| density(t) * (1.0 - accept(t))),
    })
}

/// Nodes and weights of Gauss and Legendre's rule with 8 points on [−1, 1], one side.
const NODES: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
];

/// ∫ f over [low, high], in pieces no longer than `scale` (2,000 pieces at most); 0 for an empty interval.
fn integral(low: f64, high: f64, scale: f64, f: &dyn Fn(f64) -> f64) -> f64 {
    if !(low < high) {
        return 0.0;
    }
    let pieces = ((high - low) / scale).ceil().clamp(8.0, 2_000.0);
    let half = (high - low) / pieces / 2.0;
    let mut total = 0.0;
    for k in 0..pieces as usize {
        let middle = low + half * (2.0 * k as f64 + 1.0);
        for (node, weight) in NODES {
            total += weight * half * (f(middle - node * half) + f(middle + node * half));
        }
    }
    total
}

/// What is done when a result does not pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Retest {
    /// It does not pass.
    None,
    /// A second result counts if the first one does not pass.
    SecondCounts,
    /// Two results are always made, and their mean counts.
    MeanOfTwo,
}

/// Chance that a product passes whose true value lies `margin` inside the acceptance limit, at one laboratory without
/// bias: only what is new in every result varies.
pub fn passes_at_one(margin: f64, fresh: f64, retest: Retest) -> f64 {
    let chance = |deviation: f64| {
        if deviation > 0.0 {
            normal_lower(margin / deviation)
        } else if margin >= 0.0 {
            1.0
        } else {
            0.0
        }
    };
    match retest {
        Retest::None => chance(fresh),
        Retest::SecondCounts => {
            let fails = if fresh > 0.0 {
                normal_upper(margin / fresh)
            } else {
                1.0 - chance(fresh)
            };
            1.0 - fails * fails
        }
        Retest::MeanOfTwo => chance(fresh / 2.0_f64.sqrt()),
    }
}

/// The same chance at a laboratory taken at random: its bias varies too, and is the same in a second result.
pub fn passes_at_random(margin: f64, fresh: f64, shared: f64, retest: Retest) -> f64 {
    match retest {
        Retest::None => passes_at_one(margin, fresh.hypot(shared), retest),
        Retest::MeanOfTwo => passes_at_one(margin, (fresh / 2.0_f64.sqrt()).hypot(shared), Retest::None),
        Retest::SecondCounts if !(shared > 0.0 && fresh > 0.0) => passes_at_one(
            margin,
            if shared > 0.0 { shared } else { fresh },
            if shared > 0.0 { Retest::None } else { retest },
        ),
        Retest::SecondCounts => integral(-9.0 * shared, 9.0 * shared, shared.min(fresh), &|bias| {
            normal_density(bias / shared) / shared * passes_at_one(margin + bias, fresh, retest)
        }),
    }
}

/// The least margin at which a product passes with probability `share`, above one half or not; NaN outside (0, 1).
pub fn least_margin(share: f64, fresh: f64, shared: f64, retest: Retest) -> f64 {
    if !(share > 0.0 && share < 1.0) {
        return f64::NAN;
    }
    let z = normal_quantile_lower(share);
    match retest {
        Retest::None => z * fresh.hypot(shared),
        Retest::MeanOfTwo => z * (fresh / 2.0_f64.sqrt()).hypot(shared),
        Retest::SecondCounts => {
            let all = fresh.hypot(shared);
            if all == 0.0 {
                return 0.0;
            }
            crate::numeric::bracketed_zero(
                |margin| passes_at_random(margin, fresh, shared, retest) - share,
                -8.0 * all,
                8.0 * all,
            )
        }
    }
}

/// The lowest result before rounding that still passes a lower limit when results are rounded to `step` first, halves up:
/// half a step below the lowest multiple that is not below the limit (ASTM E29, rounding method).
pub fn limit_before_rounding(limit: f64, step: f64) -> f64 {
    // A limit that is a multiple of the step up to the last bits is one.
    let steps = (limit / step - 1e-9).ceil();
    (steps - 0.5) * step
}

/// Upper limit with probability `level` of a standard deviation estimated on `df` degrees of freedom: s √(ν/χ²₁₋level);
/// the estimate itself where it is known.
pub fn conservative_deviation(deviation: f64, df: f64, level: f64) -> f64 {
    if df.is_finite() && df > 0.0 {
        deviation * (df / crate::numeric::distribution::chi2_quantile_lower(1.0 - level, df)).sqrt()
    } else {
        deviation
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: at the limit itself half pass, and the margin for a share gives that share back.
    #[test]
    fn margins_and_shares_agree() {
        assert_eq!(passes_at_one(0.0, 0.7, Retest::None), 0.5);
        for retest in [Retest::None, Retest::SecondCounts, Retest::MeanOfTwo] {
            for (fresh, shared) in [(0.6, 0.8), (0.5, 0.0), (0.0, 0.4), (1e-3, 1.0)] {
                let margin = least_margin(0.95, fresh, shared, retest);
                let share = passes_at_random(margin, fresh, shared, retest);
                assert!((share - 0.95).abs() < 1e-9, "{retest:?} {fresh} {shared}: {share}");
            }
        }
    }

    /// Closed form: without a shared part a second result passes with 1 − (1 − P)²; with nothing but a shared part it
    /// changes nothing.
    #[test]
    fn a_second_try_helps_only_against_fresh_spread() {
        let once = passes_at_one(-0.3, 0.5, Retest::None);
        let twice = passes_at_random(-0.3, 0.5, 0.0, Retest::SecondCounts);
        assert!((twice - (1.0 - (1.0 - once).powi(2))).abs() < 1e-14);
        assert_eq!(
            passes_at_random(-0.3, 0.0, 0.5, Retest::SecondCounts),
            passes_at_random(-0.3, 0.0, 0.5, Retest::None)
        );
    }

    /// Figures of the acceptance curve with standard deviations 0.8 and 0.6/√10, three decimals (checked by hand).
    #[test]
    fn acceptance_curve() {
        let fresh = 0.6 / 10.0_f64.sqrt();
        for (margin, expected) in [(-1.0, 0.112), (0.0, 0.5), (1.0, 0.888), (1.5, 0.966), (2.0, 0.993)] {
            let found = passes_at_random(margin, fresh, 0.8, Retest::None);
            assert!((found - expected).abs() < 5e-4, "{margin}: {found}");
        }
        assert!((least_margin(0.95, fresh, 0.8, Retest::None) - 1.35).abs() < 5e-3);
    }

    /// Closed form.
    #[test]
    fn rounding_moves_the_limit_by_half_a_step() {
        for (limit, step, expected) in [
            (55.0, 1.0, 54.5),
            (55.0, 0.1, 54.95),
            (55.3, 0.5, 55.25),
            (0.3, 0.1, 0.25),
        ] {
            assert!(
                (limit_before_rounding(limit, step) - expected).abs() < 1e-9,
                "{limit} {step}"
            );
        }
    }

    /// Closed form: the posterior of equal knowledge lies half way.
    #[test]
    fn what_was_known_and_what_was_seen() {
        let (mean, deviation) = posterior((10.0, 1.0), (12.0, 1.0));
        assert_eq!(mean, 11.0);
        assert!((deviation - 0.5_f64.sqrt()).abs() < 1e-15);
    }

    /// Published (from memory of a chi-square table): 5 % point on 9 degrees of freedom 3.325.
    #[test]
    fn a_conservative_deviation_is_larger() {
        assert!((conservative_deviation(1.0, 9.0, 0.95) - (9.0_f64 / 3.325).sqrt()).abs() < 1e-3);
        assert_eq!(conservative_deviation(0.4, f64::INFINITY, 0.95), 0.4);
    }
}
