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
//! | `time`, `initials`, `remark`     | as written; time and initials of the reading where it has its own     |
//! | `with`                           | the instruments that the page named for the reading                   |
//!
//! A text that a spreadsheet would compute (it starts with `=`, `+`, `-` or `@` and is no number) gets an apostrophe.

use std::collections::BTreeMap;

use crate::plan::Plan;
use crate::protocol::Protocol;
use crate::render::csv_row;

use super::columns::{Column, name, recorded};
use super::model::{Record, RunRecord};

/// The record as CSV.
#[must_use]
pub fn tidy(protocol: &Protocol, plan: Option<&Plan>, record: &Record) -> String {
    let mut out = String::new();
    let run_unit = protocol.run_unit();
    let mut head = vec!["run", "position"];
    head.extend(protocol.units.iter().take(run_unit).map(|unit| unit.name.as_str()));
    head.extend(protocol.factors.iter().map(|factor| factor.name.as_str()));
    head.extend(protocol.conditions.iter().map(|condition| condition.name.as_str()));
    head.extend([
        "response",
        "reading",
        "value",
        "as_written",
        "missing",
        "time",
        "initials",
        "remark",
        "with",
    ]);
    csv_row(&mut out, head);
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
                let reading = (position + 1).to_string();
                let value = written.map(|w| w.value.to_string()).unwrap_or_default();
                let trace = record.traces.get(&(run.run.to_string(), what));
                let traced = |of: Option<&String>, else_as: &str| of.map_or_else(|| else_as.to_owned(), Clone::clone);
                let time = traced(trace.and_then(|trace| trace.read.as_ref()), &run.time);
                let initials = traced(trace.and_then(|trace| trace.by.as_ref()), &run.initials);
                let own = [
                    response.name.as_str(),
                    &reading,
                    &value,
                    written.map_or("", |w| w.text.as_str()),
                    reason,
                    &time,
                    &initials,
                    &run.remark,
                    trace.and_then(|trace| trace.with.as_deref()).unwrap_or_default(),
                ];
                csv_row(&mut out, start.iter().map(String::as_str).chain(own));
            }
        }
    }
    out
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
