//! Small dense kernels on row-major slices, for the inner loop of a mixed-model fit.
//!
//! In:  square matrices as flat slices, row by row; only the lower triangle of a symmetric matrix is read by a factorization.
//! Out: factors, inverses and sums in place, without allocation where the caller hands over the room.
//! Method: Cholesky by rows, so that every inner loop runs along memory.
//! Never here: pivoting or rank decisions; those are made once, when a problem is prepared.

/// Sum of products of two equally long slices, in four running sums so that the order is fixed and fast.
#[inline]
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let mut sums = [0.0; 4];
    let mut blocks_a = a.chunks_exact(4);
    let mut blocks_b = b.chunks_exact(4);
    for (x, y) in blocks_a.by_ref().zip(blocks_b.by_ref()) {
        sums[0] += x[0] * y[0];
        sums[1] += x[1] * y[1];
        sums[2] += x[2] * y[2];
        sums[3] += x[3] * y[3];
    }
    let mut rest = 0.0;
    for (x, y) in blocks_a.remainder().iter().zip(blocks_b.remainder()) {
        rest += x * y;
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

/// Adds `factor` times `b` to `a`.
#[inline]
pub(super) fn add_scaled(a: &mut [f64], factor: f64, b: &[f64]) {
    for (x, y) in a.iter_mut().zip(b) {
        *x += factor * y;
    }
}

/// Replaces the lower triangle of an n × n matrix by its Cholesky factor; `None` if a pivot is not positive.
pub(super) fn cholesky(a: &mut [f64], n: usize) -> Option<()> {
    for i in 0..n {
        let (above, row) = a.split_at_mut(i * n);
        let row = &mut row[..n];
        for j in 0..i {
            let other = &above[(j * n)..=(j * n + j)];
            row[j] = (row[j] - dot(&row[..j], &other[..j])) / other[j];
        }
        let pivot = row[i] - dot(&row[..i], &row[..i]);
        if !(pivot > 0.0 && pivot.is_finite()) {
            return None;
        }
        row[i] = pivot.sqrt();
    }
    Some(())
}

/// Twice the sum of logarithms of the diagonal entries `from..to` of a factor: the log determinant of that part.
pub(super) fn log_determinant(factor: &[f64], n: usize, from: usize, to: usize) -> f64 {
    let mut total = 0.0;
    for i in from..to {
        total += factor[i * n + i].ln();
    }
    2.0 * total
}

/// Solves L x = b in place.
pub(super) fn solve_lower(factor: &[f64], n: usize, b: &mut [f64]) {
    for i in 0..n {
        let row = &factor[(i * n)..=(i * n + i)];
        b[i] = (b[i] - dot(&row[..i], &b[..i])) / row[i];
    }
}

/// Solves L' x = b in place.
pub(super) fn solve_upper(factor: &[f64], n: usize, b: &mut [f64]) {
    for i in (0..n).rev() {
        let row = &factor[(i * n)..=(i * n + i)];
        let value = b[i] / row[i];
        b[i] = value;
        add_scaled(&mut b[..i], -value, &row[..i]);
    }
}

/// Solves A x = b in place, with A = L L'.
pub(super) fn solve(factor: &[f64], n: usize, b: &mut [f64]) {
    solve_lower(factor, n, b);
    solve_upper(factor, n, b);
}

/// The full symmetric inverse of the leading `size` × `size` part of A = L L', where L is n × n.
pub(super) fn inverse(factor: &[f64], n: usize, size: usize) -> Vec<f64> {
    // Rows of L⁻¹ first: row i is (e_i - sum over j < i of L_ij row j) / L_ii.
    let mut lower = vec![0.0; size * size];
    for i in 0..size {
        let (above, row) = lower.split_at_mut(i * size);
        let row = &mut row[..size];
        for j in 0..i {
            let l = factor[i * n + j];
            if l != 0.0 {
                add_scaled(&mut row[..=j], -l, &above[j * size..=j * size + j]);
            }
        }
        let pivot = factor[i * n + i];
        row[i] += 1.0;
        for value in &mut row[..=i] {
            *value /= pivot;
        }
    }
    // A⁻¹ = sum over rows k of L⁻¹ of (row k)'(row k).
    let mut result = vec![0.0; size * size];
    for k in 0..size {
        let row = &lower[k * size..=k * size + k];
        for i in 0..=k {
            let value = row[i];
            if value != 0.0 {
                add_scaled(&mut result[i * size..=i * size + i], value, &row[..=i]);
            }
        }
    }
    mirror(&mut result, size);
    result
}

/// Copies the lower triangle to the upper one.
pub(super) fn mirror(a: &mut [f64], n: usize) {
    for i in 0..n {
        for j in 0..i {
            a[j * n + i] = a[i * n + j];
        }
    }
}

/// C = A B for row-major A (m × k) and B (k × n).
pub(super) fn product(a: &[f64], b: &[f64], m: usize, k: usize, n: usize) -> Vec<f64> {
    let mut c = vec![0.0; m * n];
    for i in 0..m {
        let row = &mut c[i * n..(i + 1) * n];
        for (j, &value) in a[i * k..(i + 1) * k].iter().enumerate() {
            if value != 0.0 {
                add_scaled(row, value, &b[j * n..(j + 1) * n]);
            }
        }
    }
    c
}

/// C = A' B for row-major A (k × m) and B (k × n).
pub(super) fn product_transposed(a: &[f64], b: &[f64], k: usize, m: usize, n: usize) -> Vec<f64> {
    let mut c = vec![0.0; m * n];
    for j in 0..k {
        let right = &b[j * n..(j + 1) * n];
        for (i, &value) in a[j * m..(j + 1) * m].iter().enumerate() {
            if value != 0.0 {
                add_scaled(&mut c[i * n..(i + 1) * n], value, right);
            }
        }
    }
    c
}

/// A v for a row-major matrix with `v.len()` columns.
pub(super) fn times(a: &[f64], v: &[f64]) -> Vec<f64> {
    if v.is_empty() {
        return Vec::new();
    }
    a.chunks_exact(v.len()).map(|row| dot(row, v)).collect()
}

/// v'A w for a symmetric n × n matrix.
pub(super) fn form(a: &[f64], v: &[f64], w: &[f64]) -> f64 {
    v.iter()
        .enumerate()
        .map(|(i, value)| value * dot(&a[i * w.len()..(i + 1) * w.len()], w))
        .sum()
}

/// Eigenvalues and eigenvectors (rows of the second result) of a small symmetric matrix, by Jacobi rotations.
///
/// Golub & Van Loan (2013), Matrix Computations, section 8.5.
pub(super) fn eigen(a: &[f64], n: usize) -> (Vec<f64>, Vec<f64>) {
    let mut a = a.to_vec();
    let mut vectors = vec![0.0; n * n];
    for i in 0..n {
        vectors[i * n + i] = 1.0;
    }
    for _ in 0..60 {
        let off: f64 = (0..n)
            .flat_map(|i| (0..i).map(move |j| (i, j)))
            .map(|(i, j)| a[i * n + j] * a[i * n + j])
            .sum();
        let on: f64 = (0..n).map(|i| a[i * n + i] * a[i * n + i]).sum();
        if off <= 1e-32 * on {
            break;
        }
        for i in 1..n {
            for j in 0..i {
                let value = a[i * n + j];
                if value == 0.0 {
                    continue;
                }
                let tau = (a[i * n + i] - a[j * n + j]) / (2.0 * value);
                let t = tau.signum() / (tau.abs() + (1.0 + tau * tau).sqrt());
                let c = 1.0 / (1.0 + t * t).sqrt();
                let s = t * c;
                for k in 0..n {
                    let (x, y) = (a[k * n + j], a[k * n + i]);
                    a[k * n + j] = c * x - s * y;
                    a[k * n + i] = s * x + c * y;
                }
                for k in 0..n {
                    let (x, y) = (a[j * n + k], a[i * n + k]);
                    a[j * n + k] = c * x - s * y;
                    a[i * n + k] = s * x + c * y;
                    let (x, y) = (vectors[j * n + k], vectors[i * n + k]);
                    vectors[j * n + k] = c * x - s * y;
                    vectors[i * n + k] = s * x + c * y;
                }
            }
        }
    }
    ((0..n).map(|i| a[i * n + i]).collect(), vectors)
}
