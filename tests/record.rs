//! Sheets as people fill them, journals as they may come back.
//!
//! Expected codes and places are counted by hand in the text beside them; hashes are those of `sha256sum`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // helpers of tests

use proptest::prelude::*;
use rust_decimal::Decimal;
use wellrun::diagnostic::{Diagnostics, Severity, Source};
use wellrun::plan::{Plan, PlanHeader, PlannedRun};
use wellrun::protocol::{
    AnalysisPlan, Comparisons, Condition, Design, Factor, Order, PartOf, Procedure, Protocol, Response, Statistic,
    Study, StudyKind, Treatments, Unit,
};
use wellrun::record::{self, Context, Entry, Record, Trace};

type Found<'a> = &'a [(&'a str, usize, usize)];

const AT: &str = "2026-03-02T10:15:00+01:00";

fn unit(name: &str, count: usize, within: &[usize]) -> Unit {
    Unit {
        name: name.into(),
        count,
        within: within.to_vec(),
        part_of: PartOf::Method,
        set_up: Vec::new(),
        set_up_minutes: 0.0,
    }
}

fn factor(name: &str, set_on: usize, levels: &[&str], numeric: bool, unit: &str) -> Factor {
    Factor {
        name: name.into(),
        set_on,
        levels: levels.iter().map(|level| (*level).into()).collect(),
        numbers: numeric.then(|| levels.iter().map(|level| level.parse().unwrap()).collect()),
        unit: unit.into(),
        part_of: PartOf::Method,
        named_by_site: false,
        random: false,
        carries_over: false,
        carries_within: None,
        compare_with: None,
        how: String::new(),
        centre: None,
    }
}

fn hardness(readings: usize) -> Response {
    Response {
        name: "hardness".into(),
        measurand: "Shore D hardness of the running surface".into(),
        unit: "Shore D".into(),
        resolution: Decimal::new(1, 1),
        possible: Some((Decimal::ZERO, Decimal::ONE_HUNDRED)),
        expected: Some((Decimal::from(45), Decimal::from(80))),
        readings,
        reading_time: "1 s after firm contact".into(),
        result: Statistic::Mean,
        round_to: None,
        limit: None,
        tolerance: None,
        relevant: None,
    }
}

fn protocol(units: Vec<Unit>, factors: Vec<Factor>, readings: usize, order: Order) -> Protocol {
    Protocol {
        study: Study {
            id: "t".into(),
            version: "1".into(),
            title: "t".into(),
            question: "q".into(),
            kind: StudyKind::VarianceInvestigation,
            method: "m".into(),
            source: String::new(),
        },
        responses: vec![hardness(readings)],
        units,
        factors,
        conditions: Vec::new(),
        design: Design {
            set: None,
            budget: None,
            treatments: Treatments::FullFactorial,
            replicates: 1,
            order,
        },
        analysis: AnalysisPlan {
            planned: Vec::new(),
            interactions: 1,
            confidence: 0.95,
            model: wellrun::protocol::ModelPlan::default(),
            comparisons: Comparisons::Together,
        },
        assumed: Vec::new(),
        precision: None,
        measurement_system: None,
        references: Vec::new(),
        measurement: wellrun::protocol::Measurement::default(),
        replication: wellrun::protocol::Replication::default(),
        procedure: Procedure::default(),
        bench: wellrun::protocol::Bench::default(),
        sha256: "0".repeat(64),
        drawn_as: String::new(),
    }
}

fn plan(runs: Vec<PlannedRun>) -> Plan {
    Plan {
        header: PlanHeader {
            wellrun_plan: 1,
            study: "t".into(),
            version: "1".into(),
            protocol_sha256: "0".repeat(64),
            site: String::new(),
            site_sha256: String::new(),
            seed: "1".into(),
            algorithm: String::new(),
            tool: String::new(),
            frozen_at: String::new(),
            plan_sha256: String::new(),
            runs: runs.len(),
            tries: None,
            carry_over_spread: None,
            key_sha256: None,
            positions_sha256: None,
            rehearsal: false,
        },
        runs,
    }
}

struct Bench {
    protocol: Protocol,
    plan: Option<Plan>,
    people: Vec<String>,
}

impl Bench {
    /// Four runs, nothing varied, two readings.
    fn plain() -> Self {
        let runs = (1..=4).map(|run| PlannedRun {
            run,
            units: vec![run],
            levels: Vec::new(),
        });
        Self {
            plan: Some(plan(runs.collect())),
            protocol: protocol(vec![unit("run", 4, &[])], Vec::new(), 2, Order::Randomized),
            people: vec!["AB".into(), "CD".into()],
        }
    }

    /// Two sessions (temperature, core probe once a session) by two rollers by two instruments.
    fn crossed() -> Self {
        let units = vec![unit("session", 2, &[]), unit("roller", 2, &[]), unit("run", 2, &[0, 1])];
        let factors = vec![
            factor("temperature", 0, &["21", "25"], true, "°C"),
            factor("instrument", 2, &["A", "B"], false, ""),
        ];
        let mut protocol = protocol(units, factors, 1, Order::Randomized);
        protocol.conditions.push(Condition {
            name: "core".into(),
            unit: "°C".into(),
            measured_on: 0,
            possible: Some((Decimal::from(10), Decimal::from(45))),
            expected: Some((Decimal::from(20), Decimal::from(26))),
            follows: None,
        });
        let runs = (0..8_usize).map(|i| PlannedRun {
            run: i + 1,
            units: vec![i / 4 + 1, i / 2 % 2 + 1, i % 2 + 1],
            levels: vec![i / 4, i % 2],
        });
        Self {
            plan: Some(plan(runs.collect())),
            protocol,
            people: Vec::new(),
        }
    }

    /// Readings that exist already: batches, a numeric and a named factor.
    fn as_run() -> Self {
        let units = vec![unit("batch", 0, &[]), unit("run", 0, &[0])];
        let factors = vec![
            factor("temperature", 0, &["21", "25.5"], true, "°C"),
            factor("finish", 1, &["turned", "waxed"], false, ""),
        ];
        Self {
            protocol: protocol(units, factors, 1, Order::AsRun),
            plan: None,
            people: Vec::new(),
        }
    }

    fn context(&self) -> Context<'_> {
        Context {
            protocol: &self.protocol,
            plan: self.plan.as_ref(),
            people: &self.people,
        }
    }

    fn import(
        &self,
        text: &str,
        record: &Record,
        reason: Option<&str>,
    ) -> Result<(Vec<Entry>, Diagnostics), Diagnostics> {
        record::import(&Source::new("in/sheet.csv", text), &self.context(), record, reason)
    }

    fn replay(&self, journal: &str) -> Result<Record, Diagnostics> {
        record::replay(&Source::new("record.jsonl", journal), &self.context())
    }

    /// Takes sheets in one after another; gives back the journal and the record.
    fn after(&self, sheets: &[(&str, Option<&str>)]) -> (String, Record) {
        let mut journal = String::new();
        let mut record = Record::default();
        for (text, reason) in sheets {
            let (entries, _) = self
                .import(text, &record, *reason)
                .unwrap_or_else(|d| panic!("{}", show(&d)));
            journal.push_str(&record::append_lines(&entries, &record.head, record.entries + 1, AT));
            record = self.replay(&journal).unwrap_or_else(|d| panic!("{}", show(&d)));
        }
        (journal, record)
    }

    /// Takes one sheet in after others, and compares what is said: code, line, column, in the order of the text.
    fn check(
        &self,
        before: &[(&str, Option<&str>)],
        text: &str,
        reason: Option<&str>,
        expected: &[(&str, usize, usize)],
    ) {
        let (_, record) = self.after(before);
        let outcome = self.import(text, &record, reason);
        let said = match &outcome {
            Ok((_, said)) | Err(said) => said,
        };
        let found: Vec<(&str, usize, usize)> = said
            .iter()
            .map(|d| {
                let (file, line, column) = d.position().expect("every finding has a place");
                assert_eq!(file, "in/sheet.csv");
                assert!(record::meaning(d.code).is_some(), "{} has no meaning", d.code);
                (d.code, line, column)
            })
            .collect();
        assert_eq!(found, expected, "\n{text}\n{}", show(said));
        assert_eq!(outcome.is_err(), said.has_errors());
    }
}

fn show(diagnostics: &Diagnostics) -> String {
    diagnostics.iter().map(|d| d.render(false) + "\n").collect()
}

const GOOD: &str = "run,hardness 1,hardness 2\n1,74.1,74.2\n2,73.0,73.1\n";

/// One cell in the place of a reading, comma-separated with a quote round it: line 2, column 4.
#[test]
fn cells_that_are_no_reading_are_refused_in_their_place() {
    let bench = Bench::plain();
    for (cell, code) in [
        ("1,234.5", "R041"),
        ("1.234,5", "R041"),
        ("1 234", "R041"),
        ("1'234.5", "R041"),
        ("12,345,678", "R041"),
        ("7.4e1", "R042"),
        ("7,4E+01", "R042"),
        ("NaN", "R043"),
        ("inf", "R043"),
        ("#DIV/0!", "R043"),
        ("#REF!", "R043"),
        ("12. Jan", "R044"),
        ("Jan 55", "R044"),
        ("55-Mar", "R044"),
        ("55-03-01", "R044"),
        ("2026-03-01", "R044"),
        ("2026-03-01T00:00", "R044"),
        ("01.03.2026", "R044"),
        ("1/2", "R044"),
        ("1/2/26", "R044"),
        ("Mrz 74", "R044"),
        ("12:30", "R044"),
        ("12:30 PM", "R044"),
        ("1234567890123456789", "R045"),
        ("74.1234567890", "R045"),
        ("74.1 Shore D", "R040"),
        ("74.1?", "R040"),
        ("ca. 74", "R040"),
        ("74.", "R040"),
        ("74,", "R040"),
        ("O.5", "R040"),
        ("l4.1x", "R040"),
        ("--5", "R040"),
        ("-", "none"),
        ("high", "R040"),
        ("missing", "R040"),
        ("=A1+B1", "R009"),
        ("@SUM(A1)", "R009"),
        ("100.1", "R046"),
        ("-0.1", "R046"),
        ("\u{2212}5", "R046"),
        ("741", "R046"),
        ("7.4", "R047"),
        ("44.9", "R047"),
        ("74.15", "R048"),
        ("74.100", "none"),
        ("74", "none"),
        ("+74.1", "none"),
        ("\u{a0}74.1 ", "none"),
        ("\u{202f}74,1", "none"),
        ("074.1", "none"),
        ("Not  Done", "none"),
        ("LOST", "none"),
        ("void", "none"),
        ("–", "none"),
    ] {
        let text = format!("run,hardness 1,hardness 2\n1,\"{cell}\",74.3\n");
        let lead = cell.chars().take_while(|c| c.is_whitespace()).count();
        let mut expected = vec![(code, 2, 4 + lead)];
        expected.retain(|(code, _, _)| *code != "none");
        if cell.contains(',') && code == "none" {
            expected.push(("R049", 2, 4 + lead)); // the comma stands beside a point
        }
        bench.check(&[], &text, None, &expected);
    }
}

/// Whole sheets as spreadsheets write them, and as people break them.
#[test]
fn sheets_are_read_or_refused_with_every_place() {
    let bench = Bench::plain();
    let rows: &[(&str, Found<'_>)] = &[
        (GOOD, &[]),
        ("\u{feff}run,hardness 1,hardness 2\r\n1,74.1,74.2\r\n", &[]),
        ("run;hardness 1;hardness 2\n1;74,1;74,2\n", &[]),
        ("run\thardness 1\thardness 2\n1\t74,1\t74,2\n", &[]),
        ("sep=;\nrun;hardness 1;hardness 2\n1;74,1;74,2\n", &[]),
        ("sep=;\r\nRUN;Hardness 1;HARDNESS  2\r\n1;74,1;74,2", &[]),
        ("\n\nrun,hardness_1,hardness2,,\n\n1,74.1,74.2,,\n,,,,\n", &[]),
        ("run,hardness 1 (Shore D),hardness 2 [Shore D]\n1,74.1,74.2\n", &[]),
        ("\"run\",\"hardness 1\",\"hardness 2\"\n\"1\",\"74,1\",\"74,2\"\n", &[]),
        ("run,hardness 1,hardness 2\n1.0,74.1,74.2\n", &[]),
        ("run,hardness 1,hardness 2\n1,,\n", &[]),
        ("run,hardness 1,hardness 2\n1,\" 74.1 \",\t74.2\n", &[]),
        ("", &[("R002", 1, 1)]),
        ("\n \n;;\n", &[("R002", 1, 1)]),
        ("run,hardness 1,hardness 2\n", &[("R019", 1, 1)]),
        (
            "run,hardness 1,hardness 2\n1,74.1,\"74.2\n2,73.0,73.1\n",
            &[("R003", 2, 8)],
        ),
        ("run,hardness 1,hardness 2\n1,\"74.1\"x,74.2\n", &[("R004", 2, 9)]),
        ("run,hardness 1,hardness 2\n1,74.1\n", &[("R005", 2, 7)]),
        ("run,hardness 1,hardness 2\n1,74,1,74,2\n", &[("R006", 2, 8)]),
        (
            "run,hardness 1,hardness 2,hardness 1\n1,74.1,74.2,74.1\n",
            &[("R011", 1, 27)],
        ),
        (
            "run,hardnes 1,hardness 2\n1,74.1,74.2\n",
            &[("R018", 1, 1), ("R012", 1, 5)],
        ),
        (
            "run,hardness 1,hardness 2,colour\n1,74.1,74.2,red\n",
            &[("R013", 1, 27)],
        ),
        ("hardness 1,hardness 2\n74.1,74.2\n", &[("R014", 1, 1)]),
        (
            "run,hardness 1,hardness 2,hardness 3\n1,74.1,74.2,7\n",
            &[("R015", 1, 27)],
        ),
        ("run,hardness\n1,74.1\n", &[("R016", 1, 1), ("R015", 1, 5)]),
        ("run,colour\n1,red\n", &[("R016", 1, 1), ("R013", 1, 5)]),
        ("run,hardness 1\n1,74.1\n", &[("R018", 1, 1)]),
        ("run,hardness 1,hardness 2\n,74.1,74.2\n", &[("R020", 2, 1)]),
        ("run,hardness 1,hardness 2\none,74.1,74.2\n", &[("R020", 2, 1)]),
        ("run,hardness 1,hardness 2\n1.5,74.1,74.2\n", &[("R020", 2, 1)]),
        (
            "run,hardness 1,hardness 2\n5,74.1,74.2\n0,74.1,74.2\n",
            &[("R021", 2, 1), ("R021", 3, 1)],
        ),
        (
            "run,hardness 1,hardness 2\n1,74.1,74.2\n1,74.1,74.2\n",
            &[("R022", 3, 1)],
        ),
        // Commas and points in one file: the rarer one is questioned where it first stands.
        (
            "run;hardness 1;hardness 2\n1;74,1;74.2\n2;74,3;74.4\n3;74,3;\n",
            &[("R049", 2, 8)],
        ),
        // A mark that may separate thousands is refused where the file does not show what it means.
        (
            "run;hardness 1;hardness 2\n1;74,1;1.234\n",
            &[("R041", 2, 8), ("R047", 2, 8), ("R048", 2, 8)],
        ),
        ("run,hardness 1,hardness 2\n1,\"74,100\",\n", &[("R041", 2, 4)]),
        ("run,hardness 1,hardness 2\n1,\"74,100\",\"74,1\"\n", &[]),
        ("run;hardness 1;hardness 2\n1;74.100;74.1\n", &[]),
        ("run;hardness 1;hardness 2\n1;74,100;74,2\n", &[]),
        (
            "run,hardness 1,hardness 2,order\n1,74.1,74.2,0\n2,74.1,74.2,5\n3,,,first\n",
            &[("R051", 2, 13), ("R051", 3, 13), ("R051", 4, 5)],
        ),
        (
            "run,hardness 1,hardness 2,order\n1,74.1,74.2,2\n2,74.1,74.2,2\n",
            &[("R052", 2, 13), ("R052", 3, 13)],
        ),
        (
            "run,hardness 1,hardness 2,initials\n1,74.1,74.2,EF\n2,,,AB\n",
            &[("R050", 2, 13)],
        ),
        (
            "run,hardness 1,hardness 2,remark\n1,74.1,74.2,=HYPERLINK(1)\n",
            &[("R009", 2, 13)],
        ),
        (
            "run,hardness 1,hardness 2,remark\n1,74.1,74.2,-2+3+cmd|' /C calc'!A0\n",
            &[("R009", 2, 13)],
        ),
        (
            "run,hardness 1,hardness 2,remark\n1,74.1,74.2,\"hole hit, moved\n6 mm \"\"on\"\"\"\n",
            &[],
        ),
        (
            "run,hardness 1,hardness 2,remark\n1,74.1,74.2,a\u{7}b\n",
            &[("R010", 2, 13)],
        ),
        (
            "run,hardness 1,hardness 2,remark\n1,74.1,74.2,a\u{202e}b\n",
            &[("R010", 2, 13)],
        ),
        (
            "run,hardness 1,hardness 2,time,remark\n1,74.1,74.2,09:05,- 2 mm off\n",
            &[],
        ),
        // Everything at once.
        (
            "run,hardness 1,hardness 2\n9,1/2,x\n1,12. Jan,741\n2,=1,74.2\n",
            &[("R021", 2, 1), ("R044", 3, 3), ("R046", 3, 11), ("R009", 4, 3)],
        ),
        // One row a reading.
        (
            "run,response,reading,value\n1,hardness,1,74.1\n1,hardness,2,74.2\n",
            &[],
        ),
        ("run;Response;Reading;Value\n1;Hardness;1;74,1\n", &[]),
        (
            "run,response,reading,value\n1,hardnes,1,74.1\n1,colour,1,2\n",
            &[("R028", 2, 3), ("R028", 3, 3)],
        ),
        (
            "run,response,reading,value\n1,hardness,3,74.1\n1,hardness,,74.1\n",
            &[("R029", 2, 12), ("R029", 3, 12)],
        ),
        (
            "run,response,reading,value\n1,hardness,1,74.1\n1,hardness,1,74.1\n",
            &[("R030", 3, 14)],
        ),
        ("run,response,value\n1,hardness,74.1\n", &[("R014", 1, 1)]),
        (
            "run,response,reading,value,initials\n1,hardness,1,74.1,AB\n1,hardness,2,74.1,CD\n",
            &[("R031", 3, 19)],
        ),
    ];
    for (text, expected) in rows {
        bench.check(&[], text, None, expected);
    }
}

/// Units and levels are held against the plan; a unit may carry a label in place of its number.
#[test]
fn shifted_rows_are_noticed() {
    let bench = Bench::crossed();
    let head = "run,session,roller,temperature,instrument,core,hardness\n";
    let rows: &[(&str, Found<'_>)] = &[
        ("1,1,1,21,A,21.0,74.1\n2,1,1,21,B,,74.2\n3,1,2,21,A,,73.9\n", &[]),
        ("5,2,1,25,A,25,74.1\n6,2,1,25 °C,b,,74.2\n7,2,2,25.0,A,,74\n", &[]),
        ("1,1,1,21,B,21.0,74.1\n", &[("R024", 2, 10)]),
        ("1,1,1,25,A,21.0,74.1\n", &[("R024", 2, 7)]),
        ("1,2,1,21,A,21.0,74.1\n", &[("R023", 2, 3)]),
        (
            "3,1,1,21,A,21,74.1\n4,1,2,21,A,,74.2\n",
            &[("R023", 2, 5), ("R024", 3, 10)],
        ),
        (
            "1,1,R-7,21,A,21,74.1\n2,1,R-7,21,B,,74.2\n3,1,R-9,21,A,,74.2\n5,2,R-7,25,A,25,74.1\n",
            &[],
        ),
        ("1,1,R-7,21,A,21,74.1\n2,1,R-9,21,B,,74.2\n", &[("R023", 3, 5)]),
        ("1,1,R-7,21,A,21,74.1\n3,1,R-7,21,A,,74.2\n", &[("R023", 3, 5)]),
        ("1,1,=A1,21,A,21,74.1\n", &[("R009", 2, 5)]),
        // The probe is read once a session: run 2 differs from run 1 of the same session, run 5 may.
        (
            "1,1,1,21,A,21.0,74.1\n2,1,1,21,B,21.4,74.2\n5,2,1,25,A,25.1,74.1\n",
            &[("R053", 3, 12)],
        ),
        ("1,1,1,21,A,19,74.1\n", &[("R047", 2, 12)]),
        ("1,1,1,21,A,9.9,74.1\n", &[("R046", 2, 12)]),
        ("1,1,1,21,A,void,-\n", &[]),
        ("1,1,1,21,A,21 °C,74.1\n", &[("R040", 2, 12)]),
    ];
    for (rows, expected) in rows {
        bench.check(&[], &format!("{head}{rows}"), None, expected);
    }
    bench.check(&[], "run,core,hardness\n1,21,74.1\n", None, &[("R017", 1, 1)]);
    let unplanned = Bench {
        plan: None,
        ..Bench::crossed()
    };
    unplanned.check(&[], GOOD, None, &[("R027", 1, 1)]);
}

/// Readings that exist already carry their units and levels themselves.
#[test]
fn an_as_run_table_declares_its_runs() {
    let bench = Bench::as_run();
    let head = "batch,temperature,finish,hardness\n";
    let rows: &[(&str, Found<'_>)] = &[
        ("I,21,turned,74.1\nII,25.50,Waxed,73\n", &[]),
        ("I,22,turned,74.1\n", &[("R025", 2, 3)]),
        ("I,21,turnd,74.1\n", &[("R025", 2, 6)]),
        ("I,,turned,74.1\n", &[("R025", 2, 3)]),
        (",21,turned,74.1\n", &[("R026", 2, 1)]),
        ("=I,21,turned,74.1\n", &[("R009", 2, 1)]),
        ("\"I\u{1}I\",21,turned,74.1\n", &[("R010", 2, 2)]),
    ];
    for (rows, expected) in rows {
        bench.check(&[], &format!("{head}{rows}"), None, expected);
    }
    bench.check(&[], "batch,finish,hardness\nI,turned,7\n", None, &[("R014", 1, 1)]);
    let sheet = format!("{head} Batch 1 ,21,turned,\"74,10\"\nBatch 2,25.50 °C,WAXED,\"73,0\"\n\n");
    let (journal, record) = bench.after(&[(&sheet, None), (&sheet, None)]);
    assert_eq!(record.entries, 5, "taken, two runs, two readings:\n{journal}");
    let second = &record.runs[&2];
    assert_eq!(second.units, ["Batch 2", "2"]);
    assert_eq!(second.levels, [1, 1]);
    let first = record.runs[&1].readings[0][0].as_ref().unwrap();
    assert_eq!(
        (first.text.as_str(), first.value.to_string().as_str()),
        ("74,10", "74.10")
    );
    // A label that is put right is a correction like any other.
    let changed = sheet.replace("Batch 2", "Batch 3");
    bench.check(&[(&sheet, None)], &changed, None, &[("R060", 3, 1)]);
    let (_, record) = bench.after(&[(&sheet, None), (&changed, Some("label misread"))]);
    assert_eq!(record.runs[&2].units, ["Batch 3", "2"]);
    assert_eq!(record.corrections[0].what, "batch");
    // One row a reading: the rows of a run must agree.
    let long = "run,batch,temperature,finish,response,reading,value\n";
    bench.check(&[], &format!("{long}1,I,21,turned,hardness,1,74.1\n"), None, &[]);
    let two = format!("{long}1,I,21,turned,hardness,1,74.1\n1,II,21,turned,hardness,1,74.1\n");
    bench.check(&[], &two, None, &[("R031", 3, 1)]);
}

/// What is recorded is never overwritten and never deleted.
#[test]
fn a_changed_value_is_a_correction_and_wants_a_reason() {
    let bench = Bench::plain();
    let changed = "run,hardness 1,hardness 2\n1,74.7,\n2,73.00,72.1\n";
    let before = [(GOOD, None)];
    bench.check(&before, GOOD, None, &[]);
    bench.check(&before, changed, None, &[("R060", 2, 3), ("R060", 3, 9)]);
    for reason in ["", " ", "looks wrong", "Wrong.", "x", "=1+1", "a\u{7}b"] {
        bench.check(&before, changed, Some(reason), &[("R061", 2, 3)]);
    }
    let (journal, record) = bench.after(&[(GOOD, None), (changed, Some("  mis-typed\n")), (changed, None)]);
    let said: Vec<String> = record
        .corrections
        .iter()
        .map(|c| format!("{} {}: {} to {}, {}", c.run, c.what, c.from, c.to, c.reason))
        .collect();
    assert_eq!(
        said,
        [
            "1 hardness 1: 74.1 to 74.7, mis-typed",
            "2 hardness 2: 73.1 to 72.1, mis-typed"
        ]
    );
    // 1 file and 4 readings, then 1 file and 2 corrections; 73.00 is 73.0, and the emptied cell keeps 74.2.
    assert_eq!(journal.lines().count(), 8);
    assert_eq!(record.files.iter().map(|file| file.added).collect::<Vec<_>>(), [4, 2]);
    let run = &record.runs[&1].readings[0];
    assert_eq!(run[0].as_ref().unwrap().text, "74.7");
    assert_eq!(run[1].as_ref().unwrap().text, "74.2");
    assert_eq!(record.runs[&2].readings[0][0].as_ref().unwrap().text, "73.0");
    // sha256sum of the three lines of GOOD
    assert_eq!(
        record.files[0].sha256,
        "12d4b3c09fbdea176d973bfd2283275822862c5574d302cf901389a2e7ef6998"
    );
    assert_eq!(record.files[0].name, "sheet.csv");
}

/// A missing value keeps its reason; a lost one comes back only with one.
#[test]
fn missing_values_keep_their_reason() {
    let bench = Bench::plain();
    let sheet = "run,hardness 1,hardness 2,order,time\n1,not done,Lost,2,09:05\n2,74.1,-,1,09:15\n";
    let before = [(sheet, None)];
    bench.check(&before, sheet, None, &[]);
    let (_, record) = bench.after(&before);
    let said: Vec<String> = record
        .missing
        .iter()
        .map(|m| format!("{} {}: {}", m.run, m.what, m.reason))
        .collect();
    assert_eq!(
        said,
        ["1 hardness 1: not done", "1 hardness 2: lost", "2 hardness 2: -"]
    );
    assert_eq!(record.runs[&1].readings[0], [None, None]);
    let later = "run,hardness 1,hardness 2\n1,74.3,74.2\n2,void,74.0\n";
    bench.check(&before, later, None, &[("R060", 2, 8), ("R060", 3, 3)]);
    let (_, record) = bench.after(&[(sheet, None), (later, Some("found in the notebook"))]);
    assert_eq!(record.corrections.len(), 2, "lost to 74.2, and 74.1 to void");
    assert_eq!(record.missing.len(), 1);
    assert_eq!((record.missing[0].run, record.missing[0].reason.as_str()), (2, "void"));

    let status = record::status(&bench.protocol, bench.plan.as_ref(), &record);
    assert_eq!((status.planned, status.complete), (4, 1));
    assert_eq!((status.incomplete, status.untouched), (vec![2], vec![3, 4]));
    assert_eq!(status.next_run, Some(3), "a void reading does not come back by itself");
    assert_eq!(status.missing[0].reason.as_deref(), Some("void"));
    let order = &status.out_of_order;
    assert_eq!(
        (order.len(), order[0].run, order[0].position, order[0].after),
        (1, 1, 2, 2)
    );
}

/// Closed form. A condition of a session stands once for its four runs, in whichever of them it was written; where it is in
/// none, it is missing once.
#[test]
fn a_condition_of_a_wider_unit_is_asked_for_once() {
    let bench = Bench::crossed();
    let mut sheet = String::from("run,core,hardness 1\n");
    for run in 1..=8 {
        let core = if run == 3 { "23" } else { "" };
        sheet += &[&run.to_string(), core, "74.1\n"].join(",");
    }
    let (_, record) = bench.after(&[(&sheet, None)]);
    let status = record::status(&bench.protocol, bench.plan.as_ref(), &record);
    let missing: Vec<(usize, &str)> = status.missing.iter().map(|m| (m.run, m.what.as_str())).collect();
    assert_eq!(missing, [(5, "core")]);
    let (_, record) = bench.after(&[(&sheet.replace("7,,", "7,not done,"), None)]);
    let status = record::status(&bench.protocol, bench.plan.as_ref(), &record);
    let missing: Vec<(usize, Option<&str>)> = status.missing.iter().map(|m| (m.run, m.reason.as_deref())).collect();
    assert_eq!(missing, [(7, Some("not done"))]);
}

/// Doubts are found again whenever the journal is read.
#[test]
fn questioned_values_are_derived_again() {
    let bench = Bench::plain();
    let sheet = "run,hardness 1,hardness 2,initials\n1,7.41,74.15,XY\n";
    let (_, record) = bench.after(&[(sheet, None)]);
    let said: Vec<String> = record
        .questioned
        .iter()
        .map(|q| format!("{} {} {}: {}", q.run, q.what, q.text, q.why))
        .collect();
    assert_eq!(
        said,
        [
            "1 hardness 1 7.41: 45 to 80 Shore D is expected",
            "1 hardness 1 7.41: the display steps by 0.1 Shore D",
            "1 hardness 2 74.15: the display steps by 0.1 Shore D",
            "1 initials XY: the site's people are AB, CD",
        ]
    );
    let (_, warnings) = bench.import(sheet, &Record::default(), None).unwrap();
    let help = warnings.iter().find_map(|d| d.help.clone());
    assert_eq!(
        help.as_deref(),
        Some("is the decimal mark in its place? 74.1 would fit")
    );
}

/// More than a thousand faults are counted, not listed.
#[test]
fn a_flood_of_faults_is_counted() {
    use std::fmt::Write as _;
    let bench = Bench::plain();
    let mut text = String::from("run,hardness 1,hardness 2\n");
    for _ in 0..3000 {
        writeln!(text, "1,x,y").unwrap();
    }
    let faults = bench.import(&text, &Record::default(), None).unwrap_err();
    // Two cells of the first row, 2999 rows that repeat it.
    assert_eq!(faults.count(Severity::Error), 1001);
    let last = faults.iter().last().unwrap();
    assert_eq!((last.code, last.message.as_str()), ("R099", "and 2001 more errors"));
}

#[test]
fn bytes_of_every_encoding_are_told_apart() {
    let utf16 = |text: &str, little: bool| -> Vec<u8> {
        let join = |unit: u16| if little { unit.to_le_bytes() } else { unit.to_be_bytes() };
        text.encode_utf16().flat_map(join).collect()
    };
    let text = "run;größe\r\n1;74,1 °C\r\n";
    for bytes in [
        text.as_bytes().to_vec(),
        utf16(text, true),
        utf16(text, false),
        utf16(&format!("\u{feff}{text}"), true),
        utf16(&format!("\u{feff}{text}"), false),
    ] {
        assert_eq!(record::decode_text(&bytes).as_deref(), Ok(text));
    }
    assert_eq!(record::decode_text("\u{feff}a".as_bytes()).as_deref(), Ok("\u{feff}a"));
    assert_eq!(record::decode_text(b"a\rb\r").as_deref(), Ok("a\nb\n"));
    for (bytes, word) in [
        (b"run\n21 \xb0C".as_slice(), "line 2 is not UTF-8"),
        (b"PK\x03\x04....", "spreadsheet"),
        (b"%PDF-1.7", "PDF"),
        (b"\xff\xfea", "UTF-16"),
        (b"\xff\xfe\x00\xd8a\x00", "UTF-16"),
        (b"abc\0def", "zero bytes"),
    ] {
        let why = record::decode_text(bytes).unwrap_err();
        assert!(why.contains(word), "{why}");
        let faults = record::decode("a.csv", bytes).unwrap_err();
        assert_eq!(faults.iter().next().unwrap().code, "R001");
    }
}

/// The line and its hash were written by hand and with `printf ... | sha256sum`.
#[test]
fn a_journal_line_is_as_documented() {
    let entries = [
        Entry::Reading {
            run: 3,
            response: "hardness".into(),
            reading: 2,
            text: "74,10".into(),
            trace: Trace::default(),
        },
        Entry::Deviation {
            run: None,
            what: "oven door open".into(),
            trace: Trace::default(),
        },
    ];
    let first = format!(
        r#"{{"n":1,"prev":"{}","at":"{AT}","kind":"reading","run":3,"response":"hardness","reading":2,"text":"74,10"}}"#,
        "0".repeat(64)
    );
    let second = format!(
        r#"{{"n":2,"prev":"af59cbb13869be51e965a72744bd023242a5113d89a2e8298f7a4955446934f9","at":"{AT}","kind":"deviation","what":"oven door open"}}"#
    );
    assert_eq!(
        record::append_lines(&entries, "", 1, AT),
        format!("{first}\n{second}\n")
    );
    assert_eq!(record::torn_tail("a\nb"), Some(2));
    assert_eq!((record::torn_tail("a\n"), record::torn_tail("")), (None, None));
}

/// Entries that the chain vouches for are checked all the same: anybody can write a chain.
#[test]
fn hostile_entries_are_refused_with_their_line() {
    let reading = |run, response: &str, reading, text: &str| Entry::Reading {
        run,
        response: response.into(),
        reading,
        text: text.into(),
        trace: Trace::default(),
    };
    let note = |what: &str, text: &str| Entry::Note {
        run: 1,
        what: what.into(),
        text: text.into(),
        trace: Trace::default(),
    };
    let correction = |what: &str, from: &str, to: &str, reason: &str| Entry::Correction {
        run: 1,
        what: what.into(),
        from: from.into(),
        to: to.into(),
        reason: reason.into(),
        trace: Trace::default(),
    };
    let taken = |file: &str, hash: &str| Entry::Taken {
        file: file.into(),
        sha256: hash.into(),
        added: 1,
        device: None,
        through: None,
        head: None,
    };
    let bench = Bench::plain();
    for (entry, code) in [
        (reading(5, "hardness", 1, "74.1"), "R075"),
        (reading(0, "hardness", 1, "74.1"), "R075"),
        (reading(1, "colour", 1, "74.1"), "R076"),
        (reading(1, "hardness", 3, "74.1"), "R076"),
        (reading(1, "hardness", 0, "74.1"), "R076"),
        (reading(1, "hardness", 1, "74.2"), "R077"),
        (reading(2, "hardness", 1, "x"), "R040"),
        (reading(2, "hardness", 1, "void"), "R079"),
        (reading(2, "hardness", 1, "101"), "R046"),
        (reading(2, "hardness", 1, " 74"), "R079"),
        (note("colour", "red"), "R076"),
        (note("hardness 1", "74.1"), "R076"),
        (note("order", "9"), "R079"),
        (note("remark", "=1+1"), "R009"),
        (note("remark", "a\u{7}"), "R010"),
        (correction("hardness 1", "74.2", "74.3", "slip"), "R078"),
        (correction("hardness 2", "", "74.3", "slip"), "R078"),
        (correction("hardness 1", "74.1", "74.3", ""), "R079"),
        (correction("run", "1", "2", "slip"), "R076"),
        (
            Entry::Missing {
                run: 2,
                what: "hardness 1".into(),
                reason: "tired".into(),
                why: None,
                trace: Trace::default(),
            },
            "R079",
        ),
        (
            Entry::Missing {
                run: 1,
                what: "hardness 1".into(),
                reason: "void".into(),
                why: None,
                trace: Trace::default(),
            },
            "R077",
        ),
        (
            Entry::Deviation {
                run: Some(9),
                what: "x".into(),
                trace: Trace::default(),
            },
            "R075",
        ),
        (
            Entry::Run {
                run: 1,
                units: [].into(),
                levels: [].into(),
            },
            "R075",
        ),
        (taken("../etc/passwd", &"0".repeat(64)), "R079"),
        (taken("a.csv", "1"), "R079"),
    ] {
        let entries = [reading(1, "hardness", 1, "74.1"), entry];
        let faults = bench.replay(&record::append_lines(&entries, "", 1, AT)).unwrap_err();
        let found: Vec<_> = faults.iter().map(|d| (d.code, d.position().map(|p| p.1))).collect();
        assert_eq!(found, [(code, Some(2))], "{}", show(&faults));
    }
    let bad_time = record::append_lines(&[reading(1, "hardness", 1, "74.1")], "", 1, "yesterday");
    assert_eq!(bench.replay(&bad_time).unwrap_err().iter().next().unwrap().code, "R079");
}

#[test]
fn a_journal_that_was_cut_moved_or_reformatted_is_refused() {
    let bench = Bench::plain();
    let (journal, record) = bench.after(&[(GOOD, None)]);
    assert_eq!(bench.replay(&journal).unwrap().head, record.head);
    let lines: Vec<&str> = journal.split_inclusive('\n').collect();
    let without_third: String = [&lines[..2], &lines[3..]].concat().concat();
    let swapped: String = [lines[0], lines[2], lines[1], lines[3], lines[4]].concat();
    for (text, expected) in [
        (without_third, vec![("R072", 3), ("R073", 3), ("R072", 4)]),
        (
            swapped,
            vec![("R072", 2), ("R073", 2), ("R072", 3), ("R073", 3), ("R073", 4)],
        ),
        (journal.replace("\"n\":2", "\"n\": 2"), vec![("R074", 2), ("R073", 3)]),
        (journal.trim_end().to_owned(), vec![("R070", 5)]),
        (format!("{journal}\n"), vec![("R071", 6)]),
        (format!("{journal}{{}}\n"), vec![("R071", 6)]),
        (
            journal.replace('\n', "\r\n"),
            vec![
                ("R074", 1),
                ("R073", 2),
                ("R074", 2),
                ("R073", 3),
                ("R074", 3),
                ("R073", 4),
                ("R074", 4),
                ("R073", 5),
                ("R074", 5),
            ],
        ),
    ] {
        let found: Vec<(&str, usize)> = match bench.replay(&text) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.iter().map(|d| (d.code, d.position().unwrap().1)).collect(),
        };
        assert_eq!(found, expected, "{text}");
    }
}

/// The table is read back by a CSV reader, and holds no formula.
#[test]
fn the_tidy_table_holds_every_reading_once() {
    let bench = Bench::crossed();
    let sheet = "run,core,hardness,order,initials,remark\n1,21.0,\"74,10\",,AB,\"- 2 mm, \"\"off\"\"\"\n6,,void,2,,\n";
    let (_, record) = bench.after(&[(sheet, None)]);
    let text = record::tidy(&bench.protocol, bench.plan.as_ref(), &record);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows: Vec<Vec<String>> = reader
        .records()
        .map(|row| row.unwrap().iter().map(str::to_owned).collect())
        .collect();
    assert_eq!(
        reader.headers().unwrap().iter().collect::<Vec<_>>().join(" "),
        "run position session roller temperature instrument core response reading value as_written missing time initials remark with"
    );
    assert_eq!(
        rows,
        [
            [
                "1",
                "1",
                "1",
                "1",
                "21",
                "A",
                "21.0",
                "hardness",
                "1",
                "74.10",
                "74,10",
                "",
                "",
                "AB",
                "'- 2 mm, \"off\"",
                ""
            ],
            [
                "6", "2", "2", "1", "25", "B", "", "hardness", "1", "", "", "void", "", "", "", ""
            ],
        ]
    );
}

#[test]
fn a_deviation_is_a_sentence_about_a_planned_run() {
    let bench = Bench::plain();
    let entry = record::deviation(Some(2), " oven door open ", &bench.context()).unwrap();
    let record = bench.replay(&record::append_lines(&[entry], "", 1, AT)).unwrap();
    assert_eq!(
        (record.deviations[0].run, record.deviations[0].what.as_str()),
        (Some(2), "oven door open")
    );
    for (run, what, code) in [
        (Some(5), "x", "R021"),
        (None, " ", "R010"),
        (None, "=1+1", "R010"),
        (None, "a\u{0}", "R010"),
    ] {
        assert_eq!(
            record::deviation(run, what, &bench.context())
                .unwrap_err()
                .iter()
                .next()
                .unwrap()
                .code,
            code
        );
    }
}

/// Every code that the sources give out has a meaning, and every meaning is given out somewhere.
#[test]
fn codes_and_meanings_match() {
    let sources = [
        include_str!("../src/cli/record.rs"),
        include_str!("../src/record/amend.rs"),
        include_str!("../src/record/close.rs"),
        include_str!("../src/record/conformance.rs"),
        include_str!("../src/record/decimal.rs"),
        include_str!("../src/record/doubts.rs"),
        include_str!("../src/record/gather.rs"),
        include_str!("../src/record/import.rs"),
        include_str!("../src/record/import_control.rs"),
        include_str!("../src/record/journal.rs"),
        include_str!("../src/record/layout.rs"),
        include_str!("../src/record/marks.rs"),
        include_str!("../src/record/control.rs"),
        include_str!("../src/record/patterns.rs"),
        include_str!("../src/record/results.rs"),
        include_str!("../src/record/replay.rs"),
        include_str!("../src/record/structure.rs"),
        include_str!("../src/record/table.rs"),
    ]
    .concat();
    for (code, _) in record::CODES {
        assert!(sources.contains(&format!("\"{code}\"")), "{code} is never given out");
    }
    for (at, _) in sources.match_indices("\"R0") {
        let code = &sources[at + 1..at + 5];
        assert!(record::meaning(code).is_some(), "{code} has no meaning");
    }
}

fn arbitrary_sheet() -> impl Strategy<Value = String> {
    let cell = prop_oneof![
        "[0-9]{1,3}([.,][0-9]{1,3})?",
        "[ -~äµ°\u{a0}\u{2212}]{0,12}",
        "\"[ -~\n\r]{0,12}\"?",
        Just("void".to_owned()),
        "[1-4]",
    ];
    let line = (
        prop::collection::vec(cell, 0..6),
        prop::sample::select(vec![",", ";", "\t"]),
    )
        .prop_map(|(cells, separator)| cells.join(separator));
    let head = prop::sample::select(vec![
        "run,hardness 1,hardness 2,order,remark",
        "run;hardness 1;hardness 2;time;initials",
        "run,response,reading,value",
        "batch,temperature,finish,hardness",
        "\u{feff}sep=\t\nrun\thardness 1",
        "",
    ]);
    let end = prop::sample::select(vec!["\n", "\r\n", "\r"]);
    (head, prop::collection::vec(line, 0..6), end).prop_map(|(head, lines, end)| {
        let mut text = head.to_owned();
        for line in lines {
            text.push_str(end);
            text.push_str(&line);
        }
        text
    })
}

/// Plain numbers on the display's grid, in some of the cells.
fn good_sheet() -> impl Strategy<Value = String> {
    let cell = prop_oneof![Just(None), (450_u32..800).prop_map(Some)];
    (prop::collection::vec((cell.clone(), cell), 4), any::<bool>()).prop_map(|(rows, comma)| {
        let (separator, mark) = if comma { (";", ",") } else { (",", ".") };
        let show = |cell: Option<u32>| cell.map(|n| format!("{}{mark}{}", n / 10, n % 10)).unwrap_or_default();
        let mut text = format!("run{separator}hardness 1{separator}hardness 2\n");
        for (at, (one, two)) in rows.into_iter().enumerate() {
            let row = [(at + 1).to_string(), show(one), show(two)].join(separator);
            text.push_str(&row);
            text.push('\n');
        }
        text
    })
}

proptest! {
    /// Against the general comparison and remainder of the decimal library.
    #[test]
    fn ranges_and_steps_are_exact(a in any::<i64>(), b in -2000_i64..2000, p in 0_u32..12, q in 0_u32..12, step in 1_i64..500) {
        let (a, b, step) = (Decimal::new(a, p), Decimal::new(b, q), Decimal::new(step, q));
        for (value, end) in [(a, b), (b, a), (b, b)] {
            prop_assert_eq!(record::lies_in(Some((end, end)), value), value == end);
            prop_assert_eq!(record::lies_in(Some((end, Decimal::MAX)), value), value >= end);
            prop_assert_eq!(record::lies_in(Some((Decimal::MIN, end)), value), value <= end);
            prop_assert_eq!(record::lies_on(step, value), (value % step).is_zero());
        }
    }

    #[test]
    fn arbitrary_text_is_no_fault_of_ours(text in any::<String>(), sheet in arbitrary_sheet()) {
        for bench in [Bench::plain(), Bench::crossed(), Bench::as_run()] {
            for text in [&text, &sheet] {
                match bench.import(text, &Record::default(), Some("mis-typed")) {
                    // What is taken in can be read back, and a second time nothing is new.
                    Ok((entries, _)) => {
                        let journal = record::append_lines(&entries, "", 1, AT);
                        let record = bench.replay(&journal).map_err(|d| TestCaseError::fail(show(&d)))?;
                        let (again, _) = bench.import(text, &record, None).map_err(|d| TestCaseError::fail(show(&d)))?;
                        prop_assert_eq!(again, vec![]);
                        let _ = record::tidy(&bench.protocol, bench.plan.as_ref(), &record);
                        let _ = record::status(&bench.protocol, bench.plan.as_ref(), &record);
                    }
                    Err(faults) => { show(&faults); }
                }
                let _ = bench.replay(text);
            }
        }
        let _ = record::parse_number(&text);
    }

    #[test]
    fn arbitrary_bytes_are_no_fault_of_ours(bytes in any::<Vec<u8>>()) {
        let _ = record::decode_text(&bytes);
    }

    #[test]
    fn decimals_come_back_digit_by_digit(whole in 0_u64..1_000_000_000_000_000_000, part in "[0-9]{0,9}", minus: bool, comma: bool) {
        let plain = if part.is_empty() { whole.to_string() } else { format!("{whole}.{part}") };
        let zero = plain.bytes().all(|b| matches!(b, b'0' | b'.'));
        let expected = if minus && !zero { format!("-{plain}") } else { plain.clone() };
        let written = format!("{}{plain}", if minus { "\u{2212}" } else { "" });
        let written = if comma { written.replace('.', ",") } else { written };
        let parsed = record::parse_number(&format!("\u{a0} {written} ")).unwrap();
        prop_assert_eq!(parsed.value.to_string(), expected);
    }

    #[test]
    fn the_same_sheet_twice_adds_nothing(first in good_sheet(), second in good_sheet()) {
        let bench = Bench::plain();
        let sheets = [(first.as_str(), None), (second.as_str(), Some("read again from paper"))];
        let (_, record) = bench.after(&sheets);
        let (again, said) = bench.import(&second, &record, None).map_err(|d| TestCaseError::fail(show(&d)))?;
        prop_assert_eq!(again, vec![]);
        prop_assert!(!said.has_errors());
        // What the first sheet alone has is still there.
        let (_, alone) = bench.after(&sheets[..1]);
        for run in alone.runs.keys() {
            prop_assert!(record.runs.contains_key(run));
        }
    }

    /// Rows in any order give the same record but for the order of entries.
    #[test]
    fn the_order_of_rows_does_not_matter(sheet in good_sheet()) {
        let bench = Bench::plain();
        let mut lines: Vec<&str> = sheet.lines().collect();
        lines[1..].reverse();
        let (_, forward) = bench.after(&[(&sheet, None)]);
        let (_, backward) = bench.after(&[(&lines.join("\n"), None)]);
        let values = |record: &Record| -> Vec<String> {
            record.runs.values().flat_map(|run| run.readings[0].iter().flatten().map(move |w| format!("{} {}", run.run, w.text))).collect()
        };
        prop_assert_eq!(values(&forward), values(&backward));
    }

    /// Any byte changed in any line is found by the chain; in the last line by the head that was kept.
    #[test]
    fn tampering_is_detected(at in any::<prop::sample::Index>(), byte in any::<u8>()) {
        let bench = Bench::plain();
        let (journal, record) = bench.after(&[(GOOD, None), ("run,hardness 1\n1,74.3\n3,70.0\n", Some("mis-typed"))]);
        let mut bytes = journal.clone().into_bytes();
        let at = at.index(bytes.len());
        prop_assume!(bytes[at] != byte);
        bytes[at] = byte;
        let last = journal.trim_end().rfind('\n').unwrap() + 1;
        match String::from_utf8(bytes).ok().map(|text| bench.replay(&text)) {
            None | Some(Err(_)) => {}
            Some(Ok(changed)) => {
                prop_assert!(at >= last, "a change at byte {} went unnoticed", at);
                prop_assert_ne!(changed.head, record.head);
            }
        }
    }
}
