//! From findings to the document: which section, which block, in which order.
//!
//! In:  the protocol, the site, the plan, the findings and the author's note.
//! Out: a `Report`. The answer comes first; the sections follow in the order that `order` gives for the kind of study.
//!
//! The words promise nothing that was not found: no certificate, no approval, no fitness for purpose, and nothing
//! beyond the levels, things and site studied.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::analysis::{Findings, ResponseFindings};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::plan::Plan;
use crate::protocol::{Protocol, Site};

use super::answers::{answers, stated};
use super::document::{Answers, Block, Fact, Notice, Report, Section};
use super::measurement;
use super::measurement_system::measurement as measurement_system;
use super::note;
use super::number::{self, with_unit};
use super::order::{self, Part};
use super::precision::precision;
use super::rehearsed;
use super::sections::{annex, cautions, course, departures, done, limits, numbers_of, pictures, provenance, section};
use super::trust::trust;
use super::values::Names;
use super::words::{Voice, capital, count, plain};

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

    pub(super) fn study(&self) -> &crate::analysis::StudyHead {
        &self.findings.study
    }

    pub(super) fn as_run(&self) -> bool {
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
        measurement::values(name, found, &voice, &mut |name, value| names.add(name, value));
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
    let has_statement = responses.iter().any(|(_, found, _)| stated(&study.kind, found));
    let words = noted
        .filter(|tree| tree.as_array().is_some_and(|blocks| !blocks.is_empty()))
        .map(|blocks| vec![Block::Note { blocks }])
        .unwrap_or_default();
    let parts = order::parts(input.protocol.study.kind, has_statement)
        .iter()
        .map(|part| match part {
            Part::Done => done(input),
            Part::Departures => departures(input),
            Part::MeasurementSystem => measurement_system(&responses),
            Part::Precision => precision(input, &responses),
            Part::Course => course(input, &responses),
            Part::Figures => pictures(input, &responses),
            Part::Trust => trust(input, &responses),
            Part::Numbers => numbers_of(input, &responses),
            Part::Variations => measurement::variations(&responses),
            Part::Agreement => measurement::agreements(&responses),
            Part::Uncertainty => measurement::uncertainties(&responses),
            Part::Decision => measurement::decisions(&responses),
            Part::Words => section("words-of-the-laboratory", "Remarks of the laboratory", words.clone()),
            Part::Limits => limits(input, &responses),
            Part::Cautions => cautions(input.protocol),
            Part::Provenance => provenance(input),
            Part::Annex => annex(input, &responses),
        });
    // Of a rehearsal the reader wants to know first how well it did.
    let sections: Vec<Section> = rehearsed::put_in(input.findings).into_iter().chain(parts).collect();
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
                sentences: answers(&study.kind, found, voice),
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

/// The program with its version.
pub(super) fn tool(input: &Input) -> String {
    match input.findings.provenance.tool.as_str() {
        tool if tool.starts_with(|c: char| c.is_ascii_digit()) => format!("wellrun {tool}"),
        tool => tool.to_owned(),
    }
}

pub(super) fn site_name(input: &Input) -> String {
    match input.site {
        Some(site) if !site.name.is_empty() => site.name.clone(),
        _ => input.study().site.clone(),
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
