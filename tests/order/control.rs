//! Controls and cleaning: rows of the sheet, import, journal, table; and what a protocol may not say of them.

use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::plan::{Plan, control_rows};
use wellrun::protocol::Protocol;
use wellrun::record::{self, Context, Record};
use wellrun::sheet;

use super::support::{FACTORS, UNITS, codes, freeze, protocol, read, text};

const CONTROL: &str = "[control.block]\nwhat = \"Reference block\"\nreadings = 3\nevery = 3\neach = \"instrument\"\n\
    [cleaning.finish]\nafter = [\"waxed\"]\nsteps = [\"Wipe the indenter.\"]\nwash_out = 2\n";

fn study() -> (Protocol, Plan) {
    let protocol = protocol(UNITS, FACTORS, CONTROL);
    let plan = freeze(&protocol, 5);
    (protocol, plan)
}

/// Takes a sheet in; the record after it.
fn take(
    protocol: &Protocol,
    plan: &Plan,
    journal: &mut String,
    sheet: &str,
    reason: Option<&str>,
) -> Result<(Record, Diagnostics), Diagnostics> {
    let context = Context {
        protocol,
        plan: Some(plan),
        people: &[],
    };
    let before = record::replay(&Source::new("record.jsonl", journal.clone()), &context)?;
    let (entries, warnings) = record::import(&Source::new("sheet.csv", sheet), &context, &before, reason)?;
    journal.push_str(&record::append_lines(
        &entries,
        &before.head,
        before.entries + 1,
        "2026-03-02T09:00:00Z",
    ));
    let after = record::replay(&Source::new("record.jsonl", journal.clone()), &context)?;
    Ok((after, warnings))
}

/// The cells of the sheet by row, header first.
fn rows(sheet: &str) -> Vec<Vec<String>> {
    sheet
        .lines()
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

fn joined(rows: &[Vec<String>]) -> String {
    rows.iter().map(|row| row.join(",") + "\n").collect()
}

fn column(rows: &[Vec<String>], name: &str) -> usize {
    rows[0].iter().position(|cell| cell == name).unwrap()
}

/// The sheet with every reading of the controls filled in: row r, reading k is 60 + r/10 + k/10.
fn filled(protocol: &Protocol, plan: &Plan) -> Vec<Vec<String>> {
    let mut rows = rows(&sheet::csv(protocol, None, plan));
    let first = column(&rows, "control 1");
    let initials = column(&rows, "initials");
    for row in rows.iter_mut().skip(1) {
        if let Some(number) = row[0].strip_prefix("block ") {
            let number: u32 = number.parse().unwrap();
            for k in 0..3 {
                let tenths = 600 + number + k;
                row[first + k as usize] = format!("{}.{}", tenths / 10, tenths % 10);
            }
            row[initials] = "KL".to_owned();
        }
    }
    rows
}

/// Closed form: eight runs, every third: before run 1, after runs 3 and 6, after run 8; two instruments each time.
#[test]
fn controls_stand_between_the_runs_where_the_protocol_says() {
    let (protocol, plan) = study();
    let after: Vec<(usize, usize, Option<usize>)> = control_rows(&protocol, 8)
        .iter()
        .map(|row| (row.number, row.after_run, row.level))
        .collect();
    let expected = [0, 3, 6, 8]
        .iter()
        .enumerate()
        .flat_map(|(i, &after)| [(2 * i + 1, after, Some(0)), (2 * i + 2, after, Some(1))]);
    assert_eq!(after, expected.collect::<Vec<_>>());
    let rows = rows(&sheet::csv(&protocol, None, &plan));
    let first: Vec<&str> = rows.iter().skip(1).map(|row| row[0].as_str()).collect();
    assert_eq!(
        first,
        [
            "block 1", "block 2", "1", "2", "3", "block 3", "block 4", "4", "5", "6", "block 5", "block 6", "7", "8",
            "block 7", "block 8"
        ]
    );
    // Cleaning is asked for before a run exactly if the run before left wax behind.
    let (before, finish) = (column(&rows, "before"), column(&rows, "finish"));
    let runs: Vec<&Vec<String>> = rows.iter().skip(1).filter(|row| !row[0].starts_with("block")).collect();
    for pair in runs.windows(2) {
        assert_eq!(pair[0][finish] == "waxed", !pair[1][before].is_empty(), "{pair:?}");
    }
    let view = sheet::data(&protocol, None, &plan);
    assert_eq!(view["runs"][3]["controls"].as_array().unwrap().len(), 2);
    assert_eq!(view["end"]["controls"][1]["row"], "block 8");
    assert_eq!(view["end"]["controls"][1]["level"], "B");
}

/// What is filled in comes back in the journal, by position in the order, and in a table of its own.
#[test]
fn control_readings_are_taken_in_once_and_corrected_with_a_reason() {
    let (protocol, plan) = study();
    let mut journal = String::new();
    let mut rows = filled(&protocol, &plan);
    let (record, _) = take(&protocol, &plan, &mut journal, &joined(&rows), None).unwrap();
    let readings = record::control_readings(&protocol, &plan, &record);
    assert_eq!(readings.len(), 8 * 3);
    assert_eq!(readings[3].after_run, 0);
    assert_eq!(readings[3].level, Some(1));
    assert_eq!(readings[3].value.to_string(), "60.2");
    assert_eq!(record.controls[&(0, 2)].initials, "KL");
    assert!(record.runs.is_empty(), "no run was touched");
    assert_eq!(
        record::status(&protocol, Some(&plan), &record)
            .controls
            .unwrap()
            .complete,
        8
    );
    let length = journal.len();
    take(&protocol, &plan, &mut journal, &joined(&rows), None).unwrap();
    assert_eq!(journal.len(), length, "the same sheet twice adds nothing");

    let first = column(&rows, "control 1");
    rows[1][first] = "61.1".to_owned();
    let found = take(&protocol, &plan, &mut journal, &joined(&rows), None).unwrap_err();
    assert_eq!(codes(&found), ["R060"]);
    let (record, _) = take(
        &protocol,
        &plan,
        &mut journal,
        &joined(&rows),
        Some("digits swapped when typed"),
    )
    .unwrap();
    assert_eq!(record.control_corrections.len(), 1);
    assert_eq!(record.control_corrections[0].from, "60.1");
    let table = record::control_table(&protocol, Some(&plan), &record).unwrap();
    assert!(
        table.contains("block,1,0,instrument,A,hardness,1,61.1,61.1,,,KL,\n"),
        "{table}"
    );
    assert_eq!(table.lines().count(), 1 + 24);
}

#[test]
fn a_missing_control_reading_has_a_reason_and_may_still_come() {
    let (protocol, plan) = study();
    let mut journal = String::new();
    let mut rows = filled(&protocol, &plan);
    let first = column(&rows, "control 1");
    rows[1][first] = "not done".to_owned();
    let (record, _) = take(&protocol, &plan, &mut journal, &joined(&rows), None).unwrap();
    assert_eq!(record.controls[&(0, 1)].missing[&0], "not done");
    rows[1][first] = "60.9".to_owned();
    let (record, _) = take(&protocol, &plan, &mut journal, &joined(&rows), None).unwrap();
    assert!(record.controls[&(0, 1)].missing.is_empty());
    assert!(record.control_corrections.is_empty());
}

#[test]
fn misplaced_cells_are_refused_with_their_place() {
    let (protocol, plan) = study();
    let good = filled(&protocol, &plan);
    let (first, hardness, instrument) = (
        column(&good, "control 1"),
        column(&good, "hardness 1"),
        column(&good, "instrument"),
    );
    let cases: [(&str, usize, usize, &str); 7] = [
        ("R081", 3, first, "60.0"),        // a run's row with a reading of a control
        ("R081", 1, hardness, "60.0"),     // a control row with a reading of a run
        ("R080", 1, 0, "block 99"),        // no such row
        ("R024", 1, instrument, "B"),      // rows shifted
        ("R046", 1, first, "160"),         // not possible
        ("R009", 1, first, "=1+1"),        // a formula
        ("R040", 1, first, "about sixty"), // no number
    ];
    for (code, row, at, cell) in cases {
        let mut rows = good.clone();
        rows[row][at] = cell.to_owned();
        let found = take(&protocol, &plan, &mut String::new(), &joined(&rows), None).unwrap_err();
        assert!(codes(&found).contains(&code), "{code}: {:?}", codes(&found));
        assert!(found.iter().all(|d| !d.places.is_empty()), "{code} has a place");
    }
    let mut rows = good.clone();
    rows[2][0] = "block 1".to_owned();
    rows[2][instrument] = "A".to_owned();
    let found = take(&protocol, &plan, &mut String::new(), &joined(&rows), None).unwrap_err();
    assert_eq!(codes(&found), ["R082"]);
}

/// The journal is outside data: lines that no import would write are refused.
#[test]
fn a_journal_with_a_wrong_control_is_refused() {
    let (protocol, plan) = study();
    let context = Context {
        protocol: &protocol,
        plan: Some(&plan),
        people: &[],
    };
    let entry = |control: &str, row: usize, what: &str, text: &str, from: Option<&str>| record::Entry::Control {
        control: control.to_owned(),
        row,
        what: what.to_owned(),
        text: text.to_owned(),
        from: from.map(str::to_owned),
        reason: from.map(|_| "mis-typed".to_owned()),
        trace: record::Trace::default(),
    };
    let cases = [
        ("R080", entry("brick", 1, "control 1", "60.0", None)),
        ("R080", entry("block", 9, "control 1", "60.0", None)),
        ("R076", entry("block", 1, "control 4", "60.0", None)),
        ("R078", entry("block", 1, "control 1", "60.0", Some("59.0"))),
        ("R046", entry("block", 1, "control 1", "-7", None)),
        ("R009", entry("block", 1, "remark", "=cmd()", None)),
        (
            "R083",
            record::Entry::Unblinded {
                why: "to see what happens".to_owned(),
            },
        ),
    ];
    for (code, entry) in cases {
        let journal = record::append_lines(&[entry], "", 1, "2026-03-02T09:00:00Z");
        let found = record::replay(&Source::new("record.jsonl", journal), &context).unwrap_err();
        assert_eq!(codes(&found), [code]);
    }
}

/// Hostile or careless protocols: each is refused with its code, at a place.
#[test]
fn what_cannot_be_done_at_the_bench_is_refused() {
    let block = "[control.block]\nwhat = \"Block\"\nreadings = 1\n";
    let face = "[positions]\non = \"session\"\npitch = 6\nedge = 12\n";
    let cases: Vec<(&str, String)> = vec![
        ("P114", format!("{block}at_start = false\nat_end = false\n")),
        ("P114", format!("{block}at_start = false\nat_end = false\nevery = 8\n")),
        ("P113", format!("{block}response = \"hardnes\"\n")),
        ("P115", format!("{block}each = \"instrumen\"\n")),
        ("P020", block.replace("block", "\"Block A\"")),
        ("P011", block.replace("readings = 1", "readings = 0")),
        ("P115", "[cleaning.wax]\nsteps = [\"Wipe.\"]\n".to_owned()),
        (
            "P116",
            "[cleaning.finish]\nafter = [\"waxen\"]\nsteps = [\"Wipe.\"]\n".to_owned(),
        ),
        ("P117", "[cleaning.finish]\n".to_owned()),
        ("P118", "[cleaning.instrument]\nwash_out = 1\n".to_owned()),
        ("P115", "[blinding]\nfactors = [\"wax\"]\n".to_owned()),
        (
            "P120",
            "[blinding]\nfactors = [\"finish\"]\n[cleaning.finish]\nafter = [\"waxed\"]\nwash_out = 1\n".to_owned(),
        ),
        ("P011", "[order]\ncorrelation_at_most = 1.5\n".to_owned()),
        ("P011", "[order]\ntries = 99999999\n".to_owned()),
        ("P121", format!("{face}shape = \"disc\"\n")),
        ("P121", format!("{face}shape = \"sphere\"\ndiameter = 60\nlength = 3\n")),
        ("P125", format!("{face}shape = \"disc\"\ndiameter = 999999999\n")),
        (
            "P030",
            face.replace("session", "sesion") + "shape = \"disc\"\ndiameter = 60\n",
        ),
        (
            "P122",
            format!("{face}shape = \"disc\"\ndiameter = 60\n[[positions.zone]]\nname = \"gate\"\nlatitude = [1, 2]\n"),
        ),
        (
            "P122",
            format!("{face}shape = \"disc\"\ndiameter = 60\n[[positions.zone]]\nname = \"gate\"\naround = [1, 400]\n"),
        ),
        (
            "P122",
            format!("{face}shape = \"disc\"\ndiameter = 60\n[[positions.zone]]\nname = \"gate\"\n"),
        ),
        (
            "P124",
            "[positions]\non = \"session\"\nshape = \"disc\"\ndiameter = 90\n".to_owned(),
        ),
    ];
    for (code, rest) in cases {
        let found = match read(&text(UNITS, FACTORS, &rest)) {
            Ok((_, warnings)) => warnings,
            Err(found) => found,
        };
        let own = found.iter().find(|d| d.code == code);
        assert!(own.is_some(), "{code}: {:?}\n{rest}", codes(&found));
        assert!(!own.unwrap().places.is_empty() && own.unwrap().help.is_some(), "{code}");
    }
    for column in ["control", "spots", "before"] {
        let rest = format!(
            "{block}[cleaning.finish]\nwash_out = 1\n{face}shape = \"disc\"\ndiameter = 90\n[condition.{column}]\nunit = \"mm\"\n"
        );
        assert!(codes(&read(&text(UNITS, FACTORS, &rest)).unwrap_err()).contains(&"P126"));
    }
    let plain = FACTORS.replace("carries_over = true\n", "");
    let found = read(&text(UNITS, &plain, "[order]\ncarry_over = \"balanced\"\n")).unwrap_err();
    assert_eq!(codes(&found), ["P111"]);
    let numeric = "[factor.temperature]\nset_on = \"run\"\nlevels = [21, 25]\nscale = \"numeric\"\n";
    let found = read(&text(UNITS, numeric, "[blinding]\nfactors = [\"temperature\"]\n")).unwrap_err();
    assert_eq!(codes(&found), ["P119"]);
    let many = UNITS.replace("count = 2", "count = 100000");
    let found = read(&text(&many, FACTORS, &format!("{block}every = 1\n"))).unwrap_err();
    assert!(codes(&found).contains(&"P128"));
    let found = read(&text(
        "[[unit]]\nname = \"run\"\n",
        FACTORS,
        "[design]\norder = \"as run\"\n[order]\n",
    ))
    .unwrap_err();
    assert!(codes(&found).contains(&"P110"));
}
