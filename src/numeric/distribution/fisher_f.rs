//! Fisher's F distribution: tails and quantiles.
//!
//! In:  f ≥ 0 without unit, df1 and df2 > 0, not necessarily whole, ∞ allowed. Out: probabilities in [0, 1], or a quantile.
//! Method: regularized incomplete beta function, P(F ≤ f) = `I_x(df1/2, df2/2)`, x = df1 f/(df1 f + df2). With an
//! infinite df the mean square with it is its expectation, and F is χ²/df1 or df2/χ².

use super::special::{Tails, beta_tails, gamma_tails};
use super::{ln_quantile, normal_quantile_lower};

fn tails(f: f64, df1: f64, df2: f64) -> Tails {
    if f.is_nan() || f < 0.0 || df1.is_nan() || df1 <= 0.0 || df2.is_nan() || df2 <= 0.0 {
        return Tails::NAN;
    }
    if f == 0.0 {
        return Tails::LEFT;
    }
    if f == f64::INFINITY {
        return Tails::RIGHT;
    }
    match (df1 == f64::INFINITY, df2 == f64::INFINITY) {
        (true, true) => {
            if f < 1.0 {
                Tails::LEFT
            } else {
                Tails::RIGHT
            }
        }
        (false, true) => gamma_tails(0.5 * df1, 0.5 * df1 * f),
        (true, false) => gamma_tails(0.5 * df2, 0.5 * df2 / f).swapped(),
        (false, false) => {
            let odds = f * (df1 / df2);
            if odds == f64::INFINITY {
                return Tails::RIGHT;
            }
            beta_tails(0.5 * df1, 0.5 * df2, odds / (1.0 + odds), 1.0 / (1.0 + odds))
        }
    }
}

/// Lower tail P(F ≤ f).
///
/// Domain: f ≥ 0 (∞ included), df1, df2 > 0 (∞ included); otherwise NaN. Relative error about 10⁻¹⁴ where this is the smaller
/// tail.
pub fn f_lower(f: f64, df1: f64, df2: f64) -> f64 {
    tails(f, df1, df2).lower
}

/// Upper tail P(F > f): the p-value of an F test. Domain as [`f_lower`].
pub fn f_upper(f: f64, df1: f64, df2: f64) -> f64 {
    tails(f, df1, df2).upper
}

/// Quantile f with P(F > f) = `p`.
///
/// Domain: 0 ≤ p ≤ 1 (∞ at 0, 0 at 1), df1, df2 > 0 (∞ included); otherwise NaN. 1 where both df are infinite.
pub fn f_quantile_upper(p: f64, df1: f64, df2: f64) -> f64 {
    let sound = df1 > 0.0 && df2 > 0.0;
    if sound && (0.0..=1.0).contains(&p) && df1 == f64::INFINITY && df2 == f64::INFINITY {
        return 1.0;
    }
    // F is near log-normal with this spread; only a start
    let start = -normal_quantile_lower(p) * (2.0 / df1 + 2.0 / df2).sqrt();
    ln_quantile(p, sound, start, |f| tails(f, df1, df2))
}

/// Quantile f with P(F ≤ f) = `p`: 1 over the upper quantile with the df exchanged. Domain: 0 ≤ p ≤ 1 (0 at 0, ∞ at 1), otherwise as
/// [`f_quantile_upper`].
pub fn f_quantile_lower(p: f64, df1: f64, df2: f64) -> f64 {
    1.0 / f_quantile_upper(p, df2, df1)
}
