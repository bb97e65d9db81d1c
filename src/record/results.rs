//! A results file of the page becomes journal entries, or a list of everything that is wrong with it.
//!
//! In:  the text of the file, the protocol and plan, the record so far.
//! Out: entries to append, with the warnings; or the whole list, and then nothing is taken in.
//!
//! Form: one or more logs, each of one device. A log is a line with what it is about, its events, each written as a line
//! of the journal is (`journal`), and a line that says how many there are and carries the hash of the last one. So a
//! changed, lost, added or cut-off line shows.
//!
//! Method: a device numbers its events, and the journal knows up to which number a log is taken in and the hash of that
//! event. So the same file twice adds nothing, a longer one adds what is new, and nothing is counted twice. An event for
//! a place that holds something already becomes a `conflict`: the first value stands, the second is kept beside it, and
//! both are reported.

use std::ops::Range;
use std::sync::Arc;

use serde::Deserialize;

use crate::diagnostic::{Diagnostic, Diagnostics, Severity, Source};

use super::gather::Gather;
use super::import::file_name;
use super::journal::{Entry, Recorded, foreign_line, sha256};
use super::model::Record;
use super::replay::{Context, Replayer, is_device};
use super::words::clip;

/// The version of the form.
const VERSION: u32 = 1;
/// What every results file starts with.
const START: &str = "{\"wellrun_results\":";
/// Longest first or last line of a log, in bytes.
const LONGEST: usize = 4096;

/// The first line of a log.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    wellrun_results: u32,
    study: String,
    version: String,
    protocol_sha256: String,
    plan_sha256: String,
    site: String,
    device: String,
}

/// The last line of a log.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct End {
    end: usize,
    prev: String,
}

/// True if a text claims to be a results file.
#[must_use]
pub fn is_results(text: &str) -> bool {
    text.starts_with(START)
}

/// Takes a results file in.
///
/// # Errors
///
/// Everything that is wrong, each with its line; nothing is taken in then.
pub fn import_results(
    file: &Arc<Source>,
    context: &Context<'_>,
    record: &Record,
) -> Result<(Vec<Entry>, Diagnostics), Diagnostics> {
    let mut found = Gather::default();
    if context.plan.is_none() {
        found.error(
            Diagnostic::error("R027", "there is no plan to hold the results against")
                .at(file, 0..0, "")
                .help("freeze the plan first; the page is made from it"),
        );
        return Err(found.finish());
    }
    let mut import = Import {
        file,
        context,
        base: record.entries,
        replayer: Replayer::after(context, record.clone()),
        found,
        entries: Vec::new(),
    };
    let mut lines = Lines {
        text: &file.text,
        start: 0,
    }
    .peekable();
    while lines.peek().is_some() {
        import.log(&mut lines);
    }
    if import.found.has_errors() {
        return Err(import.found.finish());
    }
    Ok((import.entries, import.found.finish()))
}

/// Lines with their places; a line end may be LF or CRLF, and the last one may be missing.
struct Lines<'a> {
    text: &'a str,
    start: usize,
}

impl<'a> Iterator for Lines<'a> {
    type Item = (&'a str, Range<usize>);

    fn next(&mut self) -> Option<Self::Item> {
        let rest = self.text.get(self.start..).filter(|rest| !rest.is_empty())?;
        let length = rest.find('\n').unwrap_or(rest.len());
        let line = rest[..length].trim_end_matches('\r');
        let span = self.start..self.start + line.len();
        self.start += (length + 1).min(rest.len());
        Some((line, span))
    }
}

/// An event that was read, with the hash of its line.
struct Event {
    at: String,
    entry: Entry,
    span: Range<usize>,
    hash: String,
}

struct Import<'a> {
    file: &'a Arc<Source>,
    context: &'a Context<'a>,
    /// Entries in the journal.
    base: usize,
    replayer: Replayer<'a>,
    found: Gather,
    entries: Vec<Entry>,
}

impl Import<'_> {
    fn wrong(&mut self, code: &'static str, message: String, span: Range<usize>, help: &'static str) {
        let file = self.file;
        self.found.add(Severity::Error, || {
            Diagnostic::error(code, message).at(file, span, "").help(help)
        });
    }

    /// Reads one log up to its last line, and takes in what is new.
    fn log(&mut self, lines: &mut std::iter::Peekable<Lines<'_>>) {
        let Some((first, place)) = lines.next() else { return };
        let head = self.head(first, &place);
        let mut before = sha256(first.as_bytes());
        let mut events: Vec<Event> = Vec::new();
        let mut sound = head.is_some();
        let mut end = None;
        while let Some((line, span)) = lines.next_if(|(line, _)| !is_results(line)) {
            if line.len() <= LONGEST
                && line.starts_with("{\"end\":")
                && let Ok(read) = serde_json::from_str::<End>(line)
            {
                end = Some((read, span));
                break;
            }
            let n = events.len() + 1;
            match foreign_line(line, n, &before) {
                Ok((at, entry)) => {
                    before = sha256(line.as_bytes());
                    sound &= self.is_of_the_page(&entry, n, &span);
                    events.push(Event {
                        at,
                        entry,
                        span,
                        hash: before.clone(),
                    });
                }
                Err((is_chain, why)) => {
                    let message = if is_chain {
                        format!("event {n} does not follow the line before it: lines were changed, lost or put in")
                    } else {
                        format!("event {n} cannot be read: {why}")
                    };
                    self.wrong(if is_chain { "R089" } else { "R088" }, message, span, AGAIN);
                    // What follows hangs on this line: it would be said of every one of them.
                    while lines.next_if(|(line, _)| !is_results(line)).is_some() {}
                    return;
                }
            }
        }
        match end {
            Some((end, _)) if end.end == events.len() && end.prev == before => {}
            Some((end, span)) => {
                let message = format!("{} events are announced, and there are {}", end.end, events.len());
                self.wrong("R089", message, span, AGAIN);
                return;
            }
            None => {
                let at = events.last().map_or(place.end, |event| event.span.end);
                let message = "the file is cut off: its last line is not there".to_owned();
                self.wrong("R094", message, at..at, AGAIN);
                return;
            }
        }
        if let Some(head) = head.filter(|_| sound) {
            self.take(&head, events, &place);
        }
    }

    /// Reads the first line and holds it against the study.
    fn head(&mut self, line: &str, place: &Range<usize>) -> Option<Head> {
        let read = if line.len() > LONGEST {
            Err("it is too long".to_owned())
        } else {
            serde_json::from_str::<Head>(line).map_err(|error| error.to_string())
        };
        let head = match read {
            Ok(head) if head.wellrun_results != VERSION => {
                let message = format!(
                    "results of form {}, and this program reads form {VERSION}",
                    head.wellrun_results
                );
                self.wrong("R086", message, place.clone(), "use the program that made the page");
                return None;
            }
            Ok(head) if !is_device(&head.device) => {
                let message = format!("`{}` is not the name of a device", clip(&head.device));
                self.wrong("R086", message, place.clone(), AGAIN);
                return None;
            }
            Ok(head) => head,
            Err(why) => {
                let message = format!("this is not the first line of a results file: {}", clip(&why));
                self.wrong("R086", message, place.clone(), AGAIN);
                return None;
            }
        };
        let plan = &self.context.plan?.header;
        let differing: Vec<&str> = [
            ("study", head.study == plan.study),
            ("version of the protocol", head.version == plan.version),
            ("protocol", head.protocol_sha256 == plan.protocol_sha256),
            ("plan", head.plan_sha256 == plan.plan_sha256),
            ("site", head.site == plan.site),
        ]
        .into_iter()
        .filter_map(|(name, same)| (!same).then_some(name))
        .collect();
        if differing.is_empty() {
            return Some(head);
        }
        let message = format!("these results were taken for another {}", differing.join(", another "));
        self.wrong(
            "R087",
            message,
            place.clone(),
            "take them into the study whose page they come from",
        );
        None
    }

    /// True if the page writes such events.
    fn is_of_the_page(&mut self, entry: &Entry, n: usize, span: &Range<usize>) -> bool {
        let fits = entry
            .trace()
            .is_some_and(|trace| trace.read.is_none() && trace.device.is_none())
            && !matches!(entry, Entry::Conflict { .. });
        if !fits {
            let message = format!("event {n} is not one that the page writes");
            self.wrong("R088", message, span.clone(), AGAIN);
        }
        fits
    }

    /// Takes in the events that the journal does not have yet.
    fn take(&mut self, head: &Head, events: Vec<Event>, place: &Range<usize>) {
        let known = self.replayer.devices().get(&head.device).cloned();
        let through = known.as_ref().map_or(0, |known| known.through);
        if let Some(known) = &known
            && let Some(event) = known.through.checked_sub(1).and_then(|at| events.get(at))
            && event.hash != known.head
        {
            let message = format!(
                "device {} wrote other events up to number {} than those taken in before",
                head.device, known.through
            );
            let help = "one of the two files was changed, or the browser's store was copied to another device; nothing is taken in";
            self.wrong("R095", message, place.clone(), help);
            return;
        }
        let Some(last) = events.last().filter(|_| events.len() > through) else {
            return;
        };
        let name = self.file.name.rsplit(['/', '\\']).next().unwrap_or_default();
        let taken = Entry::Taken {
            file: file_name(name),
            sha256: sha256(self.file.text.as_bytes()),
            added: events.len() - through,
            device: Some(head.device.clone()),
            through: Some(events.len()),
            head: Some(last.hash.clone()),
        };
        let at = last.at.clone();
        self.add(taken, &at, place);
        for (index, event) in events.into_iter().enumerate().skip(through) {
            let mut entry = event.entry;
            if let Some(trace) = entry.trace_mut() {
                trace.read = Some(event.at.clone());
                trace.device = Some(format!("{}-{}", head.device, index + 1));
            }
            if let Some((row, what, stands)) = self.replayer.taken_place(&entry) {
                let text = second(&entry);
                let file = self.file;
                let message = if text == stands {
                    format!("{what} of {} is on record already, with the same text", named(&row))
                } else {
                    format!(
                        "{what} of {} is `{}`, and `{}` is on record",
                        named(&row),
                        clip(&text),
                        clip(&stands)
                    )
                };
                let span = event.span.clone();
                self.found.add(Severity::Warning, || {
                    Diagnostic::warning("R096", message)
                        .at(file, span, "kept beside the first, which stands")
                        .help("find out which of the two is right; if it is this one, correct the first with a reason")
                });
                let trace = entry.trace().cloned().unwrap_or_default();
                entry = Entry::Conflict {
                    row,
                    what,
                    text,
                    stands,
                    trace,
                };
            }
            self.add(entry, &event.at, &event.span);
        }
    }

    /// Adds an entry if it fits the record; says so if not.
    fn add(&mut self, entry: Entry, at: &str, span: &Range<usize>) {
        let recorded = Recorded {
            n: self.base + self.entries.len() + 1,
            at: at.to_owned(),
            entry,
            span: span.clone(),
        };
        if let Err((code, message)) = self.replayer.apply(&recorded) {
            self.wrong(
                code,
                message,
                span.clone(),
                "the page takes nothing of the kind; was the file edited?",
            );
        }
        self.entries.push(recorded.entry);
    }
}

/// A run or a row of a control, in words.
fn named(row: &str) -> String {
    if row.bytes().all(|b| b.is_ascii_digit()) {
        format!("run {row}")
    } else {
        format!("`{row}`")
    }
}

/// The text of an entry that found its place taken.
fn second(entry: &Entry) -> String {
    match entry {
        Entry::Reading { text, .. }
        | Entry::Condition { text, .. }
        | Entry::Note { text, .. }
        | Entry::Control { text, .. } => text.clone(),
        Entry::Correction { to, .. } => to.clone(),
        Entry::Missing { reason, .. } => reason.clone(),
        _ => String::new(),
    }
}

/// How to mend a file that is broken.
const AGAIN: &str =
    "nothing is lost: the page still holds everything. Write the results file there again, and take that one in";
