//! The deviance as a function of the parameters the search moves, in its two forms.
//!
//! In:  a layout, a response, a method.
//! Out: objectives for `minimise`: `Profiled` (variance ratios γ, residual variance maximised out) and `Full`
//!      (the variances themselves, any of which may be held: what a likelihood profile needs).
//!
//! Variances enter as they are, so that the slope at zero says whether a component belongs there. A correlated
//! pair (g₁₁, g₁₂, g₂₂) enters as (s, ρ, d) with g₁₁ = s, g₁₂ = sρ, g₂₂ = sρ² + d: then s ≥ 0 and d ≥ 0 are the
//! only bounds and a covariance matrix of rank one lies on d = 0. Where g₁₁ is near zero that form is singular (ρ runs
//! away); a flipped pair has the roles of g₁₁ and g₂₂ exchanged. The pivot keeps its place in the list of parameters.
//! Bates et al. (2015), J. Stat. Softw. 67(1), section 3 for the profiled criterion.

use super::derivatives::Derivatives;
use super::evaluate::Point;
use super::layout::{Layout, Parameter, Response};
use super::minimise::{Bound, Local, Objective};
use super::problem::Method;

/// What both forms share: what the likelihood is of, the form of the pairs, and the point looked at last.
struct Subject<'a> {
    layout: &'a Layout,
    response: &'a Response,
    method: Method,
    flips: Flips,
    /// The last point at which the value alone was asked for: a search asks for the derivatives there next.
    last: Option<(Vec<f64>, Point)>,
}

impl<'a> Subject<'a> {
    fn new(layout: &'a Layout, response: &'a Response, method: Method, flips: Flips) -> Self {
        Self {
            layout,
            response,
            method,
            flips,
            last: None,
        }
    }

    fn linear(&self, at: &[f64]) -> Vec<f64> {
        to_linear(self.layout, &self.flips, at)
    }

    /// The value of a new point, which is kept.
    fn value(&mut self, at: &[f64], gamma: &[f64], of: impl Fn(&Point) -> f64) -> Option<f64> {
        let point = Point::new(self.layout, self.response, gamma)?;
        let value = of(&point);
        self.last = Some((at.to_vec(), point));
        Some(value).filter(|value| value.is_finite())
    }

    /// The point kept, if it is this one; else a new one.
    fn point(&mut self, at: &[f64], gamma: &[f64]) -> Option<Point> {
        match self.last.take() {
            Some((held, point)) if held == at => Some(point),
            _ => Point::new(self.layout, self.response, gamma),
        }
    }

    /// Derivatives in the parameters of the search.
    fn chained(&self, at: &[f64], local: Local) -> Option<Local> {
        Some(chain(self.layout, &self.flips, at, local)).filter(|local| local.value.is_finite())
    }
}

/// −2 log likelihood with the residual variance at its best for each γ.
pub(super) struct Profiled<'a>(Subject<'a>);

/// −2 log likelihood in the variances; the residual variance comes last.
pub(super) struct Full<'a>(Subject<'a>);

/// n − p, or n by maximum likelihood.
pub(super) fn degrees(layout: &Layout, method: Method) -> f64 {
    match method {
        Method::Reml => (layout.n - layout.p) as f64,
        Method::MaximumLikelihood => layout.n as f64,
    }
}

/// −2 log likelihood, every constant kept, of the scaled response.
pub(super) fn deviance(layout: &Layout, method: Method, point: &Point, residual: f64) -> f64 {
    let degrees = degrees(layout, method);
    let determinant = match method {
        Method::Reml => point.log_h + point.log_x + layout.log_upper(),
        Method::MaximumLikelihood => point.log_h,
    };
    degrees * (std::f64::consts::TAU * residual).ln() + determinant - layout.log_weights + point.rss / residual
}

/// Bounds of the parameters of a layout, without the residual.
pub(super) fn bounds(layout: &Layout) -> Vec<Bound> {
    layout
        .parameters
        .iter()
        .map(|parameter| match parameter {
            Parameter::Variance { .. } => Bound::NotNegative,
            Parameter::Covariance { .. } => Bound::Free,
        })
        .collect()
}

/// Which pairs are flipped: one entry a parameter, of which those of covariances count.
pub(super) type Flips = Vec<bool>;

/// Each pair's places: pivot, covariance, other.
fn places<'a>(layout: &'a Layout, flips: &'a [bool]) -> impl Iterator<Item = (usize, usize, usize)> + 'a {
    layout
        .parameters
        .iter()
        .enumerate()
        .filter_map(|(index, parameter)| match parameter {
            Parameter::Covariance { .. } if flips[index] => Some((index + 1, index, index - 1)),
            Parameter::Covariance { .. } => Some((index - 1, index, index + 1)),
            Parameter::Variance { .. } => None,
        })
}

/// Flips that put the larger standardized variance of each pair in the pivot.
pub(super) fn flips_for(layout: &Layout, linear: &[f64]) -> Flips {
    let mass = |index: usize| match layout.parameters[index] {
        Parameter::Variance { block } => layout.mass[block],
        Parameter::Covariance { .. } => 0.0,
    };
    layout
        .parameters
        .iter()
        .enumerate()
        .map(|(index, parameter)| {
            matches!(parameter, Parameter::Covariance { .. })
                && linear[index + 1] * mass(index + 1) > linear[index - 1] * mass(index - 1)
        })
        .collect()
}

/// True if some pair has a pivot of zero beside a variance that is not: a corner of the form, not of the model.
pub(super) fn cornered(layout: &Layout, flips: &[bool], at: &[f64]) -> bool {
    places(layout, flips).any(|(pivot, _, other)| at[pivot] == 0.0 && at[other] > 0.0)
}

/// True if the pair of this covariance lies on the boundary of correlations.
pub(super) fn rank_one(layout: &Layout, flips: &[bool], at: &[f64], covariance: usize) -> bool {
    places(layout, flips).any(|(pivot, index, other)| index == covariance && at[pivot] > 0.0 && at[other] <= 0.0)
}

/// The linear parameters (variances and covariances) from those of the search.
pub(super) fn to_linear(layout: &Layout, flips: &[bool], at: &[f64]) -> Vec<f64> {
    let mut linear = at.to_vec();
    for (pivot, covariance, other) in places(layout, flips) {
        let (s, rho, d) = (at[pivot], at[covariance], at[other]);
        linear[covariance] = s * rho;
        linear[other] = s * rho * rho + d;
    }
    linear
}

/// The parameters of the search from the linear ones.
pub(super) fn from_linear(layout: &Layout, flips: &[bool], linear: &[f64]) -> Vec<f64> {
    let mut at = linear.to_vec();
    for (pivot, covariance, other) in places(layout, flips) {
        let (s, c, whole) = (linear[pivot], linear[covariance], linear[other]);
        at[covariance] = if s > 0.0 { c / s } else { 0.0 };
        let rest = if s > 0.0 { whole - c * c / s } else { whole };
        // What rounding leaves of a matrix of rank one is zero.
        at[other] = if rest > 1e-14 * whole { rest } else { 0.0 };
    }
    at
}

/// Derivatives in the parameters of the search from those in the linear ones.
fn chain(layout: &Layout, flips: &[bool], at: &[f64], local: Local) -> Local {
    if places(layout, flips).next().is_none() {
        return local;
    }
    let n = at.len();
    let mut jacobian = vec![0.0; n * n];
    for i in 0..n {
        jacobian[i * n + i] = 1.0;
    }
    let mut bend = vec![0.0; n * n];
    let mut idle = Vec::new();
    for (one, two, three) in places(layout, flips) {
        let (s, rho) = (at[one], at[two]);
        jacobian[two * n + one] = rho;
        jacobian[two * n + two] = s;
        jacobian[three * n + one] = rho * rho;
        jacobian[three * n + two] = 2.0 * s * rho;
        let mixed = local.gradient[two] + 2.0 * rho * local.gradient[three];
        bend[one * n + two] = mixed;
        bend[two * n + one] = mixed;
        bend[two * n + two] = 2.0 * s * local.gradient[three];
        if s == 0.0 {
            idle.push(two);
        }
    }
    let through = |h: &[f64]| {
        let left = super::dense::product_transposed(&jacobian, h, n, n, n);
        super::dense::product(&left, &jacobian, n, n, n)
    };
    let mut hessian = through(&local.hessian);
    let mut average = through(&local.average);
    for (value, extra) in hessian.iter_mut().zip(&bend) {
        *value += extra;
    }
    let mut gradient = super::dense::product_transposed(&jacobian, &local.gradient, n, n, 1);
    // With s at zero the direction ρ has no effect.
    for i in idle {
        for matrix in [&mut hessian, &mut average] {
            for j in 0..n {
                matrix[i * n + j] = 0.0;
                matrix[j * n + i] = 0.0;
            }
            matrix[i * n + i] = 1.0;
        }
        gradient[i] = 0.0;
    }
    Local {
        value: local.value,
        gradient,
        hessian,
        average,
    }
}

impl<'a> Profiled<'a> {
    pub(super) fn new(layout: &'a Layout, response: &'a Response, method: Method, flips: Flips) -> Self {
        Self(Subject::new(layout, response, method, flips))
    }

    /// Value and derivatives in the linear parameters.
    pub(super) fn linear(&self, gamma: &[f64]) -> Option<(Point, Derivatives, Local)> {
        let point = Point::new(self.0.layout, self.0.response, gamma)?;
        let (pieces, local) = self.linear_at(gamma, &point);
        Some((point, pieces, local))
    }

    fn linear_at(&self, gamma: &[f64], point: &Point) -> (Derivatives, Local) {
        let Subject {
            layout,
            response,
            method,
            ..
        } = self.0;
        let pieces = point.derivatives(layout, response, method);
        let count = gamma.len();
        let ratio = degrees(layout, method) / point.rss;
        let gradient = (0..count).map(|i| pieces.trace[i] - ratio * pieces.form[i]).collect();
        let mut hessian = vec![0.0; count * count];
        let mut average = vec![0.0; count * count];
        for i in 0..count {
            for j in 0..count {
                let at = i * count + j;
                let product = ratio * pieces.form[i] * pieces.form[j] / point.rss;
                hessian[at] = -pieces.traces[at] + 2.0 * ratio * pieces.forms[at] - product;
                average[at] = ratio * pieces.forms[at] - product;
            }
        }
        let local = Local {
            value: profiled(layout, method, point),
            gradient,
            hessian,
            average,
        };
        (pieces, local)
    }
}

/// The deviance where the residual variance is at its best.
fn profiled(layout: &Layout, method: Method, point: &Point) -> f64 {
    deviance(layout, method, point, point.rss / degrees(layout, method))
}

impl Objective for Profiled<'_> {
    fn value(&mut self, at: &[f64]) -> Option<f64> {
        let (layout, method) = (self.0.layout, self.0.method);
        let gamma = self.0.linear(at);
        self.0.value(at, &gamma, |point| profiled(layout, method, point))
    }

    fn local(&mut self, at: &[f64]) -> Option<Local> {
        let gamma = self.0.linear(at);
        let point = self.0.point(at, &gamma)?;
        let (_, local) = self.linear_at(&gamma, &point);
        self.0.chained(at, local)
    }
}

impl<'a> Full<'a> {
    pub(super) fn new(layout: &'a Layout, response: &'a Response, method: Method, flips: Flips) -> Self {
        Self(Subject::new(layout, response, method, flips))
    }

    /// γ from variances.
    fn ratios(&self, at: &[f64]) -> Option<(Vec<f64>, f64)> {
        let count = self.0.layout.parameters.len();
        let residual = at[count];
        if !(residual > 0.0 && residual.is_finite()) {
            return None;
        }
        let linear = self.0.linear(at);
        Some((linear[..count].iter().map(|value| value / residual).collect(), residual))
    }
}

impl Objective for Full<'_> {
    fn value(&mut self, at: &[f64]) -> Option<f64> {
        let (gamma, residual) = self.ratios(at)?;
        let (layout, method) = (self.0.layout, self.0.method);
        self.0
            .value(at, &gamma, |point| deviance(layout, method, point, residual))
    }

    fn local(&mut self, at: &[f64]) -> Option<Local> {
        let (gamma, residual) = self.ratios(at)?;
        let point = self.0.point(at, &gamma)?;
        let (layout, method) = (self.0.layout, self.0.method);
        let pieces = point.derivatives(layout, self.0.response, method).with_residual(
            &gamma,
            point.rss,
            degrees(layout, method),
        );
        let size = at.len();
        let square = residual * residual;
        let gradient = (0..size)
            .map(|i| (pieces.trace[i] - pieces.form[i] / residual) / residual)
            .collect();
        let hessian = pieces
            .traces
            .iter()
            .zip(&pieces.forms)
            .map(|(t, f)| (2.0 * f / residual - t) / square)
            .collect();
        let average = pieces.forms.iter().map(|f| f / residual / square).collect();
        let local = Local {
            value: deviance(layout, method, &point, residual),
            gradient,
            hessian,
            average,
        };
        self.0.chained(at, local)
    }
}
