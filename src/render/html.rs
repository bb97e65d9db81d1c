//! Data and a template to HTML.
//!
//! In:  a template by name and data as JSON; the keys of an object are the template's variables.
//! Out: HTML text. Every value is escaped unless the template says `|safe`.
//!
//! A template can include any other template of the set and nothing else. It is bounded: so many steps, so deep,
//! so long a text. A value that is not there is an error, never a blank.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::sync::Arc;

use minijinja::value::Value;
use minijinja::{AutoEscape, Environment, Error, ErrorKind, UndefinedBehavior};

use crate::diagnostic::{Diagnostic, Diagnostics, Source};

use super::templates::{Templates, has_ending};

/// Steps that a template may take: a sheet of ten thousand runs needs about a tenth of it.
const STEPS: u64 = 20_000_000;
/// Templates within templates.
const DEPTH: usize = 64;
/// Longest text, in bytes.
const LONGEST: usize = 128 << 20;

/// Renders the template of that name.
///
/// # Errors
///
/// `T001` no such template, `T002` a template that cannot be read or fails, `T003` an undefined value,
/// `T004` too many steps or too long a text; each with the template's name and line.
pub fn html(templates: &Templates, name: &str, data: &serde_json::Value) -> Result<String, Diagnostics> {
    templates.get(name)?;
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.set_auto_escape_callback(|name| {
        if has_ending(name, "css") {
            AutoEscape::None
        } else {
            AutoEscape::Html
        }
    });
    environment.set_debug(true);
    environment.set_fuel(Some(STEPS));
    environment.set_recursion_limit(DEPTH);
    let mut wrong = Diagnostics::new();
    for (part, source) in templates.ending(&["jinja", "css"]) {
        if let Err(error) = environment.add_template(part, &source.text) {
            wrong.push(diagnose(&error, templates));
        }
    }
    if wrong.has_errors() {
        return Err(wrong);
    }
    let mut out = Bounded { text: Vec::new() };
    let result = environment
        .get_template(name)
        .and_then(|template| template.render_captured_to(value(data), &mut out).map(|_| ()));
    match result {
        Ok(()) => Ok(String::from_utf8_lossy(&out.text).into_owned()),
        Err(error) => Err(diagnose(&error, templates).into()),
    }
}

/// JSON as the engine's own kind of value.
fn value(json: &serde_json::Value) -> Value {
    match json {
        serde_json::Value::Null => Value::from(()),
        serde_json::Value::Bool(yes) => Value::from(*yes),
        serde_json::Value::Number(number) => match (number.as_i64(), number.as_u64(), number.as_f64()) {
            (Some(whole), _, _) => Value::from(whole),
            (_, Some(whole), _) => Value::from(whole),
            (_, _, Some(real)) => Value::from(real),
            _ => Value::from(number.to_string()),
        },
        serde_json::Value::String(text) => Value::from(text.as_str()),
        serde_json::Value::Array(items) => items.iter().map(value).collect(),
        serde_json::Value::Object(fields) => {
            let fields: BTreeMap<String, Value> = fields.iter().map(|(key, item)| (key.clone(), value(item))).collect();
            Value::from(fields)
        }
    }
}

/// A text that refuses to grow past `LONGEST`.
struct Bounded {
    text: Vec<u8>,
}

impl Write for Bounded {
    fn write(&mut self, part: &[u8]) -> io::Result<usize> {
        if self.text.len() + part.len() > LONGEST {
            return Err(io::Error::other("the text is too long"));
        }
        self.text.extend_from_slice(part);
        Ok(part.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The innermost cause first, and the templates that led to it.
fn diagnose(error: &Error, templates: &Templates) -> Diagnostic {
    let mut chain = vec![error];
    let mut inner = std::error::Error::source(error);
    while let Some(next) = inner {
        if let Some(next) = next.downcast_ref::<Error>() {
            chain.push(next);
        }
        inner = next.source();
    }
    let cause = chain
        .iter()
        .rev()
        .find(|e| e.line().is_some())
        .copied()
        .unwrap_or(error);
    let said = cause.detail().map(str::to_owned);
    let (code, message, help) = match cause.kind() {
        ErrorKind::UndefinedError => (
            "T003",
            said.unwrap_or_else(|| "a value that the data does not hold".to_owned()),
            Some("print only what is there, or test it first with `is defined`"),
        ),
        ErrorKind::OutOfFuel => ("T004", "the template takes too many steps".to_owned(), None),
        ErrorKind::WriteFailure => ("T004", "the template writes too long a text".to_owned(), None),
        kind => (
            "T002",
            said.map_or_else(|| kind.to_string(), |detail| format!("{kind}: {detail}")),
            None,
        ),
    };
    let mut diagnostic = Diagnostic::error(code, message);
    for (index, step) in std::iter::once(cause)
        .chain(chain.iter().copied().filter(|e| !std::ptr::eq(*e, cause)))
        .enumerate()
    {
        let Some(source) = step.name().and_then(|name| templates.get(name).ok()) else {
            continue;
        };
        let span = step.range().or_else(|| line_span(source, step.line()?)).unwrap_or(0..0);
        diagnostic = diagnostic.at(source, span, if index == 0 { "" } else { "reached from here" });
    }
    match help {
        Some(help) => diagnostic.help(help),
        None => diagnostic,
    }
}

/// The bytes of a line, counted from 1, without its end.
fn line_span(source: &Arc<Source>, line: usize) -> Option<std::ops::Range<usize>> {
    let mut start = 0;
    for (index, text) in source.text.split('\n').enumerate() {
        if index + 1 == line {
            return Some(start..start + text.len());
        }
        start += text.len() + 1;
    }
    None
}
