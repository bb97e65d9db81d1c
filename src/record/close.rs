//! The end of a record.
//!
//! In:  the protocol, the plan and the record.
//! Out: the entry that closes it, or what speaks against it; and what stands in the way of any other entry.
//!
//! A record may be closed with readings missing if each of them has a reason, or if one is given for all. What is
//! closed stays closed: nobody opens it again, and a blinded study is open from then on.

use crate::diagnostic::{Diagnostic, Diagnostics};

use super::import::text_fault;
use super::journal::Entry;
use super::model::Record;
use super::replay::Context;
use super::status::status;
use super::words::{LONGEST_LABEL, LONGEST_TEXT, on_one_line};

/// Says if nothing may be added to the record any more.
///
/// # Errors
///
/// `R084` if it is closed.
pub fn still_open(record: &Record) -> Result<(), Diagnostics> {
    let Some(closed) = &record.closed else { return Ok(()) };
    let by = if closed.by.is_empty() {
        String::new()
    } else {
        format!(" by {}", closed.by)
    };
    Err(
        Diagnostic::error("R084", format!("the record was closed on {}{by}", closed.at))
            .help("what is found out later belongs into the note, or into a study of its own")
            .into(),
    )
}

/// The entry that closes a record.
///
/// # Errors
///
/// `R084` if it is closed, `R085` if values are missing and nothing says why, `R010` for a text that is not taken.
pub fn close(
    why: Option<&str>,
    by: Option<&str>,
    context: &Context<'_>,
    record: &Record,
) -> Result<Entry, Diagnostics> {
    still_open(record)?;
    let mut found = Diagnostics::new();
    let mut checked = |text: Option<&str>, name: &str, longest: usize| {
        let text = on_one_line(text?);
        if let Some(fault) = text_fault(&text, longest) {
            found.push(Diagnostic::error("R010", format!("the {name} is not taken: {fault}")));
        }
        Some(text)
    };
    let why = checked(why, "reason", LONGEST_TEXT);
    let by = checked(by, "name of who closes the record", LONGEST_LABEL);
    let lacking = lacking(context, record);
    if !lacking.is_empty() && why.is_none() {
        found.push(
            Diagnostic::error(
                "R085",
                format!("nothing says why these are missing: {}", lacking.join("; ")),
            )
            .help("take them in, write `not done`, `lost` or `void` in their place, or say with --reason why the study ends here"),
        );
    }
    found.unless_errors(Entry::Closed { why, by }).map(|(entry, _)| entry)
}

/// What has neither a value nor a reason, in words.
fn lacking(context: &Context<'_>, record: &Record) -> Vec<String> {
    let status = status(context.protocol, context.plan, record);
    let mut lacking = Vec::new();
    let counted = |count: usize, one: &str, many: &str| format!("{count} {}", if count == 1 { one } else { many });
    if !status.untouched.is_empty() {
        let first = status.untouched.first().copied().unwrap_or_default();
        let runs = counted(status.untouched.len(), "run", "runs");
        lacking.push(format!("{runs} without anything, the first of them run {first}"));
    }
    let open: Vec<_> = status.missing.iter().filter(|value| value.reason.is_none()).collect();
    if let Some(first) = open.first() {
        let values = counted(open.len(), "value", "values");
        lacking.push(format!(
            "{values}, the first of them {} of run {}",
            first.what, first.run
        ));
    }
    if let Some(rows) = status.controls.filter(|rows| rows.complete < rows.planned) {
        lacking.push(counted(
            rows.planned - rows.complete,
            "row of a control",
            "rows of controls",
        ));
    }
    lacking
}
