//! How many orders a second the randomization test draws: 48 runs in 6 blocks, and the same runs in one block.
//!
//! One thread. Prints the table of benches/README.md: a row a way of drawing, with its ratio to the plain way (shuffle
//! every block, add up every run), which is measured in the same run; nothing is asserted, because a busy machine is no
//! defect.

#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use std::hint::black_box;
use std::time::Instant;

use wellrun::numeric::stream::Stream;
use wellrun::stats::randomization::{Effort, Group, Scheme, shifts, test};

const RUNS: usize = 48;

#[allow(clippy::disallowed_methods)]
fn seconds(mut call: impl FnMut()) -> f64 {
    let time = |call: &mut dyn FnMut()| {
        let start = Instant::now();
        call();
        start.elapsed().as_secs_f64()
    };
    (0..3).map(|_| time(&mut call)).fold(f64::INFINITY, f64::min)
}

fn scheme(blocks: usize) -> Scheme {
    let count = RUNS / blocks;
    let parts: Vec<u32> = (0..count).map(|i| (i % 2) as u32).collect();
    Scheme {
        slots: (0..RUNS).map(|slot| vec![slot]).collect(),
        groups: (0..blocks)
            .map(|block| Group {
                first: block * count,
                parts: parts.clone(),
            })
            .collect(),
        observed: parts.repeat(blocks),
    }
}

/// Every block shuffled, every run added up.
fn plain(y: &[f64], blocks: usize, draws: u64) -> u64 {
    let mut stream = Stream::named("plain");
    let mut signs: Vec<f64> = (0..RUNS).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let mut count = 0;
    for _ in 0..draws {
        for block in signs.chunks_exact_mut(RUNS / blocks) {
            stream.shuffle(block);
        }
        let sum: f64 = signs.iter().zip(y).map(|(s, y)| s * y).sum();
        count += u64::from(sum.abs() >= 8.0);
    }
    count
}

fn main() {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let mut stream = Stream::named("readings");
    let y: Vec<f64> = (0..RUNS).map(|_| 60.0 + stream.normal()).collect();
    let contrast = vec![-1.0, 1.0];
    let draws = 10_000_000_u64;
    let effort = Effort {
        list: 0,
        half: 0,
        draws,
    };
    println!("| 48 runs, one contrast, one thread | Goal | Draws a second | Ratio to shuffling |");
    println!("|---|--:|--:|--:|");
    for blocks in [6, 1] {
        let few = draws / 20;
        let plain_rate = few as f64
            / seconds(|| {
                let _ = black_box(plain(&y, blocks, few));
            });
        let own = scheme(blocks);
        let tested = seconds(|| {
            let _ = black_box(pool.install(|| test(&y, &own, std::slice::from_ref(&contrast), effort, "bench\n")));
        });
        let x: Vec<f64> = own.observed.iter().map(|&part| f64::from(part)).collect();
        let shift_draws = Effort {
            draws: 1_000_000,
            ..effort
        };
        let shifted = seconds(|| {
            let _ = black_box(pool.install(|| shifts(&y, &x, &own, &contrast, 0.95, shift_draws, "bench\n")));
        });
        for (what, rate) in [
            ("shuffle and add up", plain_rate),
            ("the test", draws as f64 / tested),
            ("the interval", 1e6 / shifted),
        ] {
            let what = format!("{what}, {blocks} {}", if blocks == 1 { "block" } else { "blocks" });
            let goal = if what == "the test, 6 blocks" {
                "5,000,000"
            } else {
                "–"
            };
            println!("| {what} | {goal} | {rate:.0} | {:.1} |", rate / plain_rate);
        }
    }
    let own = scheme(6);
    let counted = Effort {
        list: 0,
        half: 1 << 19,
        draws: 0,
    };
    let mut found = None;
    let time = seconds(|| found = test(&y, &own, std::slice::from_ref(&contrast), counted, ""));
    if let Some(found) = found {
        println!(
            "\nAll {} arrangements in 6 blocks counted in {:.0} ms: p = {:.6}.",
            found.arrangements,
            1e3 * time,
            found.p
        );
    }
}
