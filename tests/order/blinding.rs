//! Blinding: codes on everything until the study is unblinded, which the journal keeps; and the command line around it.

use std::path::Path;
use std::process::{Command, Output};

use wellrun::diagnostic::Source;
use wellrun::plan::{self, Blind};
use wellrun::protocol::Protocol;
use wellrun::sheet;

use super::support::{FACTORS, UNITS, codes, freeze, protocol, text};

const BLINDED: &str = "[blinding]\nfactors = [\"finish\"]\n[cleaning.finish]\nwash_out = 1\n\
    [positions]\non = \"session\"\nshape = \"disc\"\ndiameter = 90\npitch = 6\nedge = 12\n";

fn study() -> Protocol {
    protocol(UNITS, FACTORS, BLINDED)
}

/// Plan files, sheets and the protocol seen blind hold codes; the key and the plan read back hold levels.
#[test]
fn nothing_but_the_key_names_a_blinded_level() {
    let protocol = study();
    let (plan, csv, toml) = plan::freeze(&protocol, None, 3, "2026-03-02T08:00:00Z").unwrap();
    let blind = Blind::of(&protocol, "", 3);
    let (seen, mut seen_plan) = (blind.protocol(&protocol), plan.clone());
    seen_plan.runs = blind.runs(&plan.runs);
    let sheets = [
        csv.clone(),
        sheet::csv(&seen, None, &seen_plan),
        sheet::data(&seen, None, &seen_plan).to_string(),
    ];
    for text in &sheets {
        assert!(!text.contains("turned") && !text.contains("waxed"), "{text}");
        assert!(text.contains(blind.code(0, 0).unwrap()));
    }
    let read = plan::read(
        &Source::new("plan.csv", csv),
        &Source::new("plan.toml", toml),
        &protocol,
    )
    .unwrap();
    assert_eq!(read, plan);
    assert_eq!(blind.opened(&seen_plan.runs), plan.runs);
    let key: toml::Table = blind.key(&protocol).unwrap().parse().unwrap();
    assert_eq!(key["finish"][blind.code(0, 1).unwrap()].as_str(), Some("waxed"));
    assert_eq!(
        plan.header.key_sha256,
        Some(wellrun::protocol::text_sha256(&blind.key(&protocol).unwrap()))
    );
}

/// Neither the codes nor their order tell which level is which: over many seeds each of two levels has the lower code as
/// often (within four standard errors of a fair coin), and all codes are different.
#[test]
fn codes_tell_nothing() {
    let protocol = study();
    let lower = (0..400)
        .filter(|&seed| {
            let blind = Blind::of(&protocol, "", seed);
            let (one, other) = (blind.code(0, 0).unwrap(), blind.code(0, 1).unwrap());
            assert_ne!(one, other);
            one < other
        })
        .count();
    assert!((160..=240).contains(&lower), "{lower}");
    assert!(Blind::of(&protocol, "", 1).code(1, 0).is_none(), "instrument is open");
}

fn wellrun(dir: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wellrun"))
        .args(arguments)
        .current_dir(dir)
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// The whole way: plan, sheets, record and report show codes; unblinding is noted once, and shows levels from then on;
/// a sheet printed before it still comes in.
#[test]
fn a_study_is_blind_until_it_is_unblinded() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    std::fs::write(dir.join("protocol.toml"), text(UNITS, FACTORS, BLINDED)).unwrap();
    let run = |arguments: &[&str]| {
        let output = wellrun(dir, arguments);
        assert!(output.status.success(), "{arguments:?}: {}", said(&output));
        said(&output)
    };
    assert!(run(&["plan", "--seed", "3"]).contains("blinding-key.toml"));
    std::fs::remove_file(dir.join("blinding-key.toml")).unwrap();
    run(&["sheet", "--as", "csv,html"]);
    let levels_in = |name: &str| {
        let text = std::fs::read_to_string(dir.join(name)).unwrap();
        text.contains("turned") || text.contains("waxed")
    };
    for name in ["plan.csv", "sheets/sheet.csv", "sheets/sheet.html"] {
        assert!(!levels_in(name), "{name}");
    }
    // Readings: 60 and some tenths, by row; the last two runs are left for later.
    let sheet = std::fs::read(dir.join("sheets/sheet.csv")).unwrap();
    let fill = |rows: usize| -> Vec<u8> {
        let mut reader = csv::Reader::from_reader(sheet.as_slice());
        let head = reader.headers().unwrap().clone();
        let at = head.iter().position(|cell| cell == "hardness 1").unwrap();
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(&head).unwrap();
        for (index, record) in reader.records().enumerate() {
            let mut cells: Vec<String> = record.unwrap().iter().map(str::to_owned).collect();
            if index < rows {
                cells[at] = format!("60.{index}");
                cells[at + 1] = format!("61.{index}");
            }
            writer.write_record(&cells).unwrap();
        }
        writer.into_inner().unwrap()
    };
    std::fs::write(dir.join("first.csv"), fill(6)).unwrap();
    std::fs::write(dir.join("all.csv"), fill(8)).unwrap();
    run(&["record", "first.csv"]);
    let status = run(&["status"]);
    assert!(status.contains("levels are codes"), "{status}");
    let blind = run(&["analyse"]);
    assert!(!blind.contains("waxed") && blind.contains("are codes"), "{blind}");
    run(&["report", "--as", "html"]);
    for name in ["report/findings.json", "report/report.html", "report/tables/record.csv"] {
        assert!(!levels_in(name), "{name}");
    }

    run(&[
        "record",
        "--unblind",
        "The analysis is fixed; the lead asked for the key.",
    ]);
    assert!(run(&["status"]).contains("the lead asked for the key"));
    let again = wellrun(dir, &["record", "--unblind", "Once more."]);
    assert_eq!(again.status.code(), Some(1));
    assert!(said(&again).contains("R083"), "{}", said(&again));
    let open = run(&["analyse"]);
    assert!(open.contains("waxed") && open.contains("6 of its runs"), "{open}");
    // The coded sheet is taken in all the same.
    run(&["record", "all.csv"]);
    assert!(run(&["status"]).contains("8 of 8 runs complete"));
    run(&["sheet", "--as", "csv", "--force"]);
    assert!(levels_in("sheets/sheet.csv"));
}

/// A rehearsal of a blinded study: its sheets show codes, its key lies beside them, it ends with the unblinding on record, and its
/// folder is a study that goes on.
#[test]
fn a_blinded_study_is_rehearsed_with_codes_and_then_opened() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    let assumed = "[assumed.hardness]\nsource = \"Invented\"\nmean = 60\nspread = { session = 0.3, run = 0.2, reading = 0.4 }\n\
        [[assumed.hardness.effect]]\nof = \"finish\"\ndifference = -2\n";
    std::fs::write(
        dir.join("protocol.toml"),
        text(UNITS, FACTORS, &format!("{BLINDED}{assumed}")),
    )
    .unwrap();
    let rehearsed = wellrun(dir, &["rehearse", "--as", "html"]);
    assert!(rehearsed.status.success(), "{}", said(&rehearsed));
    let file = |name: &str| std::fs::read_to_string(dir.join("rehearsal").join(name)).unwrap();
    for name in ["plan.csv", "sheets/sheet.csv", "sheets/sheet.html", "filled-sheet.csv"] {
        let text = file(name);
        assert!(!text.contains("turned") && !text.contains("waxed"), "{name}");
    }
    assert!(file("blinding-key.toml").contains("\"waxed\""));
    assert_eq!(file("positions.csv").lines().count(), 1 + 8 * 2);
    assert!(file("record.jsonl").contains("\"kind\":\"unblinded\",\"why\":\"REHEARSAL"));
    assert!(file("report/report.html").contains("waxed"));
    let analysed = wellrun(&dir.join("rehearsal"), &["analyse"]);
    assert!(
        analysed.status.success() && said(&analysed).contains("waxed"),
        "{}",
        said(&analysed)
    );
}

#[test]
fn positions_that_are_gone_or_changed_stop_the_work() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    std::fs::write(dir.join("protocol.toml"), text(UNITS, FACTORS, BLINDED)).unwrap();
    assert!(wellrun(dir, &["plan", "--seed", "3"]).status.success());
    let file = dir.join("positions.csv");
    let whole = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, whole.replacen("hardness,1,", "hardness,1,9", 1)).unwrap();
    let changed = wellrun(dir, &["sheet", "--as", "csv"]);
    assert!(
        changed.status.code() == Some(1) && said(&changed).contains("D044"),
        "{}",
        said(&changed)
    );
    std::fs::remove_file(&file).unwrap();
    let gone = wellrun(dir, &["sheet", "--as", "csv"]);
    assert!(
        gone.status.code() == Some(1) && said(&gone).contains("D098"),
        "{}",
        said(&gone)
    );
    std::fs::write(&file, whole).unwrap();
    assert!(wellrun(dir, &["sheet", "--as", "csv"]).status.success());
}

/// A study that is not blinded cannot be unblinded, and blinding gives nothing away by controls.
#[test]
fn what_is_open_stays_open() {
    let plain = protocol(UNITS, FACTORS, "");
    let plan = freeze(&plain, 1);
    assert_eq!(plan.header.key_sha256, None);
    let blind = Blind::of(&plain, "", 1);
    assert!(blind.is_empty() && blind.key(&plain).is_none());
    assert_eq!(blind.runs(&plan.runs), plan.runs);
    let rest = "[blinding]\nfactors = [\"instrument\"]\n[control.block]\nwhat = \"Block\"\nreadings = 1\neach = \"instrument\"\n";
    let found = super::support::read(&text(UNITS, FACTORS, rest)).unwrap_err();
    assert!(codes(&found).contains(&"P120"), "{:?}", codes(&found));
}
