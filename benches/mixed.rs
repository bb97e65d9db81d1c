//! How fast mixed models are fitted: small refits, crossed terms over many rows, small-sample tests.
//!
//! Prints a table and one ratio a line against the first row, which is always measured in the same run; nothing is
//! asserted, because a busy machine is no defect. Data are made up from a seeded stream.

#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use std::hint::black_box;
use std::time::Instant;

use wellrun::numeric::Matrix;
use wellrun::stats::mixed::{Method, MixedProblem, Prepared, RandomTerm};

#[path = "../tests/mixed/simulate.rs"]
mod simulate;
use simulate::{Stream, add_effects, split_plot};

/// Least seconds of a call over some repeats.
#[allow(clippy::disallowed_methods)]
fn seconds(repeats: usize, mut call: impl FnMut()) -> f64 {
    (0..repeats)
        .map(|_| {
            let start = Instant::now();
            call();
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}

/// Rows dealt over two crossed terms, with four two-level factors and their two-way products (or a mean alone).
fn crossed(stream: &mut Stream, n: usize, levels: [usize; 2], factors: usize) -> MixedProblem {
    let signs: Vec<Vec<f64>> = (0..factors)
        .map(|k| (0..n).map(|row| if (row >> k) & 1 == 0 { 1.0 } else { -1.0 }).collect())
        .collect();
    let mut columns = vec![vec![1.0; n]];
    columns.extend(signs.iter().cloned());
    for i in 0..factors {
        for j in 0..i {
            columns.push(signs[i].iter().zip(&signs[j]).map(|(a, b)| a * b).collect());
        }
    }
    let mut y: Vec<f64> = (0..n).map(|_| 70.0 + stream.normal()).collect();
    let terms = levels
        .iter()
        .map(|&count| {
            let groups: Vec<u32> = (0..n).map(|_| stream.below(count) as u32).collect();
            add_effects(stream, &mut y, &groups, count, 0.8);
            RandomTerm::intercept(groups, count)
        })
        .collect();
    MixedProblem {
        y,
        x: Matrix::from_columns(&columns),
        terms,
        weights: None,
    }
}

/// A contrast matrix that picks some columns.
fn pick(from: usize, to: usize, p: usize) -> Matrix {
    let mut l = Matrix::zeros(to - from, p);
    for row in 0..to - from {
        l[(row, from + row)] = 1.0;
    }
    l
}

fn main() {
    let mut stream = Stream::new(7);
    let report = |what: &str, per: f64, unit: &str| println!("{what:<66} {per:>12.3} {unit}");

    // A 32-run split-plot, refitted to new responses of the same layout.
    let problem = split_plot(&mut stream, 4, 0, [1.0, 0.6, 1.0]);
    let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
    let responses: Vec<Vec<f64>> = (0..400)
        .map(|_| split_plot(&mut stream, 4, 0, [1.0, 0.6, 1.0]).y)
        .collect();
    let refit = seconds(3, || {
        for y in &responses {
            black_box(prepared.fit(y, Method::Reml).unwrap());
        }
    }) / responses.len() as f64;
    report("32-run split-plot, REML refits", 1.0 / refit, "a second");
    let tested = seconds(3, || {
        for y in &responses {
            let fit = prepared.fit(y, Method::Reml).unwrap();
            for (from, to) in [(1, 2), (2, 3), (3, 4), (4, 7)] {
                black_box(fit.kenward_roger(&pick(from, to, 7)).unwrap());
            }
        }
    }) / responses.len() as f64;
    report("  the same with four small-sample tests each", 1.0 / tested, "a second");
    report("  ratio to the refit alone", tested / refit, "");

    // Small-sample tests at larger sizes, the fit not counted.
    for (n, levels) in [(1_000, [10, 100]), (10_000, [20, 500])] {
        let problem = crossed(&mut stream, n, levels, 4);
        let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
        let whole = seconds(3, || {
            let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
            black_box(prepared.fit(&problem.y, Method::Reml).unwrap());
        });
        report(
            &format!("{n} rows, {} x {} crossed, 11 columns: fit", levels[0], levels[1]),
            1e3 * whole,
            "ms",
        );
        let fit = prepared.fit(&problem.y, Method::Reml).unwrap();
        let test = seconds(3, || {
            // A clone of a fresh fit has worked out no pieces yet.
            black_box(fit.clone().kenward_roger(&pick(1, 11, 11)).unwrap());
        });
        report(
            "  one Kenward-Roger test of 10 columns, pieces included",
            1e3 * test,
            "ms",
        );
        let interval = seconds(1, || {
            black_box(fit.profile_interval(0, 0.95).unwrap());
        });
        report("  one profile interval", 1e3 * interval, "ms");
        report("  ratio of the fit to the refit of 32 runs", whole / refit, "");
    }

    let problem = crossed(&mut stream, 1_000_000, [50, 5_000], 0);
    let pass = seconds(2, || {
        black_box(Prepared::new(&problem.x, &problem.terms, None).unwrap());
    });
    report("1000000 rows, 50 x 5000 crossed: sums and checks", 1e3 * pass, "ms");
    let whole = seconds(2, || {
        let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
        black_box(prepared.fit(&problem.y, Method::Reml).unwrap());
    });
    report("  sums, checks and fit", 1e3 * whole, "ms");
    report("  ratio of the fit to the refit of 32 runs", whole / refit, "");
}
