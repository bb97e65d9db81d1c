//! What is wrong, where, and how to mend it; many at a time.
//!
//! In:  a `Source` (a named text) and byte ranges into it.
//! Out: a `Diagnostics` list, printed for people or as JSON lines.
//!
//! A diagnostic has a stable code, because people quote it in records. The letter names the place:
//! `P` protocol, `S` site file, `D` design and plan, `R` record and sheets, `A` analysis,
//! `T` templates and notes, `F` files. Deep code reports everything it finds and goes on.

use std::borrow::Cow;
use std::ops::Range;
use std::sync::Arc;

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use serde::Serialize;

/// A text that came from outside, with the name people know it by (a path as the user gave it).
#[derive(Debug, Clone)]
pub struct Source {
    /// The name shown in diagnostics.
    pub name: String,
    /// The whole text.
    pub text: String,
}

impl Source {
    /// A shared source from a name and its text.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Arc<Self> {
        Arc::new(Self {
            name: name.into(),
            text: text.into(),
        })
    }

    /// Line and column (both from 1; the column counts characters, not bytes) of a byte offset.
    #[must_use]
    pub fn line_column(&self, offset: usize) -> (usize, usize) {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let before = &self.text[..offset];
        let line = before.bytes().filter(|&b| b == b'\n').count() + 1;
        let start = before.rfind('\n').map_or(0, |at| at + 1);
        // A byte-order mark is no character that an editor shows.
        let shown = before[start..].trim_start_matches('\u{feff}');
        (line, shown.chars().count() + 1)
    }
}

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; nothing has to change.
    Note,
    /// Goes on, but somebody should look.
    Warning,
    /// Cannot go on.
    Error,
}

/// A labelled place in a source.
#[derive(Debug, Clone)]
pub struct Place {
    /// The text it lies in.
    pub source: Arc<Source>,
    /// Byte range in that text.
    pub span: Range<usize>,
    /// What to say at the caret; may be empty.
    pub label: String,
}

/// One thing that is wrong.
#[derive(Debug, Clone)]
pub struct Diagnostic {
    /// Stable code, such as `P014`.
    pub code: &'static str,
    /// How bad it is.
    pub severity: Severity,
    /// What is wrong, in one sentence.
    pub message: String,
    /// Where: the first place is the cause, others explain. Empty if no text is to blame.
    pub places: Vec<Place>,
    /// How to mend it.
    pub help: Option<String>,
}

impl Diagnostic {
    /// An error with a code and a sentence.
    pub fn error(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Error, message)
    }

    /// A warning with a code and a sentence.
    pub fn warning(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Warning, message)
    }

    /// A note with a code and a sentence.
    pub fn note(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(code, Severity::Note, message)
    }

    fn new(code: &'static str, severity: Severity, message: impl Into<String>) -> Self {
        Self {
            code,
            severity,
            message: message.into(),
            places: Vec::new(),
            help: None,
        }
    }

    /// Adds a place; the first one added is the cause.
    #[must_use]
    pub fn at(mut self, source: &Arc<Source>, span: Range<usize>, label: impl Into<String>) -> Self {
        self.places.push(Place {
            source: Arc::clone(source),
            span,
            label: label.into(),
        });
        self
    }

    /// Says how to mend it.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// File, line and column of the cause, as they appear in JSON.
    #[must_use]
    pub fn position(&self) -> Option<(&str, usize, usize)> {
        let place = self.places.first()?;
        let (line, column) = place.source.line_column(place.span.start);
        Some((&place.source.name, line, column))
    }

    /// Prints the diagnostic with its places underlined.
    #[must_use]
    pub fn render(&self, colour: bool) -> String {
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
            Severity::Note => Level::NOTE,
        };
        let message = one_line(&self.message);
        let labels: Vec<String> = self.places.iter().map(|place| one_line(&place.label)).collect();
        let names: Vec<String> = self.places.iter().map(|place| one_line(&place.source.name)).collect();
        let texts: Vec<Cow<'_, str>> = self.places.iter().map(|place| shown(&place.source.text)).collect();
        let title = level.primary_title(message.as_str()).id(self.code);
        let mut groups: Vec<Group<'_>> = Vec::new();
        let mut group = Group::with_title(title);
        let mut done = vec![false; self.places.len()];
        for (index, place) in self.places.iter().enumerate() {
            if done[index] {
                continue;
            }
            let mut snippet = Snippet::source(texts[index].as_ref())
                .path(names[index].as_str())
                .fold(true);
            for (other, also) in self.places.iter().enumerate().skip(index) {
                if !Arc::ptr_eq(&also.source, &place.source) {
                    continue;
                }
                done[other] = true;
                let kind = if other == 0 {
                    AnnotationKind::Primary
                } else {
                    AnnotationKind::Context
                };
                let mut note = kind.span(clamp(&also.span, &also.source.text));
                if !labels[other].is_empty() {
                    note = note.label(labels[other].as_str());
                }
                snippet = snippet.annotation(note);
            }
            group = group.element(snippet);
        }
        let help = self.help.as_deref().map(one_line);
        if let Some(help) = &help {
            group = group.element(Level::HELP.message(help.as_str()));
        }
        groups.push(group);
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        renderer.render(&groups)
    }
}

/// Control characters from outside must not reach a terminal.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c })
        .collect()
}

/// A text without the control characters beyond ASCII, which some terminals obey, and with every byte in its place;
/// the renderer sees to the others.
fn shown(text: &str) -> Cow<'_, str> {
    let obeyed = |c: char| ('\u{80}'..'\u{a0}').contains(&c);
    if text.contains(obeyed) {
        Cow::Owned(text.replace(obeyed, "\u{b7}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// A span that lies inside the text, on character boundaries.
fn clamp(span: &Range<usize>, text: &str) -> Range<usize> {
    let mut start = span.start.min(text.len());
    let mut end = span.end.clamp(start, text.len());
    while !text.is_char_boundary(start) {
        start -= 1;
    }
    while !text.is_char_boundary(end) {
        end += 1;
    }
    start..end
}

/// A diagnostic as one JSON object.
#[derive(Debug, Serialize)]
pub struct DiagnosticJson<'a> {
    code: &'a str,
    severity: Severity,
    file: Option<&'a str>,
    line: Option<usize>,
    column: Option<usize>,
    message: &'a str,
    help: Option<&'a str>,
}

impl<'a> From<&'a Diagnostic> for DiagnosticJson<'a> {
    fn from(diagnostic: &'a Diagnostic) -> Self {
        let position = diagnostic.position();
        Self {
            code: diagnostic.code,
            severity: diagnostic.severity,
            file: position.map(|p| p.0),
            line: position.map(|p| p.1),
            column: position.map(|p| p.2),
            message: &diagnostic.message,
            help: diagnostic.help.as_deref(),
        }
    }
}

/// Everything found wrong in one go.
#[derive(Debug, Clone, Default)]
pub struct Diagnostics(Vec<Diagnostic>);

impl Diagnostics {
    /// An empty list.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one.
    pub fn push(&mut self, diagnostic: Diagnostic) {
        self.0.push(diagnostic);
    }

    /// Adds all of another list.
    pub fn extend(&mut self, others: Diagnostics) {
        self.0.extend(others.0);
    }

    /// True if at least one is an error.
    #[must_use]
    pub fn has_errors(&self) -> bool {
        self.count(Severity::Error) > 0
    }

    /// How many there are of one severity.
    #[must_use]
    pub fn count(&self, severity: Severity) -> usize {
        self.0.iter().filter(|d| d.severity == severity).count()
    }

    /// In the order found.
    pub fn iter(&self) -> std::slice::Iter<'_, Diagnostic> {
        self.0.iter()
    }

    /// True if nothing was found.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The value with its warnings, or the whole list if there was an error.
    ///
    /// # Errors
    ///
    /// The list itself, when it holds an error.
    pub fn unless_errors<T>(self, value: T) -> Result<(T, Diagnostics), Diagnostics> {
        if self.has_errors() {
            Err(self)
        } else {
            Ok((value, self))
        }
    }
}

impl From<Diagnostic> for Diagnostics {
    fn from(diagnostic: Diagnostic) -> Self {
        Self(vec![diagnostic])
    }
}

impl<'a> IntoIterator for &'a Diagnostics {
    type Item = &'a Diagnostic;
    type IntoIter = std::slice::Iter<'a, Diagnostic>;
    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

impl IntoIterator for Diagnostics {
    type Item = Diagnostic;
    type IntoIter = std::vec::IntoIter<Diagnostic>;
    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter()
    }
}

/// The name nearest to `wrong` among `known`, if one is near enough to be what was meant.
#[must_use]
pub fn nearest<'a>(wrong: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = wrong.to_lowercase();
    known
        .into_iter()
        .map(|name| (strsim::damerau_levenshtein(&lower, &name.to_lowercase()), name))
        .filter(|(distance, name)| *distance <= 1.max(name.chars().count().max(lower.chars().count()) / 3))
        .min()
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Class: closed form. U+009B opens a control sequence on some terminals, as ESC [ does on all.
    #[test]
    fn nothing_from_outside_steers_a_terminal() {
        let evil = "\u{1b}[31m\u{9b}31m\u{7}";
        let source = Source::new(format!("a{evil}.csv"), format!("1,{evil},wrong\n"));
        let at = source.text.find("wrong").unwrap_or(0);
        let shown = Diagnostic::error("R040", format!("no number: {evil}"))
            .at(&source, at..at + 5, evil)
            .help(evil)
            .render(false);
        assert!(!shown.chars().any(|c| c.is_control() && c != '\n'), "{shown:?}");
        let (_, caret) = shown.split_once("wrong\n").unwrap_or_default();
        assert!(caret.contains("^^^^^"), "{shown}");
    }
}
