//! The uncertainty of a stated result in words, a table and a ranked figure.
//!
//! In:  the uncertainty of one response, and the `Voice` that names things.
//! Out: sentences for the head of the report, and a section.

use std::fmt::Write as _;

use crate::analysis::{SimulationFinding, SourceFinding, UncertaintyFinding};
use crate::chart::{BarRow, BarsChart, Head};

use super::Picture;
use super::document::{Block, Cell, Section, Table};
use super::figures::picture;
use super::number::{self, NBSP, Place, degrees, fixed, percent, significant, thousands, with_unit};
use super::sections::section;
use super::words::{Voice, capital, listed, plain, several};

/// The stated uncertainty at its own digits.
fn stated(found: &UncertaintyFinding, voice: &Voice) -> String {
    let place = Place(Place::of_digits(found.expanded, 2).0.max(0));
    let text = fixed(found.stated, place);
    with_unit(&format!("±{NBSP}{text}"), &voice.unit)
}

fn place_of(found: &UncertaintyFinding) -> Place {
    Place::of_error(found.standard).unwrap_or(Place(3))
}

/// What a stated result averages: `the mean of 10 readings, from 1 session and 1 run`.
fn of_what(found: &UncertaintyFinding) -> String {
    let readings = found.result_of.get("reading").copied().unwrap_or(1);
    let many: Vec<String> = found
        .result_of
        .iter()
        .filter(|(name, count)| *name != "reading" && **count > 1)
        .map(|(name, count)| format!("{count}{NBSP}{}", several(&plain(name))))
        .collect();
    let over = if many.is_empty() {
        String::new()
    } else {
        format!(" over {}", listed(&many))
    };
    match readings {
        1 => format!("single reading{over}"),
        n => format!("mean of {n}{NBSP}readings{over}"),
    }
}

/// The largest sources by share, one or two of them.
fn largest(found: &UncertaintyFinding) -> Vec<&SourceFinding> {
    let mut sources: Vec<&SourceFinding> = found.sources.iter().filter(|s| s.share.is_some()).collect();
    sources.sort_by(|a, b| b.contribution.total_cmp(&a.contribution));
    sources.truncate(2);
    sources.retain(|s| s.share.unwrap_or(0.0) >= 0.1);
    sources
}

/// Sentences: the uncertainty, its largest sources, and what a simulation has against it.
pub(super) fn answers(found: &UncertaintyFinding, voice: &Voice) -> Vec<String> {
    let df = match found.df {
        Some(df) if df < 1e4 => format!(", {} effective degrees of freedom", degrees(df.floor())),
        _ => String::new(),
    };
    let mut said = vec![format!(
        "A stated result ({}) is uncertain by {} (coverage {}, factor k{NBSP}={NBSP}{}{df}).",
        of_what(found),
        stated(found, voice),
        number::confidence(found.coverage),
        fixed(found.factor, Place(2)),
    )];
    said.extend(ranking(found));
    said.extend(doubtful(found, voice));
    said
}

fn ranking(found: &UncertaintyFinding) -> Option<String> {
    let largest = largest(found);
    let first = largest.first()?;
    let share = |source: &SourceFinding| {
        format!(
            "{} ({} of its variance)",
            plain(&source.name),
            percent(source.share.unwrap_or(0.0))
        )
    };
    let how = if first.anew.is_empty() {
        "which all readings of a result share: more of them do not make it smaller"
    } else {
        "which averaging makes smaller"
    };
    let then = largest
        .get(1)
        .map_or_else(String::new, |second| format!("; then {}", share(second)));
    Some(format!("Most of it comes from {}, {how}{then}.", share(first)))
}

/// What the simulation says where it does not simply agree.
fn doubtful(found: &UncertaintyFinding, voice: &Voice) -> Option<String> {
    let simulation = found.simulation.as_ref()?;
    if simulation.agrees {
        return None;
    }
    let place = place_of(found);
    let (low, high) = (simulation.low - found.value, simulation.high - found.value);
    Some(format!(
        "Drawing the same equation {} times gives {} to {} about the result, where the budget gives {} to {}: state the drawn \
         interval where the last digit counts.",
        thousands(simulation.trials as u64),
        fixed(low, place),
        with_unit(&fixed(high, place), &voice.unit),
        fixed(-found.expanded, place),
        with_unit(&fixed(found.expanded, place), &voice.unit),
    ))
}

/// The section.
pub(super) fn report(response: &str, found: &UncertaintyFinding, voice: &Voice) -> Section {
    let mut blocks = vec![
        Block::paragraph(intro(found, voice)),
        Block::Figure(ranked(response, found, voice)),
    ];
    blocks.push(Block::Table(budget(response, found, voice)));
    blocks.push(Block::Table(origins(response, found)));
    if let Some(simulation) = &found.simulation {
        blocks.push(Block::paragraph(simulated(found, simulation, voice)));
    }
    if !found.options.is_empty() {
        blocks.push(Block::Table(options(response, found, voice)));
    }
    section("uncertainty", "How uncertain a stated result is", blocks)
}

fn intro(found: &UncertaintyFinding, voice: &Voice) -> String {
    let mut text = if found.equation.is_empty() {
        "The stated result is the sum of the sources below.".to_owned()
    } else {
        format!("Measurement equation: result = {}.", found.equation)
    };
    let place = place_of(found);
    let combined = with_unit(&fixed(found.standard, place), &voice.unit);
    let _ = write!(
        text,
        " Combined standard uncertainty {combined}; times the factor {} it is {}, stated as {}.",
        fixed(found.factor, Place(2)),
        with_unit(&fixed(found.expanded, Place(place.0 + 1)), &voice.unit),
        stated(found, voice)
    );
    if found.shift.abs() > 0.05 * found.standard {
        let _ = write!(
            text,
            " The equation is curved: its mean lies {} off its value at the estimates, which is corrected for.",
            with_unit(&fixed(found.shift, place), &voice.unit)
        );
    }
    for pair in &found.correlations {
        let why = if pair.why.is_empty() {
            String::new()
        } else {
            format!(" ({})", pair.why.trim_end_matches('.'))
        };
        let _ = write!(
            text,
            " {} and {} go together with a correlation of {}{why}.",
            capital(&plain(&pair.first)),
            plain(&pair.second),
            significant(pair.correlation, 3)
        );
    }
    text
}

fn kind(source: &SourceFinding) -> String {
    if source.anew.is_empty() {
        "shared by all readings".to_owned()
    } else {
        let with: Vec<String> = source.anew.iter().map(|name| plain(name)).collect();
        format!("new with each {}", with.join(" and "))
    }
}

fn ranked(response: &str, found: &UncertaintyFinding, voice: &Voice) -> Picture {
    let place = place_of(found);
    let mut sources: Vec<&SourceFinding> = found.sources.iter().collect();
    sources.sort_by(|a, b| b.contribution.total_cmp(&a.contribution));
    let row = |source: &SourceFinding| BarRow {
        label: capital(&plain(&source.name)),
        remark: kind(source),
        size: source.contribution,
        text: match source.share {
            Some(share) => format!("{} ({})", fixed(source.contribution, place), percent(share)),
            None => fixed(source.contribution, place),
        },
        hatched: !source.anew.is_empty(),
    };
    let title = match (largest(found).first(), found.correlations.is_empty()) {
        (Some(first), _) => format!(
            "{} makes a result most uncertain: {} of the variance",
            capital(&plain(&first.name)),
            percent(first.share.unwrap_or(0.0))
        ),
        (None, true) => "No source of uncertainty stands out".to_owned(),
        (None, false) => "Sources that go together make the result uncertain".to_owned(),
    };
    let rows: Vec<BarRow> = sources.iter().map(|s| row(s)).collect();
    let spoken: Vec<String> = rows.iter().map(|row| format!("{}: {}", row.label, row.text)).collect();
    let chart = BarsChart {
        axis: match voice.unit.as_str() {
            "" => "standard uncertainty in one result".to_owned(),
            unit => format!("standard uncertainty in one result ({unit})"),
        },
        rows,
        whole: BarRow {
            label: "All together".to_owned(),
            remark: "combined standard uncertainty".to_owned(),
            size: found.standard,
            text: fixed(found.standard, place),
            hatched: false,
        },
    };
    let head = Head {
        name: format!("{response}-uncertainty"),
        description: format!("{title}. Contributions: {}.", spoken.join("; ")),
        title,
    };
    let caption = "Bars: what each source brings to the standard uncertainty of one result. Hatched: averaging makes it smaller; \
                   plain: all readings of a result share it. Squares add up, the bars do not."
        .to_owned();
    picture(chart.draw(&head), caption)
}

fn budget(response: &str, found: &UncertaintyFinding, voice: &Voice) -> Table {
    let place = Place(place_of(found).0 + 1);
    let mut sources: Vec<&SourceFinding> = found.sources.iter().collect();
    sources.sort_by(|a, b| b.contribution.total_cmp(&a.contribution));
    let rows = sources
        .iter()
        .map(|source| {
            let unit = if source.unit == voice.unit {
                String::new()
            } else {
                format!(" {}", source.unit)
            };
            vec![
                Cell::words(capital(&plain(&source.name))),
                Cell::words(format!("{}, {}", source.evaluation, source.shape)),
                Cell::number(format!("{}{unit}", significant(source.standard, 3)), source.standard),
                Cell::maybe(source.df, degrees),
                Cell::count(source.averaged),
                Cell::number(significant(source.sensitivity, 3), source.sensitivity),
                Cell::number(fixed(source.contribution, place), source.contribution),
                Cell::maybe(source.share, percent),
            ]
        })
        .collect();
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    let mut remark = format!(
        "Contribution: |c| u/√n, n the number averaged (1 for what all readings share). Combined standard uncertainty: root of \
         the sum of the squared contributions, {}.",
        fixed(found.standard, place)
    );
    if found.correlated_variance != 0.0 {
        let _ = write!(
            remark,
            " Correlation changes the sum by {}.",
            significant(found.correlated_variance, 3)
        );
    }
    if found.pairs_variance.abs() > 1e-4 * found.standard * found.standard {
        let _ = write!(
            remark,
            " Products of two sources in the equation add {} to the sum of squares.",
            significant(found.pairs_variance, 2)
        );
    }
    match found.df {
        Some(df) => {
            let _ = write!(
                remark,
                " Effective degrees of freedom (Welch and Satterthwaite) {}, rounded down for the factor.",
                degrees(df)
            );
        }
        None => remark.push_str(" All sources are taken as known, so the factor is that of a normal distribution."),
    }
    remark.push_str(" A: from statistics of readings; B: from other knowledge. Degrees of freedom – : taken as known.");
    for source in &sources {
        if source.contribution > 0.0 && (source.sensitivity * source.standard).abs() < 1e-6 * source.contribution {
            let _ = write!(
                remark,
                " {}: the equation has no slope in it, so its curvature counts: half of it times u² times a factor of the shape \
                 (1.41 normal, 1.18 triangular, 0.89 rectangular).",
                capital(&plain(&source.name))
            );
        }
        if let Some(note) = &source.note {
            let _ = write!(
                remark,
                " {}: {}.",
                capital(&plain(&source.name)),
                note.trim_end_matches('.')
            );
        }
    }
    Table::new(
        format!("{response}-uncertainty-budget"),
        format!("Uncertainty budget of a stated result, {}{unit}", of_what(found)),
        &[
            "Source",
            "Type, shape",
            ">Standard uncertainty (u)",
            ">Degrees of freedom",
            ">Averaged (n)",
            ">Sensitivity (c)",
            ">Contribution",
            ">Share of variance",
        ],
    )
    .group("", rows)
    .remark(remark)
}

/// What the sources are, and where their numbers come from.
fn origins(response: &str, found: &UncertaintyFinding) -> Table {
    let rows = found
        .sources
        .iter()
        .map(|source| {
            let origin = capital(source.origin.trim_end_matches('.'));
            vec![
                Cell::words(capital(&plain(&source.name))),
                Cell::words(match source.what.trim_end_matches('.') {
                    "" => origin,
                    what => format!("{what}; {}", source.origin),
                }),
                Cell::words(capital(&kind(source))),
            ]
        })
        .collect();
    Table::new(
        format!("{response}-uncertainty-sources"),
        "Where the numbers of the budget come from",
        &["Source", "What it is; where its numbers come from", "How it averages"],
    )
    .group("", rows)
}

fn simulated(found: &UncertaintyFinding, simulation: &SimulationFinding, voice: &Voice) -> String {
    let place = Place(place_of(found).0 + 1);
    let off = |value: f64| fixed(value - found.value, place);
    let mut text = format!(
        "Check by simulation: the same equation drawn {} times from these distributions has a standard deviation of {}, and \
         {} of the values lie from {} to {} about the stated one",
        thousands(simulation.trials as u64),
        with_unit(&fixed(simulation.standard_deviation, place), &voice.unit),
        number::confidence(found.coverage),
        off(simulation.low),
        with_unit(&off(simulation.high), &voice.unit),
    );
    if (simulation.shortest_low - simulation.low).abs() > 2.0 * simulation.tolerance {
        let _ = write!(
            text,
            " (shortest such interval: {} to {})",
            off(simulation.shortest_low),
            off(simulation.shortest_high)
        );
    }
    let _ = write!(
        text,
        ". The budget gives {} to {}: ",
        fixed(-found.expanded, place),
        fixed(found.expanded, place)
    );
    let tolerance = with_unit(&significant(simulation.tolerance, 1), &voice.unit);
    if simulation.agrees {
        let _ = write!(text, "both agree within {tolerance}, half a unit of the last digit.");
    } else {
        let _ = write!(
            text,
            "they differ by more than {tolerance}, half a unit of the last digit, so the drawn interval is the better one."
        );
    }
    if !simulation.steady {
        let reach = simulation.reach.map_or_else(String::new, |reach| {
            format!(" (known within {})", with_unit(&significant(reach, 2), &voice.unit))
        });
        let _ = write!(text, " That many trials did not settle its last digit{reach}.");
    }
    if simulation.undefined > 0 {
        let _ = write!(
            text,
            " In {} trials the equation had no value: the distributions reach where it does not hold.",
            thousands(simulation.undefined as u64)
        );
    }
    text
}

fn options(response: &str, found: &UncertaintyFinding, voice: &Voice) -> Table {
    let place = Place(place_of(found).0 + 1);
    let row = |what: String, standard: f64, expanded: f64| {
        vec![
            Cell::words(what),
            Cell::number(fixed(standard, place), standard),
            Cell::number(format!("±{NBSP}{}", fixed(expanded, place)), expanded),
            Cell::number(
                percent(1.0 - expanded / found.expanded),
                1.0 - expanded / found.expanded,
            ),
        ]
    };
    let mut rows = vec![row("As it is".to_owned(), found.standard, found.expanded)];
    rows.extend(
        found
            .options
            .iter()
            .map(|o| row(capital(&o.change), o.standard, o.expanded)),
    );
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    Table::new(
        format!("{response}-uncertainty-options"),
        format!("What would make a result less uncertain{unit}"),
        &[
            "Change",
            ">Standard uncertainty",
            ">Expanded uncertainty",
            ">Smaller by",
        ],
    )
    .group("", rows)
    .remark("Everything else as in the budget; the largest gain first.")
}

/// Values that a note may pull in.
pub(super) fn values(name: &str, found: &UncertaintyFinding, voice: &Voice, add: &mut dyn FnMut(String, String)) {
    let place = place_of(found);
    let at = |what: &str| format!("{name}.uncertainty.{what}");
    add(at("standard"), with_unit(&fixed(found.standard, place), &voice.unit));
    add(at("expanded"), stated(found, voice));
    add(at("factor"), fixed(found.factor, Place(2)));
    for source in &found.sources {
        let at = format!("{name}.uncertainty.source.{}", source.name);
        add(
            format!("{at}.contribution"),
            with_unit(&fixed(source.contribution, place), &voice.unit),
        );
        if let Some(share) = source.share {
            add(format!("{at}.share"), percent(share));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::super::words::trial::{said, voice};
    use super::*;

    fn source(name: &str, contribution: f64, share: f64, anew: &[&str]) -> SourceFinding {
        SourceFinding {
            name: name.to_owned(),
            what: String::new(),
            origin: "declared in the protocol".to_owned(),
            evaluation: "B".to_owned(),
            shape: "rectangular".to_owned(),
            unit: "Shore D".to_owned(),
            value: 0.0,
            standard: contribution,
            df: None,
            anew: anew.iter().map(|&a| a.to_owned()).collect(),
            averaged: 1,
            sensitivity: 1.0,
            contribution,
            share: Some(share),
            note: None,
        }
    }

    fn found(agrees: bool) -> UncertaintyFinding {
        UncertaintyFinding {
            equation: String::new(),
            result_of: BTreeMap::from([("reading".to_owned(), 10), ("session".to_owned(), 1)]),
            sources: vec![
                source("reading", 0.19, 0.08, &["reading"]),
                source("calibration_tolerance", 0.577, 0.77, &[]),
            ],
            correlations: Vec::new(),
            value: 60.0,
            shift: 0.0,
            standard: 0.658,
            fresh: 0.19,
            shared: 0.63,
            correlated_variance: 0.0,
            pairs_variance: 0.0,
            df: Some(1305.2),
            coverage: 0.95,
            factor: 1.9618,
            expanded: 1.291,
            stated: 1.3,
            simulation: Some(SimulationFinding {
                trials: 200_000,
                undefined: 0,
                mean: 60.0,
                standard_deviation: 0.66,
                low: 58.81,
                high: 61.19,
                shortest_low: 58.81,
                shortest_high: 61.19,
                reach: Some(0.004),
                steady: true,
                tolerance: 0.005,
                agrees,
            }),
            options: Vec::new(),
        }
    }

    #[test]
    fn the_uncertainty_is_stated_with_factor_and_sources() {
        let voice = voice(None);
        let answers: Vec<String> = answers(&found(true), &voice).iter().map(|s| said(s)).collect();
        assert_eq!(
            answers,
            [
                "A stated result (mean of 10 readings) is uncertain by ± 1.3 Shore D (coverage 95 %, factor k = 1.96, 1305 \
                 effective degrees of freedom).",
                "Most of it comes from calibration tolerance (77 % of its variance), which all readings of a result share: \
                 more of them do not make it smaller.",
            ]
        );
    }

    #[test]
    fn a_simulation_that_differs_is_named() {
        let voice = voice(None);
        let last = answers(&found(false), &voice).pop().map(|s| said(&s));
        assert_eq!(
            last.as_deref(),
            Some(
                "Drawing the same equation 200,000 times gives −1.19 to 1.19 Shore D about the result, where the budget gives \
                 −1.29 to 1.29 Shore D: state the drawn interval where the last digit counts."
            )
        );
        let found = found(false);
        let text = said(&simulated(&found, found.simulation.as_ref().unwrap(), &voice));
        assert!(text.contains("they differ by more than 0.005 Shore D"), "{text}");
    }

    #[test]
    fn sources_that_average_are_said_to() {
        let mut found = found(true);
        found.sources[0].share = Some(0.9);
        found.sources[0].contribution = 0.7;
        found.sources[1].share = Some(0.05);
        assert_eq!(
            ranking(&found).map(|s| said(&s)).as_deref(),
            Some("Most of it comes from reading (90 % of its variance), which averaging makes smaller.")
        );
        found.sources.iter_mut().for_each(|s| s.share = None);
        assert_eq!(ranking(&found), None);
    }
}
