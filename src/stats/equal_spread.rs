//! Is the spread the same in several groups?
//!
//! In:  groups of values of one unit. Out: statistics with their p-values.
//!
//! | test            | statistic                                                        | holds for            |
//! |-----------------|------------------------------------------------------------------|----------------------|
//! | Brown–Forsythe  | variance ratio of the distances from each group's median          | nearly any shape     |
//! | Bartlett        | ln of the mean variance against the mean ln, corrected; chi-square | normal values only  |
//!
//! Sources: Brown and Forsythe (1974), J. Am. Statist. Assoc. 69:364; Bartlett (1937), Proc. R. Soc. A 160:268; as in the
//! NIST/SEMATECH e-Handbook, sections 1.3.5.7 and 1.3.5.10. Reference values: tests/reference/spread-by-group.

use super::summary::median;
use crate::numeric::distribution::{chi2_upper, f_upper};
use crate::numeric::sum;

/// A statistic with its degrees of freedom and p-value; `df2` is infinite for a chi-square.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpreadTest {
    /// Variance ratio, or chi-square.
    pub statistic: f64,
    /// Degrees of freedom.
    pub df1: f64,
    /// Degrees of freedom of the denominator.
    pub df2: f64,
    /// p-value of 'the same spread everywhere'.
    pub p: f64,
}

/// Levene's test with medians. `None` for fewer than two groups, one with fewer than two values, or distances that do not vary.
pub fn brown_forsythe(groups: &[Vec<f64>]) -> Option<SpreadTest> {
    if groups.len() < 2 || groups.iter().any(|group| group.len() < 2) {
        return None;
    }
    let distances: Vec<Vec<f64>> = groups
        .iter()
        .map(|group| {
            let middle = median(group).unwrap_or(0.0);
            group.iter().map(|v| (v - middle).abs()).collect()
        })
        .collect();
    let all: Vec<f64> = distances.concat();
    let grand = sum::mean(&all);
    let between: f64 = distances
        .iter()
        .map(|group| group.len() as f64 * (sum::mean(group) - grand).powi(2))
        .sum();
    let within: f64 = distances
        .iter()
        .map(|group| sum::sum_of_squares_about_mean(group))
        .sum();
    let (df1, df2) = ((groups.len() - 1) as f64, (all.len() - groups.len()) as f64);
    if !(within > 0.0) {
        return None;
    }
    let statistic = between / df1 / (within / df2);
    Some(SpreadTest {
        statistic,
        df1,
        df2,
        p: f_upper(statistic, df1, df2),
    })
}

/// Bartlett's test. `None` for fewer than two groups, one with fewer than two values, or one that does not vary.
pub fn bartlett(groups: &[Vec<f64>]) -> Option<SpreadTest> {
    if groups.len() < 2 || groups.iter().any(|group| group.len() < 2) {
        return None;
    }
    let df: Vec<f64> = groups.iter().map(|group| group.len() as f64 - 1.0).collect();
    let variances: Vec<f64> = groups
        .iter()
        .zip(&df)
        .map(|(group, df)| sum::sum_of_squares_about_mean(group) / df)
        .collect();
    bartlett_of(&variances, &df)
}

/// Bartlett's test of mean squares with their degrees of freedom. `None` for fewer than two, or one that is not above zero.
pub fn bartlett_of(variances: &[f64], df: &[f64]) -> Option<SpreadTest> {
    if variances.len() < 2 || variances.len() != df.len() {
        return None;
    }
    if variances.iter().chain(df).any(|v| !(*v > 0.0 && v.is_finite())) {
        return None;
    }
    let total: f64 = df.iter().sum();
    let pooled = variances.iter().zip(df).map(|(v, df)| v * df).sum::<f64>() / total;
    let logs: f64 = df.iter().zip(variances).map(|(df, v)| df * (pooled / v).ln()).sum();
    let df1 = (variances.len() - 1) as f64;
    let correction = 1.0 + (df.iter().map(|df| 1.0 / df).sum::<f64>() - 1.0 / total) / (3.0 * df1);
    let statistic = (logs / correction).max(0.0);
    Some(SpreadTest {
        statistic,
        df1,
        df2: f64::INFINITY,
        p: chi2_upper(statistic, df1),
    })
}

/// Are two mean squares of one size? The larger over the smaller, two-sided: twice the upper tail, at most 1.
/// `None` if one is not above zero.
pub fn two_variances(variances: [f64; 2], df: [f64; 2]) -> Option<SpreadTest> {
    if variances.iter().chain(&df).any(|v| !(*v > 0.0 && v.is_finite())) {
        return None;
    }
    let (above, below) = if variances[0] >= variances[1] { (0, 1) } else { (1, 0) };
    let statistic = variances[above] / variances[below];
    Some(SpreadTest {
        statistic,
        df1: df[above],
        df2: df[below],
        p: (2.0 * f_upper(statistic, df[above], df[below])).min(1.0),
    })
}
