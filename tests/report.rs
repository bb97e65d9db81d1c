//! The report as a whole: what stands in it, its forms, and what hostile input does to it.
// Helpers of tests may give up like the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "report/fixture.rs"]
mod fixture;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, PoisonError};

use wellrun::analysis::Findings;
use wellrun::diagnostic::Source;
use wellrun::protocol::{Order, Protocol};
use wellrun::render::{PdfOptions, Templates};
use wellrun::report::{self, Block, Input, Report};

struct Study {
    protocol: Protocol,
    findings: Findings,
    note: Option<Arc<Source>>,
}

impl Study {
    fn roller() -> Self {
        Self {
            protocol: fixture::protocol(),
            findings: fixture::findings(),
            note: Some(Source::new("note.md", fixture::NOTE)),
        }
    }

    /// The same with the first runs only: for the typesetter, which is slow where it is not optimized.
    fn short() -> Self {
        let mut study = Self::roller();
        for found in study.findings.responses.values_mut() {
            found.results.truncate(8);
        }
        study
    }

    fn build(&self) -> Report {
        let (site, plan) = (fixture::site(), fixture::plan(&self.findings));
        let input = Input {
            protocol: &self.protocol,
            site: Some(&site),
            plan: Some(&plan),
            findings: &self.findings,
            note: self.note.as_ref(),
        };
        match report::build(&input) {
            Ok((report, warnings)) => {
                assert!(warnings.is_empty(), "{warnings:?}");
                report
            }
            Err(errors) => panic!("{}", errors.iter().map(|d| d.render(false)).collect::<String>()),
        }
    }
}

fn options() -> PdfOptions {
    PdfOptions {
        title: "What moves a Shore D reading on a drive roller?".to_owned(),
        author: String::new(),
        identifier: "roller-reading-spread 1.0".to_owned(),
        time: Some((2026, 7, 20, 9, 30, 0)),
        letter_paper: false,
    }
}

fn html(report: &Report) -> String {
    match report::to_html(report, &Templates::shipped()) {
        Ok(html) => html,
        Err(errors) => panic!("{}", errors.iter().map(|d| d.render(false)).collect::<String>()),
    }
}

fn pdf(report: &Report) -> Vec<u8> {
    // One at a time: each has a time limit of its own.
    static TYPESETTER: Mutex<()> = Mutex::new(());
    let _one = TYPESETTER.lock().unwrap_or_else(PoisonError::into_inner);
    match report::to_pdf(report, &Templates::shipped(), &options()) {
        Ok((bytes, warnings)) => {
            assert!(
                warnings.is_empty(),
                "{}",
                warnings.iter().map(|d| d.render(false)).collect::<String>()
            );
            bytes
        }
        Err(errors) => panic!("{}", errors.iter().map(|d| d.render(false)).collect::<String>()),
    }
}

/// The page without what fills it up: style sheets, drawings.
fn bare(html: &str) -> String {
    let mut out = String::new();
    let mut rest = html;
    while let Some((before, tag, after)) = ["style", "svg"]
        .iter()
        .filter_map(|tag| {
            let start = rest.find(&format!("<{tag}"))?;
            let end = start + rest[start..].find(&format!("</{tag}>"))? + tag.len() + 3;
            Some((start, *tag, end))
        })
        .min()
        .map(|(start, tag, end)| (&rest[..start], tag, &rest[end..]))
    {
        out.push_str(before);
        let _ = write!(out, "[{tag}]");
        rest = after;
    }
    out + rest
}

/// Everything that is printed, tags taken out.
fn spoken(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in bare(html).chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.replace('\u{a0}', " ")
}

#[test]
fn sections_stand_in_order_and_headings_leave_no_gap() {
    let report = Study::roller().build();
    let titles: Vec<&str> = report.sections.iter().map(|s| s.title.as_str()).collect();
    assert_eq!(
        titles,
        [
            "What was done",
            "Departures, corrections and conditions",
            "What the readings show",
            "The numbers",
            "Remarks of the laboratory",
            "What this study cannot tell",
            "Cautions and local rules",
            "How to compute it again",
            "Annex: every result and reading",
        ]
    );
    let html = html(&report);
    let levels: Vec<u32> = html
        .match_indices("<h")
        .filter_map(|(at, _)| html[at + 2..].chars().next()?.to_digit(10))
        .collect();
    assert_eq!(levels[0], 1);
    assert_eq!(levels.iter().filter(|&&l| l == 1).count(), 1);
    assert!(levels.windows(2).all(|pair| pair[1] <= pair[0] + 1), "{levels:?}");
}

#[test]
fn tables_and_figures_are_numbered_and_can_be_read_aloud() {
    let report = Study::roller().build();
    let (mut tables, mut figures) = (Vec::new(), Vec::new());
    for block in report.blocks() {
        match block {
            Block::Table(table) => {
                tables.push(table.number);
                assert!(!table.caption.is_empty());
                for row in table.groups.iter().flat_map(|g| &g.rows) {
                    assert_eq!(row.len(), table.columns.len(), "{}", table.name);
                }
            }
            Block::Figure(figure) => {
                figures.push(figure.number);
                assert!(figure.alt.len() > figure.title.len() && !figure.caption.is_empty());
            }
            _ => {}
        }
    }
    assert_eq!(tables, (1..=tables.len()).collect::<Vec<_>>());
    assert_eq!(figures, [1, 2, 3, 4]);
    let html = html(&report);
    assert_eq!(html.matches("<caption>").count(), tables.len());
    assert_eq!(html.matches("role=\"img\"").count(), figures.len());
    assert!(html.contains("<a class=\"skip\"") && html.contains("<main id=\"main\">"));
    let mut ids: Vec<&str> = html
        .split(" id=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count, "ids are unique");
}

#[test]
fn the_page_needs_nothing_from_outside() {
    let html = html(&Study::roller().build());
    for mark in ["src=", "@import", "<link", "<script", "url(http", "url(//"] {
        assert!(!html.contains(mark), "{mark}");
    }
    let addresses = html.matches("http").count();
    assert_eq!(addresses, html.matches("http://www.w3.org/2000/svg").count());
}

/// The findings hold 96 results of ten readings each; every one must be in the annex.
#[test]
fn every_raw_reading_is_listed() {
    let study = Study::roller();
    let report = study.build();
    let csv = report::tables_csv(&report);
    let readings: Vec<Vec<f64>> = csv["hardness-readings"]
        .lines()
        .skip(1)
        .map(|line| line.split(',').skip(1).map(|t| t.parse().unwrap()).collect())
        .collect();
    let expected: Vec<Vec<f64>> = study.findings.responses["hardness"]
        .results
        .iter()
        .map(|r| r.readings.clone())
        .collect();
    assert_eq!(readings, expected);
    let results: Vec<f64> = csv["hardness-results"]
        .lines()
        .skip(1)
        .map(|line| line.split(',').nth(7).unwrap().parse().unwrap())
        .collect();
    let expected: Vec<f64> = study.findings.responses["hardness"]
        .results
        .iter()
        .map(|r| r.result)
        .collect();
    assert_eq!(results, expected, "bit for bit");
}

#[test]
fn planned_and_exploratory_stand_apart() {
    let report = Study::roller().build();
    let effects = report
        .blocks()
        .find_map(|b| match b {
            Block::Table(t) if t.name == "hardness-effects" => Some(t),
            _ => None,
        })
        .unwrap();
    let groups: Vec<(&str, usize)> = effects
        .groups
        .iter()
        .map(|g| (g.title.as_str(), g.rows.len()))
        .collect();
    assert_eq!(
        groups,
        [
            ("Planned before the readings", 4),
            ("Exploratory: a hint for the next study, not a result of this one", 2)
        ]
    );
}

#[test]
fn nothing_is_certified() {
    let text = spoken(&html(&Study::roller().build())).to_lowercase();
    for word in [
        "certified",
        "approved",
        "accredited",
        "complies",
        "in compliance",
        "guarantee",
        "is calibrated",
        "significant",
    ] {
        assert!(!text.contains(word), "{word}");
    }
    assert!(text.contains("this report is no certificate"));
    assert!(text.contains("law, the rules of the site"));
}

#[test]
fn a_rehearsal_is_marked_on_every_page() {
    let mut study = Study::roller();
    let plain = html(&study.build());
    assert!(!plain.contains("REHEARSAL"));
    study.findings.study.rehearsal = true;
    let report = study.build();
    assert_eq!(report.notices[0].label, "REHEARSAL");
    let page = html(&report);
    assert!(page.contains("<title>REHEARSAL") && page.contains("class=\"stamp\""));
    assert!(page.contains("@bottom-left { content: \"roller-reading-spread, version 1.0, REHEARSAL\""));
    assert!(report::terminal(&study.findings, 80).contains("REHEARSAL"));
    // The page with its mark must compile too.
    let mut study = Study::short();
    study.findings.study.rehearsal = true;
    assert!(pdf(&study.build()).starts_with(b"%PDF"));
}

#[test]
fn readings_that_existed_before_are_said_to_at_the_head() {
    let mut study = Study::roller();
    study.protocol.design.order = Order::AsRun;
    "as run".clone_into(&mut study.findings.study.order);
    "A notebook, pages 12 to 31".clone_into(&mut study.protocol.study.source);
    for text in [
        &mut study.findings.provenance.seed,
        &mut study.findings.provenance.plan_sha256,
        &mut study.findings.provenance.algorithm,
        &mut study.findings.provenance.frozen_at,
    ] {
        text.clear();
    }
    let report = study.build();
    assert_eq!(report.notices[0].label, "Order not randomized by this protocol");
    assert!(
        report.notices[0]
            .text
            .contains("Source of the readings: A notebook, pages 12 to 31.")
    );
    let text = spoken(&html(&report));
    assert!(!text.contains("Seed of the draw") && !text.contains("was drawn before the first reading"));
}

#[test]
fn missing_runs_are_said_at_the_head() {
    let mut study = Study::roller();
    study.findings.record.runs_missing = vec![3, 4, 5, 9];
    study.findings.record.runs_complete = 92;
    let report = study.build();
    assert_eq!(report.notices[0].label, "Readings are missing");
    assert!(spoken(&html(&report)).contains("Runs without a reading: 3 to 5 and 9."));
}

/// What the mixed model leaves open is a dash, never a zero or an empty cell; and why it was used is said.
#[test]
fn the_mixed_model_reads_as_well_as_averages() {
    let mut study = Study::roller();
    study.note = None;
    study.findings = fixture::mixed();
    let report = study.build();
    let printed = spoken(&html(&report));
    for said in [
        "Method: mixed model by restricted maximum likelihood, tests after Kenward and Roger. It stands in for averages \
         because runs are missing or lie unevenly over the units",
        "the degrees of freedom of such a mixture need not be whole",
        "Readings are missing. 92 runs of 96 planned are complete.",
        "about the model: 0.221 Shore D.",
        "– to 0.180",
        "0.301 to –",
    ] {
        assert!(printed.contains(said), "{said}");
    }
    for never in [
        "Sum of squares",
        "The spread of each unit",
        "0 degrees of freedom",
        "NaN",
        "null",
    ] {
        assert!(!printed.contains(never), "{never}");
    }
    for block in report.blocks() {
        if let Block::Table(table) = block {
            for row in table.groups.iter().flat_map(|g| &g.rows) {
                assert_eq!(row.len(), table.columns.len(), "{}", table.caption);
                assert!(row.iter().all(|cell| !cell.text.is_empty()), "{}", table.caption);
            }
        }
    }
    study
        .findings
        .responses
        .values_mut()
        .for_each(|found| found.results.truncate(8));
    assert!(pdf(&study.build()).starts_with(b"%PDF"));
    let terminal = report::terminal(&study.findings, 100);
    assert!(terminal.contains("Method: mixed model"), "{terminal}");
    assert!(terminal.contains("– to 0.180"), "{terminal}");
}

/// On A4 and on Letter no column is narrower than its longest word, even with long names.
#[test]
fn long_names_leave_every_column_its_words() {
    let mut study = Study::roller();
    let text = serde_json::to_string(&study.findings)
        .unwrap()
        .replace("instrument", "indenter_and_spring_assembly")
        .replace("temperature", "core_temperature_of_conditioning");
    study.findings = serde_json::from_str(&text).unwrap();
    study.protocol.factors[0].name = "core_temperature_of_conditioning".to_owned();
    study.protocol.factors[2].name = "indenter_and_spring_assembly".to_owned();
    study.note = None;
    let mut seen = 0;
    for block in study.build().blocks() {
        if let Block::Table(table) = block {
            // Closed form: 210 mm less two margins of 24 mm, in points; cells have 4 pt at each side.
            let size = if table.style == "dense" { 7.0 } else { 8.0 };
            let room = 162.0 / 25.4 * 72.0 - 8.0 * table.columns.len() as f64;
            let least: f64 = table.columns.iter().map(|c| c.narrow * size).sum();
            assert!(least <= room, "{}: {least} pt of {room}", table.caption);
            seen += 1;
        }
    }
    assert!(seen > 10);
}

#[test]
fn findings_that_hold_almost_nothing_still_make_a_report() {
    let mut study = Study::roller();
    study.note = None;
    let found = study.findings.responses.get_mut("hardness").unwrap();
    found.strata.clear();
    found.effects.clear();
    found.means.clear();
    found.contrasts.clear();
    found.slopes.clear();
    found.components.clear();
    found.checks.clear();
    found.cannot_tell.clear();
    found.results.clear();
    (found.residual.variance, found.residual.standard_deviation) = (None, None);
    let mean = &mut found.grand_mean;
    (mean.standard_error, mean.df, mean.low, mean.high) = (None, None, None, None);
    let report = study.build();
    assert!(report::figures(&report).is_empty());
    let text = spoken(&html(&report));
    assert!(text.contains("answer none of the planned questions") && !text.contains("None"));
    study.findings.responses.clear();
    let input = Input {
        protocol: &study.protocol,
        site: None,
        plan: None,
        findings: &study.findings,
        note: None,
    };
    let errors = report::build(&input).expect_err("nothing to report");
    assert_eq!(errors.iter().map(|d| d.code).collect::<Vec<_>>(), ["T033"]);
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let (first, second) = (Study::roller().build(), Study::roller().build());
    assert_eq!(html(&first), html(&second));
    assert_eq!(report::tables_csv(&first), report::tables_csv(&second));
    let (first, second) = (Study::short().build(), Study::short().build());
    assert_eq!(pdf(&first), pdf(&second));
}

const HOSTILE: &str =
    "=1+1 <script>alert('x')</script> #panic(\"no\") *b* $x$ @r {{ 6543*7 }} {% raw %} \\ & \"q\" \u{202e}\u{7}";

/// A hostile text in every place that comes from outside and is printed.
fn hostile() -> Study {
    let mut study = Study::short();
    let text = || HOSTILE.to_owned();
    study.protocol.study.question = text();
    study.protocol.study.method = text();
    study.protocol.responses[0].measurand = text();
    study.protocol.procedure.before_run = vec![text()];
    study.protocol.procedure.cautions = vec![text()];
    study.protocol.factors[2].levels[0] = text();
    study.findings.study.title = text();
    study.findings.study.version = text();
    study.findings.record.corrections[0].reason = text();
    study.findings.record.deviations[0].what = text();
    study.findings.record.questioned[0].text = text();
    let found = study.findings.responses.get_mut("hardness").unwrap();
    found.unit = text();
    found.cannot_tell = vec![text()];
    found.effects[0].note = Some(text());
    found.checks[0].answer = text();
    for contrast in &mut found.contrasts {
        contrast.to = text();
    }
    for result in &mut found.results {
        result.units.insert("roller".to_owned(), text());
    }
    study.note = Some(Source::new(
        "note.md",
        "The unit is {{value: hardness.unit}}, as written.",
    ));
    study
}

#[test]
fn hostile_text_is_printed_as_it_stands() {
    let study = hostile();
    let report = study.build();
    let page = html(&report);
    assert!(!page.contains("<script") && !page.contains("45801"));
    assert!(page.contains("&lt;script&gt;") && page.contains("{{ 6543*7 }} {% raw %}"));
    // Were it markup, `#panic` would stop the typesetting.
    assert!(pdf(&report).starts_with(b"%PDF"));
    let sources = report::typst_sources(&report, &Templates::shipped(), &options()).unwrap();
    for (path, bytes) in &sources {
        let within = String::from_utf8_lossy(bytes).contains("panic(");
        assert!(!within || path == "data.json" || path.starts_with("figures/"), "{path}");
    }
    for (name, csv) in report::tables_csv(&report) {
        for cell in csv.lines().flat_map(|line| line.split(',')) {
            assert!(
                !cell.starts_with(['=', '@']) && !cell.starts_with("\"="),
                "{name}: {cell}"
            );
        }
    }
    let terminal = report::terminal(&study.findings, 80);
    assert!(!terminal.contains(['\u{7}', '\u{202e}', '\u{1b}']));
}

fn note_errors(text: &str) -> Vec<String> {
    let study = Study::roller();
    let source = Source::new("note.md", text);
    let (site, plan) = (fixture::site(), fixture::plan(&study.findings));
    let input = Input {
        protocol: &study.protocol,
        site: Some(&site),
        plan: Some(&plan),
        findings: &study.findings,
        note: Some(&source),
    };
    let errors = report::build(&input).expect_err("the note is wrong");
    errors
        .iter()
        .map(|d| {
            let (file, line, column) = d.position().unwrap();
            format!(
                "{file}:{line}:{column} {} {} {}",
                d.code,
                d.message,
                d.help.as_deref().unwrap_or("")
            )
        })
        .collect()
}

#[test]
fn an_unknown_value_is_found_where_it_stands() {
    assert_eq!(
        note_errors("First line.\n\nµ and é: {{value: hardness.slopes.temprature.per_unit}} and {{value:}}.\n"),
        [
            "note.md:3:19 T030 there is no value called `hardness.slopes.temprature.per_unit` did you mean \
             `hardness.slopes.temperature.per_unit`?",
            "note.md:3:61 T030 there is no value called `` 278 values can be used, \
             `hardness.contrasts.finish.turned.waxed.difference` among them",
        ]
    );
    assert_eq!(
        note_errors("a {{value: hardness.mean\nb {{ hardness.mean.value }}"),
        [
            "note.md:1:3 T031 a `{{` without its `}}` on the same line write `{{value: NAME}}`, or leave a blank between two \
             braces that are meant as such",
            "note.md:2:3 T031 `{{` begins a value, but `value:` does not follow write `{{value: NAME}}`, or leave a blank \
             between two braces that are meant as such",
        ]
    );
}

#[test]
fn values_stand_in_the_note_and_are_never_markup() {
    let mut study = Study::roller();
    study.findings.responses.get_mut("hardness").unwrap().unit = "*D*".to_owned();
    let text = "# Mean\n\n**{{value: hardness.mean.value}}** with\u{e000}0\u{e001} `{{value: hardness.runs}}`\n";
    study.note = Some(Source::new("note.md", text));
    let page = html(&study.build());
    assert!(
        page.contains("<h3>Mean</h3>"),
        "a note's first heading stands below the section's"
    );
    assert!(page.contains("<strong>56.59\u{a0}*D*</strong> with\u{fffd}0\u{fffd} <code>96</code>"));
}

#[test]
fn values_have_names_that_say_what_they_are() {
    let study = Study::roller();
    let input = Input {
        protocol: &study.protocol,
        site: None,
        plan: None,
        findings: &study.findings,
        note: None,
    };
    let names = report::value_names(&input);
    for (name, value) in [
        ("study.id", "roller-reading-spread"),
        ("record.corrections", "1"),
        ("conditions.humidity.mean", "49.50 %"),
        ("hardness.mean.value", "56.59 Shore D"),
        ("hardness.means.instrument.A.mean", "56.51 Shore D"),
        ("hardness.means.temperature.21.mean", "56.96 Shore D"),
        ("hardness.contrasts.instrument.A.B.difference", "−0.593 Shore D"),
        ("hardness.contrasts.instrument.A.B.interval", "−0.703 to −0.482 Shore D"),
        (
            "hardness.contrasts.instrument.A.B.at.finish.waxed.difference",
            "−0.492 Shore D",
        ),
        ("hardness.slopes.temperature.per_unit", "−0.189 Shore D per °C"),
        ("hardness.effects.finish.instrument.p", "0.13"),
        ("hardness.components.roller.share", "30 %"),
        ("hardness.spread.method.share", "68 %"),
    ] {
        assert_eq!(
            names.get(name).map(|v| v.replace('\u{a0}', " ")).as_deref(),
            Some(value),
            "{name}"
        );
    }
}

/// Source: WCAG 2.2, relative luminance and contrast ratio; 4.5 to 1 for text.
#[test]
fn text_stands_out_from_its_ground() {
    let css = include_str!("../templates/base.css");
    let sets: Vec<BTreeMap<&str, &str>> = css
        .split(":root {")
        .skip(1)
        .map(|set| {
            let set = set.split('}').next().unwrap();
            set.split(';')
                .filter_map(|line| line.trim().split_once(':'))
                .map(|(k, v)| (k.trim(), v.trim()))
                .collect()
        })
        .collect();
    assert_eq!(sets.len(), 3, "light, dark and print");
    let luminance = |colour: &str| {
        let part = |at: usize| {
            let value = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if value <= 0.040_45 {
                value / 12.92
            } else {
                ((value + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    };
    for set in sets {
        for text in ["--ink", "--quiet", "--accent", "--warn"] {
            for ground in ["--paper", "--band"] {
                let (a, b) = (luminance(set[text]), luminance(set[ground]));
                let ratio = (a.max(b) + 0.05) / (a.min(b) + 0.05);
                assert!(ratio >= 4.5, "{text} on {ground}: {ratio:.2}");
            }
        }
    }
}

#[test]
fn the_terminal_keeps_to_its_width() {
    let findings = fixture::findings();
    for width in [80, 100, 140] {
        let text = report::terminal(&findings, width);
        for line in text.lines() {
            assert!(line.chars().count() <= width, "{width}: {line}");
        }
    }
    insta::assert_snapshot!("terminal", report::terminal(&findings, 100));
}

#[test]
fn the_page_of_the_roller_study() {
    let page = bare(&html(&Study::roller().build()));
    // The annex repeats the fixture.
    let page = page.split("<h2 id=\"annex\">").next().unwrap();
    insta::assert_snapshot!("page", page);
}
