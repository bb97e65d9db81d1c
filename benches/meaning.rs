//! What a stated result means: the simulation of an uncertainty budget, the acceptance curve, the conservative interval of
//! distinct categories.
//!
//! Run with `cargo bench --bench meaning`. Prints the best and the median of several goes in milliseconds. Wanted: 1,000,000
//! trials under a second on two cores, an acceptance curve in no time.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

use std::hint::black_box;
use std::time::Instant;

use wellrun::numeric::expression::Expression;
use wellrun::stats::conformity::{Retest, global_risk, least_margin, passes_at_random};
use wellrun::stats::simulation::{Drawn, Shape, Trials, simulate};

const GOES: usize = 7;

fn time(name: &str, mut go: impl FnMut()) {
    let mut all: Vec<f64> = (0..GOES)
        .map(|_| {
            let begun = Instant::now();
            go();
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    println!("{name:<64} {:>9.2} {:>9.2}", all[0], all[GOES / 2]);
}

/// The budget of a hardness result: six sources of several shapes, a square and a product.
fn budget() -> (Expression, Vec<Drawn>) {
    let equation =
        Expression::read("reading + set_up + calibration - off^2 / (2 * 50 * 0.0254) - slope * (temperature - 23)")
            .unwrap();
    let drawn = equation
        .names()
        .iter()
        .map(|name| {
            let (value, standard, shape) = match name.as_str() {
                "reading" => (57.0, 0.19, Shape::Student(300.0)),
                "set_up" => (0.0, 0.18, Shape::Student(18.0)),
                "calibration" => (0.0, 1.0 / 3_f64.sqrt(), Shape::Rectangular),
                "off" => (0.0, 0.41, Shape::Triangular),
                "slope" => (-0.19, 0.03, Shape::Student(4.0)),
                _ => (23.0, 2.0 / 3_f64.sqrt(), Shape::Rectangular),
            };
            Drawn {
                value,
                standard,
                shape,
                count: 1,
            }
        })
        .collect();
    (equation, drawn)
}

fn main() {
    println!("{:<64} {:>9} {:>9}", "what", "best ms", "median");
    let (equation, drawn) = budget();
    time("simulation of a budget, 1,000,000 trials, six sources", || {
        let found = simulate(&equation, &drawn, None, 0.95, Trials::Fixed(1_000_000), "bench").unwrap();
        assert_eq!(black_box(found).trials, 1_000_000);
    });
    for (name, retest) in [
        ("acceptance curve, 81 true values, no repeat", Retest::None),
        ("acceptance curve, 81 true values, a second try", Retest::SecondCounts),
    ] {
        time(name, || {
            for point in 0..81 {
                let margin = f64::from(point - 40) / 10.0;
                black_box(passes_at_random(margin, 0.3, 0.6, retest));
            }
            black_box(least_margin(0.95, 0.3, 0.6, retest));
        });
    }
    time("risks of a production", || {
        black_box(global_risk((57.0, 1.2), 0.69, (55.0, f64::INFINITY), (56.14, f64::INFINITY)).unwrap());
    });
}
