//! Cholesky factorization of a symmetric positive definite matrix.
//!
//! In:  an n × n matrix A; only its lower triangle is read. Out: L with A = L Lᵀ, or the pivot where that failed.
//! Method: column by column (Golub and Van Loan 2013, section 4.2). Never here: pivoting, semi-definite matrices.

use super::matrix::Matrix;

/// The factor L of A = L Lᵀ, lower triangular.
#[derive(Debug, Clone)]
pub struct Cholesky {
    lower: Matrix,
}

/// Why a matrix has no Cholesky factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CholeskyError {
    /// The matrix is not square.
    NotSquare,
    /// The pivot at `index` (from 0) came out as `value`, not above 0: the matrix is not positive definite, or holds a NaN.
    Pivot {
        /// Row and column of the pivot.
        index: usize,
        /// What was to become the square of the diagonal entry.
        value: f64,
    },
}

impl Cholesky {
    /// Factorizes A.
    ///
    /// # Errors
    ///
    /// [`CholeskyError`] if A is not square or not positive definite.
    pub fn new(a: &Matrix) -> Result<Cholesky, CholeskyError> {
        let n = a.rows();
        if n != a.cols() {
            return Err(CholeskyError::NotSquare);
        }
        let mut lower = Matrix::zeros(n, n);
        for j in 0..n {
            lower.col_mut(j)[j..].copy_from_slice(&a.col(j)[j..]);
            for k in 0..j {
                let (left, column) = lower.pair_mut(k, j);
                let factor = left[j];
                for (value, l) in column[j..].iter_mut().zip(&left[j..]) {
                    *value -= factor * l;
                }
            }
            let value = lower[(j, j)];
            if value.is_nan() || value <= 0.0 || value.is_infinite() {
                return Err(CholeskyError::Pivot { index: j, value });
            }
            let root = value.sqrt();
            lower.col_mut(j)[j..].iter_mut().for_each(|entry| *entry /= root);
        }
        Ok(Cholesky { lower })
    }

    /// The factor L.
    pub fn lower(&self) -> &Matrix {
        &self.lower
    }

    /// ln |A| = 2 Σ ln Lᵢᵢ.
    pub fn ln_determinant(&self) -> f64 {
        2.0 * (0..self.lower.rows()).map(|i| self.lower[(i, i)].ln()).sum::<f64>()
    }

    /// L⁻¹ b in place.
    ///
    /// # Panics
    ///
    /// If the length of `b` is not n.
    pub fn solve_lower(&self, b: &mut [f64]) {
        assert_eq!(b.len(), self.lower.rows(), "one value a row");
        for i in 0..b.len() {
            b[i] /= self.lower[(i, i)];
            let (solved, rest) = b.split_at_mut(i + 1);
            for (value, l) in rest.iter_mut().zip(&self.lower.col(i)[i + 1..]) {
                *value -= l * solved[i];
            }
        }
    }

    /// A⁻¹ b in place.
    ///
    /// # Panics
    ///
    /// If the length of `b` is not n.
    pub fn solve(&self, b: &mut [f64]) {
        self.solve_lower(b);
        for i in (0..b.len()).rev() {
            let (head, rest) = b.split_at_mut(i + 1);
            let known: f64 = self.lower.col(i)[i + 1..]
                .iter()
                .zip(rest.iter())
                .map(|(l, x)| l * x)
                .sum();
            head[i] = (head[i] - known) / self.lower[(i, i)];
        }
    }

    /// A⁻¹, symmetric.
    pub fn inverse(&self) -> Matrix {
        let mut inverse = Matrix::identity(self.lower.rows());
        for j in 0..inverse.cols() {
            self.solve(inverse.col_mut(j));
        }
        for j in 0..inverse.cols() {
            for i in 0..j {
                let value = 0.5 * (inverse[(i, j)] + inverse[(j, i)]);
                inverse[(i, j)] = value;
                inverse[(j, i)] = value;
            }
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form, by hand: [[4, 2], [2, 5]] = L Lᵀ with L = [[2, 0], [1, 2]], determinant 16.
    #[test]
    fn a_two_by_two_matrix() {
        let factor = Cholesky::new(&Matrix::from_columns(&[vec![4.0, 2.0], vec![2.0, 5.0]])).unwrap();
        assert_eq!(
            (factor.lower().col(0), factor.lower().col(1)),
            (&[2.0, 1.0][..], &[0.0, 2.0][..])
        );
        assert!((factor.ln_determinant() - 16f64.ln()).abs() < 1e-15);
        let mut b = [10.0, 13.0];
        factor.solve(&mut b);
        assert_eq!(b, [1.5, 2.0]);
        assert_eq!(factor.inverse()[(0, 1)], -0.125);
    }

    /// Closed form: the second pivot of [[1, 2], [2, 1]] is 1 − 4.
    #[test]
    fn the_error_names_the_pivot() {
        let indefinite = Matrix::from_columns(&[vec![1.0, 2.0], vec![2.0, 1.0]]);
        assert_eq!(
            Cholesky::new(&indefinite).unwrap_err(),
            CholeskyError::Pivot { index: 1, value: -3.0 }
        );
        assert_eq!(
            Cholesky::new(&Matrix::zeros(2, 3)).unwrap_err(),
            CholeskyError::NotSquare
        );
        assert!(Cholesky::new(&Matrix::from_columns(&[vec![f64::NAN]])).is_err());
    }
}
