//! What a rehearsal put in, beside what came out: the table for report and terminal, and its answer in a sentence.
//!
//! In:  findings of a rehearsal.
//! Out: a table, sentences; nothing for a study that was measured.

use crate::analysis::{Findings, RehearsalFinding, TruthFinding};

use super::document::{Block, Cell, Section, Table};
use super::number::{self, fixed};
use super::sections::section;
use super::words::{self, Voice, capital, count, listed, plain};

/// The section of the report.
pub(super) fn put_in(findings: &Findings) -> Option<Section> {
    let found = findings.rehearsal.as_ref()?;
    let mut blocks: Vec<Block> = sentences(findings).into_iter().map(Block::paragraph).collect();
    blocks.push(Block::Table(table(findings, found)));
    Some(section("true-values", "True values and what came out", blocks))
}

/// The sentences of a rehearsal; none for a study that was measured.
pub(super) fn sentences(findings: &Findings) -> Vec<String> {
    let Some(found) = &findings.rehearsal else {
        return Vec::new();
    };
    let judged = found.values.iter().filter(|value| value.holds.is_some()).count();
    let held = found.values.iter().filter(|value| value.holds == Some(true)).count();
    let level = findings.responses.values().next().map_or(0.95, |of| of.confidence);
    let mut all = vec![format!(
        "{} of {} hold the value that was put in. At a confidence of {} about {} would miss theirs by chance; several \
         intervals rest on the same readings and miss together. Another seed gives other readings.",
        held,
        count(judged, "interval", "intervals"),
        number::confidence(level),
        number::significant((1.0 - level) * judged as f64, 2),
    )];
    let planned: Vec<String> = found
        .values
        .iter()
        .filter(|value| value.planned && value.holds.is_none())
        .map(words_of)
        .collect();
    if !planned.is_empty() {
        all.push(format!(
            "There is no interval for {}: the design cannot judge it.",
            listed(&planned)
        ));
    }
    for (response, drift) in &found.drifts {
        let unit = findings.responses.get(response).map_or("", |of| of.unit.as_str());
        all.push(format!(
            "{} drifted by {} from the first run to the last; the effects above leave that out.",
            capital(&plain(response)),
            number::with_unit(&number::significant(*drift, 3), unit)
        ));
    }
    for (response, factors) in &found.residues {
        let factors: Vec<String> = factors.iter().map(|factor| plain(factor)).collect();
        all.push(format!(
            "{} left something behind for the run after it in {}; the effects above leave that out.",
            capital(&listed(&factors)),
            plain(response)
        ));
    }
    all
}

/// One row a value.
pub(super) fn table(findings: &Findings, found: &RehearsalFinding) -> Table {
    let columns = ["Of", ">Put\u{a0}in", ">Came\u{a0}out", ">Interval", "Holds it?"];
    let mut table = Table::new("true-values", "What was put in, and what came out", &columns);
    for response in findings.responses.keys() {
        for (kind, title) in [
            ("mean", "Mean"),
            ("difference", "Differences between levels"),
            ("slope", "Slopes"),
            ("spread", "Spread of one result, as standard deviation"),
        ] {
            let rows: Vec<Vec<Cell>> = found
                .values
                .iter()
                .filter(|value| value.kind == kind && &value.response == response)
                .map(row)
                .collect();
            let title = match findings.responses.len() {
                1 => title.to_owned(),
                _ => format!("{}: {}", capital(&plain(response)), title.to_lowercase()),
            };
            table = table.group(&title, rows);
        }
    }
    let sources: Vec<String> = found
        .sources
        .iter()
        .filter(|(_, source)| !source.is_empty())
        .map(|(_, source)| source.trim_end_matches('.').to_owned())
        .collect();
    let mut remark =
        "What was put in follows from the assumptions alone, each level of a factor weighing the same.".to_owned();
    if !sources.is_empty() {
        remark = format!("{remark} Where the assumptions come from: {}.", sources.join("; "));
    }
    table.remark(remark)
}

/// Its name for people: plain words, and a true minus before a number.
fn words_of(value: &TruthFinding) -> String {
    plain(&value.what)
        .split(' ')
        .map(|word| match word.strip_prefix('-') {
            Some(rest) if rest.starts_with(|c: char| c.is_ascii_digit()) => format!("\u{2212}{rest}"),
            _ => word.to_owned(),
        })
        .collect::<Vec<_>>()
        .join(" ")
}

fn row(value: &TruthFinding) -> Vec<Cell> {
    // To the place that half the interval's width tells, as if it were two standard errors.
    let error = value.low.zip(value.high).map(|(low, high)| (high - low) / 4.0);
    let place = words::place(value.estimate.unwrap_or(value.truth), error);
    let holds = match value.holds {
        Some(true) => "yes",
        Some(false) => "no",
        None => "no interval",
    };
    let interval = value
        .low
        .zip(value.high)
        .map_or_else(|| "–".to_owned(), |(low, high)| Voice::interval(low, high, place));
    vec![
        Cell::words(words_of(value)),
        Cell::number(fixed(value.truth, place), value.truth),
        Cell::maybe(value.estimate, |estimate| fixed(estimate, place)),
        Cell::words(interval),
        Cell::words(holds),
    ]
}
