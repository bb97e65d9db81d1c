//! Protocols and site files: what is read, and what is said about broken ones.
//!
//! Expected numbers, unless a test says otherwise, are of the class closed form: places are counted from marks in the
//! text, counts follow from the declaration.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fmt::Write as _;

use jiff::civil::date;
use proptest::prelude::*;
use rust_decimal::Decimal;
use wellrun::diagnostic::{Diagnostics, Severity, Source};
use wellrun::protocol::{self, Limit, Order, PartOf, Protocol, Statistic, StudyKind};

const PROTOCOL: &str = r#"wellrun = 1

[study]
id = "demo"
version = "1"
title = "Tïtle"
question = "Which?"
kind = "variance investigation"
method = "M"

[response.hardness]
measurand = "Härte"
unit = "Shore D"
resolution = 0.1
possible = [0, 100]
expected = [45, 70]
readings = 2
reading_time = "1 s"
result = "mean"
round_to = "none"
limit = { at_least = 55 }
relevant = 0.5

[[unit]]
name = "session"
count = 4

[[unit]]
name = "run"
within = "session"

[factor.temperature]
set_on = "session"
levels = [21, 25]
unit = "°C"
scale = "numeric"

[factor.instrument]
set_on = "run"
levels = ["A", "B"]
named_by_site = true

[condition.humidity]
unit = "%"

[design]
replicates = 2

[analysis]
planned = ["temperature", ["temperature", "instrument"]]
"#;

const SITE: &str = r#"wellrun_site = 1

[site]
id = "north"
name = "North bench"
room = "Räum 2"
dates = ["2026-03-02", 2026-03-06]

[[person]]
code = "op1"
role = "operator"

[[named]]
factor = "instrument"
level = "A"
description = "Type D durometer"
serial = "D-1"
calibrated = 2026-01-15
due = 2027-01-15
tolerance = 1.0

[[named]]
factor = "instrument"
level = "B"
description = "Type D durometer"
serial = "D-2"
calibrated = 2026-01-15
due = 2027-01-15

[labels]
session = ["S1", "S2", "S3", "S4"]
"#;

/// What is replaced in a base, and by what.
type Edits<'a> = &'a [(&'a str, &'a str)];

/// An edit that assumes something of one effect.
fn assumed(effect: &str) -> String {
    format!(
        "[assumed.hardness]\nsource = \"s\"\nspread = {{ session = 1, run = 1, reading = 1 }}\n\
         [[assumed.hardness.effect]]\n{effect}\n[analysis]"
    )
}

/// An edit that asks for an optimal set.
fn optimal(runs: &str, asked: &str) -> String {
    format!("treatments = \"optimal\"\nruns = {runs}\n[design.optimal]\n{asked}")
}

/// Stands in an edit where a diagnostic is to point.
const MARK: char = '‸';

fn read(text: &str) -> Result<(Protocol, Diagnostics), Diagnostics> {
    protocol::read(&Source::new("protocol.toml", text))
}

fn sound() -> Protocol {
    match read(PROTOCOL) {
        Ok((protocol, found)) => {
            assert!(found.is_empty(), "{}", summary(&found));
            protocol
        }
        Err(found) => panic!("{}", summary(&found)),
    }
}

fn summary(found: &Diagnostics) -> String {
    let mut lines = String::new();
    for diagnostic in found {
        let (_, line, column) = diagnostic.position().expect("a place");
        writeln!(lines, "{} {line}:{column}", diagnostic.code).unwrap();
    }
    lines
}

fn report(found: &Diagnostics) -> String {
    found
        .iter()
        .map(|diagnostic| diagnostic.render(false) + "\n\n")
        .collect()
}

/// The text with its edits, and line and column of each mark in it.
fn edited(base: &str, edits: Edits<'_>) -> (String, Vec<(usize, usize)>) {
    let mut text = base.to_owned();
    for (from, to) in edits {
        assert_eq!(text.matches(from).count(), 1, "`{from}` must stand once in the base");
        text = text.replacen(from, to, 1);
    }
    let mut marks = Vec::new();
    let (mut line, mut column) = (1, 1);
    for c in text.chars() {
        match c {
            MARK => marks.push((line, column)),
            '\n' => (line, column) = (line + 1, 1),
            _ => column += 1,
        }
    }
    (text.replace(MARK, ""), marks)
}

/// Reads an edited base; the codes found, in order, must be `codes`, each at the mark of the same rank. Says what differs.
fn check(base: &str, edits: Edits<'_>, codes: &str, severity: Severity) -> String {
    let (text, marks) = edited(base, edits);
    let found = if base == SITE {
        let source = Source::new("site.toml", text.as_str());
        match protocol::read_site(&source, &sound(), Some(date(2026, 3, 1))) {
            Ok((_, found)) | Err(found) => found,
        }
    } else {
        match read(&text) {
            Ok((_, found)) | Err(found) => found,
        }
    };
    let codes: Vec<&str> = codes.split_whitespace().collect();
    assert_eq!(codes.len(), marks.len(), "one mark for each code: {edits:?}");
    let mut expected = String::new();
    for (code, (line, column)) in codes.iter().zip(&marks) {
        writeln!(expected, "{code} {line}:{column}").unwrap();
    }
    let helped = |d: &wellrun::diagnostic::Diagnostic| d.help.as_deref().is_some_and(|help| !help.is_empty());
    if summary(&found) == expected && found.count(severity) == codes.len() && found.iter().all(helped) {
        return String::new();
    }
    format!(
        "{edits:?}\nexpected\n{expected}found\n{}{}\n",
        summary(&found),
        report(&found)
    )
}

/// Checks many rows and tells all that fail.
fn check_all(base: &str, rows: &[(Edits<'_>, &str)], severity: Severity) {
    let failed: String = rows
        .iter()
        .map(|(edits, codes)| check(base, edits, codes, severity))
        .collect();
    assert!(failed.is_empty(), "{failed}");
}

#[test]
fn a_sound_protocol_is_read_in_full() {
    let protocol = sound();
    assert_eq!(protocol.study.id, "demo");
    assert_eq!(protocol.study.title, "Tïtle");
    assert_eq!(protocol.study.kind, StudyKind::VarianceInvestigation);
    let response = &protocol.responses[0];
    assert_eq!(response.resolution, Decimal::new(1, 1));
    assert_eq!(response.possible, Some((Decimal::ZERO, Decimal::new(100, 0))));
    assert_eq!((response.readings, response.result), (2, Statistic::Mean));
    assert_eq!(response.round_to, None);
    assert_eq!(response.limit, Some(Limit::AtLeast(Decimal::new(55, 0))));
    assert_eq!(protocol.units[1].within, [0]);
    // Two levels of the instrument, two replicates.
    assert_eq!((protocol.units[0].count, protocol.units[1].count), (4, 4));
    assert_eq!(
        protocol.factors[0].numbers,
        Some(vec![Decimal::new(21, 0), Decimal::new(25, 0)])
    );
    assert_eq!(protocol.factors[1].numbers, None);
    assert_eq!(protocol.factors[0].part_of, PartOf::Method);
    assert!(protocol.factors[1].named_by_site);
    assert_eq!(protocol.conditions[0].measured_on, 1);
    assert_eq!(protocol.design.order, Order::Randomized);
    assert_eq!(protocol.analysis.planned, [vec![0], vec![0, 1]]);
    assert_eq!(
        (protocol.analysis.interactions, protocol.analysis.confidence),
        (2, 0.95)
    );
}

#[test]
fn assumptions_are_read_in_full() {
    let text = PROTOCOL.replace(
        "[analysis]",
        &assumed("of = [\"instrument\", \"temperature\"]\nrelevant = 0.4\ndifference = -0.25"),
    );
    let (protocol, found) = read(&text).unwrap();
    assert!(found.is_empty());
    let assumed = &protocol.assumed[0];
    let spreads: Vec<(&[usize], f64)> = assumed.spreads.iter().map(|s| (s.units.as_slice(), s.sd)).collect();
    assert_eq!(spreads, [(&[0][..], 1.0), (&[1][..], 1.0)]);
    assert_eq!(
        (assumed.response, assumed.source.as_str(), assumed.mean),
        (0, "s", None)
    );
    assert_eq!(assumed.effects[0].effect, [0, 1]);
    assert_eq!(assumed.effects[0].relevant, Some(0.4));
    assert_eq!(assumed.effects[0].size, Some(protocol::AssumedSize::Difference(-0.25)));
}

#[test]
fn factors_and_responses_keep_the_order_of_the_file() {
    let (text, _) = edited(
        PROTOCOL,
        &[(
            "[design]",
            "[factor.a]\nset_on = \"run\"\nlevels = [\"x\", \"y\"]\n\n[design]",
        )],
    );
    let (protocol, _) = read(&text).unwrap();
    let names: Vec<&str> = protocol.factors.iter().map(|factor| factor.name.as_str()).collect();
    assert_eq!(names, ["temperature", "instrument", "a"]);
    // 2 × 2 combinations on the run, two replicates.
    assert_eq!(protocol.units[1].count, 8);
}

#[test]
fn levels_stay_as_written() {
    let (text, _) = edited(PROTOCOL, &[("[21, 25]", "[21.50, \"25.0\", +1_000, -3e1]")]);
    let (protocol, _) = read(&text).unwrap();
    assert_eq!(protocol.factors[0].levels, ["21.50", "25.0", "1000", "-3e1"]);
    let numbers = protocol.factors[0].numbers.clone().unwrap();
    let expected = ["21.5", "25", "1000", "-30"].map(|n| Decimal::from_str_exact(n).unwrap());
    assert_eq!(numbers, expected);
}

#[test]
fn counts_follow_from_levels_and_replicates() {
    let (text, _) = edited(PROTOCOL, &[("count = 4\n", "")]);
    assert_eq!(read(&text).unwrap().0.units[0].count, 4);
    let (text, _) = edited(PROTOCOL, &[("count = 4\n", ""), ("replicates = 2", "replicates = 3")]);
    let (protocol, _) = read(&text).unwrap();
    assert_eq!((protocol.units[0].count, protocol.units[1].count), (6, 6));
}

#[test]
fn a_study_without_factors_is_allowed_and_silent() {
    let start = PROTOCOL.find("[factor.temperature]").unwrap();
    let end = PROTOCOL.find("[condition.humidity]").unwrap();
    let text = PROTOCOL.replace(&PROTOCOL[start..end], "");
    let (text, _) = edited(
        &text,
        &[(
            "planned = [\"temperature\", [\"temperature\", \"instrument\"]]",
            "planned = []",
        )],
    );
    let (protocol, found) = read(&text).unwrap();
    assert!(found.is_empty(), "{}", report(&found));
    assert_eq!(protocol.units[1].count, 2);
}

#[test]
fn a_unit_lies_within_its_nearest_units_only() {
    let (text, _) = edited(
        PROTOCOL,
        &[
            (
                "[[unit]]\nname = \"session\"",
                "[[unit]]\nname = \"day\"\ncount = 2\n\n[[unit]]\nname = \"session\"\nwithin = [\"day\"]",
            ),
            ("within = \"session\"", "within = [\"day\", \"session\"]"),
        ],
    );
    let (protocol, _) = read(&text).unwrap();
    assert_eq!(protocol.units[2].within, [1]);
}

#[test]
fn readings_that_exist_need_no_counts() {
    let (text, _) = edited(
        PROTOCOL,
        &[
            ("count = 4\n", ""),
            ("replicates = 2", "order = \"as run\""),
            ("method = \"M\"", "method = \"M\"\nsource = \"Notebook 14\""),
        ],
    );
    let (protocol, found) = read(&text).unwrap();
    assert!(found.is_empty(), "{}", report(&found));
    assert!(protocol.is_as_run());
    assert_eq!((protocol.units[0].count, protocol.units[1].count), (0, 0));
    assert_eq!(protocol.study.source, "Notebook 14");
}

#[test]
fn broken_protocols_are_told_in_full() {
    let rows: &[(Edits<'_>, &str)] = &[
        // What is assumed beforehand.
        (
            &[(
                "[analysis]",
                "[assumed.‸hardnes]\nsource = \"s\"\nspread = { session = 1, run = 1, reading = 1 }\n[analysis]",
            )],
            "P100",
        ),
        (
            &[(
                "[analysis]",
                "[assumed.hardness]\nsource = \"s\"\nspread = ‸{ run = 1 }\n[analysis]",
            )],
            "P101",
        ),
        (
            &[(
                "[analysis]",
                "[assumed.hardness]\nsource = \"s\"\nspread = { ‸sesion = 1, run = 1, reading = 1 }\n[analysis]",
            )],
            "P030",
        ),
        (
            &[(
                "[analysis]",
                "[assumed.hardness]\nsource = \"s\"\nspread = { session = ‸-1, run = 1, reading = 1 }\n[analysis]",
            )],
            "P011",
        ),
        (
            &[(
                "[analysis]",
                "[assumed.hardness]\nsource = \"s\"\nspread = { session = ‸\"1\", run = 1, reading = 1 }\n[analysis]",
            )],
            "P003",
        ),
        (
            &[(
                "[analysis]",
                "[assumed.hardness]\nsource = \"s\"\nspread = { session = 1, run = 1, reading = 1, ‸\"session x run\" = 1, \
                 ‸\"run x run\" = 0 }\n[analysis]",
            )],
            "P102 P102",
        ),
        (
            &[("[analysis]", &assumed("of = [\"temperature\", ‸\"finish\"]"))],
            "P103",
        ),
        (
            &[("[analysis]", &assumed("of = [\"temperature\", ‸\"temperature\"]"))],
            "P103",
        ),
        (
            &[(
                "[analysis]",
                &assumed("of = \"temperature\"\n[[assumed.hardness.effect]]\nof = ‸\"temperature\""),
            )],
            "P104",
        ),
        (
            &[(
                "[analysis]",
                &assumed("of = \"temperature\"\ndifference = 1\nvalues = ‸{ 21 = 0, 25 = 1 }"),
            )],
            "P104",
        ),
        (
            &[(
                "[analysis]",
                &assumed("of = \"instrument\"\nvalues = { A = 0, ‸C = 1 }"),
            )],
            "P105",
        ),
        (
            &[("[analysis]", &assumed("of = \"instrument\"\nvalues = ‸{ A = 0 }"))],
            "P105",
        ),
        (
            &[(
                "[analysis]",
                &assumed("of = [\"instrument\", \"temperature\"]\n‸values = { A = 0, B = 1 }"),
            )],
            "P105",
        ),
        // Optimal sets.
        (&[("replicates = 2", "treatments = ‸\"optimal\"")], "P106"),
        (&[("replicates = 2", &optimal("‸1", "starts = 1"))], "P011"),
        (
            &[
                (
                    "levels = [\"A\", \"B\"]",
                    "levels = [\"A\", \"B\", \"C\", \"D\", \"E\"]",
                ),
                ("replicates = 2", &optimal("‸4", "starts = 1")),
            ],
            "P106",
        ),
        (
            &[("replicates = 2", &optimal("4", "forbidden = ‸[{ instrument = \"A\" }]"))],
            "P107",
        ),
        (
            &[(
                "replicates = 2",
                &optimal("4", "forbidden = ‸[{ instrument = \"A\" }, { instrument = \"B\" }]"),
            )],
            "P107",
        ),
        (
            &[(
                "replicates = 2",
                &optimal("4", "forbidden = [{ ‸temperature = 21 }, { instrument = ‸\"C\" }, ‸{}]"),
            )],
            "P108 P108 P108",
        ),
        (
            &[("replicates = 2", &optimal("4", "forced = [‸[21, \"A\"], [‸\"C\"]]"))],
            "P108 P108",
        ),
        (
            &[(
                "replicates = 2",
                &optimal("4", "forbidden = [{ instrument = \"A\" }]\nforced = [‸[\"A\"]]"),
            )],
            "P108",
        ),
        (&[("replicates = 2", &optimal("4", "forbidden = [‸3]"))], "P003"),
        (
            &[(
                "replicates = 2",
                &optimal("60000", "starts = 10000").replace("\"optimal", "‸\"optimal"),
            )],
            "P109",
        ),
        // The text itself.
        (&[("title = \"Tïtle\"", "title = ‸Title")], "P001"),
        (&[("title = \"Tïtle\"", "title = \"Tïtle‸")], "P001"),
        (&[("version = \"1\"", "version = \"1\"\n‸version = \"2\"")], "P001"),
        (&[("resolution = 0.1", "resolution = 0‸,1")], "P001"),
        (
            &[
                ("title = \"Tïtle\"", "title = ‸Title"),
                ("resolution = 0.1", "resolution = ‸x"),
            ],
            "P001 P001",
        ),
        (
            &[("title = \"Tïtle\"", "title = ‸Title"), ("kind =", "‸kint =")],
            "P001 P002",
        ),
        // One key by itself.
        (&[("kind =", "‸kint ="), ("[study]", "[‸study]")], "P004 P002"),
        (&[("[study]", "[study]\n‸replicates = 2")], "P002"),
        (&[("[design]", "[‸designs]")], "P002"),
        (&[("version = \"1\"", "version = ‸1.0")], "P003"),
        (&[("relevant = 0.5", "relevant = ‸\"0.5\"")], "P003"),
        (&[("possible = [0, 100]", "possible = ‸[0]")], "P003"),
        (&[("levels = [\"A\", \"B\"]", "levels = [\"Ä\", ‸true]")], "P003"),
        (&[("named_by_site = true", "named_by_site = ‸\"true\"")], "P003"),
        (
            &[("[response.hardness]\nmeasurand = \"Härte\"", "[response.‸hardness]")],
            "P004",
        ),
        (
            &[
                ("reading_time = \"1 s\"\n", ""),
                ("[response.hardness]", "[response.‸hardness]"),
            ],
            "P004",
        ),
        (
            &[
                (
                    "[[unit]]\nname = \"session\"\ncount = 4\n\n[[unit]]\nname = \"run\"\nwithin = \"session\"\n",
                    "",
                ),
                ("wellrun = 1", "‸wellrun = 1"),
                ("set_on = \"session\"", "set_on = ‸\"session\""),
                ("set_on = \"run\"", "set_on = ‸\"run\""),
            ],
            "P004 P030 P030",
        ),
        (&[("wellrun = 1\n", "‸")], "P004"),
        (&[("measurand = \"Härte\"", "measurand = ‸\" \"")], "P005"),
        (&[("kind = \"variance investigation\"", "kind = ‸\"variance\"")], "P006"),
        (&[("result = \"mean\"", "result = ‸\"average\"")], "P006"),
        (&[("replicates = 2", "order = ‸\"random\"")], "P006"),
        (&[("resolution = 0.1", "resolution = ‸nan")], "P007"),
        (&[("expected = [45, 70]", "expected = [45, ‸1e300]")], "P007"),
        (&[("title = \"Tïtle\"", "title = ‸\"T\\u0007\"")], "P008"),
        (&[("title = \"Tïtle\"", "title = ‸\"T\\u202e\"")], "P008"),
        (&[("title = \"Tïtle\"", "title = ‸\"\"\"two\nlines\"\"\"")], "P008"),
        (&[("wellrun = 1", "wellrun = ‸2")], "P009"),
        (&[("readings = 2", "readings = ‸0")], "P011"),
        (&[("readings = 2", "readings = ‸1001")], "P011"),
        (&[("resolution = 0.1", "resolution = ‸0.0")], "P011"),
        (&[("replicates = 2", "replicates = ‸-2")], "P011"),
        (&[("[analysis]", "[analysis]\nconfidence = ‸95")], "P011"),
        (&[("[analysis]", "[analysis]\nconfidence = ‸0.5")], "P011"),
        (&[("[analysis]", "[analysis]\ninteractions = ‸7")], "P011"),
        (&[("count = 4", "count = ‸0")], "P011"),
        (&[("method = \"M\"", "method = ‸\"FILL IN\"")], "P012"),
        (&[("[design]", "‸[[design]]")], "P003"),
        // Names.
        (&[("[condition.humidity]", "[condition.‸\"Luft Feuchte\"]")], "P020"),
        (&[("[condition.humidity]", "[condition.‸Humidity]")], "P020"),
        (&[("[condition.humidity]", "[condition.‸time]")], "P021"),
        (&[("[condition.humidity]", "[condition.‸run]")], "P021"),
        (&[("[condition.humidity]", "[condition.‸session]")], "P022"),
        (&[("[condition.humidity]", "[condition.‸hardness]")], "P022"),
        (&[("[condition.humidity]", "[condition.‸hardness_2]")], "P023"),
        (&[("id = \"demo\"", "id = ‸\"de mo\"")], "P024"),
        (&[("id = \"demo\"", "id = ‸\"../demo\"")], "P024"),
        (&[("id = \"demo\"", "id = ‸\"COM1\"")], "P024"),
        // Units and counts.
        (&[("set_on = \"session\"", "set_on = ‸\"sesion\"")], "P030"),
        (&[("unit = \"%\"", "unit = \"°\"\nmeasured_on = ‸\"day\"")], "P030"),
        (&[("within = \"session\"", "within = ‸\"sessions\"")], "P030"),
        (&[("within = \"session\"", "within = [\"session\", ‸\"run\"]")], "P031"),
        (&[("count = 4", "count = 4\nwithin = ‸\"run\"")], "P031"),
        (
            &[("within = \"session\"", "within = [\"session\", ‸\"session\"]")],
            "P031",
        ),
        (&[("name = \"run\"\nwithin = \"session\"", "name = ‸\"run\"")], "P032"),
        (
            &[
                (
                    "[[unit]]\nname = \"session\"",
                    "[[unit]]\nname = \"roller\"\ncount = 2\n\n[[unit]]\nname = \"session\"",
                ),
                ("within = \"session\"", "within = ‸\"session\""),
            ],
            "P032",
        ),
        (&[("count = 4", "count = ‸3")], "P033"),
        (&[("count = 4", "count = ‸1")], "P033"),
        (
            &[
                ("within = \"session\"", "within = \"session\"\ncount = ‸5"),
                ("replicates = 2\n", ""),
            ],
            "P033",
        ),
        (
            &[
                ("name = \"session\"\ncount = 4", "name = ‸\"session\""),
                ("set_on = \"session\"", "set_on = \"run\""),
            ],
            "P034",
        ),
        (
            &[
                ("replicates = 2", "replicates = 1000000"),
                ("name = \"run\"", "name = ‸\"run\""),
            ],
            "P036",
        ),
        (
            &[
                ("count = 4", "count = 1000000"),
                ("within = \"session\"", "within = \"session\"\ncount = ‸1000000"),
                ("replicates = 2\n", ""),
            ],
            "P036",
        ),
        (
            &[
                ("readings = 2", "readings = 1000"),
                ("count = 4", "count = 10000"),
                ("name = \"run\"", "name = ‸\"run\""),
            ],
            "P036",
        ),
        // Levels.
        (&[("levels = [\"A\", \"B\"]", "levels = ‸[\"A\"]")], "P040"),
        (&[("levels = [\"A\", \"B\"]", "levels = [\"Ä\", ‸\"ä\"]")], "P041"),
        (&[("levels = [21, 25]", "levels = [21, 25, ‸21.0]")], "P041"),
        (&[("levels = [21, 25]", "levels = [21, ‸\"25 °C\"]")], "P042"),
        (
            &[("levels = [21, 25]", "levels = [21, ‸25]\nsafe = [15, 24.9]")],
            "P043",
        ),
        (
            &[("levels = [\"A\", \"B\"]", "levels = [\"A\", \"B\"]\n‸safe = [1, 2]")],
            "P044",
        ),
        (&[("levels = [\"A\", \"B\"]", "levels = [\"Ä\", ‸\"=1+1\"]")], "P045"),
        (
            &[("set_on = \"run\"", "set_on = \"run\"\nhow = ‸\"Take {lvel}.\"")],
            "P046",
        ),
        (
            &[("levels = [21, 25]", "levels = [21, 25]\n‸compare_with = 21")],
            "P148",
        ),
        (
            &[(
                "levels = [\"A\", \"B\"]",
                "levels = [\"A\", \"B\"]\ncompare_with = ‸\"C\"",
            )],
            "P149",
        ),
        (
            &[(
                "levels = [\"A\", \"B\"]",
                "levels = [\"A\", \"B\"]\n‸carries_within = \"session\"",
            )],
            "P054",
        ),
        // Ranges and limits.
        (&[("possible = [0, 100]", "possible = ‸[100, 0]")], "P050"),
        (&[("levels = [21, 25]", "levels = [21, 25]\nsafe = ‸[30, 15]")], "P050"),
        (&[("expected = [45, 70]", "expected = ‸[45, 101]")], "P051"),
        (
            &[("limit = { at_least = 55 }", "limit = ‸{ at_least = 55, at_most = 70 }")],
            "P052",
        ),
        (&[("limit = { at_least = 55 }", "limit = ‸{}")], "P052"),
        (&[("limit = { at_least = 55 }", "limit = { at_least = ‸155 }")], "P053"),
        // Effects.
        (
            &[("planned = [\"temperature\",", "planned = [‸\"temprature\",")],
            "P060",
        ),
        (
            &[
                (
                    "planned = [\"temperature\",",
                    "planned = [[\"instrument\", \"temperature\"],",
                ),
                (
                    "[\"temperature\", \"instrument\"]]",
                    "‸[\"temperature\", \"instrument\"]]",
                ),
            ],
            "P061",
        ),
        (
            &[(
                "[\"temperature\", \"instrument\"]]",
                "[\"temperature\", ‸\"temperature\"]]",
            )],
            "P062",
        ),
        (&[("[\"temperature\", \"instrument\"]]", "‸[]]")], "P064"),
        // When a finding counts as repeated.
        (
            &[("[analysis]", "[replication]\ncriteria = [‸\"same sgin\"]\n\n[analysis]")],
            "P262",
        ),
        (
            &[(
                "[analysis]",
                "[replication]\ncriteria = [\"same sign\"]\neffects = [‸\"finish\"]\n\n[analysis]",
            )],
            "P260",
        ),
        (
            &[(
                "[analysis]",
                "[replication]\ncriteria = [\"same sign\"]\ncommon = [‸\"finish\"]\n\n[analysis]",
            )],
            "P260",
        ),
        (
            &[(
                "[analysis]",
                "[replication]\ncriteria = [\"same sign\"]\neffects = [‸\"instrument\"]\n\n[analysis]",
            )],
            "P264",
        ),
        (
            &[
                ("relevant = 0.5\n", ""),
                (
                    "[analysis]",
                    "[replication]\ncriteria = [\"same sign\", ‸\"equivalent\"]\n\n[analysis]",
                ),
            ],
            "P263",
        ),
        (&[("[analysis]", "[‸replication]\n\n[analysis]")], "P004"),
        // Several at once, after letters of more than one byte on the same line.
        (&[("unit = \"°C\"", "unit = \"°C\" ‸colour = 3")], "P001"),
        (
            &[(
                "limit = { at_least = 55 }",
                "limit = { ‸\"größe µ\" = 1, ‸\"größer\" = 2, at_least = ‸\"°\" }",
            )],
            "P002 P002 P003",
        ),
        (
            &[(
                "planned = [\"temperature\",",
                "planned = [\"temperature\", ‸\"größe\", ‸\"µ\",",
            )],
            "P060 P060",
        ),
    ];
    check_all(PROTOCOL, rows, Severity::Error);
}

#[test]
fn softer_findings_do_not_stop_the_reader() {
    let rows: &[(Edits<'_>, &str, Severity)] = &[
        (
            &[
                ("count = 4", "‸count = 4"),
                ("replicates = 2", "order = \"as run\""),
                ("[study]", "[‸study]"),
            ],
            "P070 P035",
            Severity::Warning,
        ),
        (
            &[
                ("within = \"session\"", "within = \"session\"\ncount = 2"),
                ("replicates = 2", "‸replicates = 2"),
            ],
            "P037",
            Severity::Warning,
        ),
        (
            &[(
                "[analysis]",
                "[replication]\ncriteria = [\"same sign\"]\ncommon = [‸\"temperature\"]\n\n[analysis]",
            )],
            "P261",
            Severity::Warning,
        ),
        (
            &[("set_on = \"run\"", "set_on = \"run\"\nhow = ‸\"Take it.\"")],
            "P047",
            Severity::Warning,
        ),
        (
            &[("[\"temperature\", [\"temperature\", \"instrument\"]]", "‸[]")],
            "P063",
            Severity::Warning,
        ),
        (
            &[
                ("\nplanned = [\"temperature\", [\"temperature\", \"instrument\"]]", ""),
                ("[analysis]", "[‸analysis]"),
            ],
            "P063",
            Severity::Warning,
        ),
    ];
    for (edits, codes, severity) in rows {
        assert_eq!(check(PROTOCOL, edits, codes, *severity), "");
        let (text, _) = edited(PROTOCOL, edits);
        assert!(read(&text).is_ok());
    }
}

/// The same as the marks say, in plain numbers: columns count characters, not bytes.
#[test]
fn columns_count_characters() {
    let text = PROTOCOL.replace(
        "limit = { at_least = 55 }",
        "limit = { \"größe µ\" = 1, at_least = 155 }",
    );
    assert_eq!(summary(&read(&text).unwrap_err()), "P002 21:11\nP053 21:37\n");
    let text = PROTOCOL.replace("[\"A\", \"B\"]", "[\"é\", \"€\", \"🧪\", \"=\"]");
    assert_eq!(summary(&read(&text).unwrap_err()), "P045 40:26\n");
}

#[test]
fn too_many_of_a_kind_are_refused() {
    let mut text = PROTOCOL.to_owned();
    for index in 0..64 {
        write!(text, "\n[factor.f{index}]\nset_on = \"run\"\nlevels = [1, 2]\n").unwrap();
    }
    let found = read(&text).unwrap_err();
    assert_eq!(found.iter().next().unwrap().code, "P010");
    let text = PROTOCOL.replace("\"Which?\"", &format!("\"{}\"", "é".repeat(10_001)));
    assert_eq!(summary(&read(&text).unwrap_err()), "P010 7:12\n");
    let text = PROTOCOL.replace("\"Which?\"", &format!("\"{}\"", "é".repeat(10_000)));
    assert!(read(&text).is_ok());
    assert_eq!(summary(&read(&"#".repeat(1 << 21)).unwrap_err()), "P010 1:1\n");
}

#[test]
fn a_file_that_is_no_protocol_is_answered_in_short() {
    let mut text = String::new();
    for index in 0..20_000 {
        writeln!(text, "key{index} = \"value\"").unwrap();
    }
    let found = read(&text).unwrap_err();
    assert_eq!(found.iter().count(), 201);
    let last = found.iter().last().unwrap();
    // 20,000 unknown keys and four that are missing: wellrun, study, response, unit.
    assert_eq!(
        (last.code, last.message.as_str()),
        ("P014", "19804 further findings are not listed")
    );
    let broken = "= = =\n".repeat(20_000);
    assert_eq!(read(&broken).unwrap_err().iter().count(), 200);
    assert!(read(&"[".repeat(200_000)).is_err());
    assert!(read(&format!("a = {}", "[".repeat(200_000))).is_err());
}

/// A model of 40 factors with all interactions of six: Σ C(40, k) for k to 6 is 4,598,478 effects.
#[test]
fn a_model_too_large_to_hold_is_refused() {
    let mut text = PROTOCOL
        .replace("[analysis]", "[analysis]\ninteractions = 6")
        .replace("replicates = 2", "order = \"as run\"");
    for index in 0..38 {
        write!(text, "\n[factor.f{index}]\nset_on = \"run\"\nlevels = [1, 2]\n").unwrap();
    }
    let found = read(&text).unwrap_err();
    let error = found.iter().find(|d| d.severity == Severity::Error).unwrap();
    assert_eq!(error.code, "P065");
    assert!(error.message.contains("4598484"), "{}", error.message); // with 2 + 4 for the two planned effects
}

#[test]
fn places_are_right_after_a_byte_order_mark_and_with_other_line_ends() {
    let text = PROTOCOL.replace("method = \"M\"", "methud = \"M\"");
    let windows = text.replace('\n', "\r\n");
    assert_eq!(summary(&read(&windows).unwrap_err()), "P004 3:2\nP002 9:1\n");
    let marked = format!("\u{feff}{text}");
    assert_eq!(summary(&read(&marked).unwrap_err()), "P004 3:2\nP002 9:1\n");
}

#[test]
fn the_hash_does_not_change_with_line_ends_or_a_byte_order_mark() {
    let (protocol, _) = read(PROTOCOL).unwrap();
    let windows = format!("\u{feff}{}", PROTOCOL.replace('\n', "\r\n"));
    assert_eq!(read(&windows).unwrap().0.sha256, protocol.sha256);
    // Class: published. FIPS 180-4 example, SHA-256 of "abc".
    let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(protocol::text_sha256("abc"), abc);
    assert_eq!(protocol::text_sha256("\u{feff}abc"), abc);
    assert_eq!(protocol::text_sha256("a\r\nb"), protocol::text_sha256("a\nb"));
    assert_ne!(protocol::text_sha256("a\nb"), protocol::text_sha256("ab"));
}

#[test]
fn a_sound_site_file_is_read_in_full() {
    let source = Source::new("site.toml", SITE);
    let (site, found) = protocol::read_site(&source, &sound(), Some(date(2026, 3, 1))).unwrap();
    assert!(found.is_empty(), "{}", report(&found));
    assert_eq!((site.id.as_str(), site.room.as_str()), ("north", "Räum 2"));
    assert_eq!(site.dates, ("2026-03-02".to_owned(), "2026-03-06".to_owned()));
    assert_eq!(
        (site.people[0].code.as_str(), site.people[0].role.as_str()),
        ("op1", "operator")
    );
    assert_eq!((site.named[1].factor, site.named[1].level), (1, 1));
    assert_eq!(site.named[0].tolerance, Some(Decimal::new(10, 1)));
    assert_eq!(site.named[0].due, "2027-01-15");
    assert_eq!(site.labels[0].1, ["S1", "S2", "S3", "S4"]);
    assert_eq!(site.sha256, protocol::text_sha256(SITE));
}

#[test]
fn broken_site_files_are_told_in_full() {
    let rows: &[(Edits<'_>, &str)] = &[
        (&[("name = \"North bench\"", "name = ‸North")], "S001"),
        (&[("room = \"Räum 2\"", "‸rom = \"Räum 2\"")], "S002"),
        (&[("code = \"op1\"", "code = ‸1")], "S003"),
        (&[("name = \"North bench\"\n", ""), ("[site]", "[‸site]")], "S004"),
        (&[("role = \"operator\"", "role = ‸\"\"")], "S005"),
        (&[("tolerance = 1.0", "tolerance = ‸inf")], "S007"),
        (&[("room = \"Räum 2\"", "room = ‸\"Räum\\t2\"")], "S008"),
        (&[("wellrun_site = 1", "wellrun_site = ‸3")], "S009"),
        (&[("tolerance = 1.0", "tolerance = ‸-1.0")], "S011"),
        (&[("room = \"Räum 2\"", "room = ‸\"FILL IN\"")], "S012"),
        (&[("2026-03-06]", "‸\"FILL IN\"]")], "S012"),
        (&[("\"2026-03-02\"", "‸\"2. März\"")], "S013"),
        (&[("\"2026-03-02\"", "‸\"2026-02-30\"")], "S013"),
        (&[("2026-03-06]", "‸2026-03-06T10:00:00]")], "S013"),
        (&[("dates = [\"2026-03-02\"", "dates = ‸[\"2026-03-12\"")], "S020"),
        (
            &[(
                "role = \"operator\"",
                "role = \"operator\"\n[[person]]\ncode = ‸\"OP1\"\nrole = \"lead\"",
            )],
            "S021",
        ),
        (&[("id = \"north\"", "id = ‸\"north/bench\"")], "S024"),
        (
            &[(
                "factor = \"instrument\"\nlevel = \"A\"",
                "factor = ‸\"instrumnt\"\nlevel = \"A\"",
            )],
            "S030",
        ),
        (&[("level = \"B\"", "level = ‸\"C\"")], "S031"),
        (
            &[(
                "[[named]]\nfactor = \"instrument\"\nlevel = \"B\"",
                "‸[[named]]\nfactor = \"instrument\"\nlevel = ‸\"A\"",
            )],
            "S033 S034",
        ),
        (&[("serial = \"D-2\"", "serial = ‸\"D-1\"")], "S035"),
        (
            &[(
                "serial = \"D-2\"\ncalibrated = 2026-01-15\ndue = 2027-01-15",
                "calibrated = 2026-01-15\ndue = ‸2025-01-15",
            )],
            "S040",
        ),
        (
            &[(
                "serial = \"D-2\"\ncalibrated = 2026-01-15\ndue = 2027-01-15",
                "calibrated = 2026-01-15\ndue = ‸2026-03-01",
            )],
            "S041",
        ),
        (&[("session = [", "‸sesion = [")], "S050"),
        (&[("session = [", "‸run = [")], "S050"),
        (&[("session = [\"S1\", ", "‸session = [")], "S051"),
        (&[("\"S1\", \"S2\"", "\"Ö\", ‸\"ö\"")], "S052"),
        (&[("\"S1\", \"S2\"", "\"Ö\", ‸\"=cmd\"")], "S054"),
    ];
    check_all(SITE, rows, Severity::Error);
}

#[test]
fn softer_findings_on_a_site() {
    let rows: &[(Edits<'_>, &str)] = &[
        (
            &[(
                "serial = \"D-2\"\ncalibrated = 2026-01-15\ndue = 2027-01-15",
                "calibrated = 2026-01-15\ndue = ‸2026-03-05",
            )],
            "S042",
        ),
        (
            &[("serial = \"D-2\"\ncalibrated = 2026-01-15", "calibrated = ‸2026-03-03")],
            "S043",
        ),
        (
            &[
                (
                    "serial = \"D-2\"\ncalibrated = 2026-01-15\ndue = 2027-01-15",
                    "serial = \"D-2\"",
                ),
                (
                    "[[named]]\nfactor = \"instrument\"\nlevel = \"B\"",
                    "‸[[named]]\nfactor = \"instrument\"\nlevel = \"B\"",
                ),
            ],
            "S044",
        ),
        (
            &[(
                "[labels]",
                "[[named]]\nfactor = ‸\"temperature\"\nlevel = 21\ndescription = \"Oven 1\"\n\n[labels]",
            )],
            "S032",
        ),
    ];
    check_all(SITE, rows, Severity::Warning);
}

#[test]
fn expiry_is_judged_today_where_a_site_gives_no_dates() {
    let text = SITE.replace("dates = [\"2026-03-02\", 2026-03-06]\n", "");
    let source = Source::new("site.toml", text);
    let on = |today| match protocol::read_site(&source, &sound(), today) {
        Ok((_, found)) | Err(found) => summary(&found),
    };
    assert_eq!(on(None), "");
    assert_eq!(on(Some(date(2027, 1, 15))), "");
    assert_eq!(on(Some(date(2027, 1, 16))), "S041 18:7\nS041 27:7\n");
}

#[test]
fn a_level_that_nothing_stands_behind_is_told() {
    let start = SITE.rfind("[[named]]").unwrap();
    let end = SITE.find("[labels]").unwrap();
    let text = SITE.replace(&SITE[start..end], "");
    let found = protocol::read_site(&Source::new("site.toml", text), &sound(), None).unwrap_err();
    assert_eq!(summary(&found), "S033 13:1\n");
    assert!(found.iter().next().unwrap().message.contains("`B`"));
}

/// TOML as JSON, dates as texts: what an editor shows to the schema.
fn as_json(text: &str) -> serde_json::Value {
    fn plain(value: toml::Value) -> serde_json::Value {
        match value {
            toml::Value::Datetime(date) => date.to_string().into(),
            toml::Value::Array(list) => list.into_iter().map(plain).collect(),
            toml::Value::Table(table) => table.into_iter().map(|(k, v)| (k, plain(v))).collect(),
            other => serde_json::to_value(other).unwrap(),
        }
    }
    plain(toml::Value::Table(text.parse().unwrap()))
}

#[test]
fn the_schemas_take_what_is_sound_and_refuse_what_is_broken() {
    let schema = jsonschema::validator_for(&protocol::protocol_schema()).unwrap();
    let site = jsonschema::validator_for(&protocol::site_schema()).unwrap();
    for shipped in protocol::shipped() {
        for (name, text) in shipped.files {
            match *name {
                "protocol.toml" => assert!(schema.is_valid(&as_json(text)), "{}", shipped.name),
                // A template: dates are still to be filled in.
                "site.toml" => assert!(site.is_valid(&as_json(&text.replace("\"FILL IN\"", "\"2026-03-02\"")))),
                _ => {}
            }
        }
    }
    assert!(schema.is_valid(&as_json(PROTOCOL)));
    assert!(site.is_valid(&as_json(SITE)));
    for (from, to) in [
        ("kind =", "kint ="),
        ("version = \"1\"", "version = 1.0"),
        ("method = \"M\"\n", ""),
        ("measurand = \"Härte\"", "measurand = \" \""),
        ("result = \"mean\"", "result = \"average\""),
        ("readings = 2", "readings = 0"),
        ("resolution = 0.1", "resolution = 0"),
        ("possible = [0, 100]", "possible = [0]"),
        ("levels = [\"A\", \"B\"]", "levels = [\"A\"]"),
        ("levels = [\"A\", \"B\"]", "levels = [\"A\", true]"),
        ("[condition.humidity]", "[condition.Humidity]"),
        ("round_to = \"none\"", "round_to = \"never\""),
        ("[analysis]", "[analysis]\nconfidence = 95"),
        ("[\"temperature\", \"instrument\"]]", "[]]"),
        ("count = 4", "count = 0"),
    ] {
        let (text, _) = edited(PROTOCOL, &[(from, to)]);
        assert!(!schema.is_valid(&as_json(&text)), "{to}");
        assert!(read(&text).is_err(), "{to}");
    }
    for (from, to) in [
        ("code = \"op1\"", "code = 1"),
        ("\"2026-03-02\"", "\"2. March\""),
        ("tolerance = 1.0", "tolerance = -1.0"),
        ("id = \"north\"\n", ""),
    ] {
        let (text, _) = edited(SITE, &[(from, to)]);
        assert!(!site.is_valid(&as_json(&text)), "{to}");
    }
}

/// Every default and example of the tables of keys is a TOML value, and fits its own key.
#[test]
fn each_example_in_a_schema_fits_its_own_key() {
    fn visit(schema: &serde_json::Value, count: &mut usize) {
        let Some(object) = schema.as_object() else { return };
        let examples = object
            .get("examples")
            .and_then(|e| e.as_array())
            .cloned()
            .unwrap_or_default();
        for example in examples.iter().chain(object.get("default")) {
            let valid = jsonschema::validator_for(schema).unwrap().is_valid(example);
            assert!(valid && !example.is_null(), "{example} {schema}");
            *count += 1;
        }
        for inner in object
            .get("properties")
            .and_then(|p| p.as_object())
            .into_iter()
            .flatten()
        {
            assert!(inner.1.get("description").is_some(), "{}", inner.0);
            visit(inner.1, count);
        }
        for name in ["items", "additionalProperties"] {
            if let Some(inner) = object.get(name) {
                visit(inner, count);
            }
        }
    }
    let mut count = 0;
    visit(&protocol::protocol_schema(), &mut count);
    visit(&protocol::site_schema(), &mut count);
    assert!(count > 50, "{count}");
}

#[test]
fn shipped_protocols_are_sound_and_their_site_files_ask_to_be_filled_in() {
    for shipped in protocol::shipped() {
        let text = |name: &str| shipped.files.iter().find(|(n, _)| *n == name).expect(name).1;
        let (protocol, found) = read(text("protocol.toml")).map_err(|found| report(&found)).unwrap();
        // A screen of seven factors in eight runs shares its estimates, and is warned of it.
        let warnings = found.iter().filter(|d| d.severity == Severity::Warning);
        let shares = |d: &wellrun::diagnostic::Diagnostic| d.code == "P092" && shipped.name == "ruggedness-screen";
        assert!(warnings.into_iter().all(shares), "{}", report(&found));
        assert_eq!(
            (protocol.study.id.as_str(), protocol.study.title.as_str()),
            (shipped.name, shipped.title)
        );
        assert!(!text("README.md").is_empty());
        let site = protocol::read_site(&Source::new("site.toml", text("site.toml")), &protocol, None);
        let found = site.expect_err("a template");
        assert!(found.iter().all(|d| d.code == "S012"), "{}", report(&found));
        assert_eq!(
            found.count(Severity::Error),
            text("site.toml").matches("\"FILL IN\"").count()
        );
    }
}

#[test]
fn the_roller_study_has_96_runs() {
    let shipped = protocol::shipped()
        .iter()
        .find(|shipped| shipped.name == "roller-reading-spread");
    let (protocol, _) = read(shipped.unwrap().files[0].1).unwrap();
    let counts: Vec<usize> = protocol.units.iter().map(|unit| unit.count).collect();
    assert_eq!(counts, [4, 6, 4]);
    assert_eq!(protocol.units[2].within, [0, 1]);
}

/// Class: own earlier output. How a list of errors looks to people.
#[test]
fn a_report_of_several_errors_reads_well() {
    let (text, _) = edited(
        PROTOCOL,
        &[
            ("version = \"1\"", "version = 1.0"),
            ("reading_time = \"1 s\"\n", ""),
            ("expected = [45, 70]", "expected = [45, 170]"),
            ("within = \"session\"", "within = \"sesion\""),
            ("unit = \"%\"", "unit = \"%\"\nmeasured = \"session\""),
            (
                "[\"temperature\", \"instrument\"]]",
                "[\"temperature\", \"instrumnet\"]]",
            ),
        ],
    );
    insta::assert_snapshot!(report(&read(&text).unwrap_err()));
}

proptest! {
    /// Reading is total: whatever is cut out of, or put into, the shipped files, the reader answers.
    #[test]
    fn reading_never_panics(
        edits in prop::collection::vec((any::<prop::sample::Index>(), 0_usize..40, "[\\[\\]{}=\"'.,#a-z0-9 \n\u{e9}\u{20ac}\u{0}-]{0,6}"), 1..6),
    ) {
        let protocol = sound();
        for text in [protocol::shipped()[0].files[0].1, protocol::shipped()[0].files[1].1, PROTOCOL, SITE] {
            let mut chars: Vec<char> = text.chars().collect();
            for (at, length, new) in &edits {
                let start = at.index(chars.len().max(1)).min(chars.len());
                let end = (start + length).min(chars.len());
                chars.splice(start..end, new.chars());
            }
            let text: String = chars.into_iter().collect();
            let source = Source::new("x.toml", text);
            let found = [
                protocol::read(&source).err(),
                protocol::read_site(&source, &protocol, Some(date(2026, 3, 1))).err(),
            ];
            for found in found.into_iter().flatten() {
                prop_assert!(found.has_errors());
                for diagnostic in &found {
                    prop_assert!(diagnostic.position().is_some());
                    prop_assert!(!diagnostic.render(false).is_empty());
                }
            }
        }
    }

    /// Any text at all.
    #[test]
    fn any_text_is_answered(text in "\\PC{0,200}") {
        let source = Source::new("x.toml", text);
        let _ = protocol::read(&source);
        let _ = protocol::read_site(&source, &sound(), None);
    }

    /// A number in a protocol is read as it was written.
    #[test]
    fn decimals_are_exact(whole in 0_i64..1_000_000_000, part in 0_u32..1_000_000) {
        let written = format!("{whole}.{part:06}");
        let (text, _) = edited(PROTOCOL, &[("relevant = 0.5", &format!("relevant = {written}"))]);
        if let Ok((protocol, _)) = read(&text) {
            prop_assert_eq!(protocol.responses[0].relevant.unwrap().to_string(), written);
        } else {
            prop_assert_eq!(written, "0.000000");
        }
    }
}

/// Without a list, the planned effects that mean the same at every site are to be repeated; `common` takes a factor out of the
/// local ones.
#[test]
fn what_is_to_be_repeated_follows_from_what_is_local() {
    let with = |more: &str| {
        let text = PROTOCOL.replace(
            "[analysis]",
            &format!("[replication]\ncriteria = [\"same sign\", \"same verdict\"]\n{more}\n[analysis]"),
        );
        read(&text).unwrap().0
    };
    let protocol = with("");
    assert_eq!(protocol.replication.effects, [vec![0]]);
    assert_eq!((protocol.is_local(0), protocol.is_local(1)), (false, true));
    let protocol = with("common = [\"instrument\"]\n");
    assert_eq!(protocol.replication.effects, [vec![0], vec![0, 1]]);
    assert!(!protocol.is_local(1));
    assert!(read(PROTOCOL).unwrap().0.replication.criteria.is_empty());
}
