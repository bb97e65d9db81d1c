//! The chi-square distribution: tails and quantiles.
//!
//! In:  x ≥ 0 without unit, df > 0, not necessarily whole. Out: probabilities in [0, 1], or a quantile.
//! Method: regularized incomplete gamma function P(df/2, x/2); quantiles by the bracketed zero of the logarithm of
//! the smaller tail in ln x.

use super::special::{Tails, gamma_tails};
use super::{ln_quantile, normal_quantile_lower};

fn tails(x: f64, df: f64) -> Tails {
    if x.is_nan() || df.is_nan() || df <= 0.0 || x < 0.0 {
        return Tails::NAN;
    }
    if df == f64::INFINITY {
        return if x == f64::INFINITY { Tails::NAN } else { Tails::LEFT };
    }
    gamma_tails(0.5 * df, 0.5 * x)
}

/// Lower tail P(χ² ≤ x) = P(df/2, x/2).
///
/// Domain: x ≥ 0, df > 0 finite; otherwise NaN. An infinite df puts all mass beyond every finite x.
pub fn chi2_lower(x: f64, df: f64) -> f64 {
    tails(x, df).lower
}

/// Upper tail P(χ² > x) = Q(df/2, x/2). Domain as [`chi2_lower`].
pub fn chi2_upper(x: f64, df: f64) -> f64 {
    tails(x, df).upper
}

/// Quantile x with P(χ² > x) = `p`.
///
/// Domain: 0 ≤ p ≤ 1 (∞ at 0, 0 at 1), df > 0 finite; otherwise NaN. 0 where the quantile is below the smallest
/// double (tiny df).
pub fn chi2_quantile_upper(p: f64, df: f64) -> f64 {
    if df == f64::INFINITY {
        return f64::NAN;
    }
    ln_quantile(p, df > 0.0, start(-normal_quantile_lower(p), df), |x| tails(x, df))
}

/// Quantile x with P(χ² ≤ x) = `p`. Domain: 0 ≤ p ≤ 1 (0 at 0, ∞ at 1), otherwise as [`chi2_quantile_upper`].
pub fn chi2_quantile_lower(p: f64, df: f64) -> f64 {
    if df == f64::INFINITY {
        return f64::NAN;
    }
    // −ln x has the upper tail P(χ² ≤ x)
    1.0 / ln_quantile(p, df > 0.0, -start(normal_quantile_lower(p), df), |x| {
        tails(1.0 / x, df).swapped()
    })
}

/// ln of the Wilson–Hilferty approximation df (1 − 2/(9 df) + z √(2/(9 df)))³, kept off zero.
fn start(z: f64, df: f64) -> f64 {
    let h = 2.0 / (9.0 * df);
    df.ln() + 3.0 * (1.0 - h + z * h.sqrt()).max(1e-3).ln()
}
