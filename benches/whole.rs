//! Whole processes, as a user starts them: analysis, reports and the demo of the shipped 96-run study.
//!
//! Run with `cargo bench --bench whole`. Prints the best and the median of several starts in milliseconds, and each as a
//! ratio to a process that does nothing but print its version, so that a slow machine can be told from a slow program.
#![allow(missing_docs, clippy::print_stdout, clippy::unwrap_used, clippy::disallowed_methods)]

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Starts of each command.
const STARTS: usize = 15;

fn times(arguments: &[&str]) -> (f64, f64) {
    let mut all: Vec<f64> = (0..STARTS)
        .map(|_| {
            let begun = Instant::now();
            let status = Command::new(env!("CARGO_BIN_EXE_wellrun"))
                .args(arguments)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status()
                .unwrap();
            assert!(status.success(), "{arguments:?}");
            begun.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    (all[0], all[STARTS / 2])
}

fn main() {
    let scratch = std::env::temp_dir().join(format!("wellrun-bench-{}", std::process::id()));
    let demo = scratch.join("demo");
    let at = |path: &Path| path.to_str().unwrap().to_owned();
    let folder = at(&demo);
    let (nothing, _) = times(&["--version"]);
    println!("{:<44} {:>9} {:>9} {:>9}", "command", "best ms", "median", "ratio");
    let show = |name: &str, arguments: &[&str]| {
        let (best, median) = times(arguments);
        println!("{name:<44} {best:>9.1} {median:>9.1} {:>9.0}", best / nothing);
    };
    println!("{:<44} {nothing:>9.1}", "do nothing (--version)");
    show("demo: protocol to sheets and both reports", &["demo", &folder]);
    show("check, 96 runs", &["check", &folder]);
    show("analyse, 96 runs of 10 readings", &["analyse", &folder]);
    show("report to HTML", &["report", &folder, "--as", "html", "--force"]);
    show("report to PDF", &["report", &folder, "--as", "pdf", "--force"]);
    std::fs::remove_dir_all(&scratch).unwrap();
}
