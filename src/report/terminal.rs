//! The findings as plain text for a terminal: sentences and narrow tables, no colour.
//!
//! In:  findings and the width in characters.
//! Out: text with LF line ends; control characters from outside are replaced.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use unicode_width::UnicodeWidthStr;

use crate::analysis::{Findings, ResponseFindings};
use crate::protocol::StudyKind;

use super::document::Table;
use super::words::{Voice, capital, count, numbers, plain};
use super::{answers, measurement_system, number, precision, rehearsed, sentences, tables};

/// Narrowest text that still reads.
const NARROWEST: usize = 40;

/// A summary of the findings, no wider than `width` characters where the words allow it (40 at least).
#[must_use]
pub fn terminal(findings: &Findings, width: usize) -> String {
    let width = width.max(NARROWEST);
    let mut out = String::new();
    let study = &findings.study;
    paragraph(&mut out, &study.title, "", width);
    let mut head = format!("Study {}, version {}", study.id, study.version);
    if !study.site.is_empty() {
        let _ = write!(head, ", site {}", study.site);
    }
    paragraph(&mut out, &format!("{head}."), "", width);
    if study.rehearsal {
        paragraph(&mut out, "REHEARSAL: the readings were simulated.", "", width);
    }
    if let Some(text) = super::bench::blinding(study) {
        paragraph(&mut out, &text, "", width);
    }
    if study.order == "as run" {
        paragraph(
            &mut out,
            "The order of the runs was not randomized by this protocol.",
            "",
            width,
        );
    }
    record(&mut out, findings, width);
    for (name, found) in &findings.responses {
        response(&mut out, &study.kind, name, found, width);
    }
    true_values(&mut out, findings, width);
    out
}

/// The head of a rehearsal with what was put in and what came out; see `terminal` for `width`.
#[must_use]
pub fn rehearsal(findings: &Findings, width: usize) -> String {
    let width = width.max(NARROWEST);
    let mut out = String::new();
    paragraph(&mut out, &format!("REHEARSAL: {}", findings.study.title), "", width);
    true_values(&mut out, findings, width);
    out
}

/// What a rehearsal put in, and what came out.
fn true_values(out: &mut String, findings: &Findings, width: usize) {
    let Some(found) = &findings.rehearsal else { return };
    out.push('\n');
    grid(out, &rehearsed::table(findings, found), width);
    out.push('\n');
    for sentence in rehearsed::sentences(findings) {
        paragraph(out, &sentence, "", width);
    }
}

fn record(out: &mut String, findings: &Findings, width: usize) {
    let record = &findings.record;
    let mut text = format!(
        "{} of {} complete",
        record.runs_complete,
        count(record.runs_planned, "run", "runs")
    );
    for (many, one, more) in [
        (record.corrections.len(), "correction", "corrections"),
        (record.deviations.len(), "departure", "departures"),
        (record.questioned.len(), "questioned value", "questioned values"),
    ] {
        if many > 0 {
            let _ = write!(text, ", {}", count(many, one, more));
        }
    }
    paragraph(out, &format!("{}.", capital(&text)), "", width);
    for (what, runs) in [
        ("Runs without a reading", &record.runs_missing),
        ("Runs with some readings missing", &record.runs_incomplete),
        ("Runs in another order than planned", &record.out_of_order),
    ] {
        if !runs.is_empty() {
            paragraph(out, &format!("{what}: {}.", numbers(runs)), "", width);
        }
    }
}

fn response(out: &mut String, kind: &str, name: &str, found: &ResponseFindings, width: usize) {
    let units: BTreeMap<String, String> = found
        .slopes
        .iter()
        .filter(|s| !s.unit.is_empty())
        .map(|s| (s.factor.clone(), s.unit.clone()))
        .collect();
    let voice = Voice::new(found, units);
    out.push('\n');
    let unit = if found.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", found.unit)
    };
    let heading = format!(
        "{}{unit}: {} from {}",
        capital(&plain(name)),
        count(found.runs, "result", "results"),
        count(found.readings, "reading", "readings")
    );
    paragraph(out, &heading, "", width);
    let rule = "\u{2500}".repeat(clean(&heading).width().min(width));
    out.push_str(&rule);
    out.push('\n');
    if sentences::is_mixed(found) && !answers::stated(kind, found) {
        paragraph(out, &sentences::method(found), "", width);
        out.push('\n');
    }
    for sentence in answers::answers(kind, found, &voice) {
        paragraph(out, &sentence, "- ", width);
    }
    // A terminal is narrow: what the verdicts do not need is left to the report.
    let stated = answers::stated(kind, found);
    let shown = [
        (
            if stated {
                measurement_system::spreads_of(name, found, &voice)
                    .filter(|_| kind == StudyKind::MeasurementSystem.word())
                    .or_else(|| precision::statement_of(name, found, &voice))
            } else {
                tables::effects(name, found)
            },
            "Sum of squares (SS)",
        ),
        (
            tables::components(name, found, &voice).filter(|_| !stated),
            "Variance in one result",
        ),
    ];
    for (at, (table, needless)) in shown.into_iter().enumerate() {
        if let Some(mut table) = table {
            leave_out(&mut table, needless);
            out.push('\n');
            grid(out, &table, width);
        }
        if at == 0 && !stated {
            for sentence in sentences::randomizations(found) {
                paragraph(out, &sentence, "", width);
            }
        }
    }
    let course = super::course::sentences(found, &voice);
    if !course.is_empty() {
        out.push_str("\nWhat the order of the runs brought\n");
        for sentence in course {
            paragraph(out, &sentence, "- ", width);
        }
    }
    let look: Vec<_> = found
        .checks
        .iter()
        .filter(|c| c.outcome != crate::analysis::Outcome::NothingFound)
        .collect();
    if !look.is_empty() {
        out.push_str("\nChecks\n");
        for check in look {
            let text = format!(
                "{}: {}. {}",
                capital(&check.name),
                tables::outcome(check.outcome),
                voice.check(check)
            );
            paragraph(out, &format!("{}.", text.trim_end_matches('.')), "- ", width);
        }
    }
    if !found.cannot_tell.is_empty() {
        out.push_str("\nWhat cannot be told\n");
        for sentence in &found.cannot_tell {
            paragraph(
                out,
                &format!("{}.", capital(sentence.trim_end_matches('.'))),
                "- ",
                width,
            );
        }
    }
    if let Some(relevant) = found.relevant {
        let size = number::with_unit(&number::exact(relevant), &found.unit);
        paragraph(
            out,
            &format!("Smallest difference that matters, by the protocol: {size}."),
            "",
            width,
        );
    }
}

/// Takes a column out.
fn leave_out(table: &mut Table, title: &str) {
    let Some(index) = table.columns.iter().position(|column| column.title == title) else {
        return;
    };
    table.columns.remove(index);
    for row in table.groups.iter_mut().flat_map(|group| &mut group.rows) {
        if index < row.len() {
            row.remove(index);
        }
    }
}

/// No control characters; no-break spaces stay until the lines are broken.
fn clean(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\n' | '\t' => ' ',
            c if c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}') => '\u{fffd}',
            c => c,
        })
        .collect()
}

/// A paragraph broken between words; `mark` stands before the first line, blanks before the others.
pub(super) fn paragraph(out: &mut String, text: &str, mark: &str, width: usize) {
    for (index, line) in wrapped(&clean(text), width - mark.width()).into_iter().enumerate() {
        if index == 0 {
            out.push_str(mark);
        } else {
            out.push_str(&" ".repeat(mark.width()));
        }
        out.push_str(&line);
        out.push('\n');
    }
}

fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        if !line.is_empty() && line.width() + 1 + word.width() > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
        .iter()
        .map(|line| line.replace(['\u{a0}', '\u{202f}'], " "))
        .collect()
}

/// A table with blanks between its columns; cells and headings wrap where the whole would be too wide.
pub(super) fn grid(out: &mut String, table: &Table, width: usize) {
    let clean_rows = |rows: &[Vec<super::Cell>]| -> Vec<Vec<String>> {
        rows.iter()
            .map(|row| row.iter().map(|cell| clean(&cell.text)).collect())
            .collect()
    };
    paragraph(out, &table.caption, "", width);
    let titles: Vec<String> = table.columns.iter().map(|column| clean(&column.title)).collect();
    let word = |text: &str| text.split(' ').map(UnicodeWidthStr::width).max().unwrap_or(0);
    // A column is at least as wide as the longest word of its heading and as its cells, the first one up to a third.
    let mut widths: Vec<usize> = titles.iter().map(|title| word(title)).collect();
    for group in &table.groups {
        for row in clean_rows(&group.rows) {
            for (width, cell) in widths.iter_mut().zip(&row) {
                *width = (*width).max(cell.width());
            }
        }
    }
    let gaps = widths.len().saturating_sub(1) * 2;
    while widths.iter().sum::<usize>() + gaps > width {
        // The widest column gives way, as far as a word needs.
        let Some((index, &widest)) = widths.iter().enumerate().max_by_key(|(_, w)| **w) else {
            break;
        };
        if widest <= 10 {
            break;
        }
        widths[index] = widest - 1;
    }
    let line = |cells: &[String]| row(cells, &widths, table);
    out.push_str(&line(&titles));
    let rules: Vec<String> = widths.iter().map(|&w| "\u{2500}".repeat(w)).collect();
    out.push_str(&line(&rules));
    for group in &table.groups {
        if !group.title.is_empty() {
            paragraph(out, &format!("{}:", group.title), "", width);
        }
        for cells in clean_rows(&group.rows) {
            out.push_str(&line(&cells));
        }
    }
}

/// One row of a table, in as many lines as its highest cell needs.
fn row(cells: &[String], widths: &[usize], table: &Table) -> String {
    let parts: Vec<Vec<String>> = cells.iter().zip(widths).map(|(cell, &w)| wrapped(cell, w)).collect();
    let height = parts.iter().map(Vec::len).max().unwrap_or(0);
    let mut out = String::new();
    for index in 0..height {
        let mut text = String::new();
        for ((part, &w), column) in parts.iter().zip(widths).zip(&table.columns) {
            let cell = part.get(index).map_or("", String::as_str);
            let blanks = " ".repeat(w.saturating_sub(cell.width()));
            if column.align == "right" {
                text.push_str(&blanks);
                text.push_str(cell);
            } else {
                text.push_str(cell);
                text.push_str(&blanks);
            }
            text.push_str("  ");
        }
        out.push_str(text.trim_end());
        out.push('\n');
    }
    out
}
