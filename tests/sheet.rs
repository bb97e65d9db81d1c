//! The sheets of a plan made by hand: what stands on them, what must not, and that they come out.
#![allow(clippy::unwrap_used, clippy::panic)] // in a test, a failed step is a failed test

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde_json::{Value, json};
use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::plan::{Plan, PlanHeader, PlannedRun};
use wellrun::protocol::{
    AnalysisPlan, Comparisons, Condition, Design, Factor, Limit, Named, Order, PartOf, Person, Procedure, Protocol,
    Response, Site, Statistic, Study, StudyKind, Treatments, Unit,
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
        random: false,
        carries_over: false,
        carries_within: None,
        compare_with: None,
        how: how.to_owned(),
        centre: None,
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
            tolerance: None,
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
            factor(
                "instrument",
                2,
                &["A", "B"],
                "",
                "Mount instrument {level} on the stand.",
            ),
        ],
        conditions: vec![
            Condition {
                name: "probe".to_owned(),
                unit: "°C".to_owned(),
                measured_on: 2,
                possible: None,
                expected: Some((decimal("48.25"), decimal("79.25"))),
                follows: None,
            },
            Condition {
                name: "humidity".to_owned(),
                unit: "%".to_owned(),
                measured_on: 0,
                possible: None,
                expected: None,
                follows: None,
            },
        ],
        design: Design {
            set: None,
            budget: None,
            treatments: Treatments::FullFactorial,
            replicates: 1,
            order: Order::Randomized,
        },
        analysis: AnalysisPlan {
            planned: vec![vec![0]],
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
        bench: wellrun::protocol::Bench::default(),
        sha256: "0f".repeat(32),
        drawn_as: String::new(),
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
        travelling: Vec::new(),
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
            tries: None,
            carry_over_spread: None,
            key_sha256: None,
            positions_sha256: None,
            rehearsal: false,
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

/// The bytes of the PDF; anything found wrong fails the test in words.
fn make_pdf(data: &Value, letter: bool) -> Vec<u8> {
    match pdf(
        &Templates::shipped(),
        "sheet.typ",
        data,
        &BTreeMap::new(),
        &options(letter),
    ) {
        Ok((bytes, found)) => {
            assert!(found.is_empty(), "{}", in_words(&found));
            bytes
        }
        Err(found) => panic!("{}", in_words(&found)),
    }
}

fn make_html(data: &Value) -> String {
    html(&Templates::shipped(), "sheet.html.jinja", data).unwrap_or_else(|found| panic!("{}", in_words(&found)))
}

fn in_words(found: &Diagnostics) -> String {
    found.iter().map(|one| one.render(false)).collect::<Vec<_>>().join("\n")
}

fn holds(haystack: &[u8], needle: &str) -> bool {
    haystack.windows(needle.len()).any(|window| window == needle.as_bytes())
}

/// Pages of a PDF: the largest count in its page tree.
fn pages(bytes: &[u8]) -> usize {
    let text = String::from_utf8_lossy(bytes);
    text.split("/Count ")
        .skip(1)
        .filter_map(|rest| {
            let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
            digits.parse().ok()
        })
        .max()
        .unwrap_or(0)
}

fn names(settings: &Value, which: impl Fn(&Value) -> bool) -> Vec<&str> {
    let all = settings.as_array().map_or(&[][..], Vec::as_slice);
    all.iter()
        .filter(|s| which(s))
        .filter_map(|s| s["name"].as_str())
        .collect()
}

// --- the view -------------------------------------------------------------------------------------------------------

/// Class: closed form, from the plan above: run 2 changes the instrument alone, run 3 the roller, run 13 the session.
#[test]
fn what_changes_is_marked_and_what_stays_is_not() {
    let data = sheet::data(&protocol(), Some(&site()), &plan(4));
    let changed = |index: usize| names(&data["runs"][index]["settings"], |s| s["changed"] == true);
    assert_eq!(changed(0), ["session", "temperature", "roller", "finish", "instrument"]);
    assert_eq!(changed(1), ["instrument"]);
    assert_eq!(changed(2), ["roller", "finish", "instrument"]);
    assert_eq!(
        changed(12),
        ["session", "temperature", "roller", "finish", "instrument"]
    );
    let here = names(&data["runs"][0]["settings"], |s| s["here"] == true);
    assert_eq!(here, ["instrument"]);
}

#[test]
fn set_ups_stand_before_the_runs_that_need_them() {
    let data = sheet::data(&protocol(), Some(&site()), &plan(4));
    let units = |index: usize| -> Vec<(&str, u64, &str)> {
        let parts = data["runs"][index]["set_up"].as_array().map_or(&[][..], Vec::as_slice);
        parts
            .iter()
            .map(|p| {
                (
                    p["unit"].as_str().unwrap(),
                    p["number"].as_u64().unwrap(),
                    p["label"].as_str().unwrap(),
                )
            })
            .collect()
    };
    assert_eq!(units(0), [("session", 1, ""), ("roller", 3, "R-207")]);
    assert_eq!(units(1), []);
    assert_eq!(units(2), [("roller", 2, "R-204")]);
    assert_eq!(units(12), [("session", 2, ""), ("roller", 5, "R-215")]);
    let session = &data["runs"][12]["set_up"][0];
    assert_eq!(session["settings"][0]["value"], "21\u{a0}°C");
    assert_eq!(session["settings"][0]["how"], "Set the cabinet to 21\u{a0}°C.");
    assert_eq!(session["conditions"], json!([{"name": "humidity", "unit": "%"}]));
}

#[test]
fn a_level_named_by_the_site_shows_what_stands_behind_it() {
    let data = sheet::data(&protocol(), Some(&site()), &plan(1));
    let named = &data["named"];
    assert_eq!(
        (&named[0]["level"], &named[0]["serial"]),
        (&json!("A"), &json!("SD-0417"))
    );
    assert_eq!(
        (&named[1]["level"], &named[1]["due"]),
        (&json!("B"), &json!("2027-01-12"))
    );
    let settings = data["runs"][0]["settings"].as_array().unwrap();
    let instrument = settings.iter().find(|s| s["name"] == "instrument").unwrap();
    assert_eq!(instrument["note"], "serial SD-0417");
}

#[test]
fn no_sheet_tells_what_a_reading_ought_to_be() {
    let data = sheet::data(&protocol(), Some(&site()), &plan(4));
    let forms = [
        data.to_string(),
        make_html(&data),
        sheet::csv(&protocol(), Some(&site()), &plan(4)),
    ];
    for form in &forms {
        for secret in SECRETS {
            assert!(!form.contains(secret), "{secret}");
        }
    }
}

// --- the table to fill in -------------------------------------------------------------------------------------------

#[test]
fn the_table_has_a_column_for_everything_and_a_row_a_run() {
    let text = sheet::csv(&protocol(), Some(&site()), &plan(4));
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(
        lines[0],
        "run,session,roller,temperature,finish,instrument,probe,humidity,hardness 1,hardness 2,hardness 3,hardness 4,\
         hardness 5,hardness 6,hardness 7,hardness 8,hardness 9,hardness 10,order,time,initials,remark"
    );
    assert_eq!(lines[1], "1,1,3,25,waxed,A,,,,,,,,,,,,,,,,");
    assert_eq!(lines.len(), 49);
}

#[test]
fn a_single_reading_has_a_column_without_a_number() {
    let mut single = protocol();
    single.responses[0].readings = 1;
    let text = sheet::csv(&single, None, &plan(1));
    assert!(text.starts_with("run,session,roller,temperature,finish,instrument,probe,humidity,hardness,order,"));
}

#[test]
fn a_level_that_looks_like_a_formula_is_disarmed() {
    let mut risky = protocol();
    risky.factors[1].levels = texts(&["=1+1", "naïve, \"quoted\""]);
    let text = sheet::csv(&risky, None, &plan(1));
    assert!(text.starts_with("\u{feff}run,"));
    assert!(text.contains(",'=1+1,") && text.contains(",\"naïve, \"\"quoted\"\"\","));
}

// --- documents ------------------------------------------------------------------------------------------------------

#[test]
fn the_same_plan_gives_the_same_bytes() {
    let data = sheet::data(&protocol(), Some(&site()), &plan(1));
    assert!(make_pdf(&data, false) == make_pdf(&data, false));
    assert!(make_html(&data) == make_html(&data));
}

#[test]
fn a_letter_sheet_is_letter_size() {
    let mut data = sheet::data(&protocol(), Some(&site()), &plan(1));
    assert!(make_html(&data).contains("size: A4"));
    data["letter_paper"] = json!(true);
    assert!(make_html(&data).contains("size: letter"));
    assert!(holds(&make_pdf(&data, true), "0 0 612 792"));
}

/// Class: closed form. 200 runs of 38 mm and more, some with a set-up, on pages with less than 260 mm to write on;
/// and no page holds fewer than two.
#[test]
fn many_runs_fill_many_pages() {
    let mut long = plan(17);
    long.runs.truncate(200);
    let data = sheet::data(&protocol(), Some(&site()), &long);
    let count = pages(&make_pdf(&data, false));
    assert!((200 / 6..=200 / 2).contains(&count), "{count} pages");
    let page = make_html(&data);
    for run in 1..=200 {
        assert_eq!(page.matches(&format!("aria-label=\"run {run}\"")).count(), 1);
    }
}

#[test]
fn every_run_has_its_boxes() {
    let page = make_html(&sheet::data(&protocol(), Some(&site()), &plan(1)));
    let runs: Vec<&str> = page.split("<section class=\"run\"").skip(1).collect();
    assert_eq!(runs.len(), 12);
    for run in runs {
        for k in 1..=10 {
            assert!(run.contains(&format!("<span>{k}</span>")), "{k}");
        }
        for caption in ["date, time", "initials", "remarks", "probe (°C)"] {
            assert!(run.contains(caption), "{caption}");
        }
    }
}

#[test]
fn the_page_needs_no_outside_resource_and_runs_no_script() {
    let page = make_html(&sheet::data(&protocol(), Some(&site()), &plan(1)));
    for outside in ["http:", "https:", "src=", "<script", "<link", "@import", "<iframe"] {
        assert!(!page.contains(outside), "{outside}");
    }
    assert_eq!(page.matches("url(").count(), page.matches("url(data:").count());
}

#[test]
fn a_rehearsal_says_so() {
    let mut data = sheet::data(&protocol(), Some(&site()), &plan(1));
    let visible = "REHEARSAL: not a record";
    assert!(!make_html(&data).contains(visible));
    let plain = make_pdf(&data, false);
    data["rehearsal"] = json!(true);
    assert!(make_html(&data).contains(visible));
    assert!(make_pdf(&data, false) != plain);
}

/// Texts from outside in every place that prints one.
#[test]
fn hostile_texts_print_as_they_stand() {
    let hostile =
        "<script>alert(1)</script> #eval(\"1\") $x$ \\ *b* _e_ {{ 7 * 7 }} {% x %} @ref // \"'\u{202e}\u{2603}";
    let mut bad = protocol();
    let text = || hostile.to_owned();
    bad.study.title = text();
    bad.study.method = text();
    bad.study.version = text();
    bad.responses[0].unit = text();
    bad.responses[0].measurand = text();
    bad.responses[0].reading_time = text();
    bad.conditions[0].unit = text();
    bad.units[0].set_up = vec![text()];
    bad.units[2].set_up = vec![text()];
    bad.factors[1].levels = vec![text(), format!("{hostile} 2")];
    bad.factors[2].how = text();
    let steps = &mut bad.procedure;
    for list in [
        &mut steps.before_study,
        &mut steps.before_run,
        &mut steps.after_run,
        &mut steps.after_study,
        &mut steps.cautions,
    ] {
        *list = vec![text()];
    }
    let mut place = site();
    place.name = text();
    place.room = text();
    place.people[0].code = text();
    place.named[0].serial = text();
    place.named[1].description = text();
    place.labels[0].1 = vec![text(); 6];
    let data = sheet::data(&bad, Some(&place), &plan(1));
    let page = make_html(&data);
    assert!(!page.contains("<script") && page.contains("&lt;script&gt;") && page.contains("{{ 7 * 7 }}"));
    assert!(make_pdf(&data, false).starts_with(b"%PDF"));
}

#[test]
fn a_studys_own_templates_take_the_place_of_the_shipped_ones() {
    let data = sheet::data(&protocol(), Some(&site()), &plan(1));
    let mut templates = Templates::shipped();
    templates.replace(
        "sheet.html.jinja",
        Source::new("mine.jinja", "{{ study.id }}, {{ runs | length }} runs"),
    );
    let own = "#import \"base.typ\": *\n#show: document-base\n#json(\"data.json\").study.id";
    templates.replace("sheet.typ", Source::new("mine.typ", own));
    assert_eq!(
        html(&templates, "sheet.html.jinja", &data).unwrap(),
        "roller-reading-spread, 12 runs"
    );
    let (bytes, _) = pdf(&templates, "sheet.typ", &data, &BTreeMap::new(), &options(false)).unwrap();
    assert_eq!(pages(&bytes), 1);
}

/// Studies at the edge of what a protocol may declare.
#[test]
fn lean_and_rich_studies_both_print() {
    let mut lean = protocol();
    lean.procedure = Procedure::default();
    lean.conditions.clear();
    lean.responses[0].readings = 1;
    lean.responses[0].reading_time = String::new();
    lean.responses[0].measurand = String::new();
    for unit in &mut lean.units {
        unit.set_up.clear();
    }
    let mut rich = protocol();
    let second = Response {
        name: "depth".to_owned(),
        unit: "mm".to_owned(),
        readings: 30,
        ..rich.responses[0].clone()
    };
    rich.responses.push(second);
    for name in ["first", "second", "third"] {
        let condition = Condition {
            name: name.to_owned(),
            ..rich.conditions[0].clone()
        };
        rich.conditions.push(condition);
    }
    rich.units[0].set_up = (1..=60).map(|k| format!("Step {k} of a long set-up.")).collect();
    for study in [lean, rich] {
        let data = sheet::data(&study, None, &plan(1));
        assert!(pages(&make_pdf(&data, false)) >= 3);
        assert!(make_html(&data).contains("no site file") || data["site"]["id"] == "north");
    }
}

/// The study that ships: its protocol, read as a user's would be.
#[test]
fn the_shipped_study_makes_sheets() {
    let text = include_str!("../protocols/roller-reading-spread/protocol.toml");
    let source = Source::new("protocol.toml", text);
    let (shipped, _) = wellrun::protocol::read(&source).unwrap_or_else(|found| panic!("{}", in_words(&found)));
    let data = sheet::data(&shipped, Some(&site()), &plan(1));
    let page = make_html(&data);
    for caution in &shipped.procedure.cautions {
        assert!(page.contains(&caution.replace('\'', "&#x27;")), "{caution}");
    }
    assert!(make_pdf(&data, false).starts_with(b"%PDF"));
}
