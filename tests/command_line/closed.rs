//! The end of a record, and the record as a table.
//!
//! Class: closed form.
#![expect(
    clippy::disallowed_methods,
    reason = "the tests lay out the folders in which the program runs"
)]

use std::fs;

use super::support::{
    CLOCK, REASON, SHEET, Stage, assert_same, json, roller_in_folder, run, stderr, stdout, text, tree, write,
};

#[test]
fn a_closed_record_takes_nothing_more() {
    let dir = roller_in_folder(Stage::Recorded);
    let at = dir.path();
    let looked = tree(at);
    run(at, &["record", "--close", "--by", "RB", "--dry-run"], 0);
    assert_same(&tree(at), &looked, "a dry run");
    run(at, &["record", "--close", "--by", "RB"], 0);
    let last = text(at, "record.jsonl").lines().last().unwrap().to_owned();
    assert!(last.ends_with(r#""kind":"closed","by":"RB"}"#), "{last}");
    let closed = tree(at);
    for refused in [
        vec!["record", "filled-sheet.csv"],
        vec!["record", "corrected-reading.csv", "--reason", REASON],
        vec!["record", "--deviation", "too late"],
        vec!["record", "--close"],
    ] {
        let told = stderr(&run(at, &refused, 1));
        assert!(told.contains("error[R084]"), "{told}");
        assert_same(&tree(at), &closed, "what is closed stays as it is");
    }
    assert_eq!(CLOCK, "1772433000");
    let told = stdout(&run(at, &["status"], 0));
    assert!(told.contains("closed on 2026-03-02T06:30:00Z by RB"), "{told}");
    let findings = json(&run(at, &["analyse", "--json"], 0));
    assert_eq!(findings["record"]["closed"]["by"], "RB");
}

/// A line appended by hand, with a chain that is right, is refused all the same.
#[test]
fn nothing_follows_the_last_line() {
    use wellrun::record::{Entry, append_lines, sha256};
    let dir = roller_in_folder(Stage::Recorded);
    let at = dir.path();
    run(at, &["record", "--close"], 0);
    let journal = text(at, "record.jsonl");
    let late = Entry::Deviation {
        run: None,
        what: "late".into(),
        trace: wellrun::record::Trace::default(),
    };
    let head = sha256(journal.lines().last().unwrap().as_bytes());
    let line = append_lines(&[late], &head, journal.lines().count() + 1, "2026-03-02T07:00:00Z");
    write(at, "record.jsonl", journal + &line);
    let told = stderr(&run(at, &["status"], 1));
    assert!(told.contains("error[R084]"), "{told}");
}

#[test]
fn a_record_with_holes_is_closed_with_a_reason() {
    let dir = roller_in_folder(Stage::Frozen);
    let at = dir.path();
    let without_last = SHEET.trim_end().rsplit_once('\n').unwrap().0;
    write(at, "some.csv", without_last);
    run(at, &["record", "some.csv"], 0);
    let told = stderr(&run(at, &["record", "--close"], 1));
    assert!(told.contains("error[R085]") && told.contains("run 96"), "{told}");
    let told = stderr(&run(at, &["record", "--close", "--reason", "=1+1"], 1));
    assert!(told.contains("error[R010]"), "{told}");
    run(at, &["record", "--close", "--reason", "the last roller broke"], 0);
    let told = stdout(&run(at, &["status"], 0));
    assert!(told.contains("the last roller broke"), "{told}");
    run(at, &["report", "--as", "html"], 0);
    assert!(
        fs::read_to_string(at.join("report/report.html"))
            .unwrap()
            .contains("the last roller broke")
    );
}

#[test]
fn the_record_as_a_table_is_there_at_any_time() {
    let dir = roller_in_folder(Stage::Frozen);
    let at = dir.path();
    assert_eq!(stdout(&run(at, &["record", "--as", "csv"], 0)).lines().count(), 1);
    run(at, &["record", "filled-sheet.csv"], 0);
    let before = tree(at);
    let table = stdout(&run(at, &["record", "--as", "csv"], 0));
    assert_same(&tree(at), &before, "looking writes nothing");
    assert_eq!(table.lines().count(), 961);
    run(at, &["record", "--as", "csv", "filled-sheet.csv"], 2);
    run(at, &["record", "--as", "csv", "--close"], 2);
    run(at, &["report", "--as", "html"], 0);
    assert!(table == text(at, "report/tables/record.csv"));
}
