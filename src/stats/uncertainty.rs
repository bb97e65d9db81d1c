//! Propagation of standard uncertainties through a measurement equation.
//!
//! In:  an expression, its quantities in the order of its names, their correlation.
//! Out: sensitivities, contributions, the combined standard uncertainty and its effective degrees of freedom.
//!
//! | name          | symbol   | meaning                                                              |
//! |---------------|----------|----------------------------------------------------------------------|
//! | `value`       | xᵢ       | best estimate of a quantity, in its own unit                         |
//! | `standard`    | u(xᵢ)    | its standard uncertainty, same unit; 0 or above                      |
//! | `df`          | νᵢ       | degrees of freedom; ∞ where it is taken as known                     |
//! | `kurtosis`    | μ₄/μ₂²   | 3 for a normal distribution                                          |
//! | sensitivity   | cᵢ       | ∂f/∂xᵢ at the estimates                                              |
//! | curved        |          | what second-order terms add to the variance, (unit of the result)²   |
//!
//! Method: JCGM 100:2008 clause 5 with the second-order terms of the note to 5.1.2 (there for normal quantities; here with
//! the kurtosis of each), G.4.1 for the degrees of freedom. The mean of a curved equation is moved by ½ Σ f″ᵢᵢ u²(xᵢ).
//! Never here: where the uncertainties come from, rounding.

use crate::numeric::Matrix;
use crate::numeric::distribution::{normal_quantile_lower, t_quantile_upper};
use crate::numeric::expression::Expression;

/// A quantity of the equation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty.
    pub standard: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Fourth central moment over the square of the variance.
    pub kurtosis: f64,
}

/// What one quantity brings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    /// Sensitivity cᵢ.
    pub sensitivity: f64,
    /// |cᵢ| u(xᵢ), in the unit of the result.
    pub linear: f64,
    /// What the curvature in this quantity alone adds to the variance; may be negative.
    pub curved: f64,
}

/// The uncertainty of the result.
#[derive(Debug, Clone, PartialEq)]
pub struct Propagation {
    /// The equation at the estimates.
    pub value: f64,
    /// What the curvature moves the mean by: to be added to `value`.
    pub shift: f64,
    /// One entry a quantity.
    pub contributions: Vec<Contribution>,
    /// Variance from first-order terms, correlation included.
    pub linear_variance: f64,
    /// Part of it that comes from correlation; may be negative.
    pub correlated_variance: f64,
    /// Variance from second-order terms, of single quantities and of pairs.
    pub curved_variance: f64,
    /// Standard uncertainty with both.
    pub combined: f64,
    /// Effective degrees of freedom; ∞ where all are known.
    pub df: f64,
}

/// Propagates.
///
/// `correlation` is symmetric with ones on its diagonal. `None` where lengths do not fit, an uncertainty is negative or
/// not finite, or the equation has no value or no slope at the estimates.
pub fn propagate(equation: &Expression, quantities: &[Quantity], correlation: Option<&Matrix>) -> Option<Propagation> {
    let n = equation.names().len();
    let sound = |q: &Quantity| q.value.is_finite() && q.standard >= 0.0 && q.standard.is_finite() && q.df > 0.0;
    if quantities.len() != n || !quantities.iter().all(sound) {
        return None;
    }
    let r = |i: usize, j: usize| correlation.map_or(0.0, |m| m.col(j)[i]);
    let values: Vec<f64> = quantities.iter().map(|q| q.value).collect();
    let value = equation.value(&values);
    let (mut slopes, mut shift) = (Vec::with_capacity(n), 0.0);
    let mut contributions = Vec::with_capacity(n);
    let mut curved_variance = 0.0;
    for (i, q) in quantities.iter().enumerate() {
        let jet = equation.jet(&values, i, i);
        let (slope, curve, third) = (jet.derivative(1, 0), jet.derivative(2, 0), jet.derivative(3, 0));
        if !slope.is_finite() && q.standard > 0.0 {
            return None;
        }
        let variance = q.standard * q.standard;
        // A quantity that is known exactly brings nothing, whatever the curvature; nor does one without curvature.
        let part = |factor: f64| if factor == 0.0 || variance == 0.0 { 0.0 } else { factor };
        let own = part(0.25 * curve * curve * (q.kurtosis - 1.0) * variance * variance)
            + part(slope * third * q.kurtosis / 3.0 * variance * variance);
        shift += part(0.5 * curve * variance);
        curved_variance += own;
        slopes.push(if q.standard > 0.0 { slope } else { 0.0 });
        contributions.push(Contribution {
            sensitivity: slope,
            linear: if q.standard > 0.0 {
                (slope * q.standard).abs()
            } else {
                0.0
            },
            curved: own,
        });
    }
    let signed: Vec<f64> = slopes.iter().zip(quantities).map(|(c, q)| c * q.standard).collect();
    let mut correlated_variance = 0.0;
    for i in 0..n {
        for j in 0..i {
            if r(i, j) != 0.0 {
                correlated_variance += 2.0 * r(i, j) * signed[i] * signed[j];
            }
            let product = quantities[i].standard * quantities[j].standard;
            if product > 0.0 && r(i, j) == 0.0 {
                let jet = equation.jet(&values, i, j);
                let mixed = jet.derivative(1, 1);
                let term = mixed * mixed + slopes[i] * jet.derivative(1, 2) + slopes[j] * jet.derivative(2, 1);
                if term != 0.0 {
                    curved_variance += term * product * product;
                }
            }
        }
    }
    let linear_variance = (signed.iter().map(|s| s * s).sum::<f64>() + correlated_variance).max(0.0);
    let combined = (linear_variance + curved_variance).max(0.0).sqrt();
    if !(value.is_finite() && combined.is_finite()) {
        return None;
    }
    let fourths: f64 = signed.iter().zip(quantities).map(|(s, q)| s.powi(4) / q.df).sum();
    Some(Propagation {
        value,
        shift,
        contributions,
        linear_variance,
        correlated_variance,
        curved_variance,
        combined,
        df: effective_df(linear_variance, fourths),
    })
}

/// ν = u⁴ / Σ (cᵢuᵢ)⁴/νᵢ; `fourths` is the sum. ∞ where every contributing νᵢ is.
fn effective_df(variance: f64, fourths: f64) -> f64 {
    if fourths > 0.0 {
        variance * variance / fourths
    } else {
        f64::INFINITY
    }
}

/// Coverage factor for two-sided coverage `level` at effective degrees of freedom `df`, rounded down to a whole number
/// (JCGM 100 G.4.1; 1 at least).
pub fn coverage_factor(level: f64, df: f64) -> f64 {
    let tail = (1.0 - level) / 2.0;
    // Above this many nothing is left of the difference to a normal distribution.
    if df > 1e6 {
        return normal_quantile_lower(1.0 - tail);
    }
    t_quantile_upper(tail, df.floor().max(1.0))
}

/// Degrees of freedom of a standard uncertainty of which one is sure only within a part `doubt`: ½ doubt⁻² (JCGM 100 G.4.2).
pub fn df_of_doubt(doubt: f64) -> f64 {
    if doubt > 0.0 {
        0.5 / (doubt * doubt)
    } else {
        f64::INFINITY
    }
}

/// H with H Hᵀ = the correlation, row by row, lower triangular; a full correlation is allowed.
///
/// `None` if no set of quantities can have these correlations together.
pub fn half_of_correlation(correlation: &Matrix) -> Option<Vec<Vec<f64>>> {
    let n = correlation.rows();
    let mut half = vec![vec![0.0; n]; n];
    for j in 0..n {
        let left: f64 = correlation.col(j)[j] - half[j][..j].iter().map(|h: &f64| h * h).sum::<f64>();
        if left < -1e-9 {
            return None;
        }
        let pivot = left.max(0.0).sqrt();
        half[j][j] = if left > 1e-12 { pivot } else { 0.0 };
        for i in j + 1..n {
            let rest = correlation.col(j)[i] - (0..j).map(|k| half[i][k] * half[j][k]).sum::<f64>();
            if half[j][j] > 0.0 {
                half[i][j] = rest / half[j][j];
            } else if rest.abs() > 1e-6 {
                return None;
            }
        }
    }
    Some(half)
}

/// Correlation of the means of two quantities read together (JCGM 100 5.2.3): that of their readings. `None` below three
/// pairs or where one of them does not vary.
pub fn correlation_of(a: &[f64], b: &[f64]) -> Option<f64> {
    use crate::numeric::sum;
    if a.len() != b.len() || a.len() < 3 {
        return None;
    }
    let (_, a) = sum::centred(a);
    let (_, b) = sum::centred(b);
    let product = sum::sum_of_squares(&a) * sum::sum_of_squares(&b);
    (product > 0.0).then(|| (sum::dot(&a, &b) / product.sqrt()).clamp(-1.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quantity(value: f64, standard: f64) -> Quantity {
        Quantity {
            value,
            standard,
            df: f64::INFINITY,
            kurtosis: 3.0,
        }
    }

    /// Closed form: the square of a normal quantity about 0 has mean u² and variance 2u⁴.
    #[test]
    fn a_square_about_zero() {
        let equation = Expression::read("e^2").unwrap();
        let found = propagate(&equation, &[quantity(0.0, 0.3)], None).unwrap();
        assert!((found.shift - 0.09).abs() < 1e-15);
        assert_eq!(found.linear_variance, 0.0);
        assert!((found.combined - 2.0_f64.sqrt() * 0.09).abs() < 1e-15);
        assert_eq!(found.df, f64::INFINITY);
    }

    /// Closed form: with full correlation uncertainties add, or cancel in a difference.
    #[test]
    fn a_shared_instrument_cancels_in_a_difference() {
        let both = Matrix::from_columns(&[vec![1.0, 1.0], vec![1.0, 1.0]]);
        let two = [quantity(60.0, 0.5), quantity(61.0, 0.5)];
        let u = |text: &str| {
            propagate(&Expression::read(text).unwrap(), &two, Some(&both))
                .unwrap()
                .combined
        };
        assert!((u("a + b") - 1.0).abs() < 1e-15);
        assert!(u("a - b") < 1e-12);
        let half = half_of_correlation(&both).unwrap();
        assert_eq!(half, [vec![1.0, 0.0], vec![1.0, 0.0]]);
    }

    /// Closed form: three quantities cannot all be opposite to each other.
    #[test]
    fn impossible_correlations_are_seen() {
        let m = Matrix::from_columns(&[vec![1.0, -0.9, -0.9], vec![-0.9, 1.0, -0.9], vec![-0.9, -0.9, 1.0]]);
        assert_eq!(half_of_correlation(&m), None);
    }

    /// Closed form, JCGM 100 G.4.2: doubt of a quarter is 8 degrees of freedom.
    #[test]
    fn doubt_is_degrees_of_freedom() {
        assert_eq!(df_of_doubt(0.25), 8.0);
        assert_eq!(df_of_doubt(0.0), f64::INFINITY);
    }

    #[test]
    fn an_equation_without_a_value_has_no_uncertainty() {
        let one = |text: &str| propagate(&Expression::read(text).unwrap(), &[quantity(0.0, 0.1)], None);
        assert_eq!(one("1 / x"), None);
        assert_eq!(one("ln(x)"), None);
        assert_eq!(one("abs(x)"), None);
    }
}
