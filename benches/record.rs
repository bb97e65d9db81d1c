//! How fast a large table is read with every cell checked: megabytes of text a second.
//!
//! One million rows of twelve columns as a spreadsheet saves them: a run number, two units, a level, seven readings and
//! initials. Best of five passes over the text in memory.
#![allow(clippy::print_stdout, clippy::disallowed_methods, clippy::expect_used)]

use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Instant;

use rust_decimal::Decimal;
use wellrun::record::{Table, decode, lies_in, lies_on, parse_number};

const ROWS: usize = 1_000_000;

fn main() {
    let mut text = String::from("run,session,roller,instrument,h 1,h 2,h 3,h 4,h 5,h 6,h 7,operator\n");
    for run in 1..=ROWS {
        write!(
            text,
            "{run},{},{},{}",
            run % 4 + 1,
            run % 8 + 1,
            if run % 2 == 0 { "A" } else { "B" }
        )
        .expect("memory");
        for reading in 0..7 {
            write!(
                text,
                ",{}.{}",
                60 + (run * 7 + reading * 13) % 20,
                (run * 3 + reading) % 10
            )
            .expect("memory");
        }
        text.push_str(",AB\n");
    }
    let megabytes = text.len() as f64 / 1e6;
    for (name, work) in [
        ("decode and cells", cells as fn(&str) -> usize),
        ("decode, cells and exact decimals", numbers),
    ] {
        let mut best = f64::INFINITY;
        for _ in 0..5 {
            let bytes = text.clone().into_bytes(); // as a file is read: into memory of its own
            let start = Instant::now();
            let source = decode("large.csv", bytes).expect("UTF-8");
            let count = black_box(work(&source.text));
            assert_eq!(count, ROWS * 12);
            best = best.min(start.elapsed().as_secs_f64());
        }
        println!("{name}: {:.0} MB/s ({megabytes:.0} MB, {ROWS} rows)", megabytes / best);
    }
}

/// Finds every cell.
fn cells(text: &str) -> usize {
    let table = Table::open(text).expect("a header");
    let mut rows = table.rows();
    let (mut cells, mut faults) = (Vec::new(), Vec::new());
    let mut count = 0;
    while rows.next_into(&mut cells, &mut faults) {
        count += cells.len();
    }
    assert!(faults.is_empty());
    count
}

/// Finds every cell, reads eleven of twelve as what they must be, and holds the readings against a range and a step.
fn numbers(text: &str) -> usize {
    let range = Some((Decimal::from(55), Decimal::from(85)));
    let step = Decimal::new(1, 1);
    let table = Table::open(text).expect("a header");
    let mut rows = table.rows();
    let (mut cells, mut faults) = (Vec::new(), Vec::new());
    let mut count = 0;
    while rows.next_into(&mut cells, &mut faults) {
        for (column, cell) in cells.iter().enumerate() {
            let raw = cell.raw(text);
            let fine = match column {
                3 => raw == "A" || raw == "B",
                11 => raw == "AB",
                _ => parse_number(raw)
                    .is_ok_and(|number| column < 4 || (lies_in(range, number.value) && lies_on(step, number.value))),
            };
            count += usize::from(fine);
        }
    }
    assert!(faults.is_empty());
    count
}
