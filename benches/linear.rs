//! How fast a linear model of 1,000,000 rows and 37 columns is fitted: rows of 256 settings summed up first, and rows that
//! all differ.
//!
//! One thread. Prints a row a task, with its ratio to a plain look at every number in the same run; nothing is asserted,
//! because a busy machine is no defect. The same layouts with numpy: benches/peers/peers.py.

#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use std::hint::black_box;
use std::time::Instant;

use wellrun::numeric::Matrix;
use wellrun::numeric::stream::Stream;
use wellrun::stats::linear::{fit, fit_settings};

const ROWS: usize = 1_000_000;
const FACTORS: usize = 8;

/// Least seconds of a call over some repeats.
#[allow(clippy::disallowed_methods)]
fn seconds(mut call: impl FnMut()) -> f64 {
    (0..3)
        .map(|_| {
            let start = Instant::now();
            call();
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}

fn main() {
    let mut stream = Stream::named("rows");
    // Eight two-level factors, their 28 products of two, and the mean: 37 columns.
    let signs: Vec<Vec<f64>> = (0..FACTORS)
        .map(|k| (0..256).map(|s| if s >> k & 1 == 0 { -1.0 } else { 1.0 }).collect())
        .collect();
    let mut columns = signs.clone();
    for i in 0..FACTORS {
        for j in 0..i {
            columns.push(signs[i].iter().zip(&signs[j]).map(|(a, b)| a * b).collect());
        }
    }
    let settings = Matrix::from_columns(&columns);
    let setting: Vec<u32> = (0..ROWS).map(|_| stream.below(256) as u32).collect();
    let y: Vec<f64> = setting
        .iter()
        .map(|&s| 70.0 + f64::from(s % 7) + stream.normal())
        .collect();
    let collapsed = seconds(|| {
        let _ = black_box(fit_settings(&y, &setting, &settings, true).unwrap());
    });

    // As many columns of numbers, no two rows alike.
    let mut word = 0x9e37_79b9_7f4a_7c15_u64;
    let mut uniform = || {
        word ^= word << 13;
        word ^= word >> 7;
        word ^= word << 17;
        (word >> 11) as f64 / (1_u64 << 53) as f64
    };
    let columns: Vec<Vec<f64>> = (0..36).map(|_| (0..ROWS).map(|_| uniform()).collect()).collect();
    let x = Matrix::from_columns(&columns);
    drop(columns);
    let look = seconds(|| {
        let _ = black_box(x.columns().map(|column| column.iter().sum::<f64>()).sum::<f64>());
    });
    let different = seconds(|| {
        let _ = black_box(fit(&y, &x, true).unwrap());
    });

    println!("| 1,000,000 rows, 37 columns, one thread | Goal | Found | Ratio to a look at every number |");
    println!("|---|--:|--:|--:|");
    for (what, goal, time) in [
        ("sum of all columns, for comparison", "–", look),
        ("least squares, rows of 256 settings", "10 ms", collapsed),
        ("least squares, every row different", "150 ms", different),
    ] {
        println!("| {what} | {goal} | {:.1} ms | {:.2} |", 1e3 * time, time / look);
    }
}
