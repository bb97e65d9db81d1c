//! `rehearse`, and every shipped protocol from `new` to its report.
#![expect(
    clippy::disallowed_methods,
    reason = "the tests lay out the folders in which the program runs"
)]

use std::fs;

use tempfile::TempDir;
use wellrun::protocol;

use super::support::{Tree, assert_same, json, lay_out, run, stderr, stdout, text, tree, write};

/// Four blocks of four runs, two readings each.
const PROTOCOL: &str = r#"
wellrun = 1
[study]
id = "dry"
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
expected = [40, 80]
readings = 2
reading_time = "1 s after firm contact"
result = "mean"
round_to = 0.1
[[unit]]
name = "block"
count = 4
[[unit]]
name = "run"
within = ["block"]
[factor.head]
set_on = "run"
levels = ["first", "second"]
[design]
replicates = 2
[analysis]
planned = ["head"]
"#;

/// What the protocol does not say itself.
const ASSUMED: &str = r#"
wellrun_assumed = 1
[assumed.hardness]
source = "Invented"
mean = 57
spread = { block = 0.3, run = 0.2, reading = 0.5 }
[[assumed.hardness.effect]]
of = "head"
difference = -0.9
"#;

/// The study in a folder of its own, with nothing assumed.
fn study() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), "protocol.toml", PROTOCOL);
    dir
}

/// Files of a folder without those of a rehearsal in it.
fn outside_rehearsal(tree: Tree) -> Tree {
    tree.into_iter()
        .filter(|(name, _)| !name.starts_with("rehearsal"))
        .collect()
}

/// Class: closed form. A rehearsal writes into its own folder alone, twice the same bytes, and says REHEARSAL wherever
/// somebody may look.
#[test]
fn a_rehearsal_leaves_the_study_alone_and_is_marked_everywhere() {
    let dir = study();
    write(dir.path(), "assumed.toml", ASSUMED);
    run(dir.path(), &["plan", "--seed", "4"], 0);
    let before = tree(dir.path());
    let told = stdout(&run(dir.path(), &["rehearse", "--as", "html,pdf", "--misread", "1"], 0));
    assert!(told.starts_with("REHEARSAL: "), "{told}");
    for words in ["head, first to second", "Put in", "block", "written down was"] {
        assert!(told.replace('\u{a0}', " ").contains(words), "{words}: {told}");
    }
    let after = tree(dir.path());
    assert_same(&outside_rehearsal(after.clone()), &before, "the study itself");
    let rehearsal = dir.path().join("rehearsal");
    let made = tree(&rehearsal);
    for name in [
        "sheets/sheet.html",
        "sheets/sheet.pdf",
        "sheets/sheet.csv",
        "filled-sheet.csv",
        "report/report.html",
        "report/report.pdf",
        "report/findings.json",
        "report/tables/true-values.csv",
        "plan.toml",
        "record.jsonl",
    ] {
        assert!(made.contains_key(name), "{name}");
    }
    let of = |name: &str| text(&rehearsal, name);
    assert!(of("sheets/sheet.html").contains("REHEARSAL: not a record"));
    assert!(of("report/report.html").contains("<title>REHEARSAL"));
    assert!(of("report/report.html").contains("True values and what came out"));
    assert!(of("plan.toml").contains("rehearsal = true"));
    assert!(of("record.jsonl").contains("REHEARSAL: every reading was simulated, with seed 1"));
    let findings: serde_json::Value = serde_json::from_str(&of("report/findings.json")).unwrap();
    assert_eq!(findings["study"]["rehearsal"], true);
    assert!(findings["rehearsal"]["values"].as_array().unwrap().len() > 4);
    // Whoever goes on in that folder by hand cannot lose the mark.
    assert!(stdout(&run(&rehearsal, &["analyse"], 0)).contains("REHEARSAL"));
    assert_eq!(
        json(&run(&rehearsal, &["analyse", "--json"], 0))["study"]["rehearsal"],
        true
    );
    run(&rehearsal, &["report", "--as", "html"], 0);
    run(&rehearsal, &["sheet", "--as", "html,csv"], 0);
    assert_same(&tree(&rehearsal), &made, "sheets and report made once more by hand");
    run(dir.path(), &["rehearse", "--as", "html,pdf", "--misread", "1"], 0);
    assert_same(&tree(dir.path()), &after, "the same rehearsal again");
}

/// What goes wrong leaves nothing behind, and no folder of anybody else's is cleared.
#[test]
fn a_rehearsal_that_fails_writes_nothing() {
    let dir = study();
    let before = tree(dir.path());
    // Nothing is assumed.
    assert!(stderr(&run(dir.path(), &["rehearse"], 1)).contains("[P130]"));
    assert_same(&tree(dir.path()), &before, "nothing to rehearse by");
    write(dir.path(), "assumed.toml", ASSUMED);
    let before = tree(dir.path());
    assert!(stderr(&run(dir.path(), &["rehearse", "--missing", "16"], 1)).contains("[P136]"));
    write(dir.path(), "note.md", "{{value: no.such.name}}");
    assert!(stderr(&run(dir.path(), &["rehearse", "--as", "html"], 1)).contains("[T03"));
    fs::remove_file(dir.path().join("note.md")).unwrap();
    assert_same(&tree(dir.path()), &before, "a note with a wrong name");
    fs::create_dir(dir.path().join("mine")).unwrap();
    write(dir.path(), "mine/keep.txt", "mine");
    assert!(stderr(&run(dir.path(), &["rehearse", "--as", "html", "--to", "mine"], 2)).contains("[F003]"));
    assert_eq!(text(dir.path(), "mine/keep.txt"), "mine");
    write(dir.path(), "assumed.toml", ASSUMED.replace("block = 0.3, ", ""));
    assert!(stderr(&run(dir.path(), &["check"], 1)).contains("[P101]"));
    // What a stopped rehearsal left is replaced; the plan of the study takes part in nothing.
    write(dir.path(), "assumed.toml", ASSUMED);
    lay_out(
        &Tree::from([
            ("rehearsal/.wellrun-rehearsal".into(), Vec::new()),
            ("rehearsal/record.jsonl".into(), b"half a li".to_vec()),
        ]),
        dir.path(),
    );
    run(dir.path(), &["rehearse", "--as", "html"], 0);
    run(dir.path(), &["plan", "--seed", "9"], 0);
    let first = tree(&dir.path().join("rehearsal"));
    run(dir.path(), &["rehearse", "--as", "html"], 0);
    assert_same(&tree(&dir.path().join("rehearsal")), &first, "with and without a plan");
}

/// Class: closed form. Each shipped protocol goes the whole way with the site file of its example: nothing is wrong with
/// it, its order is drawn, its sheets are made, and its rehearsal brings the filled sheet that the example shows.
#[test]
fn every_shipped_protocol_goes_from_new_to_its_report() {
    let one = |name: &str| {
        let parent = tempfile::tempdir().unwrap();
        let at = parent.path();
        run(at, &["new", name, "study"], 0);
        let example = format!("{}/examples/{name}", env!("CARGO_MANIFEST_DIR"));
        let site = fs::read_to_string(format!("{example}/site.toml")).unwrap_or_else(|error| panic!("{name}: {error}"));
        write(&at.join("study"), "site.toml", site);
        let told = json(&run(at, &["check", "study", "--json"], 0));
        assert_eq!(told["ok"], true, "{name}");
        run(at, &["plan", "study", "--seed", "1"], 0);
        run(at, &["sheet", "study", "--as", "html,csv"], 0);
        run(at, &["rehearse", "study", "--as", "html"], 0);
        let rehearsal = at.join("study/rehearsal");
        let report = text(&rehearsal, "report/report.html");
        assert!(
            report.contains("<title>REHEARSAL") && report.contains("Hardness"),
            "{name}"
        );
        let findings: serde_json::Value = serde_json::from_str(&text(&rehearsal, "report/findings.json")).unwrap();
        assert_eq!(
            findings["record"]["runs_complete"], findings["record"]["runs_planned"],
            "{name}"
        );
        let shown = format!("{example}/rehearsed-sheet.csv");
        if name != "roller-reading-spread" {
            let shown = fs::read_to_string(&shown).unwrap_or_else(|error| panic!("{shown}: {error}"));
            assert!(
                text(&rehearsal, "filled-sheet.csv") == shown,
                "{name}: the example's sheet is another"
            );
        }
    };
    std::thread::scope(|scope| {
        // The study of the demo goes the whole way elsewhere, with readings of its own.
        for shipped in protocol::shipped()
            .iter()
            .filter(|shipped| shipped.name != "roller-reading-spread")
        {
            scope.spawn(|| one(shipped.name));
        }
    });
}
