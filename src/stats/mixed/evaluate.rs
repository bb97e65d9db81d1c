//! The criterion of a mixed model and its exact first and second derivatives at given variance ratios.
//!
//! In:  a `Layout`, a `Response`, and γ (component / residual variance; covariances too), one entry a parameter.
//! Out: ln |H|, ln |Q'H⁻¹Q|, the generalized residual sum of squares, and for each pair of parameters the traces
//!      and quadratic forms below. No n × n or q × q matrix is formed.
//!
//! | name      | symbol                     | shape   |
//! |-----------|----------------------------|---------|
//! | `gamma`   | γ                          | K       |
//! |           | H = W⁻¹ + Σ γᵢGᵢ           | n × n, never formed |
//! |           | P = H⁻¹ − H⁻¹X(X'H⁻¹X)⁻¹X'H⁻¹ |      |
//! | `rss`     | y'Py                       | scalar  |
//! | `trace`   | tr(PGᵢ), or tr(H⁻¹Gᵢ) by ML | K      |
//! | `form`    | y'`PGᵢPy`                    | K       |
//! | `traces`  | tr(PGᵢPGⱼ), H⁻¹ for P by ML | K × K  |
//! | `forms`   | y'`PGᵢPGⱼPy`                 | K × K   |
//!
//! Method. The eliminated block goes first: with s = diag(Z₁'WZ₁), H₁⁻¹ = W − WZ₁ diag(γ/(1+γs)) Z₁'W, so all
//! products of the remaining columns C = [Z₂, Q] are T = C'WC − Σ κ c c' over the levels. Then, with D = diag(Λ, I),
//! ΛΛ' = Γ, the matrix A = D'TD + diag(I, 0) is factorized; C'H₁⁻¹ … follow with M = D A⁻¹ D':
//! P = H₁⁻¹ − H₁⁻¹ C M C' H₁⁻¹. Traces over the eliminated block need only the sums Y = Σ f² c c' and
//! Y₂ = Σ f³s c c', f = 1/(1+γs). Where λ > 0, rows of Z'PZ are had as A⁻¹-rows divided by λ, which does not
//! cancel when γ is large; where λ = 0 by subtraction, which does not divide by zero.
//! Searle, Casella & `McCulloch` (1992), Variance Components, sections 6.6 and 8.3, for the derivatives.
//!
//! Never here: choice of γ.

use super::dense::add_scaled;
use super::dense::{cholesky, dot, inverse, log_determinant, mirror, solve};
use super::layout::{Layout, Parameter, Response};
use super::sums::add_squares;

/// The criterion at one γ.
#[derive(Debug, Clone)]
pub(super) struct Point {
    /// ln |H| − ln |W⁻¹|.
    pub(super) log_h: f64,
    /// ln |Q'H⁻¹Q|.
    pub(super) log_x: f64,
    /// y'Py.
    pub(super) rss: f64,
    /// Per column of the rest: λ, the root of its variance ratio (1 for Q and for pairs, which follow on their own).
    pub(super) lambda: Vec<f64>,
    /// Correlated pairs: first block, second block, λ₁₁, λ₂₁, λ₂₂.
    pub(super) pairs: Vec<(usize, usize, [f64; 3])>,
    pub(super) gamma_big: f64,
    pub(super) t: Vec<f64>,
    pub(super) ty: Vec<f64>,
    pub(super) factor: Vec<f64>,
    pub(super) alpha: Vec<f64>,
    /// D α: coefficients (γ-scaled effects u, then β of Q).
    pub(super) coefficients: Vec<f64>,
}

impl Point {
    /// Evaluates the criterion; `None` if γ is not a covariance structure or the result is not finite.
    pub(super) fn new(layout: &Layout, response: &Response, gamma: &[f64]) -> Option<Self> {
        let (z, r) = (layout.z, layout.r);
        let mut lambda = vec![1.0; r];
        let mut pairs = Vec::new();
        let mut gamma_big = 0.0;
        for (index, parameter) in layout.parameters.iter().enumerate() {
            match *parameter {
                Parameter::Variance { block } => {
                    let facts = &layout.blocks[block];
                    let value = gamma[index];
                    if !(value >= 0.0 && value.is_finite()) {
                        return None;
                    }
                    if layout.big.as_ref().is_some_and(|big| big.block == block) {
                        gamma_big = value;
                    } else if !facts.paired {
                        lambda[facts.start..facts.start + facts.levels].fill(value.sqrt());
                    }
                }
                Parameter::Covariance { first, second } => {
                    // Parameters of a pair stand side by side: variance, covariance, variance.
                    let (a, c, b) = (gamma[index - 1], gamma[index], gamma[index + 1]);
                    let rest = if a > 0.0 { b - c * c / a } else { b };
                    if a < 0.0 || (a == 0.0 && c != 0.0) || rest < -1e-12 * b || !c.is_finite() {
                        return None;
                    }
                    let l11 = a.sqrt();
                    let l21 = if a > 0.0 { c / l11 } else { 0.0 };
                    pairs.push((first, second, [l11, l21, rest.max(0.0).sqrt()]));
                }
            }
        }
        let mut t = layout.rest.clone();
        let mut ty = response.rest.clone();
        let mut tyy = response.square;
        let mut log_h = 0.0;
        if let Some(big) = &layout.big
            && gamma_big > 0.0
        {
            let kappa: Vec<f64> = big
                .diagonal
                .iter()
                .map(|s| -gamma_big / (1.0 + gamma_big * s))
                .collect();
            add_squares(big, r, &kappa, &mut t);
            mirror(&mut t, r);
            for (level, (&weight, &sum)) in kappa.iter().zip(&response.big).enumerate() {
                add_scaled(&mut ty, weight * sum, &big.rows[level * r..(level + 1) * r]);
                tyy += weight * sum * sum;
            }
            log_h += log_product(big.diagonal.iter().map(|s| 1.0 + gamma_big * s));
        }
        let mut point = Self {
            log_h,
            log_x: 0.0,
            rss: 0.0,
            lambda,
            pairs,
            gamma_big,
            t,
            ty,
            factor: Vec::new(),
            alpha: Vec::new(),
            coefficients: Vec::new(),
        };
        let mut a = point.t.clone();
        point.scale_rows(layout, &mut a, r);
        if point.pairs.is_empty() {
            for row in a.chunks_exact_mut(r.max(1)) {
                for (value, factor) in row.iter_mut().zip(&point.lambda) {
                    *value *= factor;
                }
            }
        } else {
            a = transposed(&a, r);
            point.scale_rows(layout, &mut a, r);
        }
        for i in 0..z {
            a[i * r + i] += 1.0;
        }
        cholesky(&mut a, r)?;
        let mut alpha = point.ty.clone();
        point.scale_rows(layout, &mut alpha, 1);
        let scaled = alpha.clone();
        solve(&a, r, &mut alpha);
        point.rss = tyy - dot(&scaled, &alpha);
        point.log_h += log_determinant(&a, r, 0, z);
        point.log_x = log_determinant(&a, r, z, r);
        point.coefficients.clone_from(&alpha);
        let mut coefficients = std::mem::take(&mut point.coefficients);
        point.unscale(layout, &mut coefficients);
        point.coefficients = coefficients;
        point.factor = a;
        point.alpha = alpha;
        (point.rss > 1e-14 * response.square && (point.log_h + point.log_x).is_finite()).then_some(point)
    }

    /// D' B for a matrix with r rows of `width` columns.
    pub(super) fn scale_rows(&self, layout: &Layout, b: &mut [f64], width: usize) {
        for (row, &factor) in b.chunks_exact_mut(width.max(1)).zip(&self.lambda) {
            if factor != 1.0 {
                for value in row {
                    *value *= factor;
                }
            }
        }
        for &(first, second, [l11, l21, l22]) in &self.pairs {
            let (one, two) = (&layout.blocks[first], &layout.blocks[second]);
            for level in 0..one.levels {
                let (i, j) = ((one.start + level) * width, (two.start + level) * width);
                for c in 0..width {
                    let (x, y) = (b[i + c], b[j + c]);
                    b[i + c] = l11 * x + l21 * y;
                    b[j + c] = l22 * y;
                }
            }
        }
    }

    /// D v for a vector of length at least z.
    pub(super) fn unscale(&self, layout: &Layout, v: &mut [f64]) {
        for (value, factor) in v.iter_mut().zip(&self.lambda) {
            *value *= factor;
        }
        for &(first, second, [l11, l21, l22]) in &self.pairs {
            let (one, two) = (&layout.blocks[first], &layout.blocks[second]);
            for level in 0..one.levels {
                let (i, j) = (one.start + level, two.start + level);
                let (x, y) = (v[i], v[j]);
                v[i] = l11 * x;
                v[j] = l21 * x + l22 * y;
            }
        }
    }

    /// Columns of the rest whose λ cannot be divided by: those of zero variance and those of pairs.
    pub(super) fn plain_columns(&self, layout: &Layout) -> Vec<bool> {
        let mut plain: Vec<bool> = self.lambda[..layout.z].iter().map(|&value| value == 0.0).collect();
        for &(first, second, _) in &self.pairs {
            for block in [first, second] {
                let facts = &layout.blocks[block];
                plain[facts.start..facts.start + facts.levels].fill(true);
            }
        }
        plain
    }

    /// Z'Py of the eliminated block and of the rest.
    pub(super) fn scores(&self, layout: &Layout, response: &Response) -> (Vec<f64>, Vec<f64>) {
        let (z, r) = (layout.z, layout.r);
        let plain = self.plain_columns(layout);
        let rest = (0..z)
            .map(|i| {
                if plain[i] {
                    self.ty[i] - dot(&self.t[i * r..(i + 1) * r], &self.coefficients)
                } else {
                    self.alpha[i] / self.lambda[i]
                }
            })
            .collect();
        let big = layout.big.as_ref().map_or_else(Vec::new, |big| {
            big.diagonal
                .iter()
                .enumerate()
                .map(|(level, s)| {
                    let row = &big.rows[level * r..(level + 1) * r];
                    (response.big[level] - dot(row, &self.coefficients)) / (1.0 + self.gamma_big * s)
                })
                .collect()
        });
        (big, rest)
    }

    /// Predicted effects u of each block, in the order of blocks, in units of the scaled response.
    pub(super) fn effects(&self, layout: &Layout, response: &Response) -> Vec<Vec<f64>> {
        let (big, _) = self.scores(layout, response);
        layout
            .blocks
            .iter()
            .enumerate()
            .map(|(index, block)| {
                if layout.big.as_ref().is_some_and(|b| b.block == index) {
                    big.iter().map(|value| value * self.gamma_big).collect()
                } else {
                    self.coefficients[block.start..block.start + block.levels].to_vec()
                }
            })
            .collect()
    }

    /// Inverse of Q'H⁻¹Q, p × p.
    pub(super) fn covariance(&self, layout: &Layout) -> Vec<f64> {
        let (z, r, p) = (layout.z, layout.r, layout.p);
        // The trailing block of the factor is the factor of Q'H⁻¹Q.
        let mut tail = vec![0.0; p * p];
        for i in 0..p {
            tail[i * p..=i * p + i].copy_from_slice(&self.factor[(z + i) * r + z..=(z + i) * r + z + i]);
        }
        inverse(&tail, p, p)
    }
}

/// Σ ln of positive numbers, by logarithms of products that stay in range.
fn log_product(values: impl Iterator<Item = f64>) -> f64 {
    let mut total = 0.0;
    let mut running = 1.0_f64;
    for value in values {
        running *= value;
        if running > 1e200 {
            total += running.ln();
            running = 1.0;
        }
    }
    total + running.ln()
}

pub(super) fn transposed(a: &[f64], n: usize) -> Vec<f64> {
    transposed_wide(a, n, n)
}

/// Transpose of an m × n matrix.
pub(super) fn transposed_wide(a: &[f64], m: usize, n: usize) -> Vec<f64> {
    let mut result = vec![0.0; a.len()];
    for i in 0..m {
        for j in 0..n {
            result[j * m + i] = a[i * n + j];
        }
    }
    result
}
