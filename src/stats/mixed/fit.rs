//! Fits a mixed model: picks starts, searches, and gathers what was found.
//!
//! In:  a `MixedProblem`, or a `Prepared` layout and a response vector.
//! Out: a `MixedFit`, or a `MixedError`. A component at zero is a finding, not an error: it is flagged.
//!
//! Starts: one step of restricted scoring from γ = 1 / (rows a level), which is the exact answer in balanced layouts
//! with no component at zero (Searle, Casella & `McCulloch` 1992, section 6.6), and, because the criterion of a small
//! unbalanced layout can have several minima, searches from large and small ratios in combination; the lowest wins.
//! Never here: random numbers, the choice between models.

use std::sync::{Arc, OnceLock};

use super::adjustment::Adjustment;
use super::criterion::{
    Flips, Profiled, bounds, cornered, degrees, deviance, flips_for, from_linear, rank_one, to_linear,
};
use super::dense::{cholesky, product, solve};
use super::derivatives::Derivatives;
use super::evaluate::Point;
use super::layout::{Layout, Parameter, Part, Response};
use super::minimise::{Optimum, minimise};
use super::prepare::Prepared;
use super::problem::{Method, MixedError, MixedProblem};
use crate::numeric::Matrix;

/// Work of one evaluation (multiplications) up to which several starts are always tried.
const CHEAP: usize = 200_000;
/// Criterion differences below this are the same optimum.
const SAME: f64 = 1e-9;

/// One parameter of the covariance structure, as estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Term it belongs to, from 0; `None` for the residual.
    pub term: Option<usize>,
    /// Which quantity of that term.
    pub part: Part,
    /// The estimate: a variance (≥ 0) or a covariance, in squared units of the response (for slopes per squared unit
    /// of the column).
    pub value: f64,
    /// True if the estimate lies on the boundary: a variance of zero, or a correlation of −1 or 1.
    pub boundary: bool,
}

impl Component {
    /// Standard deviation; NaN for a covariance.
    pub fn standard_deviation(&self) -> f64 {
        if self.part == Part::Covariance {
            f64::NAN
        } else {
            self.value.sqrt()
        }
    }
}

/// Predicted effects of one term: one value a group.
#[derive(Debug, Clone, PartialEq)]
pub struct Predicted {
    /// Term from 0.
    pub term: usize,
    /// Shifts or slopes.
    pub part: Part,
    /// Best linear unbiased predictions at the estimated variances, in units of the response (or per unit of the
    /// column), length `levels`.
    pub values: Vec<f64>,
}

/// A fitted mixed model.
#[derive(Debug, Clone)]
pub struct MixedFit {
    /// The likelihood maximised.
    pub method: Method,
    /// β, length p.
    pub coefficients: Vec<f64>,
    /// Covariance of β at the estimated variances, p × p; not adjusted for their being estimated.
    pub covariance: Matrix,
    /// Variances and covariances, in the order of terms (shift, covariance, slope in a pair), the residual last.
    pub components: Vec<Component>,
    /// −2 × log likelihood (restricted or full), every constant kept; by REML it depends on the coding of X.
    pub criterion: f64,
    /// Steps of the search that won.
    pub iterations: usize,
    /// Searches made.
    pub starts: usize,
    /// Largest relative difference between the two sides of the score equations of the components inside the
    /// boundary: |tr(PGᵢ) − y'PGᵢPy/σ²| / tr(PGᵢ).
    pub score_error: f64,
    /// True if some component is on the boundary.
    pub singular: bool,
    /// Predicted effects, in the order of the variances in `components`.
    pub predicted: Vec<Predicted>,
    pub(super) layout: Arc<Layout>,
    pub(super) response: Response,
    /// Ratios of the parameters to the residual variance.
    pub(super) gamma: Vec<f64>,
    /// β in the basis Q, of the scaled response.
    pub(super) in_q: Vec<f64>,
    /// Residual variance of the scaled response.
    pub(super) residual: f64,
    pub(super) adjustment: OnceLock<(Adjustment, Derivatives)>,
}

/// Fits a problem from scratch.
///
/// # Errors
///
/// See [`Prepared::new`] and [`Prepared::fit`].
pub fn fit(problem: &MixedProblem, method: Method) -> Result<MixedFit, MixedError> {
    Prepared::new(&problem.x, &problem.terms, problem.weights.as_deref())?.fit(&problem.y, method)
}

impl Prepared {
    /// Fits one response vector of length n.
    ///
    /// # Errors
    ///
    /// A wrong length, numbers that are not finite, readings that the fixed effects reproduce exactly
    /// (`ExactFit`, also when the random terms leave no residual), or a search that did not converge.
    pub fn fit(&self, y: &[f64], method: Method) -> Result<MixedFit, MixedError> {
        let layout = &self.layout;
        let response = layout.response(y)?;
        let (best, starts) = search(layout, &response, method)?;
        finish(layout, response, method, &best, starts)
    }
}

impl Prepared {
    /// Fits one response vector by a single search from given ratios of the components to the residual variance, in
    /// the order of [`MixedFit::components`]: to look for other optima, or to start from a fit nearby.
    ///
    /// # Errors
    ///
    /// As [`Prepared::fit`]; `NoSuchComponent` if `ratios` has the wrong length or holds a covariance structure that
    /// is not one.
    pub fn fit_from(&self, y: &[f64], method: Method, ratios: &[f64]) -> Result<MixedFit, MixedError> {
        let layout = &self.layout;
        let response = layout.response(y)?;
        if ratios.len() != layout.parameters.len() || Point::new(layout, &response, ratios).is_none() {
            return Err(MixedError::NoSuchComponent);
        }
        let found = one_search(layout, &response, method, ratios, &[]).filter(|found| found.optimum.converged);
        finish(layout, response, method, &found.ok_or(MixedError::NotConverged)?, 1)
    }
}

/// A search's end, with the form of the pairs it was made in.
struct Found {
    optimum: Optimum,
    flips: Flips,
}

impl Found {
    fn linear(&self, layout: &Layout) -> Vec<f64> {
        to_linear(layout, &self.flips, &self.optimum.at)
    }

    /// Lower, or as low and solved.
    fn better(&self, held: &Found) -> bool {
        let (found, held) = (&self.optimum, &held.optimum);
        let gain = held.local.value - found.local.value;
        gain > SAME || (gain > -SAME && found.converged && (!held.converged || found.decrement < 1e-6 * held.decrement))
    }
}

/// One search from linear parameters; where it ends in a corner of the form of a pair, it goes on in the other form.
fn one_search(
    layout: &Layout,
    response: &Response,
    method: Method,
    linear: &[f64],
    known: &[Vec<f64>],
) -> Option<Found> {
    let bounds = bounds(layout);
    let mut linear = linear.to_vec();
    let mut best: Option<Found> = None;
    for _ in 0..4 {
        let flips = flips_for(layout, &linear);
        let start = from_linear(layout, &flips, &linear);
        let mut objective = Profiled::new(layout, response, method, flips.clone());
        let Some(optimum) = minimise(&mut objective, &start, &bounds, known) else {
            break;
        };
        let found = Found { optimum, flips };
        linear = found.linear(layout);
        let done = found.optimum.converged && !cornered(layout, &found.flips, &found.optimum.at);
        if best.as_ref().is_none_or(|held| found.better(held)) {
            best = Some(found);
        }
        if done
            || best
                .as_ref()
                .is_some_and(|held| flips_for(layout, &linear) == held.flips)
        {
            break;
        }
    }
    best
}

/// The best optimum over the starts, and how many were tried.
fn search(layout: &Layout, response: &Response, method: Method) -> Result<(Found, usize), MixedError> {
    let mut best: Option<Found> = None;
    let mut tried = 0;
    // Optima found; pairs have two forms, in which the same point has other numbers, so for them none are listed.
    let mut known: Vec<Vec<f64>> = Vec::new();
    let pairs = layout.blocks.iter().any(|block| block.paired);
    let mut consider = |linear: &[f64], best: &mut Option<Found>| {
        tried += 1;
        if let Some(found) = one_search(layout, response, method, linear, &known) {
            if !pairs && found.optimum.converged {
                known.push(found.optimum.at.clone());
            }
            if best.as_ref().is_none_or(|held| found.better(held)) {
                *best = Some(found);
            }
        }
    };
    consider(&scoring_start(layout, response, method), &mut best);
    let levels = layout.big.as_ref().map_or(0, |big| big.diagonal.len());
    let cheap = (levels + layout.r) * layout.r * layout.r <= CHEAP;
    let doubtful = best
        .as_ref()
        .is_none_or(|found| !found.optimum.converged || at_zero(layout, &found.optimum.at));
    if cheap || doubtful {
        for start in corner_starts(layout) {
            consider(&start, &mut best);
        }
        for start in best
            .as_ref()
            .map_or_else(Vec::new, |found| swapped(layout, &found.linear(layout)))
        {
            consider(&start, &mut best);
        }
    }
    if let Some(start) = best
        .as_ref()
        .and_then(|found| leave_zero(layout, response, method, &found.linear(layout)))
    {
        consider(&start, &mut best);
    }
    match best {
        Some(found) if found.optimum.converged => Ok((found, tried)),
        Some(found) if vanishing(layout, response, &found.linear(layout)) => Err(MixedError::ExactFit),
        Some(_) => Err(MixedError::NotConverged),
        None => Err(MixedError::ExactFit),
    }
}

/// The residual variance has run away towards zero: fixed and random terms together can reproduce every reading.
fn vanishing(layout: &Layout, response: &Response, gamma: &[f64]) -> bool {
    Point::new(layout, response, gamma).is_none_or(|point| point.rss < 1e-6 * response.square)
}

fn at_zero(layout: &Layout, at: &[f64]) -> bool {
    layout
        .parameters
        .iter()
        .zip(at)
        .any(|(parameter, value)| matches!(parameter, Parameter::Variance { .. }) && *value == 0.0)
}

/// Large and small ratios of each component, in all combinations while these are few, else all at once and each alone.
fn corner_starts(layout: &Layout) -> Vec<Vec<f64>> {
    const LARGE: f64 = 10.0;
    const SMALL: f64 = 0.05;
    let variances: Vec<usize> = (0..layout.parameters.len())
        .filter(|&index| matches!(layout.parameters[index], Parameter::Variance { .. }))
        .collect();
    let count = variances.len();
    let sets: Vec<u64> = match count {
        0 => Vec::new(),
        1..=3 => (0..1 << count).rev().collect(),
        4..64 => [(1 << count) - 1, 0]
            .into_iter()
            .chain((0..count).map(|place| 1 << place))
            .collect(),
        _ => vec![u64::MAX, 0],
    };
    let small = even_start(layout, SMALL);
    sets.into_iter()
        .map(|set| {
            let mut start = small.clone();
            for (place, &index) in variances.iter().enumerate() {
                if set >> place.min(63) & 1 == 1 {
                    start[index] *= LARGE / SMALL;
                }
            }
            start
        })
        .collect()
}

/// Starts after an optimum on the boundary: each component at zero raised, or another one taken to zero in its place;
/// and, if there are several, all of them large, where readings that the terms nearly explain hide a second optimum.
fn swapped(layout: &Layout, gamma: &[f64]) -> Vec<Vec<f64>> {
    let variances: Vec<usize> = (0..gamma.len())
        .filter(|&index| match layout.parameters[index] {
            Parameter::Variance { block } => !layout.blocks[block].paired,
            Parameter::Covariance { .. } => false,
        })
        .collect();
    let raised = even_start(layout, 3.0);
    let mut starts = Vec::new();
    for &zero in variances.iter().filter(|&&index| gamma[index] == 0.0) {
        for &other in &variances {
            let mut start = gamma.to_vec();
            if other != zero {
                if gamma[other] == 0.0 {
                    continue;
                }
                start[other] = 0.0;
            }
            start[zero] = raised[zero];
            starts.push(start);
        }
    }
    if variances.len() > 1 && !starts.is_empty() {
        starts.push(even_start(layout, 100.0));
    }
    starts
}

/// γ = ratio / (rows a level), uncorrelated.
fn even_start(layout: &Layout, ratio: f64) -> Vec<f64> {
    layout
        .parameters
        .iter()
        .map(|parameter| match *parameter {
            Parameter::Variance { block } => ratio / layout.mass[block].max(f64::MIN_POSITIVE),
            Parameter::Covariance { .. } => 0.0,
        })
        .collect()
}

/// One scoring step on the variances: Σⱼ tr(PGᵢPGⱼ) θⱼ = y'`PGᵢPy`, residual included; negative ones set to zero.
fn scoring_start(layout: &Layout, response: &Response, method: Method) -> Vec<f64> {
    let start = even_start(layout, 1.0);
    let gamma = start.clone();
    let objective = Profiled::new(layout, response, method, Flips::new());
    let Some((point, pieces, _)) = objective.linear(&gamma) else {
        return start;
    };
    let full = pieces.with_residual(&gamma, point.rss, degrees(layout, method));
    let size = full.trace.len();
    let mut matrix = full.traces;
    let mut theta = full.form;
    if cholesky(&mut matrix, size).is_none() {
        return start;
    }
    solve(&matrix, size, &mut theta);
    let residual = theta[size - 1];
    if residual.is_nan() || residual <= 0.0 {
        return start;
    }
    let mut linear: Vec<f64> = theta[..size - 1].iter().map(|value| value / residual).collect();
    for (index, parameter) in layout.parameters.iter().enumerate() {
        match parameter {
            Parameter::Variance { .. } => linear[index] = linear[index].max(0.0),
            Parameter::Covariance { .. } => {
                let (a, b) = (linear[index - 1].max(0.0), linear[index + 1].max(0.0));
                let most = 0.9 * (a * b).sqrt();
                linear[index] = linear[index].clamp(-most, most);
            }
        }
    }
    linear
}

/// A start beside a pair that is zero altogether, where a way leads down from there.
///
/// Along (s, sρ, sρ²) the criterion changes by s(g₁ + g₂ρ + g₃ρ²), lowest at ρ = −g₂ / 2g₃; along the axes alone it
/// may rise though it falls between them.
fn leave_zero(layout: &Layout, response: &Response, method: Method, gamma: &[f64]) -> Option<Vec<f64>> {
    let index = layout.parameters.iter().enumerate().position(|(index, parameter)| {
        matches!(parameter, Parameter::Covariance { .. }) && gamma[index - 1] == 0.0 && gamma[index + 1] == 0.0
    })?;
    let (_, _, local) = Profiled::new(layout, response, method, Flips::new()).linear(gamma)?;
    let g = &local.gradient[index - 1..=index + 1];
    if g[2] <= 0.0 || g[0] - g[1] * g[1] / (4.0 * g[2]) > -1e-7 {
        return None;
    }
    let Parameter::Variance { block } = layout.parameters[index - 1] else {
        return None;
    };
    let s = 0.01 / layout.mass[block].max(f64::MIN_POSITIVE);
    let rho = -g[1] / (2.0 * g[2]);
    let mut start = gamma.to_vec();
    start[index - 1..=index + 1].copy_from_slice(&[s, s * rho, s * rho * rho]);
    Some(start)
}

fn finish(
    layout: &Arc<Layout>,
    response: Response,
    method: Method,
    best: &Found,
    starts: usize,
) -> Result<MixedFit, MixedError> {
    let gamma = best.linear(layout);
    let (point, pieces, _) = Profiled::new(layout, &response, method, Flips::new())
        .linear(&gamma)
        .ok_or(MixedError::ExactFit)?;

    let degrees = degrees(layout, method);
    let residual = point.rss / degrees;
    let scale = response.scale;
    let square = scale * scale;
    let (p, z) = (layout.p, layout.z);

    let mut in_q = response.taken.clone();
    for (value, extra) in in_q.iter_mut().zip(&point.coefficients[z..]) {
        *value += scale * extra;
    }
    let coefficients = layout.to_x(&in_q);
    let covariance = to_matrix(&back(layout, &point.covariance(layout)), p, residual * square);

    let mut components = Vec::new();
    let mut score_error = 0.0_f64;
    for (index, parameter) in layout.parameters.iter().enumerate() {
        let (block, part, boundary) = match *parameter {
            Parameter::Variance { block } => (block, layout.blocks[block].part, gamma[index] <= 0.0),
            Parameter::Covariance { first, .. } => (
                first,
                Part::Covariance,
                rank_one(layout, &best.flips, &best.optimum.at, index),
            ),
        };
        let value = gamma[index] * residual * square;
        components.push(Component {
            term: Some(layout.blocks[block].term),
            part,
            value,
            boundary,
        });
        if part != Part::Covariance && !layout.blocks[block].paired && !boundary {
            let right = pieces.form[index] / residual;
            score_error = score_error.max(((pieces.trace[index] - right) / pieces.trace[index]).abs());
        }
    }
    components.push(Component {
        term: None,
        part: Part::Residual,
        value: residual * square,
        boundary: false,
    });
    let predicted = layout
        .blocks
        .iter()
        .zip(point.effects(layout, &response))
        .map(|(block, values)| Predicted {
            term: block.term,
            part: block.part,
            values: values.iter().map(|value| value * scale).collect(),
        })
        .collect();
    Ok(MixedFit {
        method,
        coefficients,
        covariance,
        criterion: deviance(layout, method, &point, residual) + 2.0 * degrees * scale.ln(),
        iterations: best.optimum.iterations,
        starts,
        score_error,
        singular: components.iter().any(|component| component.boundary),
        components,
        predicted,
        layout: Arc::clone(layout),
        response,
        gamma,
        in_q: in_q.iter().map(|value| value / scale).collect(),
        residual,
        adjustment: OnceLock::new(),
    })
}

impl MixedFit {
    /// Log likelihood (restricted by REML) at the estimates.
    pub fn log_likelihood(&self) -> f64 {
        -0.5 * self.criterion
    }

    /// Residual variance at weight 1.
    pub fn residual_variance(&self) -> f64 {
        self.residual * self.response.scale * self.response.scale
    }

    /// Variance of the shifts of a term (the first variance of the term), if there is such a term.
    pub fn variance(&self, term: usize) -> Option<f64> {
        self.components
            .iter()
            .find(|component| component.term == Some(term))
            .map(|component| component.value)
    }
}

/// R⁻¹ B R⁻ᵀ: a covariance of coefficients of X from one of coefficients of Q.
pub(super) fn back(layout: &Layout, b: &[f64]) -> Vec<f64> {
    let p = layout.p;
    let mut inverse = vec![0.0; p * p];
    for j in 0..p {
        let mut unit = vec![0.0; p];
        unit[j] = 1.0;
        for (i, value) in layout.to_x(&unit).into_iter().enumerate() {
            inverse[i * p + j] = value;
        }
    }
    let half = product(&inverse, b, p, p, p);
    let mut result = vec![0.0; p * p];
    for i in 0..p {
        for j in 0..p {
            result[i * p + j] = super::dense::dot(&half[i * p..(i + 1) * p], &inverse[j * p..(j + 1) * p]);
        }
    }
    result
}

pub(super) fn to_matrix(flat: &[f64], p: usize, factor: f64) -> Matrix {
    let mut matrix = Matrix::zeros(p, p);
    for i in 0..p {
        for j in 0..p {
            matrix[(i, j)] = factor * flat[i * p + j];
        }
    }
    matrix
}
