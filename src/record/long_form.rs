//! The long form of a filled sheet: one row a reading rather than one row a run.
//!
//! In:  the cells of a row and the run that it belongs to.
//! Out: the column and the cell of its reading, or why the row does not fit.
//!
//! A row names its response and the number of its reading, and each reading has one row. Rows of one run repeat what
//! belongs to the run, and must agree.
//!
//! Never here: what a value means, what is recorded already, the wording of a complaint.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::protocol::{Protocol, ResponseId};

use super::columns::Column;
use super::layout::{Field, Layout};
use super::table::Cell;
use super::whole::whole_number;

/// Why a row of the long form does not fit.
#[derive(Debug)]
pub enum Misfit {
    /// No response has this name.
    Response {
        /// The name as written.
        name: String,
        /// Where.
        span: Range<usize>,
    },
    /// The response has no reading of this number.
    Reading {
        /// The number as written.
        number: String,
        /// The response.
        of: ResponseId,
        /// Where.
        span: Range<usize>,
    },
    /// The reading had a row already.
    Twice {
        /// The column of the reading.
        column: Column,
        /// Where.
        span: Range<usize>,
        /// Where it stood first.
        first: Range<usize>,
    },
    /// An earlier row of the run says otherwise.
    Disagrees {
        /// The column.
        column: Column,
        /// What is written here.
        text: String,
        /// Where.
        span: Range<usize>,
        /// What was written first.
        before: String,
        /// Where it was written.
        place: Range<usize>,
    },
}

/// What the rows of a file said so far.
#[derive(Debug)]
pub struct LongForm<'a> {
    text: &'a str,
    protocol: &'a Protocol,
    /// Readings with their places.
    seen_readings: BTreeMap<(usize, Column), Range<usize>>,
    /// What the rows of a run said of the run.
    seen_notes: BTreeMap<(usize, Column), (String, Range<usize>)>,
}

impl<'a> LongForm<'a> {
    /// Nothing seen yet; `text` is that of the file.
    #[must_use]
    pub fn new(text: &'a str, protocol: &'a Protocol) -> Self {
        Self {
            text,
            protocol,
            seen_readings: BTreeMap::new(),
            seen_notes: BTreeMap::new(),
        }
    }

    /// The column that a row belongs to and the cell of its value; `None` if it holds no value.
    ///
    /// # Errors
    ///
    /// The row names no response or no reading of it, or the reading had a row already.
    pub fn reading<'r>(
        &mut self,
        run: usize,
        cells: &'r [Cell],
        layout: &Layout,
    ) -> Result<Option<(Column, &'r Cell)>, Misfit> {
        let get = |field: Field| layout.position(field).and_then(|at| cells.get(at));
        let Some(value) = get(Field::Value).filter(|cell| !cell.is_empty()) else {
            return Ok(None);
        };
        let name = get(Field::Response);
        let name_text = name.map(|cell| cell.text(self.text)).unwrap_or_default();
        let mut responses = self.protocol.responses.iter().enumerate();
        let Some((id, response)) = responses.find(|(_, response)| response.name.eq_ignore_ascii_case(&name_text))
        else {
            return Err(Misfit::Response {
                name: name_text.into_owned(),
                span: name.map_or_else(|| value.span(), Cell::span),
            });
        };
        let number = get(Field::Reading);
        let number_text = number.map(|cell| cell.text(self.text)).unwrap_or_default();
        let reading = match whole_number(&number_text) {
            None if number_text.is_empty() && response.readings == 1 => 1,
            Some(reading) if (1..=response.readings).contains(&reading) => reading,
            _ => {
                return Err(Misfit::Reading {
                    number: number_text.into_owned(),
                    of: id,
                    span: number.map_or_else(|| value.span(), Cell::span),
                });
            }
        };
        let column = Column::Reading(id, reading - 1);
        match self.seen_readings.insert((run, column), value.span()) {
            Some(first) => Err(Misfit::Twice {
                column,
                span: value.span(),
                first,
            }),
            None => Ok(Some((column, value))),
        }
    }

    /// True if an earlier row of the run said the same in this column.
    ///
    /// # Errors
    ///
    /// An earlier row said otherwise.
    pub fn said_before(&mut self, run: usize, column: Column, text: &str, span: &Range<usize>) -> Result<bool, Misfit> {
        match self.seen_notes.get(&(run, column)) {
            None => {
                self.seen_notes.insert((run, column), (text.to_owned(), span.clone()));
                Ok(false)
            }
            Some((before, _)) if before == text => Ok(true),
            Some((before, place)) => Err(Misfit::Disagrees {
                column,
                text: text.to_owned(),
                span: span.clone(),
                before: before.clone(),
                place: place.clone(),
            }),
        }
    }
}
