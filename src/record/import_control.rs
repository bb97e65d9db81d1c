//! A control row of a filled sheet becomes journal entries.
//!
//! In:  the cells of a row whose run column names a control row, and the record so far.
//! Out: entries of the kind `control`; what is wrong with the row.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Severity, Source};
use crate::plan::{ControlRow, control_rows};
use crate::protocol::Protocol;

use super::columns::{Column, Columns};
use super::control::{self, ControlColumn};
use super::decimal::{self, trim};
use super::doubts::of_reading;
use super::gather::Gather;
use super::journal::{Entry, Trace};
use super::layout::{Field, Layout};
use super::levels::find_level;
use super::model::Record;
use super::replay::Context;
use super::table::Cell;
use super::words::{clip, is_open, missing_word, on_one_line};

/// What was seen of control rows so far.
#[derive(Debug)]
pub struct ControlImport<'a> {
    file: &'a Arc<Source>,
    protocol: &'a Protocol,
    record: &'a Record,
    reason: Option<&'a str>,
    planned: BTreeMap<(usize, usize), ControlRow>,
    seen: BTreeMap<(usize, usize), Range<usize>>,
}

impl<'a> ControlImport<'a> {
    /// Nothing seen yet.
    pub fn new(file: &'a Arc<Source>, context: &Context<'a>, record: &'a Record, reason: Option<&'a str>) -> Self {
        let runs = context.runs().unwrap_or(0);
        Self {
            file,
            protocol: context.protocol,
            record,
            reason,
            planned: control_rows(context.protocol, runs)
                .into_iter()
                .map(|row| ((row.control, row.number), row))
                .collect(),
            seen: BTreeMap::new(),
        }
    }

    /// Reads one row; the entries are those of values that are new.
    pub fn row(
        &mut self,
        (id, number): (usize, usize),
        place: Range<usize>,
        cells: &[Cell],
        layout: &Layout,
        columns: &Columns<'_>,
        found: &mut Gather,
    ) -> Vec<Entry> {
        let declared = &self.protocol.bench.controls[id];
        let file = self.file;
        let label = format!("{} {number}", declared.name);
        let Some(planned) = self.planned.get(&(id, number)).copied() else {
            let most = self.planned.keys().filter(|(control, _)| *control == id).count();
            found.add(Severity::Error, || {
                Diagnostic::error(
                    "R080",
                    format!("there is no row {number} of `{}`: the plan has {most}", declared.name),
                )
                .at(file, place, "")
            });
            return Vec::new();
        };
        if let Some(first) = self.seen.insert((id, number), place.clone()) {
            found.add(Severity::Error, || {
                Diagnostic::error("R082", format!("`{label}` stands in two rows"))
                    .at(file, place, "again")
                    .at(file, first, "first here")
                    .help("keep the row that holds what was read")
            });
            return Vec::new();
        }
        let mut entries = Vec::new();
        for (field, cell) in layout.fields.iter().zip(cells).filter(|(_, cell)| !cell.is_empty()) {
            let text = cell.text(&file.text);
            let column = match *field {
                Field::Control(position) if position < declared.readings => ControlColumn::Reading(position),
                Field::Of(Column::Time) => ControlColumn::Time,
                Field::Of(Column::Operator) => ControlColumn::Initials,
                Field::Of(Column::Remark) => ControlColumn::Remark,
                Field::Of(Column::Run) | Field::Known(_) | Field::LeftOut => continue,
                Field::Of(Column::Factor(factor)) if declared.each == Some(factor) => {
                    let factor = &self.protocol.factors[factor];
                    if find_level(factor, &text) != planned.level {
                        let level = planned.level.and_then(|level| factor.levels.get(level));
                        found.add(Severity::Error, || {
                            Diagnostic::error(
                                "R024",
                                format!(
                                    "`{label}` has {} `{}`, and the plan says `{}`",
                                    factor.name,
                                    clip(&text),
                                    level.map_or("", String::as_str)
                                ),
                            )
                            .at(file, cell.span(), "")
                            .help("were rows shifted against each other?")
                        });
                    }
                    continue;
                }
                field => {
                    let column = match field {
                        Field::Of(column) => columns.name(column),
                        Field::Control(position) => ControlColumn::Reading(position).name(),
                        _ => String::new(),
                    };
                    found.add(Severity::Error, || {
                        Diagnostic::error("R081", format!("`{label}` has no use for `{column}`"))
                            .at(file, cell.span(), "")
                            .help(format!(
                                "what is read on a control stands in the columns `control 1` to `control {}`",
                                declared.readings
                            ))
                    });
                    continue;
                }
            };
            if let Some(entry) = self.cell((id, number), column, &text, &cell.span(), found) {
                entries.push(entry);
            }
        }
        entries
    }

    fn cell(
        &self,
        row: (usize, usize),
        column: ControlColumn,
        text: &str,
        span: &Range<usize>,
        found: &mut Gather,
    ) -> Option<Entry> {
        let declared = &self.protocol.bench.controls[row.0];
        let (file, label) = (self.file, format!("{} {}", declared.name, row.1));
        let text = match column {
            ControlColumn::Reading(_) => missing_word(text).map_or_else(|| trim(text).to_owned(), str::to_owned),
            _ => on_one_line(text),
        };
        // The same checks as on reading the journal back, on a scratch record.
        let mut scratch = Record::default();
        if let Err((code, message)) = control::set(self.protocol, &mut scratch, row, column, &text, 0) {
            found.add(Severity::Error, || {
                Diagnostic::error(code, format!("{} of `{label}`: {message}", column.name()))
                    .at(file, span.clone(), "")
                    .help("write what was read; if there is no reading, say why: not done, lost, void")
            });
            return None;
        }
        let now = control::now(self.record, row, column);
        let value = |text: &str| decimal::parse(text).ok().map(|parsed| parsed.value);
        let is_reading = matches!(column, ControlColumn::Reading(_));
        if now.as_deref() == Some(text.as_str())
            || (is_reading
                && now
                    .as_deref()
                    .and_then(value)
                    .is_some_and(|old| Some(old) == value(&text)))
        {
            return None;
        }
        if let Some(value) = value(&text).filter(|_| is_reading) {
            let mut response = self.protocol.responses[declared.response].clone();
            // What is expected of specimens says nothing about a control.
            response.expected = None;
            for (code, why) in of_reading(&response, value) {
                found.add(Severity::Warning, || {
                    Diagnostic::warning(code, format!("{} of `{label}` is {text}: {why}", column.name())).at(
                        file,
                        span.clone(),
                        "taken in, please look",
                    )
                });
            }
        }
        let from = now.filter(|now| !(is_reading && missing_word(now).is_some_and(is_open)));
        let reason = match (&from, self.reason) {
            (None, _) => None,
            (Some(_), Some(reason)) => {
                let reason = on_one_line(reason);
                if let Some(why) = super::import::reason_fault(&reason) {
                    found.error(
                        Diagnostic::error("R061", format!("the reason is not taken: {why}"))
                            .at(file, span.clone(), "changed")
                            .help("say what went wrong: mis-typed, wrong block, foot not seated, instrument slipped"),
                    );
                    return None;
                }
                Some(reason)
            }
            (Some(from), None) => {
                found.add(Severity::Error, || {
                    Diagnostic::error(
                        "R060",
                        format!(
                            "{} of `{label}` is recorded as `{from}`, and is now `{text}`",
                            column.name()
                        ),
                    )
                    .at(file, span.clone(), "changed")
                    .help("say why with --reason, and it is taken in as a correction; both values are kept")
                });
                return None;
            }
        };
        Some(Entry::Control {
            control: declared.name.clone(),
            row: row.1,
            what: column.name(),
            text,
            from,
            reason,
            trace: Trace::default(),
        })
    }
}
