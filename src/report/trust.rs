//! How far the numbers can be trusted: short sentences, and a figure where leaving something out would matter.
//!
//! In:  the diagnosis and the checks of each response.
//! Out: a section. What needs a look comes first; what was looked at and is quiet is named in one sentence.

use crate::analysis::{ChangeFinding, Check, Diagnosis, HeadlineFinding, Outcome, ResponseFindings};
use crate::chart::{EffectRow, EffectsChart, Head};
use crate::protocol::Protocol;

use super::build::Input;
use super::document::{Block, Picture, Section};
use super::figures::{picture, quantity};
use super::number::fixed;
use super::sections::{Responses, section};
use super::words::{Voice, capital, count, listed, place, plain};

/// Rows in a figure.
const MOST_ROWS: usize = 12;

/// The section; without blocks where nothing could be analysed.
pub(super) fn trust(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        let Some(diagnosis) = &found.diagnosis else {
            continue;
        };
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        blocks.push(Block::list(sentences(input.protocol, name, found, diagnosis, voice)));
        blocks.extend(without_single(name, diagnosis, voice).map(Block::Figure));
        blocks.extend(without_questioned(name, diagnosis, voice).map(Block::Figure));
    }
    section("trust", "How far to trust the numbers", blocks)
}

fn sentences(
    protocol: &Protocol,
    response: &str,
    found: &ResponseFindings,
    diagnosis: &Diagnosis,
    voice: &Voice,
) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    let of_outcome = |outcome: Outcome| found.checks.iter().filter(move |check| check.outcome == outcome);
    said.extend(of_outcome(Outcome::Look).map(|check| {
        format!(
            "To look at, {}: {}.",
            plain(&check.name),
            voice.check(check).trim_end_matches('.')
        )
    }));
    // Factors with the same set-ups share a sentence.
    let mut seen: Vec<(&str, usize, usize)> = Vec::new();
    for own in &diagnosis.replication {
        let key = (own.unit.as_str(), own.set_ups, own.at_a_level);
        if seen.contains(&key) {
            continue;
        }
        seen.push(key);
        let alike: Vec<String> = diagnosis
            .replication
            .iter()
            .filter(|other| (other.unit.as_str(), other.set_ups, other.at_a_level) == key)
            .map(|other| plain(&other.factor))
            .collect();
        said.push(format!(
            "{} {} set {}, {} at a level or more: so many replicates the study has for {}, not {}.",
            capital(&listed(&alike)),
            if alike.len() == 1 { "was" } else { "were" },
            count(own.set_ups, "time", "times"),
            own.at_a_level,
            if alike.len() == 1 { "it" } else { "them" },
            own.runs
        ));
    }
    let readings = protocol
        .responses
        .iter()
        .find(|r| r.name == response)
        .map_or(1, |r| r.readings);
    if readings > 1 {
        said.push(format!(
            "The {readings} readings of a run share its set-up: they count once, as their {}, and are no replicates of the run.",
            found.statistic
        ));
    }
    let names = |outcome: Outcome| -> Vec<String> { of_outcome(outcome).map(|c: &Check| plain(&c.name)).collect() };
    let quiet = names(Outcome::NothingFound);
    if !quiet.is_empty() {
        said.push(format!("Looked at, and nothing found: {}.", listed(&quiet)));
    }
    let mute = names(Outcome::CannotTell);
    if !mute.is_empty() {
        said.push(format!("Too little to tell: {}.", listed(&mute)));
    }
    said
}

/// A row of a figure; `None` for a test, which has no estimate to draw.
fn row(about: &str, found: &HeadlineFinding) -> Option<EffectRow> {
    let estimate = found.value?;
    let interval = found.low.zip(found.high);
    let place = place(estimate, interval.map(|(low, high)| (high - low) / 4.0));
    let value = fixed(estimate, place);
    Some(EffectRow {
        label: capital(&plain(about)),
        text: match interval {
            Some((low, high)) => format!("{value} ({})", Voice::interval(low, high, place)),
            None => format!("{value} (no interval)"),
        },
        estimate,
        interval,
    })
}

fn draw(response: &str, name: &str, title: String, groups: Vec<(String, Vec<EffectRow>)>, voice: &Voice) -> Picture {
    let spoken = super::figures::spoken(&groups);
    let head = Head {
        name: format!("{response}-{name}"),
        description: format!("{title}. {spoken}"),
        title,
    };
    let chart = EffectsChart {
        axis: format!(
            "change of {}; a slope per unit of its factor",
            quantity(response, voice)
        ),
        groups,
        relevant: None,
    };
    let caption = format!(
        "Dot: estimate; line: {}. The analysis keeps every run and reading; this figure only shows what the answer hangs on.",
        voice.interval_name()
    );
    picture(chart.draw(&head), caption)
}

/// Conclusions that would change without a run or set-up.
fn without_single(response: &str, diagnosis: &Diagnosis, voice: &Voice) -> Option<Picture> {
    let changes: Vec<&ChangeFinding> = diagnosis
        .influence
        .as_ref()?
        .changes
        .iter()
        .filter(|change| change.with_all.value.is_some() && change.without_it.value.is_some())
        .collect();
    let first = changes.first()?;
    let mut groups: Vec<(String, Vec<EffectRow>)> = Vec::new();
    let mut abouts: Vec<&str> = Vec::new();
    for change in changes.iter().take(MOST_ROWS) {
        if !abouts.contains(&change.about.as_str()) {
            abouts.push(&change.about);
        }
    }
    for about in abouts {
        let own = || changes.iter().filter(|change| change.about == about).take(MOST_ROWS);
        let mut rows: Vec<EffectRow> = own()
            .take(1)
            .filter_map(|change| row("with all runs", &change.with_all))
            .collect();
        rows.extend(own().filter_map(|change| row(&format!("without {}", change.without), &change.without_it)));
        groups.push((capital(&plain(about)), rows));
    }
    let title = format!(
        "Without {}, {} would be {}",
        plain(&first.without),
        plain(&first.about),
        first.without_it.conclusion
    );
    Some(draw(response, "without-single", title, groups, voice))
}

/// Every conclusion with and without questioned readings.
fn without_questioned(response: &str, diagnosis: &Diagnosis, voice: &Voice) -> Option<Picture> {
    let found = diagnosis.without_questioned.as_ref()?;
    // Tests without an estimate stand in the sentences only.
    let drawn = found
        .headlines
        .iter()
        .filter(|h| h.with_all.value.is_some() && h.without_them.value.is_some());
    let shown = || drawn.clone().take(MOST_ROWS);
    shown().next()?;
    let many = count(found.readings.len(), "questioned reading", "questioned readings");
    let title = match found.headlines.iter().find(|h| h.changes) {
        Some(other) => format!(
            "Without {many}, {} would be {}",
            plain(&other.about),
            other.without_them.conclusion
        ),
        None => format!("Leaving out {many} changes no conclusion"),
    };
    let groups = vec![
        (
            "With all readings".to_owned(),
            shown().filter_map(|h| row(&h.about, &h.with_all)).collect(),
        ),
        (
            format!("Without {many}"),
            shown().filter_map(|h| row(&h.about, &h.without_them)).collect(),
        ),
    ];
    Some(draw(response, "without-questioned", title, groups, voice))
}
