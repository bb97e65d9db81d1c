//! The long form of a filled sheet: one row a reading rather than one row a run.
//!
//! In:  the cells of a row and the run that it belongs to.
//! Out: the column and the cell of its reading; rows that do not fit together go to the list of what is wrong.
//!
//! A row names its response and the number of its reading, and each reading has one row. Rows of one run repeat what
//! belongs to the run, and must agree.
//!
//! Never here: what a value means, or what is recorded already.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Severity, Source, nearest};
use crate::protocol::Protocol;

use super::columns::{Column, Columns};
use super::gather::Gather;
use super::layout::{Field, Layout};
use super::table::Cell;
use super::whole::whole_number;
use super::words::clip;

/// What the rows of a file said so far.
#[derive(Debug)]
pub struct LongForm<'a> {
    file: &'a Arc<Source>,
    protocol: &'a Protocol,
    columns: &'a Columns<'a>,
    /// Readings with their places.
    seen_readings: BTreeMap<(usize, Column), Range<usize>>,
    /// What the rows of a run said of the run.
    seen_notes: BTreeMap<(usize, Column), (String, Range<usize>)>,
}

impl<'a> LongForm<'a> {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(file: &'a Arc<Source>, protocol: &'a Protocol, columns: &'a Columns<'a>) -> Self {
        Self {
            file,
            protocol,
            columns,
            seen_readings: BTreeMap::new(),
            seen_notes: BTreeMap::new(),
        }
    }

    /// The column that a row belongs to and the cell of its value; `None` if it holds no value, or one that is refused.
    pub fn reading<'r>(
        &mut self,
        run: usize,
        cells: &'r [Cell],
        layout: &Layout,
        found: &mut Gather,
    ) -> Option<(Column, &'r Cell)> {
        let file = self.file;
        let get = |field: Field| layout.position(field).and_then(|at| cells.get(at));
        let value = get(Field::Value).filter(|cell| !cell.is_empty())?;
        let name = get(Field::Response);
        let name_text = name.map(|cell| cell.text(&file.text)).unwrap_or_default();
        let responses = &self.protocol.responses;
        let Some((id, response)) = responses
            .iter()
            .enumerate()
            .find(|(_, response)| response.name.eq_ignore_ascii_case(&name_text))
        else {
            let place = name.map_or_else(|| value.span(), Cell::span);
            found.add(Severity::Error, || {
                let known: Vec<&str> = responses.iter().map(|response| response.name.as_str()).collect();
                let help = match nearest(&clip(&name_text), known.iter().copied()) {
                    Some(meant) => format!("did you mean `{meant}`?"),
                    None => format!("the protocol declares {}", known.join(", ")),
                };
                Diagnostic::error("R028", format!("there is no response `{}`", clip(&name_text)))
                    .at(file, place, "")
                    .help(help)
            });
            return None;
        };
        let number = get(Field::Reading);
        let number_text = number.map(|cell| cell.text(&file.text)).unwrap_or_default();
        let reading = match whole_number(&number_text) {
            None if number_text.is_empty() && response.readings == 1 => 1,
            Some(reading) if (1..=response.readings).contains(&reading) => reading,
            _ => {
                let place = number.map_or_else(|| value.span(), Cell::span);
                found.add(Severity::Error, || {
                    Diagnostic::error(
                        "R029",
                        format!(
                            "`{}` is not one of readings 1 to {} of a run",
                            clip(&number_text),
                            response.readings
                        ),
                    )
                    .at(file, place, "")
                });
                return None;
            }
        };
        let column = Column::Reading(id, reading - 1);
        if let Some(first) = self.seen_readings.insert((run, column), value.span()) {
            let what = self.columns.name(column);
            found.add(Severity::Error, || {
                Diagnostic::error("R030", format!("{what} of run {run} stands in two rows"))
                    .at(file, value.span(), "again")
                    .at(file, first, "first here")
            });
            return None;
        }
        Some((column, value))
    }

    /// True if an earlier row of the run said something in this column: then the two must agree.
    pub fn said_before(
        &mut self,
        run: usize,
        column: Column,
        text: &str,
        span: &Range<usize>,
        found: &mut Gather,
    ) -> bool {
        let Some((first, place)) = self.seen_notes.get(&(run, column)) else {
            self.seen_notes.insert((run, column), (text.to_owned(), span.clone()));
            return false;
        };
        if first != text {
            let (file, what) = (self.file, self.columns.name(column));
            let (first, place, span) = (first.clone(), place.clone(), span.clone());
            found.add(Severity::Error, || {
                Diagnostic::error(
                    "R031",
                    format!(
                        "rows of run {run} disagree on {what}: `{}` and `{}`",
                        clip(&first),
                        clip(text)
                    ),
                )
                .at(file, span, "here")
                .at(file, place, "and here")
            });
        }
        true
    }
}
