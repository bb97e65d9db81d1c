//! Noncentral t and F distributions: tails, and the quantile of t.
//!
//! In:  t or f, df > 0, noncentrality δ (t, any sign) or λ ≥ 0 (F). Out: probabilities in [0, 1], or a quantile.
//!
//! | name            | symbol | meaning                                                      |
//! |-----------------|--------|--------------------------------------------------------------|
//! | `noncentrality` | δ      | T = (Z + δ)/S, Z standard normal, df·S² chi-square            |
//! | `noncentrality` | λ      | F = (X/df1)/(Y/df2), X noncentral chi-square, Σ μᵢ² = λ       |
//!
//! Method: t by P(T ≤ t) = ∫ Φ(t s − δ) g(s) ds over the distribution g of S, an integral of positive terms, so that
//! neither tail cancels; F by P = Σ Poisson(j; λ/2) I(df1/2 + j, df2/2), summed outward from the largest weight
//! (Johnson, Kotz and Balakrishnan 1995, "Continuous univariate distributions", volume 2, chapters 30 and 31).

use super::special::{Tails, at_most_1, beta_tails, exp_minus_1_minus, gamma_tails, poisson, stirling};
use super::{normal_lower, normal_quantile_lower, t_lower, t_quantile_upper};
use crate::numeric::quadrature::weighted_integral;
use crate::numeric::root::decreasing_zero;
use std::f64::consts::PI;

/// The distribution of z = ln S, where df·S² is chi-square with `df` degrees of freedom: S is an estimated standard
/// deviation in units of the true one. Its density is 2a C exp(−a(e²ᶻ − 1 − 2z)), a = df/2, C = exp(−δ(a))/√(2πa).
struct LnDeviation {
    a: f64,
    constant: f64,
}

impl LnDeviation {
    fn new(df: f64) -> LnDeviation {
        let a = 0.5 * df;
        LnDeviation {
            a,
            constant: 2.0 * a * (-stirling(a)).exp() / (2.0 * PI * a).sqrt(),
        }
    }

    fn density(&self, z: f64) -> f64 {
        self.constant * (-self.a * exp_minus_1_minus(2.0 * z)).exp()
    }

    /// Where the density falls below all doubles, left and right.
    fn ends(&self) -> (f64, f64) {
        let reach = |sign: f64| {
            let left_over = |z: f64| 745.0 - self.a * exp_minus_1_minus(2.0 * sign * z.exp());
            decreasing_zero(left_over, -0.5 * (2.0 * self.a).ln(), 1.0, -40.0, 700.0).exp()
        };
        (-reach(-1.0), reach(1.0))
    }

    /// A step that resolves the density.
    fn step(&self) -> f64 {
        (0.35 / self.a.sqrt()).min(0.5)
    }
}

/// The mean of `f`(S), 0 ≤ f ≤ 1 and smooth, over the estimated standard deviation S in units of the true one; df·S² is
/// chi-square. f(1) for df = ∞ (from 10¹⁶ on), NaN for df ≤ 0.
pub(crate) fn over_standard_deviation(df: f64, f: impl Fn(f64) -> f64) -> f64 {
    if df.is_nan() || df <= 0.0 {
        return f64::NAN;
    }
    if df > 1e16 {
        return f(1.0);
    }
    let z = LnDeviation::new(df);
    let (low, high) = z.ends();
    weighted_integral(|u| z.density(u), |u| f(u.exp()), low, high, z.step())
}

/// As [`over_standard_deviation`], for an `f` that is 0 from `limit` on and smooth below: the part above does not count.
pub(crate) fn over_standard_deviation_below(df: f64, limit: f64, f: impl Fn(f64) -> f64) -> f64 {
    if df.is_nan() || df <= 0.0 || limit.is_nan() {
        return f64::NAN;
    }
    if limit <= 0.0 {
        return 0.0;
    }
    if df > 1e16 {
        return if limit > 1.0 { f(1.0) } else { 0.0 };
    }
    let z = LnDeviation::new(df);
    let (low, high) = z.ends();
    let end = limit.ln();
    if end >= high {
        return over_standard_deviation(df, f);
    }
    if end <= low {
        return 0.0;
    }
    // z = end − eᵘ puts the corner at u = −∞, where everything vanishes
    let weight = |u: f64| z.density(end - u.exp()) * u.exp();
    weighted_integral(
        weight,
        |u| f((end - u.exp()).exp()),
        (end - low).ln() - 45.0,
        (end - low).ln(),
        0.01,
    )
}

fn t_domain(t: f64, df: f64, noncentrality: f64) -> bool {
    !t.is_nan() && df > 0.0 && noncentrality.is_finite()
}

/// Lower tail P(T ≤ t) of the noncentral t distribution with noncentrality δ.
///
/// Domain: every t, df > 0 (∞ for Φ(t − δ)), δ finite; otherwise NaN. Relative error about 10⁻¹³ while the tail
/// is above 10⁻³⁰⁰.
pub fn noncentral_t_lower(t: f64, df: f64, noncentrality: f64) -> f64 {
    if !t_domain(t, df, noncentrality) {
        return f64::NAN;
    }
    if t == f64::NEG_INFINITY {
        return 0.0;
    }
    if t == f64::INFINITY {
        return 1.0;
    }
    if noncentrality == 0.0 {
        return t_lower(t, df);
    }
    if t == 0.0 {
        return normal_lower(-noncentrality);
    }
    at_most_1(over_standard_deviation(df, |s| normal_lower(t * s - noncentrality)))
}

/// Upper tail P(T > t): the lower tail at −t with noncentrality −δ. Domain as [`noncentral_t_lower`].
pub fn noncentral_t_upper(t: f64, df: f64, noncentrality: f64) -> f64 {
    noncentral_t_lower(-t, df, -noncentrality)
}

/// Quantile t with P(T ≤ t) = `p`.
///
/// Domain: 0 ≤ p ≤ 1 (−∞ at 0, ∞ at 1), df > 0 (∞ for the normal distribution), δ finite; otherwise NaN.
pub fn noncentral_t_quantile_lower(p: f64, df: f64, noncentrality: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) || !t_domain(0.0, df, noncentrality) {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::NEG_INFINITY;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    if df == f64::INFINITY {
        return noncentrality + normal_quantile_lower(p);
    }
    if noncentrality == 0.0 {
        return -t_quantile_upper(p, df);
    }
    let start = noncentrality + normal_quantile_lower(p);
    let small = |tail: f64| tail.max(f64::MIN_POSITIVE).ln();
    let step = 0.5 + 0.1 * noncentrality.abs();
    if p <= 0.5 {
        let goal = p.ln();
        decreasing_zero(
            |t| goal - small(noncentral_t_lower(t, df, noncentrality)),
            start,
            step,
            f64::MIN,
            f64::MAX,
        )
    } else {
        let goal = (1.0 - p).ln();
        decreasing_zero(
            |t| small(noncentral_t_upper(t, df, noncentrality)) - goal,
            start,
            step,
            f64::MIN,
            f64::MAX,
        )
    }
}

/// Σ Poisson(j; mean) tail(j), from the largest weight outward. `tail` lies in [0, 1] and changes monotonically with j.
fn poisson_mixture(mean: f64, tail: impl Fn(f64) -> f64) -> f64 {
    let center = mean.floor();
    let mut sum = 0.0;
    for direction in [1.0, -1.0] {
        let mut before = 0.0;
        let mut j = if direction > 0.0 { center } else { center - 1.0 };
        let mut steps = 0;
        while j >= 0.0 && steps < 1_000_000 {
            let term = poisson(j, mean) * tail(j);
            sum += term;
            if term < before && term <= 1e-18 * sum {
                break;
            }
            before = term;
            j += direction;
            steps += 1;
            if term == 0.0 && (j - center).abs() > 60.0 * (mean + 4.0).sqrt() {
                break;
            }
        }
    }
    sum
}

fn f_tail(f: f64, df1: f64, df2: f64, noncentrality: f64, pick: fn(Tails) -> f64) -> f64 {
    let sound = f >= 0.0 && df1 > 0.0 && df1.is_finite() && df2 > 0.0 && (0.0..f64::INFINITY).contains(&noncentrality);
    if !sound {
        return f64::NAN;
    }
    if f == 0.0 {
        return pick(Tails::LEFT);
    }
    let odds = f * (df1 / df2);
    if f == f64::INFINITY || odds == f64::INFINITY {
        return pick(Tails::RIGHT);
    }
    let central = |j: f64| {
        if df2 == f64::INFINITY {
            gamma_tails(0.5 * df1 + j, 0.5 * df1 * f)
        } else {
            beta_tails(0.5 * df1 + j, 0.5 * df2, odds / (1.0 + odds), 1.0 / (1.0 + odds))
        }
    };
    if noncentrality == 0.0 {
        return pick(central(0.0));
    }
    at_most_1(poisson_mixture(0.5 * noncentrality, |j| pick(central(j))))
}

/// Lower tail P(F ≤ f) of the noncentral F distribution with noncentrality λ.
///
/// Domain: f ≥ 0, df1 > 0 finite, df2 > 0 (∞ for a noncentral chi-square over df1), 0 ≤ λ < ∞; otherwise NaN. Relative error about 10⁻¹³ in
/// both tails. The work grows as √λ; meant for λ up to 10⁹.
pub fn noncentral_f_lower(f: f64, df1: f64, df2: f64, noncentrality: f64) -> f64 {
    f_tail(f, df1, df2, noncentrality, |tails| tails.lower)
}

/// Upper tail P(F > f) of the noncentral F distribution: the power of an F test with critical value f. Domain as
/// [`noncentral_f_lower`].
pub fn noncentral_f_upper(f: f64, df1: f64, df2: f64, noncentrality: f64) -> f64 {
    f_tail(f, df1, df2, noncentrality, |tails| tails.upper)
}
