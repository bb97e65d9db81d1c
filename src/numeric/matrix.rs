//! A thin dense matrix, stored column by column.
//!
//! In:  numbers. Out: numbers; factorizations live beside it.
//! Never here: arithmetic beyond products with vectors, broadcasting, files.

use std::ops::{Index, IndexMut};

use super::sum::dot;

/// A dense matrix of `rows` × `cols` doubles, column by column; either may be 0.
#[derive(Debug, Clone, PartialEq)]
pub struct Matrix {
    rows: usize,
    cols: usize,
    data: Vec<f64>,
}

impl Matrix {
    /// A matrix of zeros.
    pub fn zeros(rows: usize, cols: usize) -> Matrix {
        Matrix {
            rows,
            cols,
            data: vec![0.0; rows * cols],
        }
    }

    /// The identity matrix of `size` × `size`.
    pub fn identity(size: usize) -> Matrix {
        let mut identity = Matrix::zeros(size, size);
        for i in 0..size {
            identity[(i, i)] = 1.0;
        }
        identity
    }

    /// A matrix from its columns; no columns give a matrix of 0 × 0 (use [`Matrix::zeros`] for n × 0).
    ///
    /// # Panics
    ///
    /// If the columns differ in length: a fault of the calling code, not of outside data.
    pub fn from_columns(columns: &[Vec<f64>]) -> Matrix {
        let rows = columns.first().map_or(0, Vec::len);
        assert!(
            columns.iter().all(|column| column.len() == rows),
            "columns of one length"
        );
        Matrix {
            rows,
            cols: columns.len(),
            data: columns.concat(),
        }
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Number of columns.
    pub fn cols(&self) -> usize {
        self.cols
    }

    /// Column `j`, top to bottom.
    ///
    /// # Panics
    ///
    /// If `j` is not below the number of columns.
    pub fn col(&self, j: usize) -> &[f64] {
        &self.data[j * self.rows..(j + 1) * self.rows]
    }

    /// Column `j`, to be changed.
    ///
    /// # Panics
    ///
    /// If `j` is not below the number of columns.
    pub fn col_mut(&mut self, j: usize) -> &mut [f64] {
        &mut self.data[j * self.rows..(j + 1) * self.rows]
    }

    /// The columns in order.
    pub fn columns(&self) -> impl Iterator<Item = &[f64]> {
        (0..self.cols).map(|j| self.col(j))
    }

    /// A new matrix of the columns named, in the order named.
    ///
    /// # Panics
    ///
    /// If an index is not below the number of columns.
    #[must_use]
    pub fn select(&self, columns: &[usize]) -> Matrix {
        let mut data = Vec::with_capacity(self.rows * columns.len());
        for j in columns {
            data.extend_from_slice(self.col(*j));
        }
        Matrix {
            rows: self.rows,
            cols: columns.len(),
            data,
        }
    }

    /// The product with a vector, A x, each entry summed with compensation.
    ///
    /// # Panics
    ///
    /// If the length of `x` is not the number of columns.
    pub fn times(&self, x: &[f64]) -> Vec<f64> {
        assert_eq!(x.len(), self.cols, "one factor a column");
        let mut totals = vec![super::sum::Accumulator::default(); self.rows];
        for (column, factor) in self.columns().zip(x) {
            for (total, value) in totals.iter_mut().zip(column) {
                total.add_product(*value, *factor);
            }
        }
        totals.iter().map(|total| total.value()).collect()
    }

    /// The product of the transpose with a vector, Aᵀ y.
    ///
    /// # Panics
    ///
    /// If the length of `y` is not the number of rows.
    pub fn transpose_times(&self, y: &[f64]) -> Vec<f64> {
        assert_eq!(y.len(), self.rows, "one factor a row");
        self.columns().map(|column| dot(column, y)).collect()
    }

    /// The matrix of products of columns, `AᵀA`, symmetric, `cols` × `cols`.
    #[must_use]
    pub fn gram(&self) -> Matrix {
        let mut gram = Matrix::zeros(self.cols, self.cols);
        for i in 0..self.cols {
            for j in 0..=i {
                let value = dot(self.col(i), self.col(j));
                gram[(i, j)] = value;
                gram[(j, i)] = value;
            }
        }
        gram
    }

    /// Columns `a` and `b` exchanged.
    pub(crate) fn swap_columns(&mut self, a: usize, b: usize) {
        if a != b {
            for i in 0..self.rows {
                self.data.swap(a * self.rows + i, b * self.rows + i);
            }
        }
    }

    /// Column `a` to be read beside column `b` > a to be changed.
    pub(crate) fn pair_mut(&mut self, a: usize, b: usize) -> (&[f64], &mut [f64]) {
        let (left, right) = self.data.split_at_mut(b * self.rows);
        (&left[a * self.rows..(a + 1) * self.rows], &mut right[..self.rows])
    }
}

impl Index<(usize, usize)> for Matrix {
    type Output = f64;

    fn index(&self, (i, j): (usize, usize)) -> &f64 {
        assert!(i < self.rows, "row {i} of {}", self.rows);
        &self.data[j * self.rows + i]
    }
}

impl IndexMut<(usize, usize)> for Matrix {
    fn index_mut(&mut self, (i, j): (usize, usize)) -> &mut f64 {
        assert!(i < self.rows, "row {i} of {}", self.rows);
        &mut self.data[j * self.rows + i]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form, by hand.
    #[test]
    fn products_of_a_small_matrix() {
        let a = Matrix::from_columns(&[vec![1.0, 2.0, 3.0], vec![4.0, 5.0, 6.0]]);
        assert_eq!((a.rows(), a.cols(), a[(2, 1)]), (3, 2, 6.0));
        assert_eq!(a.times(&[1.0, -1.0]), [-3.0, -3.0, -3.0]);
        assert_eq!(a.transpose_times(&[1.0, 0.0, 1.0]), [4.0, 10.0]);
        let gram = a.gram();
        assert_eq!(
            (gram[(0, 0)], gram[(0, 1)], gram[(1, 0)], gram[(1, 1)]),
            (14.0, 32.0, 32.0, 77.0)
        );
        assert_eq!(a.select(&[1, 0]).col(0), [4.0, 5.0, 6.0]);
    }
}
