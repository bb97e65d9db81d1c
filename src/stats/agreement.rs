//! Agreement of two methods on the same specimens: limits of agreement, equivalence, concordance.
//!
//! In:  one pair a specimen, both in one unit; with replicates their spread and numbers.
//! Out: the mean difference, the limits within which a share of single differences lies, their intervals.
//!
//! | name         | symbol | meaning                                                                     |
//! |--------------|--------|-----------------------------------------------------------------------------|
//! | difference   | dᵢ     | second method minus first, means of replicates                              |
//! | `deviation`  | `s_D`    | standard deviation of the difference of two single results on a specimen    |
//! | `within`     | `s²_wj`  | variance of replicates of method j on a specimen, with its degrees of freedom |
//! | `inverse`    | `h_j`    | mean of 1/m over specimens, m the replicates averaged                       |
//!
//! Method: Bland and Altman (1986) Lancet i:307 and (1999) Stat. Methods Med. Res. 8:135; exact intervals of the limits
//! by the noncentral t distribution (Owen 1968); with replicates `s²_D` = `s²_d` + Σ (1 − `h_j`) `s²_wj` and intervals by the
//! method of variance estimates recovery (Zou 2013, Stat. Methods Med. Res. 22:630). Equivalence: Schuirmann (1987)
//! J. Pharmacokin. Biopharm. 15:657. Concordance: Lin (1989) Biometrics 45:255, variance as corrected in 2000.
//! Never here: what the difference should be.

use super::interval::{Interval, WeightedMeanSquare, combination, combination_interval, satterthwaite_df};
use crate::numeric::distribution::{
    noncentral_t_quantile_lower, normal_quantile_lower, t_lower, t_quantile_upper, t_upper,
};
use crate::numeric::sum;

/// Replicates of one method on the same specimen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Replicates {
    /// Variance of single results on a specimen.
    pub variance: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// Mean over specimens of one over the number averaged; 1 without replicates.
    pub inverse: f64,
}

/// Mean difference and limits of agreement.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Number of specimens.
    pub n: usize,
    /// Mean difference.
    pub mean: f64,
    /// Standard error of the mean difference.
    pub standard_error: f64,
    /// Its interval.
    pub mean_interval: Interval,
    /// Standard deviation of the difference of two single results.
    pub deviation: f64,
    /// Lower limit of agreement with its interval.
    pub lower: (f64, Interval),
    /// Upper limit of agreement with its interval.
    pub upper: (f64, Interval),
    /// True if the intervals of the limits are exact for normal differences.
    pub exact: bool,
}

/// Limits between which a part `coverage` of single differences lies, intervals of level `level`.
///
/// `replicates` holds what is known of each method's replicates, where results were averaged. `None` below three
/// specimens, or where the differences do not vary.
pub fn limits(differences: &[f64], replicates: Option<[Replicates; 2]>, coverage: f64, level: f64) -> Option<Limits> {
    let n = differences.len();
    let sound = |p: f64| p > 0.0 && p < 1.0;
    if n < 3 || !sound(coverage) || !sound(level) {
        return None;
    }
    let count = n as f64;
    let mean = sum::mean(differences);
    let variance = sum::sum_of_squares_about_mean(differences) / (count - 1.0);
    if !(variance > 0.0 && variance.is_finite()) {
        return None;
    }
    let z = normal_quantile_lower(f64::midpoint(1.0, coverage));
    let tail = (1.0 - level) / 2.0;
    let standard_error = (variance / count).sqrt();
    let reach = t_quantile_upper(tail, count - 1.0) * standard_error;
    let mean_interval = Interval {
        lower: mean - reach,
        upper: mean + reach,
    };
    let averaged = replicates.filter(|both| both.iter().any(|r| r.inverse < 1.0));
    let (deviation, near, far) = if let Some(both) = averaged {
        let mut terms = vec![WeightedMeanSquare {
            coefficient: 1.0,
            mean_square: variance,
            df: count - 1.0,
        }];
        terms.extend(both.iter().filter(|r| r.inverse < 1.0).map(|r| WeightedMeanSquare {
            coefficient: 1.0 - r.inverse,
            mean_square: r.variance,
            df: r.df,
        }));
        let deviation = combination(&terms).max(0.0).sqrt();
        let interval = combination_interval(&terms, level)?;
        let below = z * (deviation - interval.lower.max(0.0).sqrt());
        let above = z * (interval.upper.max(0.0).sqrt() - deviation);
        (
            deviation,
            z * deviation - reach.hypot(below),
            z * deviation + reach.hypot(above),
        )
    } else {
        let deviation = variance.sqrt();
        let factor = |p: f64| noncentral_t_quantile_lower(p, count - 1.0, z * count.sqrt()) / count.sqrt();
        (deviation, factor(tail) * deviation, factor(1.0 - tail) * deviation)
    };
    Some(Limits {
        n,
        mean,
        standard_error,
        mean_interval,
        deviation,
        lower: (
            mean - z * deviation,
            Interval {
                lower: mean - far,
                upper: mean - near,
            },
        ),
        upper: (
            mean + z * deviation,
            Interval {
                lower: mean + near,
                upper: mean + far,
            },
        ),
        exact: averaged.is_none(),
    })
}

/// Pooled variance of replicates about the mean of their specimen; `groups` holds the results of one method, a list a
/// specimen. `None` where no specimen has two.
pub fn replicates(groups: &[Vec<f64>]) -> Option<Replicates> {
    let filled: Vec<&Vec<f64>> = groups.iter().filter(|group| !group.is_empty()).collect();
    let df: f64 = filled.iter().map(|group| group.len() as f64 - 1.0).sum();
    if !(df > 0.0) {
        return None;
    }
    let squares: f64 = filled.iter().map(|group| sum::sum_of_squares_about_mean(group)).sum();
    Some(Replicates {
        variance: squares / df,
        df,
        inverse: filled.iter().map(|group| 1.0 / group.len() as f64).sum::<f64>() / filled.len() as f64,
    })
}

/// A straight line of one list on another by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Slope.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard deviation about the line.
    pub deviation: f64,
    /// Degrees of freedom.
    pub df: f64,
}

impl Line {
    /// Two-sided p-value of 'no slope'.
    pub fn p(&self) -> f64 {
        (2.0 * t_upper((self.slope / self.slope_error).abs(), self.df)).min(1.0)
    }

    /// Interval of the slope.
    pub fn slope_interval(&self, level: f64) -> Interval {
        let reach = t_quantile_upper((1.0 - level) / 2.0, self.df) * self.slope_error;
        Interval {
            lower: self.slope - reach,
            upper: self.slope + reach,
        }
    }
}

/// Fits y = a + b x. `None` below three pairs, where x does not vary, or where y lies on the line exactly.
pub fn line(x: &[f64], y: &[f64]) -> Option<Line> {
    if x.len() != y.len() || x.len() < 3 {
        return None;
    }
    let (mean_x, dx) = sum::centred(x);
    let (mean_y, dy) = sum::centred(y);
    let squares = sum::sum_of_squares(&dx);
    if !(squares > 0.0) {
        return None;
    }
    let slope = sum::dot(&dx, &dy) / squares;
    let left: Vec<f64> = dx.iter().zip(&dy).map(|(dx, dy)| dy - slope * dx).collect();
    let df = x.len() as f64 - 2.0;
    let deviation = (sum::sum_of_squares(&left) / df).sqrt();
    (deviation > 0.0).then(|| Line {
        intercept: mean_y - slope * mean_x,
        slope,
        slope_error: deviation / squares.sqrt(),
        deviation,
        df,
    })
}

/// Two one-sided tests of a difference against ± a margin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equivalence {
    /// p-value of 'at or below −margin'.
    pub p_lower: f64,
    /// p-value of 'at or above +margin'.
    pub p_upper: f64,
    /// The larger of the two.
    pub p: f64,
    /// The interval of level 1 − 2α that decides.
    pub interval: Interval,
}

/// Tests a difference with standard error and degrees of freedom, each side at level `alpha`. `None` unless the error,
/// the margin and the degrees of freedom are positive and 0 < alpha < ½.
pub fn equivalence(difference: f64, standard_error: f64, df: f64, margin: f64, alpha: f64) -> Option<Equivalence> {
    if !(standard_error > 0.0 && df > 0.0 && margin > 0.0 && alpha > 0.0 && alpha < 0.5) {
        return None;
    }
    let p_lower = t_upper((difference + margin) / standard_error, df);
    let p_upper = t_lower((difference - margin) / standard_error, df);
    let reach = t_quantile_upper(alpha, df) * standard_error;
    Some(Equivalence {
        p_lower,
        p_upper,
        p: p_lower.max(p_upper),
        interval: Interval {
            lower: difference - reach,
            upper: difference + reach,
        },
    })
}

/// Concordance correlation with its parts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Concordance {
    /// Concordance `ρ_c`.
    pub value: f64,
    /// Correlation ρ: how closely the pairs follow some line.
    pub correlation: f64,
    /// `ρ_c/ρ`: how near that line is to equality.
    pub nearness: f64,
    /// Standard error of `ρ_c`.
    pub standard_error: f64,
    /// Interval by Fisher's z.
    pub interval: Interval,
}

/// Lin's concordance of pairs. `None` below three pairs, or where one side does not vary or both agree exactly.
pub fn concordance(x: &[f64], y: &[f64], level: f64) -> Option<Concordance> {
    if x.len() != y.len() || x.len() < 4 {
        return None;
    }
    let n = x.len() as f64;
    let (mean_x, dx) = sum::centred(x);
    let (mean_y, dy) = sum::centred(y);
    let (xx, yy, xy) = (
        sum::sum_of_squares(&dx) / n,
        sum::sum_of_squares(&dy) / n,
        sum::dot(&dx, &dy) / n,
    );
    if !(xx > 0.0 && yy > 0.0) || xy == 0.0 {
        return None;
    }
    let shift = (mean_x - mean_y).powi(2);
    let r = xy / (xx * yy).sqrt();
    let c = 2.0 * xy / (xx + yy + shift);
    let u2 = shift / (xx * yy).sqrt();
    let variance = ((1.0 - r * r) * c * c * (1.0 - c * c) / (r * r) + 2.0 * c.powi(3) * (1.0 - c) * u2 / r
        - c.powi(4) * u2 * u2 / (2.0 * r * r))
        / (n - 2.0);
    if !(variance > 0.0 && c.abs() < 1.0) {
        return None;
    }
    let standard_error = variance.sqrt();
    let reach = normal_quantile_lower(f64::midpoint(1.0, level)) * standard_error / (1.0 - c * c);
    Some(Concordance {
        value: c,
        correlation: r,
        nearness: c / r,
        standard_error,
        interval: Interval {
            lower: (c.atanh() - reach).tanh(),
            upper: (c.atanh() + reach).tanh(),
        },
    })
}

/// Half the length of the interval of a limit of agreement in units of `s_D`, for `n` specimens measured once by each.
pub fn limit_reach(n: f64, coverage: f64, level: f64) -> f64 {
    let z = normal_quantile_lower(f64::midpoint(1.0, coverage));
    let tail = (1.0 - level) / 2.0;
    let factor = |p: f64| noncentral_t_quantile_lower(p, n - 1.0, z * n.sqrt()) / n.sqrt();
    0.5 * (factor(1.0 - tail) - factor(tail))
}

/// Degrees of freedom of `s²_D`, for a test against a tolerance; `None` where a part is out of its domain.
pub fn deviation_df(differences: &[f64], replicates: [Replicates; 2]) -> Option<f64> {
    let df = differences.len() as f64 - 1.0;
    let mut terms = vec![WeightedMeanSquare {
        coefficient: 1.0,
        mean_square: sum::sum_of_squares_about_mean(differences) / df,
        df,
    }];
    terms.extend(replicates.iter().map(|r| WeightedMeanSquare {
        coefficient: 1.0 - r.inverse,
        mean_square: r.variance,
        df: r.df,
    }));
    satterthwaite_df(&terms)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published, Bland and Altman (1986), second part, from memory: with the standard deviations of differences 33.2
    /// between means of two and 21.6 and 28.2 between repeats, single results differ with 37.7.
    #[test]
    fn single_results_differ_more_than_means() {
        let of_repeats = |s: f64| Replicates {
            variance: s * s / 2.0,
            df: 17.0,
            inverse: 0.5,
        };
        // Differences with mean 0 and standard deviation 33.2.
        let one = 33.2 * (16.0_f64 / 17.0).sqrt();
        let differences: Vec<f64> = (0..17)
            .map(|i| {
                if i == 16 {
                    0.0
                } else if i % 2 == 0 {
                    one
                } else {
                    -one
                }
            })
            .collect();
        let scale = 33.2 / (sum::sum_of_squares(&differences) / 16.0).sqrt();
        let differences: Vec<f64> = differences.iter().map(|d| d * scale).collect();
        let found = limits(&differences, Some([of_repeats(21.6), of_repeats(28.2)]), 0.95, 0.95).unwrap();
        assert!((found.deviation - 37.7).abs() < 0.06, "{}", found.deviation);
        assert!(!found.exact);
        assert!(found.upper.1.lower < found.upper.0 && found.upper.0 < found.upper.1.upper);
    }

    /// Closed form: swapping the methods mirrors everything.
    #[test]
    fn swapping_mirrors() {
        let d = [0.3, -0.2, 0.9, 0.4, 0.1];
        let back: Vec<f64> = d.iter().map(|d| -d).collect();
        let (a, b) = (
            limits(&d, None, 0.95, 0.95).unwrap(),
            limits(&back, None, 0.95, 0.95).unwrap(),
        );
        assert!((a.lower.0 + b.upper.0).abs() < 1e-12);
        assert!((a.lower.1.lower + b.upper.1.upper).abs() < 1e-12);
    }

    #[test]
    fn too_little_is_no_answer() {
        assert_eq!(limits(&[1.0, 2.0], None, 0.95, 0.95), None);
        assert_eq!(limits(&[1.0; 5], None, 0.95, 0.95), None);
        assert_eq!(line(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]), None);
        assert_eq!(concordance(&[1.0; 5], &[1.0, 2.0, 3.0, 4.0, 5.0], 0.95), None);
        assert_eq!(equivalence(0.0, 0.0, 4.0, 1.0, 0.05), None);
        assert_eq!(replicates(&[vec![1.0], vec![2.0]]), None);
    }
}
