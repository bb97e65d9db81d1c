//! Another version of the protocol, after the plan was frozen.
//!
//! In:  the protocol as it is now, the version and hash that held before, a reason.
//! Out: the entry that says so; and the chain of versions that a journal tells of.
//!
//! Why the journal: its lines stand in order, so that nobody has to believe when a change was made: before the first
//! reading, or after how many runs. Never here: whether the order still holds, which takes a draw.

use serde::Deserialize;

use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::protocol::Protocol;

use super::close::still_open;
use super::import::text_fault;
use super::journal::Entry;
use super::model::Record;
use super::words::{LONGEST_TEXT, on_one_line};

/// An amendment as its line has it.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
pub struct Amended {
    kind: String,
    /// Version before.
    #[serde(default)]
    pub before: String,
    /// SHA-256 of the protocol before.
    #[serde(default)]
    pub from: String,
    /// Version from then on.
    #[serde(default)]
    pub version: String,
    /// SHA-256 of the protocol from then on.
    #[serde(default)]
    pub to: String,
}

/// Every amendment, in the order of the journal.
///
/// Read before the journal can be checked, since what it is held against depends on it; a line that is none is left to
/// the check.
#[must_use]
pub fn amendments(journal: &str) -> Vec<Amended> {
    journal
        .lines()
        .filter(|line| line.contains("\"kind\":\"amended\""))
        .filter_map(|line| serde_json::from_str::<Amended>(line).ok())
        .filter(|line| line.kind == "amended")
        .collect()
}

/// The entry that puts a new version of the protocol on record.
///
/// `before` and `from` are version and hash that held before.
///
/// # Errors
///
/// `R084` if the record is closed, `R092` if nothing changed or the version is the same, `R010` for a reason that is
/// not taken.
pub fn amend(
    protocol: &Protocol,
    before: &str,
    from: &str,
    reason: &str,
    record: &Record,
) -> Result<Entry, Diagnostics> {
    still_open(record)?;
    let mut found = Diagnostics::new();
    let reason = on_one_line(reason);
    if let Some(fault) = text_fault(&reason, LONGEST_TEXT) {
        found.push(Diagnostic::error("R010", format!("the reason is not taken: {fault}")));
    }
    if protocol.sha256 == from {
        found.push(
            Diagnostic::error(
                "R092",
                "the protocol is the one that holds already: there is nothing to amend",
            )
            .help("change protocol.toml first"),
        );
    } else if protocol.study.version == before {
        found.push(
            Diagnostic::error(
                "R092",
                format!("the changed protocol still calls itself version {before}"),
            )
            .help("give it a version of its own under [study]: people quote it"),
        );
    }
    found
        .unless_errors(Entry::Amended {
            before: before.to_owned(),
            from: from.to_owned(),
            version: protocol.study.version.clone(),
            to: protocol.sha256.clone(),
            reason,
        })
        .map(|(entry, _)| entry)
}
