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
