//! Mean, standard deviation, lag-1 autocorrelation and median of one list of values.
//!
//! In:  values of one unit, all finite, in the order taken. Out: numbers of the same unit, or none where there are too few values.
//! Method: two passes about a mean carried to twice the working precision; see `numeric::sum`.
//! Never here: missing values, rounding for display.
//! Reference values: the NIST univariate sets, `tests/stats.rs`.

use crate::numeric::sum;

/// Mean Σ xᵢ / n, in the unit of the values; `None` for no values.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| sum::mean(values))
}

/// Standard deviation √(Σ (xᵢ − x̄)² / (n − 1)), in the unit of the values; `None` below two values.
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    (values.len() > 1).then(|| (sum::sum_of_squares_about_mean(values) / (values.len() as f64 - 1.0)).sqrt())
}

/// Lag-1 autocorrelation Σᵢ₌₂ (xᵢ − x̄)(xᵢ₋₁ − x̄) / Σ (xᵢ − x̄)², without unit, −1 to 1; `None` below two values and
/// where all values are equal.
///
/// Source: definition of the NIST Statistical Reference Datasets, univariate summary statistics.
pub fn autocorrelation_lag1(values: &[f64]) -> Option<f64> {
    let (_, deviations) = sum::centred(values);
    let squares = sum::sum_of_squares(&deviations);
    if values.len() < 2 || squares == 0.0 {
        return None;
    }
    Some(sum::dot(&deviations[1..], &deviations) / squares)
}

/// Median: the middle value, or the mean of the two middle ones; `None` for no values.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    let upper = *sorted.get(half)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = sorted[half - 1];
    Some(lower + 0.5 * (upper - lower))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form, by hand.
    #[test]
    fn four_values() {
        let values = [4.0, 1.0, 3.0, 2.0];
        assert_eq!((mean(&values), median(&values)), (Some(2.5), Some(2.5)));
        assert_eq!(standard_deviation(&values), Some((5.0_f64 / 3.0).sqrt()));
        assert_eq!(autocorrelation_lag1(&values), Some((-2.25 - 0.75 - 0.25) / 5.0));
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
    }

    #[test]
    fn too_few_values_have_no_answer() {
        assert_eq!((mean(&[]), median(&[]), standard_deviation(&[1.0])), (None, None, None));
        assert_eq!(
            (autocorrelation_lag1(&[]), autocorrelation_lag1(&[2.0, 2.0])),
            (None, None)
        );
    }
}
