//! The journal becomes the record as it stands: the last valid value of everything.
//!
//! In:  the journal's text, the protocol and the plan.
//! Out: a `Record`, or everything that is wrong: the journal is outside data like any other.
//!
//! Method: `journal::lines` checks the chain; each entry is then checked against the protocol and what stands
//! before it (a second value is no reading but a correction, a correction starts from what is recorded).

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Severity, Source};
use crate::plan::{Plan, control_rows};
use crate::protocol::Protocol;

use super::columns::{Column, Columns, recorded};
use super::conformance::{Point, points};
use super::control::{self, ControlColumn, ControlCorrection};
use super::decimal::{self, lies_in};
use super::doubts::of_record;
use super::gather::MOST_LISTED;
use super::journal::{COURSE, Entry, Recorded, Trace, lines};
use super::levels::find_level;
use super::model::{
    Amendment, Asked, Closed, Conflict, Conformance, Correction, Course, Deviation, DeviceLog, Missing, Record,
    RunRecord, TakenFile, Unblinded, Written,
};
use super::whole::{position, whole_number};
use super::words::{LONGEST_LABEL, LONGEST_TEXT, clip, fault, is_formula, is_open, missing_word};

/// What a record is held against.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// The protocol.
    pub protocol: &'a Protocol,
    /// The frozen plan; `None` for an as-run study.
    pub plan: Option<&'a Plan>,
    /// Initials of those who may operate; empty if nobody is listed.
    pub people: &'a [String],
}

impl Context<'_> {
    /// Highest run number: the plan's number of runs; no bound for an as-run study.
    #[must_use]
    pub fn runs(&self) -> Option<usize> {
        if self.protocol.is_as_run() {
            None
        } else {
            Some(self.plan.map_or(0, |plan| plan.runs.len()))
        }
    }
}

/// Reads a journal back.
///
/// # Errors
///
/// Everything wrong with the chain or with an entry, each with its line.
pub fn replay(journal: &Arc<Source>, context: &Context<'_>) -> Result<Record, Diagnostics> {
    let mut found = Diagnostics::new();
    let (entries, head) = lines(journal, &mut found);
    let mut replayer = Replayer::after(context, Record::default());
    for recorded in &entries {
        if let Err((code, message)) = replayer.apply(recorded) {
            found.push(Diagnostic::error(code, format!("entry {}: {message}", recorded.n)).at(
                journal,
                recorded.span.clone(),
                "",
            ));
            if found.count(Severity::Error) >= MOST_LISTED {
                break;
            }
        }
    }
    if found.has_errors() {
        return Err(found);
    }
    if let Some(last) = replayer.record.amendments.last()
        && last.to != context.protocol.sha256
    {
        let message = format!(
            "the protocol is not version {} of the last amendment, entered on {}",
            last.version, last.at
        );
        let help = "bring that version back, or put this one on record with `wellrun plan DIR --amend --reason TEXT`";
        return Err(Diagnostic::error("R092", message)
            .at(journal, 0..0, "")
            .help(help)
            .into());
    }
    let mut record = replayer.finish();
    record.entries = entries.len();
    record.head = head;
    record.questioned = of_record(context.protocol, context.plan, context.people, &record);
    Ok(record)
}

/// A code and a sentence.
pub(super) type Refused = (&'static str, String);

/// A record to which entries are added one by one.
pub(super) struct Replayer<'a> {
    context: Context<'a>,
    columns: Columns<'a>,
    record: Record,
    /// The rows that the plan has of each control.
    control_rows: BTreeSet<(usize, usize)>,
    /// Reason, more about it, and time, by run and column.
    missing: BTreeMap<(usize, Column), Absent>,
    /// What has to be the same at every site.
    points: Vec<Point>,
}

/// A value that is missing for a reason.
struct Absent {
    word: &'static str,
    why: String,
    at: String,
}

impl<'a> Replayer<'a> {
    /// Goes on after what is recorded.
    pub(super) fn after(context: &Context<'a>, record: Record) -> Self {
        let columns = Columns::new(context.protocol);
        let missing = record
            .missing
            .iter()
            .filter_map(|missing| {
                let absent = Absent {
                    word: missing_word(&missing.reason)?,
                    why: missing.why.clone(),
                    at: missing.at.clone(),
                };
                Some(((missing.run, columns.find(&missing.what)?), absent))
            })
            .collect();
        Self {
            context: *context,
            columns,
            record,
            control_rows: control_rows(context.protocol, context.runs().unwrap_or(0))
                .into_iter()
                .map(|row| (row.control, row.number))
                .collect(),
            missing,
            points: points(context.protocol),
        }
    }

    /// How far the logs of devices are taken in.
    pub(super) fn devices(&self) -> &BTreeMap<String, DeviceLog> {
        &self.record.devices
    }

    /// The record as it now stands, but for what only the whole journal can say.
    fn finish(self) -> Record {
        let Self {
            mut record,
            missing,
            columns,
            ..
        } = self;
        record.missing = missing
            .into_iter()
            .map(|((run, column), absent)| Missing {
                run,
                what: columns.name(column),
                reason: absent.word.to_owned(),
                why: absent.why,
                at: absent.at,
            })
            .collect();
        order_by_time(&mut record);
        record
    }

    /// Adds one entry.
    ///
    /// # Errors
    ///
    /// A code and a sentence if it does not fit what stands before it.
    pub(super) fn apply(&mut self, recorded: &Recorded) -> Result<(), Refused> {
        let at = &recorded.at;
        if let Some(closed) = &self.record.closed {
            return Err(("R084", format!("the record was closed on {}", closed.at)));
        }
        if let Some(trace) = recorded.entry.trace() {
            check_trace(trace)?;
        }
        match &recorded.entry {
            Entry::Taken {
                file,
                sha256,
                added,
                device,
                through,
                head,
            } => {
                let is_hash =
                    |text: &str| text.len() == 64 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
                match (device, through, head) {
                    (None, None, None) => {}
                    (Some(device), Some(through), Some(head)) if is_device(device) && is_hash(head) => {
                        let log = DeviceLog {
                            through: *through,
                            head: head.clone(),
                        };
                        self.record.devices.insert(device.clone(), log);
                    }
                    _ => return Err(("R079", "what it says of a device is not complete".to_owned())),
                }
                if !is_hash(sha256) || file.contains(['/', '\\']) || fault(file, LONGEST_TEXT).is_some() {
                    return Err(("R079", "the file's name or hash is not one".to_owned()));
                }
                self.record.files.push(TakenFile {
                    name: file.clone(),
                    sha256: sha256.clone(),
                    at: at.clone(),
                    added: *added,
                });
                Ok(())
            }
            Entry::Run { run, units, levels } => self.declare_run(*run, units, levels),
            Entry::Reading {
                run,
                response,
                reading,
                text,
                trace,
            } => {
                let id = self.context.protocol.responses.iter().position(|r| r.name == *response);
                let column = id
                    .filter(|id| (1..=self.context.protocol.responses[*id].readings).contains(reading))
                    .map(|id| Column::Reading(id, reading - 1))
                    .ok_or_else(|| ("R076", format!("the protocol has no reading {reading} of `{response}`")))?;
                self.add(*run, column, text, recorded.n)?;
                self.trace_run(*run, column, trace);
                Ok(())
            }
            Entry::Condition {
                run,
                condition,
                text,
                trace,
            } => {
                let column = self.column(condition, |column| matches!(column, Column::Condition(_)))?;
                self.add(*run, column, text, recorded.n)?;
                self.trace_run(*run, column, trace);
                Ok(())
            }
            Entry::Note { run, what, text, .. } => {
                let column = self.column(what, is_note)?;
                self.add(*run, column, text, recorded.n)
            }
            Entry::Correction {
                run,
                what,
                from,
                to,
                reason,
                trace,
            } => {
                let column = self.column(what, |column| column != Column::Run)?;
                self.run_exists(*run)?;
                check_text(reason, LONGEST_TEXT)?;
                let now = self.now(*run, column).unwrap_or_default();
                if now != *from || now.is_empty() {
                    return Err((
                        "R078",
                        format!("the correction of {what} in run {run} starts from `{from}`, but `{now}` is recorded"),
                    ));
                }
                self.set(*run, column, to, recorded.n, at)?;
                // A mended slip of the pen is still the reading of when it was read; one read again is not.
                let key = (run.to_string(), self.columns.name(column));
                if missing_word(from).is_some() || !self.record.traces.contains_key(&key) {
                    self.trace_run(*run, column, trace);
                }
                self.record.corrections.push(Correction {
                    run: *run,
                    what: self.columns.name(column),
                    from: from.clone(),
                    to: to.clone(),
                    reason: reason.clone(),
                    by: trace.by.clone().unwrap_or_default(),
                    at: at.clone(),
                });
                Ok(())
            }
            Entry::Missing {
                run,
                what,
                reason,
                why,
                trace,
            } => {
                let column = self.column(what, is_value)?;
                self.run_exists(*run)?;
                let word = missing_word(reason)
                    .filter(|word| *word == reason)
                    .ok_or_else(|| ("R079", format!("`{reason}` is no reason for a missing value")))?;
                if self.now(*run, column).is_some() {
                    return Err(("R077", format!("{what} of run {run} is recorded already")));
                }
                if let Some(why) = why {
                    check_text(why, LONGEST_TEXT)?;
                }
                let absent = Absent {
                    word,
                    why: why.clone().unwrap_or_default(),
                    at: at.clone(),
                };
                self.missing.insert((*run, column), absent);
                self.trace_run(*run, column, trace);
                self.run_mut(*run);
                Ok(())
            }
            Entry::Deviation { run, what, trace } => {
                if let Some(run) = run {
                    self.run_exists(*run)?;
                }
                check_text(what, LONGEST_TEXT)?;
                self.record.deviations.push(Deviation {
                    run: *run,
                    what: what.clone(),
                    by: trace.by.clone().unwrap_or_default(),
                    at: at.clone(),
                });
                Ok(())
            }
            Entry::Conformance {
                what,
                same,
                instead,
                reason,
            } => {
                let (index, point) = self
                    .points
                    .iter()
                    .enumerate()
                    .find(|(_, point)| point.what == *what)
                    .ok_or_else(|| ("R091", format!("the protocol has no point `{what}`")))?;
                for text in [instead, reason].into_iter().flatten() {
                    check_text(text, LONGEST_TEXT)?;
                }
                if *same == instead.is_some() {
                    return Err(("R091", format!("the answer to `{what}` does not fit what is done")));
                }
                if self.record.conformance.contains_key(&index) != reason.is_some() {
                    return Err(("R060", format!("`{what}` is answered again without a reason")));
                }
                let answer = Conformance {
                    what: what.clone(),
                    asked: point.asked.clone(),
                    same: *same,
                    instead: instead.clone().unwrap_or_default(),
                    reason: reason.clone().unwrap_or_default(),
                    at: at.clone(),
                    after_runs: self.record.runs.len(),
                };
                self.record.conformance.insert(index, answer);
                Ok(())
            }
            Entry::Amended {
                before,
                from,
                version,
                to,
                reason,
            } => {
                check_text(reason, LONGEST_TEXT)?;
                check_text(before, LONGEST_LABEL)?;
                check_text(version, LONGEST_LABEL)?;
                let follows = self
                    .record
                    .amendments
                    .last()
                    .is_none_or(|last| last.to == *from && last.version == *before);
                if !follows || from == to || before == version {
                    return Err(("R092", "the amendment does not follow from what it amends".to_owned()));
                }
                self.record.amendments.push(Amendment {
                    before: before.clone(),
                    from: from.clone(),
                    version: version.clone(),
                    to: to.clone(),
                    reason: reason.clone(),
                    at: at.clone(),
                    after_runs: self.record.runs.len(),
                });
                Ok(())
            }
            Entry::Course { .. } | Entry::Asked { .. } | Entry::Conflict { .. } => self.at_the_bench(&recorded.entry),
            Entry::Control { .. } => self.control(recorded),
            Entry::Unblinded { why } => {
                check_text(why, LONGEST_TEXT)?;
                if self.record.unblinded.is_some() || self.context.protocol.bench.blinded.is_empty() {
                    return Err(("R083", "the study is not blinded".to_owned()));
                }
                self.record.unblinded = Some(Unblinded {
                    why: why.clone(),
                    at: at.clone(),
                    after_runs: self.record.runs.len(),
                });
                Ok(())
            }
            Entry::Closed { why, by } => {
                if let Some(why) = why {
                    check_text(why, LONGEST_TEXT)?;
                }
                if let Some(by) = by {
                    check_text(by, LONGEST_LABEL)?;
                }
                let blinded = !self.context.protocol.bench.blinded.is_empty();
                if blinded && self.record.unblinded.is_none() {
                    self.record.unblinded = Some(Unblinded {
                        why: "the record was closed".to_owned(),
                        at: at.clone(),
                        after_runs: self.record.runs.len(),
                    });
                }
                self.record.closed = Some(Closed {
                    why: why.clone().unwrap_or_default(),
                    by: by.clone().unwrap_or_default(),
                    at: at.clone(),
                });
                Ok(())
            }
        }
    }

    fn control(&mut self, recorded: &Recorded) -> Result<(), Refused> {
        let Entry::Control {
            control,
            row,
            what,
            text,
            from,
            reason,
            trace,
        } = &recorded.entry
        else {
            return Ok(());
        };
        let declared = &self.context.protocol.bench.controls;
        let id = declared
            .iter()
            .position(|known| known.name == *control)
            .filter(|id| self.control_rows.contains(&(*id, *row)))
            .ok_or_else(|| ("R080", format!("the plan has no row {row} of a control `{control}`")))?;
        let column = ControlColumn::find(what, declared[id].readings)
            .ok_or_else(|| ("R076", format!("a control row has no such column as `{what}`")))?;
        let now = control::now(&self.record, (id, *row), column);
        let is_open = now.as_deref().is_none_or(|now| missing_word(now).is_some_and(is_open));
        match (from, reason) {
            (None, None) if is_open => {}
            (Some(from), Some(reason)) if now.as_deref() == Some(from) => {
                check_text(reason, LONGEST_TEXT)?;
                self.record.control_corrections.push(ControlCorrection {
                    row: format!("{control} {row}"),
                    what: what.clone(),
                    from: from.clone(),
                    to: text.clone(),
                    reason: reason.clone(),
                    by: trace.by.clone().unwrap_or_default(),
                    at: recorded.at.clone(),
                });
            }
            (None, None) => return Err(("R077", format!("{what} of `{control} {row}` is recorded already"))),
            _ => {
                return Err((
                    "R078",
                    format!("the correction of {what} in `{control} {row}` does not start from what is recorded"),
                ));
            }
        }
        control::set(
            self.context.protocol,
            &mut self.record,
            (id, *row),
            column,
            text,
            recorded.n,
        )?;
        if let Some(slot) = self.record.controls.get_mut(&(id, *row)) {
            let readings = matches!(column, ControlColumn::Reading(_));
            for (place, said) in [(&mut slot.time, &trace.read), (&mut slot.initials, &trace.by)] {
                if let Some(said) = said.as_ref().filter(|_| readings && place.is_empty()) {
                    said.clone_into(place);
                }
            }
        }
        if *trace != Trace::default() {
            let key = (format!("{control} {row}"), what.clone());
            self.record.traces.insert(key, trace.clone());
        }
        Ok(())
    }

    /// Keeps where a value of a run comes from; the first one says when the run was made and by whom.
    fn trace_run(&mut self, run: usize, column: Column, trace: &Trace) {
        if *trace == Trace::default() {
            return;
        }
        let is_reading = matches!(column, Column::Reading(..));
        let entry = self.run_mut(run);
        for (place, said) in [(&mut entry.time, &trace.read), (&mut entry.initials, &trace.by)] {
            if let Some(said) = said.as_ref().filter(|_| is_reading && place.is_empty()) {
                said.clone_into(place);
            }
        }
        let key = (run.to_string(), self.columns.name(column));
        self.record.traces.insert(key, trace.clone());
    }

    /// What went on beside the values.
    fn at_the_bench(&mut self, entry: &Entry) -> Result<(), Refused> {
        match entry {
            Entry::Course { run, what, text, trace } => {
                if let Some(run) = run {
                    self.run_exists(*run)?;
                }
                if !COURSE.contains(&what.as_str()) {
                    return Err(("R079", format!("`{}` is nothing that goes on at the bench", clip(what))));
                }
                if let Some(text) = text {
                    check_text(text, LONGEST_TEXT)?;
                }
                self.record.course.push(Course {
                    run: *run,
                    what: what.clone(),
                    text: text.clone().unwrap_or_default(),
                    trace: trace.clone(),
                });
            }
            Entry::Asked {
                row,
                what,
                text,
                why,
                answer,
                trace,
            } => {
                self.row_exists(row)?;
                for said in [what, text, why, answer] {
                    check_text(said, LONGEST_TEXT)?;
                }
                self.record.asked.push(Asked {
                    row: row.clone(),
                    what: what.clone(),
                    text: text.clone(),
                    why: why.clone(),
                    answer: answer.clone(),
                    trace: trace.clone(),
                });
            }
            Entry::Conflict {
                row,
                what,
                text,
                stands,
                trace,
            } => {
                self.row_exists(row)?;
                for said in [what, text, stands] {
                    check_text(said, LONGEST_TEXT)?;
                }
                self.record.conflicts.push(Conflict {
                    row: row.clone(),
                    what: what.clone(),
                    text: text.clone(),
                    stands: stands.clone(),
                    trace: trace.clone(),
                });
            }
            _ => {}
        }
        Ok(())
    }

    /// The row of a run or of a control, as the run column of a sheet names it.
    fn row_exists(&self, row: &str) -> Result<(), Refused> {
        if let Some(run) = whole_number(row) {
            return self.run_exists(run);
        }
        control::row_named(self.context.protocol, row)
            .filter(|named| self.control_rows.contains(named))
            .map(|_| ())
            .ok_or_else(|| ("R080", format!("there is no row `{}`", clip(row))))
    }

    /// What is recorded in the place that an entry is about: a value, or the word that stands there.
    ///
    /// `None` if the place is free, if a word there says that a value may still come, or if the entry is about no place.
    pub(super) fn taken_place(&self, entry: &Entry) -> Option<(String, String, String)> {
        let (run, what) = match entry {
            Entry::Reading {
                run, response, reading, ..
            } => {
                let id = self
                    .context
                    .protocol
                    .responses
                    .iter()
                    .position(|r| r.name == *response)?;
                (*run, self.columns.name(Column::Reading(id, reading.checked_sub(1)?)))
            }
            Entry::Condition { run, condition, .. } => (*run, condition.clone()),
            Entry::Note { run, what, .. } | Entry::Missing { run, what, .. } => (*run, what.clone()),
            Entry::Correction { run, what, from, .. } => {
                let now = self.now(*run, self.columns.find(what)?)?;
                return (now != *from).then(|| (run.to_string(), what.clone(), now));
            }
            Entry::Control {
                control,
                row,
                what,
                from,
                ..
            } => {
                let name = format!("{control} {row}");
                let named = control::row_named(self.context.protocol, &name)?;
                let declared = self.context.protocol.bench.controls.get(named.0)?;
                let now = control::now(&self.record, named, ControlColumn::find(what, declared.readings)?)?;
                let stands = match from {
                    Some(from) => now != *from,
                    None => !missing_word(&now).is_some_and(is_open),
                };
                return stands.then_some((name, what.clone(), now));
            }
            _ => return None,
        };
        let now = self.now(run, self.columns.find(&what)?)?;
        let is_free = missing_word(&now).is_some_and(is_open) && !matches!(entry, Entry::Missing { .. });
        (!is_free).then(|| (run.to_string(), what, now))
    }

    fn column(&self, what: &str, fits: impl Fn(Column) -> bool) -> Result<Column, Refused> {
        self.columns
            .find(what)
            .filter(|column| fits(*column) && self.columns.name(*column) == what)
            .ok_or_else(|| ("R076", format!("the protocol has no such column as `{what}`")))
    }

    fn run_exists(&self, run: usize) -> Result<(), Refused> {
        let exists = match self.context.runs() {
            Some(runs) => (1..=runs).contains(&run),
            None => self.record.runs.contains_key(&run),
        };
        exists.then_some(()).ok_or_else(|| {
            let whose = if self.context.protocol.is_as_run() {
                "was not declared"
            } else {
                "is not in the plan"
            };
            ("R075", format!("run {run} {whose}"))
        })
    }

    /// What is recorded: a value, or a word that stands in its place.
    fn now(&self, run: usize, column: Column) -> Option<String> {
        recorded(self.context.protocol, &self.record, run, column)
            .or_else(|| self.missing.get(&(run, column)).map(|absent| absent.word.to_owned()))
    }

    fn run_mut(&mut self, run: usize) -> &mut RunRecord {
        let protocol = self.context.protocol;
        self.record.runs.entry(run).or_insert_with(|| RunRecord {
            run,
            readings: protocol.responses.iter().map(|r| vec![None; r.readings]).collect(),
            conditions: vec![None; protocol.conditions.len()],
            ..RunRecord::default()
        })
    }

    fn declare_run(
        &mut self,
        run: usize,
        units: &BTreeMap<String, String>,
        levels: &BTreeMap<String, String>,
    ) -> Result<(), Refused> {
        let protocol = self.context.protocol;
        if !protocol.is_as_run() {
            return Err((
                "R075",
                "the runs of this study come from its plan, not from its record".to_owned(),
            ));
        }
        if run == 0 || self.record.runs.contains_key(&run) {
            return Err(("R077", format!("run {run} is declared twice, or is 0")));
        }
        let above = protocol.units.split_last().map(|(_, above)| above).unwrap_or_default();
        let mut labels = Vec::with_capacity(above.len() + 1);
        for unit in above {
            let label = units
                .get(&unit.name)
                .ok_or_else(|| ("R076", format!("run {run} has no {}", unit.name)))?;
            check_text(label, LONGEST_LABEL)?;
            labels.push(label.clone());
        }
        labels.push(run.to_string());
        let mut indices = Vec::with_capacity(protocol.factors.len());
        for factor in &protocol.factors {
            let level = levels
                .get(&factor.name)
                .ok_or_else(|| ("R076", format!("run {run} has no {}", factor.name)))?;
            let index = find_level(factor, level)
                .ok_or_else(|| ("R079", format!("`{level}` is not a level of {}", factor.name)))?;
            indices.push(index);
        }
        if units.len() != above.len() || levels.len() != protocol.factors.len() {
            return Err((
                "R076",
                format!("run {run} has units or factors that the protocol does not have"),
            ));
        }
        let entry = self.run_mut(run);
        entry.units = labels;
        entry.levels = indices;
        Ok(())
    }

    /// Records what was not there yet.
    fn add(&mut self, run: usize, column: Column, text: &str, entry: usize) -> Result<(), Refused> {
        self.run_exists(run)?;
        let there = recorded(self.context.protocol, &self.record, run, column).is_some();
        let gone = self
            .missing
            .get(&(run, column))
            .is_some_and(|absent| !is_open(absent.word));
        if there || gone {
            return Err((
                "R077",
                format!("{} of run {run} is recorded already", self.columns.name(column)),
            ));
        }
        if missing_word(text).is_some() && is_value(column) {
            return Err(("R079", format!("`{text}` is not a value")));
        }
        self.set(run, column, text, entry, "")
    }

    /// Puts a text where it belongs, or a reason in place of a value.
    fn set(&mut self, run: usize, column: Column, text: &str, entry: usize, at: &str) -> Result<(), Refused> {
        let protocol = self.context.protocol;
        let runs = self.context.runs();
        if is_value(column) {
            let word = missing_word(text);
            let written = match word {
                Some(_) => None,
                None => Some(written(protocol, column, text, entry)?),
            };
            match word {
                Some(word) => {
                    let (why, at) = (String::new(), at.to_owned());
                    self.missing.insert((run, column), Absent { word, why, at })
                }
                None => self.missing.remove(&(run, column)),
            };
            let run = self.run_mut(run);
            let slot = match column {
                Column::Condition(id) => run.conditions.get_mut(id),
                Column::Reading(id, position) => run.readings.get_mut(id).and_then(|of| of.get_mut(position)),
                _ => None,
            };
            if let Some(slot) = slot {
                *slot = written;
            }
            return Ok(());
        }
        check_text(
            text,
            if column == Column::Remark {
                LONGEST_TEXT
            } else {
                LONGEST_LABEL
            },
        )?;
        let level = match column {
            Column::Factor(id) => Some(
                protocol
                    .factors
                    .get(id)
                    .and_then(|factor| find_level(factor, text))
                    .ok_or_else(|| ("R079", format!("`{text}` is not a level")))?,
            ),
            _ => None,
        };
        let order = match column {
            Column::Order => {
                Some(position(text, runs).ok_or_else(|| ("R079", format!("`{text}` is not a position in the order")))?)
            }
            _ => None,
        };
        if matches!(column, Column::Unit(_) | Column::Factor(_)) && !protocol.is_as_run() {
            return Err(("R079", "units and levels of this study come from its plan".to_owned()));
        }
        let run = self.run_mut(run);
        match column {
            Column::Order => {
                run.order = order;
                run.order_by_time = false;
            }
            Column::Time => text.clone_into(&mut run.time),
            Column::Operator => text.clone_into(&mut run.initials),
            Column::Remark => text.clone_into(&mut run.remark),
            Column::Unit(id) => {
                if let Some(slot) = run.units.get_mut(id) {
                    text.clone_into(slot);
                }
            }
            Column::Factor(id) => {
                if let (Some(slot), Some(level)) = (run.levels.get_mut(id), level) {
                    *slot = level;
                }
            }
            Column::Run | Column::Condition(_) | Column::Reading(..) => {}
        }
        Ok(())
    }
}

/// Puts the runs in the order in which the page saw their first readings, where no sheet says anything of the order.
///
/// A device numbers its events, so that a clock that was set back turns no two of its runs round; between devices their
/// clocks decide.
fn order_by_time(record: &mut Record) {
    for run in record.runs.values_mut().filter(|run| run.order_by_time) {
        run.order = None;
        run.order_by_time = false;
    }
    if record.runs.values().any(|run| run.order.is_some()) {
        return;
    }
    // By device: number of the first event, its time, the run.
    let mut first: BTreeMap<usize, (&str, usize, jiff::Timestamp)> = BTreeMap::new();
    for ((row, _), trace) in &record.traces {
        let event = trace.device.as_deref().and_then(|device| device.rsplit_once('-'));
        let time = trace.read.as_deref().and_then(|read| read.parse().ok());
        let (Some(run), Some((device, Some(n))), Some(time)) = (
            whole_number(row),
            event.map(|(device, n)| (device, whole_number(n))),
            time,
        ) else {
            continue;
        };
        let seen = first.entry(run).or_insert((device, n, time));
        let earlier = if seen.0 == device { n < seen.1 } else { time < seen.2 };
        if earlier {
            *seen = (device, n, time);
        }
    }
    let mut made: Vec<(&str, usize, jiff::Timestamp, usize)> = first
        .into_iter()
        .map(|(run, (device, n, time))| (device, n, time, run))
        .collect();
    made.sort_unstable();
    for at in 1..made.len() {
        if made[at].0 == made[at - 1].0 {
            made[at].2 = made[at].2.max(made[at - 1].2);
        }
    }
    made.sort_by(|a, b| (a.2, a.0, a.1).cmp(&(b.2, b.0, b.1)));
    let order: Vec<usize> = made.into_iter().map(|(.., run)| run).collect();
    for (at, run) in order.into_iter().enumerate() {
        if let Some(run) = record.runs.get_mut(&run) {
            run.order = Some(at + 1);
            run.order_by_time = true;
        }
    }
}

/// True for the name that a page gives the device it runs on.
pub(super) fn is_device(text: &str) -> bool {
    (4..=32).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
}

fn check_trace(trace: &Trace) -> Result<(), Refused> {
    for text in [&trace.by, &trace.with].into_iter().flatten() {
        check_text(text, LONGEST_TEXT)?;
    }
    if let Some(read) = &trace.read
        && (read.len() > 40 || read.parse::<jiff::Timestamp>().is_err())
    {
        return Err(("R079", format!("`{}` is not a time", clip(read))));
    }
    if let Some(device) = &trace.device {
        let named = device
            .rsplit_once('-')
            .filter(|(device, n)| is_device(device) && whole_number(n).is_some());
        if named.is_none() {
            return Err(("R079", format!("`{}` is not an event of a device", clip(device))));
        }
    }
    Ok(())
}

/// True for a column that holds a number that was read.
#[must_use]
pub fn is_value(column: Column) -> bool {
    matches!(column, Column::Condition(_) | Column::Reading(..))
}

/// True for a column of a `note` entry.
#[must_use]
pub fn is_note(column: Column) -> bool {
    matches!(column, Column::Order | Column::Time | Column::Operator | Column::Remark)
}

fn written(protocol: &Protocol, column: Column, text: &str, entry: usize) -> Result<Written, Refused> {
    let parsed = decimal::parse(text).map_err(|refusal| (refusal.code(), refusal.sentence(text)))?;
    if decimal::trim(text) != text {
        return Err(("R079", format!("`{text}` has blanks around it")));
    }
    let possible = match column {
        Column::Condition(id) => protocol.conditions.get(id).and_then(|condition| condition.possible),
        Column::Reading(id, _) => protocol.responses.get(id).and_then(|response| response.possible),
        _ => None,
    };
    if !lies_in(possible, parsed.value) {
        return Err(("R046", format!("`{text}` lies outside what is possible")));
    }
    Ok(Written {
        text: text.to_owned(),
        value: parsed.value,
        entry,
    })
}

fn check_text(text: &str, longest: usize) -> Result<(), Refused> {
    if text.is_empty() || decimal::trim(text) != text {
        return Err(("R079", "a text is empty or has blanks around it".to_owned()));
    }
    if is_formula(text) {
        return Err(("R009", format!("`{text}` is a formula")));
    }
    match fault(text, longest) {
        Some(why) => Err(("R010", format!("a text is not taken: {why}"))),
        None => Ok(()),
    }
}
