//! What a linear model with known ratios of variances would say without some of its rows: closed forms, no refit.
//!
//! In:  y, X, and the random groupings of the rows with their variance over that of a row.
//! Out: leverages, residuals, and for any set of rows the change that leaving them out makes.
//!
//! | name       | symbol              | meaning                                                     |
//! |------------|---------------------|-------------------------------------------------------------|
//! | variance   | V = I + Σ γ Z Zᵀ    | of the rows, in units of the variance of one row             |
//! | projection | P                   | V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹                                    |
//! | shift      | δ = `P_II⁻¹ (Py)_I` | what the rows I lie off from what the others say              |
//! | drop       | `(Py)_Iᵀ P_II⁻¹ (Py)_I` | by which the weighted residual sum of squares falls         |
//! | distance   | D                   | (β̂ − β̂₍I₎)ᵀ XᵀV⁻¹X (β̂ − β̂₍I₎) / (r σ̂²), Cook's distance     |
//!
//! Leaving rows out is the same as giving each a parameter of its own. Exact where V = I; with random groupings the ratios γ
//! are held as they were estimated from all rows. Source: Cook and Weisberg (1982), Residuals and Influence in Regression,
//! chapter 3; for V: Christensen, Pearson and Johnson (1992), Technometrics 34:38 (both from memory).
//! Never here: names of runs, verdicts. Tests: brute-force refits, tests/diagnostics.rs.

use crate::numeric::{Cholesky, Matrix, Qr, sum};

/// A model ready for deletions.
#[derive(Debug, Clone)]
pub struct Deletion {
    n: usize,
    rank: usize,
    qr: Qr,
    /// Qᵀ L⁻¹ eᵢ for each row i: its first `rank` entries lie along the model, the others outside.
    rows: Vec<Vec<f64>>,
    /// Qᵀ L⁻¹ y.
    y: Vec<f64>,
    rss: f64,
}

/// What leaving out some rows does.
#[derive(Debug, Clone, PartialEq)]
pub struct Deleted {
    /// How far each of the rows lies off from what the others say, in the unit of y.
    pub shifts: Vec<f64>,
    /// Fall of the weighted residual sum of squares.
    pub drop: f64,
    /// Variance of a row estimated without them; `None` without degrees of freedom.
    pub variance: Option<f64>,
    /// Degrees of freedom of that.
    pub df: usize,
    /// Cook's distance; `None` where the residual variance of all rows is 0 or unknown.
    pub distance: Option<f64>,
    rows: Vec<usize>,
    inverse: Matrix,
}

/// A grouping of the rows with its variance over that of a row.
#[derive(Debug, Clone, PartialEq)]
pub struct Grouping {
    /// Group of each row.
    pub group: Vec<u32>,
    /// Variance ratio γ ≥ 0.
    pub ratio: f64,
}

impl Deletion {
    /// `None` for lengths that differ, no rows, dependent columns, or no residual degree of freedom.
    ///
    /// Needs n² numbers and, with groupings, n³/3 multiplications.
    pub fn new(y: &[f64], x: &Matrix, groupings: &[Grouping]) -> Option<Deletion> {
        let n = y.len();
        if n == 0 || x.rows() != n || groupings.iter().any(|g| g.group.len() != n || !(g.ratio >= 0.0)) {
            return None;
        }
        let random: Vec<&Grouping> = groupings.iter().filter(|g| g.ratio > 0.0).collect();
        let lower = if random.is_empty() {
            None
        } else {
            let mut v = Matrix::identity(n);
            for grouping in random {
                for j in 0..n {
                    for i in 0..n {
                        if grouping.group[i] == grouping.group[j] {
                            v[(i, j)] += grouping.ratio;
                        }
                    }
                }
            }
            Some(Cholesky::new(&v).ok()?)
        };
        let white = |column: &[f64]| {
            let mut own = column.to_vec();
            if let Some(lower) = &lower {
                lower.solve_lower(&mut own);
            }
            own
        };
        let columns: Vec<Vec<f64>> = x.columns().map(white).collect();
        let qr = Qr::new(&Matrix::from_columns(&columns));
        let rank = qr.rank();
        if rank < columns.len() || rank >= n {
            return None;
        }
        let turned = |column: &[f64]| {
            let mut own = white(column);
            qr.apply_q_transposed(&mut own);
            own
        };
        let rows = (0..n)
            .map(|i| {
                let mut unit = vec![0.0; n];
                unit[i] = 1.0;
                turned(&unit)
            })
            .collect();
        let y = turned(y);
        let rss = sum::sum_of_squares(&y[rank..]);
        Some(Deletion {
            n,
            rank,
            qr,
            rows,
            y,
            rss,
        })
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.n
    }

    /// Number of columns of X.
    pub fn columns(&self) -> usize {
        self.qr.order().len()
    }

    /// Residual degrees of freedom n − r.
    pub fn df(&self) -> usize {
        self.n - self.rank
    }

    /// Variance of a row, from the weighted residual sum of squares.
    pub fn variance(&self) -> f64 {
        self.rss / self.df() as f64
    }

    /// `P_ii` of a row: 1 less its leverage where V = I; 0 for a row that the model follows wherever it lies.
    pub fn freedom(&self, row: usize) -> f64 {
        sum::sum_of_squares(&self.rows[row][self.rank..])
    }

    /// (Py)ᵢ: what is left of each row after the model and its groups, in the unit of y.
    pub fn residuals(&self) -> Vec<f64> {
        self.rows
            .iter()
            .map(|row| sum::dot(&row[self.rank..], &self.y[self.rank..]))
            .collect()
    }

    /// A linear function of the coefficients, in the space where deletions act; `None` for a wrong length.
    pub fn direction(&self, c: &[f64]) -> Option<Vec<f64>> {
        (c.len() == self.qr.order().len()).then(|| self.qr.half_of_combination(c))?
    }

    /// Value of a linear function and its variance over that of a row, from all rows.
    pub fn function(&self, direction: &[f64]) -> (f64, f64) {
        (
            sum::dot(direction, &self.y[..self.rank]),
            sum::sum_of_squares(direction),
        )
    }

    /// Leaves rows out. `None` where the others cannot tell the effects apart, or for a row twice or outside.
    pub fn without(&self, rows: &[usize]) -> Option<Deleted> {
        let k = rows.len();
        if k == 0 || k > self.df() || rows.iter().any(|&r| r >= self.n) {
            return None;
        }
        let mut p = Matrix::zeros(k, k);
        let mut largest = 0.0_f64;
        for a in 0..k {
            for b in 0..k {
                p[(a, b)] = sum::dot(&self.rows[rows[a]][self.rank..], &self.rows[rows[b]][self.rank..]);
            }
            largest = largest.max(sum::sum_of_squares(&self.rows[rows[a]]));
        }
        let cholesky = Cholesky::new(&p).ok()?;
        // Rows that the model follows leave a pivot of rounding.
        if (0..k).any(|i| cholesky.lower()[(i, i)].powi(2) < 1e-10 * largest) {
            return None;
        }
        let along: Vec<f64> = rows
            .iter()
            .map(|&r| sum::dot(&self.rows[r][self.rank..], &self.y[self.rank..]))
            .collect();
        let mut shifts = along.clone();
        cholesky.solve(&mut shifts);
        let drop = sum::dot(&along, &shifts);
        let df = self.df() - k;
        let moved: f64 = (0..self.rank)
            .map(|i| {
                rows.iter()
                    .zip(&shifts)
                    .map(|(&r, s)| self.rows[r][i] * s)
                    .sum::<f64>()
                    .powi(2)
            })
            .sum();
        let variance = self.variance();
        Some(Deleted {
            drop,
            variance: (df > 0).then(|| (self.rss - drop).max(0.0) / df as f64),
            df,
            distance: (variance > 0.0 && self.rank > 0).then(|| moved / (self.rank as f64 * variance)),
            shifts,
            rows: rows.to_vec(),
            inverse: cholesky.inverse(),
        })
    }

    /// Value of a linear function and its variance over that of a row, without the rows left out.
    pub fn function_without(&self, direction: &[f64], deleted: &Deleted) -> (f64, f64) {
        let (value, variance) = self.function(direction);
        let along: Vec<f64> = deleted
            .rows
            .iter()
            .map(|&r| sum::dot(direction, &self.rows[r][..self.rank]))
            .collect();
        let more = sum::dot(&along, &deleted.inverse.times(&along));
        (value - sum::dot(&along, &deleted.shifts), variance + more)
    }

    /// Several linear functions together, θᵀC⁻¹θ with C their covariance over the variance of a row: the numerator of their
    /// test, times their number. From all rows, or without some. `None` where they depend on each other.
    pub fn squares(&self, directions: &[Vec<f64>], deleted: Option<&Deleted>) -> Option<f64> {
        let q = directions.len();
        let mut values: Vec<f64> = directions.iter().map(|d| self.function(d).0).collect();
        let mut covariance = Matrix::zeros(q, q);
        for i in 0..q {
            for j in 0..q {
                covariance[(i, j)] = sum::dot(&directions[i], &directions[j]);
            }
        }
        if let Some(deleted) = deleted {
            let along: Vec<Vec<f64>> = directions
                .iter()
                .map(|direction| {
                    let own = deleted.rows.iter();
                    own.map(|&r| sum::dot(direction, &self.rows[r][..self.rank])).collect()
                })
                .collect();
            for i in 0..q {
                values[i] -= sum::dot(&along[i], &deleted.shifts);
                let more = deleted.inverse.times(&along[i]);
                for j in 0..q {
                    covariance[(i, j)] += sum::dot(&along[j], &more);
                }
            }
        }
        let cholesky = Cholesky::new(&covariance).ok()?;
        let mut solved = values.clone();
        cholesky.solve(&mut solved);
        Some(sum::dot(&values, &solved))
    }
}

impl Deleted {
    /// The rows left out.
    pub fn rows(&self) -> &[usize] {
        &self.rows
    }
}
