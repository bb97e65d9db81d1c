//! Tests and intervals of fixed effects that allow for the variances being estimated.
//!
//! In:  a fit, and contrasts of β.
//! Out: F, degrees of freedom, p; or an estimate with standard error and degrees of freedom.
//!
//! | name | symbol | meaning |
//! |------|--------|---------|
//! |      | Φ      | (X'V⁻¹X)⁻¹ |
//! |      | W      | covariance of the variance estimates: inverse expected information for Kenward–Roger, inverse observed information for Satterthwaite |
//! |      | ℓ      | rows of the contrast matrix |
//!
//! Methods: Kenward & Roger (1997), Biometrics 53:983; Satterthwaite df as in Fai & Cornelius (1996),
//! J. Stat. Comput. Simul. 54:363 for several rows. V is linear in all parameters, so the terms of Kenward and Roger
//! with second derivatives of V vanish. All matrices are p × p, in the W-orthonormal basis of X and with σ² = 1.
//!
//! On the boundary neither method has a theory. [`Boundary`] says what is done with components estimated as zero.
//! Never here: n × n matrices, the choice of contrasts.

use super::adjustment::Adjustment;
use super::dense::{cholesky, dot, eigen, form, inverse, product, solve, solve_lower, times};
use super::derivatives::Derivatives;
use super::evaluate::Point;
use super::fit::{MixedFit, back, to_matrix};
use super::layout::Part;
use super::problem::{Method, MixedError};
use crate::numeric::Matrix;
use crate::numeric::distribution::f_upper;

/// How degrees of freedom are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DfMethod {
    /// Adjusted covariance and degrees of freedom of Kenward and Roger; needs REML.
    KenwardRoger,
    /// Satterthwaite's degrees of freedom, covariance not adjusted.
    Satterthwaite,
}

/// What is done with components estimated as zero when degrees of freedom are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Boundary {
    /// They stay in the count, with the expected information at zero: the degrees of freedom of the layout as it
    /// was planned. The default, because it holds the level: in simulated split-plots of 32 runs (half or more of them
    /// with a component at zero) a true null of the whole-plot factor was rejected at 5 % in 0.4 to 5.7 % of sets,
    /// against 3.6 to 7.2 % when dropped. A stratum with few units is not replaced by many runs because its spread
    /// happened to come out as zero.
    Keep,
    /// They are left out, as if the term had not been in the model: the degrees of freedom of the smaller model.
    Drop,
}

/// A test of L β = 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TestResult {
    /// The F statistic, scaling included.
    pub f: f64,
    /// ℓ.
    pub numerator_df: f64,
    /// Degrees of freedom of the denominator; not an integer in general, and infinite if nothing is estimated.
    pub denominator_df: f64,
    /// λ, by which F was multiplied (1 for Satterthwaite).
    pub scaling: f64,
    /// Upper tail of F.
    pub p: f64,
}

/// An estimate of c'β.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// c'β.
    pub value: f64,
    /// Its standard error (adjusted by Kenward–Roger).
    pub standard_error: f64,
    /// Degrees of freedom of t.
    pub df: f64,
}

impl MixedFit {
    /// Tests L β = 0 by Kenward and Roger; `l` is ℓ × p with independent rows. Components at zero are kept in the
    /// count of degrees of freedom ([`Boundary::Keep`]).
    ///
    /// # Errors
    ///
    /// `Contrast` for a wrong shape or dependent rows, `NeedsReml` for a fit by maximum likelihood.
    pub fn kenward_roger(&self, l: &Matrix) -> Result<TestResult, MixedError> {
        self.kenward_roger_with(l, Boundary::Keep)
    }

    /// As [`MixedFit::kenward_roger`], with the rule for components at zero named.
    ///
    /// # Errors
    ///
    /// The same.
    pub fn kenward_roger_with(&self, l: &Matrix, boundary: Boundary) -> Result<TestResult, MixedError> {
        let rows = self.rows_of(l)?;
        let (adjustment, w) = self.expected(boundary)?;
        let p = self.layout.p;
        let count = rows.len();
        let flat = rows.concat();
        let adjusted = adjusted_covariance(adjustment, &w, p);
        let (a1, a2) = moments(adjustment, &w, &flat, count, p)?;
        let (m, scaling) = match_f(count as f64, a1, a2);
        let f = scaling * self.f_of(&rows, &adjusted)?;
        let numerator_df = count as f64;
        Ok(TestResult {
            f,
            numerator_df,
            denominator_df: m,
            scaling,
            p: f_upper(f, numerator_df, m),
        })
    }

    /// Tests L β = 0 with Satterthwaite degrees of freedom; `l` is ℓ × p with independent rows.
    ///
    /// For several rows, L Φ L' is split into its eigenvectors, each a t with its own degrees of freedom νₘ;
    /// E = Σ νₘ/(νₘ − 2) over νₘ > 2 gives ν = 2E/(E − ℓ), or 2 if E ≤ ℓ.
    ///
    /// # Errors
    ///
    /// `Contrast` for a wrong shape or dependent rows.
    pub fn satterthwaite(&self, l: &Matrix) -> Result<TestResult, MixedError> {
        self.satterthwaite_with(l, Boundary::Keep)
    }

    /// As [`MixedFit::satterthwaite`], with the rule for components at zero named.
    ///
    /// # Errors
    ///
    /// The same.
    pub fn satterthwaite_with(&self, l: &Matrix, boundary: Boundary) -> Result<TestResult, MixedError> {
        let rows = self.rows_of(l)?;
        let p = self.layout.p;
        let count = rows.len();
        let (adjustment, w) = self.observed(boundary)?;
        let f = self.f_of(&rows, &adjustment.covariance)?;
        let df = if count == 1 {
            satterthwaite_df(adjustment, &w, &rows[0], p)
        } else {
            let spread = spread_of(&rows, &adjustment.covariance);
            let (_, vectors) = eigen(&spread, count);
            let each: Vec<f64> = vectors
                .chunks_exact(count)
                .map(|vector| {
                    let row: Vec<f64> = (0..p)
                        .map(|j| rows.iter().zip(vector).map(|(row, v)| row[j] * v).sum())
                        .collect();
                    satterthwaite_df(adjustment, &w, &row, p)
                })
                .collect();
            pool_df(&each)
        };
        let numerator_df = count as f64;
        Ok(TestResult {
            f,
            numerator_df,
            denominator_df: df,
            scaling: 1.0,
            p: f_upper(f, numerator_df, df),
        })
    }

    /// Estimates c'β; `c` has length p. Components at zero are kept in the count of degrees of freedom.
    ///
    /// # Errors
    ///
    /// `Contrast` for a wrong length or only zeros, `NeedsReml` for Kenward–Roger on a maximum-likelihood fit.
    pub fn contrast(&self, c: &[f64], method: DfMethod) -> Result<Estimate, MixedError> {
        self.contrast_with(c, method, Boundary::Keep)
    }

    /// As [`MixedFit::contrast`], with the rule for components at zero named.
    ///
    /// # Errors
    ///
    /// The same.
    pub fn contrast_with(&self, c: &[f64], method: DfMethod, boundary: Boundary) -> Result<Estimate, MixedError> {
        let p = self.layout.p;
        if c.len() != p || c.iter().any(|value| !value.is_finite()) || c.iter().all(|value| *value == 0.0) {
            return Err(MixedError::Contrast);
        }
        let row = self.layout.contrast_to_q(c);
        let (variance, df) = match method {
            DfMethod::KenwardRoger => {
                let (adjustment, w) = self.expected(boundary)?;
                let adjusted = adjusted_covariance(adjustment, &w, p);
                let (a1, a2) = moments(adjustment, &w, &row, 1, p)?;
                (form(&adjusted, &row, &row), match_f(1.0, a1, a2).0)
            }
            DfMethod::Satterthwaite => {
                let (adjustment, w) = self.observed(boundary)?;
                (
                    form(&adjustment.covariance, &row, &row),
                    satterthwaite_df(adjustment, &w, &row, p),
                )
            }
        };
        Ok(Estimate {
            value: dot(c, &self.coefficients),
            standard_error: (variance * self.residual_variance()).sqrt(),
            df,
        })
    }

    /// Kenward and Roger's adjusted covariance of β, p × p.
    ///
    /// # Errors
    ///
    /// `NeedsReml` for a fit by maximum likelihood.
    pub fn adjusted_covariance(&self, boundary: Boundary) -> Result<Matrix, MixedError> {
        let p = self.layout.p;
        let (adjustment, w) = self.expected(boundary)?;
        let adjusted = adjusted_covariance(adjustment, &w, p);
        Ok(to_matrix(&back(&self.layout, &adjusted), p, self.residual_variance()))
    }

    /// The pieces at the estimates, worked out at the first call; derivatives include the residual.
    fn pieces(&self) -> Result<&(Adjustment, Derivatives), MixedError> {
        if let Some(pieces) = self.adjustment.get() {
            return Ok(pieces);
        }
        let layout = &self.layout;
        let point = Point::new(layout, &self.response, &self.gamma).ok_or(MixedError::NotConverged)?;
        let degrees = super::criterion::degrees(layout, self.method);
        let derivatives =
            point
                .derivatives(layout, &self.response, self.method)
                .with_residual(&self.gamma, point.rss, degrees);
        Ok(self
            .adjustment
            .get_or_init(|| (point.adjustment(layout, &self.gamma), derivatives)))
    }

    /// Parameters that count under a boundary rule. A correlation of ±1 cannot be dropped on its own.
    fn counted(&self, boundary: Boundary) -> Vec<usize> {
        (0..self.components.len())
            .filter(|&index| {
                let component = &self.components[index];
                let covariance_of_zero = component.part == Part::Covariance
                    && [index.wrapping_sub(1), index + 1]
                        .iter()
                        .any(|&at| self.components.get(at).is_some_and(|neighbour| neighbour.value == 0.0));
                boundary == Boundary::Keep
                    || !((component.boundary && component.part != Part::Covariance) || covariance_of_zero)
            })
            .collect()
    }

    /// W from the expected information, in units of σ² = 1.
    fn expected(&self, boundary: Boundary) -> Result<(&Adjustment, Weights), MixedError> {
        if self.method != Method::Reml {
            return Err(MixedError::NeedsReml);
        }
        let (adjustment, derivatives) = self.pieces()?;
        let counted = self.counted(boundary);
        let size = derivatives.trace.len();
        let information = |i: usize, j: usize| 0.5 * derivatives.traces[i * size + j];
        Weights::new(counted, information)
            .map(|w| (adjustment, w))
            .ok_or(MixedError::NotConverged)
    }

    /// W from the observed information; on the boundary, or where that is not positive definite, from the expected.
    fn observed(&self, boundary: Boundary) -> Result<(&Adjustment, Weights), MixedError> {
        let (adjustment, derivatives) = self.pieces()?;
        let counted = self.counted(boundary);
        let size = derivatives.trace.len();
        let expected = |i: usize, j: usize| 0.5 * derivatives.traces[i * size + j];
        let observed = |i: usize, j: usize| derivatives.forms[i * size + j] / self.residual - expected(i, j);
        let stationary = !counted.iter().any(|&index| self.components[index].boundary);
        stationary
            .then(|| Weights::new(counted.clone(), observed))
            .flatten()
            .or_else(|| Weights::new(counted, expected))
            .map(|w| (adjustment, w))
            .ok_or(MixedError::NotConverged)
    }

    /// Contrast rows in the basis Q.
    fn rows_of(&self, l: &Matrix) -> Result<Vec<Vec<f64>>, MixedError> {
        let p = self.layout.p;
        if l.cols() != p || l.rows() == 0 || l.rows() > p {
            return Err(MixedError::Contrast);
        }
        let rows: Vec<Vec<f64>> = (0..l.rows()).map(|i| (0..p).map(|j| l[(i, j)]).collect()).collect();
        if rows.iter().flatten().any(|value| !value.is_finite()) {
            return Err(MixedError::Contrast);
        }
        Ok(rows.iter().map(|row| self.layout.contrast_to_q(row)).collect())
    }

    /// β'L'(L B L')⁻¹Lβ / ℓ for a covariance B with σ² = 1.
    fn f_of(&self, rows: &[Vec<f64>], b: &[f64]) -> Result<f64, MixedError> {
        let count = rows.len();
        let mut spread = spread_of(rows, b);
        let sizes: Vec<f64> = (0..count).map(|i| spread[i * count + i].sqrt()).collect();
        let mut d: Vec<f64> = rows.iter().map(|row| dot(row, &self.in_q)).collect();
        for i in 0..count {
            d[i] /= sizes[i];
            for j in 0..count {
                spread[i * count + j] /= sizes[i] * sizes[j];
            }
        }
        cholesky(&mut spread, count).ok_or(MixedError::Contrast)?;
        if (0..count).any(|i| spread[i * count + i] < 1e-6) {
            return Err(MixedError::Contrast);
        }
        solve_lower(&spread, count, &mut d);
        Ok(dot(&d, &d) / (count as f64 * self.residual))
    }
}

/// W over the parameters that count.
struct Weights {
    counted: Vec<usize>,
    w: Vec<f64>,
}

impl Weights {
    fn new(counted: Vec<usize>, information: impl Fn(usize, usize) -> f64) -> Option<Self> {
        let size = counted.len();
        let sizes: Vec<f64> = counted.iter().map(|&i| information(i, i).abs().sqrt()).collect();
        let mut matrix = vec![0.0; size * size];
        for (a, &i) in counted.iter().enumerate() {
            for (b, &j) in counted.iter().enumerate() {
                matrix[a * size + b] = information(i, j) / (sizes[a] * sizes[b]);
            }
        }
        cholesky(&mut matrix, size)?;
        let mut w = inverse(&matrix, size, size);
        for a in 0..size {
            for b in 0..size {
                w[a * size + b] /= sizes[a] * sizes[b];
            }
        }
        Some(Self { counted, w })
    }

    /// Each pair of counted parameters with its entry of W.
    fn pairs(&self) -> impl Iterator<Item = (usize, usize, f64)> {
        let size = self.counted.len();
        (0..size).flat_map(move |a| (0..size).map(move |b| (self.counted[a], self.counted[b], self.w[a * size + b])))
    }
}

/// L B L'.
fn spread_of(rows: &[Vec<f64>], b: &[f64]) -> Vec<f64> {
    rows.iter()
        .flat_map(|row| {
            let image = times(b, row);
            rows.iter().map(move |other| dot(other, &image)).collect::<Vec<f64>>()
        })
        .collect()
}

/// `Φ_A` = Φ + 2Φ[Σ Wᵢⱼ(Qᵢⱼ − `PᵢΦPⱼ`)]Φ, where Qᵢⱼ − `PᵢΦPⱼ` = Q'H⁻¹Gᵢ P GⱼH⁻¹Q.
fn adjusted_covariance(adjustment: &Adjustment, w: &Weights, p: usize) -> Vec<f64> {
    let size = adjustment.first.len();
    let mut middle = vec![0.0; p * p];
    for (i, j, weight) in w.pairs() {
        super::dense::add_scaled(&mut middle, weight, &adjustment.second[i * size + j]);
    }
    let left = product(&adjustment.covariance, &middle, p, p, p);
    let extra = product(&left, &adjustment.covariance, p, p, p);
    let mut result = adjustment.covariance.clone();
    for i in 0..p {
        for j in 0..p {
            result[i * p + j] += extra[i * p + j] + extra[j * p + i];
        }
    }
    result
}

/// A₁ and A₂ of Kenward and Roger.
fn moments(
    adjustment: &Adjustment,
    w: &Weights,
    rows: &[f64],
    count: usize,
    p: usize,
) -> Result<(f64, f64), MixedError> {
    // With LΦL' = CC', tr(ΘΦPᵢΦ) is the trace of Sᵢ = C⁻¹ LΦPᵢΦL' C⁻ᵀ, and so on for products.
    let image = product(rows, &adjustment.covariance, count, p, p);
    let mut spread = vec![0.0; count * count];
    for i in 0..count {
        for j in 0..count {
            spread[i * count + j] = dot(&image[i * p..(i + 1) * p], &rows[j * p..(j + 1) * p]);
        }
    }
    cholesky(&mut spread, count).ok_or(MixedError::Contrast)?;
    let traces: Vec<Vec<f64>> = adjustment
        .first
        .iter()
        .map(|first| {
            let half = product(&image, first, count, p, p);
            let mut s = vec![0.0; count * count];
            for i in 0..count {
                for j in 0..count {
                    s[i * count + j] = dot(&half[i * p..(i + 1) * p], &image[j * p..(j + 1) * p]);
                }
            }
            for row in s.chunks_exact_mut(count) {
                solve(&spread, count, row);
            }
            s
        })
        .collect();
    let (mut a1, mut a2) = (0.0, 0.0);
    let trace = |s: &[f64]| (0..count).map(|i| s[i * count + i]).sum::<f64>();
    for (i, j, weight) in w.pairs() {
        let (s, t) = (&traces[i], &traces[j]);
        a1 += weight * trace(s) * trace(t);
        let cross: f64 = (0..count)
            .map(|a| (0..count).map(|b| s[a * count + b] * t[b * count + a]).sum::<f64>())
            .sum();
        a2 += weight * cross;
    }
    Ok((a1, a2))
}

/// Denominator df m and scaling λ of Kenward and Roger from ℓ, A₁, A₂.
///
/// For ℓ = 1 their formulas reduce to m = 2/A₂, λ = 1. For ℓ > 1 they divide zero by zero at m = 2; there the ratio
/// and λ are taken as 1. If m or λ is not positive, m = 2ℓ/A₂ (the mean of F alone) and λ = 1.
fn match_f(l: f64, a1: f64, a2: f64) -> (f64, f64) {
    if a2.is_nan() || a2 <= 1e-14 {
        return (f64::INFINITY, 1.0);
    }
    if l == 1.0 {
        return (2.0 / a2, 1.0);
    }
    let b = (a1 + 6.0 * a2) / (2.0 * l);
    let g = ((l + 1.0) * a1 - (l + 4.0) * a2) / ((l + 2.0) * a2);
    let d = 3.0 * l + 2.0 * (1.0 - g);
    let (c1, c2, c3) = (g / d, (l - g) / d, (l + 2.0 - g) / d);
    let mean = 1.0 - a2 / l;
    let root = 1.0 - c2 * b;
    let ratio = if mean.abs() < 1e-9 && root.abs() < 1e-9 {
        1.0
    } else {
        mean / root
    };
    let rho = ratio * ratio * (1.0 + c1 * b) / (l * (1.0 - c3 * b));
    let m = 4.0 + (l + 2.0) / (l * rho - 1.0);
    let scaling = if (m - 2.0).abs() < 1e-6 {
        1.0
    } else {
        m * mean / (m - 2.0)
    };
    if m > 0.0 && scaling > 0.0 && m.is_finite() && scaling.is_finite() {
        (m, scaling)
    } else if m.is_infinite() || (l * rho - 1.0).abs() < 1e-12 {
        (f64::INFINITY, 1.0)
    } else {
        (2.0 * l / a2, 1.0)
    }
}

/// ν = 2(c'Φc)² / g'Wg with g = c'ΦQ'H⁻¹GᵢH⁻¹QΦc.
fn satterthwaite_df(adjustment: &Adjustment, w: &Weights, row: &[f64], p: usize) -> f64 {
    let image = times(&adjustment.covariance, row);
    let variance = dot(&image, row);
    let slopes: Vec<f64> = adjustment
        .first
        .iter()
        .map(|first| if p == 0 { 0.0 } else { form(first, &image, &image) })
        .collect();
    let spread: f64 = w.pairs().map(|(i, j, weight)| weight * slopes[i] * slopes[j]).sum();
    if spread > 0.0 {
        2.0 * variance * variance / spread
    } else {
        f64::INFINITY
    }
}

/// One df for an F from those of its independent t's.
fn pool_df(each: &[f64]) -> f64 {
    let count = each.len() as f64;
    let low = each.iter().copied().fold(f64::INFINITY, f64::min);
    let high = each.iter().copied().fold(0.0, f64::max);
    if high - low < 1e-8 * high || low == high {
        return each.iter().sum::<f64>() / count;
    }
    let mean: f64 = each
        .iter()
        .filter(|&&df| df > 2.0)
        .map(|&df| if df.is_infinite() { 1.0 } else { df / (df - 2.0) })
        .sum();
    if mean > count { 2.0 * mean / (mean - count) } else { 2.0 }
}
