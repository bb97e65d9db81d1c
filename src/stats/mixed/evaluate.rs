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
//! | `form`    | y'PGᵢPy                    | K       |
//! | `traces`  | tr(PGᵢPGⱼ), H⁻¹ for P by ML | K × K  |
//! | `forms`   | y'PGᵢPGⱼPy                 | K × K   |
//!
//! Method. The eliminated block goes first: with s = diag(Z₁'WZ₁), H₁⁻¹ = W − WZ₁ diag(γ/(1+γs)) Z₁'W, so all
//! products of the remaining columns C = [Z₂, Q] are T = C'WC − Σ κ c c' over the levels. Then, with D = diag(Λ, I),
//! ΛΛ' = Γ, the matrix A = D'TD + diag(I, 0) is factorized; C'H₁⁻¹ … follow with M = D A⁻¹ D':
//! P = H₁⁻¹ − H₁⁻¹ C M C' H₁⁻¹. Traces over the eliminated block need only the sums Y = Σ f² c c' and
//! Y₂ = Σ f³s c c', f = 1/(1+γs). Where λ > 0, rows of Z'PZ are had as A⁻¹-rows divided by λ, which does not
//! cancel when γ is large; where λ = 0 by subtraction, which does not divide by zero.
//! Searle, Casella & McCulloch (1992), Variance Components, sections 6.6 and 8.3, for the derivatives.
//!
//! Never here: choice of γ.

use super::dense::{
    add_scaled, cholesky, dot, form, inverse, log_determinant, mirror, product, product_transposed, solve, times,
};
use super::prepare::{Big, Layout, Parameter, Response};
use super::problem::{Method, MixedError};

/// Relative size below which a direction of the parameters counts as not identified.
const IDENTIFIED: f64 = 1e-9;

/// The criterion at one γ.
#[derive(Debug, Clone)]
pub(super) struct Point {
    /// ln |H| − ln |W⁻¹|.
    pub log_h: f64,
    /// ln |Q'H⁻¹Q|.
    pub log_x: f64,
    /// y'Py.
    pub rss: f64,
    /// Per column of the rest: λ, the root of its variance ratio (1 for Q and for pairs, which follow on their own).
    lambda: Vec<f64>,
    /// Correlated pairs: first block, second block, λ₁₁, λ₂₁, λ₂₂.
    pairs: Vec<(usize, usize, [f64; 3])>,
    gamma_big: f64,
    t: Vec<f64>,
    ty: Vec<f64>,
    factor: Vec<f64>,
    alpha: Vec<f64>,
    /// D α: coefficients (γ-scaled effects u, then β of Q).
    pub coefficients: Vec<f64>,
}

/// Derivative pieces at one γ; see the module header.
#[derive(Debug, Clone)]
pub(super) struct Derivatives {
    pub trace: Vec<f64>,
    pub form: Vec<f64>,
    pub traces: Vec<f64>,
    pub forms: Vec<f64>,
}

/// Z'PZ or Z'H⁻¹Z and what goes with it: `dim` is r (with Q eliminated) or z (without).
struct Projection {
    dim: usize,
    /// M = D A⁻¹ D'.
    m: Vec<f64>,
    /// Z'PZ of the rest, z × z.
    n: Vec<f64>,
    /// dim × z: Z₁'PZ = (rows f c') g.
    g: Vec<f64>,
}

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
        point.coefficients = alpha.clone();
        let mut coefficients = std::mem::take(&mut point.coefficients);
        point.unscale(layout, &mut coefficients);
        point.coefficients = coefficients;
        point.factor = a;
        point.alpha = alpha;
        (point.rss > 1e-14 * response.square && (point.log_h + point.log_x).is_finite()).then_some(point)
    }

    /// D' B for a matrix with r rows of `width` columns.
    fn scale_rows(&self, layout: &Layout, b: &mut [f64], width: usize) {
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
    fn unscale(&self, layout: &Layout, v: &mut [f64]) {
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

    /// D B D' for a symmetric dim × dim matrix.
    fn scale_both(&self, layout: &Layout, b: &[f64], dim: usize) -> Vec<f64> {
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

    /// Columns of the rest whose λ cannot be divided by: those of zero variance and those of pairs.
    fn plain_columns(&self, layout: &Layout) -> Vec<bool> {
        let mut plain: Vec<bool> = self.lambda[..layout.z].iter().map(|&value| value == 0.0).collect();
        for &(first, second, _) in &self.pairs {
            for block in [first, second] {
                let facts = &layout.blocks[block];
                plain[facts.start..facts.start + facts.levels].fill(true);
            }
        }
        plain
    }

    /// Z'PZ of the rest and its companions, with Q eliminated (`dim` = r) or not (`dim` = z).
    fn projection(&self, layout: &Layout, dim: usize) -> Projection {
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
                for (i, value) in column.iter().enumerate() {
                    g[i * z + c] = -value;
                }
                g[c * z + c] += 1.0;
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
                for (i, value) in column.iter().enumerate() {
                    g[i * z + c] = value / lambda;
                }
            }
        }
        Projection { dim, m, n, g }
    }

    /// Z'Py of the eliminated block and of the rest.
    fn scores(&self, layout: &Layout, response: &Response) -> (Vec<f64>, Vec<f64>) {
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

    /// All derivative pieces.
    pub(super) fn derivatives(&self, layout: &Layout, response: &Response, method: Method) -> Derivatives {
        let (z, r) = (layout.z, layout.r);
        let count = layout.parameters.len();
        let restricted = self.projection(layout, r);
        let full = (method == Method::MaximumLikelihood).then(|| self.projection(layout, z));
        let traced = full.as_ref().unwrap_or(&restricted);
        let sums = layout.big.as_ref().map(|big| BigSums::new(big, r, self.gamma_big));
        let (u_big, u) = self.scores(layout, response);

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
                        let t = sums
                            .as_ref()
                            .map_or(0.0, |sums| sums.cross_trace(layout, traced, other));
                        let gx = times_wide(&restricted.g, &moved[other], z);
                        (t, dot(&psi, &gx))
                    }
                    (false, false) => (rest_trace(layout, traced, i, j), dot(&moved[i], &weighted[j])),
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
                        let cross = product(&projection.g, &moved[j], r, z, p);
                        product_transposed(y_gx, &cross, r, p, p)
                    }
                    (false, true, _, Some(y_gx)) => {
                        let cross = product(&projection.g, &moved[i], r, z, p);
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

impl Derivatives {
    /// Adds the residual as last parameter, by H = W⁻¹ + ΣγG: V is then linear in all K + 1 parameters.
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

/// Sums over the levels of the eliminated block.
struct BigSums {
    /// 1/(1 + γs).
    f: Vec<f64>,
    /// Σ s f and Σ (s f)².
    first: f64,
    square: f64,
    weights: Vec<f64>,
    /// Σ f² c c' and Σ f³s c c', r × r.
    y: Vec<f64>,
    y2: Vec<f64>,
}

impl BigSums {
    fn new(big: &Big, r: usize, gamma: f64) -> Self {
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
    fn trace(&self, projection: &Projection, r: usize) -> f64 {
        self.first - inner(&projection.m, &self.y, projection.dim, r)
    }

    /// tr(PGPG) of the eliminated block.
    fn own_traces(&self, projection: &Projection, r: usize) -> f64 {
        let dim = projection.dim;
        let y: Vec<f64> = (0..dim)
            .flat_map(|i| self.y[i * r..i * r + dim].iter().copied())
            .collect();
        let my = product(&projection.m, &y, dim, dim, dim);
        let twice: f64 = (0..dim)
            .map(|i| (0..dim).map(|j| my[i * dim + j] * my[j * dim + i]).sum::<f64>())
            .sum();
        self.square - 2.0 * inner(&projection.m, &self.y2, dim, r) + twice
    }

    /// u'Z₁'PZ₁u.
    fn own_form(&self, u: &[f64], psi: &[f64], projection: &Projection) -> f64 {
        let own: f64 = u.iter().zip(&self.weights).map(|(u, weight)| u * u * weight).sum();
        own - form(&projection.m, psi, psi)
    }

    /// tr(PG₁PGⱼ) with a parameter of the rest.
    fn cross_trace(&self, layout: &Layout, projection: &Projection, other: usize) -> f64 {
        let (dim, z, r) = (projection.dim, layout.z, layout.r);
        let mut total = 0.0;
        for (a, b, levels) in pairs_of(layout, other) {
            for level in 0..levels {
                let left: Vec<f64> = (0..dim).map(|i| projection.g[i * z + a + level]).collect();
                let right: Vec<f64> = if a == b {
                    left.clone()
                } else {
                    (0..dim).map(|i| projection.g[i * z + b + level]).collect()
                };
                for (i, value) in left.iter().enumerate() {
                    if *value != 0.0 {
                        total += value * dot(&self.y[i * r..i * r + dim], &right);
                    }
                }
            }
        }
        total
    }
}

/// True if the parameter is the variance of the eliminated block.
fn is_big(layout: &Layout, parameter: usize) -> bool {
    matches!((layout.parameters[parameter], &layout.big),
        (Parameter::Variance { block }, Some(big)) if big.block == block)
}

/// Gᵢ = Σ Z_a Z_b' over these pairs of column starts of the rest.
fn pairs_of(layout: &Layout, parameter: usize) -> Vec<(usize, usize, usize)> {
    match layout.parameters[parameter] {
        Parameter::Variance { block } => {
            let facts = &layout.blocks[block];
            vec![(facts.start, facts.start, facts.levels)]
        }
        Parameter::Covariance { first, second } => {
            let (one, two) = (&layout.blocks[first], &layout.blocks[second]);
            vec![(one.start, two.start, one.levels), (two.start, one.start, one.levels)]
        }
    }
}

/// BᵢZ'v for a vector over the columns of the rest.
fn moved(layout: &Layout, parameter: usize, v: &[f64]) -> Vec<f64> {
    moved_rows(layout, parameter, v, 1)
}

fn moved_rows(layout: &Layout, parameter: usize, v: &[f64], width: usize) -> Vec<f64> {
    let mut result = vec![0.0; v.len()];
    if !is_big(layout, parameter) {
        for (a, b, levels) in pairs_of(layout, parameter) {
            result[a * width..(a + levels) * width].copy_from_slice(&v[b * width..(b + levels) * width]);
        }
    }
    result
}

/// tr(PGᵢPGⱼ) for two parameters of the rest.
fn rest_trace(layout: &Layout, projection: &Projection, i: usize, j: usize) -> f64 {
    let z = layout.z;
    let n = &projection.n;
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

/// Adds Σ w c c' over the rows of the eliminated block to the lower triangle of an r × r matrix.
fn add_squares(big: &Big, r: usize, weights: &[f64], target: &mut [f64]) {
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

/// A v where A has `width` columns and any number of rows.
fn times_wide(a: &[f64], v: &[f64], width: usize) -> Vec<f64> {
    if width == 0 { Vec::new() } else { times(a, v) }
}

fn transposed(a: &[f64], n: usize) -> Vec<f64> {
    transposed_wide(a, n, n)
}

/// Transpose of an m × n matrix.
fn transposed_wide(a: &[f64], m: usize, n: usize) -> Vec<f64> {
    let mut result = vec![0.0; a.len()];
    for i in 0..m {
        for j in 0..n {
            result[j * m + i] = a[i * n + j];
        }
    }
    result
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

/// Checks that each variance can be told from the fixed effects, the residual and the variances before it.
///
/// The matrix of tr(MGᵢMGⱼ), M the projection off X, is the Gram matrix of MGᵢM; it is singular exactly when the
/// components are not identified by residual contrasts.
pub(super) fn check_identified(layout: &Layout) -> Result<(), MixedError> {
    let count = layout.parameters.len();
    if count == 0 {
        return Ok(());
    }
    let response = Response {
        big: layout
            .big
            .as_ref()
            .map_or_else(Vec::new, |big| vec![0.0; big.diagonal.len()]),
        rest: vec![0.0; layout.r],
        square: 1.0,
        scale: 1.0,
        taken: vec![0.0; layout.p],
    };
    let term_of = |parameter: usize| match layout.parameters[parameter] {
        Parameter::Variance { block } | Parameter::Covariance { first: block, .. } => layout.blocks[block].term,
    };
    let gamma = vec![0.0; count];
    let Some(point) = Point::new(layout, &response, &gamma) else {
        return Err(MixedError::NotIdentified { term: 0 });
    };
    let degrees = (layout.n - layout.p) as f64;
    let derivatives = point
        .derivatives(layout, &response, Method::Reml)
        .with_residual(&gamma, 1.0, degrees);
    let size = count + 1;
    // Residual first: a term that repeats it is the one to blame.
    let order: Vec<usize> = std::iter::once(count).chain(0..count).collect();
    let mut gram = vec![0.0; size * size];
    for (i, &a) in order.iter().enumerate() {
        for (j, &b) in order.iter().enumerate() {
            gram[i * size + j] = derivatives.traces[a * size + b];
        }
    }
    for i in 0..size {
        let own = gram[i * size + i];
        let whole = if i == 0 { own } else { total_square(layout, order[i]) };
        for j in 0..i {
            let above = dot(&gram[i * size..i * size + j], &gram[j * size..j * size + j]);
            gram[i * size + j] = (gram[i * size + j] - above) / gram[j * size + j];
        }
        let left = own - dot(&gram[i * size..i * size + i], &gram[i * size..i * size + i]);
        if !(left > IDENTIFIED * whole && left > 0.0) {
            return Err(MixedError::NotIdentified {
                term: if i == 0 { 0 } else { term_of(order[i]) },
            });
        }
        gram[i * size + i] = left.sqrt();
    }
    Ok(())
}

/// Σ over the columns of a parameter of (their squares)²: the size of tr(GG) before X is taken off.
fn total_square(layout: &Layout, parameter: usize) -> f64 {
    match (&layout.big, is_big(layout, parameter)) {
        (Some(big), true) => dot(&big.diagonal, &big.diagonal),
        _ => pairs_of(layout, parameter)
            .iter()
            .map(|&(a, b, levels)| {
                let at = |c: usize| layout.rest[c * layout.r + c];
                (0..levels).map(|l| at(a + l) * at(b + l)).sum::<f64>()
            })
            .sum(),
    }
}
