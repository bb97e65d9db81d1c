//! The standard normal distribution: tails, density, quantile.
//!
//! In:  z without unit. Out: probabilities in [0, 1], or a quantile.
//! Method: the complementary error function of `libm` (last digit; the one of statrs 0.19 is good to 10⁻¹⁰ only); the
//! quantile starts from the inverse error function of statrs and takes one Halley step.

use statrs::function::erf;
use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

/// Lower tail Φ(z) = ½ erfc(−z/√2).
///
/// Domain: every z, ±∞ included; NaN gives NaN. Relative error below 10⁻¹² down to z = −37 (10⁻³⁰⁰).
pub fn normal_lower(z: f64) -> f64 {
    0.5 * libm::erfc(-z * FRAC_1_SQRT_2)
}

/// Upper tail 1 − Φ(z) = Φ(−z), without the subtraction. Domain as [`normal_lower`].
pub fn normal_upper(z: f64) -> f64 {
    normal_lower(-z)
}

/// Density φ(z) = exp(−z²/2)/√(2π). Domain: every z; NaN gives NaN.
pub fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * PI).sqrt()
}

/// Quantile z with Φ(z) = `p`.
///
/// Domain: 0 ≤ p ≤ 1 (−∞ at 0, ∞ at 1); outside and for NaN the result is NaN. For a quantile of the upper tail
/// take −`normal_quantile_lower(p)`.
pub fn normal_quantile_lower(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::NEG_INFINITY;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    // the smaller tail; 1 − p is exact from p = ½ on
    let (tail, sign) = if p <= 0.5 { (p, -1.0) } else { (1.0 - p, 1.0) };
    if tail > 0.25 {
        // solve for the central probability, which stays accurate near z = 0
        let z = SQRT_2 * erf::erf_inv(1.0 - 2.0 * tail);
        let error = 0.5 * (libm::erf(z * FRAC_1_SQRT_2) - (1.0 - 2.0 * tail)) / normal_density(z);
        return sign * (z - error / (1.0 + 0.5 * z * error));
    }
    let z = SQRT_2 * erf::erfc_inv(2.0 * tail);
    let density = normal_density(z);
    if density == 0.0 {
        return sign * z;
    }
    let error = (normal_upper(z) - tail) / density;
    sign * (z + error / (1.0 - 0.5 * z * error))
}
