//! Exact first and second derivatives of the criterion at one point.
//!
//! In:  a `Point` with its layout and response. Out: `Derivatives`, for the parameters γ or, with the residual, for θ.
//! Method and symbols: the header of `evaluate`.
//! Never here: profiling, bounds.

use super::dense::{add_scaled, dot, inverse, times};
use super::evaluate::{Point, transposed};
use super::layout::{Layout, Response, is_big, pairs_of};
use super::problem::Method;
use super::projection::Projection;
use super::sums::BigSums;

/// Derivative pieces at one γ; see the module header.
#[derive(Debug, Clone)]
pub(super) struct Derivatives {
    pub trace: Vec<f64>,
    pub form: Vec<f64>,
    pub traces: Vec<f64>,
    pub forms: Vec<f64>,
}

impl Point {
    /// D B D' for a symmetric dim × dim matrix.
    fn scale_both(&self, layout: &Layout, b: &[f64], dim: usize) -> Vec<f64> {
        if self.pairs.is_empty() {
            let mut scaled = b.to_vec();
            for (row, factor) in scaled.chunks_exact_mut(dim.max(1)).zip(&self.lambda) {
                for (value, other) in row.iter_mut().zip(&self.lambda) {
                    *value *= factor * other;
                }
            }
            return scaled;
        }
        let mut rows: Vec<Vec<f64>> = b.chunks_exact(dim.max(1)).map(<[f64]>::to_vec).collect();
        for row in &mut rows {
            self.unscale(layout, row);
        }
        let mut flat = transposed(&rows.concat(), dim);
        for row in flat.chunks_exact_mut(dim.max(1)) {
            self.unscale(layout, row);
        }
        flat
    }

    /// Z'PZ of the rest and its companions, with Q eliminated (`dim` = r) or not (`dim` = z).
    pub(super) fn projection(&self, layout: &Layout, dim: usize) -> Projection {
        let (z, r) = (layout.z, layout.r);
        let w = inverse(&self.factor, r, dim);
        let m = self.scale_both(layout, &w, dim);
        let plain = self.plain_columns(layout);
        let mut n = vec![0.0; z * z];
        let mut g = vec![0.0; dim * z];
        // D'T, needed whole for plain columns only.
        let scaled = if plain.contains(&true) {
            let mut scaled = self.t.clone();
            self.scale_rows(layout, &mut scaled, r);
            scaled
        } else {
            Vec::new()
        };
        for c in 0..z {
            if plain[c] {
                let right: Vec<f64> = (0..dim).map(|i| scaled[i * r + c]).collect();
                let v = times(&w, &right);
                let mut column = v.clone();
                self.unscale(layout, &mut column);
                for (target, value) in g[c * dim..(c + 1) * dim].iter_mut().zip(&column) {
                    *target = -value;
                }
                g[c * dim + c] += 1.0;
                for i in 0..z {
                    let value = if plain[i] {
                        let product: f64 = (0..dim).map(|k| scaled[k * r + i] * v[k]).sum();
                        self.t[i * r + c] - product
                    } else {
                        v[i] / self.lambda[i]
                    };
                    n[i * z + c] = value;
                    n[c * z + i] = value;
                }
            } else {
                let lambda = self.lambda[c];
                let mut column: Vec<f64> = w[c * dim..(c + 1) * dim].to_vec();
                for i in 0..z {
                    if i != c && !plain[i] {
                        n[i * z + c] = -column[i] / (self.lambda[i] * lambda);
                    }
                }
                let own = column[c];
                self.unscale(layout, &mut column);
                n[c * z + c] = if own < 0.5 {
                    (1.0 - own) / (lambda * lambda)
                } else {
                    dot(&self.t[c * r..c * r + dim], &column) / lambda
                };
                for (target, value) in g[c * dim..(c + 1) * dim].iter_mut().zip(&column) {
                    *target = value / lambda;
                }
            }
        }
        Projection { dim, m, n, g }
    }

    /// All derivative pieces.
    pub(super) fn derivatives(&self, layout: &Layout, response: &Response, method: Method) -> Derivatives {
        let (z, r) = (layout.z, layout.r);
        let count = layout.parameters.len();
        let restricted = self.projection(layout, r);
        let full = (method == Method::MaximumLikelihood).then(|| self.projection(layout, z));
        let traced = full.as_ref().unwrap_or(&restricted);
        let sums = layout.big.as_ref().map(|big| BigSums::new(big, r, self.gamma_big));
        let (u_big, u) = self.scores(layout, response);
        let g_y = sums
            .as_ref()
            .map_or_else(Vec::new, |sums| sums.leading_product(&traced.g, z, traced.dim, r));

        let mut trace = vec![0.0; count];
        let mut quadratic = vec![0.0; count];
        let mut traces = vec![0.0; count * count];
        let mut forms = vec![0.0; count * count];
        // GᵢPy, as coefficients of the columns of Z in the rest.
        let moved: Vec<Vec<f64>> = (0..count).map(|index| moved(layout, index, &u)).collect();
        // ψ = Σ f u c over the levels of the eliminated block.
        let mut psi = vec![0.0; r];
        if let (Some(big), Some(sums)) = (&layout.big, &sums) {
            for (level, &value) in u_big.iter().enumerate() {
                add_scaled(&mut psi, sums.f[level] * value, &big.rows[level * r..(level + 1) * r]);
            }
        }
        let g_psi = times_wide(&restricted.g, &psi, r);
        let weighted: Vec<Vec<f64>> = moved.iter().map(|x| times_wide(&restricted.n, x, z)).collect();
        for i in 0..count {
            let big_i = is_big(layout, i);
            for j in 0..=i {
                let (t, f) = match (big_i, is_big(layout, j)) {
                    (true, true) => match &sums {
                        Some(sums) => (sums.own_traces(traced, r), sums.own_form(&u_big, &psi, &restricted)),
                        None => (0.0, 0.0),
                    },
                    (true, false) | (false, true) => {
                        let other = if big_i { j } else { i };
                        let t = BigSums::cross_trace(layout, traced.dim, &traced.g, &g_y, other);
                        (t, dot(&moved[other], &g_psi))
                    }
                    (false, false) => (traced.rest_trace(layout, i, j), dot(&moved[i], &weighted[j])),
                };
                traces[i * count + j] = t;
                traces[j * count + i] = t;
                forms[i * count + j] = f;
                forms[j * count + i] = f;
            }
            if big_i {
                if let Some(sums) = &sums {
                    trace[i] = sums.trace(traced, r);
                }
                quadratic[i] = dot(&u_big, &u_big);
            } else {
                trace[i] = pairs_of(layout, i)
                    .iter()
                    .map(|&(a, b, levels)| (0..levels).map(|l| traced.n[(a + l) * z + b + l]).sum::<f64>())
                    .sum();
                quadratic[i] = dot(&u, &moved[i]);
            }
        }
        Derivatives {
            trace,
            form: quadratic,
            traces,
            forms,
        }
    }
}

impl Derivatives {
    /// Adds the residual as last parameter, by H = W⁻¹ + `ΣγG`: V is then linear in all K + 1 parameters.
    pub(super) fn with_residual(&self, gamma: &[f64], rss: f64, degrees: f64) -> Self {
        let count = self.trace.len();
        let size = count + 1;
        let mut result = Self {
            trace: self.trace.clone(),
            form: self.form.clone(),
            traces: vec![0.0; size * size],
            forms: vec![0.0; size * size],
        };
        result.trace.push(degrees - dot(gamma, &self.trace));
        result.form.push(rss - dot(gamma, &self.form));
        for (target, source, edge) in [
            (&mut result.traces, &self.traces, &result.trace),
            (&mut result.forms, &self.forms, &result.form),
        ] {
            let mut corner = edge[count];
            for i in 0..count {
                let row = &source[i * count..(i + 1) * count];
                target[i * size..i * size + count].copy_from_slice(row);
                let value = edge[i] - dot(gamma, row);
                target[i * size + count] = value;
                target[count * size + i] = value;
                corner -= gamma[i] * value;
            }
            target[count * size + count] = corner;
        }
        result
    }
}

/// `BᵢZ`'v for a vector over the columns of the rest.
fn moved(layout: &Layout, parameter: usize, v: &[f64]) -> Vec<f64> {
    moved_rows(layout, parameter, v, 1)
}

pub(super) fn moved_rows(layout: &Layout, parameter: usize, v: &[f64], width: usize) -> Vec<f64> {
    let mut result = vec![0.0; v.len()];
    if !is_big(layout, parameter) {
        for (a, b, levels) in pairs_of(layout, parameter) {
            result[a * width..(a + levels) * width].copy_from_slice(&v[b * width..(b + levels) * width]);
        }
    }
    result
}

/// A v where A has `width` columns and any number of rows.
fn times_wide(a: &[f64], v: &[f64], width: usize) -> Vec<f64> {
    if width == 0 { Vec::new() } else { times(a, v) }
}
