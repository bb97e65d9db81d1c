//! What was noted at the bench beside the values: words in place of readings, questions, second values, the course.
//!
//! In:  the summary of the record.
//! Out: blocks for the section on departures. Never here: numbers of the analysis.

use crate::analysis::{BenchFinding, RecordSummary};

use super::document::{Block, Cell, Table};
use super::words::{count, listed};

/// Rows of a table that are printed; the journal holds all.
const MOST_ROWS: usize = 60;

/// The blocks; none where nothing of the kind was noted.
pub(super) fn blocks(record: &RecordSummary) -> Vec<Block> {
    let mut blocks = Vec::new();
    let missing: Vec<[String; 4]> = record
        .missing
        .iter()
        .map(|m| [m.run.to_string(), m.what.clone(), m.reason.clone(), m.why.clone()])
        .collect();
    blocks.extend(table(
        "missing",
        "Values that a word stands in place of",
        ["Run", "Value", "In its place", "What happened"],
        &missing,
        "A void reading is left out for what happened, never for what it was.",
    ));
    let Some(bench) = &record.bench else { return blocks };
    blocks.push(Block::paragraph(course(bench)));
    let conflicts: Vec<[String; 5]> = bench
        .conflicts
        .iter()
        .map(|c| {
            [
                c.row.clone(),
                c.what.clone(),
                c.stands.clone(),
                c.other.clone(),
                c.by.clone(),
            ]
        })
        .collect();
    blocks.extend(table(
        "two-values",
        "Places for which two values were written",
        ["Run", "Value", "Stands", "The other", "Written by"],
        &conflicts,
        "The analysis uses the value that stands: the one that was taken in first. The record keeps both.",
    ));
    let asked: Vec<[String; 5]> = bench
        .asked
        .iter()
        .map(|a| {
            [
                a.row.clone(),
                a.what.clone(),
                a.text.clone(),
                a.why.clone(),
                a.answer.clone(),
            ]
        })
        .collect();
    blocks.extend(table(
        "asked",
        "Questions put at the bench before a value was taken",
        ["Run", "Value", "As first written", "Question", "Answer"],
        &asked,
        "No question named a limit, a mean or an earlier reading.",
    ));
    blocks
}

fn course(bench: &BenchFinding) -> String {
    let mut text = format!(
        "Readings were entered at the bench on {}",
        count(bench.devices, "device", "devices")
    );
    let by: Vec<String> = bench
        .readings_by
        .iter()
        .map(|(by, readings)| format!("{} by {by}", count(*readings, "reading", "readings")))
        .collect();
    if !by.is_empty() {
        text.push_str(", ");
        text.push_str(&listed(&by));
    }
    text.push_str("; the table of the record names instrument, person and time of each.");
    if bench.pauses > 0 {
        text.push_str(&format_args!(" The work was paused {}.", count(bench.pauses, "time", "times")).to_string());
    }
    let skipped: Vec<String> = bench
        .skipped
        .iter()
        .filter_map(|s| Some(format!("run {} ({})", s.run?, s.what.trim_end_matches('.'))))
        .collect();
    if !skipped.is_empty() {
        text.push_str(" Skipped at first: ");
        text.push_str(&listed(&skipped));
        text.push('.');
    }
    text
}

fn table<const N: usize>(
    name: &str,
    title: &str,
    columns: [&str; N],
    rows: &[[String; N]],
    remark: &str,
) -> Option<Block> {
    if rows.is_empty() {
        return None;
    }
    let more = rows.len().saturating_sub(MOST_ROWS);
    let rows = rows
        .iter()
        .take(MOST_ROWS)
        .map(|row| row.iter().map(Cell::words).collect())
        .collect();
    let remark = if more > 0 {
        format!("{remark} {more} more stand in the record.")
    } else {
        remark.to_owned()
    };
    Some(Block::Table(
        Table::new(name, title, &columns).group("", rows).remark(remark),
    ))
}
