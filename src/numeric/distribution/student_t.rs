//! Student's t distribution: tails and quantile.
//!
//! In:  t without unit, df > 0, not necessarily whole, ∞ for the normal distribution. Out: probabilities in [0, 1], or a quantile.
//! Method: regularized incomplete beta function, P(T > t) = ½ `I_x(df/2, ½)` with x = df/(df + t²) for t ≥ 0.

use super::special::{Tails, beta_tails};
use super::{ln_quantile, normal_quantile_lower, normal_upper};

/// Beyond this t/√df the tail is a power of t to all digits, and the square of t would overflow soon.
const POWER_LAW: f64 = 1e100;

/// P(|T| ≤ t) as `lower`, P(|T| > t) as `upper`, for t ≥ 0.
fn two_sided(t: f64, df: f64) -> Tails {
    let w = t / df.sqrt();
    if w > POWER_LAW {
        let near = two_sided_near(POWER_LAW, df).upper;
        return Tails::from_upper(near * (POWER_LAW / w).powf(df));
    }
    two_sided_near(w, df)
}

fn two_sided_near(w: f64, df: f64) -> Tails {
    let square = w * w;
    beta_tails(0.5, 0.5 * df, square / (1.0 + square), 1.0 / (1.0 + square))
}

/// Upper tail P(T > t).
///
/// Domain: every t (±∞ included), df > 0, ∞ for the normal distribution; otherwise NaN. Relative error about 10⁻¹⁴
/// in the tail.
pub fn t_upper(t: f64, df: f64) -> f64 {
    if t.is_nan() || df.is_nan() || df <= 0.0 {
        return f64::NAN;
    }
    if df == f64::INFINITY {
        return normal_upper(t);
    }
    let both = two_sided(t.abs(), df);
    if t >= 0.0 {
        0.5 * both.upper
    } else {
        0.5 + 0.5 * both.lower
    }
}

/// Lower tail P(T ≤ t) = P(T > −t). Domain as [`t_upper`].
pub fn t_lower(t: f64, df: f64) -> f64 {
    t_upper(-t, df)
}

/// Quantile t with P(T > t) = `p`; the two-sided 95 % interval takes p = 0.025.
///
/// Domain: 0 ≤ p ≤ 1 (∞ at 0, −∞ at 1), df > 0, ∞ for the normal distribution; otherwise NaN. Near p = ½ the
/// central probability 1 − 2p is solved for instead of the tail, so that small quantiles keep their digits.
pub fn t_quantile_upper(p: f64, df: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) || df.is_nan() || df <= 0.0 {
        return f64::NAN;
    }
    if p > 0.5 {
        return -t_quantile_upper(1.0 - p, df);
    }
    if p == 0.5 {
        return 0.0;
    }
    if df == f64::INFINITY {
        return -normal_quantile_lower(p);
    }
    let start = (-normal_quantile_lower(p)).max(1e-300).ln();
    ln_quantile(2.0 * p, true, start, |t| two_sided(t, df))
}
