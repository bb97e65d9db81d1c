//! Terminals, programs that read the output, wrong use, and sheets from other parts of the world.

use std::fmt::Write as _;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;

use super::support::{
    REASON, SHEET, Stage, ended, impossible, json, roller_in_folder, run, stderr, stdout, text, wellrun, write,
};

const ESCAPE: char = '\u{1b}';

/// Class: closed form. Without a terminal nothing is coloured; asked to, it is.
#[test]
fn no_colour_without_a_terminal() {
    let dir = roller_in_folder(Stage::Recorded);
    write(dir.path(), "wrong.csv", impossible());
    let commands: [(&[&str], i32); 8] = [
        (&["check"], 0),
        (&["status"], 0),
        (&["analyse"], 0),
        (&["protocols"], 0),
        (&["plan", "--preview"], 0),
        (&["record", "wrong.csv"], 1),
        (&["plan", "--help"], 0),
        (&["no-such-command"], 2),
    ];
    for (command, status) in commands {
        for surroundings in [
            &[][..],
            &[("NO_COLOR", "1")],
            &[("TERM", "dumb")],
            &[("CLICOLOR_FORCE", "1")],
        ] {
            let done = ended(
                wellrun(dir.path()).args(command).envs(surroundings.iter().copied()),
                status,
            );
            let forced = surroundings.iter().any(|(name, _)| *name == "CLICOLOR_FORCE");
            let is_of_parser = matches!(command[0], "no-such-command") || command.contains(&"--help");
            if !(forced && is_of_parser) {
                assert!(!stdout(&done).contains(ESCAPE), "{command:?}");
                assert!(!stderr(&done).contains(ESCAPE), "{command:?}");
            }
        }
    }
    let coloured = run(dir.path(), &["record", "wrong.csv", "--colour", "always"], 1);
    assert!(stderr(&coloured).contains(ESCAPE));
}

/// Class: closed form. What comes from outside does not steer a terminal.
#[test]
fn control_characters_from_outside_stay_off_the_terminal() {
    let dir = roller_in_folder(Stage::Frozen);
    let evil = "\u{1b}]0;owned\u{7}\u{9b}31m";
    let sheet = impossible();
    let line = sheet.lines().nth(1).unwrap();
    write(dir.path(), "evil.csv", sheet.replace(line, &format!("{line}{evil}")));
    let steers = |text: &str| text.chars().any(|c| c.is_control() && c != '\n');
    for arguments in [&["record", "evil.csv"][..], &["record", "evil.csv", "--json"]] {
        let told = stderr(&run(dir.path(), arguments, 1));
        assert!(!steers(&told), "{told:?}");
    }
    let told = stderr(&run(
        dir.path(),
        &["record", "--deviation", &format!("door open {evil}")],
        1,
    ));
    assert!(!steers(&told), "{told:?}");
    let told = stderr(&run(dir.path(), &["record", &format!("{evil}.csv")], 2));
    assert!(!steers(&told), "{told:?}");
    if cfg!(unix) {
        write(dir.path(), &format!("{evil}.csv"), impossible());
        let told = stderr(&run(dir.path(), &["record", &format!("{evil}.csv")], 1));
        assert!(told.contains("error[R046]") && !steers(&told), "{told:?}");
        write(dir.path(), &format!("{evil}.csv"), SHEET);
        let done = run(dir.path(), &["record", &format!("{evil}.csv")], 0);
        assert!(!steers(&stdout(&done)) && !steers(&stderr(&done)));
        assert!(!steers(&stdout(&run(dir.path(), &["status"], 0))));
    }
}

/// Class: closed form.
#[test]
fn quiet_says_nothing_but_errors() {
    let dir = roller_in_folder(Stage::Declared);
    let commands: [&[&str]; 7] = [
        &["check"],
        &["plan", "--seed", "20260302"],
        &["sheet", "--as", "csv"],
        &["record", "filled-sheet.csv"],
        &["status"],
        &["analyse"],
        &["report", "--as", "html"],
    ];
    for command in commands {
        let done = run(dir.path(), &[&["--quiet"], command].concat(), 0);
        assert_eq!(
            (stdout(&done), stderr(&done)),
            (String::new(), String::new()),
            "{command:?}"
        );
    }
    let told = stderr(&run(dir.path(), &["plan", "--quiet"], 1));
    assert!(told.contains("error[D096]"), "{told}");
    // Data that were asked for come all the same.
    assert!(json(&run(dir.path(), &["analyse", "--quiet", "--json"], 0)).is_object());
}

/// Class: closed form. Keys that programs build on.
#[test]
fn every_report_has_its_json() {
    let dir = roller_in_folder(Stage::Declared);
    write(dir.path(), "wrong.csv", impossible());
    let get = |arguments: &[&str], status: i32| json(&run(dir.path(), &[arguments, &["--json"]].concat(), status));
    let checked = get(&["check"], 0);
    assert_eq!(checked["ok"], true);
    assert!(checked["diagnostics"].is_array());
    let listed = get(&["protocols"], 0);
    assert!(listed.to_string().contains("roller-reading-spread"));
    let preview = get(&["plan", "--preview"], 0);
    assert_eq!(
        (&preview["frozen"], &preview["skeleton"]["runs"]),
        (&Value::from(false), &Value::from(96))
    );
    let plan = get(&["plan", "--seed", "7"], 0);
    assert_eq!(plan["frozen"], true);
    assert!(plan["header"].is_object());
    let sheets = get(&["sheet", "--as", "csv"], 0);
    assert_eq!(sheets["written"], serde_json::json!(["sheets/sheet.csv"]));
    let status = get(&["status"], 0);
    assert_eq!(
        (&status["complete"], &status["next_run"]),
        (&Value::from(0), &Value::from(1))
    );
    run(dir.path(), &["plan", "--seed", "20260302", "--force"], 0);
    let record = get(&["record", "filled-sheet.csv"], 0);
    assert_eq!(record["written"], true);
    let entries = record["entries"].as_u64().unwrap();
    assert!(entries > 960, "ten readings of each of 96 runs, and more: {entries}");
    assert_eq!(record["files"][0]["added"], entries - 1, "one entry names the file");
    let status = get(&["status"], 0);
    assert_eq!(
        (&status["complete"], &status["journal_entries"]),
        (&96.into(), &entries.into())
    );
    let report = get(&["report", "--as", "html"], 0);
    assert!(report["written"].to_string().contains("report/findings.json"));

    write(dir.path(), "note.md", "{{value: no.such}}\n");
    let checked = get(&["check"], 1);
    assert_eq!(checked["ok"], false);
    let list = checked["diagnostics"].as_array().unwrap();
    let found = list.iter().find(|found| found["code"] == "T030").expect("T030");
    assert_eq!(
        (&found["file"], &found["line"], &found["column"]),
        (&"note.md".into(), &1.into(), &10.into())
    );
}

/// Class: closed form. Exit status 2, and a word on why.
#[test]
fn what_cannot_run_exits_with_2() {
    let dir = roller_in_folder(Stage::Frozen);
    let at = dir.path();
    let uses: [&[&str]; 19] = [
        &[],
        &["no-such-command"],
        &["check", "--no-such-option"],
        &["check", ".", "too-many"],
        &["new"],
        &["plan", "--seed", "many"],
        &["plan", "--seed", "-1"],
        &["sheet", "--as", "docx"],
        &["sheet", "--paper", "napkin"],
        &["record"],
        &["record", "."],
        &["record", "filled-sheet.csv", "--run", "4"],
        &["record", "filled-sheet.csv", "--deviation", "both at once"],
        &["schema", "everything"],
        &["check", "no-such-folder"],
        &["check", "filled-sheet.csv"],
        &["record", "no-such-sheet.csv"],
        &["record", ".", "."],
        &["record", "filled-sheet.csv", "no-such-sheet.csv"],
    ];
    for arguments in uses {
        let told = stderr(&run(at, arguments, 2));
        assert!(!told.trim().is_empty(), "{arguments:?} says nothing");
        assert!(!told.contains("This is a defect"), "{told}");
    }
    assert!(
        !at.join("record.jsonl").exists(),
        "one file cannot be read: neither is taken in"
    );
    ended(wellrun(at).env("SOURCE_DATE_EPOCH", "yesterday").arg("check"), 2);
}

/// Class: closed form. Something stands where a file is to be read or written.
#[test]
fn what_cannot_be_read_or_written_exits_with_2() {
    for name in [
        "protocol.toml",
        "site.toml",
        "plan.csv",
        "plan.toml",
        "record.jsonl",
        "note.md",
        "templates/base.css",
    ] {
        let dir = roller_in_folder(Stage::Recorded);
        if dir.path().join(name).exists() {
            std::fs::remove_file(dir.path().join(name)).unwrap();
        }
        std::fs::create_dir_all(dir.path().join(name)).unwrap();
        let told = stderr(&run(dir.path(), &["check"], 2));
        assert!(told.contains("error[F005]") && told.contains(name), "{name}: {told}");
    }
    for name in ["sheets", "sheets/sheet.csv/kept"] {
        let dir = roller_in_folder(Stage::Frozen);
        let path = dir.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        write(dir.path(), name, "in the way");
        let told = stderr(&run(dir.path(), &["sheet", "--as", "csv", "--force"], 2));
        assert!(told.contains("error[F010]"), "{name}: {told}");
        assert_eq!(text(dir.path(), name), "in the way");
    }
}

/// Class: closed form. `wellrun analyse | head -1`: whoever reads has gone, and that is no failure.
#[test]
fn a_reader_that_leaves_is_no_failure() {
    let dir = roller_in_folder(Stage::Recorded);
    let commands: [&[&str]; 7] = [
        &["analyse"],
        &["analyse", "--json"],
        &["status"],
        &["schema", "findings"],
        &["completions", "bash"],
        &["manual"],
        &["--help"],
    ];
    for command in commands {
        for bytes in [0, 1] {
            let (status, told) = left_after(dir.path(), command, bytes);
            assert_eq!(status, Some(0), "{command:?}: {told}");
            assert!(
                !told.contains("error") && !told.contains("This is a defect"),
                "{command:?}: {told}"
            );
        }
    }
}

/// Runs a command whose reader leaves after so many bytes; its exit status and what it said on standard error.
fn left_after(dir: &Path, command: &[&str], bytes: usize) -> (Option<i32>, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_wellrun"))
        .args(command)
        .current_dir(dir)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut reader = child.stdout.take().unwrap();
    let mut first = vec![0; bytes];
    reader.read_exact(&mut first).unwrap();
    drop(reader);
    let done = child.wait_with_output().unwrap();
    (done.status.code(), String::from_utf8(done.stderr).unwrap())
}

/// Class: closed form. Help has an example, for every command.
#[test]
fn every_command_helps() {
    let dir = tempfile::tempdir().unwrap();
    let help = stdout(&run(dir.path(), &["--help"], 0));
    assert!(help.contains("Exit status:"), "{help}");
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
        assert!(help.contains(&format!("\n  {command}")), "{command} is not listed");
        let help = stdout(&run(dir.path(), &[command, "--help"], 0));
        assert!(help.contains("Example:\n  wellrun "), "{help}");
    }
    assert!(stdout(&run(dir.path(), &["--version"], 0)).starts_with("wellrun "));
}

/// The filled sheet as people in other places save it.
fn elsewhere(separator: char, comma: bool, end: &str, mark: bool) -> String {
    let mut text = if mark { "\u{feff}".to_owned() } else { String::new() };
    for (number, line) in SHEET.lines().enumerate() {
        let cells: Vec<String> = line
            .split(',')
            .enumerate()
            .map(|(column, cell)| {
                let is_number = number > 0 && column != 19 && cell.parse::<f64>().is_ok();
                if comma && is_number {
                    cell.replace('.', ",")
                } else {
                    cell.to_owned()
                }
            })
            .collect();
        let _ = write!(text, "{}{end}", cells.join(&separator.to_string()));
    }
    text
}

/// The findings without their provenance, as bytes; and where numbers stand as they were written, with points.
fn findings_of(sheet: &str) -> String {
    let dir = roller_in_folder(Stage::Frozen);
    write(dir.path(), "filled-sheet.csv", sheet);
    run(dir.path(), &["record", "filled-sheet.csv"], 0);
    run(dir.path(), &["record", "corrected-reading.csv", "--reason", REASON], 0);
    let mut findings = json(&run(dir.path(), &["analyse", "--json"], 0));
    assert!(findings.as_object_mut().unwrap().remove("provenance").is_some());
    for (list, key) in [("questioned", "text"), ("corrections", "from")] {
        for item in findings["record"][list].as_array_mut().unwrap() {
            item[key] = item[key].as_str().unwrap().replace(',', ".").into();
        }
    }
    serde_json::to_string_pretty(&findings).unwrap()
}

/// Class: closed form. The same sheet with semicolons and decimal commas, with tabs, from a spreadsheet that writes a
/// byte-order mark and CRLF, with its rows in reverse and its columns in reverse.
#[test]
fn a_sheet_from_elsewhere_gives_the_same_findings() {
    let expected = findings_of(SHEET);
    let reversed = |text: &str| {
        let (header, rows) = text.split_once('\n').unwrap();
        let rows: Vec<&str> = rows.lines().rev().collect();
        format!("{header}\n{}\n", rows.join("\n"))
    };
    let mirrored: String = SHEET
        .lines()
        .map(|line| line.split(',').rev().collect::<Vec<_>>().join(",") + "\n")
        .collect();
    for (what, sheet) in [
        ("semicolons and decimal commas", elsewhere(';', true, "\n", false)),
        ("the same with a mark and CRLF", elsewhere(';', true, "\r\n", true)),
        ("tabs", elsewhere('\t', false, "\r\n", false)),
        ("rows in reverse", reversed(SHEET)),
        ("columns in reverse", mirrored),
    ] {
        let found = findings_of(&sheet);
        let differing = found
            .lines()
            .zip(expected.lines())
            .find(|(found, expected)| found != expected);
        assert_eq!(differing, None, "{what}");
        assert_eq!(found.len(), expected.len(), "{what}");
    }
}
