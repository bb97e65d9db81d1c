//! An independent dense computation (n × n matrices, textbook formulas) beside the engine: weights, slopes, crossed
//! unbalanced terms, correlated pairs.

use wellrun::numeric::Matrix;
use wellrun::stats::mixed::{Boundary, DfMethod, Method, MixedFit, MixedProblem, Part, RandomEffect, RandomTerm, fit};

use crate::simulate::{Stream, add_effects};

type Dense = Vec<Vec<f64>>;

fn product(a: &Dense, b: &Dense) -> Dense {
    a.iter()
        .map(|row| {
            (0..b[0].len())
                .map(|j| row.iter().zip(b).map(|(x, line)| x * line[j]).sum())
                .collect()
        })
        .collect()
}

fn transposed(a: &Dense) -> Dense {
    (0..a[0].len()).map(|j| a.iter().map(|row| row[j]).collect()).collect()
}

fn combined(a: &Dense, factor: f64, b: &Dense) -> Dense {
    a.iter()
        .zip(b)
        .map(|(x, y)| x.iter().zip(y).map(|(x, y)| x + factor * y).collect())
        .collect()
}

fn trace(a: &Dense) -> f64 {
    (0..a.len()).map(|i| a[i][i]).sum()
}

/// Inverse and log determinant of a positive definite matrix, by Gauss–Jordan.
fn inverse(a: &Dense) -> (Dense, f64) {
    let n = a.len();
    let mut work: Dense = a.clone();
    let mut result: Dense = (0..n)
        .map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect())
        .collect();
    let mut log = 0.0;
    for k in 0..n {
        let pivot = work[k][k];
        log += pivot.ln();
        for j in 0..n {
            work[k][j] /= pivot;
            result[k][j] /= pivot;
        }
        for i in (0..n).filter(|&i| i != k) {
            let factor = work[i][k];
            for j in 0..n {
                let (x, y) = (work[k][j], result[k][j]);
                work[i][j] -= factor * x;
                result[i][j] -= factor * y;
            }
        }
    }
    (result, log)
}

/// Matrices G of V = Σ θG, in the order of the components.
fn structures(problem: &MixedProblem) -> Vec<Dense> {
    let n = problem.y.len();
    let mut list = Vec::new();
    for term in &problem.terms {
        let same = |left: &[f64], right: &[f64]| -> Dense {
            (0..n)
                .map(|i| {
                    let each = |j: usize| {
                        if term.groups[i] == term.groups[j] {
                            left[i] * right[j]
                        } else {
                            0.0
                        }
                    };
                    (0..n).map(each).collect()
                })
                .collect()
        };
        let ones = vec![1.0; n];
        match &term.effect {
            RandomEffect::Intercept => list.push(same(&ones, &ones)),
            RandomEffect::Slope(column) => list.push(same(column, column)),
            RandomEffect::InterceptAndSlope(column) => {
                list.push(same(&ones, &ones));
                list.push(combined(&same(&ones, column), 1.0, &same(column, &ones)));
                list.push(same(column, column));
            }
        }
    }
    let residual = |i: usize, j: usize| {
        if i == j {
            problem.weights.as_ref().map_or(1.0, |w| 1.0 / w[i])
        } else {
            0.0
        }
    };
    list.push((0..n).map(|i| (0..n).map(|j| residual(i, j)).collect()).collect());
    list
}

struct Oracle {
    criterion: f64,
    beta: Vec<f64>,
    phi: Dense,
    p: Dense,
    inverse: Dense,
    structures: Vec<Dense>,
    x: Dense,
    y: Dense,
}

fn oracle(problem: &MixedProblem, theta: &[f64], method: Method) -> Oracle {
    let structures = structures(problem);
    let mut v = structures[0].iter().map(|row| vec![0.0; row.len()]).collect();
    for (value, g) in theta.iter().zip(&structures) {
        v = combined(&v, *value, g);
    }
    let (vi, log_v) = inverse(&v);
    let x: Dense = (0..problem.y.len())
        .map(|i| (0..problem.x.cols()).map(|j| problem.x[(i, j)]).collect())
        .collect();
    let y: Dense = problem.y.iter().map(|value| vec![*value]).collect();
    let vx = product(&vi, &x);
    let information = product(&transposed(&x), &vx);
    let (phi, log_phi) = inverse(&information);
    let p = combined(&vi, -1.0, &product(&product(&vx, &phi), &transposed(&vx)));
    let beta = product(&phi, &product(&transposed(&vx), &y));
    let quadratic = product(&transposed(&y), &product(&p, &y))[0][0];
    let (df, extra) = match method {
        Method::Reml => ((x.len() - x[0].len()) as f64, log_phi),
        Method::MaximumLikelihood => (x.len() as f64, 0.0),
    };
    Oracle {
        criterion: df * std::f64::consts::TAU.ln() + log_v + extra + quadratic,
        beta: beta.into_iter().map(|row| row[0]).collect(),
        phi,
        p,
        inverse: vi,
        structures,
        x,
        y,
    }
}

impl Oracle {
    /// Gradient, expected and observed information of the restricted likelihood.
    fn derivatives(&self) -> (Vec<f64>, Dense, Dense) {
        let pg: Vec<Dense> = self.structures.iter().map(|g| product(&self.p, g)).collect();
        let py = product(&self.p, &self.y);
        let form = |a: &Dense| product(&transposed(&self.y), &product(a, &py))[0][0];
        let gradient = pg.iter().map(|a| trace(a) - form(a)).collect();
        let pairs = |f: &dyn Fn(&Dense, &Dense) -> f64| -> Dense {
            pg.iter().map(|a| pg.iter().map(|b| f(a, b)).collect()).collect()
        };
        let expected = pairs(&|a, b| 0.5 * trace(&product(a, b)));
        let observed = pairs(&|a, b| form(&product(a, b)) - 0.5 * trace(&product(a, b)));
        (gradient, expected, observed)
    }

    /// Kenward and Roger's adjusted covariance, straight from the definition of P and Q.
    fn adjusted(&self, w: &Dense) -> Dense {
        let moved: Vec<Dense> = self
            .structures
            .iter()
            .map(|g| product(&product(&self.inverse, g), &self.inverse))
            .collect();
        let xt = transposed(&self.x);
        let first: Vec<Dense> = moved.iter().map(|m| product(&xt, &product(m, &self.x))).collect();
        let mut middle: Dense = vec![vec![0.0; self.x[0].len()]; self.x[0].len()];
        for i in 0..moved.len() {
            for j in 0..moved.len() {
                let chain = product(&product(&moved[i], &self.structures[j]), &self.inverse);
                let q = product(&xt, &product(&chain, &self.x));
                let pp = product(&product(&first[i], &self.phi), &first[j]);
                middle = combined(&middle, w[i][j], &combined(&q, -1.0, &pp));
            }
        }
        combined(&self.phi, 2.0, &product(&product(&self.phi, &middle), &self.phi))
    }

    fn satterthwaite(&self, w: &Dense, c: &[f64]) -> f64 {
        let column: Dense = c.iter().map(|value| vec![*value]).collect();
        let image = product(&self.x, &product(&self.phi, &column));
        let scaled = product(&self.inverse, &image);
        let slopes: Dense = self
            .structures
            .iter()
            .map(|g| product(&transposed(&scaled), &product(g, &scaled))[0].clone())
            .collect();
        let variance = product(&transposed(&column), &product(&self.phi, &column))[0][0];
        2.0 * variance * variance / product(&transposed(&slopes), &product(w, &slopes))[0][0]
    }
}

fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
    let room = tolerance * expected.abs().max(1e-6);
    assert!(
        (found - expected).abs() <= room,
        "{what} is {found:?}, not {expected:?}"
    );
}

fn compare(what: &str, problem: &MixedProblem, fit: &MixedFit) {
    let theta: Vec<f64> = fit.components.iter().map(|component| component.value).collect();
    let dense = oracle(problem, &theta, fit.method);
    close(fit.criterion, dense.criterion, 1e-10, &format!("{what}: criterion"));
    for (found, expected) in fit.coefficients.iter().zip(&dense.beta) {
        close(*found, *expected, 1e-8, &format!("{what}: coefficient"));
    }
    let p = dense.beta.len();
    for i in 0..p {
        close(
            fit.covariance[(i, i)],
            dense.phi[i][i],
            1e-8,
            &format!("{what}: covariance"),
        );
    }
    // Predicted effects of the first term: θ Z'Py.
    let first = &problem.terms[0];
    if first.effect == RandomEffect::Intercept {
        let py = product(&dense.p, &dense.y);
        for level in 0..first.levels {
            let sum: f64 = first
                .groups
                .iter()
                .zip(&py)
                .filter(|(group, _)| **group as usize == level)
                .map(|(_, v)| v[0])
                .sum();
            let size = theta[0].sqrt();
            let off = (fit.predicted[0].values[level] - theta[0] * sum).abs();
            assert!(off <= 1e-8 * size, "{what}: predicted effect off by {off}");
        }
    }
    if fit.method != Method::Reml {
        return;
    }
    let (gradient, expected, observed) = dense.derivatives();
    // At a correlation of −1 or 1 the slopes of a pair need not vanish one by one.
    let bound = fit
        .components
        .iter()
        .any(|component| component.part == Part::Covariance && component.boundary);
    for (component, slope) in fit.components.iter().zip(&gradient) {
        let free = !component.boundary;
        if bound {
            continue;
        }
        let size = component.value.abs();
        assert!(!free || (slope * size).abs() < 1e-6, "{what}: slope {slope} at {size}");
        assert!(
            free || *slope > -1e-9,
            "{what}: a component at zero wants to grow, slope {slope}"
        );
    }
    let w = inverse(&expected).0;
    let adjusted = dense.adjusted(&w);
    let found = fit.adjusted_covariance(Boundary::Keep).unwrap();
    for j in 0..p {
        close(
            found[(j, j)],
            adjusted[j][j],
            1e-7,
            &format!("{what}: adjusted covariance"),
        );
        if !fit.singular {
            let mut c = vec![0.0; p];
            c[j] = 1.0;
            let df = fit.contrast(&c, DfMethod::Satterthwaite).unwrap().df;
            close(
                df,
                dense.satterthwaite(&inverse(&observed).0, &c),
                1e-6,
                &format!("{what}: df"),
            );
        }
    }
}

/// Two crossed terms of unequal groups, a covariate, weights.
fn crossed(stream: &mut Stream, n: usize) -> (MixedProblem, Vec<f64>) {
    let covariate: Vec<f64> = (0..n).map(|_| 3.0 + stream.normal()).collect();
    let a: Vec<u32> = (0..n).map(|_| (stream.uniform().powi(2) * 6.0) as u32).collect();
    let b: Vec<u32> = (0..n).map(|_| stream.below(4) as u32).collect();
    let weights: Vec<f64> = (0..n).map(|_| 1.0 + stream.below(5) as f64).collect();
    let mut y: Vec<f64> = (0..n)
        .map(|row| 10.0 + 0.3 * covariate[row] + stream.normal() / weights[row].sqrt())
        .collect();
    add_effects(stream, &mut y, &a, 6, 1.5);
    add_effects(stream, &mut y, &b, 4, 0.8);
    let sign: Vec<f64> = (0..n)
        .map(|_| if stream.uniform() < 0.4 { 1.0 } else { -1.0 })
        .collect();
    let problem = MixedProblem {
        y,
        x: Matrix::from_columns(&[vec![1.0; n], sign, covariate.clone()]),
        terms: vec![RandomTerm::intercept(a, 6), RandomTerm::intercept(b, 4)],
        weights: Some(weights),
    };
    (problem, covariate)
}

#[test]
fn crossed_unbalanced_weighted_terms_match_the_dense_computation() {
    let mut stream = Stream::new(3);
    for set in 0..6 {
        let (problem, _) = crossed(&mut stream, 30);
        for method in [Method::Reml, Method::MaximumLikelihood] {
            compare(&format!("crossed {set}"), &problem, &fit(&problem, method).unwrap());
        }
    }
}

#[test]
fn slopes_match_the_dense_computation() {
    let mut stream = Stream::new(4);
    for set in 0..6 {
        let (mut problem, covariate) = crossed(&mut stream, 36);
        let column: Vec<f64> = covariate.iter().map(|value| value - 3.0).collect();
        let groups = problem.terms[0].groups.clone();
        let slopes: Vec<f64> = (0..6).map(|_| 0.7 * stream.normal()).collect();
        for (row, value) in problem.y.iter_mut().enumerate() {
            *value += slopes[groups[row] as usize] * column[row];
        }
        let mut apart = problem.clone();
        apart.terms.push(RandomTerm::slope(groups.clone(), 6, column.clone()));
        let mut paired = problem.clone();
        paired.terms[0] = RandomTerm::intercept_and_slope(groups, 6, column);
        for method in [Method::Reml, Method::MaximumLikelihood] {
            let together = fit(&paired, method).unwrap();
            compare(&format!("pair {set}"), &paired, &together);
            let separate = fit(&apart, method).unwrap();
            compare(&format!("slope {set}"), &apart, &separate);
            // The pair has one parameter more.
            assert!(together.criterion <= separate.criterion + 1e-9);
        }
    }
}

#[test]
fn nested_terms_with_components_at_zero_match_the_dense_computation() {
    let mut stream = Stream::new(5);
    let mut singular = 0;
    for set in 0..8 {
        let problem = crate::simulate::split_plot(&mut stream, 3, set % 4, [0.0, 0.4, 1.0]);
        let found = fit(&problem, Method::Reml).unwrap();
        singular += usize::from(found.singular);
        compare(&format!("split-plot {set}"), &problem, &found);
    }
    assert!(singular > 0);
}
