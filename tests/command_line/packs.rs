//! Packs on the command line: written, read back, refused.
//!
//! Class: closed form. Folders and archives are compared byte by byte.
#![expect(
    clippy::disallowed_methods,
    reason = "the tests lay out the folders in which the program runs"
)]

use std::fs;
use std::path::Path;

use super::support::{Stage, assert_same, json, roller_in_folder, run, stderr, stdout, tree, write};

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
fn a_protocol_goes_out_and_comes_back_without_anything_local() {
    let dir = roller_in_folder(Stage::Recorded);
    let at = dir.path();
    run(at, &["pack", "--only", "protocol", "--to", "one.zip"], 0);
    run(at, &["pack", "--only", "protocol", "--to", "two.zip"], 0);
    assert_eq!(
        fs::read(at.join("one.zip")).unwrap(),
        fs::read(at.join("two.zip")).unwrap()
    );
    let done = json(&run(at, &["unpack", "one.zip", "other", "--json"], 0));
    assert_eq!(done["manifest"]["holds"], "protocol only");
    let found = tree(&at.join("other"));
    assert_eq!(found["protocol.toml"], fs::read(at.join("protocol.toml")).unwrap());
    for local in [
        "site.toml",
        "plan.csv",
        "plan.toml",
        "record.jsonl",
        "note.md",
        "report/",
    ] {
        assert!(!found.contains_key(local), "{local}");
    }
    refused(at, &["unpack", "one.zip", "other"], 2, "F003");
    refused(
        at,
        &["pack", "--only", "protocol", "--date", "2020-01-01", "--to", "one.zip"],
        2,
        "F009",
    );
    let forced = [
        "pack",
        "--only",
        "protocol",
        "--date",
        "2020-01-01",
        "--to",
        "one.zip",
        "--force",
    ];
    run(at, &forced, 0);
}

#[test]
fn a_whole_study_goes_out_signed_and_without_people() {
    let dir = roller_in_folder(Stage::Recorded);
    let at = dir.path();
    run(at, &["key", "lab.key"], 0);
    refused(at, &["key", "lab.key"], 2, "F009");
    refused(at, &["pack", "--sign", "lab.key.pub"], 1, "V022");
    let told = stderr(&run(at, &["pack", "--without", "people,key", "--sign", "lab.key"], 0));
    assert!(
        told.contains("Left out: people.") && told.contains("Left out: blinding key."),
        "{told}"
    );
    run(at, &["unpack", "out/roller-reading-spread-north.zip", "copy"], 0);
    let copy = tree(&at.join("copy"));
    for name in [
        "report/report.html",
        "report/report.pdf",
        "report/findings.json",
        "manifest.sig",
    ] {
        assert!(copy.contains_key(name), "{name}");
    }
    for (name, bytes) in &copy {
        let holds = bytes.windows(3).any(|window| window == b"op1" || window == b"op2");
        assert!(!holds || name == "report/report.pdf", "{name} names a person");
    }
    // What was packed is a study: its report is made again, and every file is the same.
    let told = stdout(&run(&at.join("copy"), &["report", "--as", "html", "--json"], 0));
    assert!(told.contains("\"written\": []"), "{told}");
}

#[test]
fn nothing_of_a_spoiled_pack_is_written() {
    let dir = roller_in_folder(Stage::Declared);
    let at = dir.path();
    run(at, &["pack", "--to", "pack.zip"], 0);
    let sound = fs::read(at.join("pack.zip")).unwrap();
    let protocol = sound.windows(11).position(|window| window == b"wellrun = 1").unwrap();
    let mut spoiled = sound.clone();
    spoiled[protocol] = b'W';
    write(at, "pack.zip", &spoiled);
    refused(at, &["unpack", "pack.zip", "new"], 1, "V008");
    write(at, "pack.zip", &sound[..sound.len() - 1]);
    refused(at, &["unpack", "pack.zip", "new"], 1, "V001");
    refused(at, &["unpack", "protocol.toml", "new"], 1, "V001");
    refused(at, &["unpack", "absent.zip", "new"], 2, "F005");
}
