//! Several means against one: the largest |t| of comparisons that share a mean, upper tail and quantile.
//!
//! In:  q ≥ 0 without unit, the loading λᵢ of each comparison in (−1, 1), df > 0 (∞ for normal variables).
//! Out: a probability in [0, 1], or a quantile.
//!
//! | name     | symbol | meaning                                                                        |
//! |----------|--------|--------------------------------------------------------------------------------|
//! | loading  | λᵢ     | correlation of comparisons i and j is λᵢλⱼ; nᵢ against n₀ runs: √(nᵢ/(nᵢ + n₀))   |
//!
//! Method: P(max |Tᵢ| > q) = E W(q S), S as in the noncentral t, W(w) = ∫ φ(z) [1 − Π(1 − pᵢ(z, w))] dz with
//! pᵢ = P(|λᵢz + √(1 − λᵢ²) e| > w), e standard normal. Positive throughout, so that small tails keep their digits.
//! The integrand is even and smooth: a trapezoidal sum is exact to rounding. The definition; Dunnett (1955), J. Am.
//! Statist. Ass. 50:1096 for the correlations (from memory).

use super::noncentral::over_standard_deviation;
use super::special::at_most_1;
use super::{normal_density, normal_lower, normal_quantile_lower, normal_upper};
use crate::numeric::root::decreasing_zero;

/// Step over z in units of the narrowest feature of the integrand.
const STEP: f64 = 0.2;
/// Beyond, φ is below all doubles.
const END: f64 = 38.5;
/// Largest loading told apart from one.
const LARGEST: f64 = 0.999_9;

/// The largest of several normal variables with one common part.
struct Largest {
    /// Loading, what is left beside it, and how many comparisons have it.
    loadings: Vec<(f64, f64, f64)>,
    step: f64,
}

impl Largest {
    /// `None` without a comparison, or for a loading that is no correlation.
    fn new(loadings: &[f64]) -> Option<Self> {
        if loadings.is_empty() || !loadings.iter().all(|l| l.abs() <= 1.0) {
            return None;
        }
        let mut sizes: Vec<f64> = loadings.iter().map(|l| l.abs().min(LARGEST)).collect();
        sizes.sort_by(f64::total_cmp);
        let loadings: Vec<(f64, f64, f64)> = sizes
            .chunk_by(|a, b| a == b)
            .map(|same| (same[0], (1.0 - same[0] * same[0]).sqrt(), same.len() as f64))
            .collect();
        let narrowest = loadings.iter().fold(1.0_f64, |s, (l, rest, _)| s.min(rest / l));
        Some(Self {
            loadings,
            step: STEP * narrowest,
        })
    }

    /// W(w), the chance that any of them lies beyond w in size.
    fn upper(&self, w: f64) -> f64 {
        let mut sum = 0.0;
        let mut i = 0_u32;
        loop {
            let z = self.step * f64::from(i);
            let weight = if i == 0 { 0.5 } else { 1.0 } * normal_density(z);
            if z > END || weight < 1e-18 * sum {
                break;
            }
            let none: f64 = self
                .loadings
                .iter()
                .map(|&(loading, rest, many)| {
                    let beyond = normal_upper((w - loading * z) / rest) + normal_lower((-w - loading * z) / rest);
                    many * (-beyond.min(1.0)).ln_1p()
                })
                .sum();
            sum -= weight * none.exp_m1();
            i += 1;
        }
        (2.0 * self.step * sum).clamp(0.0, 1.0)
    }
}

/// Upper tail P(max |Tᵢ| > q) of comparisons whose correlations are products of `loadings`, with `df` degrees of freedom of
/// the error.
///
/// Domain: q ≥ 0, at least one loading, each at most 1 in size (counted as 0.9999 above that), df > 0 (∞ included);
/// otherwise NaN.
pub fn many_to_one_upper(q: f64, loadings: &[f64], df: f64) -> f64 {
    let Some(largest) = Largest::new(loadings).filter(|_| q >= 0.0 && df > 0.0) else {
        return f64::NAN;
    };
    if q == 0.0 {
        return 1.0;
    }
    if q == f64::INFINITY {
        return 0.0;
    }
    at_most_1(over_standard_deviation(df, |s| largest.upper(q * s)))
}

/// Quantile q with P(max |Tᵢ| > q) = `p`: all differences from the common mean lie within ± q of their standard errors with
/// probability 1 − p.
///
/// Domain: 0 ≤ p ≤ 1 (∞ at 0, 0 at 1), loadings and df as in [`many_to_one_upper`]; otherwise NaN.
pub fn many_to_one_quantile_upper(p: f64, loadings: &[f64], df: f64) -> f64 {
    let Some(largest) = Largest::new(loadings).filter(|_| (0.0..=1.0).contains(&p) && df > 0.0) else {
        return f64::NAN;
    };
    if p == 0.0 {
        return f64::INFINITY;
    }
    if p == 1.0 {
        return 0.0;
    }
    // As if the comparisons were independent and the spread known.
    let start = (-normal_quantile_lower(0.5 * p / loadings.len() as f64)).max(0.1).ln();
    let goal = p.ln();
    decreasing_zero(
        |u| {
            let upper = over_standard_deviation(df, |s| largest.upper(u.exp() * s));
            upper.max(f64::MIN_POSITIVE).ln() - goal
        },
        start,
        0.25,
        -744.0,
        709.0,
    )
    .exp()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::distribution::{studentized_range_upper, t_quantile_upper, t_upper};

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got / want - 1.0).abs() < tolerance, "{got:e} against {want:e}");
    }

    /// Closed form: one comparison is Student's t, whatever its loading.
    #[test]
    fn one_comparison_is_t() {
        for loading in [0.0, 0.3, -0.8, 0.97] {
            for (q, df) in [(0.5, 3.0), (2.2, 7.5), (9.0, 20.0), (3.0, f64::INFINITY)] {
                close(many_to_one_upper(q, &[loading], df), 2.0 * t_upper(q, df), 1e-11);
            }
            close(
                many_to_one_quantile_upper(0.05, &[loading], 11.0),
                t_quantile_upper(0.025, 11.0),
                1e-11,
            );
        }
    }

    /// Closed form: independent normal variables multiply.
    #[test]
    fn independent_normals_multiply() {
        let two_sided: f64 = 2.0 * normal_upper(2.1);
        let want = -(4.0 * (-two_sided).ln_1p()).exp_m1();
        close(many_to_one_upper(2.1, &[0.0; 4], f64::INFINITY), want, 1e-13);
    }

    /// Closed form: of three means, the two differences from one lie below the largest of all three pairs, and above one.
    #[test]
    fn two_comparisons_lie_between_one_and_all_pairs() {
        let half = 0.5_f64.sqrt();
        for (q, df) in [(1.5, 4.0), (2.5, 12.0), (6.0, 12.0)] {
            let two = many_to_one_upper(q, &[half, half], df);
            assert!(two > 2.0 * t_upper(q, df) && two < studentized_range_upper(q * 2.0_f64.sqrt(), 3.0, df));
        }
    }

    /// From memory: Dunnett's table of two-sided 5 % points for equal numbers (Dunnett 1964, Biometrics 20:482), to two
    /// decimals; held against an independent quadrature in `tests/reference/many-to-one`.
    #[test]
    fn the_printed_table() {
        let half = 0.5_f64.sqrt();
        for (comparisons, df, printed) in [
            (2, 5.0, 3.03),
            (3, 10.0, 2.76),
            (4, 20.0, 2.65),
            (9, 20.0, 2.95),
            (2, f64::INFINITY, 2.21),
            (5, 60.0, 2.58),
        ] {
            let found = many_to_one_quantile_upper(0.05, &vec![half; comparisons], df);
            assert!((found - printed).abs() < 0.006, "{comparisons} {df}: {found}");
        }
    }

    #[test]
    fn outside_the_domain() {
        assert!(many_to_one_upper(-1.0, &[0.5], 3.0).is_nan());
        assert!(many_to_one_upper(1.0, &[], 3.0).is_nan());
        assert!(many_to_one_upper(1.0, &[1.2], 3.0).is_nan());
        assert!(many_to_one_quantile_upper(0.05, &[f64::NAN], 3.0).is_nan());
        assert_eq!(many_to_one_quantile_upper(0.0, &[0.5], 3.0), f64::INFINITY);
        assert!(many_to_one_quantile_upper(0.05, &[1.0, 1.0], 3.0).is_finite());
    }
}
