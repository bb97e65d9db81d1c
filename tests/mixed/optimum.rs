//! No optimum is missed: the fit against the best of many starts, on simulated small layouts.

use wellrun::stats::mixed::{Method, MixedProblem, Prepared, RandomEffect, RandomTerm};

use crate::simulate::{Stream, add_effects, split_plot};

/// Fits, searches again from `starts` random ratios, and returns how far the best of these lies below the fit.
fn missed(stream: &mut Stream, problem: &MixedProblem, method: Method, starts: usize) -> (f64, bool, f64) {
    let prepared = Prepared::new(&problem.x, &problem.terms, problem.weights.as_deref()).unwrap();
    let fit = prepared
        .fit(&problem.y, method)
        .unwrap_or_else(|error| panic!("{error}"));
    let (mut below, mut ended) = (0.0_f64, 0);
    for _ in 0..starts {
        let mut ratio = || 10.0_f64.powf(4.0 * stream.uniform() - 2.5);
        let mut ratios: Vec<f64> = Vec::new();
        for term in &problem.terms {
            let first = ratio();
            ratios.push(first);
            if matches!(term.effect, RandomEffect::InterceptAndSlope(_)) {
                let second = ratio();
                ratios.extend([(0.2 - 0.5 * second.sin()) * (first * second).sqrt(), second]);
            }
        }
        if let Ok(other) = prepared.fit_from(&problem.y, method, &ratios) {
            below = below.max(fit.criterion - other.criterion);
            ended += 1;
        }
    }
    assert!(2 * ended >= starts, "only {ended} of {starts} searches ended");
    (below, fit.singular, fit.score_error)
}

#[test]
fn a_thousand_small_split_plots_reach_the_best_of_many_starts() {
    let mut stream = Stream::new(1);
    let mut singular = 0;
    for set in 0..1000 {
        let sds = [[0.3, 0.6, 1.0], [1.0, 0.2, 1.0], [0.0, 0.0, 1.0], [2.0, 1.0, 0.5]][set % 4];
        let problem = split_plot(&mut stream, 4, set % 7, sds);
        let method = if set % 5 == 4 {
            Method::MaximumLikelihood
        } else {
            Method::Reml
        };
        let (below, zero, score) = missed(&mut stream, &problem, method, 2);
        assert!(below < 1e-8, "set {set}: a start ends {below} lower");
        assert!(score < 1e-10, "set {set}: score equations off by {score}");
        singular += usize::from(zero);
    }
    // The boundary is the common case here, not the exception.
    assert!((300..900).contains(&singular), "{singular} of 1000 are singular");
}

#[test]
fn sparse_crossed_layouts_reach_the_best_of_many_starts() {
    let mut stream = Stream::new(2);
    for set in 0..300 {
        let n = 14 + stream.below(12);
        let levels = [4, 5, 3];
        let groups: Vec<Vec<u32>> = levels
            .iter()
            .map(|&count| (0..n).map(|_| stream.below(count) as u32).collect())
            .collect();
        let mut y: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
        for (group, &count) in groups.iter().zip(&levels) {
            let sd = 2.0 * stream.uniform();
            add_effects(&mut stream, &mut y, group, count, sd);
        }
        let terms = groups
            .into_iter()
            .zip(levels)
            .map(|(group, count)| RandomTerm::intercept(group, count))
            .collect();
        let x = wellrun::numeric::Matrix::from_columns(&[vec![1.0; n], (0..n).map(|_| stream.normal()).collect()]);
        let problem = MixedProblem {
            y,
            x,
            terms,
            weights: Some((0..n).map(|_| 0.5 + stream.uniform()).collect()),
        };
        let (below, _, score) = missed(&mut stream, &problem, Method::Reml, 4);
        assert!(below < 1e-8, "set {set}: a start ends {below} lower");
        assert!(score < 1e-10, "set {set}: score equations off by {score}");
    }
}

#[test]
fn correlated_pairs_reach_the_best_of_many_starts() {
    let mut stream = Stream::new(3);
    let mut singular = 0;
    for set in 0..200 {
        let n = 24;
        let groups: Vec<u32> = (0..n).map(|row| row / 4).collect();
        let column: Vec<f64> = (0..n).map(|row| f64::from(row % 4) + 0.2 * stream.normal()).collect();
        let mut y: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
        add_effects(&mut stream, &mut y, &groups, 6, [0.0, 1.0][set % 2]);
        let slopes: Vec<f64> = (0..6).map(|_| [0.0, 0.2, 1.0][set % 3] * stream.normal()).collect();
        for ((value, group), at) in y.iter_mut().zip(&groups).zip(&column) {
            *value += slopes[*group as usize] * at;
        }
        let x = wellrun::numeric::Matrix::from_columns(&[vec![1.0; n as usize], column.clone()]);
        let terms = vec![RandomTerm::intercept_and_slope(groups, 6, column)];
        let problem = MixedProblem {
            y,
            x,
            terms,
            weights: None,
        };
        let (below, zero, _) = missed(&mut stream, &problem, Method::Reml, 4);
        assert!(below < 1e-8, "set {set}: a start ends {below} lower");
        singular += usize::from(zero);
    }
    assert!(singular > 20, "{singular} of 200 are singular");
}
