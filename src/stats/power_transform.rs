//! Which power of the response a linear model fits best.
//!
//! In:  positive values y and the columns of the model. Out: the power λ with its interval from the profile likelihood.
//!
//! | name           | symbol | meaning                                             |
//! |----------------|--------|-----------------------------------------------------|
//! | power          | λ      | y is fitted as (y^λ − 1)/λ; λ = 0 stands for ln y    |
//! | log-likelihood | ℓ(λ)   | −(n/2) ln(RSS(λ)/n) + (λ − 1) Σ ln y, plus a constant |
//!
//! The interval holds the powers whose ℓ lies less than half a chi-square quantile below the largest. y is divided by its
//! geometric mean first, so that nothing overflows. Source: Box and Cox (1964), J. R. Statist. Soc. B 26:211.
//! Never here: the choice of a transformation. Reference values: tests/reference/power-of-survival-times.

use crate::numeric::bracketed_zero;
use crate::numeric::distribution::chi2_quantile_upper;
use crate::numeric::{Matrix, Qr, sum};

/// Powers looked at.
pub const RANGE: (f64, f64) = (-3.0, 3.0);

/// The best power and its interval; an end that is `None` lies outside [`RANGE`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Power {
    /// The power with the largest likelihood in [`RANGE`].
    pub best: f64,
    /// Lower end.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Largest log-likelihood less that of λ = 1.
    pub gain: f64,
}

/// Profile over λ at `level`; x holds every column of the model, the constant included.
///
/// `None` where y is not positive throughout, lengths differ, nothing is left to judge by, or the model fits exactly.
pub fn profile(y: &[f64], x: &Matrix, level: f64) -> Option<Power> {
    if y.len() != x.rows() || y.iter().any(|v| !(*v > 0.0 && v.is_finite())) {
        return None;
    }
    let qr = Qr::new(x);
    let n = y.len();
    if n <= qr.rank() + 1 {
        return None;
    }
    let logs: Vec<f64> = y.iter().map(|v| v.ln()).collect();
    let (_, logs) = sum::centred(&logs);
    let likelihood = |lambda: f64| -> f64 {
        let z: Vec<f64> = logs
            .iter()
            .map(|&log| {
                if lambda.abs() < 1e-8 {
                    log
                } else {
                    (lambda * log).exp_m1() / lambda
                }
            })
            .collect();
        -0.5 * n as f64 * (qr.solve(&z).rss / n as f64).ln()
    };
    let steps = 60_usize;
    let at = |i: usize| RANGE.0 + (RANGE.1 - RANGE.0) * i as f64 / steps as f64;
    let grid: Vec<f64> = (0..=steps).map(|i| likelihood(at(i))).collect();
    if grid.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let top = (0..grid.len()).max_by(|&a, &b| grid[a].total_cmp(&grid[b]))?;
    // Golden section between the neighbours of the best grid point.
    let (mut low, mut high) = (at(top.saturating_sub(1)), at((top + 1).min(grid.len() - 1)));
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    while high - low > 1e-7 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if likelihood(a) >= likelihood(b) {
            high = b;
        } else {
            low = a;
        }
    }
    let best = 0.5 * (low + high);
    let largest = likelihood(best).max(grid[top]);
    let bound = largest - 0.5 * chi2_quantile_upper(1.0 - level, 1.0);
    let end = |outer: f64| {
        let gap = |lambda: f64| likelihood(lambda) - bound;
        (gap(outer) < 0.0).then(|| bracketed_zero(gap, outer.min(best), outer.max(best)))
    };
    Some(Power {
        best,
        low: end(RANGE.0),
        high: end(RANGE.1),
        gain: largest - likelihood(1.0),
    })
}
