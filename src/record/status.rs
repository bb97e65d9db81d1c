//! Where a study stands: what is done, missing, out of order, questioned.
//!
//! In:  the protocol, the plan and the record.
//! Out: a `Status`, which is data for the terminal and for `--json`.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::plan::{ControlRow, Plan, control_rows};
use crate::protocol::{ConditionId, Protocol};

use super::columns::{Column, name};
use super::doubts::unit_path;
use super::model::{Record, RunRecord};

/// Where a study stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Status {
    /// Number of runs: those of the plan; for an as-run study those recorded.
    pub planned: usize,
    /// Runs with every reading.
    pub complete: usize,
    /// Runs with something recorded and a reading missing, in planned order.
    pub incomplete: Vec<usize>,
    /// Runs with nothing recorded, in planned order.
    pub untouched: Vec<usize>,
    /// Readings and conditions that are missing in runs with something recorded.
    pub missing: Vec<MissingValue>,
    /// Runs made after one that was planned to come later, in the order in which they were made.
    pub out_of_order: Vec<OutOfOrder>,
    /// Number of corrections.
    pub corrections: usize,
    /// Number of departures from the protocol.
    pub deviations: usize,
    /// Number of values taken in with a question mark.
    pub questioned: usize,
    /// Number of files taken in.
    pub files: usize,
    /// Rows of controls: those of the plan, and those with every reading; left out where there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub controls: Option<ControlRows>,
    /// The first run in planned order that still lacks a reading that no reason explains; `None` if all is done.
    pub next_run: Option<usize>,
}

/// How far the rows of controls are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ControlRows {
    /// Those of the plan.
    pub planned: usize,
    /// Those with every reading, or a reason in its place.
    pub complete: usize,
}

/// A value that is missing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingValue {
    /// Number of the run.
    pub run: usize,
    /// The column.
    pub what: String,
    /// The reason written in its place, if one is.
    pub reason: Option<String>,
}

/// A run that was made later than planned.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OutOfOrder {
    /// Number of the run, which is its planned position.
    pub run: usize,
    /// Position in which it was made, as written.
    pub position: usize,
    /// A run of a higher number that was made before it.
    pub after: usize,
}

/// Sums up where a study stands.
#[must_use]
pub fn status(protocol: &Protocol, plan: Option<&Plan>, record: &Record) -> Status {
    let all: Vec<usize> = match plan {
        Some(plan) => plan.runs.iter().map(|run| run.run).collect(),
        None => record.runs.keys().copied().collect(),
    };
    let mut reasons: Vec<(usize, &str, &str)> = record
        .missing
        .iter()
        .map(|missing| (missing.run, missing.what.as_str(), missing.reason.as_str()))
        .collect();
    reasons.sort_unstable();
    let reason = |run: usize, what: &str| {
        let at = reasons.partition_point(|(r, w, _)| (*r, *w) < (run, what));
        reasons
            .get(at)
            .filter(|(r, w, _)| *r == run && *w == what)
            .map(|(_, _, word)| (*word).to_owned())
    };
    let mut status = Status {
        planned: all.len(),
        complete: 0,
        incomplete: Vec::new(),
        untouched: Vec::new(),
        missing: Vec::new(),
        out_of_order: out_of_order(record),
        corrections: record.corrections.len(),
        deviations: record.deviations.len(),
        questioned: record.questioned.len(),
        files: record.files.len(),
        controls: plan.and_then(|plan| controls(protocol, plan, record)),
        next_run: None,
    };
    let mut known = measured(protocol, plan, record);
    for run in all {
        let Some(recorded) = record.runs.get(&run) else {
            status.untouched.push(run);
            status.next_run.get_or_insert(run);
            continue;
        };
        let mut absent = absent(protocol, recorded);
        // A condition of a wider unit stands once for all of its runs: it is missing once, in the first of them.
        absent.retain(|column| match *column {
            Column::Condition(id) if reason(run, &name(protocol, *column)).is_none() => {
                of_unit(protocol, plan, recorded, id).is_none_or(|unit| known.insert((id, unit)))
            }
            _ => true,
        });
        if absent.iter().any(|column| matches!(column, Column::Reading(..))) {
            status.incomplete.push(run);
        } else {
            status.complete += 1;
        }
        for column in absent {
            let what = name(protocol, column);
            let reason = reason(run, &what);
            // A reading that was lost will not come; one that was not done may.
            let open = reason.as_deref().is_none_or(super::words::is_open);
            if open && matches!(column, Column::Reading(..)) {
                status.next_run.get_or_insert(run);
            }
            status.missing.push(MissingValue { run, what, reason });
        }
    }
    status
}

fn controls(protocol: &Protocol, plan: &Plan, record: &Record) -> Option<ControlRows> {
    let rows = control_rows(protocol, plan.runs.len());
    let complete = |row: &ControlRow| {
        let recorded = record.controls.get(&(row.control, row.number));
        recorded.is_some_and(|recorded| {
            let mut readings = recorded.readings.iter().enumerate();
            readings.all(|(position, written)| written.is_some() || recorded.missing.contains_key(&position))
        })
    };
    (!rows.is_empty()).then(|| ControlRows {
        planned: rows.len(),
        complete: rows.iter().filter(|row| complete(row)).count(),
    })
}

/// The values that a run lacks.
fn absent(protocol: &Protocol, run: &RunRecord) -> Vec<Column> {
    let conditions = (0..protocol.conditions.len())
        .filter(|id| run.conditions.get(*id).is_none_or(Option::is_none))
        .map(Column::Condition);
    let readings = protocol.responses.iter().enumerate().flat_map(|(id, response)| {
        (0..response.readings)
            .filter(move |position| {
                let written = run.readings.get(id).and_then(|of| of.get(*position));
                written.is_none_or(Option::is_none)
            })
            .map(move |position| Column::Reading(id, position))
    });
    conditions.chain(readings).collect()
}

/// A condition, and the unit that it was measured on.
type Measured = (ConditionId, Vec<String>);

/// The units wider than the run whose conditions are written in one of their runs, or are missing there for a reason.
fn measured(protocol: &Protocol, plan: Option<&Plan>, record: &Record) -> BTreeSet<Measured> {
    let excused: BTreeSet<(usize, &str)> = record.missing.iter().map(|m| (m.run, m.what.as_str())).collect();
    let mut known = BTreeSet::new();
    for run in record.runs.values() {
        for (id, condition) in protocol.conditions.iter().enumerate() {
            let written = run.conditions.get(id).is_some_and(Option::is_some);
            if written || excused.contains(&(run.run, condition.name.as_str())) {
                known.extend(of_unit(protocol, plan, run, id).map(|unit| (id, unit)));
            }
        }
    }
    known
}

/// The unit that a condition of a run was measured on; `None` if that is the run itself, or cannot be told.
fn of_unit(protocol: &Protocol, plan: Option<&Plan>, run: &RunRecord, id: ConditionId) -> Option<Vec<String>> {
    let unit = protocol.conditions.get(id)?.measured_on;
    if unit == protocol.run_unit() {
        return None;
    }
    unit_path(protocol, plan, &run.units, run.run, unit)
}

/// Runs that follow one of a higher number, by the positions written down.
fn out_of_order(record: &Record) -> Vec<OutOfOrder> {
    let mut made: Vec<(usize, usize)> = record
        .runs
        .values()
        .filter_map(|run| Some((run.order?, run.run)))
        .collect();
    made.sort_unstable();
    let mut highest = 0;
    let mut found = Vec::new();
    for (position, run) in made {
        if run < highest {
            found.push(OutOfOrder {
                run,
                position,
                after: highest,
            });
        }
        highest = highest.max(run);
    }
    found
}
