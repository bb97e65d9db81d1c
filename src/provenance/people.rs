//! A study that can be passed on without saying who took part.
//!
//! In:  the site file and the journal.
//! Out: both with every person's code replaced: P1, P2 and so on, the same code by the same word everywhere.
//!
//! Method: the people of the site file are numbered in its order, others in the order of the journal. The site file is
//! written anew, without its comments, which may name people too. The chain of the journal is written anew, since
//! each line carries the hash of the one before. Remarks, reasons and departures are sentences and stay as they are:
//! nobody but their author can say whom they name.
//! Never here: the manifest, which says that this was done.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::record::{Entry, rewritten};

/// The column of sheets and entries that says who read.
const INITIALS: &str = "initials";

/// Site file and journal without people's codes. Either may be missing.
///
/// # Errors
///
/// `V001` if the site file is not TOML; everything that is wrong with the journal's chain.
pub fn without_people(
    site: Option<&str>,
    journal: Option<&Arc<Source>>,
) -> Result<(Option<String>, Option<String>), Diagnostics> {
    let mut words: BTreeMap<String, String> = BTreeMap::new();
    let site = site.map(|text| site_without(text, &mut words)).transpose()?;
    let journal = journal
        .map(|journal| rewritten(journal, &mut |entry| journal_without(entry, &mut words)))
        .transpose()?;
    Ok((site, journal))
}

fn word(code: &str, words: &mut BTreeMap<String, String>) -> String {
    let next = format!("P{}", words.len() + 1);
    words.entry(code.to_owned()).or_insert(next).clone()
}

fn site_without(text: &str, words: &mut BTreeMap<String, String>) -> Result<String, Diagnostics> {
    let unreadable = |what: String| Diagnostic::error("V001", format!("the site file cannot be rewritten: {what}"));
    let mut site: toml::Table = toml::from_str(text).map_err(|error| unreadable(error.message().to_owned()))?;
    if let Some(toml::Value::Array(people)) = site.get_mut("person") {
        for person in people.iter_mut().filter_map(toml::Value::as_table_mut) {
            if let Some(toml::Value::String(code)) = person.get_mut("code") {
                *code = word(code, words);
            }
        }
    }
    let text = toml::to_string(&site).map_err(|error| unreadable(error.to_string()))?;
    Ok(format!(
        "# Written anew by `wellrun pack`: people are P1, P2 and so on.\n{text}"
    ))
}

fn journal_without(entry: &mut Entry, words: &mut BTreeMap<String, String>) {
    if let Some(by) = entry.trace_mut().and_then(|trace| trace.by.as_mut()) {
        *by = word(by, words);
    }
    match entry {
        Entry::Course {
            what, text: Some(text), ..
        } if what == "operator" => *text = word(text, words),
        Entry::Note { what, text, .. } if what == INITIALS => *text = word(text, words),
        Entry::Correction { what, from, to, .. } if what == INITIALS => {
            *from = word(from, words);
            *to = word(to, words);
        }
        Entry::Control { what, text, from, .. } if what == INITIALS => {
            *text = word(text, words);
            if let Some(from) = from {
                *from = word(from, words);
            }
        }
        Entry::Closed { by: Some(by), .. } => *by = word(by, words),
        _ => {}
    }
}
