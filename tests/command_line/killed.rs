//! `record` is killed in the middle, over and over: what it had reported stays, and nothing else counts.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::LazyLock;
use std::thread;
use std::time::Duration;

use proptest::prelude::Rng as _;
use proptest::test_runner::{RngAlgorithm, TestRng};
use wellrun::diagnostic::Source;
use wellrun::protocol::Protocol;
use wellrun::record::{self, Context, Record};
use wellrun::{plan, protocol};

use super::support::{CLOCK, Tree, assert_same, lay_out, run, stderr, stdout, text, tree, write};

/// 12 blocks of 20 runs, two readings each.
const PROTOCOL: &str = r#"
wellrun = 1

[study]
id = "many-runs"
version = "1.0"
title = "Do two heads read alike?"
question = "Do two heads read alike?"
kind = "variance investigation"
method = "Type D durometer on an operating stand"

[response.hardness]
measurand = "Apparent Shore D hardness of the running surface of a drive roller"
unit = "Shore D"
resolution = 0.1
possible = [0, 100]
readings = 2
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1

[[unit]]
name = "block"
count = 12

[[unit]]
name = "run"
within = ["block"]

[factor.head]
set_on = "run"
levels = ["first", "second"]

[design]
treatments = "full factorial"
replicates = 10
order = "randomized"

[analysis]
planned = ["head"]
"#;

const RUNS: usize = 240;

/// The study with its order frozen, and the sheet as it is to be filled.
static FROZEN: LazyLock<Tree> = LazyLock::new(|| {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), "protocol.toml", PROTOCOL);
    run(dir.path(), &["plan", "--seed", "5"], 0);
    run(dir.path(), &["sheet", "--as", "csv"], 0);
    let mut tree = tree(dir.path());
    let blank = text(dir.path(), "sheets/sheet.csv");
    let filled = filled(&blank);
    for (part, rows) in parts(&filled).into_iter().enumerate() {
        tree.insert(part_name(part), rows.into_bytes());
    }
    tree.insert("all.csv".into(), filled.into_bytes());
    tree
});

/// The table of readings of a record that nobody disturbed.
static UNDISTURBED: LazyLock<String> = LazyLock::new(|| {
    let dir = study();
    run(dir.path(), &["record", "all.csv"], 0);
    let lines = text(dir.path(), "record.jsonl");
    let tidy = tidy(&lines);
    assert_eq!(tidy.lines().count(), 1 + 2 * RUNS);
    tidy
});

fn study() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    lay_out(&FROZEN, dir.path());
    dir
}

/// Puts readings into a blank sheet: 40.0, 40.1, ... up from row to row.
fn filled(blank: &str) -> String {
    let mut lines = blank.lines();
    let header = lines.next().unwrap();
    let first = header.split(',').position(|name| name == "hardness 1").unwrap();
    let mut text = format!("{header}\n");
    for (row, line) in lines.enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        for reading in 0..2 {
            let tenths = 400 + (row * 7 + reading * 3) % 300;
            cells[first + reading] = format!("{}.{}", tenths / 10, tenths % 10);
        }
        let _ = writeln!(text, "{}", cells.join(","));
    }
    text
}

const PARTS: usize = 40;

/// The sheet cut into sheets of six runs.
fn parts(filled: &str) -> Vec<String> {
    let (header, rows) = filled.split_once('\n').unwrap();
    let rows: Vec<&str> = rows.lines().collect();
    assert_eq!(rows.len(), RUNS);
    rows.chunks(RUNS / PARTS)
        .map(|rows| format!("{header}\n{}\n", rows.join("\n")))
        .collect()
}

fn part_name(part: usize) -> String {
    format!("part-{part}.csv")
}

static DECLARED: LazyLock<(Protocol, plan::Plan)> = LazyLock::new(|| {
    let source = |name: &str| Source::new(name, String::from_utf8(FROZEN[name].clone()).unwrap());
    let protocol = protocol::read(&source("protocol.toml")).unwrap().0;
    let plan = plan::read(&source("plan.csv"), &source("plan.toml"), &protocol).unwrap();
    (protocol, plan)
});

/// The record that the whole lines of a journal come to; every line is a link of the chain.
fn replay(journal: &str) -> Record {
    let (protocol, plan) = &*DECLARED;
    let whole = journal.rfind('\n').map_or(0, |at| at + 1);
    let context = Context {
        protocol,
        plan: Some(plan),
        people: &[],
    };
    record::replay(&Source::new("record.jsonl", &journal[..whole]), &context)
        .unwrap_or_else(|wrong| panic!("{wrong:?}"))
}

fn tidy(journal: &str) -> String {
    let (protocol, plan) = &*DECLARED;
    record::tidy(protocol, Some(plan), &replay(journal))
}

fn journal(dir: &Path) -> String {
    if dir.join("record.jsonl").exists() {
        text(dir, "record.jsonl")
    } else {
        String::new()
    }
}

fn spawn(dir: &Path, sheet: &str) -> Child {
    Command::new(env!("CARGO_BIN_EXE_wellrun"))
        .args(["record", sheet])
        .current_dir(dir)
        .env("SOURCE_DATE_EPOCH", CLOCK)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// What a kill waits for, before its delay.
#[derive(Debug, Clone, Copy)]
enum After {
    Start,
    Lock,
    FirstByte,
}

/// Kills the program after its start, after it took the lock, or after the journal began to grow; says whether it had
/// ended by then, which is a success it reported.
fn kill(dir: &Path, sheet: &str, after: After, delay: Duration) -> bool {
    let size = || fs::metadata(dir.join("record.jsonl")).map_or(0, |found| found.len());
    let before = size();
    let mut child = spawn(dir, sheet);
    loop {
        let is_time = match after {
            After::Start => true,
            // The lock that an earlier kill left lies there already; then the delay runs from the start.
            After::Lock => dir.join(".wellrun.lock").exists(),
            After::FirstByte => size() > before,
        };
        if is_time || child.try_wait().unwrap().is_some() {
            break;
        }
        thread::yield_now();
    }
    thread::sleep(delay);
    let _ = child.kill(); // it may have ended
    child.wait().unwrap().success()
}

fn generator() -> TestRng {
    TestRng::from_seed(RngAlgorithm::ChaCha, &[26; 32])
}

/// Class: closed form. 48 rounds over the sheets of one study: each sheet is killed until it goes through once.
#[test]
fn killed_over_and_over_a_study_loses_nothing_it_reported() {
    let dir = study();
    let at = dir.path();
    let mut random = generator();
    let mut reported: BTreeSet<usize> = BTreeSet::new();
    let mut before = String::new();
    let mut killed = 0;
    for round in 0..48 {
        let part = round % PARTS;
        let after = [After::Start, After::Lock, After::FirstByte][round % 3];
        // One in four at once, so that some are killed however fast the machine is.
        let delay = if round % 4 == 0 { 0 } else { random.next_u32() % 26 };
        let delay = Duration::from_millis(u64::from(delay));
        let is_done = kill(at, &part_name(part), after, delay);
        killed += usize::from(!is_done);
        if is_done {
            reported.insert(part);
        }
        let now = journal(at);
        assert!(
            now.starts_with(&before[..before.rfind('\n').map_or(0, |at| at + 1)]),
            "round {round}: lines went"
        );
        let record = replay(&now);
        for part in &reported {
            for run in &runs_of(*part) {
                let readings = record
                    .runs
                    .get(run)
                    .map(|run| run.readings.iter().flatten().flatten().count());
                assert_eq!(readings, Some(2), "round {round}: run {run} was reported and is gone");
            }
        }
        run(at, &["check"], 0);
        before = now;
    }
    assert!(killed > 0, "each of the 48 ended before it was killed");
    run(at, &["record", "all.csv"], 0);
    assert_eq!(tidy(&journal(at)), *UNDISTURBED);
    swept(at);
}

/// Numbers of the runs on a sheet.
fn runs_of(part: usize) -> Vec<usize> {
    let text = String::from_utf8(FROZEN[&part_name(part)].clone()).unwrap();
    text.lines()
        .skip(1)
        .map(|line| line.split(',').next().unwrap().parse().unwrap())
        .collect()
}

/// Nothing of a killed writer lies about, apart from pieces of lines that were set aside.
fn swept(dir: &Path) {
    for name in tree(dir).keys() {
        assert!(!name.contains(".wellrun"), "{name} was left");
    }
}

/// Class: closed form. The whole sheet at once, killed while it is written; then it is taken in again.
#[test]
fn killed_while_writing_a_sheet_is_taken_in_again_whole() {
    let mut random = generator();
    for round in 0..16 {
        let dir = study();
        let after = [After::FirstByte, After::Lock][round % 2];
        let delay = Duration::from_millis(u64::from(random.next_u32() % 26));
        let delay = if matches!(after, After::FirstByte) {
            Duration::ZERO
        } else {
            delay
        };
        kill(dir.path(), "all.csv", after, delay);
        run(dir.path(), &["check"], 0);
        run(dir.path(), &["record", "all.csv"], 0);
        assert_eq!(tidy(&journal(dir.path())), *UNDISTURBED, "round {round}");
        swept(dir.path());
    }
}

/// Class: closed form. Whatever a kill can leave of the last write is a beginning of it: every kind of beginning.
#[test]
fn every_beginning_of_a_journal_is_a_journal() {
    let dir = study();
    run(dir.path(), &["record", "all.csv"], 0);
    let whole = journal(dir.path());
    let mut random = generator();
    let line = whole.find('\n').unwrap();
    let mut cuts = vec![0, 1, line, line + 1, line + 2, whole.len() - 1];
    cuts.extend((0..10).map(|_| random.next_u32() as usize % whole.len()));
    for cut in cuts {
        let dir = study();
        let at = dir.path();
        write(at, "record.jsonl", &whole[..cut]);
        let torn = cut - whole[..cut].rfind('\n').map_or(0, |at| at + 1);
        let before = tree(at);
        let told = stderr(&run(at, &["check"], 0));
        assert_eq!(told.contains("warning[F022]"), torn > 0, "cut at {cut}: {told}");
        assert_same(&tree(at), &before, "check");
        let done = run(at, &["record", "all.csv"], 0);
        assert_eq!(stderr(&done).contains("record.torn-1"), torn > 0, "cut at {cut}");
        assert!(stdout(&done).contains("all.csv: "), "cut at {cut}");
        assert_eq!(tidy(&journal(at)), *UNDISTURBED, "cut at {cut}");
        if torn > 0 {
            assert_eq!(text(at, "record.torn-1"), whole[cut - torn..cut], "cut at {cut}");
        }
        swept(at);
    }
}
