//! A quadratic surface over a few numeric factors: its coefficients, whether it fits, and where it turns.
//!
//! In:  y, coded factor values (k columns, about −1 to 1), other columns that share the model, and settings for pure error.
//! Out: a `Surface`.
//!
//! | name            | symbol            | meaning                                                                  |
//! |-----------------|-------------------|--------------------------------------------------------------------------|
//! | model           | ŷ                 | b₀ + Σ bᵢxᵢ + Σ bᵢᵢxᵢ² + Σ bᵢⱼxᵢxⱼ, and what the other columns add          |
//! | gradient        | g(x)              | b + 2Bx, B with bᵢᵢ on the diagonal and bᵢⱼ/2 beside it                    |
//! | turning point   | xₛ                | −B⁻¹b/2                                                                   |
//! | region          | g′ Var(g)⁻¹ g ≤ kF | the points that may be the turning point                                  |
//! | curvature       | λ                 | eigenvalues of B; its error from v′Bv with the direction v held             |
//!
//! Sources: Box and Wilson (1951), J. R. Statist. Soc. B 13:1; region: Box and Hunter (1954), Biometrika 41:190; errors of
//! curvatures: Bisgaard and Ankenman (1996), Technometrics 38:238 (all from memory). Lack of fit against pure error: any text.
//! Never here: names, units, words. Reference values: tests/surface.rs.

use super::linear::{self, Within};
use crate::numeric::distribution::{f_quantile_upper, f_upper, t_quantile_upper};
use crate::numeric::{Cholesky, Matrix, Qr, sum};

/// Most factors of a surface whose turning point is looked for.
pub const MOST_FACTORS: usize = 3;
/// How far from the middle the turning point is looked for, in coded units.
pub const REACH: f64 = 2.0;

/// A fitted surface.
#[derive(Debug, Clone)]
pub struct Surface {
    factors: usize,
    /// b₀, then b₁ … bₖ, b₁₁ … bₖₖ, b₁₂, b₁₃ …
    pub coefficients: Vec<f64>,
    /// Their covariance matrix.
    pub covariance: Matrix,
    /// Residual variance.
    pub variance: f64,
    /// Residual degrees of freedom.
    pub df: usize,
    /// Against repeated settings, where there are any.
    pub lack_of_fit: Option<LackOfFit>,
}

/// What a model leaves over against what repeated settings differ by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// Degrees of freedom of the lack of fit.
    pub df: usize,
    /// Its sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom of the pure error.
    pub pure_df: usize,
    /// Its sum of squares.
    pub pure_sum_of_squares: f64,
    /// Variance ratio.
    pub f: f64,
    /// p-value of 'the model fits'.
    pub p: f64,
}

/// The curvature along one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Curvature {
    /// Eigenvalue: change of the response at one coded unit from the turning point.
    pub value: f64,
    /// Ends of its interval.
    pub interval: (f64, f64),
    /// Direction of length one.
    pub direction: Vec<f64>,
}

/// Lack of fit of any least-squares model with `residual_df` and `rss`; `None` without repeated settings or beyond them.
pub fn lack_of_fit(y: &[f64], settings: &[u32], rss: f64, residual_df: usize) -> Option<LackOfFit> {
    let count = settings.iter().max().map_or(0, |&last| last as usize + 1);
    let means = linear::fit_settings(y, settings, &Matrix::zeros(count, 0), true).ok()?;
    against(means.within?, rss, residual_df)
}

fn against(pure: Within, rss: f64, residual_df: usize) -> Option<LackOfFit> {
    let df = residual_df.checked_sub(pure.df).filter(|df| *df > 0)?;
    if pure.df == 0 || !(pure.sum_of_squares > 0.0) {
        return None;
    }
    let left = (rss - pure.sum_of_squares).max(0.0);
    let f = left / df as f64 / (pure.sum_of_squares / pure.df as f64);
    Some(LackOfFit {
        df,
        sum_of_squares: left,
        pure_df: pure.df,
        pure_sum_of_squares: pure.sum_of_squares,
        f,
        p: f_upper(f, df as f64, pure.df as f64),
    })
}

/// Terms of second order in k factors, in the order of the coefficients after b₀: the factors in each.
pub fn terms(factors: usize) -> Vec<(usize, Option<usize>)> {
    let mut terms: Vec<(usize, Option<usize>)> = (0..factors).map(|i| (i, None)).collect();
    terms.extend((0..factors).map(|i| (i, Some(i))));
    for i in 0..factors {
        terms.extend((i + 1..factors).map(|j| (i, Some(j))));
    }
    terms
}

/// Fits the surface. Rows of one setting (from 0) have the same columns. `None` where they have not, where some coefficient
/// cannot be told from the others, or nothing is left to judge by.
pub fn fit(y: &[f64], x: &[Vec<f64>], others: &[Vec<f64>], settings: &[u32]) -> Option<Surface> {
    let n = y.len();
    let k = x.len();
    if k == 0 || x.iter().chain(others).any(|column| column.len() != n) || settings.len() != n {
        return None;
    }
    let mut columns: Vec<Vec<f64>> = terms(k)
        .into_iter()
        .map(|(i, j)| match j {
            None => x[i].clone(),
            Some(j) => x[i].iter().zip(&x[j]).map(|(a, b)| a * b).collect(),
        })
        .collect();
    let own = 1 + columns.len();
    columns.extend(others.iter().cloned());
    let count = settings.iter().max().map_or(0, |&last| last as usize + 1);
    let mut first = vec![None; count];
    for (row, &setting) in settings.iter().enumerate() {
        let first = *first[setting as usize].get_or_insert(row);
        if columns.iter().any(|column| column[first] != column[row]) {
            return None;
        }
    }
    let of_settings: Vec<Vec<f64>> = columns
        .iter()
        .map(|column| first.iter().map(|row| row.map_or(0.0, |row| column[row])).collect())
        .collect();
    let found = linear::fit_settings(y, settings, &Matrix::from_columns(&of_settings), true).ok()?;
    if found.df_model < columns.len() || found.df_residual == 0 {
        return None;
    }
    let intercept = found.intercept?;
    let mut coefficients = vec![intercept.estimate];
    for coefficient in &found.coefficients[..own - 1] {
        coefficients.push((*coefficient)?.estimate);
    }
    let unit = |j: usize| -> Vec<f64> { (0..columns.len()).map(|c| f64::from(u8::from(c + 1 == j))).collect() };
    let mut covariance = Matrix::zeros(own, own);
    for i in 0..own {
        for j in 0..=i {
            // The combination that has coefficient 0, the intercept, stands for itself.
            let part = |j: usize| f64::from(u8::from(j == 0));
            let value = found.covariance((part(i), &unit(i)), (part(j), &unit(j)))?;
            covariance[(i, j)] = value;
            covariance[(j, i)] = value;
        }
    }
    Some(Surface {
        factors: k,
        coefficients,
        covariance,
        variance: found.ms_residual()?,
        df: found.df_residual,
        lack_of_fit: found
            .within
            .and_then(|pure| against(pure, found.ss_residual, found.df_residual)),
    })
}

impl Surface {
    /// Response at a point, the other columns at 0.
    pub fn at(&self, x: &[f64]) -> f64 {
        let own = terms(self.factors)
            .into_iter()
            .map(|(i, j)| x[i] * j.map_or(1.0, |j| x[j]))
            .zip(&self.coefficients[1..])
            .map(|(value, b)| value * b)
            .sum::<f64>();
        self.coefficients[0] + own
    }

    /// Standard error and interval of each coefficient, b₀ first.
    pub fn interval(&self, coefficient: usize, level: f64) -> (f64, f64, f64) {
        let error = self.covariance[(coefficient, coefficient)].sqrt();
        let reach = t_quantile_upper((1.0 - level) / 2.0, self.df as f64) * error;
        let value = self.coefficients[coefficient];
        (error, value - reach, value + reach)
    }

    fn quadratic(&self) -> Matrix {
        let mut b = Matrix::zeros(self.factors, self.factors);
        for ((i, j), value) in terms(self.factors).into_iter().zip(&self.coefficients[1..]) {
            match j {
                Some(j) if i == j => b[(i, i)] = *value,
                Some(j) => {
                    b[(i, j)] = value / 2.0;
                    b[(j, i)] = value / 2.0;
                }
                None => {}
            }
        }
        b
    }

    /// The point where the surface neither rises nor falls; `None` where it lies nowhere.
    pub fn turning_point(&self) -> Option<Vec<f64>> {
        let qr = Qr::new(&self.quadratic());
        if qr.rank() < self.factors {
            return None;
        }
        let right: Vec<f64> = self.coefficients[1..=self.factors].iter().map(|b| -b / 2.0).collect();
        qr.solve(&right).coefficients.into_iter().collect()
    }

    /// The curvatures with intervals, the lowest first.
    pub fn curvatures(&self, level: f64) -> Vec<Curvature> {
        let reach = t_quantile_upper((1.0 - level) / 2.0, self.df as f64);
        let mut found: Vec<Curvature> = eigen(self.quadratic())
            .into_iter()
            .map(|(value, direction)| {
                let mut c = vec![0.0];
                c.extend(
                    terms(self.factors)
                        .into_iter()
                        .map(|(i, j)| j.map_or(0.0, |j| direction[i] * direction[j])),
                );
                let error = sum::dot(&c, &self.covariance.times(&c)).max(0.0).sqrt();
                Curvature {
                    value,
                    interval: (value - reach * error, value + reach * error),
                    direction,
                }
            })
            .collect();
        found.sort_by(|a, b| a.value.total_cmp(&b.value));
        found
    }

    /// True if a point may be the turning point, by the region of Box and Hunter at `level`.
    fn may_turn_at(&self, x: &[f64], bound: f64) -> bool {
        let k = self.factors;
        // Row i of the gradient as a linear function of the coefficients.
        let rows: Vec<Vec<f64>> = (0..k)
            .map(|row| {
                let mut c = vec![0.0];
                c.extend(terms(k).into_iter().map(|(i, j)| match j {
                    None => f64::from(u8::from(i == row)),
                    Some(j) if i == row && j == row => 2.0 * x[row],
                    Some(j) if i == row => x[j],
                    Some(j) if j == row => x[i],
                    Some(_) => 0.0,
                }));
                c
            })
            .collect();
        let gradient: Vec<f64> = rows.iter().map(|row| sum::dot(row, &self.coefficients)).collect();
        let mut variance = Matrix::zeros(k, k);
        for i in 0..k {
            let along = self.covariance.times(&rows[i]);
            for j in 0..k {
                variance[(j, i)] = sum::dot(&rows[j], &along);
            }
        }
        let Ok(cholesky) = Cholesky::new(&variance) else {
            return gradient.iter().all(|g| g.abs() < 1e-300);
        };
        let mut solved = gradient.clone();
        cholesky.solve(&mut solved);
        sum::dot(&gradient, &solved) <= bound
    }

    /// For each factor the values at which the surface may turn, all factors together at `level`, looked for up to
    /// [`REACH`] from the middle and rounded outwards by a step of the search; `None` where they reach its edge or lie nowhere.
    /// Empty for more than [`MOST_FACTORS`] factors.
    pub fn turning_range(&self, level: f64) -> Vec<Option<(f64, f64)>> {
        let k = self.factors;
        if k > MOST_FACTORS {
            return Vec::new();
        }
        let steps: usize = if k > 2 { 24 } else { 80 };
        let step = 2.0 * REACH / steps as f64;
        let bound = k as f64 * f_quantile_upper(1.0 - level, k as f64, self.df as f64);
        let mut ranges: Vec<Option<(usize, usize)>> = vec![None; k];
        let mut place = vec![0_usize; k];
        loop {
            let x: Vec<f64> = place.iter().map(|&p| p as f64 * step - REACH).collect();
            if self.may_turn_at(&x, bound) {
                for (range, &p) in ranges.iter_mut().zip(&place) {
                    *range = Some(range.map_or((p, p), |(low, high)| (low.min(p), high.max(p))));
                }
            }
            let Some(next) = (0..k).find(|&i| place[i] < steps) else {
                break;
            };
            place[next] += 1;
            place[..next].fill(0);
        }
        // The point itself belongs to the region, however small that is.
        let point = self.turning_point();
        let inside = |i: usize| point.as_ref().map(|p| p[i]).filter(|_| ranges[i].is_none());
        (0..k)
            .map(|i| match ranges[i] {
                Some((low, high)) if low > 0 && high < steps => {
                    Some(((low as f64 - 1.0) * step - REACH, (high as f64 + 1.0) * step - REACH))
                }
                Some(_) => None,
                None => inside(i).filter(|v| v.abs() < REACH).map(|v| (v - step, v + step)),
            })
            .collect()
    }
}

/// Eigenvalues and vectors of a small symmetric matrix, by Jacobi rotations.
fn eigen(mut a: Matrix) -> Vec<(f64, Vec<f64>)> {
    let n = a.rows();
    let mut v = Matrix::identity(n);
    for _ in 0..60 {
        let off: f64 = (0..n)
            .flat_map(|i| (0..i).map(move |j| (i, j)))
            .map(|(i, j)| a[(i, j)].powi(2))
            .sum();
        let size: f64 = (0..n).map(|i| a[(i, i)].powi(2)).sum();
        if off <= 1e-30 * (size + off) {
            break;
        }
        for p in 0..n {
            for q in p + 1..n {
                if a[(p, q)] == 0.0 {
                    continue;
                }
                let theta = 0.5 * (2.0 * a[(p, q)]).atan2(a[(q, q)] - a[(p, p)]);
                let (sin, cos) = theta.sin_cos();
                for i in 0..n {
                    let (x, y) = (a[(i, p)], a[(i, q)]);
                    a[(i, p)] = cos * x - sin * y;
                    a[(i, q)] = sin * x + cos * y;
                }
                for i in 0..n {
                    let (x, y) = (a[(p, i)], a[(q, i)]);
                    a[(p, i)] = cos * x - sin * y;
                    a[(q, i)] = sin * x + cos * y;
                    let (x, y) = (v[(i, p)], v[(i, q)]);
                    v[(i, p)] = cos * x - sin * y;
                    v[(i, q)] = sin * x + cos * y;
                }
            }
        }
    }
    (0..n).map(|j| (a[(j, j)], v.col(j).to_vec())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: [[2, 1], [1, 2]] has the eigenvalues 1 and 3; a vector and its image are parallel.
    #[test]
    fn eigenvalues_of_a_small_matrix() {
        let mut a = Matrix::zeros(3, 3);
        for (i, j, value) in [(0, 0, 2.0), (1, 1, 2.0), (0, 1, 1.0), (1, 0, 1.0), (2, 2, -4.0)] {
            a[(i, j)] = value;
        }
        let mut found = eigen(a.clone());
        found.sort_by(|x, y| x.0.total_cmp(&y.0));
        for ((value, vector), wanted) in found.iter().zip([-4.0, 1.0, 3.0]) {
            assert!((value - wanted).abs() < 1e-12);
            let image = a.times(vector);
            assert!(image.iter().zip(vector).all(|(i, v)| (i - value * v).abs() < 1e-12));
        }
    }

    /// Published: yield by time and temperature, central composite design in 13 runs, Montgomery, Design and Analysis of
    /// Experiments, response surface chapter (from memory; the published fit is matched by the values).
    #[test]
    fn a_published_surface() {
        let a = 1.414;
        let x1 = vec![-1.0, -1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, a, -a, 0.0, 0.0];
        let x2 = vec![-1.0, 1.0, -1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, a, -a];
        let y = [
            76.5, 77.0, 78.0, 79.5, 79.9, 80.3, 80.0, 79.7, 79.8, 78.4, 75.6, 78.5, 77.0,
        ];
        let settings = [0, 1, 2, 3, 4, 4, 4, 4, 4, 5, 6, 7, 8];
        let surface = fit(&y, &[x1, x2], &[], &settings).unwrap();
        for (found, published) in surface
            .coefficients
            .iter()
            .zip([79.94, 0.995, 0.515, -1.376, -1.001, 0.250])
        {
            assert!((found - published).abs() < 6e-4, "{found} {published}");
        }
        let point = surface.turning_point().unwrap();
        assert!(
            (point[0] - 0.389).abs() < 1e-3 && (point[1] - 0.306).abs() < 1e-3,
            "{point:?}"
        );
        assert!((surface.at(&point) - 80.212).abs() < 1e-3);
        let curvatures = surface.curvatures(0.95);
        assert!((curvatures[0].value + 1.4141).abs() < 1e-3 && (curvatures[1].value + 0.9634).abs() < 1e-3);
        assert!(curvatures.iter().all(|c| c.interval.1 < 0.0), "a maximum");
        let lack = surface.lack_of_fit.unwrap();
        assert!((lack.pure_sum_of_squares - 0.2120).abs() < 1e-4 && (lack.sum_of_squares - 0.2843).abs() < 1e-4);
        assert_eq!((lack.df, lack.pure_df), (3, 4));
        assert!((lack.p - 0.2886).abs() < 1e-4, "{lack:?}");
        for (range, at) in surface.turning_range(0.95).iter().zip(&point) {
            let (low, high) = range.unwrap();
            assert!(low < *at && *at < high && high - low < 1.2, "{range:?}");
        }
    }

    /// Closed form: a tilted plane with noise turns nowhere that the data tell, and what does not vary gives no surface.
    #[test]
    fn a_plane_has_no_turning_point_to_tell() {
        let x: Vec<f64> = (0..12).map(|i| f64::from(i % 3) - 1.0).collect();
        let y: Vec<f64> = (0..12).map(|i| 5.0 * x[i] + [0.1, -0.1, 0.05, -0.05][i / 3]).collect();
        let settings: Vec<u32> = (0..12).map(|i| i % 3).collect();
        let surface = fit(&y, std::slice::from_ref(&x), &[], &settings).unwrap();
        assert_eq!(surface.turning_range(0.95), [None]);
        assert!(surface.lack_of_fit.is_none());
        assert!(fit(&y, &[vec![1.0; 12]], &[], &settings).is_none());
    }
}
