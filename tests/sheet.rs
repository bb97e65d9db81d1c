//! The sheets of a plan made by hand: what stands on them, what must not, and that they come out.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde_json::{Value, json};
use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::plan::{Plan, PlanHeader, PlannedRun};
use wellrun::protocol::{
    AnalysisPlan, Condition, Design, Factor, Limit, Named, Order, PartOf, Person, Procedure, Protocol, Response, Site,
    Statistic, Study, StudyKind, Treatments, Unit,
};
use wellrun::render::{PdfOptions, Templates, html, pdf};
use wellrun::sheet;

fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn texts(items: &[&str]) -> Vec<String> {
    items.iter().map(|item| (*item).to_owned()).collect()
}

fn unit(name: &str, count: usize, within: &[usize], set_up: &[&str]) -> Unit {
    Unit {
        name: name.to_owned(),
        count,
        within: within.to_vec(),
        part_of: PartOf::Method,
        set_up: texts(set_up),
        set_up_minutes: 5.0,
    }
}

fn factor(name: &str, set_on: usize, levels: &[&str], measure: &str, how: &str) -> Factor {
    Factor {
        name: name.to_owned(),
        set_on,
        levels: texts(levels),
        numbers: (!measure.is_empty()).then(|| levels.iter().map(|level| decimal(level)).collect()),
        unit: measure.to_owned(),
        part_of: PartOf::Method,
        named_by_site: name == "instrument",
        carries_over: false,
        how: how.to_owned(),
    }
}

/// Numbers that must never reach a sheet: limits, ranges, sizes that matter.
const SECRETS: [&str; 6] = ["61.37", "48.25", "79.25", "3.125", "96.875", "0.4375"];

/// Four oven sessions, six rollers that come back in each, two runs on each: 48 runs.
fn protocol() -> Protocol {
    Protocol {
        study: Study {
            id: "roller-reading-spread".to_owned(),
            version: "1.0".to_owned(),
            title: "What moves a Shore D reading on a drive roller?".to_owned(),
            question: "Which part of the spread comes from the method?".to_owned(),
            kind: StudyKind::VarianceInvestigation,
            method: "Type D durometer on an operating stand, 5 kg, foot centred on the crown".to_owned(),
            source: String::new(),
        },
        responses: vec![Response {
            name: "hardness".to_owned(),
            measurand: "indentation hardness of the roller's crown".to_owned(),
            unit: "Shore D".to_owned(),
            resolution: decimal("0.1"),
            possible: Some((decimal("3.125"), decimal("96.875"))),
            expected: Some((decimal("48.25"), decimal("79.25"))),
            readings: 10,
            reading_time: "1 s after firm contact".to_owned(),
            result: Statistic::Mean,
            round_to: None,
            limit: Some(Limit::AtLeast(decimal("61.37"))),
            relevant: Some(decimal("0.4375")),
        }],
        units: vec![
            unit(
                "session",
                4,
                &[],
                &[
                    "Set the cabinet; wait until the probe has stayed within 0.5 °C for 30 min.",
                    "Read the reference block five times with each instrument.",
                ],
            ),
            unit("roller", 6, &[], &["Clamp the roller in the cradle, zero mark up."]),
            unit("run", 2, &[0, 1], &[]),
        ],
        factors: vec![
            factor("temperature", 0, &["21", "25"], "°C", "Set the cabinet to {level}."),
            factor("finish", 1, &["turned", "waxed"], "", ""),
            factor("instrument", 2, &["A", "B"], "", "Mount instrument {level} on the stand."),
        ],
        conditions: vec![
            Condition {
                name: "probe".to_owned(),
                unit: "°C".to_owned(),
                measured_on: 2,
                possible: None,
                expected: Some((decimal("48.25"), decimal("79.25"))),
            },
            Condition {
                name: "humidity".to_owned(),
                unit: "%".to_owned(),
                measured_on: 0,
                possible: None,
                expected: None,
            },
        ],
        design: Design {
            treatments: Treatments::FullFactorial,
            replicates: 1,
            order: Order::Randomized,
        },
        analysis: AnalysisPlan {
            planned: vec![vec![0]],
            interactions: 1,
            confidence: 0.95,
        },
        procedure: Procedure {
            before_study: texts(&[
                "Write serial numbers and certificates into the table above and see that they match the site file.",
                "Mark ten positions on every roller, 36° apart, at least 12 mm from either edge.",
                "Leave rollers and instruments in the room for four hours.",
            ]),
            before_run: texts(&[
                "Wipe the indenter.",
                "Take two readings on the clean block and discard them.",
            ]),
            after_run: texts(&["Cap the indenter."]),
            after_study: texts(&["Read the reference block five times with each instrument."]),
            cautions: texts(&[
                "The indenter is sharp: cap it when idle, and never try it on a finger.",
                "The stand's mass comes down: keep fingers off the platen and away from the lever's path.",
                "Rollers are heavy and roll: use the cradle, and shoes with toe caps.",
            ]),
            run_minutes: 3.0,
            reading_minutes: 0.25,
        },
        sha256: "0f".repeat(32),
    }
}

fn site() -> Site {
    let named = |level: usize, serial: &str| Named {
        factor: 2,
        level,
        description: "Type D durometer, digital".to_owned(),
        serial: serial.to_owned(),
        certificate: format!("C-26-{level}17"),
        calibrated: "2026-01-12".to_owned(),
        due: "2027-01-12".to_owned(),
        tolerance: Some(decimal("0.4375")),
    };
    let person = |code: &str, role: &str| Person {
        code: code.to_owned(),
        role: role.to_owned(),
    };
    Site {
        id: "north".to_owned(),
        name: "North bench".to_owned(),
        room: "room 2.14".to_owned(),
        dates: ("2026-03-02".to_owned(), "2026-03-13".to_owned()),
        people: vec![person("K1", "operator"), person("L1", "lead")],
        named: vec![named(0, "SD-0417"), named(1, "SD-1109")],
        labels: vec![(
            "roller".to_owned(),
            texts(&["R-201", "R-204", "R-207", "R-212", "R-215", "R-218"]),
        )],
        sha256: "ab".repeat(32),
    }
}

/// A plan over the protocol's units: `sessions` times six rollers times two runs, in a fixed, uneven order.
fn plan(sessions: usize) -> Plan {
    let mut runs = Vec::new();
    for session in 1..=sessions {
        for place in 0..6 {
            let roller = (place * 5 + session * 2) % 6 + 1;
            for turn in 1..=2 {
                runs.push(PlannedRun {
                    run: runs.len() + 1,
                    units: vec![session, roller, turn],
                    levels: vec![session % 2, roller % 2, (turn + roller / 2) % 2],
                });
            }
        }
    }
    Plan {
        header: PlanHeader {
            wellrun_plan: 1,
            study: "roller-reading-spread".to_owned(),
            version: "1.0".to_owned(),
            protocol_sha256: "0f".repeat(32),
            site: "north".to_owned(),
            site_sha256: "ab".repeat(32),
            seed: "20260302".to_owned(),
            algorithm: "by hand".to_owned(),
            tool: "0.1.0".to_owned(),
            frozen_at: "2026-03-01T09:00:00Z".to_owned(),
            plan_sha256: "5e6f7a8b9c0d".repeat(6)[..64].to_owned(),
            runs: runs.len(),
        },
        runs,
    }
}

fn options(letter_paper: bool) -> PdfOptions {
    PdfOptions {
        title: "Run sheet".to_owned(),
        author: String::new(),
        identifier: "sheet".to_owned(),
        time: Some((2026, 3, 1, 9, 0, 0)),
        letter_paper,
    }
}

fn make_pdf(data: &Value, letter: bool) -> Result<(Vec<u8>, Diagnostics), Diagnostics> {
    pdf(&Templates::shipped(), "sheet.typ", data, &BTreeMap::new(), &options(letter))
}

fn make_html(data: &Value) -> String {
    html(&Templates::shipped(), "sheet.html.jinja", data).unwrap()
}

#[test]
fn look() {
    let Ok(dir) = std::env::var("SHEET_OUT") else { return };
    let data = sheet::data(&protocol(), Some(&site()), &plan(4));
    let (bytes, found) = match make_pdf(&data, false) {
        Ok(ok) => ok,
        Err(found) => {
            for d in &found {
                println!("{}", d.render(false));
            }
            panic!()
        }
    };
    for d in &found {
        println!("{}", d.render(false));
    }
    std::fs::write(format!("{dir}/sheet.pdf"), bytes).unwrap();
    std::fs::write(format!("{dir}/sheet.html"), make_html(&data)).unwrap();
    let mut r = sheet::data(&protocol(), None, &plan(1));
    r["rehearsal"] = json!(true);
    std::fs::write(format!("{dir}/rehearsal.pdf"), make_pdf(&r, true).unwrap().0).unwrap();
}
