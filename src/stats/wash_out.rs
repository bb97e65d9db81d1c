//! Series of readings after something that left residue: do they climb or fall, and how fast does it die away?
//!
//! In:  for each run its readings in order, all equally many, and the group it belongs to (what came before it).
//! Out: the mean slope of each group; a decay with one rate and a size for each group.
//!
//! | name    | symbol | shape  | unit                         |
//! |---------|--------|--------|------------------------------|
//! | reading | y      | runs × K | response                   |
//! | factor  | λ      | scalar | none, in (0, 1)              |
//! | length  | τ      | scalar | readings, −1/ln λ            |
//! | size    | c      | groups | response, at the first reading |
//!
//! Reading k of run r in group g: y = aᵣ + c λᵏ⁻¹ + e, c that of the group. With the run means taken out, everything but the readings' own sum of squares depends on
//! the mean series of each group only; for a given λ the sizes are least squares, and λ maximises what they explain (a grid,
//! then golden section). Interval of λ: where the sum of squares stays below its least times 1 + F₁,ᵥ/ν (profile). Intervals
//! of the sizes: linearized (Gauss–Newton). Readings of a run count as independent given its mean.
//!
//! Source: Bates and Watts (1988) Nonlinear Regression Analysis, sections 2.1 and 6.1 (from memory).
//! Never here: which runs follow which.

use crate::numeric::distribution::{f_quantile_upper, f_upper, t_quantile_upper, t_upper};
use crate::numeric::{Matrix, Qr};

/// Ends of λ told apart from 0 (only the first reading differs) and 1 (a straight line).
const ENDS: (f64, f64) = (0.02, 0.98);
const GRID: usize = 96;

/// A number with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ranged {
    /// The estimate.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided p-value of zero.
    pub p: f64,
}

impl Ranged {
    fn new(value: f64, variance: f64, df: f64, confidence: f64) -> Option<Self> {
        if !(variance > 0.0 && df > 0.0 && value.is_finite()) {
            return None;
        }
        let standard_error = variance.sqrt();
        let reach = t_quantile_upper(0.5 * (1.0 - confidence), df) * standard_error;
        Some(Self {
            value,
            standard_error,
            low: value - reach,
            high: value + reach,
            df,
            p: (2.0 * t_upper((value / standard_error).abs(), df)).min(1.0),
        })
    }
}

/// A fitted decay.
#[derive(Debug, Clone, PartialEq)]
pub struct Decay {
    /// λ: what is left from one reading to the next.
    pub factor: f64,
    /// Lower end of its interval; `None` where the first reading alone may carry all of it.
    pub low: Option<f64>,
    /// Upper end; `None` where a straight line does as well.
    pub high: Option<f64>,
    /// Size of each group at the first reading, above what is left at last.
    pub sizes: Vec<Option<Ranged>>,
    /// p-value of no series at all.
    pub p: f64,
}

/// Series of equal length in groups.
pub struct Series {
    /// Number of runs and mean series about the run mean, by group; empty groups have no runs.
    groups: Vec<(f64, Vec<f64>)>,
    /// Slopes of the runs, by group.
    slopes: Vec<Vec<f64>>,
    /// Sum of squares of all readings about their run means.
    squares: f64,
    runs: f64,
    length: usize,
}

impl Series {
    /// `None` for fewer than three readings a run, or series of unequal length.
    #[must_use]
    pub fn new(readings: &[Vec<f64>], group: &[usize]) -> Option<Self> {
        let length = readings.first()?.len();
        if length < 3 || readings.iter().any(|own| own.len() != length) || group.len() != readings.len() {
            return None;
        }
        let count = group.iter().max()? + 1;
        let mut groups = vec![(0.0, vec![0.0; length]); count];
        let mut slopes = vec![Vec::new(); count];
        let offsets = centred(&(0..length).map(|k| k as f64).collect::<Vec<f64>>());
        let spread = dot(&offsets, &offsets);
        let mut squares = 0.0;
        for (own, &group) in readings.iter().zip(group) {
            let own = centred(own);
            squares += dot(&own, &own);
            slopes[group].push(dot(&own, &offsets) / spread);
            groups[group].0 += 1.0;
            groups[group].1.iter_mut().zip(&own).for_each(|(sum, own)| *sum += own);
        }
        for (runs, sums) in &mut groups {
            let runs = *runs;
            sums.iter_mut().for_each(|sum| *sum /= f64::max(runs, 1.0));
        }
        Some(Self {
            groups,
            slopes,
            squares,
            runs: readings.len() as f64,
            length,
        })
    }

    /// Mean series of a group about the mean of its runs.
    #[must_use]
    pub fn mean(&self, group: usize) -> &[f64] {
        &self.groups[group].1
    }

    /// Number of runs in a group.
    #[must_use]
    pub fn runs(&self, group: usize) -> usize {
        self.slopes[group].len()
    }

    /// Mean slope of each group per reading, judged by the spread of slopes between runs of a group.
    #[must_use]
    pub fn slopes(&self, confidence: f64) -> Vec<Option<Ranged>> {
        let mean = |own: &[f64]| own.iter().sum::<f64>() / own.len().max(1) as f64;
        let used = self.slopes.iter().filter(|own| !own.is_empty()).count();
        let df = self.runs - used as f64;
        let squares: f64 = self
            .slopes
            .iter()
            .map(|own| {
                let middle = mean(own);
                own.iter().map(|s| (s - middle).powi(2)).sum::<f64>()
            })
            .sum();
        self.slopes
            .iter()
            .map(|own| {
                if own.is_empty() {
                    return None;
                }
                Ranged::new(mean(own), squares / df / own.len() as f64, df, confidence)
            })
            .collect()
    }

    /// λ^(k−1) about its mean.
    fn shape(&self, factor: f64) -> Vec<f64> {
        centred(&(0..self.length).map(|k| factor.powf(k as f64)).collect::<Vec<f64>>())
    }

    /// What the best sizes explain at some λ.
    fn explained(&self, factor: f64) -> f64 {
        let shape = self.shape(factor);
        let length = dot(&shape, &shape);
        self.groups
            .iter()
            .map(|(runs, mean)| runs * dot(&shape, mean).powi(2) / length)
            .sum()
    }

    /// Fits the decay; `None` where too few readings are left to judge it by, or they do not vary.
    #[must_use]
    pub fn decay(&self, confidence: f64) -> Option<Decay> {
        let used: Vec<usize> = (0..self.groups.len()).filter(|&g| self.groups[g].0 > 0.0).collect();
        let parameters = used.len() as f64 + 1.0;
        let df = self.runs * (self.length as f64 - 1.0) - parameters;
        let at = |i: usize| ENDS.0 + (ENDS.1 - ENDS.0) * i as f64 / GRID as f64;
        let best = (0..=GRID).max_by(|&a, &b| self.explained(at(a)).total_cmp(&self.explained(at(b))))?;
        let factor = golden(
            |f| self.explained(f),
            at(best.saturating_sub(1)),
            at((best + 1).min(GRID)),
        );
        let explained = self.explained(factor);
        let left = self.squares - explained;
        if !(df > 0.0 && left > 1e-12 * self.squares) {
            return None;
        }
        let variance = left / df;
        // Profile: the nearest λ on either side at which too much is lost.
        let allowed = explained - variance * f_quantile_upper(1.0 - confidence, 1.0, df);
        let beyond = |f: f64| self.explained(f) - allowed;
        let side = |end: f64| -> Option<f64> {
            let steps = 400;
            let place = |i: i32| factor + (end - factor) * f64::from(i) / f64::from(steps);
            let first = (1..=steps).find(|&i| beyond(place(i)) < 0.0)?;
            let (a, b) = (place(first - 1), place(first));
            Some(crate::numeric::bracketed_zero(beyond, a.min(b), a.max(b)))
        };
        Some(Decay {
            factor,
            low: side(ENDS.0),
            high: side(ENDS.1),
            sizes: self.sizes(&used, factor, variance, df, confidence),
            p: f_upper(explained / parameters / variance, parameters, df),
        })
    }

    fn sizes(&self, used: &[usize], factor: f64, variance: f64, df: f64, confidence: f64) -> Vec<Option<Ranged>> {
        let shape = self.shape(factor);
        let length = dot(&shape, &shape);
        let turn: Vec<f64> = (0..self.length)
            .map(|k| {
                if k == 0 {
                    0.0
                } else {
                    k as f64 * factor.powf(k as f64 - 1.0)
                }
            })
            .collect();
        let turn = centred(&turn);
        let size = |g: usize| dot(&shape, &self.groups[g].1) / length;
        // One row a group and reading, each as heavy as its runs; a column a size, and one for λ.
        let mut columns = vec![Vec::with_capacity(used.len() * self.length); used.len() + 1];
        for (place, &g) in used.iter().enumerate() {
            let weight = self.groups[g].0.sqrt();
            for k in 0..self.length {
                for (column, values) in columns.iter_mut().enumerate() {
                    values.push(if column == used.len() {
                        weight * size(g) * turn[k]
                    } else if column == place {
                        weight * shape[k]
                    } else {
                        0.0
                    });
                }
            }
        }
        let diagonal = Qr::new(&Matrix::from_columns(&columns)).inverse_diagonal();
        let mut sizes = vec![None; self.groups.len()];
        for (place, &g) in used.iter().enumerate() {
            sizes[g] = diagonal
                .get(place)
                .copied()
                .flatten()
                .and_then(|d| Ranged::new(size(g), variance * d, df, confidence));
        }
        sizes
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn centred(values: &[f64]) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|v| v - mean).collect()
}

/// The largest value of a function with one peak, by golden section.
fn golden(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let ratio = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut a, mut b) = (low, high);
    let (mut x, mut y) = (b - ratio * (b - a), a + ratio * (b - a));
    let (mut fx, mut fy) = (f(x), f(y));
    for _ in 0..80 {
        if fx >= fy {
            (b, y, fy) = (y, x, fx);
            x = b - ratio * (b - a);
            fx = f(x);
        } else {
            (a, x, fx) = (x, y, fy);
            y = a + ratio * (b - a);
            fy = f(y);
        }
    }
    f64::midpoint(a, b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::stream::Stream;

    fn made(sizes: &[f64], factor: f64, runs: usize, noise: f64) -> Series {
        let mut stream = Stream::named("wash-out");
        let (mut readings, mut group) = (Vec::new(), Vec::new());
        for (g, size) in sizes.iter().enumerate() {
            for _ in 0..runs {
                let level = stream.normal();
                readings.push(
                    (0..8)
                        .map(|k| level + size * factor.powi(k) + noise * stream.normal())
                        .collect(),
                );
                group.push(g);
            }
        }
        Series::new(&readings, &group).unwrap()
    }

    /// Closed form: almost without noise the decay comes back as it was put in.
    #[test]
    fn a_clean_decay_comes_back() {
        let found = made(&[2.0, -0.5], 0.6, 5, 1e-6).decay(0.95).unwrap();
        assert!((found.factor - 0.6).abs() < 1e-5, "{found:?}");
        let size = |g: usize| found.sizes[g].unwrap().value;
        assert!((size(0) - 2.0).abs() < 1e-5 && (size(1) + 0.5).abs() < 1e-5);
        assert!(found.low.unwrap() < 0.6 && 0.6 < found.high.unwrap() && found.p < 1e-12);
    }

    /// Simulated: the intervals of the rate and of a size hold the truth in about 95 of 100 sets; 12 or more misses of 80
    /// have probability 0.001.
    #[test]
    fn intervals_hold_the_truth() {
        let mut stream = Stream::named("coverage of a decay");
        let mut missed = [0, 0];
        for _ in 0..80 {
            let readings: Vec<Vec<f64>> = (0..16)
                .map(|run| {
                    let size = if run % 2 == 0 { 1.2 } else { 0.0 };
                    (0..8).map(|k| size * 0.5_f64.powi(k) + 0.1 * stream.normal()).collect()
                })
                .collect();
            let group: Vec<usize> = (0..16).map(|run| run % 2).collect();
            let found = Series::new(&readings, &group).unwrap().decay(0.95).unwrap();
            let (low, high) = (found.low.unwrap_or(0.0), found.high.unwrap_or(1.0));
            missed[0] += usize::from(!(low..=high).contains(&0.5));
            let size = found.sizes[0].unwrap();
            missed[1] += usize::from(!(size.low..=size.high).contains(&1.2));
        }
        assert!(missed.iter().all(|&m| m < 12), "{missed:?}");
    }

    /// Closed form: the slope of 0, 1, 2, 3 is 1; the spread of slopes judges it.
    #[test]
    fn slopes_by_group() {
        let readings = vec![
            vec![0.0, 1.0, 2.0, 3.0],
            vec![5.0, 5.0, 5.0, 5.0],
            vec![9.0, 7.0, 5.0, 3.0],
        ];
        let series = Series::new(&readings, &[0, 0, 1]).unwrap();
        let slopes = series.slopes(0.95);
        let first = slopes[0].unwrap();
        // Slopes 1 and 0: mean 1/2, sum of squares 1/2 on one degree of freedom.
        assert!((first.value - 0.5).abs() < 1e-12 && (first.standard_error - 0.5).abs() < 1e-12);
        assert_eq!(first.df, 1.0);
        assert!((slopes[1].unwrap().value + 2.0).abs() < 1e-12);
    }

    /// Nothing but noise: the fit says that there is no series, and leaves the ends open.
    #[test]
    fn noise_alone_is_no_wash_out() {
        let found = made(&[0.0, 0.0], 0.5, 6, 1.0).decay(0.95).unwrap();
        assert!(
            found.p > 0.05 && found.low.is_none() && found.high.is_none(),
            "{found:?}"
        );
        assert!(Series::new(&[vec![1.0, 2.0]], &[0]).is_none());
        assert!(Series::new(&[vec![1.0; 4], vec![1.0; 3]], &[0, 0]).is_none());
        assert!(
            Series::new(&vec![vec![1.0; 4]; 3], &[0, 0, 0])
                .unwrap()
                .decay(0.95)
                .is_none()
        );
    }
}
