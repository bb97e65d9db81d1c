//! Making treatment sets: the searches that a protocol may ask for.
//!
//! Run with `cargo bench --bench designs`. Prints the best and the median of several runs in milliseconds, and each as a ratio
//! to sorting a fixed list of numbers in the same process, so that a slow machine can be told from a slow search.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

use std::hint::black_box;
use std::time::Instant;

use wellrun::numeric::arrangement::{
    aliases, blocks, incomplete_blocks, orthogonal_array, resolution, screening, search, span, word_lengths,
};
use wellrun::numeric::exchange::{Criterion, Problem};
use wellrun::numeric::{Cholesky, Matrix};

/// Runs of each search.
const TIMES: usize = 9;

fn times(mut work: impl FnMut()) -> (f64, f64) {
    let mut all: Vec<f64> = (0..TIMES)
        .map(|_| {
            let begun = Instant::now();
            work();
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    (all[0], all[TIMES / 2])
}

/// A million numbers in an order that no sort likes.
fn sort_numbers() {
    let mut list: Vec<u64> = (0..1_000_000_u64)
        .map(|i| i.wrapping_mul(0x9e37_79b9_7f4a_7c15))
        .collect();
    list.sort_unstable();
    black_box(list);
}

fn main() {
    let (unit, _) = times(sort_numbers);
    println!("{:<52} {:>9} {:>9} {:>9}", "search", "best ms", "median", "ratio");
    println!("{:<52} {unit:>9.1}", "sort a million numbers");
    let show = |name: &str, work: &mut dyn FnMut()| {
        let (best, median) = times(work);
        println!("{name:<52} {best:>9.2} {median:>9.2} {:>9.2}", best / unit);
    };
    sets(&show);
    optimal_sets();
}

/// Columns of a factor of evenly spaced levels, x and its powers; or of a category of so many levels.
fn columns(levels: usize, is_numeric: bool) -> Vec<Vec<f64>> {
    (0..levels)
        .map(|level| {
            let x = -1.0 + 2.0 * level as f64 / (levels - 1) as f64;
            let sum_to_zero = |column| {
                if level == levels - 1 {
                    -1.0
                } else {
                    f64::from(u8::from(level == column))
                }
            };
            let powers = std::iter::successors(Some(x), |power| Some(power * x)).take(levels - 1);
            if is_numeric {
                powers.collect()
            } else {
                (0..levels - 1).map(sum_to_zero).collect()
            }
        })
        .collect()
}

/// Main effects with all their columns, and pairs by `pair_columns` of each factor.
fn problem(columns: Vec<Vec<Vec<f64>>>, pair_columns: &[usize], rows: usize, starts: usize) -> Problem {
    let mut effects: Vec<Vec<(usize, usize)>> = (0..columns.len()).map(|f| vec![(f, columns[f][0].len())]).collect();
    for a in 0..columns.len() {
        effects.extend((a + 1..columns.len()).map(|b| vec![(a, pair_columns[a]), (b, pair_columns[b])]));
    }
    Problem {
        columns,
        effects,
        forbidden: Vec::new(),
        forced: Vec::new(),
        already: Vec::new(),
        rows,
        criterion: Criterion::D,
        starts,
    }
}

/// Optimal sets: time, starts, and efficiency against the optimum where it is known; below 99.9 % the program stops.
///
/// Two levels, main effects and pairs: |M| is at most Nᵖ (Hadamard's bound), which an orthogonal set reaches. Full quadratic of
/// two factors in 9 runs: the grid, 5184; in 6 runs 256 (all sets listed). In many runs: the continuous optimum over the grid
/// of three levels, found by the multiplicative algorithm (Titterington 1976, from memory) to a bound of 10⁻⁵ by the theorem of
/// Kiefer and Wolfowitz (1960).
fn optimal_sets() {
    println!();
    println!(
        "{:<56} {:>6} {:>8} {:>12}",
        "optimal set", "starts", "seconds", "efficiency"
    );
    let solve = |name: &str, problem: &Problem, optimum: Option<f64>| {
        let begun = Instant::now();
        let found = problem.solve().unwrap();
        let seconds = begun.elapsed().as_secs_f64();
        let efficiency = optimum.map_or_else(String::new, |optimum| {
            let share = ((found.ln_determinant - optimum) / problem.parameters() as f64).exp();
            assert!(share >= 0.999, "{name}: {share}");
            format!("{:.4} %", 100.0 * share)
        });
        println!(
            "{name:<56} {:>6} {seconds:>8.2} {efficiency:>12}  {} ends as good",
            problem.starts, found.as_good
        );
    };
    for (factors, rows) in [(3, 8), (4, 16), (5, 16), (6, 32), (6, 64), (7, 64)] {
        let problem = problem(vec![columns(2, true); factors], &vec![1; factors], rows, 30);
        let p = problem.parameters() as f64;
        let name = format!("2^{factors} with pairs, {rows} runs: orthogonal");
        solve(&name, &problem, Some(p * (rows as f64).ln()));
    }
    let quadratic =
        |factors: usize, rows: usize, starts| problem(vec![columns(3, true); factors], &vec![1; factors], rows, starts);
    let known = [(9, 5184_f64, "the grid"), (6, 256.0, "all listed")];
    for (rows, optimum, how) in known {
        let name = format!("full quadratic, 2 factors, {rows} runs: {how}");
        solve(&name, &quadratic(2, rows, 30), Some(optimum.ln()));
    }
    for (factors, rows) in [(2, 200), (3, 400), (4, 600)] {
        let problem = quadratic(factors, rows, 6);
        let p = problem.parameters() as f64;
        let name = format!("full quadratic, {factors} factors, {rows} runs: continuous");
        solve(&name, &problem, Some(continuous(&problem) + p * (rows as f64).ln()));
    }
    for (factors, rows) in [(3, 14), (4, 20), (5, 26)] {
        let name = format!("full quadratic, {factors} factors, {rows} runs");
        solve(&name, &quadratic(factors, rows, 100), None);
    }
    let mixed = [
        (3, true),
        (3, true),
        (3, true),
        (2, true),
        (2, false),
        (2, false),
        (3, false),
        (4, false),
    ];
    let parts: Vec<Vec<Vec<f64>>> = mixed
        .iter()
        .map(|&(levels, numeric)| columns(levels, numeric))
        .collect();
    let pairs: Vec<usize> = mixed
        .iter()
        .map(|&(levels, numeric)| if numeric { 1 } else { levels - 1 })
        .collect();
    let mut constrained = problem(parts, &pairs, 60, 30);
    // Pairs of the first six factors: all pairs have more coefficients than there are runs.
    constrained
        .effects
        .retain(|effect| effect.len() == 1 || effect.iter().all(|&(factor, _)| factor < 6));
    constrained.forbidden = vec![vec![(0, 2), (1, 2)], vec![(6, 1), (7, 3)], vec![(2, 0), (4, 1), (5, 1)]];
    constrained.forced = vec![vec![1, 1, 1, 0, 0, 0, 0, 0]];
    let name = format!(
        "8 mixed factors, {} coefficients, 60 runs, constraints",
        constrained.parameters()
    );
    solve(&name, &constrained, None);
    constrained.criterion = Criterion::I;
    solve("the same for predictions", &constrained, None);
}

/// ln|M| of the best continuous design on the grid, by the multiplicative algorithm: w becomes w d(x)/p.
fn continuous(problem: &Problem) -> f64 {
    let models: Vec<Vec<f64>> = problem.region().iter().map(|row| problem.model(row)).collect();
    let p = problem.parameters();
    let mut weights = vec![1.0 / models.len() as f64; models.len()];
    loop {
        let mut m = Matrix::zeros(p, p);
        for (model, weight) in models.iter().zip(&weights) {
            for j in 0..p {
                let share = weight * model[j];
                m.col_mut(j)
                    .iter_mut()
                    .zip(model)
                    .for_each(|(value, other)| *value += share * other);
            }
        }
        let root = Cholesky::new(&m).unwrap();
        let mut most: f64 = 0.0;
        for (model, weight) in models.iter().zip(&mut weights) {
            let mut half = model.clone();
            root.solve_lower(&mut half);
            let d: f64 = half.iter().map(|value| value * value).sum();
            most = most.max(d);
            *weight *= d / p as f64;
        }
        // At the optimum the largest d is p; the efficiency is at least exp(1 − max d/p).
        if most / p as f64 - 1.0 < 1e-5 {
            return root.ln_determinant();
        }
    }
}

type Show<'a> = &'a dyn Fn(&str, &mut dyn FnMut());

/// Fractions, screening sets, arrays and blocks.
fn sets(show: Show<'_>) {
    for (factors, base) in [(15, 5), (15, 6), (15, 7), (15, 8), (15, 10), (15, 14)] {
        let pattern = word_lengths(&span(&search(factors, base).unwrap()), factors);
        let name = format!(
            "2^({factors}-{}), resolution {} found",
            factors - base,
            resolution(&pattern).unwrap_or(0)
        );
        show(&name, &mut || {
            black_box(search(factors, base));
        });
    }
    show("48-run screening set", &mut || {
        black_box(screening(48));
    });
    show("alias chains of 120 pairs in 2^(15-10)", &mut || {
        let all = span(&search(15, 5).unwrap());
        for pair in (1_u32..1 << 15).filter(|m| m.count_ones() == 2) {
            black_box(aliases(pair, &all));
        }
    });
    show("2^(8-2) in 8 blocks", &mut || {
        black_box(blocks(&search(8, 6).unwrap(), 8, 3, &|_| false));
    });
    show("orthogonal array of 36 runs, 11 + 12 columns", &mut || {
        black_box(orthogonal_array(&[vec![2; 11], vec![3; 12]].concat(), None));
    });
    show("incomplete blocks, 10 in blocks of 4", &mut || {
        black_box(incomplete_blocks(10, 4, 15).ok());
    });
    show("incomplete blocks refused, 16 in blocks of 7", &mut || {
        black_box(incomplete_blocks(16, 7, 240).ok());
    });
}
