//! Householder QR of a matrix with column pivoting: rank, least squares, leverages, (XᵀX)⁻¹ without forming the product.
//!
//! In:  an n × p matrix X, any rank, n ≥ 0, entries of size 10⁻¹⁵⁰ to 10¹⁵⁰ (or 0), so that squares neither vanish nor overflow.
//! Out: X P = Q R; kept columns first, dropped columns last.
//!
//! | name       | symbol | shape        | meaning                                          |
//! |------------|--------|--------------|--------------------------------------------------|
//! | `packed`   | R, v   | n × p        | R on and above the diagonal, reflectors below    |
//! | `order`    | P      | p            | column of X that stands at each place of R       |
//! | `rank`     | r      | scalar       | columns kept                                     |
//!
//! Method: Golub and Van Loan (2013), "Matrix computations", sections 5.2 and 5.4, with the pivot chosen by what is
//! left of a column relative to its own length, so that the unit of a column does not change its fate. A column is
//! dropped when what is left of it is at most max(n, p) · 2.2·10⁻¹⁶ of its length.
//! Never here: means and intervals; see `stats`.

use super::matrix::Matrix;
use super::sum::sum_of_squares;

/// How the next column is chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pivot {
    Largest,
    InOrder,
}

/// The factorization X P = Q R; see the module's description.
#[derive(Debug, Clone)]
pub struct Qr {
    packed: Matrix,
    heads: Vec<f64>,
    order: Vec<usize>,
    rank: usize,
}

/// A least-squares solution.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    /// One a column of X, in the unit of y over the unit of the column; `None` for a dropped column. Never NaN for finite input.
    pub coefficients: Vec<Option<f64>>,
    /// X β̂, in the unit of y, one a row.
    pub fitted: Vec<f64>,
    /// y − X β̂, in the unit of y, one a row.
    pub residuals: Vec<f64>,
    /// Residual sum of squares, in the square of the unit of y.
    pub rss: f64,
}

impl Qr {
    /// Factorizes X, taking at each step the column of which the largest share is left. The choice that finds the
    /// rank most surely.
    pub fn new(x: &Matrix) -> Qr {
        Qr::factorize(x.clone(), Pivot::Largest)
    }

    /// Factorizes X, keeping the order of the columns and dropping each one that depends on those before it. The choice for
    /// sequential sums of squares.
    pub fn in_order(x: &Matrix) -> Qr {
        Qr::factorize(x.clone(), Pivot::InOrder)
    }

    fn factorize(mut packed: Matrix, pivot: Pivot) -> Qr {
        let (n, p) = (packed.rows(), packed.cols());
        let tolerance = n.max(p) as f64 * f64::EPSILON;
        let length = |column: &[f64]| sum_of_squares(column).sqrt();
        let mut whole: Vec<f64> = packed.columns().map(length).collect();
        let mut left = whole.clone();
        let mut order: Vec<usize> = (0..p).collect();
        let mut heads = Vec::new();
        let mut k = 0;
        while k < n.min(p) {
            let share = |j: usize| if whole[j] > 0.0 { left[j] / whole[j] } else { 0.0 };
            let chosen = match pivot {
                Pivot::Largest => (k..p).reduce(|best, j| if share(j) > share(best) { j } else { best }),
                Pivot::InOrder => (k..p).find(|j| share(*j) > tolerance),
            };
            let Some(chosen) = chosen.filter(|j| share(*j) > tolerance) else {
                break;
            };
            // move the chosen column to place k, the others one to the right, so that their order stays
            for j in (k..chosen).rev() {
                packed.swap_columns(j, j + 1);
                whole.swap(j, j + 1);
                left.swap(j, j + 1);
                order.swap(j, j + 1);
            }
            heads.push(reflector(&mut packed.col_mut(k)[k..]));
            for (j, left) in left.iter_mut().enumerate().skip(k + 1) {
                let (v, column) = packed.pair_mut(k, j);
                reflect(&v[k..], heads[k], &mut column[k..]);
                *left = length(&column[k + 1..]);
            }
            k += 1;
        }
        Qr {
            packed,
            heads,
            order,
            rank: k,
        }
    }

    /// Number of columns kept: the rank of X to the tolerance of the module's description.
    pub fn rank(&self) -> usize {
        self.rank
    }

    /// Column of X at each place of R; the first [`Qr::rank`] are kept, the rest dropped.
    pub fn order(&self) -> &[usize] {
        &self.order
    }

    /// Entry of R at row `i` and place `j` ≥ `i`, both below the rank.
    ///
    /// # Panics
    ///
    /// If `i` or `j` lies outside the matrix.
    pub fn r(&self, i: usize, j: usize) -> f64 {
        if i > j { 0.0 } else { self.packed[(i, j)] }
    }

    /// Qᵀy in place. The first r entries are the part of y in the space of X, the rest the part outside; their sums of
    /// squares are those of the fit and of the residuals.
    ///
    /// # Panics
    ///
    /// If the length of `y` is not the number of rows.
    pub fn apply_q_transposed(&self, y: &mut [f64]) {
        assert_eq!(y.len(), self.packed.rows(), "one value a row");
        for k in 0..self.rank {
            reflect(&self.packed.col(k)[k..], self.heads[k], &mut y[k..]);
        }
    }

    /// Q y in place; undoes [`Qr::apply_q_transposed`].
    ///
    /// # Panics
    ///
    /// If the length of `y` is not the number of rows.
    pub fn apply_q(&self, y: &mut [f64]) {
        assert_eq!(y.len(), self.packed.rows(), "one value a row");
        for k in (0..self.rank).rev() {
            reflect(&self.packed.col(k)[k..], self.heads[k], &mut y[k..]);
        }
    }

    /// The coefficients, fitted values and residuals that make Σ (yᵢ − (Xβ)ᵢ)² least.
    ///
    /// # Panics
    ///
    /// If the length of `y` is not the number of rows.
    pub fn solve(&self, y: &[f64]) -> LeastSquares {
        let mut rotated = y.to_vec();
        self.apply_q_transposed(&mut rotated);
        let mut fitted = rotated.clone();
        fitted[self.rank..].fill(0.0);
        let mut residuals = rotated.clone();
        residuals[..self.rank].fill(0.0);
        let rss = sum_of_squares(&residuals);
        rotated.truncate(self.rank);
        self.solve_r(&mut rotated);
        self.apply_q(&mut fitted);
        self.apply_q(&mut residuals);
        LeastSquares {
            coefficients: self.spread(&rotated),
            fitted,
            residuals,
            rss,
        }
    }

    /// Leverages: the diagonal of X (XᵀX)⁻¹ Xᵀ, one a row, between 0 and 1, with sum r.
    pub fn leverages(&self) -> Vec<f64> {
        let n = self.packed.rows();
        let mut leverages = vec![0.0; n];
        for k in 0..self.rank {
            let mut column = vec![0.0; n];
            column[k] = 1.0;
            self.apply_q(&mut column);
            for (leverage, q) in leverages.iter_mut().zip(&column) {
                *leverage += q * q;
            }
        }
        leverages
    }

    /// Diagonal of (XᵀX)⁻¹ over the kept columns, one a column of X, `None` for a dropped one. Multiplied with the
    /// residual mean square these are the squared standard errors of the coefficients.
    pub fn inverse_diagonal(&self) -> Vec<Option<f64>> {
        let mut squares = vec![0.0; self.rank];
        for j in 0..self.rank {
            // column j of R⁻¹
            let mut unit = vec![0.0; j + 1];
            unit[j] = 1.0;
            self.solve_r(&mut unit);
            for (square, value) in squares.iter_mut().zip(&unit) {
                *square += value * value;
            }
        }
        self.spread(&squares)
    }

    /// The vector z with Rᵀz = Pᵀc, so that zᵀz = cᵀ(XᵀX)⁻¹c: the variance of the combination cᵀβ̂ is its squared length
    /// times the residual mean square, and two combinations covary as their vectors' product. `None` if `c` puts
    /// weight on a dropped column.
    ///
    /// # Panics
    ///
    /// If the length of `c` is not the number of columns.
    pub fn half_of_combination(&self, c: &[f64]) -> Option<Vec<f64>> {
        assert_eq!(c.len(), self.packed.cols(), "one weight a column");
        if self.order[self.rank..].iter().any(|j| c[*j] != 0.0) {
            return None;
        }
        let mut z: Vec<f64> = self.order[..self.rank].iter().map(|j| c[*j]).collect();
        for i in 0..self.rank {
            let known: f64 = (0..i).map(|k| self.packed[(k, i)] * z[k]).sum();
            z[i] = (z[i] - known) / self.packed[(i, i)];
        }
        Some(z)
    }

    /// R⁻¹ b in place, for the leading block of R that fits `b`.
    pub(crate) fn solve_r(&self, b: &mut [f64]) {
        for i in (0..b.len()).rev() {
            b[i] /= self.packed[(i, i)];
            let (head, solved) = b.split_at_mut(i);
            for (value, r) in head.iter_mut().zip(self.packed.col(i)) {
                *value -= r * solved[0];
            }
        }
    }

    /// Values at the places of R put back to the columns of X.
    fn spread(&self, values: &[f64]) -> Vec<Option<f64>> {
        let mut spread = vec![None; self.order.len()];
        for (place, value) in self.order.iter().zip(values) {
            spread[*place] = Some(*value);
        }
        spread
    }
}

/// Replaces a column by its length (with sign) in the first place and the reflector's tail below; returns τ of
/// H = I − τ v vᵀ with v = (1, tail).
fn reflector(column: &mut [f64]) -> f64 {
    let length = sum_of_squares(column).sqrt();
    let first = column[0];
    // the sign that does not cancel
    let alpha = if first > 0.0 { -length } else { length };
    let head = first - alpha;
    if head == 0.0 {
        return 0.0;
    }
    column[1..].iter_mut().for_each(|value| *value /= head);
    column[0] = alpha;
    -head / alpha
}

/// H y in place, for v = (1, tail) with the tail in `v[1..]`.
fn reflect(v: &[f64], tau: f64, y: &mut [f64]) {
    let product: f64 = y[0] + v[1..].iter().zip(&y[1..]).map(|(v, y)| v * y).sum::<f64>();
    let step = tau * product;
    y[0] -= step;
    for (y, v) in y[1..].iter_mut().zip(&v[1..]) {
        *y -= step * v;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() <= 1e-13 * (1.0 + b.abs()), "{a} against {b}");
    }

    fn line() -> Matrix {
        Matrix::from_columns(&[vec![1.0; 4], vec![0.0, 1.0, 2.0, 3.0]])
    }

    /// Closed form, by hand: y = 1, 3, 2, 6 on x = 0 to 3 gives 0.9 + 1.4 x, rss 4.2, leverages 0.7, 0.3, 0.3, 0.7,
    /// (XᵀX)⁻¹ diagonal 0.7, 0.2.
    #[test]
    fn a_straight_line_through_four_points() {
        for qr in [Qr::new(&line()), Qr::in_order(&line())] {
            let fit = qr.solve(&[1.0, 3.0, 2.0, 6.0]);
            close(fit.coefficients[0].unwrap(), 0.9);
            close(fit.coefficients[1].unwrap(), 1.4);
            close(fit.rss, 4.2);
            for (got, want) in fit.residuals.iter().zip([0.1, 0.7, -1.7, 0.9]) {
                close(*got, want);
            }
            for (got, want) in qr.leverages().into_iter().zip([0.7, 0.3, 0.3, 0.7]) {
                close(got, want);
            }
            close(qr.inverse_diagonal()[0].unwrap(), 0.7);
            close(qr.inverse_diagonal()[1].unwrap(), 0.2);
            let z = qr.half_of_combination(&[1.0, 1.5]).unwrap();
            close(sum_of_squares(&z), 0.25); // variance of the fit at the mean of x: 1/n
        }
    }

    /// Closed form: a column that is the sum of two others adds no rank, whatever its unit.
    #[test]
    fn a_dependent_column_is_dropped() {
        for unit in [1.0, 1e-100, 1e100] {
            let x = Matrix::from_columns(&[
                vec![1.0; 5],
                vec![1.0, 1.0, 0.0, 0.0, 0.0],
                vec![0.0, 0.0, unit, unit, unit],
                vec![3.0, 1.0, 4.0, 1.0, 5.0],
                vec![0.0; 5],
            ]);
            let y = [2.0, 7.0, 1.0, 8.0, 2.0];
            let qr = Qr::in_order(&x);
            assert_eq!((qr.rank(), qr.order()), (3, &[0, 1, 3, 2, 4][..]));
            let fit = qr.solve(&y);
            assert!(fit.coefficients[2].is_none() && fit.coefficients[4].is_none());
            assert!(qr.half_of_combination(&[0.0, 0.0, 1.0, 0.0, 0.0]).is_none());
            assert_eq!(Qr::new(&x).rank(), 3);
            close(Qr::new(&x).solve(&y).rss, fit.rss);
        }
    }

    /// Closed form: as many columns as rows leave nothing, none leave everything.
    #[test]
    fn the_edges_of_the_shape() {
        let full = Matrix::from_columns(&[vec![1.0, 1.0], vec![0.0, 2.0]]);
        close(Qr::new(&full).solve(&[3.0, 7.0]).coefficients[1].unwrap(), 2.0);
        let empty = Qr::new(&Matrix::zeros(3, 0)).solve(&[1.0, 2.0, 2.0]);
        assert_eq!((empty.rss, empty.residuals), (9.0, vec![1.0, 2.0, 2.0]));
        let wide = Qr::new(&Matrix::from_columns(&[vec![1.0], vec![2.0], vec![3.0]]));
        assert_eq!(wide.rank(), 1);
        assert_eq!(Qr::new(&Matrix::zeros(0, 2)).rank(), 0);
    }
}
