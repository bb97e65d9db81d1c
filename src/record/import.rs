//! A filled sheet becomes journal entries, or a list of everything that is wrong with it.
//!
//! In:  the text of a file, the protocol and plan, the record so far, and the reason for changes if one was given.
//! Out: entries to append, with the warnings; or the whole list, and then nothing is taken in.
//!
//! Method: `table` finds the cells, `layout` says what each column is for, `structure` holds the rows against the
//! plan, and here each value is held against what is recorded: a new one is added, an equal one passed over (the same
//! sheet twice adds nothing), a changed one is a correction and wants a reason. An emptied cell deletes nothing.
//! One pass over the text; the work grows with its length.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use rust_decimal::Decimal;

use crate::diagnostic::{Diagnostic, Diagnostics, Severity, Source, nearest};

use super::columns::{Column, Columns, recorded};
use super::control::row_named;
use super::decimal::{self, lies_in, trim};
use super::doubts::{self, Agreement, Doubt, slipped_mark};
use super::gather::Gather;
use super::import_control::ControlImport;
use super::journal::{Entry, Trace, sha256};
use super::layout::{Field, Layout};
use super::long_form::{LongForm, Misfit};
use super::marks::Marks;
use super::model::Record;
use super::replay::{Context, is_note, is_value};
use super::structure::Structure;
use super::table::{Cell, Fault, MOST_CELLS, Table};
use super::whole::{position, whole_number};
use super::words::{LONGEST_LABEL, LONGEST_TEXT, clip, fault, is_formula, is_open, missing_word, on_one_line};

/// Takes a filled sheet in.
///
/// Entries begin with `Taken`; there are none if the file holds nothing new.
///
/// # Errors
///
/// Everything that is wrong, each with its place in the file; nothing is taken in then.
pub fn import(
    file: &Arc<Source>,
    context: &Context<'_>,
    record: &Record,
    reason: Option<&str>,
) -> Result<(Vec<Entry>, Diagnostics), Diagnostics> {
    let mut found = Gather::default();
    if !context.protocol.is_as_run() && context.plan.is_none() {
        found.error(
            Diagnostic::error("R027", "there is no plan to hold the sheet against")
                .at(file, 0..0, "")
                .help("freeze the plan first; its runs are what a sheet is filled for"),
        );
        return Err(found.finish());
    }
    let Some(table) = Table::open(&file.text) else {
        found.error(Diagnostic::error("R002", "the file is empty: it has no header line").at(file, 0..0, ""));
        return Err(found.finish());
    };
    for fault in table.faults() {
        found.error(table_fault(file, fault, table.separator()));
    }
    let columns = Columns::new(context.protocol);
    let Some(layout) = Layout::match_header(file, &table, context, &columns, &mut found) else {
        return Err(found.finish());
    };
    let mut import = Import::new(file, context, record, &columns, reason, found);
    import.rows(&table, &layout);
    import.finish(table.separator())
}

/// A departure from the protocol as an entry.
///
/// # Errors
///
/// The sentence is blank, too long or holds control characters; the run is not in the plan.
pub fn deviation(run: Option<usize>, what: &str, context: &Context<'_>) -> Result<Entry, Diagnostics> {
    let mut found = Diagnostics::new();
    let trace = Trace::default();
    let what = on_one_line(what);
    if let Some(why) = text_fault(&what, LONGEST_TEXT) {
        found.push(Diagnostic::error("R010", format!("the sentence is not taken: {why}")));
    }
    if let (Some(run), Some(runs)) = (run, context.runs())
        && !(1..=runs).contains(&run)
    {
        found.push(Diagnostic::error(
            "R021",
            format!("run {run} is not in the plan, which has {runs} runs"),
        ));
    }
    found
        .unless_errors(Entry::Deviation { run, what, trace })
        .map(|(entry, _)| entry)
}

/// The end of blinding as an entry.
///
/// # Errors
///
/// The study is not blinded, or no longer; the sentence is blank, too long or holds control characters.
pub fn unblind(why: &str, context: &Context<'_>, record: &Record) -> Result<Entry, Diagnostics> {
    let mut found = Diagnostics::new();
    let why = on_one_line(why);
    if let Some(fault) = text_fault(&why, LONGEST_TEXT) {
        found.push(Diagnostic::error("R010", format!("the sentence is not taken: {fault}")));
    }
    if let Some(open) = &record.unblinded {
        found.push(Diagnostic::error(
            "R083",
            format!("the study was unblinded on {} already: {}", open.at, open.why),
        ));
    } else if context.protocol.bench.blinded.is_empty() || context.plan.is_none() {
        found.push(Diagnostic::error("R083", "the study is not blinded"));
    }
    found.unless_errors(Entry::Unblinded { why }).map(|(entry, _)| entry)
}

/// Says whose corrections and departures these are.
///
/// # Errors
///
/// The initials are blank, too long or hold control characters.
pub fn said_by(entries: &mut [Entry], by: Option<&str>) -> Result<(), Diagnostics> {
    let Some(by) = by.map(on_one_line) else { return Ok(()) };
    if let Some(why) = text_fault(&by, LONGEST_LABEL) {
        return Err(Diagnostic::error("R010", format!("the initials are not taken: {why}")).into());
    }
    for entry in entries {
        let is_change = matches!(
            entry,
            Entry::Correction { .. } | Entry::Deviation { .. } | Entry::Control { from: Some(_), .. }
        );
        if let Some(trace) = entry.trace_mut().filter(|trace| is_change && trace.by.is_none()) {
            trace.by = Some(by.clone());
        }
    }
    Ok(())
}

/// What is wrong with a text that somebody gives; `None` if nothing.
pub(super) fn text_fault(text: &str, longest: usize) -> Option<String> {
    if text.is_empty() {
        return Some("it is blank".to_owned());
    }
    if is_formula(text) {
        return Some("it looks like a formula".to_owned());
    }
    fault(text, longest)
}

fn table_fault(file: &Arc<Source>, fault: &Fault, separator: char) -> Diagnostic {
    match fault {
        Fault::OpenQuote(at) => Diagnostic::error("R003", "this quote is never closed")
            .at(file, *at..at + 1, "")
            .help("close it, or double it if the quote is part of the text"),
        Fault::AfterQuote(span) => Diagnostic::error("R004", "text stands after a closing quote")
            .at(file, span.clone(), "")
            .help(format!(
                "a quoted cell ends at its quote; `{}` must follow",
                shown(separator)
            )),
        Fault::LongCell(span) => {
            Diagnostic::error("R007", "the cell is too long to be one").at(file, span.start..span.start + 1, "")
        }
        Fault::ManyCells(at) => {
            Diagnostic::error("R008", format!("the row has more than {MOST_CELLS} cells")).at(file, *at..at + 1, "")
        }
    }
}

fn shown(separator: char) -> &'static str {
    match separator {
        ';' => ";",
        '\t' => "tab",
        _ => ",",
    }
}

/// A run that claims a position in the order, and where, if this file says so.
type Claim<'a> = (usize, Option<&'a Range<usize>>);

/// The cells of a row that a run is read from.
struct Row<'a> {
    cells: &'a [Cell],
    /// From 1, blank rows not counted.
    number: usize,
}

struct Import<'a> {
    file: &'a Arc<Source>,
    context: &'a Context<'a>,
    record: &'a Record,
    columns: &'a Columns<'a>,
    reason: Option<&'a str>,
    reason_checked: bool,
    found: Gather,
    entries: Vec<Entry>,
    added: usize,
    /// Reasons for missing values that are recorded.
    missing: BTreeMap<(usize, Column), &'static str>,
    marks: Marks,
    structure: Structure<'a>,
    controls: ControlImport<'a>,
    agreement: Agreement,
    /// One row a run: its place.
    seen_runs: BTreeMap<usize, Range<usize>>,
    /// One row a reading: what the rows said.
    long_form: LongForm<'a>,
    /// Positions in the order: recorded ones, overlaid by those of the file.
    orders: BTreeMap<usize, (usize, Option<Range<usize>>)>,
}

impl<'a> Import<'a> {
    fn new(
        file: &'a Arc<Source>,
        context: &'a Context<'a>,
        record: &'a Record,
        columns: &'a Columns<'a>,
        reason: Option<&'a str>,
        found: Gather,
    ) -> Self {
        let missing = record
            .missing
            .iter()
            .filter_map(|of| Some(((of.run, columns.find(&of.what)?), missing_word(&of.reason)?)))
            .collect();
        let mut agreement = Agreement::default();
        let mut orders = BTreeMap::new();
        for run in record.runs.values() {
            for (id, written) in run.conditions.iter().enumerate() {
                if let Some(written) = written {
                    agreement.check(context.protocol, context.plan, &run.units, run.run, id, written.value);
                }
            }
            if let Some(order) = run.order.filter(|_| !run.order_by_time) {
                orders.insert(run.run, (order, None));
            }
        }
        Self {
            file,
            context,
            record,
            columns,
            reason,
            reason_checked: false,
            found,
            entries: Vec::new(),
            added: 0,
            missing,
            marks: Marks::default(),
            structure: Structure::new(file, context, record),
            controls: ControlImport::new(file, context, record, reason),
            agreement,
            seen_runs: BTreeMap::new(),
            long_form: LongForm::new(&file.text, context.protocol),
            orders,
        }
    }

    fn rows(&mut self, table: &Table<'_>, layout: &Layout) {
        let mut rows = table.rows();
        let mut cells = Vec::new();
        let mut faults = Vec::new();
        let mut number = 0;
        while rows.next_into(&mut cells, &mut faults) {
            number += 1;
            let sound = faults.is_empty();
            for fault in faults.drain(..) {
                self.found.error(table_fault(self.file, &fault, table.separator()));
            }
            // Cells behind a broken quote stand in the wrong columns: nothing they say can be trusted.
            if sound && self.length(&cells, layout, table.separator()) {
                self.row(&Row { cells: &cells, number }, layout);
            }
        }
        if number == 0 {
            self.found
                .other(Diagnostic::warning("R019", "the file has a header and no rows").at(self.file, 0..0, ""));
        }
    }

    /// Holds the number of cells against the header; false if they cannot be told apart.
    fn length(&mut self, cells: &[Cell], layout: &Layout, separator: char) -> bool {
        let columns = layout.fields.len();
        let file = self.file;
        if let Some(extra) = cells
            .get(columns..)
            .and_then(|more| more.iter().find(|cell| !cell.is_empty()))
        {
            self.found.add(Severity::Error, || {
                let help = if separator == ',' {
                    "a decimal comma splits a number where commas separate cells: save with semicolons, or with points"
                } else {
                    "a text that holds the separator must stand in quotes"
                };
                Diagnostic::error("R006", format!("the row has more cells than the {columns} columns"))
                    .at(file, extra.span(), "the first too many")
                    .help(help)
            });
            return false;
        }
        let cut = layout
            .fields
            .get(cells.len()..)
            .is_some_and(|rest| rest.iter().any(|field| matches!(field, Field::Of(c) if !is_note(*c))));
        if cut {
            let end = cells.last().map_or(0, |cell| cell.span().end);
            self.found.add(Severity::Warning, || {
                Diagnostic::warning(
                    "R005",
                    format!(
                        "the row has {} cells for {columns} columns; the rest is taken as empty",
                        cells.len()
                    ),
                )
                .at(file, end..end, "ends here")
            });
        }
        true
    }

    fn row(&mut self, row: &Row<'_>, layout: &Layout) {
        if let Some((named, place)) = self.control(row, layout) {
            let entries = self
                .controls
                .row(named, place, row.cells, layout, self.columns, &mut self.found);
            entries.into_iter().for_each(|entry| self.add(entry));
            return;
        }
        let Some((run, place)) = self.run(row, layout) else {
            return;
        };
        if !layout.long {
            if let Some(first) = self.seen_runs.get(&run) {
                let (file, first) = (self.file, first.clone());
                self.found.add(Severity::Error, || {
                    Diagnostic::error("R022", format!("run {run} stands in two rows"))
                        .at(file, place, "again")
                        .at(file, first, "first here")
                        .help("keep the row that holds what was read")
                });
                return;
            }
            self.seen_runs.insert(run, place.clone());
        }
        let fits = self
            .structure
            .check(run, &place, row.cells, layout, self.columns, &mut self.found);
        if !fits {
            return;
        }
        let text = self.file.text.as_str();
        self.no_control_reading(run, row, layout);
        for change in self.structure.take_changes() {
            self.correct(run, change.column, &change.from, change.to, change.span);
        }
        if let Some(entry) = self.structure.take_entry() {
            self.entries.push(entry);
        }
        for (field, cell) in layout.fields.iter().zip(row.cells) {
            if let Field::Of(column) = *field
                && !cell.is_empty()
                && !matches!(column, Column::Run | Column::Unit(_) | Column::Factor(_))
            {
                self.cell(run, column, &cell.text(text), cell.span(), layout.long);
            }
        }
        if layout.long {
            match self.long_form.reading(run, row.cells, layout) {
                Ok(Some((column, value))) => self.cell(run, column, &value.text(text), value.span(), false),
                Ok(None) => {}
                Err(misfit) => self.misfit(run, misfit),
            }
        }
    }

    /// The control row that a row is about, and where it says so.
    fn control(&self, row: &Row<'_>, layout: &Layout) -> Option<((usize, usize), Range<usize>)> {
        if layout.long || self.context.protocol.bench.controls.is_empty() {
            return None;
        }
        let cell = row.cells.get(layout.position(Field::Of(Column::Run))?)?;
        Some((
            row_named(self.context.protocol, &cell.text(&self.file.text))?,
            cell.span(),
        ))
    }

    /// A reading of a control cannot stand in the row of a run.
    fn no_control_reading(&mut self, run: usize, row: &Row<'_>, layout: &Layout) {
        let stray = layout
            .fields
            .iter()
            .zip(row.cells)
            .find(|(field, cell)| matches!(field, Field::Control(_)) && !cell.is_empty());
        if let Some((_, cell)) = stray {
            let file = self.file;
            self.found.add(Severity::Error, || {
                Diagnostic::error("R081", format!("run {run} has a reading in a column for controls"))
                    .at(file, cell.span(), "")
                    .help("readings of a run stand in the columns of its responses; were rows shifted?")
            });
        }
    }

    /// The run that a row belongs to, and where it says so.
    fn run(&mut self, row: &Row<'_>, layout: &Layout) -> Option<(usize, Range<usize>)> {
        let at = layout.position(Field::Of(Column::Run));
        let cell = at.and_then(|at| row.cells.get(at));
        let file = self.file;
        let first = row.cells.first().map_or(0..0, Cell::span);
        if at.is_none() {
            return Some((row.number, first));
        }
        let place = cell.map_or(first, Cell::span);
        let text = cell.map(|cell| cell.text(&file.text)).unwrap_or_default();
        let Some(run) = whole_number(&text) else {
            self.found.add(Severity::Error, || {
                let what = if text.is_empty() {
                    "the row has no run number".to_owned()
                } else {
                    format!("`{}` is not a run number", clip(&text))
                };
                Diagnostic::error("R020", what)
                    .at(file, place, "")
                    .help("each row carries the number of its run, as printed on the sheet")
            });
            return None;
        };
        let runs = self.context.runs();
        if run == 0 || runs.is_some_and(|runs| run > runs) {
            self.found.add(Severity::Error, || {
                let message = match runs {
                    Some(runs) => format!("run {run} is not in the plan, which has {runs} runs"),
                    None => "runs are numbered from 1".to_owned(),
                };
                Diagnostic::error("R021", message).at(file, place, "")
            });
            return None;
        }
        Some((run, place))
    }

    /// One row a reading: says why a row does not fit.
    fn misfit(&mut self, run: usize, misfit: Misfit) {
        let (file, columns, responses) = (self.file, self.columns, &self.context.protocol.responses);
        self.found.add(Severity::Error, || match misfit {
            Misfit::Response { name, span } => {
                let known: Vec<&str> = responses.iter().map(|response| response.name.as_str()).collect();
                let help = match nearest(&clip(&name), known.iter().copied()) {
                    Some(meant) => format!("did you mean `{meant}`?"),
                    None => format!("the protocol declares {}", known.join(", ")),
                };
                Diagnostic::error("R028", format!("there is no response `{}`", clip(&name)))
                    .at(file, span, "")
                    .help(help)
            }
            Misfit::Reading { number, of, span } => {
                let most = responses.get(of).map_or(1, |response| response.readings);
                let number = clip(&number);
                Diagnostic::error(
                    "R029",
                    format!("`{number}` is not one of readings 1 to {most} of a run"),
                )
                .at(file, span, "")
            }
            Misfit::Twice { column, span, first } => {
                let what = columns.name(column);
                Diagnostic::error("R030", format!("{what} of run {run} stands in two rows"))
                    .at(file, span, "again")
                    .at(file, first, "first here")
            }
            Misfit::Disagrees {
                column,
                text,
                span,
                before,
                place,
            } => {
                let (what, before, now) = (columns.name(column), clip(&before), clip(&text));
                Diagnostic::error(
                    "R031",
                    format!("rows of run {run} disagree on {what}: `{before}` and `{now}`"),
                )
                .at(file, span, "here")
                .at(file, place, "and here")
            }
        });
    }

    /// One cell that is not blank.
    fn cell(&mut self, run: usize, column: Column, text: &str, span: Range<usize>, of_many: bool) {
        let file = self.file;
        if is_formula(text) {
            self.found.add(Severity::Error, || {
                Diagnostic::error("R009", format!("`{}` looks like a formula", clip(text)))
                    .at(file, span, "")
                    .help("write what was read; the file must hold values, not how to compute them")
            });
            return;
        }
        if of_many {
            match self.long_form.said_before(run, column, text, &span) {
                Ok(false) => {}
                Ok(true) => return,
                Err(misfit) => return self.misfit(run, misfit),
            }
        }
        if is_value(column) {
            self.value(run, column, text, span);
        } else {
            self.note(run, column, text, span);
        }
    }

    /// A number, or the reason why there is none.
    fn value(&mut self, run: usize, column: Column, text: &str, span: Range<usize>) {
        let recorded = self.recorded_value(run, column);
        let word = self.missing.get(&(run, column)).copied();
        if let Some(reason) = missing_word(text) {
            match (recorded, word) {
                (None, Some(word)) if word == reason => {}
                (None, None) => self.add(Entry::Missing {
                    run,
                    what: self.columns.name(column),
                    reason: reason.to_owned(),
                    why: None,
                    trace: Trace::default(),
                }),
                (recorded, word) => {
                    let from = recorded.map(|(text, _)| text.to_owned());
                    let from = from.or_else(|| word.map(str::to_owned)).unwrap_or_default();
                    self.correct(run, column, &from, reason.to_owned(), span);
                }
            }
            return;
        }
        let parsed = match decimal::parse(text) {
            Ok(parsed) => parsed,
            Err(refusal) => {
                let file = self.file;
                self.found.add(Severity::Error, || {
                    Diagnostic::error(refusal.code(), refusal.sentence(&clip(text)))
                        .at(file, span, "")
                        .help(refusal.help())
                });
                return;
            }
        };
        self.marks.note(column, &parsed, &span);
        if !self.possible(column, text, parsed.value, &span) {
            return;
        }
        if recorded.is_some_and(|(_, value)| value == parsed.value) {
            return;
        }
        self.doubt_value(run, column, text, parsed.value, &span);
        let text = trim(text).to_owned();
        match (recorded, word) {
            (Some((from, _)), _) => {
                let from = from.to_owned();
                self.correct(run, column, &from, text, span);
            }
            (None, Some(word)) if !is_open(word) => self.correct(run, column, word, text, span),
            (None, _) => {
                if let Some(entry) = self.value_entry(run, column, text) {
                    self.add(entry);
                }
            }
        }
    }

    fn recorded_value(&self, run: usize, column: Column) -> Option<(&'a str, Decimal)> {
        let run = self.record.runs.get(&run)?;
        let written = match column {
            Column::Condition(id) => run.conditions.get(id)?.as_ref()?,
            Column::Reading(id, position) => run.readings.get(id)?.get(position)?.as_ref()?,
            _ => return None,
        };
        Some((written.text.as_str(), written.value))
    }

    fn value_entry(&self, run: usize, column: Column, text: String) -> Option<Entry> {
        let protocol = self.context.protocol;
        match column {
            Column::Reading(id, position) => Some(Entry::Reading {
                run,
                response: protocol.responses.get(id)?.name.clone(),
                reading: position + 1,
                text,
                trace: Trace::default(),
            }),
            Column::Condition(id) => Some(Entry::Condition {
                run,
                condition: protocol.conditions.get(id)?.name.clone(),
                text,
                trace: Trace::default(),
            }),
            _ => None,
        }
    }

    /// Refuses what cannot be.
    fn possible(&mut self, column: Column, text: &str, value: Decimal, span: &Range<usize>) -> bool {
        let protocol = self.context.protocol;
        let (possible, unit) = match column {
            Column::Condition(id) => protocol.conditions.get(id).map(|c| (c.possible, c.unit.as_str())),
            Column::Reading(id, _) => protocol.responses.get(id).map(|r| (r.possible, r.unit.as_str())),
            _ => None,
        }
        .unwrap_or((None, ""));
        if lies_in(possible, value) {
            return true;
        }
        let (low, high) = possible.unwrap_or_default();
        let (file, what) = (self.file, self.columns.name(column));
        self.found.add(Severity::Error, || {
            let diagnostic = Diagnostic::error(
                "R046",
                format!("{what} cannot be {}: {low} to {high} {unit} is possible", trim(text)),
            )
            .at(file, span.clone(), "");
            match slipped_mark(possible, value) {
                Some(moved) => diagnostic.help(format!("is the decimal mark in its place? {moved} would be possible")),
                None => diagnostic.help("write what was read; if there is no reading, say why: not done, lost, void"),
            }
        });
        false
    }

    /// Questions what is odd.
    fn doubt_value(&mut self, run: usize, column: Column, text: &str, value: Decimal, span: &Range<usize>) {
        let protocol = self.context.protocol;
        let mut expected = None;
        let mut doubts: Vec<Doubt> = Vec::new();
        match column {
            Column::Reading(id, _) => {
                if let Some(response) = protocol.responses.get(id) {
                    expected = response.expected;
                    doubts = doubts::of_reading(response, value);
                }
            }
            Column::Condition(id) => {
                if let Some(condition) = protocol.conditions.get(id) {
                    expected = condition.expected;
                    doubts = doubts::of_condition(condition, value);
                }
                let labels = self.structure.labels(run);
                doubts.extend(
                    self.agreement
                        .check(protocol, self.context.plan, labels, run, id, value),
                );
            }
            _ => {}
        }
        for (code, why) in doubts {
            let (file, what) = (self.file, self.columns.name(column));
            let moved = slipped_mark(expected, value).filter(|_| code == "R047");
            self.found.add(Severity::Warning, || {
                let diagnostic = Diagnostic::warning(code, format!("{what} of run {run} is {}: {why}", trim(text))).at(
                    file,
                    span.clone(),
                    "taken in, please look",
                );
                match moved {
                    Some(moved) => diagnostic.help(format!("is the decimal mark in its place? {moved} would fit")),
                    None => diagnostic,
                }
            });
        }
    }

    /// Order, time, operator, remark.
    fn note(&mut self, run: usize, column: Column, text: &str, span: Range<usize>) {
        let file = self.file;
        let mut text = on_one_line(text);
        let longest = if column == Column::Remark {
            LONGEST_TEXT
        } else {
            LONGEST_LABEL
        };
        if let Some(why) = fault(&text, longest) {
            let what = self.columns.name(column);
            self.found.add(Severity::Error, || {
                Diagnostic::error("R010", format!("the {what} is not taken: {why}")).at(file, span, "")
            });
            return;
        }
        if column == Column::Order {
            let runs = self.context.runs();
            let Some(order) = whole_number(&text).and_then(|order| position(&order.to_string(), runs)) else {
                self.found.add(Severity::Error, || {
                    let most = runs.map_or(String::new(), |runs| format!(" to {runs}"));
                    Diagnostic::error("R051", format!("`{text}` is not a position in the order, from 1{most}"))
                        .at(file, span, "")
                });
                return;
            };
            text = order.to_string();
            self.orders.insert(run, (order, Some(span.clone())));
        }
        let now = recorded(self.context.protocol, self.record, run, column);
        if now.as_deref() == Some(text.as_str()) {
            if let Some((_, place)) = self.orders.get_mut(&run).filter(|_| column == Column::Order) {
                *place = None;
            }
            return;
        }
        if column == Column::Operator
            && let Some((code, why)) = doubts::of_operator(self.context.people, &text)
        {
            let place = span.clone();
            self.found.add(Severity::Warning, || {
                Diagnostic::warning(code, format!("`{text}` operated run {run}, and {why}")).at(
                    file,
                    place,
                    "taken in, please look",
                )
            });
        }
        match now {
            Some(from) => self.correct(run, column, &from, text, span),
            None => self.add(Entry::Note {
                run,
                what: self.columns.name(column),
                text,
                trace: Trace::default(),
            }),
        }
    }

    fn add(&mut self, entry: Entry) {
        self.added += 1;
        self.entries.push(entry);
    }

    /// A recorded value is changed: with a reason it is a correction.
    fn correct(&mut self, run: usize, column: Column, from: &str, to: String, span: Range<usize>) {
        let (file, what) = (self.file, self.columns.name(column));
        let Some(reason) = self.reason else {
            self.found.add(Severity::Error, || {
                Diagnostic::error(
                    "R060",
                    format!("{what} of run {run} is recorded as `{from}`, and is now `{to}`"),
                )
                .at(file, span, "changed")
                .help("say why with --reason, and it is taken in as a correction; both values are kept")
            });
            return;
        };
        let reason = on_one_line(reason);
        if !self.reason_checked {
            self.reason_checked = true;
            if let Some(why) = reason_fault(&reason) {
                self.found.error(
                    Diagnostic::error("R061", format!("the reason is not taken: {why}"))
                        .at(file, span, "changed")
                        .help("say what went wrong: mis-typed, wrong position, foot not seated, instrument slipped"),
                );
            }
        }
        self.add(Entry::Correction {
            run,
            what,
            from: from.to_owned(),
            to,
            reason,
            trace: Trace::default(),
        });
    }

    fn finish(mut self, separator: char) -> Result<(Vec<Entry>, Diagnostics), Diagnostics> {
        self.marks.judge(self.file, self.columns, separator, &mut self.found);
        self.doubt_orders();
        if self.found.has_errors() {
            return Err(self.found.finish());
        }
        let mut entries = Vec::new();
        if !self.entries.is_empty() {
            let name = self.file.name.rsplit(['/', '\\']).next().unwrap_or_default();
            entries.push(Entry::Taken {
                file: file_name(name),
                sha256: sha256(self.file.text.as_bytes()),
                added: self.added,
                device: None,
                through: None,
                head: None,
            });
            entries.append(&mut self.entries);
        }
        Ok((entries, self.found.finish()))
    }

    /// Two runs cannot have been made at one position.
    fn doubt_orders(&mut self) {
        let mut by_position: BTreeMap<usize, Vec<Claim<'_>>> = BTreeMap::new();
        for (run, (order, place)) in &self.orders {
            by_position.entry(*order).or_default().push((*run, place.as_ref()));
        }
        for (order, runs) in by_position.iter().filter(|(_, runs)| runs.len() > 1) {
            for (run, place) in runs {
                let Some(place) = place else { continue };
                let other = runs
                    .iter()
                    .map(|(run, _)| *run)
                    .find(|other| other != run)
                    .unwrap_or_default();
                let file = self.file;
                self.found.add(Severity::Warning, || {
                    Diagnostic::warning("R052", format!("runs {run} and {other} both claim position {order}")).at(
                        file,
                        (*place).clone(),
                        "taken in, please look",
                    )
                });
            }
        }
    }
}

/// What is wrong with a reason for a change.
pub(super) fn reason_fault(reason: &str) -> Option<String> {
    let plain = reason.to_lowercase();
    let empty_words = [
        "looks wrong",
        "wrong",
        "looks odd",
        "outlier",
        "correction",
        "corrected",
        "fix",
        "fixed",
        "update",
        "n/a",
        "none",
    ];
    if empty_words.contains(&plain.trim_end_matches('.')) {
        return Some(format!("`{reason}` says that the value changed, not why"));
    }
    text_fault(reason, LONGEST_TEXT)
        .or_else(|| (reason.chars().filter(|c| c.is_alphabetic()).count() < 3).then(|| "it is too short".to_owned()))
}

/// A file's name fit for the journal: a name may hold anything that the system allows.
pub(super) fn file_name(name: &str) -> String {
    let plain: String = name
        .chars()
        .map(|c| {
            if fault(c.encode_utf8(&mut [0; 4]), 1).is_some() {
                '\u{fffd}'
            } else {
                c
            }
        })
        .take(LONGEST_TEXT)
        .collect();
    if plain.is_empty() { "sheet".to_owned() } else { plain }
}
