//! The whole tool, as people use it: commands in temporary folders, their files, words and exit status.
//!
//! Class of expected values: closed form (positions of faults planted by the test), published (oats), and equality of
//! two runs. Nothing here depends on how long something takes.
#![allow(clippy::unwrap_used, clippy::panic)] // in a test, a failed step is a failed test
#![expect(clippy::disallowed_methods, reason = "these tests look at files the way a user does")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::thread;
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

#[path = "../examples/simulate-roller-readings.rs"]
#[expect(dead_code, reason = "its `main` is for the example; the sheet is compared here")]
mod simulate;

const BINARY: &str = env!("CARGO_BIN_EXE_wellrun");
const HOME: &str = env!("CARGO_MANIFEST_DIR");

/// A temporary folder to run commands in.
struct Place(TempDir);

/// What a command left behind.
struct Ran {
    status: i32,
    out: String,
    err: String,
}

impl Place {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, relative: &str) -> PathBuf {
        self.0.path().join(relative)
    }

    fn write(&self, relative: &str, text: &str) {
        let path = self.path(relative);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    fn read(&self, relative: &str) -> String {
        fs::read_to_string(self.path(relative)).unwrap()
    }

    /// The command with a bare environment and a fixed clock.
    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(BINARY);
        command
            .args(arguments)
            .current_dir(self.0.path())
            .env_clear()
            .env("SOURCE_DATE_EPOCH", "1772433000") // 2026-03-02
            .stdin(Stdio::null());
        command
    }

    fn run(&self, arguments: &[&str]) -> Ran {
        Ran::from(self.command(arguments).output().unwrap())
    }

    /// Runs a command that has to end well.
    fn done(&self, arguments: &[&str]) -> Ran {
        let ran = self.run(arguments);
        assert_eq!(ran.status, 0, "{arguments:?}\n{}\n{}", ran.out, ran.err);
        ran
    }

    /// Runs a command that has to end with `status` and to change no file.
    fn refused(&self, arguments: &[&str], status: i32) -> Ran {
        let before = tree(self.0.path());
        let ran = self.run(arguments);
        assert_eq!(ran.status, status, "{arguments:?}\n{}\n{}", ran.out, ran.err);
        assert!(before == tree(self.0.path()), "{arguments:?} changed files");
        ran
    }
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        Self {
            status: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

impl Ran {
    /// The diagnostics of a command that ran with `--json`: one object a line.
    fn diagnostics(&self) -> Vec<Value> {
        self.err
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    }
}

/// Every file under a folder with its bytes.
fn tree(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                found.insert(path.clone(), Vec::new());
                open.push(path);
            } else {
                let bytes = fs::read(&path).unwrap();
                found.insert(path, bytes);
            }
        }
    }
    found
}

/// Numbers that look random and are the same at every run (a linear congruence, Knuth's MMIX constants).
struct Dice(u64);

impl Dice {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % bound
    }
}

const PROTOCOL: &str = r#"wellrun = 1

[study]
id = "small"
version = "1.0"
title = "Does the instrument move the reading?"
question = "Do instruments A and B read alike at both temperatures?"
kind = "ruggedness test"
method = "In-house procedure, second edition"

[response.hardness]
measurand = "Apparent hardness of the running surface"
unit = "Shore D"
resolution = 0.1
possible = [0, 100]
expected = [45, 70]
readings = 2
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1
limit = { at_least = 50 }
relevant = 0.5

[[unit]]
name = "session"
count = 4
set_up = ["Set the oven."]

[[unit]]
name = "run"
count = 4
within = ["session"]

[factor.temperature]
set_on = "session"
levels = [21, 25]
unit = "°C"
scale = "numeric"
safe = [15, 40]

[factor.instrument]
set_on = "run"
levels = ["A", "B"]
named_by_site = true

[condition.probe]
unit = "°C"
measured_on = "run"
possible = [10, 45]
expected = [20, 26]

[design]
treatments = "full factorial"
order = "randomized"

[analysis]
planned = ["instrument", "temperature", ["temperature", "instrument"]]
interactions = 2
confidence = 0.95
"#;

const SITE: &str = r#"wellrun_site = 1

[site]
id = "north"
name = "North bench"
room = "Room 2"
dates = ["2026-03-02", "2026-03-05"]

[[person]]
code = "op1"
role = "operator"

[[person]]
code = "op2"
role = "operator"

[[named]]
factor = "instrument"
level = "A"
description = "Type D durometer with digital display"
serial = "D-1041"
certificate = "C-2026-017"
calibrated = "2026-01-15"
due = "2027-01-15"
tolerance = 1.0

[[named]]
factor = "instrument"
level = "B"
description = "Type D durometer with dial"
serial = "D-0388"
certificate = "C-2025-112"
calibrated = "2025-09-03"
due = "2026-09-03"
tolerance = 1.0

[labels]
session = ["S1", "S2", "S3", "S4"]
"#;

/// A small study with a frozen plan in `study/`; returns its blank sheet as rows.
fn planned(place: &Place) -> Vec<Vec<String>> {
    place.write("study/protocol.toml", PROTOCOL);
    place.write("study/site.toml", SITE);
    place.done(&["plan", "study", "--seed", "7", "--quiet"]);
    place.done(&["sheet", "study", "--as", "csv", "--quiet"]);
    let sheet = place.read("study/sheets/sheet.csv");
    let sheet = sheet.trim_start_matches('\u{feff}');
    sheet
        .lines()
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

fn column(rows: &[Vec<String>], name: &str) -> usize {
    rows[0].iter().position(|head| head == name).unwrap()
}

/// Fills the sheet with readings round 57 that have a spread.
fn filled(mut rows: Vec<Vec<String>>) -> Vec<Vec<String>> {
    let mut dice = Dice(1);
    let [first, second, probe, order] = ["hardness 1", "hardness 2", "probe", "order"].map(|name| column(&rows, name));
    for (index, row) in rows.iter_mut().enumerate().skip(1) {
        for at in [first, second] {
            row[at] = format!("{}.{}", 56 + dice.below(2), dice.below(10));
        }
        row[probe] = format!("23.{}", dice.below(10));
        row[order] = index.to_string();
    }
    rows
}

fn csv(rows: &[Vec<String>]) -> String {
    rows.iter().map(|row| row.join(",") + "\n").collect()
}

/// Takes the mark out of a text, and returns the line and column (in characters) where it stood.
fn marked(text: &str) -> (String, u64, u64) {
    let at = text.find('¦').unwrap();
    let before = &text[..at];
    let line = before.matches('\n').count() as u64 + 1;
    let column = before[before.rfind('\n').map_or(0, |n| n + 1)..].chars().count() as u64 + 1;
    (text.replace('¦', ""), line, column)
}

/// True if one of the diagnostics has the code and the place.
fn has(diagnostics: &[Value], file: &str, (code, line, column): (&str, u64, u64)) -> bool {
    diagnostics.iter().any(|d| {
        d["code"] == code
            && d["severity"] == "error"
            && d["file"] == file
            && d["line"] == line
            && d["column"] == column
            && !d["message"].as_str().unwrap().is_empty()
    })
}

/// Replaces one occurrence, which has to be there just once.
fn broken(text: &str, from: &str, to: &str) -> String {
    assert_eq!(text.matches(from).count(), 1, "{from}");
    text.replace(from, to)
}

// ---------------------------------------------------------------- the way of a study

/// The shipped protocol, the shipped site and the shipped sheet, one command after the other.
#[test]
fn from_a_new_study_to_its_report() {
    let place = Place::new();
    place.done(&["new", "roller-reading-spread", "study"]);
    assert_eq!(
        place.read("study/protocol.toml"),
        fs::read_to_string(format!("{HOME}/protocols/roller-reading-spread/protocol.toml")).unwrap()
    );
    // The site is still to be filled in: that is said, and nothing can be frozen.
    let ran = place.refused(&["check", "study", "--json"], 1);
    let found: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(found["ok"], false);
    assert!(
        found["diagnostics"]
            .as_array()
            .unwrap()
            .iter()
            .any(|d| d["code"] == "S012")
    );
    place.refused(&["plan", "study"], 1);
    let site = fs::read_to_string(format!("{HOME}/examples/roller-reading-spread/site.toml")).unwrap();
    place.write("study/site.toml", &site);
    place.done(&["check", "study"]);
    let ran = place.refused(&["plan", "study", "--preview"], 0);
    for words in ["96 runs", "960 readings", "session × roller", "at the bench"] {
        assert!(ran.out.contains(words), "{words}:\n{}", ran.out);
    }
    place.done(&["plan", "study", "--seed", "20260302"]);
    place.done(&["sheet", "study", "--as", "csv,html"]);
    place.refused(&["analyse", "study"], 1);

    let sheet = format!("{HOME}/examples/roller-reading-spread/filled-sheet.csv");
    let ran = place.refused(&["record", "study", &sheet, "--dry-run"], 0);
    assert!(ran.out.contains("Nothing was written"), "{}", ran.out);
    place.done(&["record", "study", &sheet]);
    let ran = place.refused(&["record", "study", &sheet], 0);
    assert!(ran.out.contains("nothing was added"), "{}", ran.out);
    let correction = format!("{HOME}/examples/roller-reading-spread/corrected-reading.csv");
    place.refused(&["record", "study", &correction], 1);
    place.done(&["record", "study", &correction, "--reason", "digits swapped when typed"]);
    place.done(&[
        "record",
        "study",
        "--deviation",
        "The oven door stood open.",
        "--run",
        "12",
    ]);
    let status: Value = serde_json::from_str(&place.done(&["status", "study", "--json"]).out).unwrap();
    assert_eq!((&status["planned"], &status["complete"]), (&96.into(), &96.into()));
    assert_eq!((&status["corrections"], &status["deviations"]), (&1.into(), &1.into()));

    let findings: Value = serde_json::from_str(&place.done(&["analyse", "study", "--json"]).out).unwrap();
    assert_eq!(findings["responses"]["hardness"]["readings"], 960);
    place.done(&["check", "study"]);
    place.done(&["report", "study", "--as", "html"]);
    let written: Value = serde_json::from_str(&place.read("study/report/findings.json")).unwrap();
    assert!(findings == written);
    assert!(
        place
            .read("study/report/report.html")
            .contains("What moves a Shore D reading")
    );
    // The same study gives the same bytes: a second report leaves every file alone.
    place.refused(&["report", "study", "--as", "html"], 0);
}

/// The true values are those that `examples/simulate-roller-readings.rs` puts into the readings.
#[test]
fn the_example_is_what_its_parts_make() {
    let example = |file: &str| fs::read_to_string(format!("{HOME}/examples/roller-reading-spread/{file}")).unwrap();
    assert!(simulate::filled().unwrap() == example("filled-sheet.csv"));
    let protocol = fs::read_to_string(format!("{HOME}/protocols/roller-reading-spread/protocol.toml")).unwrap();
    assert!(protocol == example("protocol.toml"));
    let place = Place::new();
    for file in [
        "protocol.toml",
        "site.toml",
        "plan.csv",
        "plan.toml",
        "record.jsonl",
        "note.md",
    ] {
        place.write(&format!("study/{file}"), &example(file));
    }
    place.done(&["check", "study"]);
    let findings: Value = serde_json::from_str(&place.done(&["analyse", "study", "--json"]).out).unwrap();
    let found = &findings["responses"]["hardness"];
    let holds = |item: &Value, truth: f64| {
        let (low, high) = (item["low"].as_f64().unwrap(), item["high"].as_f64().unwrap());
        assert!(low <= truth && truth <= high, "{truth}: {item}");
    };
    let contrast = |factor: &str| {
        let list = found["contrasts"].as_array().unwrap();
        list.iter()
            .find(|c| c["factor"] == factor && c["within"] == serde_json::json!({}))
            .unwrap()
            .clone()
    };
    holds(&contrast("instrument"), -0.9);
    holds(
        &contrast("finish"),
        if contrast("finish")["to"] == "polished" {
            0.3
        } else {
            -0.3
        },
    );
    holds(&found["slopes"][0], -0.17);
}

/// Published: Yates (1935) as in Venables and Ripley, MASS, section 10.2: F 1.49, 37.686, 0.303.
#[test]
fn existing_readings_take_the_same_path() {
    let place = Place::new();
    for file in ["protocol.toml", "readings.csv", "record.jsonl"] {
        place.write(
            file,
            &fs::read_to_string(format!("{HOME}/examples/oats-split-plot/{file}")).unwrap(),
        );
    }
    // The folder of the study may be left out.
    let ran = place.refused(&["record", "readings.csv"], 0);
    assert!(ran.out.contains("nothing was added"), "{}", ran.out);
    let findings: Value = serde_json::from_str(&place.done(&["analyse", "--json"]).out).unwrap();
    assert_eq!(findings["study"]["order"], "as run");
    let effects = findings["responses"]["yield"]["effects"].as_array().unwrap();
    for (term, f, half_a_digit) in [
        ("variety", 1.49, 0.005),
        ("nitrogen", 37.686, 0.0005),
        ("variety × nitrogen", 0.303, 0.0005),
    ] {
        let found = effects.iter().find(|effect| effect["term"] == term).unwrap()["f"]
            .as_f64()
            .unwrap();
        assert!((found - f).abs() <= half_a_digit, "{term}: {found}");
    }
    place.refused(&["plan"], 1);
    place.refused(&["sheet"], 1);
}

// ---------------------------------------------------------------- what is wrong is said, and nothing is written

/// From, to (with a mark where the fault is to be reported), code.
const BROKEN_PROTOCOLS: &[(&str, &str, &str)] = &[
    ("kind = \"ruggedness test\"", "kind = ¦\"rugedness test\"", "P006"),
    ("readings = 2", "¦raedings = 2", "P002"),
    ("readings = 2", "readings = ¦0", "P011"),
    ("readings = 2", "readings = ¦\"two\"", "P003"),
    ("resolution = 0.1", "resolution = ¦0", "P011"),
    ("resolution = 0.1", "resolution = ¦-0.1", "P011"),
    (
        "title = \"Does the instrument move the reading?\"",
        "title = ¦\"\"",
        "P005",
    ),
    (
        "measurand = \"Apparent hardness of the running surface\"",
        "measurand = ¦\"  \"",
        "P005",
    ),
    ("[study]\n", "[study¦\n", "P001"),
    ("wellrun = 1", "wellrun = ¦2", "P009"),
    ("possible = [0, 100]", "possible = ¦[100, 0]", "P050"),
    (
        "limit = { at_least = 50 }",
        "limit = ¦{ at_least = 50, at_most = 60 }",
        "P052",
    ),
    ("within = [\"session\"]", "within = [¦\"sesion\"]", "P030"),
    ("set_on = \"session\"", "set_on = ¦\"oven\"", "P030"),
    ("levels = [\"A\", \"B\"]", "levels = ¦[\"A\"]", "P040"),
    ("levels = [\"A\", \"B\"]", "levels = [\"A\", ¦\"A\"]", "P041"),
    ("levels = [21, 25]", "levels = [21, ¦\"warm\"]", "P042"),
    ("levels = [21, 25]", "levels = [21, ¦95]", "P043"),
    ("planned = [\"instrument\",", "planned = [¦\"instrumnt\",", "P060"),
    ("confidence = 0.95", "confidence = ¦1.5", "P011"),
    ("[condition.probe]", "[condition.¦instrument]", "P022"),
    ("id = \"small\"", "id = ¦\"small/../../etc\"", "P024"),
    ("count = 4\nset_up", "count = ¦3\nset_up", "P033"),
    ("round_to = 0.1", "round_to = ¦\"sometimes\"", "P003"),
    ("measured_on = \"run\"", "measured_on = ¦\"runs\"", "P030"),
];

#[test]
fn every_broken_protocol_is_refused_at_the_right_place() {
    let mut astray = Vec::new();
    for (from, to, code) in BROKEN_PROTOCOLS {
        let place = Place::new();
        let (text, line, column) = marked(&broken(PROTOCOL, from, to));
        place.write("study/protocol.toml", &text);
        place.write("study/site.toml", SITE);
        let diagnostics = place.refused(&["plan", "study", "--json"], 1).diagnostics();
        let file = Path::new("study").join("protocol.toml").display().to_string();
        if !has(&diagnostics, &file, (code, line, column)) {
            astray.push(format!("{to}: {code} {line}:{column}\n{diagnostics:#?}"));
        }
        let ran = place.refused(&["check", "study"], 1);
        assert!(ran.err.contains(&format!("{file}:{line}:")), "{to}\n{}", ran.err);
    }
    assert!(astray.is_empty(), "{}", astray.join("\n"));
}

/// From, to (with a mark where the fault is to be reported), code.
const BROKEN_SITES: &[(&str, &str, &str)] = &[
    ("wellrun_site = 1", "wellrun_site = ¦3", "S009"),
    ("[site]\nid", "[site¦\nid", "S001"),
    ("id = \"north\"", "id = ¦\"north bench\"", "S024"),
    ("id = \"north\"", "id = ¦\"FILL IN\"", "S012"),
    ("name = \"North bench\"", "name = ¦\"\"", "S005"),
    ("room = \"Room 2\"", "¦rom = \"Room 2\"", "S002"),
    ("room = \"Room 2\"", "room = ¦2", "S003"),
    ("\"2026-03-05\"]", "¦\"2026-02-30\"]", "S013"),
    (
        "dates = [\"2026-03-02\", \"2026-03-05\"]",
        "dates = ¦[\"2026-03-02\", \"2026-03-01\"]",
        "S020",
    ),
    ("code = \"op2\"", "code = ¦\"op1\"", "S021"),
    ("level = \"B\"", "level = ¦\"C\"", "S031"),
    ("level = \"B\"", "level = ¦\"A\"", "S034"),
    (
        "factor = \"instrument\"\nlevel = \"B\"",
        "factor = ¦\"instrment\"\nlevel = \"B\"",
        "S030",
    ),
    (
        "description = \"Type D durometer with dial\"",
        "description = ¦\" \"",
        "S005",
    ),
    ("serial = \"D-0388\"", "serial = ¦\"D-1041\"", "S035"),
    ("due = \"2026-09-03\"", "due = ¦\"2025-01-01\"", "S040"),
    ("due = \"2026-09-03\"", "due = ¦\"2026-02-01\"", "S041"),
    (
        "certificate = \"C-2025-112\"\ncalibrated = \"2025-09-03\"",
        "certificate = \"C\"\ncalibrated = ¦\"last year\"",
        "S013",
    ),
    (
        "due = \"2026-09-03\"\ntolerance = 1.0",
        "due = \"2026-09-03\"\ntolerance = ¦-1",
        "S011",
    ),
    (
        "session = [\"S1\", \"S2\", \"S3\", \"S4\"]",
        "¦session = [\"S1\", \"S2\"]",
        "S051",
    ),
    ("\"S3\", \"S4\"", "\"S3\", ¦\"S3\"", "S052"),
    ("session = [\"S1\"", "¦sesion = [\"S1\"", "S050"),
];

#[test]
fn every_broken_site_file_is_refused_at_the_right_place() {
    let mut astray = Vec::new();
    for (from, to, code) in BROKEN_SITES {
        let place = Place::new();
        let (text, line, column) = marked(&broken(SITE, from, to));
        place.write("study/protocol.toml", PROTOCOL);
        place.write("study/site.toml", &text);
        let diagnostics = place.refused(&["plan", "study", "--json"], 1).diagnostics();
        let file = Path::new("study").join("site.toml").display().to_string();
        if !has(&diagnostics, &file, (code, line, column)) {
            astray.push(format!("{to}: {code} {line}:{column}\n{diagnostics:#?}"));
        }
    }
    assert!(astray.is_empty(), "{}", astray.join("\n"));
}

/// What is done to the filled sheet (the mark goes before the faulty cell), code.
type Breaking = fn(&mut Vec<Vec<String>>);
const BROKEN_SHEETS: &[(&str, Breaking, &str)] = &[
    ("no number", |rows| set(rows, 3, "hardness 1", "¦soft"), "R040"),
    (
        "a number with two points",
        |rows| set(rows, 3, "hardness 1", "¦5+6"),
        "R040",
    ),
    ("an exponent", |rows| set(rows, 3, "hardness 1", "¦5.61e1"), "R042"),
    ("not finite", |rows| set(rows, 3, "hardness 2", "¦inf"), "R043"),
    ("a date", |rows| set(rows, 4, "hardness 2", "¦2026-03-02"), "R044"),
    (
        "more digits than a reading has",
        |rows| {
            set(rows, 4, "hardness 2", "¦56.1000000000000000000000000000001");
        },
        "R045",
    ),
    (
        "below what is possible",
        |rows| set(rows, 5, "hardness 2", "¦-3"),
        "R046",
    ),
    (
        "above what is possible",
        |rows| set(rows, 5, "hardness 2", "¦561"),
        "R046",
    ),
    (
        "a condition that cannot be",
        |rows| set(rows, 5, "probe", "¦250"),
        "R046",
    ),
    ("a formula", |rows| set(rows, 6, "remark", "¦=HYPERLINK(A1)"), "R009"),
    (
        "a formula for a reading",
        |rows| set(rows, 6, "hardness 1", "¦=A1+1"),
        "R009",
    ),
    (
        "a run that is not in the plan",
        |rows| set(rows, 7, "run", "¦99"),
        "R021",
    ),
    ("no run number", |rows| set(rows, 7, "run", "¦x"), "R020"),
    ("a run twice", |rows| set(rows, 8, "run", "¦7"), "R022"),
    (
        "another unit than planned",
        |rows| set(rows, 9, "session", "¦9"),
        "R023",
    ),
    (
        "another level than planned",
        |rows| {
            let at = column(rows, "instrument");
            let other = if rows[9][at] == "A" { "¦B" } else { "¦A" };
            other.clone_into(&mut rows[9][at]);
        },
        "R024",
    ),
    (
        "a level nobody declared",
        |rows| set(rows, 10, "instrument", "¦C"),
        "R024",
    ),
    (
        "a column named twice",
        |rows| set(rows, 0, "hardness 2", "¦hardness 1"),
        "R011",
    ),
    (
        "a column misspelt",
        |rows| set(rows, 0, "hardness 2", "¦hardnes 2"),
        "R012",
    ),
    (
        "more readings than a run has",
        |rows| set(rows, 0, "hardness 2", "¦hardness 3"),
        "R015",
    ),
    (
        "a position that is no number",
        |rows| set(rows, 11, "order", "¦first"),
        "R051",
    ),
    (
        "a quote that is never closed",
        |rows| set(rows, 12, "remark", "¦\"fell over"),
        "R003",
    ),
    (
        "text after a closing quote",
        |rows| set(rows, 12, "remark", "\"fell\" ¦over"),
        "R004",
    ),
];

fn set(rows: &mut [Vec<String>], row: usize, name: &str, text: &str) {
    let at = column(rows, name);
    text.clone_into(&mut rows[row][at]);
}

#[test]
fn every_broken_sheet_is_refused_at_the_right_place() {
    let place = Place::new();
    let blank = planned(&place);
    let mut astray = Vec::new();
    for (what, breaking, code) in BROKEN_SHEETS {
        let mut rows = filled(blank.clone());
        breaking(&mut rows);
        let (text, line, column) = marked(&csv(&rows));
        place.write("filled.csv", &text);
        let diagnostics = place
            .refused(&["record", "study", "filled.csv", "--json"], 1)
            .diagnostics();
        if !has(&diagnostics, "filled.csv", (code, line, column)) {
            astray.push(format!("{what}: {code} {line}:{column}\n{diagnostics:#?}"));
        }
        assert!(!place.path("study/record.jsonl").exists());
    }
    assert!(astray.is_empty(), "{}", astray.join("\n"));
    for (what, bytes) in [
        ("a spreadsheet's own format", b"PK\x03\x04rest".as_slice()),
        ("a PDF", b"%PDF-1.7".as_slice()),
        ("nothing", b"".as_slice()),
    ] {
        fs::write(place.path("filled.csv"), bytes).unwrap();
        let ran = place.run(&["record", "study", "filled.csv"]);
        assert_eq!(ran.status, 1, "{what}: {}{}", ran.out, ran.err);
        assert!(!place.path("study/record.jsonl").exists());
    }
    // One bad file keeps a good one out, too.
    place.write("good.csv", &csv(&filled(blank)));
    place.write("bad.csv", "run,hardness 1\n1,soft\n");
    place.refused(&["record", "study", "good.csv", "bad.csv"], 1);
}

#[test]
fn every_fault_is_listed_at_once() {
    let place = Place::new();
    let text = PROTOCOL
        .replace("readings = 2", "raedings = 2")
        .replace("\"ruggedness test\"", "\"rugged\"");
    place.write(
        "study/protocol.toml",
        &text.replace("levels = [\"A\", \"B\"]", "levels = [\"A\"]"),
    );
    let found: Value = serde_json::from_str(&place.refused(&["check", "study", "--json"], 1).out).unwrap();
    let codes: Vec<&str> = found["diagnostics"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| d["code"].as_str().unwrap())
        .collect();
    for code in ["P002", "P004", "P006", "P040"] {
        assert!(codes.contains(&code), "{code}: {codes:?}");
    }
}

#[test]
fn a_plan_that_was_changed_by_hand_is_refused() {
    let place = Place::new();
    planned(&place);
    let plan = place.read("study/plan.csv");
    let mut lines: Vec<&str> = plan.lines().collect();
    lines.swap(1, 2);
    place.write("study/plan.csv", &(lines.join("\n") + "\n"));
    place.refused(&["check", "study"], 1);
    place.refused(&["sheet", "study", "--force"], 1);
    place.write("study/plan.csv", &plan);
    place.done(&["check", "study"]);
    let protocol = place.read("study/protocol.toml");
    place.write(
        "study/protocol.toml",
        &protocol.replace("relevant = 0.5", "relevant = 0.4"),
    );
    place.refused(&["check", "study"], 1);
    place.write("study/protocol.toml", &protocol);
    let site = place.read("study/site.toml");
    place.write("study/site.toml", &site.replace("\"north\"", "\"south\""));
    place.refused(&["sheet", "study", "--force"], 1);
    fs::remove_file(place.path("study/site.toml")).unwrap();
    place.write("study/site.toml", &site);
    fs::remove_file(place.path("study/plan.csv")).unwrap();
    place.refused(&["check", "study"], 1);
}

#[test]
fn a_record_that_was_changed_by_hand_is_refused() {
    let place = Place::new();
    let rows = filled(planned(&place));
    place.write("filled.csv", &csv(&rows));
    place.done(&["record", "study", "filled.csv"]);
    let journal = place.read("study/record.jsonl");
    let at = journal.find("\"56.").unwrap() + 1;
    let mut changed = journal.clone();
    changed.replace_range(at..at + 2, "59");
    place.write("study/record.jsonl", &changed);
    for command in ["check", "status", "analyse", "report"] {
        place.refused(&[command, "study"], 1);
    }
    place.refused(&["record", "study", "filled.csv"], 1);
    place.write("study/record.jsonl", &journal);
    place.done(&["check", "study"]);
}

// ---------------------------------------------------------------- overwriting

#[test]
fn nothing_is_overwritten_without_force() {
    let place = Place::new();
    let rows = filled(planned(&place));
    place.refused(&["new", "roller-reading-spread", "study"], 2);
    place.refused(&["plan", "study"], 1);
    place.refused(&["plan", "study", "--seed", "7"], 1);
    place.done(&["plan", "study", "--seed", "8", "--force"]);
    place.done(&["plan", "study", "--seed", "7", "--force"]);
    // A sheet that somebody began to fill in.
    let sheet = place.read("study/sheets/sheet.csv");
    place.write("study/sheets/sheet.csv", &csv(&rows));
    place.refused(&["sheet", "study", "--as", "csv,html"], 2);
    place.done(&["sheet", "study", "--as", "csv", "--force"]);
    assert_eq!(place.read("study/sheets/sheet.csv"), sheet);
    place.write("filled.csv", &csv(&rows));
    place.done(&["record", "study", "filled.csv"]);
    // Once there are readings the order can never change.
    let ran = place.refused(&["plan", "study", "--force"], 1);
    assert!(ran.err.contains("D096"), "{}", ran.err);
    place.done(&["report", "study", "--as", "html"]);
    place.write("study/report/report.html", "mine");
    place.refused(&["report", "study", "--as", "html"], 2);
    place.done(&["report", "study", "--as", "html", "--force"]);
    // Files of other people in the report's folder stay.
    place.write("study/report/letter.txt", "mine");
    place.done(&["report", "study", "--as", "html", "--force"]);
    assert_eq!(place.read("study/report/letter.txt"), "mine");
}

#[test]
fn a_study_that_somebody_writes_into_is_left_alone() {
    let place = Place::new();
    let rows = filled(planned(&place));
    place.write("filled.csv", &csv(&rows));
    let lock = fs::File::create(place.path("study/.wellrun.lock")).unwrap();
    lock.try_lock().unwrap();
    let ran = place.refused(&["record", "study", "filled.csv"], 2);
    assert!(ran.err.contains("F007"), "{}", ran.err);
    place.done(&["status", "study"]);
    drop(lock);
    place.done(&["record", "study", "filled.csv"]);
}

#[cfg(unix)]
#[test]
fn links_that_lead_out_of_a_study_are_refused() {
    use std::os::unix::fs::symlink;
    let place = Place::new();
    planned(&place);
    place.write("outside/secret.md", "secret");
    symlink(place.path("outside/secret.md"), place.path("study/note.md")).unwrap();
    symlink(place.path("outside"), place.path("study/report")).unwrap();
    place.write("filled.csv", &csv(&[]));
    place.refused(&["check", "study"], 2);
}

// ---------------------------------------------------------------- kills and torn ends

/// The record as one table; equal if the same values are on record.
fn on_record(journal: &str) -> String {
    use wellrun::diagnostic::Source;
    let (protocol, _) = wellrun::protocol::read(&Source::new("protocol.toml", big_protocol())).unwrap();
    let (plan, _, _) = wellrun::plan::freeze(&protocol, None, 7, "2026-03-02T06:30:00Z").unwrap();
    let context = wellrun::record::Context {
        protocol: &protocol,
        plan: Some(&plan),
        people: &[],
    };
    let record = wellrun::record::replay(&Source::new("record.jsonl", journal), &context).unwrap();
    wellrun::record::tidy(&protocol, Some(&plan), &record)
}

/// The small study with 64 runs of 20 readings.
fn big_protocol() -> String {
    let text = PROTOCOL
        .replace("readings = 2", "readings = 20")
        .replace("named_by_site = true\n", "");
    text.replace("count = 4\nset_up", "count = 16\nset_up")
}

/// A planned study with its sheet filled in, half of it on record.
fn half_recorded(place: &Place) -> String {
    place.write("study/protocol.toml", &big_protocol());
    place.done(&["plan", "study", "--seed", "7", "--quiet"]);
    place.done(&["sheet", "study", "--as", "csv", "--quiet"]);
    let sheet = place.read("study/sheets/sheet.csv");
    let mut rows: Vec<Vec<String>> = sheet
        .trim_start_matches('\u{feff}')
        .lines()
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect();
    let mut dice = Dice(2);
    let head = rows[0].clone();
    for row in rows.iter_mut().skip(1) {
        for (cell, name) in row.iter_mut().zip(&head) {
            if name.starts_with("hardness") {
                *cell = format!("{}.{}", 55 + dice.below(4), dice.below(10));
            }
        }
    }
    let half = rows.len() / 2;
    place.write("half.csv", &csv(&rows[..half]));
    place.write("all.csv", &csv(&rows));
    place.done(&["record", "study", "half.csv"]);
    place.read("study/record.jsonl")
}

#[test]
fn a_kill_at_any_moment_loses_nothing_that_was_accepted() {
    let place = Place::new();
    let accepted = half_recorded(&place);
    place.done(&["record", "study", "all.csv"]);
    let whole = on_record(&place.read("study/record.jsonl"));
    let mut dice = Dice(3);
    for _ in 0..40 {
        fs::write(place.path("study/record.jsonl"), &accepted).unwrap();
        let mut child = place
            .command(&["record", "study", "all.csv"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        thread::sleep(Duration::from_micros(dice.below(400_000)));
        child.kill().unwrap(); // SIGKILL; an error only if it was waited for already
        child.wait().unwrap();
        let left = place.read("study/record.jsonl");
        assert!(left.starts_with(&accepted));
        place.done(&["status", "study", "--quiet"]);
        place.done(&["record", "study", "all.csv"]);
        assert!(on_record(&place.read("study/record.jsonl")) == whole);
    }
    let names: Vec<PathBuf> = tree(&place.path("study")).into_keys().collect();
    assert!(
        !names.iter().any(|name| name.display().to_string().contains(".wellrun")),
        "{names:?}"
    );
}

/// What a kill in the middle of writing leaves: the journal cut off anywhere.
#[test]
fn a_journal_cut_off_anywhere_is_taken_up_again() {
    let place = Place::new();
    let accepted = half_recorded(&place);
    place.done(&["record", "study", "all.csv"]);
    let journal = place.read("study/record.jsonl");
    let whole = on_record(&journal);
    let mut dice = Dice(4);
    let span = (journal.len() - accepted.len()) as u64;
    for _ in 0..20 {
        let cut = accepted.len() + usize::try_from(dice.below(span)).unwrap();
        let is_torn = !journal[..cut].ends_with('\n');
        let before = tree(&place.path("study")).len();
        fs::write(place.path("study/record.jsonl"), &journal[..cut]).unwrap();
        let ran = place.done(&["status", "study"]);
        assert_eq!(ran.err.contains("F022"), is_torn, "{}", ran.err);
        place.done(&["record", "study", "all.csv"]);
        assert!(on_record(&place.read("study/record.jsonl")) == whole);
        // What never counted is set aside, not thrown away.
        assert_eq!(tree(&place.path("study")).len(), before + usize::from(is_torn));
    }
}

// ---------------------------------------------------------------- the demo

#[test]
fn two_demos_are_the_same_whatever_the_surroundings() {
    let place = Place::new();
    place.done(&["demo"]);
    let first = place.path("out/demo");
    for file in [
        "report/report.pdf",
        "report/report.html",
        "report/findings.json",
        "sheets/sheet.pdf",
    ] {
        assert!(first.join(file).is_file(), "{file}");
    }
    let ran = Ran::from(
        place
            .command(&["demo", "elsewhere/demo"])
            .env("TZ", "Pacific/Kiritimati")
            .env("LC_ALL", "C.UTF-8")
            .env("LANG", "de_DE.UTF-8")
            .env("SOURCE_DATE_EPOCH", "4102444800")
            .env("COLUMNS", "60")
            .env("WELLRUN_TYPST", "/nowhere/typst")
            .env("RAYON_NUM_THREADS", "1")
            .output()
            .unwrap(),
    );
    assert_eq!(ran.status, 0, "{}", ran.err);
    let relative = |folder: &Path| -> BTreeMap<PathBuf, Vec<u8>> {
        tree(folder)
            .into_iter()
            .map(|(path, bytes)| (path.strip_prefix(folder).unwrap().to_owned(), bytes))
            .collect()
    };
    let (one, two) = (relative(&first), relative(&place.path("elsewhere/demo")));
    assert_eq!(one.keys().collect::<Vec<_>>(), two.keys().collect::<Vec<_>>());
    for (path, bytes) in &one {
        assert!(bytes == &two[path], "{} differs", path.display());
    }
    // The committed example is the same study.
    for file in [
        "plan.csv",
        "plan.toml",
        "record.jsonl",
        "site.toml",
        "note.md",
        "protocol.toml",
    ] {
        let committed = fs::read(format!("{HOME}/examples/roller-reading-spread/{file}")).unwrap();
        assert!(committed == fs::read(first.join(file)).unwrap(), "{file}");
    }
    place.done(&["check", "out/demo"]);
}

#[test]
fn the_demo_takes_no_folder_that_is_not_its_own() {
    let place = Place::new();
    place.write("out/demo/thesis.txt", "mine");
    place.refused(&["demo"], 2);
}

// ---------------------------------------------------------------- manners

#[test]
fn wrong_use_ends_with_2_and_writes_nothing() {
    let place = Place::new();
    planned(&place);
    for arguments in [
        &[][..],
        &["fly"],
        &["plan", "study", "--sead", "1"],
        &["plan", "study", "--seed", "minus one"],
        &["sheet", "study", "--as", "docx"],
        &["check", "nowhere"],
        &["check", "."],
        &["new", "roller-reading-spred", "other"],
        &["record", "study"],
        &["record", "study", "nowhere.csv"],
        &["record", "study", "study/plan.csv", "--deviation", "both"],
        &["record", "study", "--run", "3"],
    ] {
        let ran = place.refused(arguments, 2);
        assert!(ran.out.is_empty(), "{arguments:?}: {}", ran.out);
        assert!(!ran.err.is_empty(), "{arguments:?}");
    }
    let ran = Ran::from(
        place
            .command(&["status", "study"])
            .env("SOURCE_DATE_EPOCH", "noon")
            .output()
            .unwrap(),
    );
    assert_eq!(ran.status, 2);
    assert!(ran.err.contains("F012"), "{}", ran.err);
}

#[test]
fn help_version_schemas_completions_and_manual_are_there() {
    let place = Place::new();
    let help = place.done(&["--help"]).out;
    for command in [
        "new",
        "protocols",
        "check",
        "plan",
        "sheet",
        "record",
        "status",
        "analyse",
        "report",
        "demo",
        "schema",
        "completions",
        "manual",
    ] {
        assert!(help.contains(&format!("\n  {command} ")), "{command}:\n{help}");
        let own = place.done(&[command, "--help"]).out;
        assert!(
            own.contains("Example:") && own.contains("Exit status:"),
            "{command}:\n{own}"
        );
    }
    assert_eq!(
        place.done(&["--version"]).out,
        format!("wellrun {}\n", env!("CARGO_PKG_VERSION"))
    );
    for what in ["protocol", "site", "findings"] {
        let schema: Value = serde_json::from_str(&place.done(&["schema", what]).out).unwrap();
        jsonschema::meta::validate(&schema).unwrap();
    }
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        assert!(place.done(&["completions", shell]).out.contains("analyse"), "{shell}");
    }
    let manual = place.done(&["manual"]).out;
    assert!(
        manual.starts_with(".ie") || manual.contains(".TH wellrun 1"),
        "{manual}"
    );
    assert!(manual.contains("COMMAND ANALYSE"));
}

#[test]
fn every_result_comes_as_json_too() {
    let place = Place::new();
    let rows = filled(planned(&place));
    place.write("filled.csv", &csv(&rows));
    for arguments in [
        &["protocols"][..],
        &["new", "roller-reading-spread", "fresh"],
        &["check", "study"],
        &["plan", "study", "--force", "--seed", "7"],
        &["sheet", "study", "--as", "csv"],
        &["record", "study", "filled.csv"],
        &["status", "study"],
        &["analyse", "study"],
        &["report", "study", "--as", "html"],
    ] {
        let ran = place.done(&[arguments, &["--json"]].concat());
        let value: Value = serde_json::from_str(&ran.out).unwrap();
        assert!(value.is_object() || value.is_array(), "{arguments:?}");
        for line in ran.err.lines().filter(|line| line.starts_with('{')) {
            serde_json::from_str::<Value>(line).unwrap();
        }
    }
    let quiet = place.done(&["status", "study", "--quiet"]);
    assert_eq!((quiet.out.as_str(), quiet.err.as_str()), ("", ""));
}

#[test]
fn colour_comes_when_asked_for_and_never_into_a_file() {
    let place = Place::new();
    place.write("study/protocol.toml", &PROTOCOL.replace("readings = 2", "raedings = 2"));
    let escape = '\u{1b}';
    let coloured = |arguments: &[&str], no_colour: &str| {
        let ran = Ran::from(place.command(arguments).env("NO_COLOR", no_colour).output().unwrap());
        ran.err.contains(escape) || ran.out.contains(escape)
    };
    assert!(!coloured(&["check", "study"], "1"));
    assert!(!coloured(&["check", "study"], ""));
    assert!(!coloured(&["check", "study", "--colour", "never"], ""));
    assert!(coloured(&["check", "study", "--colour", "always"], ""));
}

/// A pseudo-terminal from util-linux' `script`, which Debian and its kin always have.
#[cfg(target_os = "linux")]
#[test]
fn no_color_is_heeded_on_a_terminal() {
    let place = Place::new();
    place.write("study/protocol.toml", &PROTOCOL.replace("readings = 2", "raedings = 2"));
    let on_terminal = |no_colour: Option<&str>| {
        let mut script = Command::new("script");
        script
            .args(["-qec", &format!("{BINARY} check study"), "/dev/null"])
            .current_dir(place.0.path());
        script.env_remove("NO_COLOR").env("TERM", "xterm").stdin(Stdio::null());
        if let Some(value) = no_colour {
            script.env("NO_COLOR", value);
        }
        String::from_utf8_lossy(&script.output().unwrap().stdout).contains("\u{1b}[")
    };
    assert!(on_terminal(None));
    assert!(!on_terminal(Some("1")));
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let place = Place::new();
    let mut child = place
        .command(&["schema", "findings"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(
        (output.status.code(), output.stderr.as_slice()),
        (Some(0), b"".as_slice())
    );
}

#[test]
fn text_from_outside_brings_no_control_characters_to_the_terminal() {
    let place = Place::new();
    let mut rows = filled(planned(&place));
    set(&mut rows, 2, "remark", "a\u{1b}[31mb\u{7}");
    set(&mut rows, 3, "hardness 1", "\u{1b}]0;owned\u{7}");
    place.write("filled.csv", &csv(&rows));
    let ran = place.refused(&["record", "study", "filled.csv"], 1);
    assert!(!ran.err.chars().any(|c| c.is_control() && c != '\n'), "{:?}", ran.err);
}

/// A stand-in for an installed `typst`: keeps its arguments, and hands out a file.
#[cfg(unix)]
#[test]
fn an_installed_typst_command_is_used_when_named() {
    use std::os::unix::fs::PermissionsExt;
    let place = Place::new();
    let rows = filled(planned(&place));
    place.write("filled.csv", &csv(&rows));
    place.done(&["record", "study", "filled.csv"]);
    place.write(
        "typst",
        "#!/bin/sh\nset -eu\nfor last; do :; done\nprintf '%s\\n' \"$@\" > \"$last\"\n",
    );
    fs::set_permissions(place.path("typst"), fs::Permissions::from_mode(0o755)).unwrap();
    let typst = place.path("typst").display().to_string();
    place.done(&["report", "study", "--as", "pdf", "--typst", &typst, "--sources"]);
    let arguments = place.read("study/report/report.pdf");
    assert!(
        arguments.contains("compile\n") && arguments.contains("report.typ\n"),
        "{arguments}"
    );
    for file in ["report.typ", "data.json"] {
        assert!(place.path(&format!("study/report/sources/{file}")).is_file(), "{file}");
    }
    let sheet = place
        .command(&["sheet", "study", "--as", "pdf"])
        .env("WELLRUN_TYPST", &typst)
        .output()
        .unwrap();
    assert!(sheet.status.success());
    assert!(place.read("study/sheets/sheet.pdf").contains("sheet.typ\n"));
    place.refused(&["report", "study", "--force", "--typst", "/nowhere/typst"], 2);
}

#[test]
fn a_replaced_template_is_used_and_a_broken_one_is_refused() {
    let place = Place::new();
    let rows = filled(planned(&place));
    place.write("filled.csv", &csv(&rows));
    place.done(&["record", "study", "filled.csv"]);
    place.write("study/templates/report.html.jinja", "<p>{{ report.title }}</p>\n");
    place.done(&["report", "study", "--as", "html"]);
    assert_eq!(
        place.read("study/report/report.html").trim_end(),
        "<p>Does the instrument move the reading?</p>"
    );
    place.write("study/templates/report.html.jinja", "<p>\n{{ report.titel }}</p>\n");
    let diagnostics = place
        .refused(&["report", "study", "--as", "html", "--force", "--json"], 1)
        .diagnostics();
    let file = Path::new("study/templates/report.html.jinja").display().to_string();
    assert!(
        diagnostics.iter().any(|d| d["file"] == file && d["line"] == 2),
        "{diagnostics:#?}"
    );
    fs::remove_file(place.path("study/templates/report.html.jinja")).unwrap();
    place.write(
        "study/note.md",
        "Five runs: {{value: record.runs_complete}}, {{value: record.runs_complet}}.\n",
    );
    let diagnostics = place
        .refused(&["report", "study", "--as", "html", "--force", "--json"], 1)
        .diagnostics();
    assert!(
        diagnostics.iter().any(|d| d["code"] == "T030" && d["line"] == 1),
        "{diagnostics:#?}"
    );
    place.refused(&["check", "study"], 1);
}

// ---------------------------------------------------------------- the project's own papers

/// Every path that the architecture page names exists, and every room is named there.
#[test]
fn the_developers_page_names_what_there_is() {
    let page = fs::read_to_string(format!("{HOME}/DEVELOPERS.md")).unwrap();
    assert!(page.lines().count() < 250, "keep it short enough to be read");
    let mut checked = 0;
    let prose: String = page.split("```").step_by(2).collect();
    for name in prose.split('`').skip(1).step_by(2) {
        let has_ending = Path::new(name)
            .extension()
            .is_some_and(|ending| ending == "rs" || ending == "md");
        let is_path = (name.contains('/') || has_ending)
            && !name.contains([' ', '*', '<', '{', ':'])
            && !name.starts_with(['/', '-', '$', '~']);
        if is_path {
            let found = ["", "src/"]
                .iter()
                .any(|base| Path::new(HOME).join(base).join(name).exists());
            assert!(found, "DEVELOPERS.md names `{name}`");
            checked += 1;
        }
    }
    assert!(checked > 20, "only {checked} paths");
    for entry in fs::read_dir(format!("{HOME}/src")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let name = if entry.path().is_dir() {
            format!("`{name}/`")
        } else {
            format!("`{name}`")
        };
        assert!(page.contains(&name), "DEVELOPERS.md does not name {name}");
    }
    let manifest = fs::read_to_string(format!("{HOME}/Cargo.toml")).unwrap();
    let manifest: toml::Table = toml::from_str(&manifest).unwrap();
    for table in ["dependencies", "dev-dependencies"] {
        for name in manifest[table].as_table().unwrap().keys() {
            assert!(
                page.contains(&format!("`{name}`")),
                "DEVELOPERS.md does not say what `{name}` is for"
            );
        }
    }
}
