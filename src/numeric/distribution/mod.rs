//! Probability distributions: tail probabilities and quantiles that keep their relative accuracy in both tails.
//!
//! Arguments outside a function's domain give NaN, never a panic; an infinite df stands for the limit distribution.
//! `lower` is P(X ≤ x), `upper` is P(X > x); where one is small it is computed as such, never as one minus the other.
//! Reference values: `tests/reference/distribution-*`, read by `tests/numeric.rs`.

mod chi_square;
mod fisher_f;
mod many_to_one;
mod noncentral;
mod normal;
pub(crate) mod special;
mod student_t;
mod studentized_range;

pub use chi_square::{chi2_lower, chi2_quantile_lower, chi2_quantile_upper, chi2_upper};
pub use fisher_f::{f_lower, f_quantile_lower, f_quantile_upper, f_upper};
pub use many_to_one::{many_to_one_quantile_upper, many_to_one_upper};
pub use noncentral::{
    noncentral_f_lower, noncentral_f_upper, noncentral_t_lower, noncentral_t_quantile_lower, noncentral_t_upper,
};
pub use normal::{normal_density, normal_lower, normal_quantile_lower, normal_upper};
pub use student_t::{t_lower, t_quantile_upper, t_upper};
pub use studentized_range::{studentized_range_quantile_upper, studentized_range_upper};

pub(crate) use noncentral::over_standard_deviation_below;

use crate::numeric::root::decreasing_zero;
use special::Tails;

/// Range of ln x in which a quantile is looked for: the normal doubles and a little more below.
const FLOOR: f64 = -744.0;
const CEILING: f64 = 709.0;

/// Quantile x > 0 with upper tail `p`, by the zero of the logarithm of the smaller tail in ln x, searched from
/// `start` (a logarithm). 0 ≤ p ≤ 1 and `sound` parameters, otherwise NaN.
fn ln_quantile(p: f64, sound: bool, start: f64, tails: impl Fn(f64) -> Tails) -> f64 {
    if !sound || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::INFINITY;
    }
    if p == 1.0 {
        return 0.0;
    }
    let start = if start.is_finite() { start } else { 0.0 };
    let u = if p <= 0.5 {
        let goal = p.ln();
        decreasing_zero(
            |u| tails(u.exp()).upper.max(f64::MIN_POSITIVE).ln() - goal,
            start,
            0.25,
            FLOOR,
            CEILING,
        )
    } else {
        let goal = (1.0 - p).ln();
        decreasing_zero(
            |u| goal - tails(u.exp()).lower.max(f64::MIN_POSITIVE).ln(),
            start,
            0.25,
            FLOOR,
            CEILING,
        )
    };
    if u <= FLOOR {
        0.0
    } else if u >= CEILING {
        f64::INFINITY
    } else {
        u.exp()
    }
}
