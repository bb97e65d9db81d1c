//! Intervals of mean squares and of their combinations: what a variance component may be.
//!
//! In:  mean squares with their degrees of freedom, independent of each other, and a coefficient each. Out: intervals
//! in the square of the unit of the response.
//!
//! | name          | symbol | meaning                                                     |
//! |---------------|--------|-------------------------------------------------------------|
//! | `coefficient` | cᵢ     | weight of the mean square in θ = Σ cᵢ E(`MSᵢ`), any sign      |
//! | `mean_square` | `MSᵢ`  | ≥ 0; νᵢ `MSᵢ` / E(`MSᵢ`) is chi-square                           |
//! | `df`          | νᵢ     | > 0, ∞ for a known variance                                 |
//! | `level`       | 1 − 2α | of the two-sided interval, 0 to 1; α in each tail           |
//!
//! Method: modified large sample, which is exact where all but one true mean square are 0. Never here: choosing the combination.

use crate::numeric::distribution::{chi2_quantile_lower, chi2_quantile_upper, f_quantile_lower, f_quantile_upper};
use crate::numeric::sum;

/// A two-sided interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower limit.
    pub lower: f64,
    /// Upper limit; may be infinite.
    pub upper: f64,
}

/// One mean square in a linear combination.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightedMeanSquare {
    /// Weight c, of any sign, not 0.
    pub coefficient: f64,
    /// Mean square, ≥ 0, in the square of the unit of the response.
    pub mean_square: f64,
    /// Degrees of freedom, > 0, ∞ for a known variance.
    pub df: f64,
}

impl WeightedMeanSquare {
    fn product(&self) -> f64 {
        self.coefficient.abs() * self.mean_square
    }

    fn is_sound(&self) -> bool {
        self.coefficient.is_finite() && self.mean_square.is_finite() && self.mean_square >= 0.0 && self.df > 0.0
    }
}

/// Interval of one expected mean square: ν MS / χ²₍₁₋α; ν₎ to ν MS / χ²₍α; ν₎.
///
/// Exact for normal readings. `None` unless `mean_square` ≥ 0, df > 0 and 0 < level < 1.
pub fn mean_square_interval(mean_square: f64, df: f64, level: f64) -> Option<Interval> {
    let term = WeightedMeanSquare {
        coefficient: 1.0,
        mean_square,
        df,
    };
    if !(term.is_sound() && level > 0.0 && level < 1.0) {
        return None;
    }
    let (_, h) = factors(0.5 * (1.0 - level), df);
    // (1 − G) MS would lose digits at few df
    let lower = if df == f64::INFINITY {
        mean_square
    } else {
        mean_square * (df / chi2_quantile_upper(0.5 * (1.0 - level), df))
    };
    Some(Interval {
        lower,
        upper: mean_square * (1.0 + h),
    })
}

/// G = 1 − ν/χ²₍₁₋α; ν₎ and H = ν/χ²₍α; ν₎ − 1; both 0 for a known variance.
fn factors(alpha: f64, df: f64) -> (f64, f64) {
    if df == f64::INFINITY {
        return (0.0, 0.0);
    }
    (
        1.0 - df / chi2_quantile_upper(alpha, df),
        df / chi2_quantile_lower(alpha, df) - 1.0,
    )
}

/// The estimate θ̂ = Σ cᵢ `MSᵢ`, in the square of the unit. It may come out negative; that is an answer, not a fault.
pub fn combination(terms: &[WeightedMeanSquare]) -> f64 {
    let (coefficients, mean_squares): (Vec<f64>, Vec<f64>) =
        terms.iter().map(|term| (term.coefficient, term.mean_square)).unzip();
    sum::dot(&coefficients, &mean_squares)
}

/// Modified large sample interval of θ = Σ cᵢ E(`MSᵢ`), coefficients of either sign.
///
/// With coefficients of one sign, i over all terms, the limits are
///
/// ```text
/// θ̂ − √Σ(Gᵢ cᵢ MSᵢ)²   and   θ̂ + √Σ(Hᵢ cᵢ MSᵢ)²,   Gᵢ = 1 − νᵢ/χ²(1−α; νᵢ),   Hᵢ = νᵢ/χ²(α; νᵢ) − 1.
/// ```
///
/// With both signs, p and t over the P positive and r over the negative terms, they are θ̂ − √L and θ̂ + √U with
///
/// ```text
/// L    = Σ Gp² cp² MSp² + Σ Hr² cr² MSr² + Σ Gpr cp |cr| MSp MSr + Σ G*pt cp ct MSp MSt   (pairs p < t once)
/// Gpr  = ((F − 1)² − Gp² F² − Hr²)/F,   F = F(1−α; νp, νr)
/// G*pt = ((1 − (νp + νt)/χ²(1−α; νp + νt))² (νp + νt)²/(νp νt) − Gp² νp/νt − Gt² νt/νp)/(P − 1),
/// ```
///
/// where the bracketed arguments are lower tail probability and df; U is L of −θ. Limits are not cut at 0: a negative
/// lower limit says that the component is not told from zero.
///
/// Coverage is close to `level`, not exact. `None` for no terms, a term out of its domain, or a level not between 0 and 1.
///
/// # Source
///
/// Graybill and Wang (1980), J. Amer. Statist. Assoc. 75:869; Ting, Burdick, Graybill, Jeyaratnam and Lu (1990), J.
/// Statist. Comput. Simul. 35:135; the pair terms G* from memory of Burdick and Graybill (1992), "Confidence intervals
/// on variance components", and held against simulated coverage.
pub fn combination_interval(terms: &[WeightedMeanSquare], level: f64) -> Option<Interval> {
    let alpha = 0.5 * (1.0 - level);
    let sound = alpha > 0.0 && alpha < 0.5 && terms.iter().all(WeightedMeanSquare::is_sound);
    if terms.is_empty() || !sound {
        return None;
    }
    let (positive, negative): (Vec<_>, Vec<_>) = terms
        .iter()
        .filter(|term| term.coefficient != 0.0)
        .partition(|term| term.coefficient > 0.0);
    let center = combination(terms);
    Some(Interval {
        lower: center - reach_down(&positive, &negative, alpha).max(0.0).sqrt(),
        upper: center + reach_down_of_opposite(&positive, &negative, alpha).max(0.0).sqrt(),
    })
}

/// L of the combination: how far below the estimate the truth may be, squared.
fn reach_down(positive: &[WeightedMeanSquare], negative: &[WeightedMeanSquare], alpha: f64) -> f64 {
    let mut reach = 0.0;
    for p in positive {
        reach += (factors(alpha, p.df).0 * p.product()).powi(2);
    }
    for r in negative {
        reach += (factors(alpha, r.df).1 * r.product()).powi(2);
    }
    for p in positive {
        for r in negative {
            let f = f_quantile_upper(alpha, p.df, r.df);
            let (g, h) = (factors(alpha, p.df).0, factors(alpha, r.df).1);
            reach += ((f - 1.0).powi(2) - (g * f).powi(2) - h * h) / f * p.product() * r.product();
        }
    }
    if !negative.is_empty() {
        reach += pairs(positive, alpha);
    }
    reach
}

/// U of the combination: L of its opposite, with H of a positive term in the place of G of a negative one.
fn reach_down_of_opposite(positive: &[WeightedMeanSquare], negative: &[WeightedMeanSquare], alpha: f64) -> f64 {
    let mut reach = 0.0;
    for p in positive {
        reach += (factors(alpha, p.df).1 * p.product()).powi(2);
    }
    for r in negative {
        reach += (factors(alpha, r.df).0 * r.product()).powi(2);
    }
    for p in positive {
        for r in negative {
            let f = f_quantile_lower(alpha, p.df, r.df);
            let (h, g) = (factors(alpha, p.df).1, factors(alpha, r.df).0);
            reach += ((1.0 - f).powi(2) - (h * f).powi(2) - g * g) / f * p.product() * r.product();
        }
    }
    if !positive.is_empty() {
        reach += pairs(negative, alpha);
    }
    reach
}

/// The part of the terms G* over the pairs of one sign.
fn pairs(terms: &[WeightedMeanSquare], alpha: f64) -> f64 {
    let mut total = 0.0;
    for (i, p) in terms.iter().enumerate() {
        for t in &terms[i + 1..] {
            if p.df.is_finite() && t.df.is_finite() {
                let both = p.df + t.df;
                let joint = (factors(alpha, both).0 * both).powi(2) / (p.df * t.df);
                let (g, k) = (factors(alpha, p.df).0, factors(alpha, t.df).0);
                let star = joint - g * g * p.df / t.df - k * k * t.df / p.df;
                total += star / (terms.len() as f64 - 1.0) * p.product() * t.product();
            }
        }
    }
    total
}

/// Satterthwaite's degrees of freedom of θ̂ = Σ cᵢ `MSᵢ`: θ̂² / Σ (cᵢ `MSᵢ`)²/νᵢ, not rounded.
///
/// Meant for positive coefficients; with differences the approximation is poor. `None` for no terms, a term out of its
/// domain, or all products 0; ∞ where all contributing variances are known.
///
/// Source: Satterthwaite (1946), Biometrics Bulletin 2:110.
pub fn satterthwaite_df(terms: &[WeightedMeanSquare]) -> Option<f64> {
    let largest = terms.iter().map(WeightedMeanSquare::product).fold(0.0, f64::max);
    if largest == 0.0 || !terms.iter().all(WeightedMeanSquare::is_sound) {
        return None;
    }
    // in units of the largest product, so that tiny units do not underflow
    let whole = combination(terms) / largest;
    let parts: f64 = terms
        .iter()
        .map(|term| (term.product() / largest).powi(2) / term.df)
        .sum();
    Some(if parts == 0.0 {
        f64::INFINITY
    } else {
        whole * whole / parts
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn term(coefficient: f64, mean_square: f64, df: f64) -> WeightedMeanSquare {
        WeightedMeanSquare {
            coefficient,
            mean_square,
            df,
        }
    }

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} against {want}");
    }

    /// Closed form: with 2 df χ² is exponential, quantile −2 ln(tail). Rounded factors on a standard deviation, 5 df 0.62
    /// and 2.45, 20 df 0.77 and 1.44, are in common use (common practice, recomputed).
    #[test]
    fn one_mean_square() {
        let interval = mean_square_interval(3.0, 2.0, 0.95).unwrap();
        close(interval.lower, 6.0 / (-2.0 * 0.025_f64.ln()), 1e-13);
        close(interval.upper, 6.0 / (-2.0 * 0.975_f64.ln()), 1e-11);
        for (df, low, high) in [(5.0, 0.62, 2.45), (20.0, 0.77, 1.44)] {
            let interval = mean_square_interval(1.0, df, 0.95).unwrap();
            close(interval.lower.sqrt(), low, 0.005);
            close(interval.upper.sqrt(), high, 0.005);
        }
        let one = combination_interval(&[term(2.0, 3.0, 7.0)], 0.9).unwrap();
        let exact = mean_square_interval(6.0, 7.0, 0.9).unwrap();
        close(one.lower, exact.lower, 1e-13);
        close(one.upper, exact.upper, 1e-12);
        assert_eq!(
            mean_square_interval(3.0, f64::INFINITY, 0.95),
            Some(Interval { lower: 3.0, upper: 3.0 })
        );
    }

    /// Worked by hand from the two-term formulas of Ting et al. (1990): 12.6 on 5 df less 0.9 on 12 df, over 3.
    #[test]
    fn a_difference_of_two() {
        let terms = [term(1.0 / 3.0, 12.6, 5.0), term(-1.0 / 3.0, 0.9, 12.0)];
        close(combination(&terms), 3.9, 1e-14);
        let interval = combination_interval(&terms, 0.95).unwrap();
        close(interval.lower, 1.30, 0.005);
        close(interval.upper, 24.9, 0.05);
    }

    /// Closed form: the interval of −θ is that of θ mirrored; a known term only shifts it.
    #[test]
    fn mirror_and_shift() {
        let terms = [
            term(0.5, 12.6, 5.0),
            term(0.2, 7.0, 9.0),
            term(-0.3, 0.9, 12.0),
            term(-0.1, 2.0, 4.0),
        ];
        let mirrored = terms.map(|t| term(-t.coefficient, t.mean_square, t.df));
        let (a, b) = (
            combination_interval(&terms, 0.9).unwrap(),
            combination_interval(&mirrored, 0.9).unwrap(),
        );
        close(a.lower, -b.upper, 1e-12);
        close(a.upper, -b.lower, 1e-12);
        let shifted = combination_interval(&[term(1.0, 4.0, 6.0), term(1.0, 10.0, f64::INFINITY)], 0.9).unwrap();
        let plain = mean_square_interval(4.0, 6.0, 0.9).unwrap();
        close(shifted.lower, plain.lower + 10.0, 1e-12);
        close(shifted.upper, plain.upper + 10.0, 1e-12);
        let less = combination_interval(&[term(1.0, 4.0, 6.0), term(-1.0, 10.0, f64::INFINITY)], 0.9).unwrap();
        close(less.lower, plain.lower - 10.0, 1e-10);
        close(less.upper, plain.upper - 10.0, 1e-10);
    }

    /// Closed form: equal products pool their df; one product keeps its own.
    #[test]
    fn degrees_of_freedom_of_a_sum() {
        close(
            satterthwaite_df(&[term(1.0, 2.0, 4.0), term(1.0, 2.0, 4.0)]).unwrap(),
            8.0,
            1e-14,
        );
        close(
            satterthwaite_df(&[term(3.0, 2e-200, 4.0), term(1.0, 0.0, 9.0)]).unwrap(),
            4.0,
            1e-14,
        );
        assert_eq!(satterthwaite_df(&[term(1.0, 2.0, f64::INFINITY)]), Some(f64::INFINITY));
        assert_eq!(satterthwaite_df(&[]), None);
    }

    #[test]
    fn terms_out_of_their_domain() {
        assert_eq!(combination_interval(&[], 0.95), None);
        assert_eq!(combination_interval(&[term(1.0, -1.0, 3.0)], 0.95), None);
        assert_eq!(combination_interval(&[term(1.0, 1.0, 0.0)], 0.95), None);
        assert_eq!(combination_interval(&[term(1.0, 1.0, 3.0)], 1.0), None);
        assert_eq!(mean_square_interval(1.0, f64::NAN, 0.95), None);
    }
}
