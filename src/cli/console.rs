//! What people and programs get to see: results on standard output, all else on standard error.
//!
//! Text from outside never reaches a terminal with its control characters.

use std::fmt::Write as _;
use std::io::{self, Write as _};

use serde::Serialize;
use unicode_width::UnicodeWidthStr;

use super::outside;
use super::{Colour, Stop};
use crate::diagnostic::{DiagnosticJson, Diagnostics, Severity};

/// Where a command prints.
#[derive(Debug, Clone, Copy)]
pub struct Console {
    quiet: bool,
    json: bool,
    colours: Colours,
    columns: usize,
}

/// Which of the two streams is coloured.
#[derive(Debug, Clone, Copy)]
struct Colours {
    out: bool,
    err: bool,
}

impl Console {
    /// A console with the choices of the command line.
    #[must_use]
    pub fn new(quiet: bool, json: bool, colour: Colour) -> Self {
        let (out, err) = outside::streams();
        let choose = |may| match colour {
            Colour::Auto => may,
            Colour::Always => true,
            Colour::Never => false,
        };
        Self {
            quiet,
            json,
            colours: Colours {
                out: choose(outside::may_colour(&out)),
                err: choose(outside::may_colour(&err)),
            },
            columns: outside::columns(),
        }
    }

    /// True if only errors are wanted.
    #[must_use]
    pub fn is_quiet(&self) -> bool {
        self.quiet
    }

    /// True if a program reads the result.
    #[must_use]
    pub fn wants_json(&self) -> bool {
        self.json
    }

    /// Prints a result for people; nothing under `--json` and `--quiet`.
    ///
    /// # Errors
    ///
    /// If nobody takes the output.
    pub fn page(&self, page: &Page) -> Result<(), Stop> {
        if self.quiet || self.json {
            return Ok(());
        }
        put(&page.render(self.colours.out, self.columns))
    }

    /// Prints text for people that is laid out already; nothing under `--json` and `--quiet`.
    ///
    /// # Errors
    ///
    /// If nobody takes the output.
    pub fn text(&self, text: &str) -> Result<(), Stop> {
        if self.quiet || self.json {
            Ok(())
        } else {
            put(&clean(text))
        }
    }

    /// Width to lay text out in, in columns.
    #[must_use]
    pub fn columns(&self) -> usize {
        self.columns
    }

    /// Prints a result for programs, under `--json` only.
    ///
    /// # Errors
    ///
    /// If nobody takes the output.
    pub fn json<T: Serialize>(&self, value: &T) -> Result<(), Stop> {
        if !self.json {
            return Ok(());
        }
        let mut text = serde_json::to_string_pretty(value).map_err(|error| Stop::Output(error.into()))?;
        text.push('\n');
        put(&text)
    }

    /// Says on standard error what was done; nothing under `--quiet`.
    pub fn say(&self, text: &str) {
        if !self.quiet {
            grumble(&format!("{}\n", clean(text)));
        }
    }

    /// Prints errors and warnings on standard error: for people, or one JSON object a line. Under `--quiet` errors only.
    pub fn diagnostics(&self, diagnostics: &Diagnostics) {
        self.down_to(Severity::Warning, diagnostics);
    }

    /// The same with notes.
    pub fn all_diagnostics(&self, diagnostics: &Diagnostics) {
        self.down_to(Severity::Note, diagnostics);
    }

    fn down_to(&self, least: Severity, diagnostics: &Diagnostics) {
        let least = if self.quiet { Severity::Error } else { least };
        let mut text = String::new();
        for diagnostic in diagnostics.iter().filter(|diagnostic| diagnostic.severity >= least) {
            if self.json {
                if let Ok(line) = serde_json::to_string(&DiagnosticJson::from(diagnostic)) {
                    text.push_str(&line);
                    text.push('\n');
                }
            } else {
                text.push_str(diagnostic.render(self.colours.err).trim_end());
                text.push_str("\n\n");
            }
        }
        grumble(&text);
    }
}

/// Prints text that was asked for as it stands, such as a schema.
///
/// # Errors
///
/// If nobody takes the output.
pub fn put(text: &str) -> Result<(), Stop> {
    let (out, _) = outside::streams();
    let mut out = out.lock();
    out.write_all(text.as_bytes())
        .and_then(|()| out.flush())
        .map_err(|error| match error.kind() {
            io::ErrorKind::BrokenPipe => Stop::NobodyReads,
            _ => Stop::Output(error),
        })
}

/// Writes to standard error. There is nobody left to tell if that fails.
fn grumble(text: &str) {
    let (_, err) = outside::streams();
    let _ = err.lock().write_all(text.as_bytes());
}

/// A result for people: headings, sentences and tables.
#[derive(Debug, Clone, Default)]
pub struct Page(Vec<Part>);

#[derive(Debug, Clone)]
enum Part {
    Heading(String),
    Sentence(String),
    Item(String),
    Table(Vec<Vec<String>>),
}

impl Page {
    /// An empty page.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a heading.
    pub fn heading(&mut self, text: impl Into<String>) -> &mut Self {
        self.0.push(Part::Heading(text.into()));
        self
    }

    /// Adds a sentence; it is broken into lines where needed.
    pub fn sentence(&mut self, text: impl Into<String>) -> &mut Self {
        self.0.push(Part::Sentence(text.into()));
        self
    }

    /// Adds an item of a list.
    pub fn item(&mut self, text: impl Into<String>) -> &mut Self {
        self.0.push(Part::Item(text.into()));
        self
    }

    /// Adds a table; the first row is its head. Columns of numbers are set to the right.
    pub fn table(&mut self, rows: Vec<Vec<String>>) -> &mut Self {
        if rows.len() > 1 {
            self.0.push(Part::Table(rows));
        }
        self
    }

    /// The page as text.
    #[must_use]
    pub fn render(&self, colour: bool, columns: usize) -> String {
        let mut text = String::new();
        let mut before: Option<&Part> = None;
        for part in &self.0 {
            let together = matches!(
                (before, part),
                (Some(Part::Heading(_)), _) | (Some(Part::Item(_) | Part::Sentence(_)), Part::Item(_))
            );
            if before.is_some() && !together {
                text.push('\n');
            }
            match part {
                Part::Heading(words) => {
                    let style = anstyle::Style::new().bold();
                    let words = clean(words);
                    let _ = if colour {
                        writeln!(text, "{style}{words}{style:#}")
                    } else {
                        writeln!(text, "{words}")
                    };
                }
                Part::Sentence(words) => wrap(&mut text, "", "", &clean(words), columns),
                Part::Item(words) => wrap(&mut text, "  - ", "    ", &clean(words), columns),
                Part::Table(rows) => table(&mut text, rows),
            }
            before = Some(part);
        }
        text
    }
}

/// Control characters from outside become a mark that can be seen.
fn clean(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c })
        .collect()
}

/// Breaks a sentence between words.
fn wrap(text: &mut String, first: &str, rest: &str, words: &str, columns: usize) {
    let mut line = first.to_owned();
    let mut is_bare = true;
    for word in words.split([' ', '\n']).filter(|word| !word.is_empty()) {
        if !is_bare && line.width() + 1 + word.width() > columns {
            text.push_str(&line);
            text.push('\n');
            rest.clone_into(&mut line);
            is_bare = true;
        }
        if !is_bare {
            line.push(' ');
        }
        line.push_str(word);
        is_bare = false;
    }
    text.push_str(&line);
    text.push('\n');
}

/// Sets a table: two blanks between columns, numbers to the right.
fn table(text: &mut String, rows: &[Vec<String>]) {
    let rows: Vec<Vec<String>> = rows
        .iter()
        .map(|row| row.iter().map(|cell| clean(&cell.replace('\n', " "))).collect())
        .collect();
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let cell = |row: &[String], column: usize| row.get(column).cloned().unwrap_or_default();
    let widths: Vec<usize> = (0..count)
        .map(|column| rows.iter().map(|row| cell(row, column).width()).max().unwrap_or(0))
        .collect();
    let is_number: Vec<bool> = (0..count)
        .map(|column| {
            let mut cells = rows
                .iter()
                .skip(1)
                .map(|row| cell(row, column))
                .filter(|c| !c.is_empty());
            cells.all(|c| c.starts_with(|first: char| first.is_ascii_digit() || "-\u{2212}–<".contains(first)))
        })
        .collect();
    for row in &rows {
        let mut line = String::from(" ");
        for column in 0..count {
            let content = cell(row, column);
            let blank = " ".repeat(widths[column] - content.width());
            line.push(' ');
            if is_number[column] {
                line.push_str(&blank);
                line.push_str(&content);
            } else {
                line.push_str(&content);
                line.push_str(&blank);
            }
            line.push(' ');
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_keeps_control_characters_from_the_terminal() {
        let mut page = Page::new();
        page.heading("a\u{1b}[31mb")
            .sentence("c\u{7}d")
            .table(vec![vec!["h".into()], vec!["x\u{1b}]0;t".into()]]);
        let text = page.render(false, 80);
        assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{text:?}");
    }

    #[test]
    fn sentences_break_between_words_and_numbers_stand_to_the_right() {
        let mut page = Page::new();
        page.item("one two three four five six seven eight nine ten eleven");
        page.table(vec![
            vec!["effect".into(), "df".into()],
            vec!["finish".into(), "1".into()],
            vec!["é".into(), "12".into()],
        ]);
        assert_eq!(
            page.render(false, 40),
            "  - one two three four five six seven\n    eight nine ten eleven\n\n  effect  df\n  finish   1\n  é       12\n"
        );
    }
}
