//! What has to be the same at every site, as a list that a site fills in.
//!
//! In:  the protocol; the filled list.
//! Out: the points in order; the list to fill in; the answers as entries of the journal, or what is wrong with them
//!      (codes `R...`).
//!
//! A point is something that the protocol asks for in words or numbers and no hash can show: the reading time, a step,
//! how a level is set. Points are named without the levels of factors, which may be blinded. Never here: what a
//! departure does to the findings.

use std::fmt::Write as _;
use std::sync::Arc;

use serde::Deserialize;

use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::protocol::Protocol;

use super::import::text_fault;
use super::journal::Entry;
use super::model::Record;
use super::replay::Context;
use super::words::{LONGEST_TEXT, on_one_line};

/// Something that has to be the same at every site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// Its name: `reading time of hardness`, `before each run, step 2`.
    pub what: String,
    /// What the protocol asks for.
    pub asked: String,
}

/// Every point of a protocol, in the order of the work.
#[must_use]
pub fn points(protocol: &Protocol) -> Vec<Point> {
    let mut all: Vec<Point> = Vec::new();
    let mut add = |what: String, asked: String| {
        let asked = on_one_line(&asked);
        if !asked.is_empty() && all.iter().all(|point| point.what != what) {
            all.push(Point { what, asked });
        }
    };
    for response in &protocol.responses {
        let name = &response.name;
        add(format!("measurand of {name}"), response.measurand.clone());
        add(
            format!("step of the display for {name}"),
            format!("{} {}", response.resolution, response.unit),
        );
        add(format!("readings of {name} in a run"), response.readings.to_string());
        add(format!("reading time of {name}"), response.reading_time.clone());
        add(format!("result of {name}"), response.result.word().to_owned());
    }
    let mut steps = |when: &str, steps: &[String]| {
        for (index, step) in steps.iter().enumerate() {
            add(format!("{when}, step {}", index + 1), step.clone());
        }
    };
    let procedure = &protocol.procedure;
    steps("before the study", &procedure.before_study);
    for unit in &protocol.units {
        steps(&format!("setting up a {}", unit.name), &unit.set_up);
    }
    steps("before each run", &procedure.before_run);
    steps("after each run", &procedure.after_run);
    for cleaning in &protocol.bench.cleanings {
        let factor = &protocol.factors[cleaning.factor].name;
        steps(&format!("cleaning after {factor}"), &cleaning.steps);
    }
    steps("after the study", &procedure.after_study);
    for factor in &protocol.factors {
        add(format!("how {} is set", factor.name), factor.how.clone());
    }
    for condition in &protocol.conditions {
        if let Some((low, high)) = condition.expected {
            add(
                format!("expected {}", condition.name),
                format!("{low} to {high} {}", condition.unit),
            );
        }
    }
    all
}

/// The list to fill in.
#[must_use]
pub fn conformance_list(protocol: &Protocol) -> String {
    let local: Vec<&str> = protocol
        .factors
        .iter()
        .filter(|factor| factor.named_by_site)
        .map(|factor| factor.name.as_str())
        .collect();
    let mut text = String::from(
        "# What has to be the same at every site. Answer each point with \"yes\", or with \"no\" and what is done instead;\n\
         # then take the list in with `wellrun record DIR --conformance`, before the first reading.\n",
    );
    if !local.is_empty() {
        let _ = writeln!(
            text,
            "# Local, and not to be the same: what stands behind the levels of {}. It goes into site.toml.",
            local.join(", ")
        );
    }
    let _ = write!(
        text,
        "wellrun_conformance = 1\nprotocol_sha256 = \"{}\"\n",
        protocol.sha256
    );
    for point in points(protocol) {
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let _ = write!(
            text,
            "\n[[point]]\nwhat = {}\nasked = {}\nsame = \"FILL IN\"\ninstead = \"\"\n",
            quoted(&point.what),
            quoted(&point.asked)
        );
    }
    text
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct List {
    wellrun_conformance: u32,
    protocol_sha256: String,
    #[serde(default)]
    point: Vec<toml::Spanned<Answer>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Answer {
    what: String,
    #[serde(default)]
    asked: String,
    same: String,
    #[serde(default)]
    instead: String,
}

/// The filled list as entries; none if everything in it is on record already.
///
/// # Errors
///
/// `R090` if the list cannot be read or is of another protocol, `R091` for a point that is not answered or not known,
/// `R060` for an answer that changes without a reason.
pub fn conformance(
    source: &Arc<Source>,
    context: &Context<'_>,
    record: &Record,
    reason: Option<&str>,
) -> Result<Vec<Entry>, Diagnostics> {
    let list: List = toml::from_str(&source.text).map_err(|problem| {
        Diagnostics::from(
            Diagnostic::error("R090", format!("the list cannot be read: {}", problem.message()))
                .at(source, problem.span().unwrap_or(0..0), "")
                .help("each point needs `what`, `asked`, `same` and, for a \"no\", `instead`"),
        )
    })?;
    let mut found = Diagnostics::new();
    if list.wellrun_conformance != 1 || list.protocol_sha256 != context.protocol.sha256 {
        let start = source.text.find("protocol_sha256").unwrap_or(0);
        found.push(
            Diagnostic::error(
                "R090",
                "this list was made for another protocol, or another version of it",
            )
            .at(source, start..start, "")
            .help("`wellrun record DIR --conformance` writes a new one where there is none"),
        );
        return Err(found);
    }
    let asked = points(context.protocol);
    let reason = reason.map(on_one_line);
    let mut entries = Vec::new();
    let mut answered = vec![false; asked.len()];
    for spanned in &list.point {
        let (span, answer) = (spanned.span(), spanned.get_ref());
        let mut say = |code: &'static str, message: String, help: &str| {
            found.push(Diagnostic::error(code, message).at(source, span.clone(), "").help(help));
        };
        let Some(index) = asked.iter().position(|point| point.what == answer.what) else {
            say(
                "R091",
                format!("the protocol has no point `{}`", answer.what),
                "take it out; a departure of another kind is noted with `wellrun record DIR --deviation TEXT`",
            );
            continue;
        };
        if std::mem::replace(&mut answered[index], true) {
            say(
                "R091",
                format!("`{}` is answered twice", answer.what),
                "answer each point once",
            );
            continue;
        }
        if answer.asked != asked[index].asked {
            say(
                "R091",
                format!("what the protocol asks for was changed in `{}`", answer.what),
                "leave `asked` as it is and say under `instead` what is done",
            );
            continue;
        }
        let instead = on_one_line(&answer.instead);
        let same = match answer.same.trim().to_lowercase().as_str() {
            "yes" if instead.is_empty() => true,
            "no" if text_fault(&instead, LONGEST_TEXT).is_none() => false,
            "yes" => {
                say(
                    "R091",
                    format!(
                        "`{}` is answered with yes, and something else is done instead",
                        answer.what
                    ),
                    "answer with \"no\", or take `instead` out",
                );
                continue;
            }
            "no" => {
                say(
                    "R091",
                    format!("`{}` does not say what is done instead", answer.what),
                    "say it in a sentence under `instead`",
                );
                continue;
            }
            _ => {
                say(
                    "R091",
                    format!("`{}` is not answered", answer.what),
                    "answer with \"yes\" or \"no\"",
                );
                continue;
            }
        };
        let entry = Entry::Conformance {
            what: answer.what.clone(),
            same,
            instead: (!same).then_some(instead),
            reason: None,
        };
        match record.conformance.get(&index) {
            None => entries.push(entry),
            Some(before) if before.same == same && Some(before.instead.as_str()) == instead_of(&entry) => {}
            Some(_) if reason.as_deref().is_none_or(str::is_empty) => say(
                "R060",
                format!("`{}` was answered otherwise before", answer.what),
                "say with `--reason` why the answer changes",
            ),
            Some(_) => {
                if let Entry::Conformance {
                    what, same, instead, ..
                } = entry
                {
                    entries.push(Entry::Conformance {
                        what,
                        same,
                        instead,
                        reason: reason.clone(),
                    });
                }
            }
        }
    }
    for (point, _) in asked.iter().zip(&answered).filter(|(_, answered)| !**answered) {
        found.push(
            Diagnostic::error("R091", format!("`{}` is not in the list", point.what))
                .at(source, 0..0, "")
                .help(format!("add the point; the protocol asks for: {}", point.asked)),
        );
    }
    found.unless_errors(entries).map(|(entries, _)| entries)
}

fn instead_of(entry: &Entry) -> Option<&str> {
    match entry {
        Entry::Conformance { instead, .. } => Some(instead.as_deref().unwrap_or_default()),
        _ => None,
    }
}
