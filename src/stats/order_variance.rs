//! Variance of what is made of the readings of a run: mean, median, smallest, largest.
//!
//! In:  how many readings, independent and normal with standard deviation 1. Out: the variance of the statistic.
//!
//! | name | symbol | meaning                          |
//! |------|--------|----------------------------------|
//! | `n`  | n      | readings, 1 or more              |
//! | rank | r      | place in order of size, from 1   |
//!
//! Method: moments of the density of the r-th of n, r C(n, r) Φ^(r−1) (1 − Φ)^(n−r) φ; for an even n the joint density of
//! the two middle ones (David and Nagaraja 2003, Order Statistics, chapter 2; from memory). Trapezoidal rule: the
//! integrands are smooth and vanish at both ends.
//! Never here: readings that are not normal.

use crate::numeric::distribution::normal_upper;

/// Half of the range of integration: what is beyond has no weight in a double.
const REACH: f64 = 9.0;
/// Points along one direction.
const POINTS: usize = 720;

/// Variance of the mean of `n` readings.
#[must_use]
pub fn of_mean(n: usize) -> f64 {
    1.0 / n.max(1) as f64
}

/// Variance of the smallest, and of the largest, of `n` readings.
#[must_use]
pub fn of_extreme(n: usize) -> f64 {
    of_rank(n.max(1), 1)
}

/// Variance of the median of `n` readings; of the mean of the two middle ones for an even number.
#[must_use]
pub fn of_median(n: usize) -> f64 {
    let n = n.max(1);
    if n % 2 == 1 {
        return of_rank(n, n.div_ceil(2));
    }
    // Density of (x, y), x < y: constant · Φ(x)^(m−1) φ(x) · (1 − Φ(y))^(m−1) φ(y); its mean is 0.
    let m = (n / 2) as f64;
    let lower: Vec<f64> = points()
        .map(|x| ((m - 1.0) * ln_below(x) + ln_density(x)).exp())
        .collect();
    let upper: Vec<f64> = points()
        .map(|y| ((m - 1.0) * ln_below(-y) + ln_density(y)).exp())
        .collect();
    let (mut mass, mut square) = (0.0, 0.0);
    for (i, (x, below)) in points().zip(&lower).enumerate() {
        for (j, (y, above)) in points().zip(&upper).enumerate().skip(i) {
            // The edge x = y counts half.
            let weight = below * above * if i == j { 0.5 } else { 1.0 };
            mass += weight;
            square += weight * (0.5 * (x + y)).powi(2);
        }
    }
    square / mass
}

/// Variance of the `rank`-th of `n` in order of size.
fn of_rank(n: usize, rank: usize) -> f64 {
    let (below, above) = ((rank - 1) as f64, (n - rank) as f64);
    let weights: Vec<f64> = points()
        .map(|x| (below * ln_below(x) + above * ln_below(-x) + ln_density(x)).exp())
        .collect();
    let mass: f64 = weights.iter().sum();
    let mean = points().zip(&weights).map(|(x, w)| x * w).sum::<f64>() / mass;
    points().zip(&weights).map(|(x, w)| w * (x - mean).powi(2)).sum::<f64>() / mass
}

fn points() -> impl Iterator<Item = f64> {
    (0..=POINTS).map(|i| -REACH + 2.0 * REACH * i as f64 / POINTS as f64)
}

/// ln Φ(x).
fn ln_below(x: f64) -> f64 {
    normal_upper(-x).ln()
}

/// ln φ(x) but for a constant.
fn ln_density(x: f64) -> f64 {
    -0.5 * x * x
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Class: closed form. n = 2: smallest 1 − 1/π, median 1/2; n = 3: median 1 − √3/π, smallest 1 + √3/(2π) − 9/(4π).
    #[test]
    fn small_numbers_of_readings_in_closed_form() {
        let close = |value: f64, want: f64| assert!((value - want).abs() < 1e-9, "{value} {want}");
        close(of_extreme(1), 1.0);
        close(of_median(1), 1.0);
        close(of_extreme(2), 1.0 - 1.0 / PI);
        close(of_median(3), 1.0 - 3.0_f64.sqrt() / PI);
        close(of_extreme(3), 1.0 + 3.0_f64.sqrt() / (2.0 * PI) - 9.0 / (4.0 * PI));
        assert!((of_median(2) - 0.5).abs() < 1e-3, "{}", of_median(2));
        // The median loses against the mean, less so for an even number, and up to π/2 in the end.
        assert!((of_median(401) * 401.0 - PI / 2.0).abs() < 5e-3);
    }
}
