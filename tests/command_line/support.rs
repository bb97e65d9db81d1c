//! The program, study folders at several stages, and folders compared byte by byte.
#![expect(
    clippy::disallowed_methods,
    reason = "the tests lay out the folders in which the program runs"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::LazyLock;

use serde_json::Value;
use tempfile::TempDir;

pub const SITE: &str = include_str!("../../examples/roller-reading-spread/site.toml");
pub const PROTOCOL: &str = include_str!("../../examples/roller-reading-spread/protocol.toml");
pub const NOTE: &str = include_str!("../../examples/roller-reading-spread/note.md");
pub const SHEET: &str = include_str!("../../examples/roller-reading-spread/filled-sheet.csv");
pub const CORRECTION: &str = include_str!("../../examples/roller-reading-spread/corrected-reading.csv");
pub const REASON: &str = "digits swapped when typed: the paper sheet says 57.4";
pub const SEED: &str = "20260302";
/// 2026-03-02T06:30:00Z, for whatever looks at the clock.
pub const CLOCK: &str = "1772433000";

/// Every file below a folder with its bytes, by its path with `/`; folders end in `/` and hold nothing.
pub type Tree = BTreeMap<String, Vec<u8>>;

/// The program in a folder, at a fixed time, without anything from the surroundings that it listens to.
pub fn wellrun(dir: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_wellrun"));
    command
        .current_dir(dir)
        .stdin(Stdio::null())
        .env("SOURCE_DATE_EPOCH", CLOCK);
    for name in ["NO_COLOR", "COLUMNS", "TERM", "WELLRUN_TYPST"] {
        command.env_remove(name);
    }
    command
}

/// Runs the program and expects an exit status.
#[track_caller]
pub fn run(dir: &Path, arguments: &[&str], status: i32) -> Output {
    ended(wellrun(dir).args(arguments), status)
}

/// Runs a command and expects an exit status.
#[track_caller]
pub fn ended(command: &mut Command, status: i32) -> Output {
    let done = command.output().unwrap();
    let told = || format!("{command:?}\n{}\n{}", stdout(&done), stderr(&done));
    assert_eq!(done.status.code(), Some(status), "{}", told());
    done
}

pub fn stdout(done: &Output) -> String {
    String::from_utf8(done.stdout.clone()).expect("standard output is UTF-8")
}

pub fn stderr(done: &Output) -> String {
    String::from_utf8(done.stderr.clone()).expect("standard error is UTF-8")
}

/// Standard output of a run with `--json`.
pub fn json(done: &Output) -> Value {
    let text = stdout(done);
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error} in:\n{text}"))
}

pub fn tree(dir: &Path) -> Tree {
    let mut found = Tree::new();
    walk(dir, "", &mut found);
    found
}

fn walk(dir: &Path, before: &str, found: &mut Tree) {
    for entry in fs::read_dir(dir).unwrap() {
        let entry = entry.unwrap();
        let name = format!("{before}{}", entry.file_name().to_str().unwrap());
        if entry.file_type().unwrap().is_dir() {
            found.insert(format!("{name}/"), Vec::new());
            walk(&entry.path(), &format!("{name}/"), found);
        } else {
            found.insert(name, fs::read(entry.path()).unwrap());
        }
    }
}

pub fn lay_out(tree: &Tree, dir: &Path) {
    for (name, bytes) in tree {
        let path = dir.join(name);
        if name.ends_with('/') {
            fs::create_dir_all(path).unwrap();
        } else {
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, bytes).unwrap();
        }
    }
}

pub fn write(dir: &Path, name: &str, bytes: impl AsRef<[u8]>) {
    fs::write(dir.join(name), bytes).unwrap();
}

pub fn text(dir: &Path, name: &str) -> String {
    fs::read_to_string(dir.join(name)).unwrap()
}

/// Says which files differ, rather than print them.
#[track_caller]
pub fn assert_same(found: &Tree, expected: &Tree, what: &str) {
    let names = |tree: &Tree| tree.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(found), names(expected), "{what}: not the same files");
    let differing: Vec<&String> = found
        .keys()
        .filter(|&name| found.get(name) != expected.get(name))
        .collect();
    assert!(differing.is_empty(), "{what}: other bytes in {differing:?}");
}

/// How far a study is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Protocol, site file and note.
    Declared,
    /// The order is drawn.
    Frozen,
    /// The filled sheet is taken in.
    Recorded,
}

static DECLARED: LazyLock<Tree> = LazyLock::new(|| {
    Tree::from([
        ("protocol.toml".to_owned(), PROTOCOL.into()),
        ("site.toml".to_owned(), SITE.into()),
        ("note.md".to_owned(), NOTE.into()),
        ("filled-sheet.csv".to_owned(), SHEET.into()),
        ("corrected-reading.csv".to_owned(), CORRECTION.into()),
    ])
});
static FROZEN: LazyLock<Tree> = LazyLock::new(|| after(&DECLARED, &["plan", "--seed", SEED]));
static RECORDED: LazyLock<Tree> = LazyLock::new(|| after(&FROZEN, &["record", "filled-sheet.csv"]));

/// A folder after one more command in it.
fn after(tree: &Tree, arguments: &[&str]) -> Tree {
    let dir = tempfile::tempdir().unwrap();
    lay_out(tree, dir.path());
    run(dir.path(), arguments, 0);
    self::tree(dir.path())
}

/// The roller study at a stage, as files in memory.
pub fn roller(stage: Stage) -> Tree {
    match stage {
        Stage::Declared => DECLARED.clone(),
        Stage::Frozen => FROZEN.clone(),
        Stage::Recorded => RECORDED.clone(),
    }
}

/// The roller study at a stage, in a folder of its own.
pub fn roller_in_folder(stage: Stage) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    lay_out(&roller(stage), dir.path());
    dir
}

/// The filled sheet with a reading of its first run that cannot be.
pub fn impossible() -> String {
    let line = SHEET.lines().nth(1).unwrap();
    let mut cells: Vec<&str> = line.split(',').collect();
    cells[8] = "155.3";
    SHEET.replacen(line, &cells.join(","), 1)
}
