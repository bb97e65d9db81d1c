//! The whole record as one tidy table: one row a reading.
//!
//! In:  the protocol, the plan and the record.
//! Out: CSV text (comma, LF, decimal point) that a spreadsheet or any statistics package reads.
//!
//! | columns                          | what                                                                  |
//! |----------------------------------|-----------------------------------------------------------------------|
//! | `run`, `position`                | number; position actually run, else planned; blank if nobody knows    |
//! | units, factors, conditions       | by their names                                                        |
//! | `response`, `reading`, `value`   | name, position in the run, exact value with a decimal point           |
//! | `as_written`, `missing`          | the text as written; the reason where there is no value               |
//! | `time`, `initials`, `remark`     | as written                                                            |
//!
//! A text that a spreadsheet would compute (it starts with `=`, `+`, `-` or `@` and is no number) gets an apostrophe.

use std::borrow::Cow;
use std::collections::BTreeMap;

use crate::plan::Plan;
use crate::protocol::Protocol;

use super::columns::{Column, name, recorded};
use super::decimal;
use super::model::{Record, RunRecord};
use super::words::missing_word;

/// The record as CSV.
#[must_use]
pub fn tidy(protocol: &Protocol, plan: Option<&Plan>, record: &Record) -> String {
    let mut out = Csv::default();
    let run_unit = protocol.run_unit();
    out.cell("run");
    out.cell("position");
    for unit in protocol.units.iter().take(run_unit) {
        out.cell(&unit.name);
    }
    for factor in &protocol.factors {
        out.cell(&factor.name);
    }
    for condition in &protocol.conditions {
        out.cell(&condition.name);
    }
    for name in [
        "response",
        "reading",
        "value",
        "as_written",
        "missing",
        "time",
        "initials",
        "remark",
    ] {
        out.cell(name);
    }
    out.end();
    let reasons: BTreeMap<(usize, &str), &str> = record
        .missing
        .iter()
        .map(|missing| ((missing.run, missing.what.as_str()), missing.reason.as_str()))
        .collect();
    for run in record.runs.values() {
        let start = start(protocol, plan, record, run);
        for (id, response) in protocol.responses.iter().enumerate() {
            for position in 0..response.readings {
                let what = name(protocol, Column::Reading(id, position));
                let written = run
                    .readings
                    .get(id)
                    .and_then(|of| of.get(position))
                    .and_then(Option::as_ref);
                let reason = reasons.get(&(run.run, what.as_str())).copied().unwrap_or_default();
                if written.is_none() && reason.is_empty() {
                    continue;
                }
                for cell in &start {
                    out.cell(cell);
                }
                out.cell(&response.name);
                out.cell(&(position + 1).to_string());
                out.cell(&written.map(|w| w.value.to_string()).unwrap_or_default());
                out.cell(written.map_or("", |w| w.text.as_str()));
                out.cell(reason);
                out.cell(&run.time);
                out.cell(&run.initials);
                out.cell(&run.remark);
                out.end();
            }
        }
    }
    out.text
}

/// What the rows of a run begin with.
fn start(protocol: &Protocol, plan: Option<&Plan>, record: &Record, run: &RunRecord) -> Vec<String> {
    let planned = plan.and_then(|plan| plan.runs.get(run.run.checked_sub(1)?));
    let position = run.order.or(planned.map(|planned| planned.run));
    let mut cells = vec![
        run.run.to_string(),
        position.map(|position| position.to_string()).unwrap_or_default(),
    ];
    for id in 0..protocol.run_unit() {
        cells.push(match planned {
            Some(planned) => planned.units.get(id).map(ToString::to_string).unwrap_or_default(),
            None => run.units.get(id).cloned().unwrap_or_default(),
        });
    }
    for (id, factor) in protocol.factors.iter().enumerate() {
        let levels = planned.map_or(&run.levels, |planned| &planned.levels);
        let level = levels.get(id).and_then(|level| factor.levels.get(*level));
        cells.push(level.cloned().unwrap_or_default());
    }
    for id in 0..protocol.conditions.len() {
        cells.push(recorded(protocol, record, run.run, Column::Condition(id)).unwrap_or_default());
    }
    cells
}

/// Rows of cells as RFC 4180 writes them, with LF line ends.
#[derive(Default)]
struct Csv {
    text: String,
    inside: bool,
}

impl Csv {
    fn cell(&mut self, text: &str) {
        if self.inside {
            self.text.push(',');
        }
        self.inside = true;
        let safe = safe(text);
        if safe.contains([',', '"', '\n', '\r', ';', '\t']) {
            self.text.push('"');
            self.text.push_str(&safe.replace('"', "\"\""));
            self.text.push('"');
        } else {
            self.text.push_str(&safe);
        }
    }

    fn end(&mut self) {
        self.text.push('\n');
        self.inside = false;
    }
}

/// The text with an apostrophe before what a spreadsheet would compute.
fn safe(text: &str) -> Cow<'_, str> {
    let computed = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if computed && decimal::parse(text).is_err() && missing_word(text).is_none() {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}
