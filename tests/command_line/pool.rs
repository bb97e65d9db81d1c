//! Studies of two sites together: what is printed, what is written, what is refused.

use std::fs;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::support::{json, lay_out, run, stderr, stdout, text, tree, write};

fn benches() -> TempDir {
    let example = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("examples/two-benches");
    let dir = tempfile::tempdir().unwrap();
    for bench in ["north", "south"] {
        lay_out(&tree(&example.join(bench)), &dir.path().join(bench));
    }
    dir
}

fn refused(dir: &Path, arguments: &[&str], status: i32, code: &str) -> String {
    let before = tree(dir);
    let told = stderr(&run(dir, arguments, status));
    assert!(told.contains(&format!("[{code}]")), "{code} in:\n{told}");
    assert_eq!(tree(dir), before, "{arguments:?} wrote something");
    told
}

/// The example's readings were made with a temperature effect that is the same at both benches, and an approach that is not.
#[test]
fn two_benches_from_readings_to_report() {
    let dir = benches();
    let before = tree(dir.path());
    let told = stdout(&run(dir.path(), &["pool", "north", "south"], 0));
    for words in [
        "North bench and South bench",
        "1 replicated and 1 not",
        "The sites differ",
    ] {
        assert!(told.contains(words), "{words} in:\n{told}");
    }
    assert_eq!(tree(dir.path()), before, "looking writes nothing");

    // Whichever is named first: the same bytes everywhere.
    let data = json(&run(dir.path(), &["pool", "north", "south", "--json"], 0));
    assert_eq!(data, json(&run(dir.path(), &["pool", "south", "north", "--json"], 0)));
    assert_eq!(data["sites"][0]["site"], "north-bench");
    for (folder, order) in [("one", ["north", "south"]), ("other", ["south", "north"])] {
        run(
            dir.path(),
            &["pool", order[0], order[1], "--out", folder, "--as", "html"],
            0,
        );
    }
    let one = tree(&dir.path().join("one"));
    assert!(
        one == tree(&dir.path().join("other")),
        "the order of the folders changed a byte"
    );
    for file in [
        "pooled-findings.json",
        "report.html",
        "charts/hardness-temperature.svg",
        "charts/hardness-approach-1-2.svg",
        "tables/hardness-replication.csv",
        "tables/provenance.csv",
    ] {
        assert!(one.contains_key(file), "{file}");
    }
    // Again: everything is left alone. Something else there: only with --force.
    let again = stderr(&run(
        dir.path(),
        &["pool", "north", "south", "--out", "one", "--as", "html"],
        0,
    ));
    assert!(again.contains("all of them"), "{again}");
    write(dir.path(), "one/report.html", "mine");
    let again = ["pool", "north", "south", "--out", "one", "--as", "html"];
    refused(dir.path(), &again, 2, "F009");
    run(dir.path(), &[&again[..], &["--force"]].concat(), 0);
    assert!(text(dir.path(), "one/report.html").contains("South bench"));
}

#[test]
fn what_is_not_two_sites_of_one_protocol_is_refused() {
    let dir = benches();
    let at = dir.path();
    refused(at, &["pool", "north"], 1, "A060");
    refused(at, &["pool", "north", "north"], 1, "A063");
    refused(at, &["pool", "north", "nowhere"], 2, "F001");
    refused(at, &["pool", "north", "south", "--out", "south"], 1, "A095");

    // Another protocol: the span is named.
    lay_out(&tree(&at.join("south")), &at.join("wider"));
    let wider = text(at, "wider/protocol.toml").replace("levels = [21, 25]", "levels = [20, 26]");
    write(at, "wider/protocol.toml", wider);
    for file in ["plan.csv", "plan.toml", "record.jsonl"] {
        fs::remove_file(at.join("wider").join(file)).unwrap();
    }
    run(at, &["plan", "wider", "--seed", "7"], 0);
    let told = refused(at, &["pool", "north", "wider"], 1, "A061").replace('\u{a0}', " ");
    assert!(
        told.contains("span of temperature") && told.contains("[A066]"),
        "{told}"
    );

    // A copy under another folder is the same study; the same site drawn anew is no second site.
    lay_out(&tree(&at.join("north")), &at.join("copy"));
    refused(at, &["pool", "north", "copy"], 1, "A063");

    // A rehearsal beside measured readings.
    let header = text(at, "south/plan.toml");
    write(
        at,
        "south/plan.toml",
        format!("{}\nrehearsal = true\n", header.trim_end()),
    );
    refused(at, &["pool", "north", "south"], 1, "A062");
}

/// The same order at two sites is taken, with a warning: what goes along it repeats as well.
#[test]
fn an_order_used_twice_is_warned_of() {
    let dir = benches();
    let at = dir.path();
    // South's site follows North's order: as if somebody had copied the plan.
    let example = at.join("north");
    lay_out(&tree(&example), &at.join("third"));
    let site = text(at, "south/site.toml");
    write(at, "third/site.toml", site);
    let plan = text(at, "third/plan.toml").replace("site = \"north-bench\"", "site = \"south-bench\"");
    write(at, "third/plan.toml", plan);
    let sheet = text(at, "third/filled-sheet.csv").replace("op1", "op7");
    write(at, "third/filled-sheet.csv", sheet);
    fs::remove_file(at.join("third/record.jsonl")).unwrap();
    run(at, &["record", "third", "third/filled-sheet.csv"], 0);
    let done = run(at, &["pool", "north", "third"], 0);
    assert!(stderr(&done).contains("[A070]"), "{}", stderr(&done));
    assert!(stdout(&done).contains("ran in the same order"), "{}", stdout(&done));
}
