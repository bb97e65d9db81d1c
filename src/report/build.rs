//! From findings to the document: which section, which block, in which order.
//!
//! In:  the protocol, the site, the plan, the findings and the author's note.
//! Out: a `Report`. Order: the answer, what was done, what departed from it, figures, tables, the author's words,
//!      limits, cautions, provenance, and every raw result in an annex.
//!
//! The words promise nothing that was not found: no certificate, no approval, no fitness for purpose, and nothing
//! beyond the levels, things and site studied.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

use crate::analysis::{Findings, ResponseFindings};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::plan::Plan;
use crate::protocol::{Protocol, Site};

use super::document::{Answers, Block, Cell, Fact, Notice, Report, Section, Table};
use super::number::{self, NBSP, with_unit};
use super::values::Names;
use super::words::{Voice, capital, count, listed, numbers, plain};
use super::{figures, note, tables};

/// Everything that a report is made of.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// The protocol.
    pub protocol: &'a Protocol,
    /// The site file, if there is one.
    pub site: Option<&'a Site>,
    /// The frozen plan; none for an as-run study.
    pub plan: Option<&'a Plan>,
    /// What was found.
    pub findings: &'a Findings,
    /// The author's words, Markdown.
    pub note: Option<&'a Arc<Source>>,
}

impl Input<'_> {
    fn voice(&self, found: &ResponseFindings) -> Voice {
        let units = self.protocol.factors.iter().filter(|f| !f.unit.is_empty());
        Voice::new(found, units.map(|f| (f.name.clone(), f.unit.clone())).collect())
    }

    /// The responses with findings, in protocol order.
    fn responses(&self) -> Vec<(&str, &ResponseFindings, Voice)> {
        let names = self.protocol.responses.iter().map(|r| r.name.as_str());
        names
            .filter_map(|name| self.findings.responses.get(name).map(|f| (name, f, self.voice(f))))
            .collect()
    }

    fn study(&self) -> &crate::analysis::StudyHead {
        &self.findings.study
    }

    fn as_run(&self) -> bool {
        self.protocol.is_as_run() || self.study().order == "as run"
    }
}

/// Every value that a note may pull in with `{{value: NAME}}`, rounded as the report prints it, by name.
#[must_use]
pub fn value_names(input: &Input) -> BTreeMap<String, String> {
    let mut names = Names(BTreeMap::new());
    let study = input.study();
    for (name, value) in [
        ("study.id", &study.id),
        ("study.title", &study.title),
        ("study.version", &study.version),
        ("study.site", &study.site),
        ("provenance.tool", &input.findings.provenance.tool),
        ("provenance.seed", &input.findings.provenance.seed),
    ] {
        names.add(name.to_owned(), value.as_str());
    }
    let record = &input.findings.record;
    for (name, value) in [
        ("record.runs_planned", record.runs_planned),
        ("record.runs_complete", record.runs_complete),
        ("record.runs_missing", record.runs_missing.len()),
        ("record.runs_incomplete", record.runs_incomplete.len()),
        ("record.corrections", record.corrections.len()),
        ("record.deviations", record.deviations.len()),
        ("record.questioned", record.questioned.len()),
    ] {
        names.add(name.to_owned(), value.to_string());
    }
    for c in &record.conditions {
        for (what, value) in [("lowest", c.lowest), ("mean", c.mean), ("highest", c.highest)] {
            if let Some(value) = value {
                let text = with_unit(&number::significant(value, 4), &c.unit);
                names.add(format!("conditions.{}.{what}", c.name), text);
            }
        }
    }
    for (name, found, voice) in input.responses() {
        names.response(name, found, &voice);
    }
    names.0
}

/// Builds the report.
///
/// # Errors
///
/// `T030` to `T032` for what is wrong with the note; `T033` if the findings hold none of the protocol's responses.
pub fn build(input: &Input) -> Result<(Report, Diagnostics), Diagnostics> {
    let mut found = Diagnostics::new();
    let responses = input.responses();
    if responses.is_empty() {
        return Err(Diagnostic::error(
            "T033",
            "the findings hold none of the responses that the protocol declares",
        )
        .into());
    }
    let noted = match input.note {
        None => None,
        Some(source) => match note::read(source, &value_names(input)) {
            Ok((tree, warnings)) => {
                found.extend(warnings);
                Some(tree)
            }
            Err(errors) => {
                found.extend(errors);
                None
            }
        },
    };
    let study = input.study();
    let site = site_name(input);
    let mut sections = vec![
        done(input),
        departures(input),
        pictures(input, &responses),
        numbers_of(input, &responses),
    ];
    if let Some(blocks) = noted.filter(|tree| tree.as_array().is_some_and(|blocks| !blocks.is_empty())) {
        sections.push(section(
            "words-of-the-laboratory",
            "Remarks of the laboratory",
            vec![Block::Note { blocks }],
        ));
    }
    sections.extend([
        limits(input, &responses),
        cautions(input),
        provenance(input),
        annex(input, &responses),
    ]);
    let mut report = Report {
        language: "en-GB".to_owned(),
        id: study.id.clone(),
        version: study.version.clone(),
        site,
        title: study.title.clone(),
        question: input.protocol.study.question.clone(),
        rehearsal: study.rehearsal,
        notices: notices(input),
        facts: facts(input),
        answers: responses
            .iter()
            .map(|(name, found, voice)| Answers {
                heading: if responses.len() > 1 {
                    capital(&plain(name))
                } else {
                    String::new()
                },
                sentences: answer(found, voice),
            })
            .collect(),
        sections: sections
            .into_iter()
            .filter(|section| !section.blocks.is_empty())
            .collect(),
        footer: format!(
            "{}, protocol {}",
            tool(input),
            study.protocol_sha256.chars().take(12).collect::<String>()
        ),
    };
    report.number();
    found.unless_errors(report)
}

fn section(id: &str, title: &str, blocks: Vec<Block>) -> Section {
    Section {
        id: id.to_owned(),
        title: title.to_owned(),
        new_page: false,
        blocks,
    }
}

/// The program with its version.
fn tool(input: &Input) -> String {
    match input.findings.provenance.tool.as_str() {
        tool if tool.starts_with(|c: char| c.is_ascii_digit()) => format!("wellrun {tool}"),
        tool => tool.to_owned(),
    }
}

fn site_name(input: &Input) -> String {
    match input.site {
        Some(site) if !site.name.is_empty() => site.name.clone(),
        _ => input.study().site.clone(),
    }
}

fn answer(found: &ResponseFindings, voice: &Voice) -> Vec<String> {
    let said = voice.answers(found);
    if said.is_empty() {
        let none = "The readings at hand answer none of the planned questions; the tables show what there is.";
        let reasons = found
            .cannot_tell
            .iter()
            .map(|why| format!("{}.", capital(why.trim_end_matches('.'))));
        std::iter::once(none.to_owned()).chain(reasons).collect()
    } else {
        said
    }
}

fn notices(input: &Input) -> Vec<Notice> {
    let mut all = Vec::new();
    let mut notice = |label: &str, text: String| {
        all.push(Notice {
            label: label.to_owned(),
            text,
        });
    };
    if input.study().rehearsal {
        notice(
            "REHEARSAL",
            "The readings were simulated to try the study out. Nothing here was measured, and no number says anything \
             about a real thing."
                .to_owned(),
        );
    }
    if input.as_run() {
        let source = match input.protocol.study.source.as_str() {
            "" => String::new(),
            source => format!(" Source of the readings: {}.", source.trim_end_matches('.')),
        };
        notice(
            "Order not randomized by this protocol",
            format!(
                "The readings existed before the protocol and are analysed in the order in which they were run. Whether \
                 that order was random is not known here, and what drifted with it may stand in the effects.{source}"
            ),
        );
    }
    let record = &input.findings.record;
    let lost = record.runs_missing.len() + record.runs_incomplete.len();
    if lost > 0 {
        notice(
            "Readings are missing",
            format!(
                "{} of {} complete.",
                capital(&count(record.runs_complete, "run", "runs")),
                if record.runs_complete == 1 {
                    format!("{} planned is", record.runs_planned)
                } else {
                    format!("{} planned are", record.runs_planned)
                }
            ),
        );
    }
    all
}

fn facts(input: &Input) -> Vec<Fact> {
    let study = &input.protocol.study;
    let mut all = Vec::new();
    let mut fact = |name: &str, value: String| {
        if !value.trim().is_empty() {
            all.push(Fact {
                name: name.to_owned(),
                value,
            });
        }
    };
    fact(
        "Study",
        format!("{}, version {}", input.study().id, input.study().version),
    );
    fact("Kind of study", study.kind.word().to_owned());
    fact("Method", study.method.clone());
    fact(
        "Place of work",
        match input.site {
            Some(site) if !site.room.is_empty() => format!("{}, {}", site_name(input), site.room),
            _ => site_name(input),
        },
    );
    if let Some(site) = input.site {
        let (first, last) = &site.dates;
        fact(
            "Dates of the work",
            match (first.as_str(), last.as_str()) {
                ("", last) => last.to_owned(),
                (first, "") => first.to_owned(),
                (first, last) if first == last => first.to_owned(),
                (first, last) => format!("{first} to {last}"),
            },
        );
    }
    let record = &input.findings.record;
    fact(
        "Runs",
        if input.as_run() {
            count(record.runs_complete, "run", "runs")
        } else {
            format!("{} of {} planned", record.runs_complete, record.runs_planned)
        },
    );
    fact(
        "Order of the runs",
        if input.as_run() {
            "as run, not drawn here"
        } else {
            "randomized, see the provenance"
        }
        .to_owned(),
    );
    all
}

/// The units in a sentence: `4 sessions; 8 rollers, each of them in every session; 3 runs ...`.
fn units(protocol: &Protocol) -> Vec<String> {
    let mut said = Vec::new();
    for (id, unit) in protocol.units.iter().enumerate() {
        let name = plain(&unit.name);
        let above: Vec<String> = unit.within.iter().map(|&u| plain(&protocol.units[u].name)).collect();
        let crossed: Vec<String> = (0..id)
            .filter(|other| !protocol.above(id).contains(other))
            .map(|u| plain(&protocol.units[u].name))
            .collect();
        let number = if unit.count > 0 {
            format!("{}{NBSP}", unit.count)
        } else {
            String::new()
        };
        let mut text = format!("{}: {number}", capital(&name));
        match above.as_slice() {
            [] if unit.count > 0 => text.push_str("in all"),
            [] => text.push_str("as found in the readings"),
            [one] => text.extend(["within each ", one]),
            many => text.extend(["within each combination of ", &listed(many)]),
        }
        if !crossed.is_empty() {
            let _ = write!(text, ", crossed with {}: the same ones come back", listed(&crossed));
        }
        let set: Vec<String> = protocol
            .factors_on(id)
            .iter()
            .map(|&f| plain(&protocol.factors[f].name))
            .collect();
        if !set.is_empty() {
            let verb = if set.len() > 1 { "are" } else { "is" };
            let _ = write!(text, "; {} {verb} set here", listed(&set));
        }
        text.push('.');
        said.push(text);
    }
    said
}

fn factors(protocol: &Protocol) -> Table {
    let part = |part: crate::protocol::PartOf| match part {
        crate::protocol::PartOf::Method => "method",
        crate::protocol::PartOf::Product => "product",
    };
    let rows = protocol
        .factors
        .iter()
        .map(|factor| {
            let levels: Vec<String> = (0..factor.levels.len()).map(|i| factor.level(i)).collect();
            let mut how = vec![if factor.is_numeric() { "a slope" } else { "differences" }];
            if factor.carries_over {
                how.push("may carry over to the next run");
            }
            vec![
                Cell::words(capital(&plain(&factor.name))),
                Cell::words(levels.join(", ")),
                Cell::words(
                    protocol
                        .units
                        .get(factor.set_on)
                        .map_or(String::new(), |u| plain(&u.name)),
                ),
                Cell::words(part(factor.part_of)),
                Cell::words(how.join("; ")),
            ]
        })
        .collect();
    let columns = ["Factor", "Levels", "Set on", "Part of", "Estimated as"];
    Table::new("factors", "What was varied", &columns).group("", rows)
}

/// What stands behind the names of levels, as supplied by the site.
fn named(input: &Input) -> Option<Table> {
    let site = input.site.filter(|site| !site.named.is_empty())?;
    let rows = site
        .named
        .iter()
        .filter_map(|named| {
            let factor = input.protocol.factors.get(named.factor)?;
            let level = factor.levels.get(named.level)?;
            let text = |text: &str| Cell::words(if text.is_empty() { "not supplied" } else { text });
            Some(vec![
                Cell::words(format!("{} {level}", capital(&plain(&factor.name)))),
                text(&named.description),
                text(&named.serial),
                text(&named.certificate),
                text(&named.calibrated),
                text(&named.due),
                Cell::words(
                    named
                        .tolerance
                        .map_or_else(|| "not supplied".to_owned(), |t| format!("±{NBSP}{t}")),
                ),
            ])
        })
        .collect();
    let columns = [
        "Name here",
        "What it is",
        "Serial number",
        "Certificate",
        "Date of calibration",
        "Good until",
        "Tolerance",
    ];
    let table = Table::new(
        "named-by-site",
        "What stands behind the names, as supplied by the site",
        &columns,
    );
    Some(
        table.group("", rows).remark(
            "Copied from the site file as supplied; neither the numbers nor the certificates were verified here.",
        ),
    )
}

fn done(input: &Input) -> Section {
    let protocol = input.protocol;
    let mut blocks = vec![Block::Table(tables::measurand(protocol))];
    blocks.push(Block::heading("Units, from the widest to the run"));
    blocks.push(Block::list(units(protocol)));
    let order = if input.as_run() {
        "The readings existed already: nothing was drawn, and the units and levels are those that came with them."
            .to_owned()
    } else {
        let set_ups = input.plan.map(|plan| {
            let units = 0..protocol.run_unit();
            let parts: Vec<String> = units
                .map(|unit| {
                    let times = (0..plan.runs.len())
                        .filter(|&i| plan.set_up_before(protocol, i).contains(&unit))
                        .count();
                    format!("{} {times}{NBSP}times", plain(&protocol.units[unit].name))
                })
                .collect();
            if parts.is_empty() {
                String::new()
            } else {
                format!(" Set up anew in that order: {}.", listed(&parts))
            }
        });
        format!(
            "The order of the runs was drawn before the first reading, by the randomization that these units allow.{} The \
             provenance at the end gives the seed.",
            set_ups.unwrap_or_default()
        )
    };
    blocks.push(Block::paragraph(order));
    blocks.push(Block::Table(factors(protocol)));
    blocks.extend(named(input).map(Block::Table));
    if let Some(site) = input.site
        && !site.people.is_empty()
    {
        let people: Vec<String> = site
            .people
            .iter()
            .map(|p| {
                if p.role.is_empty() {
                    p.code.clone()
                } else {
                    format!("{} ({})", p.code, p.role)
                }
            })
            .collect();
        blocks.push(Block::paragraph(format!(
            "Took part, by the codes on the sheets: {}.",
            listed(&people)
        )));
    }
    let procedure = &protocol.procedure;
    for (heading, steps) in [
        ("Before the first run", &procedure.before_study),
        ("Before each run", &procedure.before_run),
        ("After each run", &procedure.after_run),
        ("After the last run", &procedure.after_study),
    ] {
        if !steps.is_empty() {
            blocks.push(Block::heading(heading));
            blocks.push(Block::List {
                ordered: true,
                items: steps.clone(),
            });
        }
    }
    section("what-was-done", "What was done", blocks)
}

fn departures(input: &Input) -> Section {
    let record = &input.findings.record;
    let mut items = Vec::new();
    if !record.runs_missing.is_empty() {
        items.push(format!("Runs without a reading: {}.", numbers(&record.runs_missing)));
    }
    if !record.runs_incomplete.is_empty() {
        items.push(format!(
            "Runs with some readings missing: {}.",
            numbers(&record.runs_incomplete)
        ));
    }
    if !record.out_of_order.is_empty() {
        items.push(format!(
            "Runs made in another order than planned: {}.",
            numbers(&record.out_of_order)
        ));
    }
    for deviation in &record.deviations {
        let what = deviation.what.trim_end_matches('.');
        items.push(match deviation.run {
            Some(run) => format!("Run {run}: {what}."),
            None => format!("{}.", capital(what)),
        });
    }
    let mut blocks = Vec::new();
    if items.is_empty() {
        blocks.push(Block::paragraph("No departure from the protocol was recorded."));
    } else {
        blocks.push(Block::list(items));
    }
    if record.corrections.is_empty() {
        blocks.push(Block::paragraph("No value was corrected after it had been taken in."));
    } else {
        let rows = record
            .corrections
            .iter()
            .map(|c| {
                let texts = [c.what.as_str(), &c.from, &c.to, &c.reason];
                std::iter::once(Cell::count(c.run))
                    .chain(texts.map(Cell::words))
                    .collect()
            })
            .collect();
        let columns = [">Run", "Value", "First written", "Corrected to", "Reason given"];
        let table =
            Table::new("corrections", "Values corrected after they had been taken in", &columns).group("", rows);
        blocks.push(Block::Table(
            table.remark("The analysis uses the corrected values; the record keeps both."),
        ));
    }
    if !record.questioned.is_empty() {
        let rows = record
            .questioned
            .iter()
            .map(|q| {
                let texts = [q.what.as_str(), &q.text, &q.why];
                std::iter::once(Cell::count(q.run))
                    .chain(texts.map(Cell::words))
                    .collect()
            })
            .collect();
        let columns = [">Run", "Value", "As written", "Why it was questioned"];
        let table = Table::new("questioned", "Values taken in with a question", &columns).group("", rows);
        blocks.push(Block::Table(table.remark(
            "These values are part of the analysis: an odd value is no reason to leave it out.",
        )));
    }
    blocks.extend(tables::conditions(input.findings).map(Block::Table));
    section("departures", "Departures, corrections and conditions", blocks)
}

type Responses<'a> = [(&'a str, &'a ResponseFindings, Voice)];

fn pictures(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        blocks.extend(
            figures::figures(input.protocol, name, found, voice)
                .into_iter()
                .map(Block::Figure),
        );
    }
    section("figures", "What the readings show", blocks)
}

fn numbers_of(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        blocks.push(Block::paragraph(model(found, voice)));
        let tables = [
            tables::effects(name, found),
            tables::contrasts(name, found, voice),
            tables::slopes(name, found, voice),
            Some(tables::means(name, found, voice)),
            tables::components(name, found, voice),
            tables::strata(name, found),
            tables::checks(name, found),
        ];
        blocks.extend(tables.into_iter().flatten().map(Block::Table));
    }
    if input.study().rehearsal {
        blocks.insert(0, Block::paragraph("Every number below comes from simulated readings."));
    }
    section("tables", "The numbers", blocks)
}

/// The model in a few sentences.
fn model(found: &ResponseFindings, voice: &Voice) -> String {
    let results = count(found.runs, "result", "results");
    let mut text = format!(
        "{} from {} were analysed",
        capital(&results),
        count(found.readings, "reading", "readings")
    );
    if found.missing > 0 {
        let _ = write!(
            text,
            "; {} planned are not there",
            count(found.missing, "reading", "readings")
        );
    }
    let _ = write!(text, ". Method: {}. ", found.model.method);
    if !found.model.fixed.is_empty() {
        let fixed: Vec<String> = found.model.fixed.iter().map(|e| plain(e)).collect();
        let _ = write!(text, "Effects in the model: {}. ", listed(&fixed));
    }
    if !found.model.random.is_empty() {
        let random: Vec<String> = found.model.random.iter().map(|e| plain(e)).collect();
        let _ = write!(text, "Units that bring spread: {}. ", listed(&random));
    }
    if let Some(deviation) = found.residual.standard_deviation {
        let _ = write!(
            text,
            "Standard deviation of a run's result about the model: {} ({}).",
            with_unit(&number::significant(deviation, 3), &voice.unit),
            count(found.residual.df, "degree of freedom", "degrees of freedom")
        );
    }
    text.trim_end().to_owned()
}

fn limits(input: &Input, responses: &Responses) -> Section {
    let protocol = input.protocol;
    let mut items: Vec<String> = Vec::new();
    for (name, found, _) in responses {
        for sentence in &found.cannot_tell {
            let sentence = format!("{}.", capital(sentence.trim_end_matches('.')));
            items.push(if responses.len() > 1 {
                format!("{}: {sentence}", capital(&plain(name)))
            } else {
                sentence
            });
        }
    }
    let levels: Vec<String> = protocol
        .factors
        .iter()
        .map(|f| {
            let levels: Vec<String> = (0..f.levels.len()).map(|i| f.level(i)).collect();
            if levels.len() > 8 {
                format!("{} ({} levels)", plain(&f.name), levels.len())
            } else {
                format!("{} ({})", plain(&f.name), levels.join(", "))
            }
        })
        .collect();
    if !levels.is_empty() {
        items.push(format!(
            "The effects hold for the levels studied: {}. Between the levels of a category there is nothing; beyond the \
             ends of a numeric factor nothing was seen.",
            listed(&levels)
        ));
    }
    items.push(match site_name(input).as_str() {
        "" => "One place of work was studied; another may differ.".to_owned(),
        site => format!("One place of work was studied, {site}; another may differ."),
    });
    items.push(
        "The results belong to the things that were measured. Whether others are like them depends on how these were \
         chosen, which the study does not tell."
            .to_owned(),
    );
    items.push(
        "'Undecided' says that the readings leave room for an effect and for none; it does not say that there is none."
            .to_owned(),
    );
    if responses.iter().any(|(_, f, _)| f.effects.iter().any(|e| !e.planned)) {
        items.push(
            "What is marked exploratory was not asked before the readings were seen: it may be chance, and waits for \
                    a study that plans it."
                .to_owned(),
        );
    }
    section("limits", "What this study cannot tell", vec![Block::list(items)])
}

fn cautions(input: &Input) -> Section {
    let mut blocks = Vec::new();
    let cautions = &input.protocol.procedure.cautions;
    if !cautions.is_empty() {
        blocks.push(Block::paragraph(
            "The protocol gives these warnings to those who repeat the work:",
        ));
        blocks.push(Block::list(cautions.clone()));
    }
    blocks.push(Block::paragraph(
        "Neither the protocol nor this report assesses the hazards of the work. The laboratory makes its own assessment \
         first. Law, the rules of the site, the makers' instructions and the safety data sheets come before anything \
         printed here, and the work is for people who are trained and authorized for it.",
    ));
    blocks.push(Block::paragraph(
        "The calculations follow the protocol as declared. The laboratory answers for the readings, for what it declared, \
         and for the use that is made of both. This report is no certificate, approval or legal opinion. It does not state \
         that a product, an instrument or a laboratory conforms to anything or is fit for a purpose. Dates and numbers of \
         certificates are repeated as supplied.",
    ));
    section("cautions", "Cautions and local rules", blocks)
}

fn provenance(input: &Input) -> Section {
    let from = &input.findings.provenance;
    let program = tool(input);
    let rows = [
        ("Protocol (SHA-256)", input.study().protocol_sha256.as_str()),
        ("Site file (SHA-256)", &from.site_sha256),
        ("Plan (SHA-256)", &from.plan_sha256),
        ("Last entry of the record (SHA-256)", &from.record_sha256),
        ("Seed of the draw", &from.seed),
        ("How the order was drawn", &from.algorithm),
        ("Plan frozen at", &from.frozen_at),
        ("Program", &program),
        ("Format of the findings", &input.findings.format),
    ];
    let rows = rows
        .iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(name, value)| vec![Cell::words(*name), Cell::words(*value)])
        .collect();
    let table = Table::new("provenance", "Where the numbers come from", &["What", "Value"]).group("", rows);
    let draw = if input.as_run() {
        ""
    } else {
        ", draws the order again from the seed"
    };
    let blocks = vec![
        Block::Table(table.remark(
            "A hash shows that a file is the same as the one used here. It does not show that its contents are true.",
        )),
        Block::paragraph(format!(
            "To compute everything again, take the study folder and the program named above. The first command checks the \
             hashes and the chain of the record{draw}; the second prints the findings; the third makes this report anew, byte \
             for byte."
        )),
        Block::Commands {
            lines: [
                "wellrun verify FOLDER",
                "wellrun analyse FOLDER --json",
                "wellrun report FOLDER",
            ]
            .map(str::to_owned)
            .to_vec(),
        },
    ];
    section("provenance", "How to compute it again", blocks)
}

fn annex(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        let Some(response) = input.protocol.responses.iter().find(|r| r.name == *name) else {
            continue;
        };
        blocks.extend(tables::results(input.protocol, response, found, voice).map(Block::Table));
        blocks.extend(tables::readings(response, found, voice).map(Block::Table));
    }
    Section {
        new_page: true,
        ..section("annex", "Annex: every result and reading", blocks)
    }
}
