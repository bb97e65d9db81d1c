//! Parametric bootstrap of the components: results simulated from the fitted model, and the model fitted to them.
//!
//! In:  a fit, how many samples, the name of a random stream.
//! Out: for each component the standard deviations estimated from the samples; percentile intervals of them.
//!
//! Sample i is drawn from a stream of its own, `NAME` followed by `sample i`, so that neither the number of threads nor
//! their order changes anything. Simulated are shifts and slopes of every group, pairs with their covariance, and
//! residuals at their weights; the fixed effects play no part, because the components do not depend on them.
//! Percentile interval: Efron and Tibshirani (1993), An Introduction to the Bootstrap, chapter 13 (from memory).
//! Never here: bootstrap of fixed effects, for which the small-sample tests are better.

use rayon::prelude::*;

use super::fit::MixedFit;
use super::layout::{Layout, Parameter, Part};
use super::prepare::Prepared;
use crate::numeric::stream::Stream;

impl MixedFit {
    /// Standard deviations of each component (NaN for covariances) in `samples` simulated sets of results, in the order of
    /// `components`, each sorted. Sets to which no model could be fitted are left out.
    #[must_use]
    pub fn bootstrap(&self, samples: usize, name: &str) -> Vec<Vec<f64>> {
        self.bootstrap_with(samples, name, |_| None)
    }

    /// As [`MixedFit::bootstrap`]; `shortcut` gives the variances at the maximum of the likelihood for a set where it knows a
    /// quicker way to them than the search, in the order of `components`.
    #[must_use]
    pub fn bootstrap_with(
        &self,
        samples: usize,
        name: &str,
        shortcut: impl Fn(&[f64]) -> Option<Vec<f64>> + Sync,
    ) -> Vec<Vec<f64>> {
        let prepared = Prepared {
            layout: std::sync::Arc::clone(&self.layout),
        };
        let sets: Vec<Option<Vec<f64>>> = (0..samples)
            .into_par_iter()
            .map(|sample| {
                let mut stream = Stream::named(&format!("{name}sample {sample}\n"));
                let y = self.simulate(&mut stream);
                if let Some(variances) = shortcut(&y).filter(|v| v.len() == self.components.len()) {
                    return Some(variances.into_iter().map(f64::sqrt).collect());
                }
                let fit = prepared.fit(&y, self.method).ok()?;
                Some(
                    fit.components
                        .iter()
                        .map(super::Component::standard_deviation)
                        .collect(),
                )
            })
            .collect();
        (0..self.components.len())
            .map(|place| {
                let mut values: Vec<f64> = sets.iter().flatten().map(|set| set[place]).collect();
                values.sort_by(f64::total_cmp);
                values
            })
            .collect()
    }

    /// One set of results from the model, its fixed effects left out.
    fn simulate(&self, stream: &mut Stream) -> Vec<f64> {
        let layout: &Layout = &self.layout;
        let residual = self.residual_variance().sqrt();
        let mut y: Vec<f64> = (0..layout.n)
            .map(|row| {
                let weight = layout.weights.as_ref().map_or(1.0, |weights| weights[row]);
                residual * stream.normal() / weight.sqrt()
            })
            .collect();
        let mut index = 0;
        while index < layout.parameters.len() {
            let Parameter::Variance { block } = layout.parameters[index] else {
                index += 1;
                continue;
            };
            let facts = &layout.blocks[block];
            let values = |place: usize| self.components[place].value;
            if facts.paired && facts.part == Part::Intercept {
                // Shift and slope of a pair: the lower triangle of their covariance matrix.
                let (a, ab, b) = (values(index), values(index + 1), values(index + 2));
                let first = a.sqrt();
                let cross = if first > 0.0 { ab / first } else { 0.0 };
                let second = (b - cross * cross).max(0.0).sqrt();
                let pairs: Vec<(f64, f64)> = (0..facts.levels)
                    .map(|_| {
                        let (u, v) = (stream.normal(), stream.normal());
                        (first * u, cross * u + second * v)
                    })
                    .collect();
                let groups = &layout.groups[facts.term];
                for (row, value) in y.iter_mut().enumerate() {
                    let (shift, slope) = pairs[groups[row] as usize];
                    let column = layout.columns[block + 1].as_ref().map_or(1.0, |c| c[row]);
                    *value += shift + slope * column;
                }
                index += 3;
                continue;
            }
            let sd = values(index).sqrt();
            let effects: Vec<f64> = (0..facts.levels).map(|_| sd * stream.normal()).collect();
            let groups = &layout.groups[facts.term];
            for (row, value) in y.iter_mut().enumerate() {
                let column = layout.columns[block].as_ref().map_or(1.0, |c| c[row]);
                *value += column * effects[groups[row] as usize];
            }
            index += 1;
        }
        y
    }
}

/// The percentile interval of sorted bootstrap values at a confidence level: the values of rank (B + 1)·α/2 from either
/// end. `None` with fewer than 199 values, too few for their tails.
#[must_use]
pub fn percentile_interval(sorted: &[f64], confidence: f64) -> Option<(f64, f64)> {
    let count = sorted.len();
    if count < 199 || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let rank = ((count + 1) as f64 * (1.0 - confidence) / 2.0).floor().max(1.0) as usize;
    Some((sorted[rank - 1], sorted[count - rank]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Matrix;
    use crate::stats::mixed::{Method, MixedProblem, RandomTerm, fit};

    /// Closed form: ranks 25 and 975 of 999.
    #[test]
    fn the_interval_is_read_off_the_ranks() {
        let sorted: Vec<f64> = (1..=999).map(f64::from).collect();
        assert_eq!(percentile_interval(&sorted, 0.95), Some((25.0, 975.0)));
        assert_eq!(percentile_interval(&sorted[..100], 0.95), None);
    }

    /// Closed form: with the mean as the only fixed effect and no random term, (n − 1) s² / σ² is chi-square on n − 1 degrees
    /// of freedom, so the mean of the simulated variances is σ² (here within four of its standard errors), and the same
    /// name gives the same bits.
    #[test]
    fn simulated_residuals_have_the_fitted_spread() {
        let y: Vec<f64> = (0..12).map(|i| f64::from(i % 5) * 0.7).collect();
        let problem = MixedProblem {
            x: Matrix::from_columns(&[vec![1.0; y.len()]]),
            y,
            terms: Vec::new(),
            weights: None,
        };
        let fitted = fit(&problem, Method::Reml).unwrap();
        let found = fitted.bootstrap(600, "a test\n");
        let mean = found[0].iter().map(|sd| sd * sd).sum::<f64>() / 600.0;
        let variance = fitted.residual_variance();
        let error = variance * (2.0 / 11.0_f64).sqrt() / 600.0_f64.sqrt();
        assert!((mean - variance).abs() < 4.0 * error, "{mean} {variance}");
        assert_eq!(found, fitted.bootstrap(600, "a test\n"));
        assert_ne!(found, fitted.bootstrap(600, "another test\n"));
    }

    /// Closed form: a balanced one-way layout; the mean of the simulated between-group variances, truncated at zero, lies near
    /// the one fitted, and the interval holds the estimate.
    #[test]
    fn simulated_groups_have_the_fitted_spread() {
        let groups: Vec<u32> = (0..40).map(|row| row / 4).collect();
        let y: Vec<f64> = (0..40_u32)
            .map(|row| f64::from((row / 4) * 7 % 10) + 0.1 * f64::from(row * 13 % 7))
            .collect();
        let problem = MixedProblem {
            x: Matrix::from_columns(&[vec![1.0; 40]]),
            y,
            terms: vec![RandomTerm::intercept(groups, 10)],
            weights: None,
        };
        let fitted = fit(&problem, Method::Reml).unwrap();
        let found = fitted.bootstrap(400, "groups\n");
        let estimate = fitted.components[0].standard_deviation();
        let (low, high) = percentile_interval(&found[0], 0.95).unwrap();
        assert!(low < estimate && estimate < high);
        let mean = found[0].iter().map(|sd| sd * sd).sum::<f64>() / 400.0;
        assert!((mean / fitted.components[0].value - 1.0).abs() < 4.0 * (2.0 / 9.0_f64).sqrt() / 20.0);
    }
}
