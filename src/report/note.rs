//! The author's own words, with values pulled in by name.
//!
//! In:  Markdown in which `{{value: NAME}}` stands for a value of the findings, and the list of names.
//! Out: the tree that `render::markdown` makes, with the values in place.
//!
//! Values enter after the Markdown has been read, so nothing in them is taken for markup. Until then each stands as a
//! mark of the same length in bytes, so that places in later diagnostics stay right.
//!
//! Codes: `T030` an unknown name, `T031` a `{{` that is not closed on its line or does not begin with `value:`.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Source, nearest};
use crate::render;

/// Stands before a value's number in the text; private use, so no author means it.
const OPEN: char = '\u{e000}';
/// Stands after a value's number.
const CLOSE: char = '\u{e001}';

/// Reads a note and fills the values in.
///
/// # Errors
///
/// `T030` and `T031` for every place that is wrong, and those of `render::markdown`.
pub(super) fn read(
    note: &Arc<Source>,
    values: &BTreeMap<String, String>,
) -> Result<(serde_json::Value, Diagnostics), Diagnostics> {
    let mut found = Diagnostics::new();
    let (text, used) = mark(note, values, &mut found);
    let marked = Source::new(note.name.clone(), text);
    let tree = match render::markdown(&marked) {
        Ok((tree, warnings)) => {
            found.extend(at_home(warnings, note));
            serde_json::to_value(tree)
        }
        Err(errors) => {
            found.extend(at_home(errors, note));
            return Err(found);
        }
    };
    let mut tree = match tree {
        Ok(tree) => tree,
        Err(error) => {
            found.push(Diagnostic::error(
                "T032",
                format!("the note cannot be laid out: {error}"),
            ));
            return Err(found);
        }
    };
    fill(&mut tree, &used);
    found.unless_errors(tree)
}

/// Puts marks where values are wanted; returns the text and the values in order.
fn mark(note: &Arc<Source>, values: &BTreeMap<String, String>, found: &mut Diagnostics) -> (String, Vec<String>) {
    let mut used = Vec::new();
    let mut out = String::with_capacity(note.text.len());
    let mut rest = note.text.as_str();
    let mut at = 0;
    while let Some(start) = rest.find("{{") {
        push_plain(&mut out, &rest[..start]);
        let from = &rest[start..];
        let line = from.split(['\n', '\r']).next().unwrap_or(from);
        let place = at + start;
        let Some(length) = line.find("}}").map(|end| end + 2) else {
            let wrong = Diagnostic::error("T031", "a `{{` without its `}}` on the same line");
            found.push(
                wrong
                    .at(note, place..place + 2, "opened here")
                    .help("write `{{value: NAME}}`, or leave a blank between two braces that are meant as such"),
            );
            push_plain(&mut out, "{{");
            rest = &from[2..];
            at = place + 2;
            continue;
        };
        let whole = &from[..length];
        let inner = &whole[2..length - 2];
        match inner.trim_start().strip_prefix("value:").map(str::trim) {
            None => {
                let wrong = Diagnostic::error("T031", "`{{` begins a value, but `value:` does not follow");
                found.push(
                    wrong
                        .at(note, place..place + length, "")
                        .help("write `{{value: NAME}}`, or leave a blank between two braces that are meant as such"),
                );
                push_plain(&mut out, whole);
            }
            Some(name) => {
                if let Some(value) = values.get(name) {
                    // Three bytes for each end, digits between: as long as what it replaces.
                    let digits = length - OPEN.len_utf8() - CLOSE.len_utf8();
                    out.push(OPEN);
                    let _ = write!(out, "{:0digits$}", used.len());
                    out.push(CLOSE);
                    used.push(value.clone());
                } else {
                    let start = place + whole.find(name).filter(|_| !name.is_empty()).unwrap_or(0);
                    let length = if name.is_empty() { length } else { name.len() };
                    let wrong = Diagnostic::error("T030", format!("there is no value called `{name}`"));
                    let wrong = wrong.at(note, start..start + length, "");
                    found.push(match nearest(name, values.keys().map(String::as_str)) {
                        Some(near) => wrong.help(format!("did you mean `{near}`?")),
                        None => wrong.help(format!(
                            "{} values can be used, `{}` among them",
                            values.len(),
                            example(values)
                        )),
                    });
                    push_plain(&mut out, whole);
                }
            }
        }
        rest = &from[length..];
        at = place + length;
    }
    push_plain(&mut out, rest);
    (out, used)
}

fn example(values: &BTreeMap<String, String>) -> &str {
    values
        .keys()
        .find(|name| name.ends_with(".difference"))
        .or_else(|| values.keys().next())
        .map_or("", String::as_str)
}

/// Text of the author, in which the two marks have no meaning.
fn push_plain(out: &mut String, text: &str) {
    out.extend(
        text.chars()
            .map(|c| if matches!(c, OPEN | CLOSE) { '\u{fffd}' } else { c }),
    );
}

/// Diagnostics about the marked text, shown in the text as the author wrote it.
fn at_home(diagnostics: Diagnostics, note: &Arc<Source>) -> Diagnostics {
    let mut out = Diagnostics::new();
    for mut diagnostic in diagnostics {
        for place in &mut diagnostic.places {
            place.source = Arc::clone(note);
        }
        out.push(diagnostic);
    }
    out
}

/// Puts the values in the place of their marks, in every text of the tree.
fn fill(tree: &mut serde_json::Value, used: &[String]) {
    match tree {
        serde_json::Value::String(text) if text.contains(OPEN) => *text = filled(text, used),
        serde_json::Value::Array(items) => items.iter_mut().for_each(|item| fill(item, used)),
        serde_json::Value::Object(fields) => fields.values_mut().for_each(|item| fill(item, used)),
        _ => {}
    }
}

fn filled(text: &str, used: &[String]) -> String {
    let mut parts = text.split(OPEN);
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        match part.split_once(CLOSE) {
            Some((number, rest)) => {
                let value = number.parse::<usize>().ok().and_then(|index| used.get(index));
                out.push_str(value.map_or("\u{fffd}", String::as_str));
                out.push_str(rest);
            }
            None => out.push_str(part),
        }
    }
    out
}
