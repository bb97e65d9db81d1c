//! `verify`: nothing differs in a study as it was made, and whatever is changed in one is found where it was changed.
//!
//! Class: closed form. The test changes one value or one byte and expects the step that it belongs to.
#![expect(
    clippy::disallowed_methods,
    reason = "the tests lay out the folders in which the program runs"
)]

use std::fmt::Write as _;
use std::fs;
use std::sync::LazyLock;

use serde_json::Value;
use wellrun::diagnostic::Source;
use wellrun::provenance;
use wellrun::record::{Entry, rewritten};

use super::support::{Tree, json, lay_out, run, stderr, stdout, tree, write};

/// Four blocks of four runs, two readings each.
pub const PROTOCOL: &str = r#"wellrun = 1
[study]
id = "two-heads"
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
named_by_site = true
[design]
replicates = 2
[analysis]
planned = ["head"]
[procedure]
before_run = ["Wipe the indenter with a dry cloth."]
"#;

/// A site file of that study.
pub fn site(id: &str) -> String {
    let mut text = format!(
        "wellrun_site = 1\n[site]\nid = \"{id}\"\nname = \"{id} bench\"\nroom = \"Room 2\"\n\
         [[person]]\ncode = \"RB\"\nrole = \"operator\"\n"
    );
    for (level, serial) in [("first", "H-1"), ("second", "H-2")] {
        let _ = write!(
            text,
            "[[named]]\nfactor = \"head\"\nlevel = \"{level}\"\ndescription = \"A head\"\nserial = \"{id}-{serial}\"\n\
             certificate = \"C-1\"\ncalibrated = \"2026-01-15\"\ndue = \"2027-01-15\"\ntolerance = 1.0\n"
        );
    }
    text
}

/// A filled sheet of that study; `shift` moves all readings.
pub fn sheet(shift: u32) -> String {
    let mut text = String::from("run,hardness 1,hardness 2,initials,remark\n");
    for run in 1..=16_u32 {
        let (one, two) = (560 + shift + (run * 7) % 13, 560 + shift + (run * 5) % 11);
        let _ = writeln!(text, "{run},{}.{},{}.{},RB,", one / 10, one % 10, two / 10, two % 10);
    }
    text
}

/// The study from protocol to report, with a correction and a departure.
static STUDY: LazyLock<Tree> = LazyLock::new(|| {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    write(at, "protocol.toml", PROTOCOL);
    write(at, "site.toml", site("north"));
    write(
        at,
        "note.md",
        "The heads differ by {{value: hardness.contrasts.head.first.second.difference}}.\n",
    );
    write(at, "sheet.csv", sheet(0));
    run(at, &["plan", "--seed", "7"], 0);
    run(at, &["record", "sheet.csv"], 0);
    write(at, "fixed.csv", sheet(0).replacen("\n3,56.8", "\n3,56.9", 1));
    run(at, &["record", "fixed.csv", "--reason", "digits misread"], 0);
    run(at, &["record", "--deviation", "The door stood open.", "--run", "4"], 0);
    run(at, &["report", "--as", "html"], 0);
    tree(at)
});

/// Name and outcome of the first step that is not well.
fn first_fault(shown: &Value) -> (String, String) {
    let steps = shown["steps"].as_array().unwrap();
    let fault = steps
        .iter()
        .find(|step| !["same", "nothing-there"].contains(&step["outcome"].as_str().unwrap()));
    fault.map_or_else(
        || (String::new(), String::new()),
        |step| (step["step"].as_str().unwrap().to_owned(), step.to_string()),
    )
}

fn spoiled(file: &str, change: &dyn Fn(&str) -> String) -> (String, String) {
    let mut study = STUDY.clone();
    let before = String::from_utf8(study[file].clone()).unwrap();
    let after = change(&before);
    assert_ne!(before, after, "nothing was changed in {file}");
    study.insert(file.to_owned(), after.into_bytes());
    let dir = tempfile::tempdir().unwrap();
    lay_out(&study, dir.path());
    first_fault(&json(&run(dir.path(), &["verify", "--json"], 1)))
}

#[test]
fn nothing_differs_in_a_study_as_it_was_made() {
    let dir = tempfile::tempdir().unwrap();
    lay_out(&STUDY, dir.path());
    let before = tree(dir.path());
    let shown = json(&run(dir.path(), &["verify", "--json"], 0));
    assert_eq!(first_fault(&shown).0, "", "{shown}");
    let names: Vec<&str> = shown["steps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s["step"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["manifest", "plan", "record", "findings", "report"]);
    assert_eq!(tree(dir.path()), before, "verify writes nothing");
    // Further back on the way there is less to check, and nothing wrong.
    for gone in ["report/", "record.jsonl", "plan."] {
        for name in before
            .keys()
            .filter(|name| name.starts_with(gone) && !name.ends_with('/'))
        {
            fs::remove_file(dir.path().join(name)).unwrap();
        }
        run(dir.path(), &["verify"], 0);
    }
}

/// Somebody changes one value and leaves no trace in any manifest: the step it belongs to tells.
#[test]
fn every_changed_value_is_found_at_its_step() {
    let swap = |from: &'static str, to: &'static str| {
        move |text: &str| {
            assert!(text.contains(from), "no `{from}`");
            text.replacen(from, to, 1)
        }
    };
    let cases: [(&str, &str, &str, &str); 26] = [
        ("plan.toml", "seed = \"7\"", "seed = \"8\"", "plan"),
        ("plan.toml", "site = \"north\"", "site = \"south\"", "plan"),
        ("plan.toml", "version = \"1.0\"", "version = \"1.1\"", "plan"),
        ("plan.toml", "runs = 16", "runs = 15", "plan"),
        ("plan.toml", "study = \"two-heads\"", "study = \"two-hands\"", "plan"),
        ("plan.toml", "wellrun_plan = 1", "wellrun_plan = 2", "plan"),
        ("plan.toml", "wellrun draw 1", "wellrun draw 2", "plan"),
        ("plan.toml", "# The header", "# A header", "plan"),
        ("plan.csv", "\n5,", "\n6,", "plan"),
        ("protocol.toml", "expected = [40, 80]", "expected = [40, 79]", "plan"),
        ("protocol.toml", "1 s after", "3 s after", "plan"),
        ("protocol.toml", "dry cloth", "wet cloth", "plan"),
        ("site.toml", "north-H-1", "north-H-9", "findings"),
        ("site.toml", "role = \"operator\"", "role = \"lead\"", "findings"),
        ("record.jsonl", "\"reading\":1", "\"reading\":2", "record"),
        ("record.jsonl", "door stood open", "door was shut", "findings"),
        (
            "report/findings.json",
            "\"runs_complete\": 16",
            "\"runs_complete\": 15",
            "findings",
        ),
        ("report/findings.json", "digits misread", "digits swapped", "findings"),
        ("report/findings.json", "\"seed\": \"7\"", "\"seed\": \"9\"", "findings"),
        (
            "report/findings.json",
            "wellrun findings 1",
            "wellrun findings 9",
            "findings",
        ),
        (
            "report/findings.json",
            "\"rehearsal\": false",
            "\"rehearsal\": true",
            "findings",
        ),
        (
            "report/report.html",
            "Do two heads read alike?",
            "Do two hands read alike?",
            "report",
        ),
        ("report/report.html", "digits misread", "digits swapped", "report"),
        ("report/tables/record.csv", "5", "6", "report"),
        ("report/tables/provenance.csv", "draw 1", "draw 3", "report"),
        ("note.md", "differ", "agree", "report"),
    ];
    for (file, from, to, step) in cases {
        let (found, told) = spoiled(file, &swap(from, to));
        assert_eq!(found, step, "{file}: {from} -> {to}\n{told}");
    }
    // Numbers of the findings, each by a part in ten thousand.
    for key in ["difference", "standard_error", "mean_square", "variance", "low", "p"] {
        let change = |text: &str| nudged(text, key);
        let (found, told) = spoiled("report/findings.json", &change);
        assert_eq!(found, "findings", "{key}\n{told}");
        assert!(told.contains("\"by\":") && told.contains(key), "{told}");
    }
    // A figure and a table removed, a file put in.
    for (file, text) in [
        ("report/tables/hardness-effects.csv", None),
        ("report/charts/extra.svg", Some("<svg/>")),
    ] {
        let mut study = STUDY.clone();
        match text {
            None => assert!(study.remove(file).is_some(), "{file}"),
            Some(text) => drop(study.insert(file.to_owned(), text.into())),
        }
        let dir = tempfile::tempdir().unwrap();
        lay_out(&study, dir.path());
        assert_eq!(
            first_fault(&json(&run(dir.path(), &["verify", "--json"], 1))).0,
            "report"
        );
    }
}

/// The first number under a key, larger by a part in ten thousand.
fn nudged(text: &str, key: &str) -> String {
    let name = format!("\"{key}\": ");
    let mut from = 0;
    while let Some(at) = text[from..].find(&name) {
        let start = from + at + name.len();
        let end = start + text[start..].find([',', '\n', '}']).unwrap();
        if let Ok(value) = text[start..end].parse::<f64>()
            && value != 0.0
        {
            return format!("{}{}{}", &text[..start], value * 1.0001, &text[end..]);
        }
        from = end;
    }
    panic!("no number under {key}");
}

/// A reading is changed and the whole chain written anew: the record is sound in itself, and not what the findings say.
#[test]
fn a_forged_journal_is_found_by_its_findings() {
    let forge = |text: &str| {
        let journal = Source::new("record.jsonl", text);
        rewritten(&journal, &mut |entry| {
            if let Entry::Reading { run: 9, text, .. } = entry {
                "61.7".clone_into(text);
            }
        })
        .unwrap()
    };
    let (step, told) = spoiled("record.jsonl", &forge);
    assert_eq!(step, "findings", "{told}");
    // The end cut off: nothing in the journal tells, the findings do.
    let cut = |text: &str| {
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        lines[..lines.len() - 1].concat()
    };
    assert_eq!(spoiled("record.jsonl", &cut).0, "findings");
    // Half a line: never accepted, and said so.
    assert_eq!(spoiled("record.jsonl", &|text| format!("{text}{{\"n\":")).0, "record");
}

/// What another version of the tool computed is compared as far as both know it, and never silently passed.
#[test]
fn another_version_of_the_tool_is_named() {
    let version = |text: &str| text.replacen("\"tool\": \"", "\"tool\": \"9.", 1);
    let (step, told) = spoiled("report/findings.json", &version);
    assert!(
        step == "report" && told.contains("cannot-be-told") && told.contains("9."),
        "{told}"
    );
}

/// Every file of a pack, changed in one byte; and the archive around them.
#[test]
fn every_changed_byte_of_a_pack_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    lay_out(&STUDY, at);
    run(at, &["key", "lab.key"], 0);
    run(at, &["pack", "--to", "pack.zip", "--sign", "lab.key"], 0);
    let told = stdout(&run(at, &["verify", "pack.zip", "--signed-by", "lab.key.pub"], 0));
    assert!(told.contains("Nothing differs"), "{told}");
    let sound = fs::read(at.join("pack.zip")).unwrap();
    let files = provenance::read_archive(&sound).unwrap();
    assert!(files.len() > 20, "{}", files.len());
    let mut caught = 0;
    for (name, bytes) in &files {
        // As it lies in the archive: the archive's own sums tell.
        let start = sound.windows(bytes.len()).position(|window| window == bytes).unwrap();
        let mut spoiled = sound.clone();
        spoiled[start + bytes.len() / 2] ^= 1;
        assert!(provenance::open(&spoiled).is_err(), "{name}");
        // Packed again with sums that are right: the manifest tells, and of the manifest itself its signature.
        let mut again = files.clone();
        let middle = bytes.len() / 2;
        again.get_mut(name).unwrap()[middle] ^= 1;
        let opened = provenance::open(&provenance::write_archive(&again).unwrap());
        let public = fs::read_to_string(at.join("lab.key.pub")).unwrap();
        let signed = provenance::verify(&again["manifest.json"], &again["manifest.sig"], &public);
        assert!(opened.is_err() || signed.is_err(), "{name}");
        caught += 2;
    }
    assert!(caught > 40, "{caught}");
    // On the command line: the step and the file.
    let mut again = files.clone();
    again.get_mut("note.md").unwrap()[0] ^= 1;
    write(at, "pack.zip", provenance::write_archive(&again).unwrap());
    let (step, told) = first_fault(&json(&run(at, &["verify", "pack.zip", "--json"], 1)));
    assert!(step == "manifest" && told.contains("note.md"), "{told}");
    let told = stdout(&run(at, &["verify", "pack.zip", "--signed-by", "lab.key.pub"], 1));
    assert!(
        told.contains("signature: the same") && told.contains("manifest: faulty"),
        "{told}"
    );
    // Somebody else's key.
    run(at, &["key", "other.key"], 0);
    write(at, "pack.zip", &sound);
    let told = stdout(&run(at, &["verify", "pack.zip", "--signed-by", "other.key.pub"], 1));
    assert!(told.contains("signature: faulty. [V021]"), "{told}");
    let told = stderr(&run(at, &["verify", "pack.zip", "--signed-by", "absent.pub"], 2));
    assert!(told.contains("error[F005]"), "{told}");
}
