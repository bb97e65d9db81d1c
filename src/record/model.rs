//! A record as it stands after the whole journal has been read: the last valid value of everything.
//!
//! In:  nothing; `journal` replays entries into a `Record`.
//! Out: plain data. Every value keeps the text as written beside the exact decimal.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::control::{ControlCorrection, ControlRecord};
use super::journal::Trace;

/// All that was recorded in a study so far.
#[derive(Debug, Clone, Default)]
pub struct Record {
    /// The runs with at least one entry, by run number (from 1).
    pub runs: BTreeMap<usize, RunRecord>,
    /// The control rows with at least one entry, by index of the control and number of the row (from 1).
    pub controls: BTreeMap<(usize, usize), ControlRecord>,
    /// Changed values of control rows, in the order of the journal.
    pub control_corrections: Vec<ControlCorrection>,
    /// When and why the study was unblinded; `None` if it was not.
    pub unblinded: Option<Unblinded>,
    /// When the record was closed; `None` while it is open.
    pub closed: Option<Closed>,
    /// What was answered to the points that have to be the same at every site, by place in `points`.
    pub conformance: BTreeMap<usize, Conformance>,
    /// Changes of the protocol after the plan was frozen, in the order of the journal.
    pub amendments: Vec<Amendment>,
    /// Changed values, in the order of the journal.
    pub corrections: Vec<Correction>,
    /// Departures from the protocol, in the order of the journal.
    pub deviations: Vec<Deviation>,
    /// Values that were taken in with a question mark (outside the expected range, ...).
    pub questioned: Vec<Questioned>,
    /// Values that are missing for a reason written on the sheet, by run, then by column.
    pub missing: Vec<Missing>,
    /// Files taken in, in the order of the journal.
    pub files: Vec<TakenFile>,
    /// Where values come from, by run or control row (`12`, `block 3`) and column, as far as it is known.
    pub traces: BTreeMap<(String, String), Trace>,
    /// Logs of devices taken in, by device.
    pub devices: BTreeMap<String, DeviceLog>,
    /// What went on at the bench, in the order of the journal.
    pub course: Vec<Course>,
    /// Questions put at the bench, in the order of the journal.
    pub asked: Vec<Asked>,
    /// Second values for places that had one, in the order of the journal.
    pub conflicts: Vec<Conflict>,
    /// Number of journal entries.
    pub entries: usize,
    /// Hash of the last journal entry (lower-case hexadecimal SHA-256); empty for an empty journal.
    pub head: String,
}

/// One run as recorded.
#[derive(Debug, Clone, Default)]
pub struct RunRecord {
    /// Number of the run, from 1.
    pub run: usize,
    /// Position in which it was actually run, from 1, where the sheet says so.
    pub order: Option<usize>,
    /// True if the position is the page's: that of the first reading among those of all runs.
    pub order_by_time: bool,
    /// Readings by response (protocol order), then by position in the run; `None` where nothing is written.
    pub readings: Vec<Vec<Option<Written>>>,
    /// Conditions by `ConditionId`.
    pub conditions: Vec<Option<Written>>,
    /// As-run studies: labels of the units, by `UnitId`; empty for planned studies. The run unit's label is the run number.
    pub units: Vec<String>,
    /// As-run studies: level indices, by `FactorId`; empty for planned studies.
    pub levels: Vec<usize>,
    /// Time as written; empty if not.
    pub time: String,
    /// Initials of who took the readings, as written; empty if not.
    pub initials: String,
    /// Remark as written; empty if not.
    pub remark: String,
}

/// A number exactly as written.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// The text as written, with surrounding blanks removed: `74,10`.
    pub text: String,
    /// Its exact value, with the digits kept: 74.10.
    pub value: Decimal,
    /// The journal entry it stands in, from 1.
    pub entry: usize,
}

/// A changed value.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Number of the run.
    pub run: usize,
    /// The column: `hardness 3`, `temperature`.
    pub what: String,
    /// The text before.
    pub from: String,
    /// The text after.
    pub to: String,
    /// Why, in the words of the person who changed it.
    pub reason: String,
    /// Initials of that person; empty if not said.
    pub by: String,
    /// When it was taken in, RFC 3339.
    pub at: String,
}

/// A departure from the protocol.
#[derive(Debug, Clone, PartialEq)]
pub struct Deviation {
    /// The run it concerns, if it concerns one.
    pub run: Option<usize>,
    /// What happened, in a sentence.
    pub what: String,
    /// Initials of who noted it; empty if not said.
    pub by: String,
    /// When it was taken in, RFC 3339.
    pub at: String,
}

/// A value taken in with a question mark.
#[derive(Debug, Clone, PartialEq)]
pub struct Questioned {
    /// Number of the run.
    pub run: usize,
    /// The column.
    pub what: String,
    /// The text as written.
    pub text: String,
    /// What is odd about it.
    pub why: String,
}

/// A value that is missing, with the reason written in its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Missing {
    /// Number of the run.
    pub run: usize,
    /// The column: `hardness 3`, `temperature`.
    pub what: String,
    /// The word written in place of the value: `not done`, `lost`, `void`, `-`.
    pub reason: String,
    /// What happened: the rule by which a reading is void, or more about why there is none; empty if not said.
    pub why: String,
    /// When it was taken in, RFC 3339.
    pub at: String,
}

/// How far the log of a device is taken in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceLog {
    /// Number of the last event.
    pub through: usize,
    /// Hash of its line.
    pub head: String,
}

/// Something that went on at the bench.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Course {
    /// The run, if it concerns one.
    pub run: Option<usize>,
    /// What: one of `COURSE`.
    pub what: String,
    /// The step, the reason, the initials; empty if there is nothing to say.
    pub text: String,
    /// When, by whom, on which device.
    pub trace: Trace,
}

/// A question put at the bench, and its answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// The run, or the control row as `block 3`.
    pub row: String,
    /// The column.
    pub what: String,
    /// The text as it was first written.
    pub text: String,
    /// What was odd about it.
    pub why: String,
    /// `kept`, or `written again`.
    pub answer: String,
    /// When, by whom, on which device.
    pub trace: Trace,
}

/// A second value for a place that had one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conflict {
    /// The run, or the control row as `block 3`.
    pub row: String,
    /// The column.
    pub what: String,
    /// The text that does not stand.
    pub text: String,
    /// The text that does.
    pub stands: String,
    /// Where the second one comes from.
    pub trace: Trace,
}

/// A file that was taken in.
#[derive(Debug, Clone, PartialEq)]
pub struct TakenFile {
    /// Its name, without folders.
    pub name: String,
    /// SHA-256 of its text in UTF-8: of its bytes, unless it came as UTF-16 or with lone CR line ends.
    pub sha256: String,
    /// When, RFC 3339.
    pub at: String,
    /// How many values it added.
    pub added: usize,
}

/// The end of blinding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unblinded {
    /// Why, in a sentence.
    pub why: String,
    /// When, RFC 3339.
    pub at: String,
    /// How many runs had an entry by then.
    pub after_runs: usize,
}

/// The end of the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closed {
    /// Why it was closed although readings are missing without a reason; empty if none are.
    pub why: String,
    /// Initials of who closed it; empty if not said.
    pub by: String,
    /// When, RFC 3339.
    pub at: String,
}

/// An answer to a point that has to be the same at every site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conformance {
    /// The point.
    pub what: String,
    /// What the protocol asks for.
    pub asked: String,
    /// True if it is the same here.
    pub same: bool,
    /// What is done instead; empty if it is the same.
    pub instead: String,
    /// Why the answer was changed; empty for a first one.
    pub reason: String,
    /// When, RFC 3339.
    pub at: String,
    /// How many runs had an entry by then.
    pub after_runs: usize,
}

/// A change of the protocol after the plan was frozen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amendment {
    /// Version before.
    pub before: String,
    /// SHA-256 of the protocol before.
    pub from: String,
    /// Version from here on.
    pub version: String,
    /// SHA-256 of the protocol from here on.
    pub to: String,
    /// Why.
    pub reason: String,
    /// When, RFC 3339.
    pub at: String,
    /// How many runs had an entry by then.
    pub after_runs: usize,
}
