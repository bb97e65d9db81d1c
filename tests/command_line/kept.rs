//! What is there already is never overwritten unasked, and commands that only look write nothing.
//!
//! Class: closed form. Folders are compared byte by byte, before and after.
#![expect(
    clippy::disallowed_methods,
    reason = "the tests lay out the folders in which the program runs"
)]

use std::fs;
use std::path::Path;

use super::support::{
    REASON, SEED, Stage, assert_same, json, roller_in_folder, run, stderr, stdout, text, tree, wellrun, write,
};

/// Runs a command that has to be refused with a code, and looks that nothing was written.
#[track_caller]
fn refused(dir: &Path, arguments: &[&str], status: i32, code: &str) {
    let before = tree(dir);
    let told = stderr(&run(dir, arguments, status));
    assert!(
        told.contains(&format!("error[{code}]")),
        "{arguments:?}: no {code} in\n{told}"
    );
    assert_same(&tree(dir), &before, &format!("{arguments:?}"));
}

#[test]
fn a_plan_is_drawn_once() {
    let dir = roller_in_folder(Stage::Declared);
    let at = dir.path();
    run(at, &["plan", "--seed", "1"], 0);
    refused(at, &["plan", "--seed", "1"], 1, "D097");
    refused(at, &["plan", "--seed", "2"], 1, "D097");
    refused(at, &["plan"], 1, "D097");
    let first = text(at, "plan.csv");
    run(at, &["plan", "--seed", SEED, "--force"], 0);
    assert_ne!(text(at, "plan.csv"), first, "another seed, another order");
    run(at, &["record", "filled-sheet.csv"], 0);
    refused(at, &["plan", "--seed", "3"], 1, "D096");
    refused(at, &["plan", "--seed", "3", "--force"], 1, "D096");
}

#[test]
fn half_a_line_in_the_journal_is_enough_to_hold_the_plan() {
    let dir = roller_in_folder(Stage::Frozen);
    write(dir.path(), "record.jsonl", "{\"n\":1,\"prev\"");
    refused(dir.path(), &["plan", "--seed", "3", "--force"], 1, "D096");
}

#[test]
fn a_study_or_a_demo_starts_in_an_empty_folder() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    fs::create_dir(at.join("study")).unwrap();
    run(at, &["new", "roller-reading-spread", "study"], 0);
    refused(at, &["new", "roller-reading-spread", "study"], 2, "F003");
    refused(at, &["new", "roller-reading-spread", "."], 2, "F003");
    refused(at, &["new", "roller-reading-spred", "other"], 2, "F016");
    refused(at, &["demo", "study"], 2, "F003");
}

#[test]
fn sheets_and_reports_are_replaced_only_when_asked() {
    let dir = roller_in_folder(Stage::Recorded);
    let at = dir.path();
    let cases: [(&[&str], &str); 2] = [
        (&["sheet", "--as", "csv,html"], "sheets/sheet.csv"),
        (&["report", "--as", "html"], "report/report.html"),
    ];
    for (command, file) in cases {
        run(at, command, 0);
        let made = tree(at);
        run(at, command, 0);
        assert_same(&tree(at), &made, "the same again");
        write(at, file, "somebody's own work");
        refused(at, command, 2, "F009");
        run(at, &[command, &["--force"]].concat(), 0);
        assert_same(&tree(at), &made, "with --force");
    }
}

#[test]
fn the_same_sheet_twice_adds_nothing() {
    let dir = roller_in_folder(Stage::Recorded);
    let before = tree(dir.path());
    let done = run(dir.path(), &["record", "filled-sheet.csv", "--json"], 0);
    assert_eq!(json(&done)["entries"], 0);
    assert_same(&tree(dir.path()), &before, "the same sheet");
    // The long form of the corrected reading twice: the second time there is nothing left to correct.
    let correction = ["record", "corrected-reading.csv", "--reason", REASON];
    run(dir.path(), &correction, 0);
    let before = tree(dir.path());
    run(dir.path(), &correction, 0);
    run(dir.path(), &correction[..2], 0);
    assert_same(&tree(dir.path()), &before, "the same correction");
}

#[test]
fn looking_writes_nothing() {
    let commands: [&[&str]; 8] = [
        &["check"],
        &["status"],
        &["status", "--json"],
        &["analyse"],
        &["analyse", "--json"],
        &["plan", "--preview"],
        &["protocols"],
        &["record", "--dry-run", "corrected-reading.csv", "--reason", REASON],
    ];
    let dir = roller_in_folder(Stage::Recorded);
    let before = tree(dir.path());
    for command in commands {
        run(dir.path(), command, 0);
        assert_same(&tree(dir.path()), &before, &format!("{command:?}"));
    }
    let preview = roller_in_folder(Stage::Declared);
    let before = tree(preview.path());
    let shown = stdout(&run(preview.path(), &["plan", "--preview"], 0));
    assert!(shown.contains("temperature"), "{shown}");
    assert_same(&tree(preview.path()), &before, "a preview");
}

#[test]
fn two_writers_do_not_meet() {
    let dir = roller_in_folder(Stage::Frozen);
    let lock = fs::File::create(dir.path().join(".wellrun.lock")).unwrap();
    lock.try_lock().unwrap();
    let record = ["record", "filled-sheet.csv"];
    refused(dir.path(), &record, 2, "F007");
    refused(dir.path(), &["sheet", "--as", "csv"], 2, "F007");
    run(dir.path(), &["status"], 0);
    drop(lock);
    run(dir.path(), &record, 0);
}

/// Two at once, for real: each sheet is in the journal, whoever came first.
#[test]
fn of_two_at_once_one_waits_or_is_told() {
    let dir = roller_in_folder(Stage::Frozen);
    let statuses: Vec<Option<i32>> = std::thread::scope(|scope| {
        let both: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(|| {
                    wellrun(dir.path())
                        .args(["record", "filled-sheet.csv"])
                        .output()
                        .unwrap()
                        .status
                        .code()
                })
            })
            .collect();
        both.into_iter().map(|one| one.join().unwrap()).collect()
    });
    assert!(statuses.contains(&Some(0)), "{statuses:?}");
    assert!(
        statuses.iter().all(|status| matches!(status, Some(0 | 2))),
        "{statuses:?}"
    );
    let status = json(&run(dir.path(), &["status", "--json"], 0));
    assert_eq!((&status["complete"], &status["planned"]), (&96.into(), &96.into()));
    assert_eq!(status["corrections"].as_array().map_or(0, Vec::len), 0);
}
