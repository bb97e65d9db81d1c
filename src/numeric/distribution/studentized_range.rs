//! The studentized range: upper tail and quantile, for intervals of all pairs of means.
//!
//! In:  q ≥ 0 without unit, `groups` k ≥ 2, df > 0 (∞ for the range of k standard normal variables).
//! Out: a probability in [0, 1], or a quantile.
//!
//! Method: P(Q > q) = E W(q S), S as in the noncentral t, with the upper tail of the normal range
//! W(w) = k ∫ φ(z) [Φ(z)ᵏ⁻¹ − (Φ(z) − Φ(z − w))ᵏ⁻¹] dz, positive throughout, so that small tails keep their digits.
//! The definition with the difference taken under the integral (Tukey 1953; Copenhaver and Holland 1988, J. Stat.
//! Comput. Simul. 30:1). The inner integral is a trapezoidal sum over a fixed grid, exact to rounding.

use super::noncentral::over_standard_deviation;
use super::special::at_most_1;
use super::{normal_density, normal_lower, normal_quantile_lower};
use crate::numeric::root::decreasing_zero;

/// Step and ends of the grid over z; the width of Φ(z)ᵏ⁻¹φ(z) shrinks but slowly with k.
const STEP: f64 = 0.2;
const END: f64 = 9.0;

/// Normal range of k variables: Φ and the weight k φ Φᵏ⁻¹ on a grid of z ≥ −9.
struct NormalRange {
    power: f64,
    grid: Vec<(f64, f64, f64)>,
}

impl NormalRange {
    fn new(groups: f64) -> NormalRange {
        let power = groups - 1.0;
        let cells = (50.0 / STEP) as i32;
        let grid = (0..=cells).map(|i| {
            let z = STEP * f64::from(i) - END;
            let lower = normal_lower(z);
            (z, lower, STEP * groups * normal_density(z) * lower.powf(power))
        });
        NormalRange {
            power,
            grid: grid.filter(|point| point.2 > 0.0).collect(),
        }
    }

    /// W(w), the upper tail of the range.
    fn upper(&self, w: f64) -> f64 {
        let mut sum = 0.0;
        for (z, lower, weight) in &self.grid {
            if *weight < 1e-19 * sum {
                break;
            }
            let share = (normal_lower(z - w) / lower).min(1.0);
            sum -= weight * (self.power * (-share).ln_1p()).exp_m1();
        }
        sum.clamp(0.0, 1.0)
    }
}

fn sound(groups: f64, df: f64) -> bool {
    groups >= 2.0 && groups.is_finite() && df > 0.0
}

fn upper(range: &NormalRange, q: f64, df: f64) -> f64 {
    at_most_1(over_standard_deviation(df, |s| range.upper(q * s)))
}

/// Upper tail P(Q > q) of the studentized range of `groups` means with `df` degrees of freedom of the error.
///
/// Domain: q ≥ 0, groups ≥ 2 (whole in use), df > 0 (∞ included); otherwise NaN. Relative error below 10⁻¹⁰ while the tail is above
/// 10⁻³⁰.
pub fn studentized_range_upper(q: f64, groups: f64, df: f64) -> f64 {
    if q.is_nan() || q < 0.0 || !sound(groups, df) {
        return f64::NAN;
    }
    if q == 0.0 {
        return 1.0;
    }
    if q == f64::INFINITY {
        return 0.0;
    }
    upper(&NormalRange::new(groups), q, df)
}

/// Quantile q with P(Q > q) = `p`: two means differ at the family-wise level p where their difference exceeds
/// q s √((1/n₁ + 1/n₂)/2).
///
/// Domain: 0 ≤ p ≤ 1 (∞ at 0, 0 at 1), groups ≥ 2, df > 0 (∞ included); otherwise NaN.
pub fn studentized_range_quantile_upper(p: f64, groups: f64, df: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) || !sound(groups, df) {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::INFINITY;
    }
    if p == 1.0 {
        return 0.0;
    }
    let range = NormalRange::new(groups);
    // the largest of all pairs, as if the pairs were independent
    let pairs = 0.5 * groups * (groups - 1.0);
    let start = (2f64.sqrt() * -normal_quantile_lower(0.5 * p / pairs)).max(0.1).ln();
    let goal = p.ln();
    decreasing_zero(
        |u| upper(&range, u.exp(), df).max(f64::MIN_POSITIVE).ln() - goal,
        start,
        0.25,
        -744.0,
        709.0,
    )
    .exp()
}
