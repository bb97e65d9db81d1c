//! A rehearsal as a library: what is put in comes out, the same seed gives the same sheet, and hostile numbers do no harm.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod common;

use jiff::civil::{DateTime, date};
use proptest::prelude::*;
use rust_decimal::Decimal;
use wellrun::analysis::{self, Findings};
use wellrun::diagnostic::Source;
use wellrun::plan::{self, Plan};
use wellrun::protocol::{self, Protocol};
use wellrun::record::{self, Context, Record};
use wellrun::rehearsal::{self, Filled, Wishes};
use wellrun::sheet;

/// Sessions and rollers that cross, a numeric and two category factors.
const PROTOCOL: &str = r#"
wellrun = 1
[study]
id = "dry"
version = "1"
title = "A study tried dry"
question = "What moves the reading?"
kind = "variance investigation"
method = "M"
[response.hardness]
measurand = "Hardness of a roller"
unit = "Shore D"
resolution = 0.001
possible = [0, 100]
expected = [45, 70]
readings = 3
reading_time = "1 s"
result = "mean"
round_to = "none"
[[unit]]
name = "session"
count = 6
set_up_minutes = 30
[[unit]]
name = "roller"
count = 4
part_of = "product"
[[unit]]
name = "run"
within = ["session", "roller"]
[factor.temperature]
set_on = "session"
levels = [21, 23, 25]
scale = "numeric"
unit = "°C"
[factor.finish]
set_on = "roller"
levels = ["turned", "polished"]
[factor.instrument]
set_on = "run"
levels = ["A", "B", "C"]
[condition.core]
unit = "°C"
measured_on = "session"
possible = [10, 45]
expected = [20, 26]
follows = "temperature"
[analysis]
planned = ["temperature", "finish", "instrument", ["finish", "instrument"]]
[procedure]
run_minutes = 3
"#;

const ASSUMED: &str = r#"
[assumed.hardness]
source = "Invented"
mean = 57
spread = { session = 0, roller = 0, run = 0, reading = 0 }
[[assumed.hardness.effect]]
of = "temperature"
difference = -0.8
[[assumed.hardness.effect]]
of = "instrument"
values = { A = 0, B = -0.9, C = 0.3 }
[[assumed.hardness.effect]]
of = ["finish", "instrument"]
difference = 0.6
"#;

fn start() -> DateTime {
    date(2026, 3, 2).at(8, 0, 0, 0)
}

fn wishes(seed: u64) -> Wishes {
    Wishes {
        seed,
        misread: 0,
        missing: 0,
        start: start(),
    }
}

fn read(assumed: &str) -> Protocol {
    match protocol::read(&Source::new("protocol.toml", format!("{PROTOCOL}{assumed}"))) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", common::show(&found)),
    }
}

fn planned(protocol: &Protocol, seed: u64) -> Plan {
    plan::rehearse(protocol, None, seed, "2026-03-02T08:00:00Z").unwrap().0
}

fn filled(protocol: &Protocol, plan: &Plan, wishes: &Wishes) -> Filled {
    let blank = sheet::csv(protocol, None, plan);
    match rehearsal::fill(protocol, None, plan, &protocol.assumed, &blank, wishes) {
        Ok(filled) => filled,
        Err(found) => panic!("{}", common::show(&found)),
    }
}

fn recorded(protocol: &Protocol, plan: &Plan, filled: &Filled) -> Record {
    let context = Context {
        protocol,
        plan: Some(plan),
        people: &[],
    };
    let source = record::decode("filled.csv", filled.csv.as_bytes()).unwrap();
    let entries = match record::import(&source, &context, &Record::default(), None) {
        Ok((entries, _)) => entries,
        Err(found) => panic!("{}", common::show(&found)),
    };
    let lines = record::append_lines(&entries, "", 1, "2026-03-02T18:00:00Z");
    record::replay(&Source::new("record.jsonl", lines), &context).unwrap()
}

fn found(protocol: &Protocol, wishes: &Wishes) -> Findings {
    let plan = planned(protocol, wishes.seed);
    let record = recorded(protocol, &plan, &filled(protocol, &plan, wishes));
    let mut findings = analysis::analyse(protocol, None, Some(&plan), &record, true).unwrap();
    findings.rehearsal = Some(analysis::rehearsed(protocol, &protocol.assumed, &findings));
    findings
}

/// Class: closed form. Without any spread each estimate is what was put in, to the rounding of the display; and what was
/// put in is what the assumptions say, by hand.
#[test]
fn without_spread_what_is_put_in_comes_out() {
    let findings = found(&read(ASSUMED), &wishes(3));
    assert!(findings.study.rehearsal);
    let rehearsal = findings.rehearsal.unwrap();
    // By hand: the values of the instruments average to −0.2, and the interaction gives half of ±0.6 to each finish.
    for (what, truth) in [
        ("all results", 56.8),
        ("temperature, per °C", -0.2),
        ("finish, turned to polished", 0.0),
        ("instrument, A to B", -0.9),
        ("instrument, A to C", 0.3),
        ("instrument, A to B; finish turned", -1.05),
        ("instrument, A to B; finish polished", -0.75),
        ("instrument, A to C; finish polished", 0.6),
        ("finish, turned to polished; instrument A", -0.3),
        ("finish, turned to polished; instrument C", 0.3),
    ] {
        let value = rehearsal
            .values
            .iter()
            .find(|value| value.what == what)
            .unwrap_or_else(|| panic!("{what} is not compared"));
        assert!((value.truth - truth).abs() < 1e-12, "{what}: {}", value.truth);
    }
    assert!(rehearsal.values.len() > 15);
    for value in &rehearsal.values {
        let estimate = value.estimate.unwrap();
        // Three readings of a run round the same way.
        assert!(
            (estimate - value.truth).abs() <= 0.001,
            "{}: {estimate}, put in {}",
            value.what,
            value.truth
        );
    }
}

/// Class: closed form. Drift and residue come into the readings as stated, and into no true value.
#[test]
fn drift_and_residue_come_in_as_stated() {
    let plain = read(ASSUMED);
    let more = read(&format!(
        "{}[[assumed.hardness.residue]]\nof = \"instrument\"\nvalues = {{ C = -0.25 }}\nwithin = \"session\"\n",
        ASSUMED.replace("mean = 57", "mean = 57\ndrift = 0.71")
    ));
    // The same runs under both: the draw depends on the text of the protocol.
    let plan = planned(&plain, 1);
    let simulated = |protocol: &Protocol| rehearsal::simulate(protocol, &plan, &protocol.assumed, 1).readings;
    let (before, after) = (&simulated(&plain)[0], &simulated(&more)[0]);
    let (last, mut left_behind) = (plan.runs.len() - 1, 0);
    assert_eq!(last, 71);
    for (index, run) in plan.runs.iter().enumerate() {
        let residue = index > 0 && {
            let earlier = &plan.runs[index - 1];
            earlier.levels[2] == 2 && earlier.units[0] == run.units[0]
        };
        left_behind += usize::from(residue);
        let expected = 0.01 * index as f64 - 0.355 + if residue { -0.25 } else { 0.0 };
        let found: f64 = (after[index][0] - before[index][0]).to_string().parse().unwrap();
        assert!(
            (found - expected).abs() < 0.0011,
            "run {}: {found}, expected {expected}",
            run.run
        );
    }
    assert!(left_behind > 10, "{left_behind}");
}

/// Controls with each of the three instruments before the runs, after every tenth and at the end; one more whose
/// value is left to the mean.
const CONTROLS: &str = "[control.block]\nwhat = \"Block\"\nreadings = 2\nevery = 10\neach = \"instrument\"\n\
    [control.brick]\nwhat = \"Brick\"\nreadings = 1\nat_start = false\n";

/// Class: closed form. A control reads what is assumed of it, with what its level adds and with the drift at its place: k runs
/// come before it, and it stands half a run after the last of them. Every row of it is filled.
#[test]
fn controls_read_their_value_and_the_drift() {
    let assumed = ASSUMED.replace("mean = 57", "mean = 57\ndrift = 0.71\ncontrol = { block = 60.5 }");
    let protocol = read(&format!("{assumed}{CONTROLS}"));
    let plan = planned(&protocol, 2);
    let sheet = filled(&protocol, &plan, &wishes(2));
    let record = recorded(&protocol, &plan, &sheet);
    let readings = record::control_readings(&protocol, &plan, &record);
    // At the start, after runs 10 to 70 and at the end, with three instruments, two readings; and once.
    assert_eq!(readings.len(), 9 * 3 * 2 + 1);
    for reading in readings {
        let level = reading.level.map_or(0.0, |level| [0.0, -0.9, 0.3][level]);
        let value = if reading.control == 0 { 60.5 } else { 57.0 };
        let expected = value + level + 0.01 * (reading.after_run as f64 - 0.5) - 0.355;
        let found: f64 = reading.value.to_string().parse().unwrap();
        assert!((found - expected).abs() < 0.00051, "{reading:?}: expected {expected}");
    }
    assert!(sheet.csv.lines().skip(1).all(|row| row.contains("REHEARSAL")));
    assert!(
        record
            .controls
            .values()
            .all(|control| control.time.starts_with("2026-03-"))
    );
}

/// Class: closed form. The same seed gives the same sheet to the byte, another one gives another; one assumption that
/// changes leaves alone what is drawn for the others.
#[test]
fn the_same_seed_gives_the_same_sheet() {
    let spread = ASSUMED.replace(
        "session = 0, roller = 0, run = 0, reading = 0",
        "session = 0.3, roller = 1, run = 0.2, reading = 0.5",
    );
    let protocol = read(&spread);
    let plan = planned(&protocol, 1);
    let one = filled(&protocol, &plan, &wishes(1));
    assert_eq!(one.csv, filled(&protocol, &plan, &wishes(1)).csv);
    assert_ne!(one.csv, filled(&protocol, &plan, &wishes(2)).csv);
    assert!(one.csv.lines().skip(1).all(|row| row.contains("REHEARSAL")));

    let mut shifted = protocol.clone();
    shifted.assumed[0].mean = Some(60.0);
    let base = rehearsal::simulate(&protocol, &plan, &protocol.assumed, 1).readings;
    let moved = rehearsal::simulate(&protocol, &plan, &shifted.assumed, 1).readings;
    let three = Decimal::from(3);
    for (a, b) in base[0].iter().flatten().zip(moved[0].iter().flatten()) {
        assert_eq!(*b - *a, three);
    }
}

/// Class: closed form. As many readings are misread, and as many runs left out, as were asked for; the record takes the
/// sheet, and shows both.
#[test]
fn misread_readings_and_missing_runs_are_those_asked_for() {
    let protocol = read(&ASSUMED.replace("reading = 0 }", "reading = 0.4 }"));
    let plan = planned(&protocol, 9);
    let wishes = Wishes {
        misread: 5,
        missing: 4,
        ..wishes(9)
    };
    let sheet = filled(&protocol, &plan, &wishes);
    assert_eq!((sheet.misread.len(), sheet.left_out.len()), (5, 4));
    let record = recorded(&protocol, &plan, &sheet);
    for misread in &sheet.misread {
        let run = &record.runs[&misread.run];
        let written = run.readings[0][misread.reading - 1].as_ref().unwrap();
        assert_eq!(written.value, misread.written);
        assert_ne!(misread.written, misread.shown);
        assert!(!sheet.left_out.contains(&misread.run));
    }
    let findings = found(&protocol, &wishes);
    assert_eq!(findings.record.runs_missing, sheet.left_out);
    assert_eq!(findings.record.runs_complete, 68);
}

#[test]
fn more_cannot_go_wrong_than_there_is() {
    let protocol = read(ASSUMED);
    let plan = planned(&protocol, 1);
    let blank = sheet::csv(&protocol, None, &plan);
    for (misread, missing) in [(0, 72), (0, usize::MAX), (217, 0), (100, 71)] {
        let wishes = Wishes {
            misread,
            missing,
            ..wishes(1)
        };
        let wrong = rehearsal::fill(&protocol, None, &plan, &protocol.assumed, &blank, &wishes).unwrap_err();
        assert_eq!(wrong.iter().next().unwrap().code, "P136", "{misread} {missing}");
    }
}

/// Every statement about assumptions that makes no sense, with its code.
#[test]
fn what_cannot_be_rehearsed_is_refused_with_a_mend() {
    for (from, to, code) in [
        ("mean = 57", "mean = 157", "P131"),
        ("mean = 57", "mean = 57\ncontrol = { block = 60 }", "P138"),
        ("mean = 57", "mean = 57\ndrift = 2000000", "P132"),
        ("reading = 0 }", "reading = 99999999999 }", "P132"),
        (
            "mean = 57",
            "mean = 57\nresidue = [{ of = \"polish\", values = { A = 1 } }]",
            "P133",
        ),
        (
            "mean = 57",
            "mean = 57\nresidue = [{ of = \"finish\", values = { waxed = 1 } }]",
            "P133",
        ),
        (
            "mean = 57",
            "mean = 57\nresidue = [{ of = \"finish\", values = { polished = 1 } }, { of = \"finish\", values = { turned = 1 } }]",
            "P133",
        ),
        (
            "mean = 57",
            "mean = 57\nresidue = [{ of = \"finish\", values = { polished = 1 }, within = \"sesion\" }]",
            "P030",
        ),
        ("follows = \"temperature\"", "follows = \"finish\"", "P134"),
    ] {
        let text = format!("{PROTOCOL}{ASSUMED}").replace(from, to);
        let wrong = protocol::read(&Source::new("protocol.toml", text)).unwrap_err();
        let codes: Vec<&str> = wrong.iter().map(|d| d.code).collect();
        assert!(codes.contains(&code), "{to}: {}", common::show(&wrong));
        for diagnostic in &wrong {
            assert!(diagnostic.help.is_some(), "{}", diagnostic.render(false));
        }
    }
    for (control, code) in [("{ blok = 60 }", "P138"), ("{ block = 160 }", "P131")] {
        let assumed = ASSUMED.replace("mean = 57", &format!("mean = 57\ncontrol = {control}"));
        let text = format!("{PROTOCOL}{assumed}{CONTROLS}");
        let wrong = protocol::read(&Source::new("protocol.toml", text)).unwrap_err();
        assert_eq!(wrong.iter().next().unwrap().code, code, "{}", common::show(&wrong));
    }
    let nothing = read("");
    let wrong = protocol::can_be_rehearsed(&nothing, &nothing.assumed).unwrap_err();
    assert_eq!(wrong.iter().next().unwrap().code, "P130");
}

/// Class: closed form. What stands beside a protocol says the same as it would inside, and takes the place of it.
#[test]
fn assumptions_beside_a_protocol_are_those_inside_it() {
    let inside = read(ASSUMED);
    let without = read("");
    let beside = |text: &str, protocol: &Protocol| protocol::read_assumed(&Source::new("assumed.toml", text), protocol);
    let (assumed, _) = beside(&format!("wellrun_assumed = 1\n{ASSUMED}"), &without).unwrap();
    assert_eq!(format!("{assumed:?}"), format!("{:?}", inside.assumed));
    let (other, _) = beside(
        &format!("wellrun_assumed = 1\n{}", ASSUMED.replace("mean = 57", "mean = 61")),
        &inside,
    )
    .unwrap();
    assert_eq!(other[0].mean, Some(61.0));
    let (controlled, _) = beside(
        &format!(
            "wellrun_assumed = 1\n{}",
            ASSUMED.replace("mean = 57", "mean = 61\ncontrol = { block = 60 }")
        ),
        &read(CONTROLS),
    )
    .unwrap();
    assert_eq!(controlled[0].controls.get(&0), Some(&60.0));
    for (text, code) in [
        (ASSUMED.to_owned(), "P004"),
        ("wellrun_assumed = 2\n".to_owned() + ASSUMED, "P009"),
        ("wellrun_assumed = 1\nassumption = 1\n".to_owned() + ASSUMED, "P002"),
        ("wellrun_assumed = 1\n".to_owned(), "P004"),
        (
            "wellrun_assumed = 1\n".to_owned() + &ASSUMED.replace("session = 0,", ""),
            "P101",
        ),
        (
            "wellrun_assumed = 1\n".to_owned() + &ASSUMED.replace("[assumed.hardness]", "[assumed.hardnes]"),
            "P100",
        ),
    ] {
        let wrong = beside(&text, &without).unwrap_err();
        assert!(wrong.iter().any(|d| d.code == code), "{code}: {}", common::show(&wrong));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Whatever numbers a stranger assumes within the bounds, every reading is one that the display can show, lies inside
    /// what is possible, and the record takes the sheet.
    #[test]
    fn every_sheet_is_one_that_the_record_takes(
        mean in 0_i32..=100,
        spreads in prop::collection::vec(0.0_f64..1e6, 4),
        effect in -1e6_f64..1e6,
        drift in -1e6_f64..1e6,
        seed in any::<u64>(),
    ) {
        let text = ASSUMED
            .replace("mean = 57", &format!("mean = {mean}\ndrift = {drift:.3}"))
            .replace("session = 0, roller = 0, run = 0, reading = 0", &format!(
                "session = {:.3}, roller = {:.3}, run = {:.3}, reading = {:.3}", spreads[0], spreads[1], spreads[2], spreads[3]
            ))
            .replace("difference = -0.8", &format!("difference = {effect:.3}"));
        let protocol = read(&text);
        let plan = planned(&protocol, seed);
        let record = recorded(&protocol, &plan, &filled(&protocol, &plan, &wishes(seed)));
        let values: Vec<_> = record.runs.values().flat_map(|run| run.readings[0].iter().flatten()).collect();
        prop_assert_eq!(values.len(), 216);
        for written in values {
            prop_assert!((Decimal::ZERO..=Decimal::ONE_HUNDRED).contains(&written.value));
            prop_assert!((written.value % Decimal::new(1, 3)).is_zero());
        }
    }
}
