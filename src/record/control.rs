//! Control readings: what was read on something whose value stays, between the runs.
//!
//! In:  journal entries of the kind `control`; rows of a filled sheet whose run column says `NAME 3`.
//! Out: `Record::controls`; `control_readings`, every reading with its place in the order, for drift and
//!      stability; `control_table`, the same as CSV.
//!
//! A row of a control has a number of its own, from 1; `plan::control_rows` says after which run it stands and with
//! which level it was read. Its readings stand in the columns `control 1`, `control 2`, ... of the sheet, and its time,
//! initials and remark in those of the runs. Position in the order: a row after the k-th run stands at k + 0.5, where k
//! counts the runs as planned.
//! Never here: whether there is a drift.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use crate::plan::{ControlRow, Plan, control_rows};
use crate::protocol::Protocol;
use crate::render::csv_row;

use super::decimal;
use super::model::{Record, Written};
use super::words::{LONGEST_LABEL, LONGEST_TEXT, fault, is_formula, missing_word};

/// One row of a control as recorded.
#[derive(Debug, Clone, Default)]
pub struct ControlRecord {
    /// Readings by position; `None` where nothing is written.
    pub readings: Vec<Option<Written>>,
    /// Reasons written in place of readings, by position.
    pub missing: BTreeMap<usize, String>,
    /// Time as written; empty if not.
    pub time: String,
    /// Initials as written; empty if not.
    pub initials: String,
    /// Remark as written; empty if not.
    pub remark: String,
}

/// A changed value of a control row.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlCorrection {
    /// The row: `block 3`.
    pub row: String,
    /// The column.
    pub what: String,
    /// The text before.
    pub from: String,
    /// The text after.
    pub to: String,
    /// Why.
    pub reason: String,
    /// Initials of who changed it; empty if not said.
    pub by: String,
    /// When it was taken in, RFC 3339.
    pub at: String,
}

/// One reading on a control, for those who look for drift.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlReading {
    /// Index in `Protocol::bench.controls`.
    pub control: usize,
    /// Number of its row, from 1.
    pub number: usize,
    /// How many runs come before it, in planned order.
    pub after_run: usize,
    /// Level of the factor that `each` names.
    pub level: Option<usize>,
    /// Position of the reading on this occasion, from 1.
    pub reading: usize,
    /// The exact value.
    pub value: Decimal,
}

/// A column of a control row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ControlColumn {
    /// `control 3`: position from 0.
    Reading(usize),
    /// `time`
    Time,
    /// `initials`
    Initials,
    /// `remark`
    Remark,
}

impl ControlColumn {
    /// Its name on sheets and in the journal.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Self::Reading(position) => format!("control {}", position + 1),
            Self::Time => "time".to_owned(),
            Self::Initials => "initials".to_owned(),
            Self::Remark => "remark".to_owned(),
        }
    }

    /// The column of a name, among those of a control with so many readings.
    #[must_use]
    pub fn find(name: &str, readings: usize) -> Option<Self> {
        match name {
            "time" => Some(Self::Time),
            "initials" => Some(Self::Initials),
            "remark" => Some(Self::Remark),
            _ => {
                let number = super::whole::whole(name.strip_prefix("control ")?)?;
                (1..=readings).contains(&number).then(|| Self::Reading(number - 1))
            }
        }
    }
}

/// Most readings that any control has on one occasion; 0 without controls.
#[must_use]
pub fn most_readings(protocol: &Protocol) -> usize {
    protocol.bench.controls.iter().map(|r| r.readings).max().unwrap_or(0)
}

/// The control and row number that a run cell such as `block 3` names; the number is not checked.
#[must_use]
pub fn row_named(protocol: &Protocol, text: &str) -> Option<(usize, usize)> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let [name, number] = words.as_slice() else { return None };
    let control = protocol
        .bench
        .controls
        .iter()
        .position(|control| control.name.eq_ignore_ascii_case(name))?;
    Some((control, super::whole::whole_number(number)?))
}

/// What is recorded in a column of a control row: a value, or the word in its place.
#[must_use]
pub fn now(record: &Record, row: (usize, usize), column: ControlColumn) -> Option<String> {
    let row = record.controls.get(&row)?;
    let text = |text: &String| (!text.is_empty()).then(|| text.clone());
    match column {
        ControlColumn::Reading(position) => row
            .readings
            .get(position)
            .and_then(Option::as_ref)
            .map(|written| written.text.clone())
            .or_else(|| row.missing.get(&position).cloned()),
        ControlColumn::Time => text(&row.time),
        ControlColumn::Initials => text(&row.initials),
        ControlColumn::Remark => text(&row.remark),
    }
}

/// Puts a text into a control row; the caller has made sure that the row exists.
///
/// # Errors
///
/// A code and a sentence if the text is no value, reason or fit text.
pub fn set(
    protocol: &Protocol,
    record: &mut Record,
    row: (usize, usize),
    column: ControlColumn,
    text: &str,
    entry: usize,
) -> Result<(), (&'static str, String)> {
    let Some(declared) = protocol.bench.controls.get(row.0) else {
        return Err(("R080", "there is no such control".to_owned()));
    };
    if is_formula(text) {
        return Err(("R009", format!("`{text}` is a formula")));
    }
    let is_number = matches!(column, ControlColumn::Reading(_)) && missing_word(text).is_none();
    let written = if is_number {
        let parsed = decimal::parse(text).map_err(|refusal| (refusal.code(), refusal.sentence(text)))?;
        let possible = protocol.responses.get(declared.response).and_then(|r| r.possible);
        if !decimal::lies_in(possible, parsed.value) {
            return Err(("R046", format!("`{text}` lies outside what is possible")));
        }
        Some(Written {
            text: text.to_owned(),
            value: parsed.value,
            entry,
        })
    } else {
        None
    };
    if decimal::trim(text) != text || text.is_empty() {
        return Err(("R079", "a text is empty or has blanks around it".to_owned()));
    }
    let longest = if column == ControlColumn::Remark {
        LONGEST_TEXT
    } else {
        LONGEST_LABEL
    };
    if let Some(why) = fault(text, longest) {
        return Err(("R010", format!("a text is not taken: {why}")));
    }
    let slot = record.controls.entry(row).or_insert_with(|| ControlRecord {
        readings: vec![None; declared.readings],
        ..ControlRecord::default()
    });
    match column {
        ControlColumn::Reading(position) => {
            match missing_word(text) {
                Some(word) => slot.missing.insert(position, word.to_owned()),
                None => slot.missing.remove(&position),
            };
            if let Some(place) = slot.readings.get_mut(position) {
                *place = written;
            }
        }
        ControlColumn::Time => text.clone_into(&mut slot.time),
        ControlColumn::Initials => text.clone_into(&mut slot.initials),
        ControlColumn::Remark => text.clone_into(&mut slot.remark),
    }
    Ok(())
}

/// Every reading on a control, in the order of the plan.
#[must_use]
pub fn control_readings(protocol: &Protocol, plan: &Plan, record: &Record) -> Vec<ControlReading> {
    let rows = control_rows(protocol, plan.runs.len());
    let of_row = |row: ControlRow| {
        let recorded = record.controls.get(&(row.control, row.number));
        let readings = recorded.map_or(&[][..], |recorded| recorded.readings.as_slice());
        readings.iter().enumerate().filter_map(move |(position, written)| {
            Some(ControlReading {
                control: row.control,
                number: row.number,
                after_run: row.after_run,
                level: row.level,
                reading: position + 1,
                value: written.as_ref()?.value,
            })
        })
    };
    rows.into_iter().flat_map(of_row).collect()
}

/// The control readings as one tidy table, one row a reading; `None` if no control is declared.
#[must_use]
pub fn control_table(protocol: &Protocol, plan: Option<&Plan>, record: &Record) -> Option<String> {
    let plan = plan.filter(|_| !protocol.bench.controls.is_empty())?;
    let mut out = String::new();
    csv_row(
        &mut out,
        [
            "control",
            "row",
            "after_run",
            "factor",
            "level",
            "response",
            "reading",
            "value",
            "as_written",
            "missing",
            "time",
            "initials",
            "remark",
        ],
    );
    for row in control_rows(protocol, plan.runs.len()) {
        let Some(recorded) = record.controls.get(&(row.control, row.number)) else {
            continue;
        };
        let declared = &protocol.bench.controls[row.control];
        let factor = declared.each.map(|factor| &protocol.factors[factor]);
        let level = factor
            .zip(row.level)
            .and_then(|(factor, level)| factor.levels.get(level));
        for (position, written) in recorded.readings.iter().enumerate() {
            let reason = recorded.missing.get(&position).map_or("", String::as_str);
            if written.is_none() && reason.is_empty() {
                continue;
            }
            csv_row(
                &mut out,
                [
                    declared.name.as_str(),
                    &row.number.to_string(),
                    &row.after_run.to_string(),
                    factor.map_or("", |factor| factor.name.as_str()),
                    level.map_or("", String::as_str),
                    &protocol.responses[declared.response].name,
                    &(position + 1).to_string(),
                    &written.as_ref().map(|w| w.value.to_string()).unwrap_or_default(),
                    written.as_ref().map_or("", |w| w.text.as_str()),
                    reason,
                    &recorded.time,
                    &recorded.initials,
                    &recorded.remark,
                ],
            );
        }
    }
    Some(out)
}
