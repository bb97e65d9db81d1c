//! Incomplete beta and gamma functions with small relative error in both tails.
//!
//! In:  shape parameters a, b > 0 and the argument; for the beta function the argument and its complement,
//!      both given by the caller, so that neither is got by subtraction.
//! Out: both tails as `Tails`, each with a relative error of a few units in 10⁻¹⁵ where it is the smaller one.
//!
//! | name       | symbol  | meaning                                       |
//! |------------|---------|-----------------------------------------------|
//! | `stirling` | δ(x)    | ln Γ(x + 1) − (x + ½) ln x + x − ½ ln 2π      |
//! | `deviance` | D(x, m) | x ln(x/m) + m − x                             |
//!
//! Method: the leading factor after Loader (2000), "Fast and accurate computation of binomial probabilities", so
//! that large parameters cost no digits; continued fractions and series from DLMF sections 8.7, 8.9, 8.11 and 8.17.
//! Never here: distributions by name.

use super::{normal_lower, normal_upper};
use std::f64::consts::PI;

/// Both tails of a distribution function at one point. They sum to 1; each is computed so that the smaller one
/// keeps its relative accuracy.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tails {
    /// P(X ≤ x).
    pub lower: f64,
    /// P(X > x).
    pub upper: f64,
}

impl Tails {
    pub(crate) const NAN: Tails = Tails {
        lower: f64::NAN,
        upper: f64::NAN,
    };
    pub(crate) const LEFT: Tails = Tails { lower: 0.0, upper: 1.0 };
    pub(crate) const RIGHT: Tails = Tails { lower: 1.0, upper: 0.0 };

    pub(crate) fn from_lower(lower: f64) -> Tails {
        Tails {
            lower,
            upper: 1.0 - lower,
        }
    }

    pub(crate) fn from_upper(upper: f64) -> Tails {
        Tails {
            lower: 1.0 - upper,
            upper,
        }
    }

    pub(crate) fn swapped(self) -> Tails {
        Tails {
            lower: self.upper,
            upper: self.lower,
        }
    }
}

/// Terms of Stirling's series, B₂ₖ / (2k (2k − 1)) for k = 1 to 8.
const STIRLING: [f64; 8] = [
    1.0 / 12.0,
    -1.0 / 360.0,
    1.0 / 1260.0,
    -1.0 / 1680.0,
    1.0 / 1188.0,
    -691.0 / 360_360.0,
    1.0 / 156.0,
    -3617.0 / 122_400.0,
];

/// Error of Stirling's formula, δ(x) = ln Γ(x + 1) − (x + ½) ln x + x − ½ ln 2π, for x > 0.
///
/// Asymptotic series from x = 16 on (DLMF 5.11.1); below, the recurrence δ(x) = δ(x + 1) + (x + ½) ln(1 + 1/x) − 1.
/// The error is absolute, about 10⁻¹⁵, which is what a factor exp(δ) needs.
pub(crate) fn stirling(x: f64) -> f64 {
    let mut shift = 0.0;
    let mut x = x;
    while x < 16.0 {
        shift += (x + 0.5) * (1.0 / x).ln_1p() - 1.0;
        x += 1.0;
    }
    let square = 1.0 / (x * x);
    shift + STIRLING.iter().rev().fold(0.0, |sum, term| sum * square + term) / x
}

/// Deviance term D(x, m) = x ln(x/m) + m − x, for x, m > 0; near x = m by its series in (x − m)/(x + m), so that
/// nothing cancels (Loader 2000, section 3).
pub(crate) fn deviance(x: f64, m: f64) -> f64 {
    let difference = x - m;
    if difference.abs() < 0.1 * (x + m) {
        let v = difference / (x + m);
        let square = v * v;
        let mut sum = difference * v;
        let mut power = 2.0 * x * v;
        let mut odd = 3.0;
        loop {
            power *= square;
            let next = sum + power / odd;
            if next == sum {
                return sum;
            }
            sum = next;
            odd += 2.0;
        }
    }
    x * (x / m).ln() - difference
}

/// eᵘ − 1 − u, without cancellation near u = 0.
pub(crate) fn exp_minus_1_minus(u: f64) -> f64 {
    if u.abs() > 0.5 {
        return u.exp_m1() - u;
    }
    let mut term = u * u / 2.0;
    let mut sum = term;
    let mut k = 3.0;
    while term.abs() > f64::EPSILON * 0.01 * sum {
        term *= u / k;
        sum += term;
        k += 1.0;
    }
    sum
}

/// mᵃ e⁻ᵐ / Γ(a + 1): the Poisson probability continued to real a ≥ 0, for mean m > 0.
pub(crate) fn poisson(a: f64, m: f64) -> f64 {
    if a == 0.0 {
        return (-m).exp();
    }
    if m == 0.0 {
        return 0.0;
    }
    (-stirling(a) - deviance(a, m)).exp() / (2.0 * PI * a).sqrt()
}

/// Euler's constant γ.
const EULER: f64 = 0.577_215_664_901_532_9;

/// ζ(k) − 1 for k = 2 to 13 (DLMF 25.6; beyond, 2⁻ᵏ + 3⁻ᵏ does)
const ZETA: [f64; 12] = [
    0.644_934_066_848_226_4,
    0.202_056_903_159_594_3,
    0.082_323_233_711_138_19,
    0.036_927_755_143_369_93,
    0.017_343_061_984_449_14,
    0.008_349_277_381_922_827,
    0.004_077_356_197_944_339,
    0.002_008_392_826_082_214_4,
    0.000_994_575_127_818_085_3,
    0.000_494_188_604_119_464_6,
    0.000_246_086_553_308_048_3,
    0.000_122_713_347_578_489_15,
];

/// ln Γ(1 + a) = −γa + Σ ζ(k)(−a)ᵏ/k for |a| < 1 (DLMF 5.7.3).
/// Summed here for 0 ≤ a ≤ ½ after taking out ln(1 + a), which leaves (ζ(k) − 1).
fn ln_gamma_1p(a: f64) -> f64 {
    let mut sum = (1.0 - EULER) * a - a.ln_1p();
    let mut power = -a;
    for k in 2..60_i32 {
        power *= -a;
        let zeta = ZETA.get(k as usize - 2).copied().unwrap_or_else(|| {
            let k = f64::from(k);
            2f64.powf(-k) + 3f64.powf(-k) + 4f64.powf(-k) + 5f64.powf(-k) + 6f64.powf(-k)
        });
        let term = power * zeta / f64::from(k);
        sum += term;
        if term.abs() < 1e-18 * sum.abs() {
            break;
        }
    }
    sum
}

/// From this parameter on series and fractions grow too long, and a normal approximation is good to eight digits or more.
const HUGE: f64 = 1e10;

/// Tails of the normal distribution of a cube root (Wilson and Hilferty 1931, PNAS 17:684).
fn normal_tails(z: f64) -> Tails {
    Tails {
        lower: normal_lower(z),
        upper: normal_upper(z),
    }
}

/// Regularized incomplete gamma functions P(a, x) (lower) and Q(a, x) (upper), for a > 0 and x ≥ 0.
///
/// Series DLMF 8.11.4 below x = a + 1, continued fraction DLMF 8.9.2 above; for a < ½ and x < 1.2 the upper one from
/// DLMF 8.7.3, where 1 − P would cancel. The number of terms grows as √a; from a = 10¹⁰ on Wilson and Hilferty's cube
/// root, good to about 10⁻¹⁰.
pub(crate) fn gamma_tails(a: f64, x: f64) -> Tails {
    if x <= 0.0 {
        return Tails::LEFT;
    }
    if x == f64::INFINITY {
        return Tails::RIGHT;
    }
    if a >= HUGE {
        let h = 1.0 / (9.0 * a);
        return normal_tails(((x / a).cbrt() - 1.0 + h) / h.sqrt());
    }
    if a < 0.5 && x < 1.2 {
        // Q = 1 − xᵃ/Γ(a + 1) · (1 + a Σ (−x)ⁿ/((a + n) n!))
        let ln_factor = a * x.ln() - ln_gamma_1p(a);
        let mut term = 1.0;
        let mut sum = 0.0;
        for n in 1..200_i32 {
            let n = f64::from(n);
            term *= -x / n;
            sum += term / (a + n);
            if term.abs() < 1e-18 {
                break;
            }
        }
        let factor = ln_factor.exp();
        return Tails {
            lower: factor * (1.0 + a * sum),
            upper: -ln_factor.exp_m1() - factor * a * sum,
        };
    }
    let factor = poisson(a, x);
    if x < a + 1.0 {
        let mut term = 1.0;
        let mut sum = 1.0;
        let mut n = a;
        while term > 1e-17 * sum {
            n += 1.0;
            term *= x / n;
            sum += term;
        }
        Tails::from_lower(at_most_1(factor * sum))
    } else {
        // Q = xᵃ e⁻ˣ/Γ(a) / (x + 1 − a − 1(1 − a)/(x + 3 − a − ...)), by the modified Lentz method
        let mut b = x + 1.0 - a;
        let mut c = f64::INFINITY;
        let mut d = 1.0 / b;
        let mut fraction = d;
        let mut i = 0.0;
        loop {
            i += 1.0;
            let numerator = -i * (i - a);
            b += 2.0;
            d = 1.0 / nonzero(numerator * d + b);
            c = nonzero(b + numerator / c);
            let change = c * d;
            fraction *= change;
            if (change - 1.0).abs() < 4e-16 || i > 1e7 {
                break;
            }
        }
        Tails::from_upper(at_most_1(factor * a * fraction))
    }
}

/// Regularized incomplete beta function: lower = `I_x(a, b)`, upper = `I_y(b, a)`, for a, b > 0 and y = 1 − x given by
/// the caller to full relative accuracy.
///
/// Continued fraction of Didonato and Morris (1992), ACM TOMS 18:360, equation 9 (the even part of DLMF 8.17.22), on
/// the side where it converges fast. The number of terms grows as the root of the smaller parameter.
pub(crate) fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> Tails {
    if x <= 0.0 {
        return Tails::LEFT;
    }
    if y <= 0.0 {
        return Tails::RIGHT;
    }
    if a >= HUGE && b >= HUGE {
        // the ratio of two chi-squares, each by its cube root (Paulson 1942, Ann. Math. Statist. 13:233); good to
        // about 10⁻⁸ in the tail
        let (g, h) = (1.0 / (9.0 * a), 1.0 / (9.0 * b));
        let root = (x / a * (b / y)).cbrt();
        return normal_tails(((1.0 - h) * root - (1.0 - g)) / (h * root * root + g).sqrt());
    }
    if x * (b + 1.0) > y * (a + 1.0) {
        return beta_tails_left(b, a, y, x).swapped();
    }
    beta_tails_left(a, b, x, y)
}

fn beta_tails_left(a: f64, b: f64, x: f64, y: f64) -> Tails {
    let n = a + b;
    let exponent = stirling(n) - stirling(a) - stirling(b) - deviance(a, n * x) - deviance(b, n * y);
    // xᵃ yᵇ / B(a, b)
    let factor = exponent.exp() * (a / (2.0 * PI) * (b / n)).sqrt();
    // modified Lentz method; all terms are positive while m < b
    let offset = a * y - b * x + 1.0;
    let mut fraction = nonzero(a * offset / (a + 1.0));
    let mut c = fraction;
    let mut d = 0.0;
    let mut m = 0.0;
    loop {
        m += 1.0;
        let width = a + 2.0 * m - 1.0;
        let numerator = (a + m - 1.0) / width * ((n + m - 1.0) / width) * (m * (b - m) * x * x);
        let denominator = m + m * (b - m) * x / width + (a + m) * (offset + m * (1.0 + y)) / (width + 2.0);
        d = 1.0 / nonzero(denominator + numerator * d);
        c = nonzero(denominator + numerator / c);
        let change = c * d;
        fraction *= change;
        if (change - 1.0).abs() < 4e-16 || m > 1e7 {
            break;
        }
    }
    Tails::from_lower(at_most_1(factor / fraction))
}

/// A probability that rounding has carried past 1 brought back; NaN stays NaN, which `min` would hide.
pub(crate) fn at_most_1(p: f64) -> f64 {
    if p > 1.0 { 1.0 } else { p }
}

/// Keeps a denominator of a continued fraction off zero.
fn nonzero(value: f64) -> f64 {
    if value.abs() < 1e-300 { 1e-300 } else { value }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::E;

    fn close(a: f64, b: f64, relative: f64) {
        assert!((a - b).abs() <= relative * b.abs(), "{a:e} against {b:e}");
    }

    /// Closed form: Γ(3/2) = √π/2, Γ(n + 1) = n!.
    #[test]
    fn gamma_at_known_points() {
        close(ln_gamma_1p(0.5), (PI.sqrt() / 2.0).ln(), 1e-14);
        close(ln_gamma_1p(1e-9), -EULER * 1e-9, 1e-8);
        close(
            stirling(0.5),
            (PI.sqrt() / 2.0).ln() - 0.5f64.ln() + 0.5 - 0.5 * (2.0 * PI).ln(),
            1e-13,
        );
        close(stirling(1.0), 1.0 - 0.5 * (2.0 * PI).ln(), 1e-13);
        close(
            poisson(20.0, 3.0),
            (20.0 * 3f64.ln() - 3.0 - 2_432_902_008_176_640_000f64.ln()).exp(),
            1e-13,
        );
    }

    /// Closed form: Q(1, x) = e⁻ˣ; Q(a, x) → a E₁(x) as a → 0, E₁(1) = 0.219383934395520273677 (DLMF table 6.10).
    #[test]
    fn gamma_tails_at_known_points() {
        for x in [1e-9, 0.3, 1.9, 2.1, 40.0, 700.0] {
            close(gamma_tails(1.0, x).upper, (-x).exp(), 1e-13);
            close(gamma_tails(1.0, x).lower, -(-x).exp_m1(), 1e-13);
        }
        close(gamma_tails(1e-12, 1.0).upper, 0.219_383_934_395_520_27e-12, 1e-11);
    }

    /// Closed form: Iₓ(1, b) = 1 − (1 − x)ᵇ, Iₓ(a, 1) = xᵃ, Iₓ(½, ½) = (2/π) asin √x.
    #[test]
    fn beta_tails_at_known_points() {
        for x in [1e-12, 0.01, 0.4, 0.6, 0.99] {
            for b in [0.3, 1.0, 7.5, 4e6] {
                close(
                    beta_tails(1.0, b, x, 1.0 - x).lower,
                    -(b * (-x).ln_1p()).exp_m1(),
                    1e-12,
                );
                close(beta_tails(b, 1.0, x, 1.0 - x).lower, x.powf(b), 1e-12);
            }
            close(
                beta_tails(0.5, 0.5, x, 1.0 - x).lower,
                2.0 / PI * x.sqrt().asin(),
                1e-14,
            );
        }
    }

    /// Closed form: symmetry at the mean, for parameters far beyond any study.
    #[test]
    fn large_equal_parameters_split_in_half() {
        for a in [1e3, 1e6, 1e9, 1e12, 1e300] {
            close(beta_tails(a, a, 0.5, 0.5).lower, 0.5, 1e-12);
        }
    }

    /// Independent: the exact series and fractions just below the change, the normal approximation just above it.
    #[test]
    fn huge_parameters_go_over_smoothly() {
        for z in [-3.0, 0.5, 4.0] {
            let x = |a: f64| a * (1.0 + z / a.sqrt());
            let (below, above) = ((1.0 - 1e-9) * HUGE, (1.0 + 1e-9) * HUGE);
            let (exact, rough) = (gamma_tails(below, x(below)), gamma_tails(above, x(above)));
            close(rough.lower, exact.lower, 1e-8);
            close(rough.upper, exact.upper, 1e-8);
            let odds = 1.0 + z * (2.0 / HUGE).sqrt();
            let at = |a: f64| beta_tails(a, a, odds / (1.0 + odds), 1.0 / (1.0 + odds));
            close(at(above).upper, at(below).upper, 1e-7);
        }
    }

    #[test]
    fn a_small_exponential_keeps_its_digits() {
        close(exp_minus_1_minus(1e-8), 0.5e-16 * (1.0 + 1e-8 / 3.0), 1e-15);
        close(exp_minus_1_minus(1.0), E - 2.0, 1e-15);
    }
}
