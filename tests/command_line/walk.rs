//! The whole walk, step by step, and the demo that does the same in one.

use std::path::Path;

use serde_json::Value;

use super::support::{
    CORRECTION, NOTE, REASON, SEED, SHEET, SITE, Stage, Tree, assert_same, ended, json, lay_out, roller_in_folder, run,
    stderr, stdout, text, tree, wellrun, write,
};

/// Keys of the findings that others build on.
const STUDY: [&str; 7] = [
    "id",
    "title",
    "version",
    "protocol_sha256",
    "site",
    "rehearsal",
    "order",
];
const RESPONSE: [&str; 12] = [
    "unit",
    "runs",
    "readings",
    "missing",
    "model",
    "effects",
    "residual",
    "means",
    "contrasts",
    "slopes",
    "components",
    "checks",
];
const WITHIN: [(&str, &[&str]); 7] = [
    ("model", &["fixed", "random", "method", "residual_df", "log_likelihood"]),
    (
        "effects",
        &[
            "term",
            "df",
            "denominator_df",
            "sum_of_squares",
            "mean_square",
            "f",
            "p",
            "p_adjusted",
            "p_randomization",
            "planned",
        ],
    ),
    ("residual", &["variance", "standard_deviation", "df"]),
    ("means", &["levels", "n", "mean", "standard_error", "df", "low", "high"]),
    (
        "contrasts",
        &[
            "factor",
            "from",
            "to",
            "within",
            "difference",
            "standard_error",
            "df",
            "low",
            "high",
            "p",
            "p_adjusted",
        ],
    ),
    ("slopes", &["factor", "per_unit", "standard_error", "df", "low", "high"]),
    (
        "components",
        &["source", "variance", "standard_deviation", "low", "high", "share"],
    ),
];

fn holds_keys(value: &Value, keys: &[&str], what: &str) {
    for key in keys {
        assert!(value.get(key).is_some(), "{what}: no `{key}`");
    }
}

/// Class: closed form. The steps of the handbook one by one, and two demos, one of them in other surroundings: Turkish
/// has an `i` of its own, German writes decimal commas. All three come to the same files.
#[test]
fn the_whole_walk_and_two_demos_come_to_the_same_bytes() {
    let parent = tempfile::tempdir().unwrap();
    let at = parent.path();
    let strange = [
        ("TZ", "Pacific/Auckland"),
        ("LANG", "de_DE.UTF-8"),
        ("LC_ALL", "tr_TR.UTF-8"),
        ("COLUMNS", "47"),
        ("WELLRUN_TYPST", "no-such-program"),
    ];
    // What an earlier demo left is replaced.
    lay_out(
        &Tree::from([
            ("second/.wellrun-demo".into(), Vec::new()),
            ("second/old/x".into(), Vec::new()),
        ]),
        at,
    );
    let (mut walked, first, second) = std::thread::scope(|scope| {
        let first = scope.spawn(|| {
            ended(wellrun(at).env_remove("SOURCE_DATE_EPOCH").envs(strange).arg("demo"), 0);
            tree(&at.join("out/demo"))
        });
        let second = scope.spawn(|| {
            run(at, &["demo", "second"], 0);
            tree(&at.join("second"))
        });
        (walk(at), first.join().unwrap(), second.join().unwrap())
    });
    assert_same(&second, &first, "two demos");
    let mut demo = first;
    for name in [
        ".wellrun-demo",
        "filled/",
        "filled/filled-sheet.csv",
        "filled/corrected-reading.csv",
    ] {
        assert!(demo.remove(name).is_some(), "{name}");
    }
    // Only `new` brings what a rehearsal assumes.
    assert!(walked.remove("assumed.toml").is_some());
    assert_same(&demo, &walked, "the demo and its steps one by one");
}

/// Every step from the list of protocols to the report; the folder it comes to.
fn walk(at: &Path) -> Tree {
    let listed = stdout(&run(at, &["protocols"], 0));
    assert!(listed.contains("roller-reading-spread"), "{listed}");

    run(at, &["new", "roller-reading-spread", "study"], 0);
    let study = &at.join("study");
    for name in ["protocol.toml", "site.toml", "note.md"] {
        assert!(study.join(name).is_file(), "{name}");
    }
    let left = stderr(&run(at, &["check", "study"], 1));
    let left_in_file = text(study, "site.toml").matches("\"FILL IN\"").count();
    assert_eq!(left.matches("[S012]").count(), left_in_file, "{left}");
    write(study, "site.toml", SITE);
    write(study, "note.md", NOTE);
    run(at, &["check", "study"], 0);

    run(at, &["plan", "study", "--seed", SEED], 0);
    assert!(text(study, "plan.csv").starts_with("run,session,roller,temperature,finish,instrument\n"));
    assert!(text(study, "plan.toml").contains(&format!("seed = \"{SEED}\"\n")));

    run(at, &["sheet", "study", "--as", "pdf,html,csv"], 0);
    for name in ["sheets/sheet.pdf", "sheets/sheet.html", "sheets/sheet.csv"] {
        assert!(study.join(name).is_file(), "{name}");
    }

    write(at, "filled-sheet.csv", SHEET);
    write(at, "corrected-reading.csv", CORRECTION);
    let later = |arguments: &[&str], clock: &str| ended(wellrun(at).env("SOURCE_DATE_EPOCH", clock).args(arguments), 0);
    let (monday, friday) = ("1772728200", "1772787600");
    later(&["record", "study", "filled-sheet.csv"], monday);
    let departure = "Runs 42 and 43 were made in reverse order: instrument B was on the stand already.";
    later(&["record", "study", "--deviation", departure, "--run", "42"], monday);
    later(
        &["record", "study", "corrected-reading.csv", "--reason", REASON],
        friday,
    );

    let told = stdout(&run(at, &["status", "study"], 0));
    for words in ["96 of 96 runs complete.", REASON, departure] {
        assert!(told.replace("\n    ", " ").contains(words), "{words}: {told}");
    }
    let told = stdout(&run(at, &["analyse", "study"], 0));
    assert!(told.contains("Hardness, in Shore D"), "{told}");
    let findings = json(&run(at, &["analyse", "study", "--json"], 0));
    holds_keys(&findings, &["format", "study", "responses"], "findings");
    holds_keys(&findings["study"], &STUDY, "study");
    let hardness = &findings["responses"]["hardness"];
    holds_keys(hardness, &RESPONSE, "hardness");
    for (key, within) in WITHIN {
        let value = &hardness[key];
        match value.as_array() {
            Some(list) => {
                assert!(!list.is_empty(), "{key} is empty");
                list.iter().for_each(|item| holds_keys(item, within, key));
            }
            None => holds_keys(value, within, key),
        }
    }

    run(at, &["report", "study"], 0);
    run(at, &["check", "study"], 0);
    let written = tree(study);
    for name in ["report/report.html", "report/report.pdf", "report/findings.json"] {
        assert!(written.contains_key(name), "{name}");
    }
    for (folder, end) in [("report/charts/", ".svg"), ("report/tables/", ".csv")] {
        assert!(
            written
                .keys()
                .any(|name| name.starts_with(folder) && name.ends_with(end)),
            "{folder}"
        );
    }
    let of_report: Value = serde_json::from_slice(&written["report/findings.json"]).unwrap();
    assert_eq!(of_report, findings);

    written
}

/// Class: closed form. A report that is there already is made again from the same study.
#[test]
fn the_report_is_made_again_byte_for_byte() {
    let dir = roller_in_folder(Stage::Recorded);
    let first = run(dir.path(), &["report", "--as", "html", "--json"], 0);
    let before = tree(dir.path());
    let second = run(dir.path(), &["report", "--as", "html", "--json"], 0);
    assert_same(&tree(dir.path()), &before, "the report made again");
    assert_eq!(json(&first)["written"], json(&second)["same"]);
    assert_eq!(json(&second)["written"].as_array().map(Vec::len), Some(0));
}
