//! Straight lines between two methods that both err.
//!
//! In:  pairs (x, y), one a specimen. Out: slope, intercept, their standard errors and intervals.
//!
//! | name    | symbol | meaning                                                                         |
//! |---------|--------|---------------------------------------------------------------------------------|
//! | `ratio` | λ      | variance of the errors of y over that of the errors of x (authors differ)       |
//! | weights | wᵢ     | for errors that grow with the level: 1/level², levels from the line itself       |
//!
//! Method: Deming (1943); weights and leave-one-out standard errors: Linnet (1990) Stat. Med. 9:1463, (1993) Clin. Chem.
//! 39:424. Weights of each point on both sides: York et al. (2004) Am. J. Phys. 72:367. By ranks: Passing and Bablok
//! (1983) J. Clin. Chem. Clin. Biochem. 21:709, with their cusum test of linearity.
//! Never here: pairs with a missing side.

use crate::numeric::distribution::{normal_quantile_lower, t_quantile_upper};
use crate::numeric::sum;

/// Most pairs for the method by ranks: it looks at every two of them.
pub const MOST_PAIRS: usize = 3_000;

/// A line with the uncertainty of its two numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct BothErrorsLine {
    /// Slope β.
    pub slope: f64,
    /// Intercept α.
    pub intercept: f64,
    /// Standard errors of slope and intercept.
    pub errors: (f64, f64),
    /// Slope and intercept without each specimen in turn.
    pub without: Vec<(f64, f64)>,
    /// Degrees of freedom of the intervals.
    pub df: f64,
}

impl BothErrorsLine {
    /// Interval of the slope.
    pub fn slope_interval(&self, level: f64) -> (f64, f64) {
        self.around(self.slope, self.errors.0, level)
    }

    /// Interval of the intercept.
    pub fn intercept_interval(&self, level: f64) -> (f64, f64) {
        self.around(self.intercept, self.errors.1, level)
    }

    /// What y reads above x at a level of x, with its standard error: α + (β − 1) level.
    pub fn bias_at(&self, level: f64) -> (f64, f64) {
        let bias = |(slope, intercept): (f64, f64)| intercept + (slope - 1.0) * level;
        let all = bias((self.slope, self.intercept));
        let parts: Vec<f64> = self.without.iter().map(|&w| bias(w)).collect();
        (all, jackknife_error(all, &parts))
    }

    /// Interval about a value with its standard error.
    pub fn around(&self, value: f64, error: f64, level: f64) -> (f64, f64) {
        let reach = t_quantile_upper((1.0 - level) / 2.0, self.df) * error;
        (value - reach, value + reach)
    }
}

/// Standard error from values without one specimen each, by pseudo-values.
fn jackknife_error(all: f64, without: &[f64]) -> f64 {
    let n = without.len() as f64;
    let pseudo: Vec<f64> = without.iter().map(|w| n * all - (n - 1.0) * w).collect();
    (sum::sum_of_squares_about_mean(&pseudo) / (n - 1.0) / n).sqrt()
}

/// Deming's line; `weighted` for errors that grow in proportion to the level.
///
/// `None` below four pairs, unless λ > 0, where there is no line (no covariance), or, weighted, where a level is not
/// above zero.
pub fn deming(x: &[f64], y: &[f64], ratio: f64, weighted: bool) -> Option<BothErrorsLine> {
    if x.len() != y.len() || x.len() < 4 || !(ratio > 0.0 && ratio.is_finite()) {
        return None;
    }
    let pick = |leave: Option<usize>| {
        let keep = |v: &[f64]| -> Vec<f64> {
            v.iter()
                .enumerate()
                .filter(|(i, _)| Some(*i) != leave)
                .map(|(_, v)| *v)
                .collect()
        };
        let (x, y) = (keep(x), keep(y));
        if weighted {
            weighted_line(&x, &y, ratio)
        } else {
            plain_line(&x, &y, &vec![1.0; x.len()], ratio)
        }
    };
    let (slope, intercept) = pick(None)?;
    let without: Vec<(f64, f64)> = (0..x.len()).map(|i| pick(Some(i))).collect::<Option<_>>()?;
    let column = |f: fn(&(f64, f64)) -> f64| -> Vec<f64> { without.iter().map(f).collect() };
    let errors = (
        jackknife_error(slope, &column(|w| w.0)),
        jackknife_error(intercept, &column(|w| w.1)),
    );
    Some(BothErrorsLine {
        slope,
        intercept,
        errors,
        without,
        df: x.len() as f64 - 2.0,
    })
}

fn plain_line(x: &[f64], y: &[f64], weights: &[f64], ratio: f64) -> Option<(f64, f64)> {
    let total = sum::sum(weights);
    let centre = |v: &[f64]| sum::dot(weights, v) / total;
    let (mean_x, mean_y) = (centre(x), centre(y));
    let dx: Vec<f64> = x.iter().map(|x| x - mean_x).collect();
    let dy: Vec<f64> = y.iter().map(|y| y - mean_y).collect();
    let moment = |a: &[f64], b: &[f64]| a.iter().zip(b).zip(weights).map(|((a, b), w)| a * b * w).sum::<f64>();
    let (xx, yy, xy) = (moment(&dx, &dx), moment(&dy, &dy), moment(&dx, &dy));
    let lean = yy - ratio * xx;
    let root = (lean * lean + 4.0 * ratio * xy * xy).sqrt();
    if !(root > 0.0) || xy == 0.0 {
        return None;
    }
    // The form without cancellation.
    let slope = if lean >= 0.0 {
        (lean + root) / (2.0 * xy)
    } else {
        2.0 * ratio * xy / (root - lean)
    };
    slope.is_finite().then_some((slope, mean_y - slope * mean_x))
}

fn weighted_line(x: &[f64], y: &[f64], ratio: f64) -> Option<(f64, f64)> {
    let levels: Vec<f64> = x.iter().zip(y).map(|(x, y)| f64::midpoint(*x, *y)).collect();
    let weights = |levels: &[f64]| -> Option<Vec<f64>> {
        levels
            .iter()
            .map(|&level| (level > 0.0).then(|| 1.0 / (level * level)))
            .collect()
    };
    let mut line = plain_line(x, y, &weights(&levels)?, ratio)?;
    for _ in 0..200 {
        // The true level of each specimen by the line, then the mean of what both methods read there.
        let levels: Vec<f64> = x
            .iter()
            .zip(y)
            .map(|(&x, &y)| {
                let (slope, intercept) = line;
                let off = y - intercept - slope * x;
                let true_x = x + slope * off / (ratio + slope * slope);
                f64::midpoint(true_x, intercept + slope * true_x)
            })
            .collect();
        let next = plain_line(x, y, &weights(&levels)?, ratio)?;
        let change = (next.0 - line.0).abs() / next.0.abs().max(1e-300);
        line = next;
        if change < 1e-13 {
            break;
        }
    }
    Some(line)
}

/// York's line: weights (one over the variance) of every x and every y.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YorkLine {
    /// Slope.
    pub slope: f64,
    /// Intercept.
    pub intercept: f64,
    /// Standard error of the slope, from the weights alone.
    pub slope_error: f64,
    /// Standard error of the intercept.
    pub intercept_error: f64,
    /// Weighted sum of squares about the line; n − 2 on average if the weights are right.
    pub sum_of_squares: f64,
}

/// Fits York's line. `None` below three points, for weights that are not positive, or where it does not settle.
pub fn york(x: &[f64], y: &[f64], weights_x: &[f64], weights_y: &[f64]) -> Option<YorkLine> {
    let n = x.len();
    let sound = |w: &[f64]| w.len() == n && w.iter().all(|w| *w > 0.0 && w.is_finite());
    if n < 3 || y.len() != n || !sound(weights_x) || !sound(weights_y) {
        return None;
    }
    let mut slope = plain_line(x, y, &vec![1.0; n], 1.0)?.0;
    for _ in 0..1_000 {
        let w: Vec<f64> = weights_x
            .iter()
            .zip(weights_y)
            .map(|(wx, wy)| wx * wy / (wx + slope * slope * wy))
            .collect();
        let total = sum::sum(&w);
        let (mean_x, mean_y) = (sum::dot(&w, x) / total, sum::dot(&w, y) / total);
        let u: Vec<f64> = x.iter().map(|x| x - mean_x).collect();
        let v: Vec<f64> = y.iter().map(|y| y - mean_y).collect();
        let beta: Vec<f64> = (0..n)
            .map(|i| w[i] * (u[i] / weights_y[i] + slope * v[i] / weights_x[i]))
            .collect();
        let part = |d: &[f64]| (0..n).map(|i| w[i] * beta[i] * d[i]).sum::<f64>();
        let next = part(&v) / part(&u);
        if !next.is_finite() {
            return None;
        }
        let settled = (next - slope).abs() <= 1e-15 * next.abs();
        slope = next;
        if settled {
            let intercept = mean_y - slope * mean_x;
            let adjusted: Vec<f64> = beta.iter().map(|b| mean_x + b).collect();
            let centre = sum::dot(&w, &adjusted) / total;
            let squares: f64 = (0..n).map(|i| w[i] * (adjusted[i] - centre).powi(2)).sum();
            let slope_variance = 1.0 / squares;
            return Some(YorkLine {
                slope,
                intercept,
                slope_error: slope_variance.sqrt(),
                intercept_error: (1.0 / total + centre * centre * slope_variance).sqrt(),
                sum_of_squares: (0..n).map(|i| w[i] * (y[i] - intercept - slope * x[i]).powi(2)).sum(),
            });
        }
    }
    None
}

/// Passing and Bablok's line.
#[derive(Debug, Clone, PartialEq)]
pub struct RankLine {
    /// Slope: the shifted median of all slopes between two specimens.
    pub slope: f64,
    /// Its interval; infinite ends where there are too few slopes.
    pub slope_interval: (f64, f64),
    /// Intercept: median of y − slope · x.
    pub intercept: f64,
    /// Its interval, from the ends of the slope's.
    pub intercept_interval: (f64, f64),
    /// Slopes that count, and how many lie below −1.
    pub slopes: (usize, usize),
    /// Pairs of specimens with the same x or the same y.
    pub ties: usize,
    /// Largest distance of the cusum from its mean path, over √(number above + 1): Kolmogorov's statistic.
    pub cusum: f64,
    /// p-value of 'a straight line'; from Kolmogorov's limit distribution.
    pub linearity_p: f64,
}

/// Fits by ranks. `None` below five or above `MOST_PAIRS` specimens, or where too few slopes are left.
pub fn passing_bablok(x: &[f64], y: &[f64], level: f64) -> Option<RankLine> {
    let n = x.len();
    if n != y.len() || !(5..=MOST_PAIRS).contains(&n) {
        return None;
    }
    // Differences are compared after rounding to the 12th digit of the largest value: decimals leave dust.
    let largest = x.iter().chain(y).fold(0.0_f64, |m, v| m.max(v.abs()));
    let dust = largest * 1e-12;
    let clean = |d: f64| if d.abs() <= dust { 0.0 } else { d };
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    let mut ties = 0;
    for i in 0..n {
        for j in i + 1..n {
            let (dx, dy) = (clean(x[j] - x[i]), clean(y[j] - y[i]));
            if dx == 0.0 || dy == 0.0 {
                ties += 1;
            }
            if dx == 0.0 && dy == 0.0 {
                continue;
            }
            if (dx + dy).abs() <= dust {
                continue; // a slope of exactly −1
            }
            slopes.push(if dx == 0.0 { f64::INFINITY.copysign(dy) } else { dy / dx });
        }
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let count = slopes.len();
    let below = slopes.partition_point(|s| *s < -1.0);
    let at = |place: usize| slopes.get(place.checked_sub(1)?).copied();
    let slope = if count % 2 == 1 {
        at(count.div_ceil(2) + below)?
    } else {
        f64::midpoint(at(count / 2 + below)?, at(count / 2 + 1 + below)?)
    };
    if !slope.is_finite() {
        return None;
    }
    let size = n as f64;
    let c = normal_quantile_lower(f64::midpoint(1.0, level)) * (size * (size - 1.0) * (2.0 * size + 5.0) / 18.0).sqrt();
    let first = ((count as f64 - c) / 2.0 + 0.5).floor();
    let ends = if first >= 1.0 {
        let first = first as usize;
        (
            at(first + below).unwrap_or(f64::NEG_INFINITY),
            at(count - first + 1 + below).unwrap_or(f64::INFINITY),
        )
    } else {
        (f64::NEG_INFINITY, f64::INFINITY)
    };
    let intercept_for = |slope: f64| -> f64 {
        let left: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
        super::summary::median(&left).unwrap_or(f64::NAN)
    };
    let intercept = intercept_for(slope);
    let (cusum, linearity_p) = cusum(x, y, slope, intercept, dust);
    Some(RankLine {
        slope,
        slope_interval: ends,
        intercept,
        intercept_interval: (
            if ends.1.is_finite() {
                intercept_for(ends.1)
            } else {
                f64::NEG_INFINITY
            },
            if ends.0.is_finite() {
                intercept_for(ends.0)
            } else {
                f64::INFINITY
            },
        ),
        slopes: (count, below),
        ties,
        cusum,
        linearity_p,
    })
}

/// Passing and Bablok's test of linearity: specimens in order along the line, +√(l/L) above it and −√(L/l) below it.
fn cusum(x: &[f64], y: &[f64], slope: f64, intercept: f64, dust: f64) -> (f64, f64) {
    let mut points: Vec<(f64, f64)> = x
        .iter()
        .zip(y)
        .map(|(&x, &y)| {
            let off = y - intercept - slope * x;
            (y + x / slope, if off.abs() <= dust { 0.0 } else { off })
        })
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let above = points.iter().filter(|p| p.1 > 0.0).count() as f64;
    let below = points.iter().filter(|p| p.1 < 0.0).count() as f64;
    if above == 0.0 || below == 0.0 {
        return (0.0, 1.0);
    }
    let (up, down) = ((below / above).sqrt(), (above / below).sqrt());
    let (mut walk, mut largest) = (0.0_f64, 0.0_f64);
    for (_, off) in points {
        if off > 0.0 {
            walk += up;
        } else if off < 0.0 {
            walk -= down;
        }
        largest = largest.max(walk.abs());
    }
    let h = largest / (below + 1.0).sqrt();
    (h, kolmogorov_upper(h))
}

/// P(K > h) of Kolmogorov's limit distribution: 2 Σ (−1)^(k−1) exp(−2k²h²).
fn kolmogorov_upper(h: f64) -> f64 {
    if h < 0.2 {
        return 1.0;
    }
    let terms = (1..=40).map(|k| {
        let k = f64::from(k);
        let sign = if k % 2.0 == 1.0 { 2.0 } else { -2.0 };
        sign * (-2.0 * k * k * h * h).exp()
    });
    terms.sum::<f64>().clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: points on a line give that line, by every method; swapping the axes inverts the slope.
    #[test]
    fn a_line_is_found() {
        let x = [1.0, 2.0, 4.0, 7.0, 11.0, 16.0];
        let y: Vec<f64> = x.iter().map(|x| 0.5 + 1.25 * x).collect();
        for weighted in [false, true] {
            let found = deming(&x, &y, 1.0, weighted).unwrap();
            assert!((found.slope - 1.25).abs() < 1e-12 && (found.intercept - 0.5).abs() < 1e-11);
            assert!((found.bias_at(10.0).0 - 3.0).abs() < 1e-11);
        }
        let found = passing_bablok(&x, &y, 0.95).unwrap();
        assert!((found.slope - 1.25).abs() < 1e-12 && (found.intercept - 0.5).abs() < 1e-11);
        let back = passing_bablok(&y, &x, 0.95).unwrap();
        assert!((back.slope - 0.8).abs() < 1e-12);
    }

    /// Closed form: equal weights make York's line that of Deming, with λ the ratio of the error variances.
    #[test]
    fn equal_weights_are_deming() {
        let (x, y) = ([1.0, 2.0, 4.0, 7.0, 11.0], [1.3, 2.1, 4.6, 6.8, 11.9]);
        let york = york(&x, &y, &[4.0; 5], &[2.0; 5]).unwrap();
        let deming = deming(&x, &y, 2.0, false).unwrap();
        assert!((york.slope - deming.slope).abs() < 1e-12);
        assert!((york.intercept - deming.intercept).abs() < 1e-12);
    }

    /// Published, from memory of tables of Kolmogorov's distribution: 1.36 leaves 5 %, 1.63 leaves 1 %.
    #[test]
    fn kolmogorov() {
        assert!((kolmogorov_upper(1.358) - 0.05).abs() < 2e-4);
        assert!((kolmogorov_upper(1.628) - 0.01).abs() < 1e-4);
        assert_eq!(kolmogorov_upper(0.0), 1.0);
    }

    /// A curve is seen as one.
    #[test]
    fn a_curve_is_no_line() {
        let x: Vec<f64> = (1..=60).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| x + 0.02 * (x - 30.0).powi(2)).collect();
        assert!(passing_bablok(&x, &y, 0.95).unwrap().linearity_p < 0.01);
    }

    #[test]
    fn no_line_is_no_answer() {
        assert_eq!(deming(&[1.0, 1.0, 1.0, 1.0], &[1.0, 2.0, 3.0, 4.0], 1.0, false), None);
        assert_eq!(deming(&[1.0, 2.0, 3.0, 4.0], &[1.0, 2.0, 3.0, 4.0], 0.0, false), None);
        assert_eq!(deming(&[-1.0, 2.0, 3.0, 4.0], &[-1.0, 2.0, 3.0, 4.5], 1.0, true), None);
        assert_eq!(passing_bablok(&[1.0; 6], &[1.0; 6], 0.95), None);
        assert_eq!(york(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0], &[0.0; 3], &[1.0; 3]), None);
    }
}
