//! The same protocol at a second site, and the same study under another version of its protocol.
//!
//! Class: closed form. The walk of the README from one bench to the other, and what is refused on the way.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use super::support::{assert_same, json, run, stderr, stdout, text, tree, write};
use super::verify::{PROTOCOL, sheet, site};

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

/// North bench: a study with readings, in `north/`.
fn north() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    fs::create_dir(at.join("north")).unwrap();
    write(at, "north/protocol.toml", PROTOCOL);
    write(at, "north/site.toml", site("north"));
    write(at, "north/sheet.csv", sheet(0));
    run(at, &["plan", "north", "--seed", "7"], 0);
    run(at, &["record", "north", "north/sheet.csv"], 0);
    dir
}

#[test]
fn from_the_north_bench_to_the_south_bench() {
    let dir = north();
    let at = dir.path();
    run(at, &["pack", "north", "--to", "north.zip"], 0);
    run(at, &["new", "--from", "north.zip", "south"], 0);
    assert_eq!(text(at, "north/protocol.toml"), text(at, "south/protocol.toml"));
    for absent in ["south/plan.toml", "south/record.jsonl", "south/report"] {
        assert!(!at.join(absent).exists(), "{absent}");
    }
    // A site file to fill in: everything left is listed.
    let told = stderr(&run(at, &["check", "south"], 1));
    assert!(told.contains("S012") && told.contains("serial"), "{told}");
    // A site of its own, an order of its own.
    write(at, "south/site.toml", site("north"));
    refused(at, &["plan", "south", "--seed", "8"], 1, "V031");
    write(at, "south/site.toml", site("south"));
    refused(at, &["plan", "south", "--seed", "7"], 1, "V032");
    run(at, &["plan", "south", "--seed", "8"], 0);
    assert_ne!(text(at, "north/plan.csv"), text(at, "south/plan.csv"));
    // What has to be the same is answered, point by point, before the first reading.
    refused(at, &["record", "south", "--conformance"], 1, "R091");
    let list = text(at, "south/conformance.toml");
    assert!(
        list.contains("1 s after firm contact") && list.contains("Wipe the indenter"),
        "{list}"
    );
    assert!(
        list.contains("# Local, and not to be the same: what stands behind the levels of head."),
        "{list}"
    );
    let filled = list.replace("\"FILL IN\"", "\"yes\"").replacen(
        "asked = \"Wipe the indenter with a dry cloth.\"\nsame = \"yes\"\ninstead = \"\"",
        "asked = \"Wipe the indenter with a dry cloth.\"\nsame = \"no\"\ninstead = \"Wiped with a brush\"",
        1,
    );
    write(at, "south/conformance.toml", &filled);
    run(at, &["record", "south", "--conformance"], 0);
    let taken = text(at, "south/record.jsonl");
    run(at, &["record", "south", "--conformance"], 0);
    assert_eq!(
        text(at, "south/record.jsonl"),
        taken,
        "the same answers twice add nothing"
    );
    write(
        at,
        "south/conformance.toml",
        filled.replacen("Wiped with a brush", "Blown off", 1),
    );
    refused(at, &["record", "south", "--conformance"], 1, "R060");
    run(
        at,
        &["record", "south", "--conformance", "--reason", "seen on the video"],
        0,
    );
    // The first site's results are not shown before the record is closed.
    write(at, "south/sheet.csv", sheet(3));
    run(at, &["record", "south", "south/sheet.csv"], 0);
    refused(at, &["compare", "north.zip", "south"], 1, "V033");
    refused(at, &["pool", "north", "south"], 1, "V033");
    run(at, &["record", "south", "--close", "--by", "RB"], 0);
    run(at, &["pool", "north", "south"], 0);
    let told = stdout(&run(at, &["compare", "north.zip", "south"], 0));
    assert!(
        told.contains("two sites") && told.contains("Hash of the plan"),
        "{told}"
    );
    // The report says all that.
    run(at, &["report", "south", "--as", "html"], 0);
    let html = text(at, "south/report/report.html");
    for said in [
        "This study repeats that of site north",
        "Blown off",
        "that have to be the same at every site, 1 differs here",
        "is each site\u{2019}s own",
    ] {
        let plain = html.replace("&#x27;", "'").replace('\'', "\u{2019}");
        assert!(plain.contains(said), "no `{said}`");
    }
    run(at, &["verify", "south"], 0);
    run(at, &["pack", "south", "--to", "south.zip"], 0);
    run(at, &["verify", "south.zip"], 0);
    // Readings before the list is answered are taken in, and it is said.
    run(at, &["new", "--from", "north.zip", "third"], 0);
    write(at, "third/site.toml", site("third"));
    run(at, &["plan", "third", "--seed", "9"], 0);
    let told = stderr(&run(at, &["record", "third", "south/sheet.csv"], 0));
    assert!(told.contains("warning[R093]"), "{told}");
    // Another protocol is another study.
    write(
        at,
        "third/protocol.toml",
        PROTOCOL.replacen("dry cloth", "wet cloth", 1),
    );
    let told = stderr(&run(at, &["status", "third"], 1));
    assert!(told.contains("error[V030]") && told.contains("error[D012]"), "{told}");
    run(at, &["new", "--from", "absent.zip", "fourth"], 2);
    run(at, &["new", "--from", "north/site.toml", "fourth"], 1);
    run(at, &["new", "somewhere"], 2);
    assert!(!at.join("fourth").exists());
}

#[test]
fn a_protocol_is_amended_on_record_and_the_order_stays() {
    let dir = north();
    let at = dir.path();
    let amended = PROTOCOL
        .replacen("version = \"1.0\"", "version = \"1.1\"", 1)
        .replacen("1 s after", "3 s after", 1);
    write(at, "next.toml", &amended);
    let amend = [
        "plan",
        "north",
        "--amend",
        "next.toml",
        "--reason",
        "one second was not feasible",
    ];
    run(at, &amend[..4], 2);
    for (spoil, code) in [
        (PROTOCOL.to_owned(), "R092"),
        (amended.replacen("1.1", "1.0", 1), "R092"),
        (amended.replacen("count = 4", "count = 5", 1), "D099"),
        (amended.replacen("two-heads", "other", 1), "D099"),
        (
            amended
                .replacen("possible = [0, 100]", "possible = [0, 57]", 1)
                .replacen("[40, 80]", "[40, 57]", 1),
            "R046",
        ),
    ] {
        write(at, "next.toml", spoil);
        refused(at, &amend, 1, code);
    }
    write(at, "next.toml", &amended);
    let plan = text(at, "north/plan.csv");
    run(at, &["report", "north", "--as", "html"], 0);
    fs::copy(at.join("north/report/findings.json"), at.join("before.json")).unwrap();
    run(at, &amend, 0);
    assert_eq!(text(at, "north/plan.csv"), plan);
    assert_eq!(text(at, "north/protocol.toml"), amended);
    assert_eq!(text(at, "north/amendments/protocol-1.0.toml"), PROTOCOL);
    run(at, &["check", "north"], 0);
    refused(at, &amend, 1, "R092");
    // A second one on top of the first.
    write(
        at,
        "next.toml",
        amended
            .replacen("\"1.1\"", "\"1.2\"", 1)
            .replacen("dry cloth", "soft cloth", 1),
    );
    run(at, &amend, 0);
    run(at, &["report", "north", "--as", "html", "--force"], 0);
    let html = text(at, "north/report/report.html")
        .replace('\u{a0}', " ")
        .replace("&nbsp;", " ");
    for said in [
        "drawn under version 1.0",
        "made under version 1.2",
        "after 16 runs",
        "one second was not feasible",
    ] {
        assert!(html.contains(said), "no `{said}`");
    }
    run(at, &["verify", "north"], 0);
    // In words: keys of the protocol, and what became of the findings.
    let told = stdout(&run(
        at,
        &["compare", "north/amendments/protocol-1.0.toml", "north/protocol.toml"],
        0,
    ));
    assert!(
        told.contains("response.hardness.reading_time: 3 s after firm contact in place of 1 s after firm contact."),
        "{told}"
    );
    let told = stdout(&run(at, &["compare", "before.json", "north"], 0));
    assert!(
        told.contains("Version of the protocol: 1.2 in place of 1.0.") && told.contains("New amendment"),
        "{told}"
    );
    // A correction moves a number, and the words say by how much.
    fs::copy(at.join("north/report/findings.json"), at.join("before.json")).unwrap();
    write(at, "north/fixed.csv", sheet(0).replacen("\n3,56.8", "\n3,55.9", 1));
    run(
        at,
        &["record", "north", "north/fixed.csv", "--reason", "digits misread"],
        0,
    );
    let done = run(at, &["compare", "before.json", "north"], 0);
    let told = stdout(&done);
    assert!(
        told.contains("New correction: run 3") && told.contains("of its standard error"),
        "{told}"
    );
    let shown = json(&run(at, &["compare", "north", "north", "--json"], 0));
    assert_eq!(shown["same"], true, "{shown}");
    refused(at, &["compare", "before.json", "north/protocol.toml"], 1, "V040");
    // Tampered with: the earlier version, the amendment's line, the version in between.
    let sound = tree(&at.join("north"));
    write(
        at,
        "north/amendments/protocol-1.0.toml",
        PROTOCOL.replacen("dry", "wet", 1),
    );
    let told = stdout(&run(at, &["verify", "north"], 1));
    assert!(told.contains("versions: differs"), "{told}");
    for (name, bytes) in &sound {
        if !name.ends_with('/') {
            write(at, &format!("north/{name}"), bytes);
        }
    }
    write(at, "north/protocol.toml", &amended);
    let told = stderr(&run(at, &["status", "north"], 1));
    assert!(told.contains("error[D012]"), "{told}");
}
