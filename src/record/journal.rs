//! The journal: one JSON object a line, each with the hash of the line before.
//!
//! In:  entries, and the hash that the journal ends with.
//! Out: lines to append; and `lines`, which checks what was read back.
//!
//! Form: UTF-8, LF line ends, no blank lines. Line k (from 1) is
//! `{"n":k,"prev":"<hash>","at":"<RFC 3339>","kind":"<kind>",...}` with the keys in the order of `Entry` and no blanks
//! outside texts. `prev` is the SHA-256, in lower-case hexadecimal, of the bytes of line k - 1 without its line end;
//! in line 1 it is 64 zeros. So `sed -n 4p record.jsonl | tr -d '\n' | sha256sum` gives the `prev` of line 5.
//! Nothing follows the last line: its hash, the *head*, has to be kept elsewhere (it is printed in the report) to show
//! that the end was not changed or cut off.
//!
//! Never here: files, locks, the clock.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::diagnostic::{Diagnostic, Diagnostics, Source};

use super::gather::MOST_LISTED;

/// `prev` of the first line.
pub const NO_LINE_BEFORE: &str = "0000000000000000000000000000000000000000000000000000000000000000";
/// Longest line, in bytes.
const LONGEST_LINE: usize = 64 * 1024;

/// One thing that was recorded. Column names are those of sheets: `hardness 3`, `temperature`, `remark`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Entry {
    /// A file was taken in; the entries after it came from it.
    Taken {
        /// Its name, without folders.
        file: String,
        /// SHA-256 of its text in UTF-8, lower-case hexadecimal.
        sha256: String,
        /// How many values it added: the entries that follow, `run` entries not counted.
        added: usize,
        /// A results file of the page: the device whose log it is.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        device: Option<String>,
        /// The number of the last event of that device that is taken in.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        through: Option<usize>,
        /// The hash of that event's line.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        head: Option<String>,
    },
    /// As-run studies: a run with its units and levels.
    Run {
        /// Number of the run, from 1.
        run: usize,
        /// Labels by unit name, without the run unit.
        units: BTreeMap<String, String>,
        /// Levels by factor name, as the protocol writes them.
        levels: BTreeMap<String, String>,
    },
    /// A reading.
    Reading {
        /// Number of the run.
        run: usize,
        /// Name of the response.
        response: String,
        /// Position in the run, from 1.
        reading: usize,
        /// The number as written.
        text: String,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A measured condition.
    Condition {
        /// Number of the run.
        run: usize,
        /// Name of the condition.
        condition: String,
        /// The number as written.
        text: String,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// What belongs to the run as a whole: `order`, `time`, `operator` or `remark`.
    Note {
        /// Number of the run.
        run: usize,
        /// The column.
        what: String,
        /// The text as written.
        text: String,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A changed value. What was recorded before stays in the journal.
    Correction {
        /// Number of the run.
        run: usize,
        /// The column.
        what: String,
        /// The text before.
        from: String,
        /// The text after; a word such as `void` takes the value out.
        to: String,
        /// Why.
        reason: String,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A value that is missing for a reason.
    Missing {
        /// Number of the run.
        run: usize,
        /// The column.
        what: String,
        /// `not done`, `lost`, `void` or `-`.
        reason: String,
        /// What happened: the rule by which a reading is void, or more about why there is none.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        why: Option<String>,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A departure from the protocol.
    Deviation {
        /// The run it concerns, if it concerns one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        run: Option<usize>,
        /// What happened.
        what: String,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A value of a control row; with `from` and `reason` a changed one.
    Control {
        /// Name of the control.
        control: String,
        /// Number of its row, from 1.
        row: usize,
        /// The column: `control 2`, `time`, `initials` or `remark`.
        what: String,
        /// The text as written, or the word in place of a reading.
        text: String,
        /// The text before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        from: Option<String>,
        /// Why it was changed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// From here on the levels behind the codes are shown.
    Unblinded {
        /// Why.
        why: String,
    },
    /// A point that has to be the same at every site.
    Conformance {
        /// The point, as the protocol names it.
        what: String,
        /// True if it is the same here.
        same: bool,
        /// What is done instead.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        instead: Option<String>,
        /// Why the answer changed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
    },
    /// From here on another version of the protocol holds.
    Amended {
        /// Version before, as written in the protocol.
        before: String,
        /// SHA-256 of the protocol before.
        from: String,
        /// Version from here on.
        version: String,
        /// SHA-256 of the protocol from here on.
        to: String,
        /// Why.
        reason: String,
    },
    /// The end of the record: nothing follows. A blinded study is unblinded by it.
    Closed {
        /// Why it was closed although readings are missing without a reason.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        why: Option<String>,
        /// Initials of who closed it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<String>,
    },
    /// What went on at the bench: a step done, a run skipped, a pause.
    Course {
        /// The run it concerns, if it concerns one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        run: Option<usize>,
        /// One of `COURSE`.
        what: String,
        /// The step, the reason, the initials.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        text: Option<String>,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A question that was put at the bench before a value was taken, and its answer.
    Asked {
        /// The run, or the control row as `block 3`.
        row: String,
        /// The column.
        what: String,
        /// The text as it was first written.
        text: String,
        /// What was odd about it.
        why: String,
        /// `kept`, or `written again`.
        answer: String,
        /// Where it comes from.
        #[serde(flatten)]
        trace: Trace,
    },
    /// A second value for a place that had one: the first stands, and neither is lost.
    Conflict {
        /// The run, or the control row as `block 3`.
        row: String,
        /// The column.
        what: String,
        /// The text that does not stand.
        text: String,
        /// The text that does.
        stands: String,
        /// Where the second one comes from.
        #[serde(flatten)]
        trace: Trace,
    },
}

/// What may be said of the course of the work.
pub const COURSE: [&str; 8] = [
    "begun", "step", "skipped", "taken up", "paused", "resumed", "operator", "ended",
];

/// Where a value comes from, as far as a sheet says so. The page of a study says all of it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trace {
    /// When it was written down at the bench, RFC 3339 with the zone of the device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<String>,
    /// Initials of who wrote it down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// The instruments that the page showed for it, with their serial numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub with: Option<String>,
    /// The device and the number of the event in its log: `k3f9x2w7-27`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
}

impl Entry {
    /// Where the entry comes from, for those that say so.
    #[must_use]
    pub fn trace(&self) -> Option<&Trace> {
        match self {
            Self::Reading { trace, .. }
            | Self::Condition { trace, .. }
            | Self::Note { trace, .. }
            | Self::Correction { trace, .. }
            | Self::Missing { trace, .. }
            | Self::Deviation { trace, .. }
            | Self::Control { trace, .. }
            | Self::Course { trace, .. }
            | Self::Asked { trace, .. }
            | Self::Conflict { trace, .. } => Some(trace),
            Self::Taken { .. }
            | Self::Run { .. }
            | Self::Unblinded { .. }
            | Self::Closed { .. }
            | Self::Conformance { .. }
            | Self::Amended { .. } => None,
        }
    }

    /// The same, to be filled in.
    pub fn trace_mut(&mut self) -> Option<&mut Trace> {
        match self {
            Self::Reading { trace, .. }
            | Self::Condition { trace, .. }
            | Self::Note { trace, .. }
            | Self::Correction { trace, .. }
            | Self::Missing { trace, .. }
            | Self::Deviation { trace, .. }
            | Self::Control { trace, .. }
            | Self::Course { trace, .. }
            | Self::Asked { trace, .. }
            | Self::Conflict { trace, .. } => Some(trace),
            Self::Taken { .. }
            | Self::Run { .. }
            | Self::Unblinded { .. }
            | Self::Closed { .. }
            | Self::Conformance { .. }
            | Self::Amended { .. } => None,
        }
    }
}

/// A line as it stands in the journal.
#[derive(Debug, Serialize, Deserialize)]
struct Line<'a> {
    n: usize,
    prev: Cow<'a, str>,
    at: Cow<'a, str>,
    #[serde(flatten)]
    entry: Cow<'a, Entry>,
}

/// An entry that was read back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// Number of the line, from 1.
    pub n: usize,
    /// When it was taken in, RFC 3339.
    pub at: String,
    /// The entry.
    pub entry: Entry,
    /// Where the line stands in the journal, without its line end.
    pub span: Range<usize>,
}

/// SHA-256 in lower-case hexadecimal.
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    data_encoding::HEXLOWER.encode(&Sha256::digest(bytes))
}

/// Lines to append to a journal, each with its line end.
///
/// `head` is the hash of the journal's last line (empty for an empty journal), `first_n` the number of the first line
/// to write (the number of lines there are, plus one), `at` the time, RFC 3339.
#[must_use]
pub fn append_lines(entries: &[Entry], head: &str, first_n: usize, at: &str) -> String {
    let mut prev = if head.is_empty() {
        NO_LINE_BEFORE.to_owned()
    } else {
        head.to_owned()
    };
    let mut out = String::new();
    for (index, entry) in entries.iter().enumerate() {
        let line = line(first_n + index, &prev, at, entry);
        prev = sha256(line.as_bytes());
        out.push_str(&line);
        out.push('\n');
    }
    out
}

/// The journal with some of its entries changed, its chain written anew from the first changed line on.
///
/// For copies that are passed on without something; the journal of a study itself only grows.
///
/// # Errors
///
/// Everything that is wrong with the chain of the journal.
pub fn rewritten(journal: &Arc<Source>, change: &mut dyn FnMut(&mut Entry)) -> Result<String, Diagnostics> {
    let mut found = Diagnostics::new();
    let (entries, _) = lines(journal, &mut found);
    if found.has_errors() {
        return Err(found);
    }
    let mut out = String::new();
    let mut prev = NO_LINE_BEFORE.to_owned();
    for mut recorded in entries {
        change(&mut recorded.entry);
        let line = line(recorded.n, &prev, &recorded.at, &recorded.entry);
        prev = sha256(line.as_bytes());
        out.push_str(&line);
        out.push('\n');
    }
    Ok(out)
}

/// One line without its end. An entry is texts and whole numbers only, which JSON always has room for.
fn line(n: usize, prev: &str, at: &str, entry: &Entry) -> String {
    serde_json::to_string(&Line {
        n,
        prev: prev.into(),
        at: at.into(),
        entry: Cow::Borrowed(entry),
    })
    .unwrap_or_default()
}

/// Byte offset at which a last line without a line end starts: what a kill left behind. `None` if the text is whole.
#[must_use]
pub fn torn_tail(text: &str) -> Option<usize> {
    let start = text.rfind('\n').map_or(0, |at| at + 1);
    (start < text.len()).then_some(start)
}

/// Every entry of a journal, and the hash of the last line; all that is wrong goes to `found`.
///
/// A line that cannot be read is left out and reading goes on behind it.
pub fn lines(journal: &Arc<Source>, found: &mut Diagnostics) -> (Vec<Recorded>, String) {
    let text = journal.text.as_str();
    let torn = torn_tail(text);
    let whole = text.get(..torn.unwrap_or(text.len())).unwrap_or_default();
    let mut entries = Vec::new();
    let mut head = String::new();
    let mut start = 0;
    let mut broken = 0;
    for (index, line_text) in whole.split_terminator('\n').enumerate() {
        let span = start..start + line_text.len();
        start = span.end + 1;
        let before = std::mem::replace(&mut head, sha256(line_text.as_bytes()));
        let expected = if index == 0 { NO_LINE_BEFORE } else { &before };
        match read_line(line_text, index + 1, expected) {
            Ok((at, entry)) => entries.push(Recorded {
                n: index + 1,
                at,
                entry,
                span,
            }),
            Err(faults) => {
                broken += faults.len();
                for fault in faults {
                    let mut diagnostic = Diagnostic::error(fault.code, fault.message).at(journal, span.clone(), "");
                    if let Some(help) = fault.help {
                        diagnostic = diagnostic.help(help);
                    }
                    found.push(diagnostic);
                }
            }
        }
        if broken >= MOST_LISTED {
            found.push(Diagnostic::error("R099", "the lines after it were not looked at"));
            break;
        }
    }
    if let Some(torn) = torn {
        found.push(
            Diagnostic::error("R070", "the last line of the journal is cut off")
                .at(journal, torn..text.len(), "")
                .help("it was being written when the machine stopped and was never accepted; set it aside"),
        );
    }
    (entries, head)
}

/// Reads a line of another log that is written like the journal.
///
/// # Errors
///
/// Whether the chain is broken rather than the line, and what is wrong in a sentence.
pub(super) fn foreign_line(text: &str, n: usize, expected: &str) -> Result<(String, Entry), (bool, String)> {
    read_line(text, n, expected).map_err(|faults| {
        let is_chain = faults.iter().all(|fault| matches!(fault.code, "R072" | "R073"));
        let said: Vec<String> = faults.into_iter().map(|fault| fault.message).collect();
        (is_chain, said.join("; "))
    })
}

/// What is wrong with a line.
struct LineFault {
    code: &'static str,
    message: String,
    help: Option<String>,
}

fn fault(code: &'static str, message: impl Into<String>) -> LineFault {
    LineFault {
        code,
        message: message.into(),
        help: None,
    }
}

/// Reads one line; `expected` is the hash that it must carry.
fn read_line(text: &str, n: usize, expected: &str) -> Result<(String, Entry), Vec<LineFault>> {
    if text.len() > LONGEST_LINE {
        return Err(vec![fault("R071", format!("line {n} is longer than any entry"))]);
    }
    let read: Line<'_> = match serde_json::from_str(text) {
        Ok(read) => read,
        Err(wrong) => {
            let what = if text.trim().is_empty() {
                "it is blank".to_owned()
            } else {
                wrong.to_string()
            };
            return Err(vec![fault("R071", format!("line {n} is not a journal entry: {what}"))]);
        }
    };
    let mut faults = Vec::new();
    if read.n != n {
        faults.push(fault(
            "R072",
            format!(
                "line {n} says that it is entry {}: lines were lost, added or moved",
                read.n
            ),
        ));
    }
    if read.prev != expected {
        faults.push(if n == 1 {
            fault("R073", "the first line does not start the chain with 64 zeros")
        } else {
            LineFault {
                code: "R073",
                message: format!(
                    "line {n} does not carry the hash of line {}, which is {expected}",
                    n - 1
                ),
                help: Some(format!(
                    "line {} was changed after it was written, or lines were lost or put in; compare with a copy",
                    n - 1
                )),
            }
        });
    }
    if read.at.parse::<jiff::Timestamp>().is_err() {
        faults.push(fault("R079", format!("line {n} has no time that can be read")));
    }
    if line(read.n, &read.prev, &read.at, &read.entry) != text {
        faults.push(LineFault {
            code: "R074",
            message: format!("line {n} is not written as this tool writes it"),
            help: Some("the journal was edited or saved by another program; restore it from a copy".to_owned()),
        });
    }
    if faults.is_empty() {
        Ok((read.at.into_owned(), read.entry.into_owned()))
    } else {
        Err(faults)
    }
}
