//! Precision of a test method from cells of results: one level of a collaborative study, and precision against level.
//!
//! In:  the results of each laboratory at one level; or means and standard deviations of several levels.
//! Out: variances in the square of the unit of the results, as estimated, so that they may be negative.
//!
//! | name        | symbol | meaning                                                             |
//! |-------------|--------|---------------------------------------------------------------------|
//! | within      | `s_r²`   | Σ(nᵢ−1)sᵢ² / Σ(nᵢ−1), on Σ(nᵢ−1) df                                  |
//! | among       | `s_d²`   | Σ nᵢ(ȳᵢ − ȳ)² / (p−1)                                                |
//! | size        | n̄      | (Σnᵢ − Σnᵢ²/Σnᵢ) / (p−1), the number of results a cell counts for      |
//! | between     | `s_L²`   | (`s_d²` − `s_r²`) / n̄                                                    |
//! | reproducibility | `s_R²` | `s_L²` + `s_r²`, a negative `s_L²` counted as 0                          |
//!
//! Source: ISO 5725-2 (2019), 7.4 and 7.5 (clause numbers from memory). Intervals: chi-square for `s_r`, modified large sample
//! for `s_L` and `s_R`; exact mean squares only where cells are equal. Reference values: tests/precision.rs.

use super::interval::{Interval, WeightedMeanSquare, combination_interval, mean_square_interval};
use crate::numeric::distribution::chi2_upper;
use crate::numeric::sum;

/// A cell: the results of one laboratory at one level.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    /// Number of results.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their variance; `None` for a single one.
    pub variance: Option<f64>,
}

impl Cell {
    /// The cell of some results; `None` without any.
    #[must_use]
    pub fn of(results: &[f64]) -> Option<Self> {
        let n = results.len();
        if n == 0 {
            return None;
        }
        let mean = sum::mean(results);
        let squares: f64 = results.iter().map(|r| (r - mean).powi(2)).sum();
        Some(Self {
            n,
            mean,
            variance: (n > 1).then(|| squares / (n as f64 - 1.0)),
        })
    }
}

/// One level of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Number of laboratories p.
    pub laboratories: usize,
    /// Number of results.
    pub results: usize,
    /// Mean of all results.
    pub mean: f64,
    /// `s_r²` and its degrees of freedom; `None` if no cell holds two results.
    pub within: Option<(f64, f64)>,
    /// `s_d²` and its degrees of freedom; `None` for fewer than two laboratories.
    pub among: Option<(f64, f64)>,
    /// n̄.
    pub size: f64,
}

impl Level {
    /// One level from its cells; `None` without any.
    #[must_use]
    pub fn new(cells: &[Cell]) -> Option<Self> {
        if cells.is_empty() {
            return None;
        }
        let counts: Vec<f64> = cells.iter().map(|c| c.n as f64).collect();
        let means: Vec<f64> = cells.iter().map(|c| c.mean).collect();
        let total: f64 = counts.iter().sum();
        // About the first mean, so that a large common level costs no digits.
        let reference = means[0];
        let away: Vec<f64> = means.iter().map(|m| m - reference).collect();
        let mean = sum::dot(&counts, &away) / total;
        let df: f64 = total - cells.len() as f64;
        let squares: f64 = cells
            .iter()
            .filter_map(|c| c.variance.map(|v| (c.n as f64 - 1.0) * v))
            .sum();
        let p = cells.len() as f64;
        let among: f64 = counts.iter().zip(&away).map(|(n, a)| n * (a - mean).powi(2)).sum();
        Some(Self {
            laboratories: cells.len(),
            results: total as usize,
            mean: reference + mean,
            within: (df > 0.0).then(|| (squares / df, df)),
            among: (p > 1.0).then(|| (among / (p - 1.0), p - 1.0)),
            size: if p > 1.0 {
                (total - sum::dot(&counts, &counts) / total) / (p - 1.0)
            } else {
                total
            },
        })
    }

    /// `s_L²`, which may be negative.
    #[must_use]
    pub fn between(&self) -> Option<f64> {
        let ((among, _), (within, _)) = (self.among?, self.within?);
        Some((among - within) / self.size)
    }

    /// `s_R²`, a negative `s_L²` counted as 0.
    #[must_use]
    pub fn reproducibility(&self) -> Option<f64> {
        Some(self.between()?.max(0.0) + self.within?.0)
    }

    fn weighted(&self, among: f64, within: f64) -> Option<Vec<WeightedMeanSquare>> {
        let terms = [(among, self.among?), (within, self.within?)];
        Some(
            terms
                .into_iter()
                .filter(|(coefficient, _)| *coefficient != 0.0)
                .map(|(coefficient, (mean_square, df))| WeightedMeanSquare {
                    coefficient,
                    mean_square,
                    df,
                })
                .collect(),
        )
    }

    /// Interval of the variance of repeats.
    #[must_use]
    pub fn within_interval(&self, confidence: f64) -> Option<Interval> {
        let (mean_square, df) = self.within?;
        mean_square_interval(mean_square, df, confidence)
    }

    /// Interval of the variance between laboratories.
    #[must_use]
    pub fn between_interval(&self, confidence: f64) -> Option<Interval> {
        combination_interval(&self.weighted(1.0 / self.size, -1.0 / self.size)?, confidence)
    }

    /// Interval of the reproducibility variance, `s_d²`/n̄ + (1 − 1/n̄) `s_r²`.
    #[must_use]
    pub fn reproducibility_interval(&self, confidence: f64) -> Option<Interval> {
        combination_interval(&self.weighted(1.0 / self.size, 1.0 - 1.0 / self.size)?, confidence)
    }

    /// Satterthwaite's degrees of freedom of `s_R²`.
    #[must_use]
    pub fn reproducibility_df(&self) -> Option<f64> {
        super::interval::satterthwaite_df(&self.weighted(1.0 / self.size, 1.0 - 1.0 / self.size)?)
    }
}

/// How a standard deviation may depend on the level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// s = a.
    Constant,
    /// s = b m.
    Proportional,
    /// s = a + b m.
    Line,
    /// lg s = c + d lg m.
    Power,
}

impl Form {
    /// Every form, the simplest first.
    pub const ALL: [Self; 4] = [Self::Constant, Self::Proportional, Self::Line, Self::Power];

    /// Number of parameters.
    #[must_use]
    pub fn parameters(self) -> usize {
        match self {
            Self::Constant | Self::Proportional => 1,
            Self::Line | Self::Power => 2,
        }
    }
}

/// A fitted form.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Against {
    /// The form.
    pub form: Form,
    /// a, or c for the power form.
    pub first: f64,
    /// b, or d for the power form.
    pub second: f64,
    /// √(Σ((s − ŝ)/ŝ)² / (q − parameters)): typical relative distance from the form.
    pub misfit: f64,
}

impl Against {
    /// The standard deviation that the form gives at a level.
    #[must_use]
    pub fn at(&self, mean: f64) -> f64 {
        match self.form {
            Form::Constant => self.first,
            Form::Proportional => self.second * mean,
            Form::Line => self.first + self.second * mean,
            Form::Power => 10_f64.powf(self.first + self.second * mean.log10()),
        }
    }
}

/// Fits one form to levels with positive standard deviations.
///
/// The constant and the proportional form take the mean of s, or of s/m; the line is fitted with weights 1/ŝ² that are
/// worked out anew until they stand (three times in the standard; here to the last digits); the power form by least squares
/// in logarithms. `None` with no degree of freedom left, or a form that such levels cannot have.
#[must_use]
pub fn against(form: Form, means: &[f64], deviations: &[f64]) -> Option<Against> {
    let q = means.len();
    let positive = means.iter().all(|&m| m > 0.0);
    let sound = deviations.len() == q && deviations.iter().all(|s| s.is_finite() && *s > 0.0);
    if q <= form.parameters() || !sound || (!positive && !matches!(form, Form::Constant | Form::Line)) {
        return None;
    }
    let (first, second) = match form {
        Form::Constant => (sum::mean(deviations), 0.0),
        Form::Proportional => {
            let ratios: Vec<f64> = means.iter().zip(deviations).map(|(m, s)| s / m).collect();
            (0.0, sum::mean(&ratios))
        }
        Form::Line => {
            let mut weights: Vec<f64> = deviations.iter().map(|s| s.powi(-2)).collect();
            let mut line = weighted_line(means, deviations, &weights)?;
            for _ in 0..50 {
                let fitted: Vec<f64> = means.iter().map(|m| line.0 + line.1 * m).collect();
                if fitted.iter().any(|&s| s <= 0.0) {
                    return None;
                }
                weights = fitted.iter().map(|s| s.powi(-2)).collect();
                let next = weighted_line(means, deviations, &weights)?;
                let moved = (next.0 - line.0).abs() + (next.1 - line.1).abs();
                line = next;
                if moved <= 1e-14 * (line.0.abs() + line.1.abs()) {
                    break;
                }
            }
            line
        }
        Form::Power => {
            let logs = |values: &[f64]| values.iter().map(|v| v.log10()).collect::<Vec<f64>>();
            weighted_line(&logs(means), &logs(deviations), &vec![1.0; q])?
        }
    };
    let mut found = Against {
        form,
        first,
        second,
        misfit: 0.0,
    };
    let fitted: Vec<f64> = means.iter().map(|&m| found.at(m)).collect();
    if fitted.iter().any(|s| !(*s > 0.0)) {
        return None;
    }
    let squares: f64 = deviations.iter().zip(&fitted).map(|(s, f)| ((s - f) / f).powi(2)).sum();
    found.misfit = (squares / (q - form.parameters()) as f64).sqrt();
    Some(found)
}

/// Weighted least squares of y on x: intercept and slope; `None` if x does not vary.
fn weighted_line(x: &[f64], y: &[f64], weights: &[f64]) -> Option<(f64, f64)> {
    let total: f64 = weights.iter().sum();
    let (mx, my) = (sum::dot(weights, x) / total, sum::dot(weights, y) / total);
    let sxx: f64 = weights.iter().zip(x).map(|(w, x)| w * (x - mx).powi(2)).sum();
    let sxy: f64 = weights
        .iter()
        .zip(x.iter().zip(y))
        .map(|(w, (x, y))| w * (x - mx) * (y - my))
        .sum();
    let size: f64 = weights.iter().zip(x).map(|(w, x)| w * x * x).sum();
    (sxx > 1e-14 * size).then(|| (my - sxy / sxx * mx, sxy / sxx))
}

/// Bartlett's test that variances are the same: p-value; `None` for fewer than two, or one that is zero.
///
/// Source: Bartlett (1937) Proc. R. Soc. A 160:268.
#[must_use]
pub fn same_variance(variances: &[(f64, f64)]) -> Option<f64> {
    let groups = variances.len() as f64;
    if groups < 2.0 || variances.iter().any(|(v, df)| !(*v > 0.0 && *df > 0.0)) {
        return None;
    }
    let df: f64 = variances.iter().map(|(_, df)| df).sum();
    let pooled = variances.iter().map(|(v, df)| v * df).sum::<f64>() / df;
    let inverse: f64 = variances.iter().map(|(_, df)| 1.0 / df).sum();
    let correction = 1.0 + (inverse - 1.0 / df) / (3.0 * (groups - 1.0));
    let statistic: f64 = variances.iter().map(|(v, df)| df * (pooled / v).ln()).sum::<f64>() / correction;
    Some(chi2_upper(statistic.max(0.0), groups - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(of: &[&[f64]]) -> Vec<Cell> {
        of.iter().filter_map(|results| Cell::of(results)).collect()
    }

    /// Worked by hand: cells 1, 3 and 5, 7: `s_r²` = 2 on 2 df, `s_d²` = 16 on 1 df, n̄ = 2, `s_L²` = 7, `s_R²` = 9.
    #[test]
    fn two_equal_cells() {
        let level = Level::new(&cells(&[&[1.0, 3.0], &[5.0, 7.0]])).unwrap();
        assert_eq!((level.mean, level.size), (4.0, 2.0));
        assert_eq!((level.within, level.among), (Some((2.0, 2.0)), Some((16.0, 1.0))));
        assert_eq!((level.between(), level.reproducibility()), (Some(7.0), Some(9.0)));
        let wide = level.reproducibility_interval(0.95).unwrap();
        assert!(wide.lower < 9.0 && wide.upper > 9.0);
        let alone = Level::new(&cells(&[&[1.0], &[2.0]])).unwrap();
        assert_eq!((alone.within, alone.between()), (None, None));
        assert_eq!(Level::new(&[]), None);
    }

    /// Closed form: exact curves are found again, with no misfit, whatever the other forms do.
    #[test]
    fn exact_forms_are_found() {
        let means: [f64; 4] = [10.0, 20.0, 40.0, 80.0];
        for (form, s) in [
            (Form::Constant, means.map(|_| 3.0)),
            (Form::Proportional, means.map(|m| 0.05 * m)),
            (Form::Line, means.map(|m| 0.3 + 0.02 * m)),
            (Form::Power, means.map(|m| 0.1 * m.powf(0.7))),
        ] {
            let found = against(form, &means, &s).unwrap();
            assert!(found.misfit < 1e-12, "{found:?}");
            for (m, s) in means.iter().zip(s) {
                assert!((found.at(*m) - s).abs() < 1e-12 * s, "{found:?}");
            }
        }
        assert_eq!(against(Form::Line, &means[..2], &[1.0, 2.0]), None);
        assert_eq!(against(Form::Power, &[-1.0, 2.0, 3.0], &[1.0; 3]), None);
        assert_eq!(against(Form::Constant, &[1.0, 2.0], &[0.0, 1.0]), None);
    }

    /// Closed form: equal variances have the p-value 1.
    #[test]
    fn equal_variances_are_the_same() {
        assert_eq!(same_variance(&[(2.0, 5.0), (2.0, 9.0)]), Some(1.0));
        assert!(same_variance(&[(1.0, 20.0), (9.0, 20.0)]).is_some_and(|p| p < 0.001));
        assert_eq!(same_variance(&[(0.0, 5.0), (2.0, 9.0)]), None);
    }
}
