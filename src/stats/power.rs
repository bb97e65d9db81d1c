//! Power of t, F and equivalence tests, and the sample size that reaches a power.
//!
//! In:  the effect in units of its standard error (noncentrality), df, level α. Out: a probability in [0, 1], NaN outside the domain.
//!
//! | name            | symbol | meaning                                                            |
//! |-----------------|--------|--------------------------------------------------------------------|
//! | `noncentrality` | δ      | true difference over the true standard error of its estimate       |
//! | `noncentrality` | λ      | for F: Σ nᵢ(μᵢ − μ̄)²/σ²                                            |
//! | `alpha`         | α      | level of the test, 0 to 1                                          |
//!
//! Method: noncentral t and F; equivalence by averaging over the estimated standard deviation (Owen 1965, Biometrika
//! 52:437; Phillips 1990, J. Pharmacokin. Biopharm. 18:137).
//! Never here: designs with several strata; there the df and the standard error of the effect's own stratum go in.

use crate::numeric::decreasing_zero;
use crate::numeric::distribution::{
    f_quantile_upper, f_upper, noncentral_f_upper, noncentral_t_lower, noncentral_t_upper, normal_upper,
    over_standard_deviation_below, t_quantile_upper,
};

/// Which differences a t test is to find.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sides {
    /// Only differences above 0.
    One,
    /// Differences of either sign; both tails count to the power.
    Two,
}

/// Noncentrality δ = d √(n/2) of the difference of two groups of `n` each; `effect` d is the difference over σ.
pub fn two_group_noncentrality(effect: f64, n: f64) -> f64 {
    effect * (0.5 * n).sqrt()
}

/// Noncentrality δ = d √n of one mean, or of the mean of `n` paired differences; `effect` d is in units of their σ.
pub fn one_group_noncentrality(effect: f64, n: f64) -> f64 {
    effect * n.sqrt()
}

/// Noncentrality δ = E √N / 2 of a two-level effect E (mean at + minus mean at −, over σ) in `runs` N balanced runs.
pub fn two_level_noncentrality(effect: f64, runs: f64) -> f64 {
    0.5 * effect * runs.sqrt()
}

/// Power of a t test at level α with noncentrality δ.
///
/// Domain: δ finite, df > 0 (∞ included), 0 < α < 1; otherwise NaN.
pub fn t_power(noncentrality: f64, df: f64, alpha: f64, sides: Sides) -> f64 {
    match sides {
        Sides::One => noncentral_t_upper(t_quantile_upper(alpha, df), df, noncentrality),
        Sides::Two => {
            let critical = t_quantile_upper(0.5 * alpha, df);
            noncentral_t_upper(critical, df, noncentrality) + noncentral_t_lower(-critical, df, noncentrality)
        }
    }
}

/// Power of an F test at level α with noncentrality λ, for fixed effects.
///
/// Domain: λ ≥ 0 finite, df1 > 0 finite, df2 > 0 (∞ included), 0 < α < 1; otherwise NaN.
pub fn f_power(noncentrality: f64, df1: f64, df2: f64, alpha: f64) -> f64 {
    noncentral_f_upper(f_quantile_upper(alpha, df1, df2), df1, df2, noncentrality)
}

/// The noncentrality λ at which an F test at level α has the power; `None` if none below 10⁹ has.
///
/// Domain: `power` above α and below 1, df1 > 0 finite, df2 > 0 (∞ included); otherwise `None`.
pub fn f_noncentrality(power: f64, df1: f64, df2: f64, alpha: f64) -> Option<f64> {
    if !(power > alpha && power < 1.0) {
        return None;
    }
    sample_size_exact(power, 0.0, 1e9, |noncentrality| f_power(noncentrality, df1, df2, alpha))
}

/// Power of the F test for a random factor: P(F > c / `ratio`), c the critical value, with `ratio` ≥ 1 of the two expected mean squares, for a
/// one-way layout of n a group 1 + n times the ratio of the components.
///
/// Domain: ratio > 0, df1, df2 > 0, 0 < α < 1; otherwise NaN.
pub fn random_factor_power(ratio: f64, df1: f64, df2: f64, alpha: f64) -> f64 {
    if ratio.is_nan() || ratio <= 0.0 {
        return f64::NAN;
    }
    f_upper(f_quantile_upper(alpha, df1, df2) / ratio, df1, df2)
}

/// Power of an equivalence test by two one-sided t tests, each at level α: the chance that the interval of level
/// 1 − 2α lies within ±margin.
///
/// `difference` and `margin` are the true difference and the limit, both over the true standard error of the
/// estimated difference. Domain: finite difference, margin > 0, df > 0 (∞ included), 0 < α < ½; otherwise NaN.
pub fn equivalence_power(difference: f64, margin: f64, df: f64, alpha: f64) -> f64 {
    if !(difference.is_finite() && margin > 0.0 && alpha > 0.0 && alpha < 0.5) {
        return f64::NAN;
    }
    let critical = t_quantile_upper(alpha, df);
    // given S = s the estimate must lie between −margin + t s and margin − t s
    let within = |s: f64| {
        let (low, high) = (-margin - difference + critical * s, margin - difference - critical * s);
        if low >= high {
            return 0.0;
        }
        // the difference of the smaller tails
        if low > 0.0 {
            normal_upper(low) - normal_upper(high)
        } else {
            normal_upper(-high) - normal_upper(-low)
        }
    };
    over_standard_deviation_below(df, margin / critical, within).clamp(0.0, 1.0)
}

/// The real number n in [`low`, `high`] at which the rising function `power_at`(n) reaches `power`; `low` if it is reached
/// there, `None` if it is not reached at `high` or gives NaN.
pub fn sample_size_exact(power: f64, low: f64, high: f64, power_at: impl Fn(f64) -> f64) -> Option<f64> {
    let n = decreasing_zero(|n| power - power_at(n), low, 1.0, low, high);
    (n < high || power_at(high) >= power)
        .then_some(n)
        .filter(|n| n.is_finite())
}

/// The smallest whole n from `low` to `high` whose `power_at`(n), rising in n, is at least `power`; `None` if there is none.
pub fn sample_size(power: f64, low: u32, high: u32, power_at: impl Fn(f64) -> f64) -> Option<u32> {
    let reached = |n: u32| power_at(f64::from(n)) >= power;
    if low > high || !reached(high) {
        return None;
    }
    let (mut below, mut above) = (low, high);
    while below < above {
        let middle = below + (above - below) / 2;
        if reached(middle) {
            above = middle;
        } else {
            below = middle + 1;
        }
    }
    Some(above)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: without an effect the power is the level of the test.
    #[test]
    fn no_effect_is_found_at_the_level() {
        for df in [1.0, 7.5, 200.0, f64::INFINITY] {
            assert!((t_power(0.0, df, 0.05, Sides::Two) - 0.05).abs() < 1e-14);
            assert!((t_power(0.0, df, 0.05, Sides::One) - 0.05).abs() < 1e-14);
            assert!((f_power(0.0, 3.0, df, 0.01) - 0.01).abs() < 1e-14);
            assert!((random_factor_power(1.0, 3.0, df, 0.01) - 0.01).abs() < 1e-14);
        }
    }

    /// Closed form: with known standard deviation the power of an equivalence test at no difference is
    /// 2Φ(margin − z) − 1; a t test of two sides and the F test of 1 df are one test.
    #[test]
    fn limits_and_identities() {
        let z = 1.644_853_626_951_472_7;
        let want = 1.0 - 2.0 * normal_upper(3.0 - z);
        assert!((equivalence_power(0.0, 3.0, f64::INFINITY, 0.05) - want).abs() < 1e-14);
        assert!((equivalence_power(0.0, 3.0, 1e7, 0.05) - want).abs() < 1e-6);
        assert!((t_power(1.7, 9.0, 0.05, Sides::Two) - f_power(1.7 * 1.7, 1.0, 9.0, 0.05)).abs() < 1e-13);
        assert!(equivalence_power(0.0, -1.0, 9.0, 0.05).is_nan());
        assert!(t_power(1.0, -2.0, 0.05, Sides::Two).is_nan());
    }

    /// Sizes printed in common tables of two groups at α = 0.05, two-sided, recomputed: d = 1 needs 17 (80 %) and 23
    /// (90 %) a group, d = 1.5 needs 9 and 11.
    #[test]
    fn sizes_of_two_groups() {
        let size = |effect: f64, power: f64| {
            sample_size(power, 2, 1000, |n| {
                t_power(two_group_noncentrality(effect, n), 2.0 * n - 2.0, 0.05, Sides::Two)
            })
        };
        assert_eq!(
            (size(1.0, 0.8), size(1.0, 0.9), size(1.5, 0.8), size(1.5, 0.9)),
            (Some(17), Some(23), Some(9), Some(11))
        );
        assert_eq!(size(0.0, 0.8), None);
    }
}
