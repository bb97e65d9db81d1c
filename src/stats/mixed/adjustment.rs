//! The p × p pieces from which small-sample tests are made.
//!
//! In:  a `Point` and its γ. Out: an `Adjustment`, in the W-orthonormal basis of X and units of σ² = 1.
//! Method: with Z'H⁻¹Q for the terms kept and Y, Y₂ for the eliminated one (header of `evaluate`), Q'H⁻¹GᵢH⁻¹Q and
//! Q'H⁻¹GᵢPGⱼH⁻¹Q are products of small matrices; the residual follows from `H = W⁻¹ + ΣγG`.
//! Never here: contrasts, degrees of freedom.

use super::dense::{add_scaled, dot, inverse, product, product_transposed};
use super::derivatives::moved_rows;
use super::evaluate::{Point, transposed_wide};
use super::layout::{Layout, is_big};
use super::sums::BigSums;

/// Everything in p × p that the small-sample adjustments need, in units of σ² = 1 and the basis Q.
///
/// Parameters 0..K as in the layout, then the residual.
#[derive(Debug, Clone)]
pub(super) struct Adjustment {
    /// (Q'H⁻¹Q)⁻¹.
    pub covariance: Vec<f64>,
    /// Q'H⁻¹GᵢH⁻¹Q, each p × p.
    pub first: Vec<Vec<f64>>,
    /// Q'H⁻¹Gᵢ P GⱼH⁻¹Q, (K + 1)² of them, each p × p.
    pub second: Vec<Vec<f64>>,
}

impl Point {
    /// The p × p pieces of the small-sample adjustments.
    pub(super) fn adjustment(&self, layout: &Layout, gamma: &[f64]) -> Adjustment {
        let (z, r, p) = (layout.z, layout.r, layout.p);
        let count = layout.parameters.len();
        let projection = self.projection(layout, r);
        let sums = layout.big.as_ref().map(|big| BigSums::new(big, r, self.gamma_big));

        // V = A_z⁻¹ D'T_zq, and from it Z'H⁻¹Q and the map from rows of the eliminated block to Z₁'H⁻¹Q.
        let inner = inverse(&self.factor, r, z);
        let mut scaled: Vec<f64> = (0..z)
            .flat_map(|i| self.t[i * r + z..(i + 1) * r].iter().copied())
            .collect();
        self.scale_rows(layout, &mut scaled, p);
        let v = product(&inner, &scaled, z, z, p);
        let mut unscaled = transposed_wide(&v, z, p);
        for row in unscaled.chunks_exact_mut(z.max(1)) {
            self.unscale(layout, row);
        }
        let dv = transposed_wide(&unscaled, p, z);
        let plain = self.plain_columns(layout);
        let mut zq = vec![0.0; z * p];
        for i in 0..z {
            for c in 0..p {
                zq[i * p + c] = if plain[i] {
                    let off: f64 = (0..z).map(|k| self.t[i * r + k] * dv[k * p + c]).sum();
                    self.t[i * r + z + c] - off
                } else {
                    v[i * p + c] / self.lambda[i]
                };
            }
        }
        let mut gx = vec![0.0; r * p];
        for i in 0..z {
            for c in 0..p {
                gx[i * p + c] = -dv[i * p + c];
            }
        }
        for c in 0..p {
            gx[(z + c) * p + c] = 1.0;
        }

        let moved: Vec<Vec<f64>> = (0..count).map(|index| moved_rows(layout, index, &zq, p)).collect();
        let weighted: Vec<Vec<f64>> = moved.iter().map(|f| product(&projection.n, f, z, z, p)).collect();
        let y_gx = sums.as_ref().map(|sums| product(&sums.y, &gx, r, r, p));
        let size = count + 1;
        let mut first = vec![vec![0.0; p * p]; size];
        let mut second = vec![vec![0.0; p * p]; size * size];
        for i in 0..count {
            first[i] = if is_big(layout, i) {
                y_gx.as_ref()
                    .map_or_else(Vec::new, |y_gx| product_transposed(&gx, y_gx, r, p, p))
            } else {
                product_transposed(&zq, &moved[i], z, p, p)
            };
            for j in 0..count {
                second[i * size + j] = match (is_big(layout, i), is_big(layout, j), &sums, &y_gx) {
                    (true, true, Some(sums), Some(y_gx)) => {
                        let mut own = product_transposed(&gx, &product(&sums.y2, &gx, r, r, p), r, p, p);
                        let taken = product_transposed(y_gx, &product(&projection.m, y_gx, r, r, p), r, p, p);
                        add_scaled(&mut own, -1.0, &taken);
                        own
                    }
                    (true, false, _, Some(y_gx)) => {
                        let cross = product_transposed(&projection.g, &moved[j], z, r, p);
                        product_transposed(y_gx, &cross, r, p, p)
                    }
                    (false, true, _, Some(y_gx)) => {
                        let cross = product_transposed(&projection.g, &moved[i], z, r, p);
                        product_transposed(&cross, y_gx, r, p, p)
                    }
                    _ => product_transposed(&moved[i], &weighted[j], z, p, p),
                };
            }
        }
        // The residual follows from H = W⁻¹ + ΣγG, and from PQ = 0.
        let covariance = self.covariance(layout);
        let mut whole = vec![0.0; p * p];
        for i in 0..p {
            for j in 0..p {
                let (a, b) = (
                    &self.factor[(z + i) * r + z..(z + i + 1) * r],
                    &self.factor[(z + j) * r + z..(z + j + 1) * r],
                );
                let upto = i.min(j) + 1;
                whole[i * p + j] = dot(&a[..upto], &b[..upto]);
            }
        }
        for j in 0..count {
            add_scaled(&mut whole, -gamma[j], &first[j]);
        }
        first[count] = whole;
        for i in 0..count {
            let mut row = vec![0.0; p * p];
            let mut column = vec![0.0; p * p];
            for j in 0..count {
                add_scaled(&mut row, -gamma[j], &second[i * size + j]);
                add_scaled(&mut column, -gamma[j], &second[j * size + i]);
            }
            second[i * size + count] = row;
            second[count * size + i] = column;
        }
        let mut last = vec![0.0; p * p];
        for j in 0..count {
            add_scaled(&mut last, -gamma[j], &second[j * size + count]);
        }
        second[count * size + count] = last;
        Adjustment {
            covariance,
            first,
            second,
        }
    }
}
