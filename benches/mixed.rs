//! How fast mixed models are fitted: small refits, crossed terms over many rows, small-sample tests.
//!
//! One thread. Prints the table of benches/README.md: goals, and a ratio to the refit of 32 runs, which is always measured
//! in the same run; nothing is asserted, because a busy machine is no defect. Data are made up from a seeded stream. The
//! same layouts in R and Python: benches/peers/.

#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use std::hint::black_box;
use std::time::Instant;

use wellrun::numeric::Matrix;
use wellrun::stats::balanced::BalancedPlan;
use wellrun::stats::mixed::{Method, MixedProblem, Prepared, RandomTerm};
use wellrun::stats::strata::{Partition, TermColumns};

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

/// Highest memory of this process so far in MB, where the system tells.
#[allow(clippy::disallowed_methods)]
fn memory() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kilobytes: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes / 1024.0)
}

/// A row of the table.
fn row(what: &str, goal: &str, found: f64, unit: &str, ratio: f64) {
    let found = if found < 10_000.0 {
        format!("{found:.1}")
    } else {
        format!("{found:.0}")
    };
    println!("| {what} | {goal} | {found} {unit} | {ratio:.3} |");
}

fn main() {
    let mut stream = Stream::new(7);
    println!("| One thread | Goal | Found | Ratio to a refit of 32 runs |");
    println!("|---|--:|--:|--:|");

    // First, while nothing else has taken memory. The first ratio is worked out below.
    let large = crossed(&mut stream, 1_000_000, [50, 5_000], 0);
    let pass = seconds(2, || {
        black_box(Prepared::new(&large.x, &large.terms, None).unwrap());
    });
    let whole = seconds(2, || {
        let prepared = Prepared::new(&large.x, &large.terms, None).unwrap();
        black_box(prepared.fit(&large.y, Method::Reml).unwrap());
    });
    let most = memory();
    drop(large);

    // A 32-run split-plot, refitted to new responses of the same layout.
    let problem = split_plot(&mut stream, 4, 0, [1.0, 0.6, 1.0]);
    let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
    let responses: Vec<Vec<f64>> = (0..400)
        .map(|_| split_plot(&mut stream, 4, 0, [1.0, 0.6, 1.0]).y)
        .collect();
    let each = |time: f64| time / responses.len() as f64;
    let refit = each(seconds(3, || {
        for y in &responses {
            black_box(prepared.fit(y, Method::Reml).unwrap());
        }
    }));
    let per = |what: &str, goal: &str, time: f64| row(what, goal, 1.0 / time, "a second", time / refit);
    per("split-plot of 32 runs, refits by REML", "5,000 a second", refit);
    let (partitions, terms) = strata(&problem);
    let plan = BalancedPlan::new(&partitions, &terms).unwrap();
    let balanced = each(seconds(3, || {
        for y in &responses {
            black_box(plan.components(y).unwrap());
        }
    }));
    per(
        "the same components from three sums of squares",
        "100,000 a second",
        balanced,
    );
    let tested = each(seconds(3, || {
        for y in &responses {
            let fit = prepared.fit(y, Method::Reml).unwrap();
            for (from, to) in [(1, 2), (2, 3), (3, 4), (4, 7)] {
                black_box(fit.kenward_roger(&pick(from, to, 7)).unwrap());
            }
        }
    }));
    per("refits with four Kenward-Roger tests each", "1,000 a second", tested);

    // Small-sample tests at larger sizes, the fit not counted.
    let ms = |what: &str, goal: &str, time: f64| row(what, goal, 1e3 * time, "ms", time / refit);
    for (n, levels, goals) in [
        (1_000, [10, 100], ["–", "5 ms"]),
        (10_000, [20, 500], ["15 ms", "100 ms"]),
    ] {
        let problem = crossed(&mut stream, n, levels, 4);
        let whole = seconds(3, || {
            let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
            black_box(prepared.fit(&problem.y, Method::Reml).unwrap());
        });
        ms(
            &format!("{n} rows, {} × {} crossed, 11 columns: fit", levels[0], levels[1]),
            goals[0],
            whole,
        );
        let prepared = Prepared::new(&problem.x, &problem.terms, None).unwrap();
        let fit = prepared.fit(&problem.y, Method::Reml).unwrap();
        let test = seconds(3, || {
            // A clone of a fresh fit has worked out no pieces yet.
            black_box(fit.clone().kenward_roger(&pick(1, 11, 11)).unwrap());
        });
        ms("one Kenward-Roger test of 10 columns on it", goals[1], test);
        let interval = seconds(1, || {
            black_box(fit.profile_interval(0, 0.95).unwrap());
        });
        ms("one profile interval on it", "–", interval);
    }
    ms("1,000,000 rows, 50 × 5,000 crossed: one look at the rows", "–", pass);
    ms("look and fit", "400 ms", whole);
    if let Some(most) = most {
        println!("| highest memory, the rows included | 500 MB | {most:.0} MB | – |");
    }
}

/// The strata of the split-plot, blocks first, and its fixed columns term by term.
fn strata(problem: &MixedProblem) -> (Vec<Partition>, Vec<TermColumns>) {
    let n = problem.y.len();
    let mut partitions: Vec<Partition> = problem
        .terms
        .iter()
        .rev()
        .enumerate()
        .map(|(index, term)| Partition {
            cell: term.groups.clone(),
            cells: term.levels,
            inside: (0..index).collect(),
        })
        .collect();
    partitions.push(Partition {
        cell: (0..n as u32).collect(),
        cells: n,
        inside: vec![0, 1],
    });
    let terms = problem.x.columns().skip(1);
    let terms = terms.map(|column| TermColumns {
        columns: vec![column.to_vec()],
    });
    (partitions, terms.collect())
}
