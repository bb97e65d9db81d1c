//! What each column of a file is for.
//!
//! In:  the header of a table and the protocol.
//! Out: a `Layout`; misspelt, doubled and absent columns go to the list of what is wrong.
//!
//! Method: a name is looked up without regard to case and blanks; then without a unit of measure in brackets behind
//! it; then as a response and a number however they are joined (`hardness_3`). What is near to a name that nothing else
//! claims is a slip and refused, because its readings would be lost; anything else is left out with a warning.

use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Source, nearest};

use super::columns::{Column, Columns};
use super::control::{ControlColumn, most_readings};
use super::gather::Gather;
use super::replay::{Context, is_note, is_value};
use super::table::{Cell, Table};
use super::whole::whole;
use super::words::{LONGEST_LABEL, clip};

/// What a column of a file is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Field {
    /// A column of the protocol's sheet.
    Of(Column),
    /// Long form: the name of a response.
    Response,
    /// Long form: the position of a reading.
    Reading,
    /// Long form: the reading.
    Value,
    /// A reading of a control row: its position, from 0.
    Control(usize),
    /// What the sheet says and nobody fills in, by the name of its column.
    Known(&'static str),
    /// Nothing that is taken in.
    LeftOut,
}

/// The columns of a file.
#[derive(Debug)]
pub struct Layout {
    /// By position in the row.
    pub fields: Vec<Field>,
    /// One row a reading rather than one row a run.
    pub long: bool,
}

impl Layout {
    /// Position of a field in the row.
    #[must_use]
    pub fn position(&self, field: Field) -> Option<usize> {
        self.fields.iter().position(|at| *at == field)
    }

    /// Matches a header; `None` if nothing can be taken in by it.
    pub fn match_header(
        file: &Arc<Source>,
        table: &Table<'_>,
        context: &Context<'_>,
        columns: &Columns<'_>,
        found: &mut Gather,
    ) -> Option<Self> {
        let text = file.text.as_str();
        let names: Vec<String> = table.header().iter().map(|cell| cell.text(text).into_owned()).collect();
        let is = |name: &str| names.iter().any(|n| n.eq_ignore_ascii_case(name));
        let long =
            is("response") && is("value") && columns.find("response").is_none() && columns.find("value").is_none();
        let mut matching = Matching {
            file,
            context,
            columns,
            long,
            fields: vec![Field::LeftOut; names.len()],
            found,
        };
        let unclear = matching.by_name(table.header(), &names);
        matching.slips(table.header(), &names, &unclear);
        let complete = matching.complete(table.header());
        let layout = Self {
            fields: matching.fields,
            long,
        };
        complete.then_some(layout)
    }
}

struct Matching<'a, 'b> {
    file: &'a Arc<Source>,
    context: &'a Context<'a>,
    columns: &'a Columns<'a>,
    long: bool,
    fields: Vec<Field>,
    found: &'b mut Gather,
}

impl Matching<'_, '_> {
    /// Assigns what is clear; gives back the positions of the rest.
    fn by_name(&mut self, header: &[Cell], names: &[String]) -> Vec<usize> {
        let mut unclear = Vec::new();
        for (at, (cell, name)) in header.iter().zip(names).enumerate() {
            if cell.is_empty() {
                continue;
            }
            let field = match self.lookup(name) {
                Ok(Some(field)) => field,
                Ok(None) => {
                    unclear.push(at);
                    continue;
                }
                Err((message, help)) => {
                    let diagnostic = Diagnostic::error("R015", message).at(self.file, cell.span(), "");
                    self.found.error(diagnostic.help(help));
                    continue;
                }
            };
            if let Some(first) = self.fields.iter().position(|other| *other == field) {
                let first = header.get(first).map(Cell::span).unwrap_or_default();
                self.found.error(
                    Diagnostic::error("R011", format!("two columns are named `{}`", clip(name)))
                        .at(self.file, cell.span(), "the second")
                        .at(self.file, first, "the first")
                        .help("keep one of them; nothing says which of the two is right"),
                );
            } else if let Some(slot) = self.fields.get_mut(at) {
                *slot = field;
            }
        }
        unclear
    }

    /// The field of a name; an error is a message with help.
    fn lookup(&self, name: &str) -> Result<Option<Field>, (String, String)> {
        let bare = name
            .trim_end_matches([')', ']'])
            .rsplit_once(['(', '['])
            .filter(|_| name.ends_with([')', ']']))
            .map(|(bare, _)| bare.trim());
        for name in [Some(name), bare].into_iter().flatten() {
            if self.long {
                match name.to_lowercase().as_str() {
                    "response" => return Ok(Some(Field::Response)),
                    "reading" => return Ok(Some(Field::Reading)),
                    "value" => return Ok(Some(Field::Value)),
                    _ => {}
                }
            }
            if let Some(column) = self.columns.find(name) {
                return Ok(Some(Field::Of(column)));
            }
            if let Some(field) = self.of_the_bench(name) {
                return Ok(Some(field));
            }
            if let Some(column) = self.numbered(name)? {
                return Ok(Some(Field::Of(column)));
            }
        }
        Ok(None)
    }

    /// Columns of control readings, and those that the sheet fills in itself.
    fn of_the_bench(&self, name: &str) -> Option<Field> {
        let bench = &self.context.protocol.bench;
        let words: Vec<String> = name.split_whitespace().map(str::to_lowercase).collect();
        match words.as_slice() {
            [word, number] if word == "control" => whole(number)
                .filter(|number| (1..=most_readings(self.context.protocol)).contains(number))
                .map(|number| Field::Control(number - 1)),
            [word] if word == "spots" => bench.positions.as_ref().map(|_| Field::Known("spots")),
            [word] if word == "before" => (!bench.cleanings.is_empty()).then_some(Field::Known("before")),
            _ => None,
        }
    }

    /// `hardness_3`, `Hardness3`; and `hardness` where only `hardness 1` to `hardness 10` exist.
    fn numbered(&self, name: &str) -> Result<Option<Column>, (String, String)> {
        let base = name.trim_end_matches(|c: char| c.is_ascii_digit());
        let digits = name.get(base.len()..).unwrap_or_default();
        let base = base.trim_end_matches([' ', '_', '-', '.', '#']);
        let Some((id, response)) = self
            .context
            .protocol
            .responses
            .iter()
            .enumerate()
            .find(|(_, response)| response.name.eq_ignore_ascii_case(base))
        else {
            return Ok(None);
        };
        let help = if response.readings == 1 {
            format!("name the column `{}`", response.name)
        } else {
            format!(
                "name the columns `{0} 1` to `{0} {1}`",
                response.name, response.readings
            )
        };
        match whole(digits) {
            Some(number) if (1..=response.readings).contains(&number) => Ok(Some(Column::Reading(id, number - 1))),
            Some(number) => Err((
                format!(
                    "`{name}` asks for reading {number}, and a run has {} of {}",
                    response.readings, response.name
                ),
                help,
            )),
            None => Err((format!("`{name}` does not say which reading of the run it holds"), help)),
        }
    }

    /// Tells slips from columns that are not ours.
    fn slips(&mut self, header: &[Cell], names: &[String], unclear: &[usize]) {
        for at in unclear {
            let (Some(cell), Some(name)) = (header.get(*at), names.get(*at)) else {
                continue;
            };
            let mut open: Vec<&str> = self
                .columns
                .names()
                .filter(|(_, column)| !self.fields.contains(&Field::Of(*column)))
                .map(|(name, _)| name)
                .collect();
            if self.long && !self.fields.contains(&Field::Reading) {
                open.push("reading");
            }
            let controls: Vec<String> = (0..most_readings(self.context.protocol))
                .filter(|position| !self.fields.contains(&Field::Control(*position)))
                .map(|position| ControlColumn::Reading(position).name())
                .collect();
            open.extend(controls.iter().map(String::as_str));
            // A long text is no slip of a short name, and comparing it would cost much.
            let short = name.chars().count() <= LONGEST_LABEL;
            if let Some(meant) = short.then(|| nearest(name, open)).flatten() {
                self.found.error(
                    Diagnostic::error("R012", format!("there is no column `{}`", clip(name)))
                        .at(self.file, cell.span(), "")
                        .help(format!("did you mean `{meant}`?")),
                );
            } else {
                self.found.other(
                    Diagnostic::warning(
                        "R013",
                        format!("the column `{}` is not the protocol's and is left out", clip(name)),
                    )
                    .at(self.file, cell.span(), ""),
                );
            }
        }
    }

    /// Says what is not there; false if rows cannot be read without it.
    fn complete(&mut self, header: &[Cell]) -> bool {
        let has = |field: Field| self.fields.contains(&field);
        let of = |column: Column| has(Field::Of(column));
        let protocol = self.context.protocol;
        let whole_header = header
            .first()
            .zip(header.last())
            .map(|(a, b)| a.span().start..b.span().end);
        let place = whole_header.unwrap_or(0..0);
        let mut complete = true;
        let mut absent = Vec::new();
        if !of(Column::Run) && (!protocol.is_as_run() || self.long) {
            absent.push("run".to_owned());
            complete = false;
        }
        let structure = (0..protocol.run_unit())
            .map(Column::Unit)
            .chain((0..protocol.factors.len()).map(Column::Factor));
        let unchecked: Vec<String> = structure
            .filter(|column| !of(*column))
            .map(|column| self.columns.name(column))
            .collect();
        if protocol.is_as_run() {
            complete &= unchecked.is_empty();
            absent.extend(unchecked.iter().cloned());
        }
        let several = protocol.responses.iter().any(|response| response.readings > 1);
        if self.long && !has(Field::Reading) && several {
            absent.push("reading".to_owned());
            complete = false;
        }
        let anything = self.long
            || self.fields.iter().any(|field| match field {
                Field::Of(column) => is_value(*column) || is_note(*column),
                Field::Control(_) => true,
                _ => false,
            });
        let left_out: Vec<String> = if self.long {
            Vec::new()
        } else {
            self.columns
                .names()
                .filter(|(_, column)| is_value(*column) && !of(*column))
                .map(|(_, column)| self.columns.name(column))
                .collect()
        };
        for name in &absent {
            self.found.error(
                Diagnostic::error("R014", format!("there is no column `{name}`"))
                    .at(self.file, place.clone(), "")
                    .help("the header line of the sheet names every column; put it back"),
            );
        }
        if !anything {
            self.found.error(
                Diagnostic::error("R016", "no column holds readings, conditions or notes")
                    .at(self.file, place.clone(), "")
                    .help("the first line of the file must name the columns as the sheet does"),
            );
            return false;
        }
        if !protocol.is_as_run() && !self.long && !unchecked.is_empty() {
            self.found.other(
                Diagnostic::note(
                    "R017",
                    format!(
                        "without {} it would not be noticed if rows were shifted",
                        unchecked.join(", ")
                    ),
                )
                .at(self.file, place.clone(), ""),
            );
        }
        if !left_out.is_empty() {
            self.found.other(
                Diagnostic::warning("R018", format!("there is no column for {}", left_out.join(", ")))
                    .at(self.file, place, ""),
            );
        }
        complete
    }
}
