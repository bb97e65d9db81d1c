//! Newton's method under lower bounds, for a handful of parameters.
//!
//! In:  an objective with value, gradient, exact Hessian and a positive semidefinite stand-in for it; a start; bounds.
//! Out: a stationary point of the bounded problem, or the best point reached with `converged` false.
//!
//! Method: each step minimises the quadratic model over the bounds by an active set (the exact Hessian if it is
//! positive definite on the free parameters, else the average-information matrix, Gilmour, Thompson & Cullis 1995,
//! Biometrics 51:1440), then backtracks until the criterion falls (Nocedal & Wright 2006, sections 3.1 and 16.5).
//! Near the optimum, where the criterion no longer resolves the parameters, full steps are taken until the Newton
//! decrement stops falling: that is what brings ten digits of the score equation.
//! Never here: what the parameters mean.

use super::dense::{cholesky, dot, solve};

/// Value, gradient and both Hessians (row-major) at a point.
#[derive(Debug, Clone)]
pub(super) struct Local {
    pub value: f64,
    pub gradient: Vec<f64>,
    pub hessian: Vec<f64>,
    pub average: Vec<f64>,
}

/// A function to be minimised.
pub(super) trait Objective {
    /// The value, or `None` where the function is not defined.
    fn value(&mut self, at: &[f64]) -> Option<f64>;
    /// The value with derivatives, or `None` where the function is not defined.
    fn local(&mut self, at: &[f64]) -> Option<Local>;
}

/// What a parameter may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Bound {
    /// Any value.
    Free,
    /// At least zero, and zero is allowed.
    NotNegative,
    /// Above zero: a step keeps at least a fifth of it.
    Positive,
    /// Held where it is.
    Held,
}

/// Where the search ended.
#[derive(Debug, Clone)]
pub(super) struct Optimum {
    pub at: Vec<f64>,
    pub local: Local,
    pub iterations: usize,
    /// Newton decrement: twice what the quadratic model says is left to gain.
    pub decrement: f64,
    pub converged: bool,
}

const ITERATIONS: usize = 200;
/// Decrement below which the criterion itself can no longer tell a better point.
const POLISH: f64 = 1e-7;
/// Decrement from which the end of a search is told from its next step.
const NEAR: f64 = 1e-4;
/// Decrement that counts as solved: no parameter is off by more than some 10⁻⁴ of its standard error.
const SOLVED: f64 = 1e-9;
/// Decrement below which no further step can matter.
const EXACT: f64 = 1e-25;

/// Searches from `start`; gives up without a result on the way to a point in `known`.
pub(super) fn minimise(
    objective: &mut impl Objective,
    start: &[f64],
    bounds: &[Bound],
    known: &[Vec<f64>],
) -> Option<Optimum> {
    let mut at = start.to_vec();
    let mut local = objective.local(&at)?;
    let mut best: Option<Optimum> = None;
    for iteration in 0..ITERATIONS {
        let step = step(&local, &at, bounds);
        let decrement = -dot(&local.gradient, &step).min(0.0);
        if decrement < NEAR && known.iter().any(|point| leads_to(&at, &step, point)) {
            return None;
        }
        let polished = best.as_ref().is_none_or(|held| decrement < 0.25 * held.decrement);
        if decrement < POLISH {
            if !polished {
                break;
            }
            best = Some(Optimum {
                at: at.clone(),
                local: local.clone(),
                iterations: iteration,
                decrement,
                converged: decrement < SOLVED,
            });
            if decrement < EXACT {
                break;
            }
        }
        let mut length = 1.0;
        let mut found = None;
        while length > 1e-12 {
            let trial: Vec<f64> = at
                .iter()
                .zip(&step)
                .zip(bounds)
                .map(|((a, s), bound)| {
                    let moved = a + length * s;
                    if *bound == Bound::NotNegative {
                        moved.max(0.0)
                    } else {
                        moved
                    }
                })
                .collect();
            if decrement < POLISH {
                found = objective.local(&trial).map(|next| (trial, next));
                break;
            }
            match objective.value(&trial) {
                Some(value) if value <= local.value - 1e-4 * length * decrement => {
                    found = objective.local(&trial).map(|next| (trial, next));
                    break;
                }
                Some(value) => {
                    // The parabola through value, slope and trial value, kept within a tenth and a half.
                    let curve = value - local.value + length * decrement;
                    let parabola = if curve > 0.0 {
                        0.5 * decrement * length * length / curve
                    } else {
                        0.0
                    };
                    length = parabola.clamp(0.1 * length, 0.5 * length);
                }
                None => length *= 0.3,
            }
        }
        let Some((trial, next)) = found else {
            break;
        };
        if trial == at {
            break;
        }
        at = trial;
        local = next;
    }
    best.or_else(|| {
        let step = step(&local, &at, bounds);
        let decrement = -dot(&local.gradient, &step).min(0.0);
        Some(Optimum {
            at,
            local,
            iterations: ITERATIONS,
            decrement,
            converged: false,
        })
    })
}

/// True if a step ends within a hundredth of a point, in every parameter.
fn leads_to(at: &[f64], step: &[f64], point: &[f64]) -> bool {
    at.iter()
        .zip(step)
        .zip(point)
        .all(|((a, s), p)| (a + s - p).abs() <= 0.01 * p.abs())
}

/// The minimiser of the quadratic model over the bounds, as a step.
fn step(local: &Local, at: &[f64], bounds: &[Bound]) -> Vec<f64> {
    let n = at.len();
    let lower: Vec<f64> = at
        .iter()
        .zip(bounds)
        .map(|(&value, bound)| match bound {
            Bound::Free => f64::NEG_INFINITY,
            Bound::NotNegative => -value,
            Bound::Positive => -0.8 * value,
            Bound::Held => 0.0,
        })
        .collect();
    // Parameters that start at their bound and want to go below it.
    let fixed: Vec<bool> = (0..n)
        .map(|i| bounds[i] == Bound::Held || (lower[i] == 0.0 && local.gradient[i] >= 0.0))
        .collect();
    if let Some(step) = bounded(&local.hessian, &local.gradient, &lower, bounds, fixed.clone(), 0.0) {
        return step;
    }
    let mut ridge = 1e-10;
    while ridge < 1e6 {
        if let Some(step) = bounded(&local.average, &local.gradient, &lower, bounds, fixed.clone(), ridge) {
            return step;
        }
        ridge = if ridge < 1e-4 { 1e-3 } else { ridge * 10.0 };
    }
    vec![0.0; n]
}

/// Active-set solution; `None` if the matrix is not positive definite on the free parameters met on the way.
fn bounded(
    matrix: &[f64],
    gradient: &[f64],
    lower: &[f64],
    bounds: &[Bound],
    mut fixed: Vec<bool>,
    ridge: f64,
) -> Option<Vec<f64>> {
    let n = gradient.len();
    let mut step: Vec<f64> = vec![0.0; n];
    for _ in 0..4 * n + 4 {
        let free: Vec<usize> = (0..n).filter(|&i| !fixed[i]).collect();
        for i in 0..n {
            step[i] = if fixed[i] { lower[i] } else { 0.0 };
        }
        let m = free.len();
        let mut a = vec![0.0; m * m];
        let mut b = vec![0.0; m];
        // Scaled to unit diagonal, because components may differ by many orders of magnitude.
        let scale: Vec<f64> = free
            .iter()
            .map(|&i| {
                let own = matrix[i * n + i].abs();
                if own > 0.0 { 1.0 / own.sqrt() } else { 1.0 }
            })
            .collect();
        for (row, &i) in free.iter().enumerate() {
            for (column, &j) in free.iter().enumerate() {
                a[row * m + column] = matrix[i * n + j] * scale[row] * scale[column];
            }
            a[row * m + row] += ridge;
            b[row] = -(gradient[i] + dot(&matrix[i * n..(i + 1) * n], &step)) * scale[row];
        }
        cholesky(&mut a, m)?;
        if (0..m).any(|i| a[i * m + i] < 1e-7) {
            return None;
        }
        solve(&a, m, &mut b);
        for (row, &i) in free.iter().enumerate() {
            step[i] = b[row] * scale[row];
        }
        // Of the parameters that would pass their bound, fix the one that gets there first.
        let mut first: Option<(usize, f64)> = None;
        for &i in &free {
            if step[i] < lower[i] {
                let part = lower[i] / step[i];
                if first.is_none_or(|(_, best)| part < best) {
                    first = Some((i, part));
                }
            }
        }
        if let Some((i, _)) = first {
            fixed[i] = true;
            continue;
        }
        // Release the bound that pulls most against its will.
        let mut release: Option<(usize, f64)> = None;
        for i in (0..n).filter(|&i| fixed[i] && bounds[i] != Bound::Held) {
            let pull = gradient[i] + dot(&matrix[i * n..(i + 1) * n], &step);
            let size = matrix[i * n + i].abs().sqrt().max(f64::MIN_POSITIVE);
            if pull < -1e-9 * (gradient[i].abs() + size) && release.is_none_or(|(_, worst)| pull / size < worst) {
                release = Some((i, pull / size));
            }
        }
        match release {
            Some((i, _)) => fixed[i] = false,
            None => return Some(step),
        }
    }
    // The active set went round in circles: the last point is feasible once clipped.
    for i in 0..n {
        step[i] = step[i].max(lower[i]);
    }
    Some(step)
}
