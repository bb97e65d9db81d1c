//! Sums over the levels of the eliminated block, and what the derivatives take from them.
//!
//! In:  the rows of sums of the eliminated block, and γ of its term. Out: Y, Y₂ and traces; see the header of `evaluate`.
//! Method: one row of sums a level, four levels at a time; empty columns are skipped where most are empty.
//! Never here: the other terms' variances.

use super::dense::{add_scaled, dot, form, mirror};
use super::layout::{Big, Layout, pairs_of};
use super::projection::Projection;

/// Sums over the levels of the eliminated block.
pub(super) struct BigSums {
    /// 1/(1 + γs).
    pub(super) f: Vec<f64>,
    /// Σ s f and Σ (s f)².
    pub(super) first: f64,
    pub(super) square: f64,
    pub(super) weights: Vec<f64>,
    /// Σ f² c c' and Σ f³s c c', r × r.
    pub(super) y: Vec<f64>,
    pub(super) y2: Vec<f64>,
}

impl BigSums {
    pub(super) fn new(big: &Big, r: usize, gamma: f64) -> Self {
        let f: Vec<f64> = big.diagonal.iter().map(|s| 1.0 / (1.0 + gamma * s)).collect();
        let weights: Vec<f64> = f.iter().zip(&big.diagonal).map(|(f, s)| f * s).collect();
        let squares: Vec<f64> = f.iter().map(|f| f * f).collect();
        let cubes: Vec<f64> = squares.iter().zip(&weights).map(|(f2, fs)| f2 * fs).collect();
        let mut y = vec![0.0; r * r];
        let mut y2 = vec![0.0; r * r];
        add_squares(big, r, &squares, &mut y);
        add_squares(big, r, &cubes, &mut y2);
        mirror(&mut y, r);
        mirror(&mut y2, r);
        Self {
            first: weights.iter().sum(),
            square: dot(&weights, &weights),
            f,
            weights,
            y,
            y2,
        }
    }

    /// tr(PG) of the eliminated block.
    pub(super) fn trace(&self, projection: &Projection, r: usize) -> f64 {
        self.first - inner(&projection.m, &self.y, projection.dim, r)
    }

    /// tr(PGPG) of the eliminated block.
    pub(super) fn own_traces(&self, projection: &Projection, r: usize) -> f64 {
        let dim = projection.dim;
        // tr(MYMY) by the products MY, whose transpose is YM.
        let my = self.leading_product(&projection.m, dim, dim, r);
        let twice: f64 = (0..dim)
            .map(|i| (0..dim).map(|j| my[i * dim + j] * my[j * dim + i]).sum::<f64>())
            .sum();
        self.square - 2.0 * inner(&projection.m, &self.y2, dim, r) + twice
    }

    /// B Y for B of `rows` × dim, with the leading dim × dim part of Y.
    pub(super) fn leading_product(&self, b: &[f64], rows: usize, dim: usize, r: usize) -> Vec<f64> {
        let mut result = vec![0.0; rows * dim];
        for (out, row) in result.chunks_exact_mut(dim.max(1)).zip(b.chunks_exact(dim.max(1))) {
            for (k, &value) in row.iter().enumerate() {
                if value != 0.0 {
                    add_scaled(out, value, &self.y[k * r..k * r + dim]);
                }
            }
        }
        result
    }

    /// u'Z₁'`PZ₁u`.
    pub(super) fn own_form(&self, u: &[f64], psi: &[f64], projection: &Projection) -> f64 {
        let own: f64 = u.iter().zip(&self.weights).map(|(u, weight)| u * u * weight).sum();
        own - form(&projection.m, psi, psi)
    }

    /// tr(PG₁PGⱼ) with a parameter of the rest, from g' of the projection (z × dim) and its product with Y.
    pub(super) fn cross_trace(layout: &Layout, dim: usize, g: &[f64], g_y: &[f64], other: usize) -> f64 {
        pairs_of(layout, other)
            .iter()
            .map(|&(a, b, levels)| {
                (0..levels)
                    .map(|l| {
                        dot(
                            &g_y[(a + l) * dim..(a + l + 1) * dim],
                            &g[(b + l) * dim..(b + l + 1) * dim],
                        )
                    })
                    .sum::<f64>()
            })
            .sum()
    }
}

/// Adds Σ w c c' over the rows of the eliminated block to the lower triangle of an r × r matrix.
pub(super) fn add_squares(big: &Big, r: usize, weights: &[f64], target: &mut [f64]) {
    if r == 0 {
        return;
    }
    if let Some((offsets, numbers)) = &big.sparse {
        for (level, weight) in weights.iter().enumerate() {
            let row = &big.rows[level * r..(level + 1) * r];
            let filled = &numbers[offsets[level]..offsets[level + 1]];
            for (at, &i) in filled.iter().enumerate() {
                let factor = weight * row[i as usize];
                let out = &mut target[i as usize * r..(i as usize + 1) * r];
                for &j in &filled[..=at] {
                    out[j as usize] += factor * row[j as usize];
                }
            }
        }
        return;
    }
    // Four levels at a time, so that a row of the target is loaded once for four products.
    let mut blocks = big.rows.chunks_exact(4 * r);
    let mut four = weights.chunks_exact(4);
    for (rows, w) in blocks.by_ref().zip(four.by_ref()) {
        let (c0, rest) = rows.split_at(r);
        let (c1, rest) = rest.split_at(r);
        let (c2, c3) = rest.split_at(r);
        for i in 0..r {
            let (a0, a1, a2, a3) = (w[0] * c0[i], w[1] * c1[i], w[2] * c2[i], w[3] * c3[i]);
            let out = &mut target[i * r..=i * r + i];
            let n = out.len();
            let (c0, c1, c2, c3) = (&c0[..n], &c1[..n], &c2[..n], &c3[..n]);
            for j in 0..n {
                out[j] += (a0 * c0[j] + a1 * c1[j]) + (a2 * c2[j] + a3 * c3[j]);
            }
        }
    }
    for (row, weight) in blocks.remainder().chunks_exact(r).zip(four.remainder()) {
        for i in 0..r {
            add_scaled(&mut target[i * r..=i * r + i], weight * row[i], &row[..=i]);
        }
    }
}

/// Sum of entrywise products of a dim × dim matrix and the leading part of an r × r one.
fn inner(a: &[f64], b: &[f64], dim: usize, r: usize) -> f64 {
    (0..dim)
        .map(|i| dot(&a[i * dim..(i + 1) * dim], &b[i * r..i * r + dim]))
        .sum()
}
