//! Closed forms, what must not change a fit, and what is refused.

use wellrun::numeric::Matrix;
use wellrun::stats::mixed::{DfMethod, Method, MixedError, MixedFit, MixedProblem, Prepared, RandomTerm, fit};

use crate::cases::pick;
use crate::simulate::{Stream, add_effects, split_plot};

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance * expected.abs(),
        "{found:?} is not {expected:?}"
    );
}

/// Closed form: MS between = 32, MS within = 2, two runs a group; criterion with every constant.
#[test]
fn balanced_one_way_equals_the_analysis_of_variance() {
    let problem = MixedProblem {
        y: vec![1.0, 3.0, 5.0, 7.0, 9.0, 11.0],
        x: Matrix::from_columns(&[vec![1.0; 6]]),
        terms: vec![RandomTerm::intercept(vec![0, 0, 1, 1, 2, 2], 3)],
        weights: None,
    };
    let found = fit(&problem, Method::Reml).unwrap();
    close(found.residual_variance(), 2.0, 1e-12);
    close(found.variance(0).unwrap(), 15.0, 1e-12);
    close(found.coefficients[0], 6.0, 1e-14);
    close(found.covariance[(0, 0)], 32.0 / 6.0, 1e-12);
    let logs = 5.0 * std::f64::consts::TAU.ln() + 3.0 * 2.0_f64.ln() + 2.0 * 32.0_f64.ln() + 6.0_f64.ln() + 5.0;
    close(found.criterion, logs, 1e-12);
    let mean = found.contrast(&[1.0], DfMethod::KenwardRoger).unwrap();
    close(mean.df, 2.0, 1e-9);
}

/// Closed form: 4 days, 2 temperatures set once a day half, 3 finishes; F on 3 and 12 df equals the ratio of mean
/// squares, λ = 1.
#[test]
fn balanced_split_plot_reproduces_the_strata() {
    let mut stream = Stream::new(9);
    let (mut day, mut plot, mut y) = (Vec::new(), Vec::new(), Vec::new());
    let mut columns = vec![Vec::new(); 6];
    for d in 0..4_u32 {
        for t in 0..2_u32 {
            for f in 0..3_usize {
                let a = if t == 0 { 1.0 } else { -1.0 };
                let (b, c) = [(1.0, 0.0), (0.0, 1.0), (-1.0, -1.0)][f];
                for (column, value) in columns.iter_mut().zip([1.0, a, b, c, a * b, a * c]) {
                    column.push(value);
                }
                day.push(d);
                plot.push(2 * d + t);
                y.push(70.0 + 0.3 * stream.normal());
            }
        }
    }
    add_effects(&mut stream, &mut y, &day, 4, 2.0);
    add_effects(&mut stream, &mut y, &plot, 8, 1.0);
    let mean = |rows: &dyn Fn(usize) -> bool| {
        let kept: Vec<f64> = (0..24).filter(|&row| rows(row)).map(|row| y[row]).collect();
        kept.iter().sum::<f64>() / kept.len() as f64
    };
    let t_of = |row: usize| (row / 3) % 2;
    let all = mean(&|_| true);
    let temperature: f64 = (0..2).map(|t| 12.0 * (mean(&|row| t_of(row) == t) - all).powi(2)).sum();
    let days: f64 = (0..4).map(|d| 6.0 * (mean(&|row| row / 6 == d) - all).powi(2)).sum();
    let plots: f64 = (0..8).map(|w| 3.0 * (mean(&|row| row / 3 == w) - all).powi(2)).sum();
    let f_temperature = temperature / ((plots - days - temperature) / 3.0);

    let problem = MixedProblem {
        y: y.clone(),
        x: Matrix::from_columns(&columns),
        terms: vec![RandomTerm::intercept(day, 4), RandomTerm::intercept(plot, 8)],
        weights: None,
    };
    let found = fit(&problem, Method::Reml).unwrap();
    assert!(!found.singular);
    let tests = [(pick(1..2, 6), 3.0), (pick(2..4, 6), 12.0), (pick(4..6, 6), 12.0)];
    for (l, df) in &tests {
        let test = found.kenward_roger(l).unwrap();
        close(test.denominator_df, *df, 1e-8);
        close(test.scaling, 1.0, 1e-9);
        close(found.satterthwaite(l).unwrap().denominator_df, *df, 1e-8);
    }
    close(found.kenward_roger(&tests[0].0).unwrap().f, f_temperature, 1e-9);
}

/// Closed form: two whole-plot error df, where Kenward and Roger's formulas divide zero by zero.
#[test]
fn two_denominator_df_are_no_pole() {
    let mut stream = Stream::new(12);
    let (mut group, mut y) = (Vec::new(), Vec::new());
    let mut columns = vec![Vec::new(); 3];
    for g in 0..5_u32 {
        let (b, c) = [(1.0, 0.0), (1.0, 0.0), (0.0, 1.0), (0.0, 1.0), (-1.0, -1.0)][g as usize];
        for _ in 0..4 {
            for (column, value) in columns.iter_mut().zip([1.0, b, c]) {
                column.push(value);
            }
            group.push(g);
            y.push(0.1 * stream.normal());
        }
    }
    add_effects(&mut stream, &mut y, &group, 5, 1.0);
    let terms = vec![RandomTerm::intercept(group, 5)];
    let problem = MixedProblem {
        y,
        x: Matrix::from_columns(&columns),
        terms,
        weights: None,
    };
    let test = fit(&problem, Method::Reml)
        .unwrap()
        .kenward_roger(&pick(1..3, 3))
        .unwrap();
    close(test.denominator_df, 2.0, 1e-6);
    close(test.scaling, 1.0, 1e-6);
    assert!(test.f.is_finite() && test.p > 0.0 && test.p < 1.0);
}

/// Closed form: without random terms the fit is weighted least squares and df are n − p.
#[test]
fn no_random_terms_give_least_squares() {
    let problem = MixedProblem {
        y: vec![1.0, 2.0, 4.0, 4.0],
        x: Matrix::from_columns(&[vec![1.0; 4], vec![0.0, 1.0, 2.0, 3.0]]),
        terms: Vec::new(),
        weights: None,
    };
    let found = fit(&problem, Method::Reml).unwrap();
    close(found.coefficients[1], 1.1, 1e-13);
    close(found.residual_variance(), 0.35, 1e-12);
    let slope = found.contrast(&[0.0, 1.0], DfMethod::KenwardRoger).unwrap();
    close(slope.df, 2.0, 1e-12);
    close(slope.standard_error, (0.35_f64 / 5.0).sqrt(), 1e-12);
    close(
        found.contrast(&[0.0, 1.0], DfMethod::Satterthwaite).unwrap().df,
        2.0,
        1e-12,
    );
}

fn same(a: &MixedFit, b: &MixedFit, scale: f64, tolerance: f64) {
    for (one, two) in a.components.iter().zip(&b.components) {
        close(one.value * scale * scale, two.value, tolerance);
    }
    let (one, two) = (
        a.kenward_roger(&pick(1..2, 7)).unwrap(),
        b.kenward_roger(&pick(1..2, 7)).unwrap(),
    );
    close(one.f, two.f, tolerance);
    close(one.denominator_df, two.denominator_df, tolerance);
}

#[test]
fn order_of_rows_offset_scale_and_repeated_weights_do_not_matter() {
    let mut stream = Stream::new(6);
    let problem = split_plot(&mut stream, 5, 3, [1.0, 1.0, 0.7]);
    let n = problem.y.len();
    let whole = fit(&problem, Method::Reml).unwrap();

    let mut order: Vec<usize> = (0..n).collect();
    for at in (1..n).rev() {
        order.swap(at, stream.below(at + 1));
    }
    let column = |j: usize, rows: &[usize]| rows.iter().map(|&row| problem.x[(row, j)]).collect::<Vec<f64>>();
    let taken = |rows: &[usize]| MixedProblem {
        y: rows.iter().map(|&row| problem.y[row]).collect(),
        x: Matrix::from_columns(&(0..7).map(|j| column(j, rows)).collect::<Vec<_>>()),
        terms: problem
            .terms
            .iter()
            .map(|term| RandomTerm::intercept(rows.iter().map(|&row| term.groups[row]).collect(), term.levels))
            .collect(),
        weights: None,
    };
    same(&whole, &fit(&taken(&order), Method::Reml).unwrap(), 1.0, 1e-8);

    let mut moved = problem.clone();
    moved.y.iter_mut().for_each(|value| *value = 1e6 + 1e-4 * *value);
    same(&whole, &fit(&moved, Method::Reml).unwrap(), 1e-4, 1e-5);

    // Weights that are all w divide the residual variance at weight 1 by nothing but w.
    let mut weighted = problem.clone();
    weighted.weights = Some(vec![4.0; n]);
    let heavy = fit(&weighted, Method::Reml).unwrap();
    close(heavy.residual_variance(), 4.0 * whole.residual_variance(), 1e-8);
    close(heavy.criterion, whole.criterion, 1e-10);

    // A prepared layout gives the same bits as a fit from scratch.
    let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
    assert_eq!(
        prepared.fit(&problem.y, Method::Reml).unwrap().criterion,
        whole.criterion
    );
}

/// Closed form: at both limits the criterion, here (n − p) ln θ + RSS/θ, lies χ²(1, 0.95) above the optimum.
#[test]
fn profile_limits_of_a_residual_follow_the_closed_form() {
    let problem = MixedProblem {
        y: vec![1.0, 2.0, 4.0, 4.0, 7.0, 5.5],
        x: Matrix::from_columns(&[vec![1.0; 6]]),
        terms: Vec::new(),
        weights: None,
    };
    let found = fit(&problem, Method::Reml).unwrap();
    let interval = found.profile_interval(0, 0.95).unwrap();
    let s2 = found.residual_variance();
    let height = |sd: f64| 5.0 * ((sd * sd / s2).ln() + s2 / (sd * sd) - 1.0);
    // From memory: χ²(1, 0.95) = 3.841458820694124.
    close(height(interval.low), 3.841_458_820_694_124, 1e-8);
    close(height(interval.high), 3.841_458_820_694_124, 1e-8);
    assert!(interval.low < interval.estimate && interval.estimate < interval.high);
}

#[test]
fn what_cannot_be_fitted_is_refused_by_name() {
    let mut stream = Stream::new(8);
    let good = split_plot(&mut stream, 4, 0, [1.0, 1.0, 1.0]);
    let n = good.y.len();
    let refused = |change: &dyn Fn(&mut MixedProblem)| {
        let mut problem = good.clone();
        change(&mut problem);
        fit(&problem, Method::Reml).unwrap_err()
    };
    assert_eq!(
        refused(&|p| p.y[3] = f64::NAN),
        MixedError::NotFinite { what: "y", row: 3 }
    );
    assert_eq!(
        refused(&|p| p.x[(2, 1)] = f64::INFINITY),
        MixedError::NotFinite { what: "x", row: 2 }
    );
    assert!(matches!(refused(&|p| p.y.truncate(5)), MixedError::Length { .. }));
    assert!(matches!(
        refused(&|p| p.weights = Some(vec![1.0])),
        MixedError::Length { .. }
    ));
    assert_eq!(
        refused(&|p| p.weights = Some(vec![0.0; n])),
        MixedError::Weight { row: 0 }
    );
    assert_eq!(
        refused(&|p| p.terms[1].groups[5] = 99),
        MixedError::Group { term: 1, row: 5 }
    );
    assert_eq!(
        refused(&|p| p.x.col_mut(4).fill(2.0)),
        MixedError::Dependent { column: 4 }
    );
    assert_eq!(refused(&|p| p.y.fill(7.1)), MixedError::ExactFit);
    // A term twice, a term with a level a row, and a term that the fixed effects hold already.
    assert_eq!(
        refused(&|p| p.terms.push(p.terms[0].clone())),
        MixedError::NotIdentified { term: 2 }
    );
    let each: Vec<u32> = (0..n as u32).collect();
    assert_eq!(
        refused(&|p| p.terms.push(RandomTerm::intercept(each.clone(), n))),
        MixedError::NotIdentified { term: 2 }
    );
    let two: Vec<u32> = (0..n).map(|row| u32::from(good.x[(row, 2)] > 0.0)).collect();
    assert_eq!(
        refused(&|p| p.terms.push(RandomTerm::intercept(two.clone(), 2))),
        MixedError::NotIdentified { term: 2 }
    );
    let wide = Matrix::zeros(3, 3);
    let none = Prepared::new(&wide, &[], None).unwrap_err();
    assert_eq!(none, MixedError::NoResidual);

    let found = fit(&good, Method::MaximumLikelihood).unwrap();
    assert_eq!(found.kenward_roger(&pick(1..2, 7)).unwrap_err(), MixedError::NeedsReml);
    assert_eq!(found.satterthwaite(&pick(1..2, 6)).unwrap_err(), MixedError::Contrast);
    let mut twice = Matrix::zeros(2, 7);
    twice[(0, 1)] = 1.0;
    twice[(1, 1)] = -2.0;
    assert_eq!(found.satterthwaite(&twice).unwrap_err(), MixedError::Contrast);
    assert_eq!(
        found.profile_interval(9, 0.95).unwrap_err(),
        MixedError::NoSuchComponent
    );
    assert_eq!(found.profile_interval(0, 1.0).unwrap_err(), MixedError::Level);
}

/// Readings that the groups explain to the last digit leave no residual variance.
#[test]
fn an_exact_fit_by_random_terms_is_said() {
    let problem = MixedProblem {
        y: vec![1.0, 1.0, 4.0, 4.0, 2.0, 2.0],
        x: Matrix::from_columns(&[vec![1.0; 6]]),
        terms: vec![RandomTerm::intercept(vec![0, 0, 1, 1, 2, 2], 3)],
        weights: None,
    };
    assert_eq!(fit(&problem, Method::Reml).unwrap_err(), MixedError::ExactFit);
}
