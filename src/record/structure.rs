//! Holds the unit and factor columns of a row against the plan, or reads them for an as-run study.
//!
//! In:  the cells of a row and the run it belongs to.
//! Out: whether the row fits; for an as-run study its `run` entry, or what changed in it.
//!
//! A planned row must carry the plan's numbers and levels. A text in place of a unit's number is taken for a label: then
//! one unit must keep one label through the file, and two units of one kind must not share one.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Severity, Source, nearest};
use crate::plan::PlannedRun;
use crate::protocol::{FactorId, UnitId};

use super::columns::{Column, Columns, recorded};
use super::gather::Gather;
use super::journal::Entry;
use super::layout::{Field, Layout};
use super::levels::find_level;
use super::model::Record;
use super::replay::Context;
use super::table::Cell;
use super::whole::whole_number;
use super::words::{LONGEST_LABEL, clip, fault, is_formula, on_one_line};

/// A unit's label or a level of a recorded run that is now another.
#[derive(Debug)]
pub struct Change {
    /// The column.
    pub column: Column,
    /// What is recorded.
    pub from: String,
    /// What is written now.
    pub to: String,
    /// Where.
    pub span: Range<usize>,
}

/// Units and levels of an as-run run, with the place of its first row.
#[derive(Debug)]
struct Declared {
    labels: Vec<String>,
    levels: Vec<usize>,
    place: Range<usize>,
}

/// A unit of the plan: its kind, and its number and those of the units above it.
type UnitPath = (UnitId, Vec<usize>);

/// What was seen of units and levels so far.
#[derive(Debug)]
pub struct Structure<'a> {
    file: &'a Arc<Source>,
    context: &'a Context<'a>,
    record: &'a Record,
    label_of: BTreeMap<UnitPath, (String, usize)>,
    unit_of: BTreeMap<(UnitId, Vec<usize>, String), (usize, usize)>,
    declared: BTreeMap<usize, Declared>,
    changes: Vec<Change>,
    entry: Option<Entry>,
}

impl<'a> Structure<'a> {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(file: &'a Arc<Source>, context: &'a Context<'a>, record: &'a Record) -> Self {
        Self {
            file,
            context,
            record,
            label_of: BTreeMap::new(),
            unit_of: BTreeMap::new(),
            declared: BTreeMap::new(),
            changes: Vec::new(),
            entry: None,
        }
    }

    /// What the last row changed in its recorded run.
    pub fn take_changes(&mut self) -> Vec<Change> {
        std::mem::take(&mut self.changes)
    }

    /// The `run` entry of the last row, if its run is new.
    pub fn take_entry(&mut self) -> Option<Entry> {
        self.entry.take()
    }

    /// Labels of the units of an as-run run, by `UnitId`; empty for a planned study.
    #[must_use]
    pub fn labels(&self, run: usize) -> &[String] {
        self.declared.get(&run).map_or(&[], |declared| &declared.labels)
    }

    /// Holds a row against the plan, or reads it; false if it does not fit.
    pub fn check(
        &mut self,
        run: usize,
        place: &Range<usize>,
        cells: &[Cell],
        layout: &Layout,
        columns: &Columns<'_>,
        found: &mut Gather,
    ) -> bool {
        if let Some(plan) = self.context.plan.filter(|_| !self.context.protocol.is_as_run()) {
            return match run.checked_sub(1).and_then(|index| plan.runs.get(index)) {
                Some(planned) => self.planned(planned, cells, layout, found),
                None => false,
            };
        }
        self.as_run(run, place, cells, layout, columns, found)
    }

    fn planned(&mut self, planned: &PlannedRun, cells: &[Cell], layout: &Layout, found: &mut Gather) -> bool {
        let file = self.file;
        let mut fits = true;
        for (field, cell) in layout.fields.iter().zip(cells).filter(|(_, cell)| !cell.is_empty()) {
            match *field {
                Field::Of(Column::Unit(id)) => fits &= self.planned_unit(planned, id, cell, found),
                Field::Of(Column::Factor(id)) => {
                    let text = cell.text(&file.text);
                    let Some((factor, level)) = self.context.protocol.factors.get(id).zip(planned.levels.get(id))
                    else {
                        continue;
                    };
                    if find_level(factor, &text) != Some(*level) {
                        fits = false;
                        found.add(Severity::Error, || {
                            let level = factor.levels.get(*level).map_or("", String::as_str);
                            Diagnostic::error(
                                "R024",
                                format!(
                                    "run {} has {} `{}`, and the plan says `{level}`",
                                    planned.run,
                                    factor.name,
                                    clip(&text)
                                ),
                            )
                            .at(file, cell.span(), "")
                            .help(SHIFTED)
                        });
                    }
                }
                _ => {}
            }
        }
        fits
    }

    fn planned_unit(&mut self, planned: &PlannedRun, id: UnitId, cell: &Cell, found: &mut Gather) -> bool {
        let file = self.file;
        let protocol = self.context.protocol;
        let text = on_one_line(&cell.text(&file.text));
        let (Some(unit), Some(&number)) = (protocol.units.get(id), planned.units.get(id)) else {
            return true;
        };
        let run = planned.run;
        if let Some(written) = whole_number(&text) {
            if written != number {
                found.add(Severity::Error, || {
                    Diagnostic::error(
                        "R023",
                        format!("run {run} has {} {written}, and the plan says {number}", unit.name),
                    )
                    .at(file, cell.span(), "")
                    .help(SHIFTED)
                });
            }
            return written == number;
        }
        if !self.label_fits(&text, cell, found) {
            return false;
        }
        let above: Vec<usize> = protocol
            .above(id)
            .into_iter()
            .filter_map(|above| planned.units.get(above).copied())
            .collect();
        let mut path = above.clone();
        path.push(number);
        let (label, first) = self.label_of.entry((id, path)).or_insert_with(|| (text.clone(), run));
        let (other, by) = *self.unit_of.entry((id, above, text.clone())).or_insert((number, run));
        let message = if *label != text {
            format!(
                "{} {number} is `{}` in run {run}, and was `{label}` in run {first}",
                unit.name,
                clip(&text)
            )
        } else if other != number {
            format!(
                "`{}` is {} {number} in run {run}, and was {other} in run {by}",
                clip(&text),
                unit.name
            )
        } else {
            return true;
        };
        found.add(Severity::Error, || {
            Diagnostic::error("R023", message)
                .at(file, cell.span(), "")
                .help(SHIFTED)
        });
        false
    }

    fn label_fits(&self, text: &str, cell: &Cell, found: &mut Gather) -> bool {
        let why = if is_formula(text) {
            Some(("R009", "it looks like a formula".to_owned()))
        } else {
            fault(text, LONGEST_LABEL).map(|why| ("R010", why))
        };
        let Some((code, why)) = why else { return true };
        let file = self.file;
        found.add(Severity::Error, || {
            Diagnostic::error(code, format!("the label is not taken: {why}")).at(file, cell.span(), "")
        });
        false
    }

    fn as_run(
        &mut self,
        run: usize,
        place: &Range<usize>,
        cells: &[Cell],
        layout: &Layout,
        columns: &Columns<'_>,
        found: &mut Gather,
    ) -> bool {
        let protocol = self.context.protocol;
        let at = |column: Column| layout.position(Field::Of(column)).and_then(|at| cells.get(at));
        let mut labels = Vec::with_capacity(protocol.units.len());
        for id in 0..protocol.run_unit() {
            labels.push(self.label(run, id, at(Column::Unit(id)), place, found));
        }
        let mut levels = Vec::with_capacity(protocol.factors.len());
        for id in 0..protocol.factors.len() {
            levels.push(self.level(run, id, at(Column::Factor(id)), place, found));
        }
        let labels: Option<Vec<String>> = labels.into_iter().collect();
        let levels: Option<Vec<usize>> = levels.into_iter().collect();
        let (Some(mut labels), Some(levels)) = (labels, levels) else {
            return false;
        };
        labels.push(run.to_string());
        if let Some(first) = self.declared.get(&run) {
            let same = first.labels == labels && first.levels == levels;
            if !same {
                let (file, first, place) = (self.file, first.place.clone(), place.clone());
                found.add(Severity::Error, || {
                    Diagnostic::error("R031", format!("rows of run {run} disagree on its units or levels"))
                        .at(file, place, "here")
                        .at(file, first, "and here")
                });
            }
            return same;
        }
        if self.record.runs.contains_key(&run) {
            let now = |column: Column| recorded(protocol, self.record, run, column).unwrap_or_default();
            let written = (0..protocol.run_unit())
                .map(|id| (Column::Unit(id), labels.get(id).cloned()))
                .chain((0..protocol.factors.len()).map(|id| {
                    let level = levels
                        .get(id)
                        .and_then(|level| protocol.factors.get(id)?.levels.get(*level));
                    (Column::Factor(id), level.cloned())
                }));
            for (column, to) in written {
                let (from, to) = (now(column), to.unwrap_or_default());
                if from != to {
                    self.changes.push(Change {
                        column,
                        from,
                        to,
                        span: at(column).map_or_else(|| place.clone(), Cell::span),
                    });
                }
            }
        } else {
            let units = (0..protocol.run_unit()).map(|id| columns.name(Column::Unit(id)));
            self.entry = Some(Entry::Run {
                run,
                units: units.zip(labels.iter().cloned()).collect(),
                levels: protocol
                    .factors
                    .iter()
                    .zip(&levels)
                    .filter_map(|(factor, level)| Some((factor.name.clone(), factor.levels.get(*level)?.clone())))
                    .collect(),
            });
        }
        self.declared.insert(
            run,
            Declared {
                labels,
                levels,
                place: place.clone(),
            },
        );
        true
    }

    fn label(
        &self,
        run: usize,
        id: UnitId,
        cell: Option<&Cell>,
        place: &Range<usize>,
        found: &mut Gather,
    ) -> Option<String> {
        let file = self.file;
        let unit = self.context.protocol.units.get(id)?;
        let Some(cell) = cell.filter(|cell| !cell.is_empty()) else {
            let span = cell.map_or_else(|| place.clone(), Cell::span);
            found.add(Severity::Error, || {
                Diagnostic::error("R026", format!("run {run} has no {}", unit.name)).at(file, span, "")
            });
            return None;
        };
        let text = on_one_line(&cell.text(&file.text));
        self.label_fits(&text, cell, found).then_some(text)
    }

    fn level(
        &self,
        run: usize,
        id: FactorId,
        cell: Option<&Cell>,
        place: &Range<usize>,
        found: &mut Gather,
    ) -> Option<usize> {
        let file = self.file;
        let factor = self.context.protocol.factors.get(id)?;
        let text = cell.map(|cell| cell.text(&file.text)).unwrap_or_default();
        let level = find_level(factor, &text);
        if level.is_none() {
            let span = cell.map_or_else(|| place.clone(), Cell::span);
            found.add(Severity::Error, || {
                let levels = factor.levels.iter().map(String::as_str);
                let help = match nearest(&clip(&text), levels).filter(|_| factor.numbers.is_none()) {
                    Some(meant) => format!("did you mean `{meant}`?"),
                    None => format!("the protocol declares {}", factor.levels.join(", ")),
                };
                let message = if text.is_empty() {
                    format!("run {run} has no level of {}", factor.name)
                } else {
                    format!("`{}` is not a level of {}", clip(&text), factor.name)
                };
                Diagnostic::error("R025", message).at(file, span, "").help(help)
            });
        }
        level
    }
}

/// What to do where rows do not fit the plan.
const SHIFTED: &str = "were the rows sorted or shifted? Each row must stay with the run it was printed for";
