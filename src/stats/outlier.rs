//! Tests for values that stand off from the rest of a sample that would otherwise be normal. They flag; nothing is deleted.
//!
//! In:  values of one unit. Out: statistics, critical values and which values stand off.
//!
//! | name        | symbol | meaning                                                              |
//! |-------------|--------|----------------------------------------------------------------------|
//! | statistic   | Rᵢ     | largest distance from the mean over the standard deviation            |
//! | critical    | λᵢ     | what it passes with probability α where nothing stands off            |
//!
//! Rᵢ is taken after the i − 1 furthest values are set aside; as many values stand off as the largest i with Rᵢ > λᵢ, so that
//! two odd values cannot hide each other. With one step it is the test of Grubbs.
//! Sources: Grubbs (1969), Technometrics 11:1; Rosner (1983), Technometrics 25:165, as in the NIST/SEMATECH e-Handbook,
//! sections 1.3.5.17.1 and 1.3.5.17.3. Never here: deciding what to do about them.

use crate::numeric::distribution::t_quantile_upper;
use crate::numeric::sum;

/// One step of the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Place of the furthest value among those given.
    pub index: usize,
    /// Its distance from the mean of the rest and itself, in standard deviations.
    pub statistic: f64,
    /// Critical value.
    pub critical: f64,
}

/// The steps of a test, and how many values stand off.
#[derive(Debug, Clone, PartialEq)]
pub struct Outliers {
    /// One step a value looked at, furthest first.
    pub steps: Vec<Step>,
    /// So many of the first ones stand off.
    pub count: usize,
}

/// Critical value of step `step` (from 1) for `n` values in all, two-sided at level `alpha`; NaN below three values left.
pub fn critical(n: usize, step: usize, alpha: f64) -> f64 {
    let left = (n + 1).saturating_sub(step) as f64;
    if left < 3.0 {
        return f64::NAN;
    }
    let t = t_quantile_upper(alpha / (2.0 * left), left - 2.0);
    t * (left - 1.0) / ((left - 2.0 + t * t) * left).sqrt()
}

/// The generalized extreme studentized deviate test for up to `most` values, at level `alpha`.
///
/// `None` for fewer than three values, one that is not finite, or values that do not vary. Stops early where those left do not
/// vary. Good from about 25 values (Rosner; common practice: from 15).
pub fn generalized(values: &[f64], most: usize, alpha: f64) -> Option<Outliers> {
    let n = values.len();
    if n < 3 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut left: Vec<usize> = (0..n).collect();
    let mut found = Outliers {
        steps: Vec::new(),
        count: 0,
    };
    for step in 1..=most.min(n - 2) {
        let rest: Vec<f64> = left.iter().map(|&i| values[i]).collect();
        let mean = sum::mean(&rest);
        let deviation = (sum::sum_of_squares_about_mean(&rest) / (rest.len() as f64 - 1.0)).sqrt();
        if deviation <= 1e-12 * mean.abs() || deviation == 0.0 {
            break;
        }
        let Some(place) = (0..rest.len()).max_by(|&a, &b| {
            (rest[a] - mean)
                .abs()
                .total_cmp(&(rest[b] - mean).abs())
                .then(b.cmp(&a))
        }) else {
            break;
        };
        let statistic = (rest[place] - mean).abs() / deviation;
        let critical = critical(n, step, alpha);
        if statistic > critical {
            found.count = step;
        }
        found.steps.push(Step {
            index: left.remove(place),
            statistic,
            critical,
        });
    }
    (!found.steps.is_empty()).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: Rosner's 54 values with R and λ of the ten steps, NIST/SEMATECH e-Handbook 1.3.5.17.3 (values and table from
    /// memory; the table is matched by the values).
    #[test]
    fn rosners_example() {
        let values = [
            -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69,
            1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37,
            2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42,
            6.01,
        ];
        let statistics = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067];
        let criticals = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085];
        let found = generalized(&values, 10, 0.05).unwrap();
        assert_eq!((values.len(), found.steps.len(), found.count), (54, 10, 3));
        for (i, step) in found.steps.iter().enumerate() {
            assert!((step.statistic - statistics[i]).abs() <= 1e-3, "{i} {step:?}");
            assert!((step.critical - criticals[i]).abs() <= 1e-3, "{i} {step:?}");
        }
        // With one step it is Grubbs' test, which the three odd values hide from.
        assert_eq!(generalized(&values, 1, 0.05).unwrap().count, 0);
    }

    /// Published: Grubbs' test of 8 mass-spectrometer values at 5 %, one-sided 2.032 (NIST/SEMATECH 1.3.5.17.1, from memory):
    /// a two-sided test at 10 % has the same critical value.
    #[test]
    fn grubbs_example() {
        let values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
        let found = generalized(&values, 1, 0.1).unwrap();
        assert!((found.steps[0].statistic - 2.468_764_608).abs() < 1e-6, "{found:?}");
        assert!((found.steps[0].critical - 2.032).abs() < 1e-3, "{found:?}");
        assert_eq!((found.count, found.steps[0].index), (1, 7));
    }

    #[test]
    fn odd_input_gives_no_answer() {
        assert_eq!(generalized(&[1.0, 2.0], 1, 0.05), None);
        assert_eq!(generalized(&[1.0, 1.0, 1.0, 1.0], 2, 0.05), None);
        assert_eq!(generalized(&[1.0, f64::NAN, 2.0, 3.0], 2, 0.05), None);
    }
}
