//! What the fixed effects leave of the columns of Z outside the eliminated block.
//!
//! In:  pieces that `derivatives` works out at one point. Out: traces between parameters of the rest.
//! Symbols: the header of `evaluate`.
//! Never here: sums over the levels of the eliminated block.

use super::dense::dot;
use super::layout::{Layout, pairs_of};

/// Z'PZ or Z'H⁻¹Z and what goes with it: `dim` is r (with Q eliminated) or z (without).
pub(super) struct Projection {
    pub(super) dim: usize,
    /// M = D A⁻¹ D'.
    pub(super) m: Vec<f64>,
    /// Z'PZ of the rest, z × z.
    pub(super) n: Vec<f64>,
    /// z × dim: Z₁'PZ = (rows f c') g'.
    pub(super) g: Vec<f64>,
}

impl Projection {
    /// tr(PGᵢPGⱼ) for two parameters of the rest.
    pub(super) fn rest_trace(&self, layout: &Layout, i: usize, j: usize) -> f64 {
        let z = layout.z;
        let n = &self.n;
        let mut total = 0.0;
        for (a, b, first) in pairs_of(layout, i) {
            for (c, d, second) in pairs_of(layout, j) {
                for l in 0..first {
                    let left = &n[(b + l) * z + c..(b + l) * z + c + second];
                    let right = &n[(a + l) * z + d..(a + l) * z + d + second];
                    total += dot(left, right);
                }
            }
        }
        total
    }
}
