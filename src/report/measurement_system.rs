//! The section on a measurement system: tables, figures, rules.
//!
//! In:  the findings on the measurement system of each response, and the voice that names things.
//! Out: one section; without blocks where the protocol declares no measurement system.

use crate::analysis::{
    BiasFinding, LinearityFinding, MeasuredMean, MeasurementFinding, RatioFinding, ResponseFindings, StabilityFinding,
};
use crate::chart::{Across, AgainstChart, Curve, Head, Level, Mark, Series};

use super::document::{Block, Cell, Picture, Section, Table};
use super::figures::picture;
use super::measurement_words::{categories, in_percent, spread};
use super::number::{self, NBSP, Place, degrees, fixed, p_equals, percent, significant, with_unit};
use super::sections::{Responses, section};
use super::words::{self, Voice, capital, listed, plain, several};

/// Those who measure that still have a shape each.
const MOST_SHAPES: usize = 6;

/// The whole section.
pub(super) fn measurement(responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        let Some(study) = &found.measurement_system else {
            continue;
        };
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        blocks.extend(of_response(name, study, voice));
    }
    section("measurement-system", "How much of the spread is the measuring", blocks)
}

fn of_response(name: &str, found: &MeasurementFinding, voice: &Voice) -> Vec<Block> {
    let by: Vec<String> = found.by.iter().map(|b| plain(b)).collect();
    let design = if found.design == "nested" {
        format!(
            "each {} has {} of its own, so that a joint spread of the two cannot be seen",
            listed(&by),
            several(&plain(&found.part))
        )
    } else {
        format!(
            "the same {} come back to each {}",
            several(&plain(&found.part)),
            listed(&by)
        )
    };
    let pooled = if found.pooled {
        " The joint spread was pooled with the repeats, by the rule that the protocol fixed before data."
    } else {
        ""
    };
    let mut blocks = vec![
        Block::paragraph(format!(
            "{} {}, {} results: {design}. All of them stand for the many that they were taken from.{pooled}",
            capital(&words::spelled(found.parts).to_lowercase()),
            if found.parts == 1 {
                plain(&found.part)
            } else {
                several(&plain(&found.part))
            },
            found.results
        )),
        Block::Table(spreads(name, found, voice)),
        Block::Table(ratios(name, found, voice)),
    ];
    blocks.extend(agreement(name, found, voice).map(Block::Figure));
    blocks.extend(squares(name, found).map(Block::Table));
    blocks.extend(bias_figure(name, found, voice).map(Block::Figure));
    blocks.extend(biases(name, found, voice).map(Block::Table));
    for (place, stable) in found.stability.iter().enumerate() {
        blocks.push(Block::Figure(stability(name, place, stable, voice)));
    }
    blocks.push(Block::Table(means(name, found, voice)));
    blocks.push(Block::heading("Rules, assumptions and caveats"));
    blocks.push(Block::list(rules(found, voice)));
    blocks
}

/// The spreads as one table; none without a study of a measurement system.
pub(super) fn spreads_of(name: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    found.measurement_system.as_ref().map(|m| spreads(name, m, voice))
}

fn spreads(name: &str, found: &MeasurementFinding, voice: &Voice) -> Table {
    let whole = found.total.as_ref().map_or(0.0, |t| t.value * t.value);
    let row = |label: &str, s: Option<&crate::analysis::SpreadFinding>| {
        let Some(s) = s else {
            return vec![
                Cell::words(label),
                Cell::words("cannot be told"),
                Cell::words("–"),
                Cell::words("–"),
                Cell::words("–"),
            ];
        };
        let text = spread(s);
        let (value, interval) = text.split_once(" (").unwrap_or((&text, ""));
        let interval = interval.trim_end_matches(')').replace(' ', "\u{a0}");
        let share = |v: f64, f: &dyn Fn(f64) -> f64| {
            if whole > 0.0 {
                Cell::number(percent(f(v)), f(v))
            } else {
                Cell::words("–")
            }
        };
        vec![
            Cell::words(label),
            Cell::number(value, s.value),
            Cell::words(interval),
            share(s.value, &|v| v * v / whole),
            share(s.value, &|v| v / whole.sqrt()),
        ]
    };
    let by: Vec<String> = found.by.iter().map(|b| plain(b)).collect();
    let rows = vec![
        row("Repeats (repeatability)", found.repeatability.as_ref()),
        row(
            &format!("{} (reproducibility)", capital(&listed(&by))),
            found.reproducibility.as_ref(),
        ),
        row("Measuring, both together", found.measuring.as_ref()),
        row(&capital(&several(&plain(&found.part))), found.product.as_ref()),
        row("All together", found.total.as_ref()),
    ];
    let interval = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Source",
        ">Standard deviation",
        &interval,
        ">Share of the variance",
        ">Ratio of standard deviations",
    ];
    let caption = match voice.unit.as_str() {
        "" => format!("Where the spread of one result of {} comes from", plain(name)),
        unit => format!(
            "Where the spread of one result of {} comes from, in {unit}",
            plain(name)
        ),
    };
    Table::new(format!("{name}-measuring"), caption, &columns)
        .group("", rows)
        .remark(
            "Shares of the variance add up to the whole, ratios of standard deviations do not: 30 % of the standard deviation \
             is 9 % of the variance.",
        )
}

fn ratios(name: &str, found: &MeasurementFinding, voice: &Voice) -> Table {
    let mut rows = Vec::new();
    let mut row = |label: String, ratio: Option<&RatioFinding>, print: &dyn Fn(&RatioFinding) -> String, post: &str| {
        rows.push(vec![
            Cell::words(label),
            match ratio {
                Some(ratio) => Cell::number(print(ratio).replace(' ', "\u{a0}"), ratio.value),
                None => Cell::words("cannot be told"),
            },
            Cell::words(post),
        ]);
    };
    let tenths = "under 10 % good; to 30 % by use and cost; above poor";
    row(
        "Measuring over all, standard deviations".to_owned(),
        found.spread_ratio.as_ref(),
        &in_percent,
        tenths,
    );
    if let Some((low, high)) = found.tolerance {
        let label = format!(
            "{} times the measuring over the tolerance width {}",
            number::exact(found.multiple),
            significant(high - low, 4)
        );
        row(label, found.to_tolerance.as_ref(), &in_percent, tenths);
    }
    row(
        "Groups told apart, √2 times parts over measuring, rounded down".to_owned(),
        found.categories.as_ref(),
        &categories,
        "five or more",
    );
    let value = format!(">Value ({})", voice.interval_name());
    Table::new(
        format!("{name}-measuring-ratios"),
        "The measuring against the product and the tolerance",
        &["Figure", &value, "Common guidepost"],
    )
    .group("", rows)
    .remark(format!(
        "Guideposts are common practice, no pass marks. The first and the last depend on which {} were taken: they mean little \
         unless these span what production makes.",
        several(&plain(&found.part))
    ))
}

/// The analysis of variance behind the spreads.
fn squares(name: &str, found: &MeasurementFinding) -> Option<Table> {
    if found.layers.is_empty() {
        return None;
    }
    let rows = found
        .layers
        .iter()
        .map(|l| {
            vec![
                Cell::words(capital(&plain(&l.source).replace("× ", "×\u{a0}"))),
                Cell::words(l.part_of.as_str()),
                l.df.map_or_else(|| Cell::words("–"), Cell::count),
                Cell::maybe(l.sum_of_squares, |v| significant(v, 5)),
                Cell::maybe(l.mean_square, |v| significant(v, 5)),
                Cell::maybe(l.variance, |v| significant(v, 4)),
                l.spread.as_ref().map_or_else(
                    || Cell::words("–"),
                    |s| Cell::number(spread(s).replace(' ', "\u{a0}"), s.value),
                ),
            ]
        })
        .collect();
    let columns = [
        "Layer",
        "Part of",
        ">Degrees of freedom (df)",
        ">Sum of squares (SS)",
        ">Mean square (MS)",
        ">Variance",
        ">Standard deviation",
    ];
    let joint = found.p_joint.map_or_else(String::new, |p| {
        format!(
            " Joint spread of parts and those who measure against the repeats: {}.",
            p_equals(p)
        )
    });
    Some(
        Table::new(
            format!("{name}-measuring-layers"),
            "The layers of spread, and the mean squares behind them",
            &columns,
        )
        .group("", rows)
        .remark(format!(
            "By hand: the variance of the repeats is their mean square; that of a layer is its mean square less that of the layers \
             around it, over the number of results in one of its cells. A negative variance says that the layer is not told apart \
             from zero; it counts as 0 in sums.{joint}"
        )),
    )
}

/// Do those who measure agree on every part? Each mean less the mean of its part.
fn agreement(name: &str, found: &MeasurementFinding, voice: &Voice) -> Option<Picture> {
    if found.design == "nested" || found.cells.is_empty() {
        return None;
    }
    let mut parts: Vec<(&str, f64)> = Vec::new();
    for cell in &found.cells {
        if !parts.iter().any(|(part, _)| *part == cell.part) {
            let own: Vec<&MeasuredMean> = found.cells.iter().filter(|c| c.part == cell.part).collect();
            let mean = own.iter().map(|c| c.mean).sum::<f64>() / own.len() as f64;
            parts.push((&cell.part, mean));
        }
    }
    // From the lowest to the highest, so that a disagreement along the scale shows as a slope.
    parts.sort_by(|a, b| a.1.total_cmp(&b.1));
    let marks = |by: Option<&str>| -> Vec<Mark> {
        found
            .cells
            .iter()
            .filter(|c| by.is_none_or(|by| c.by == by))
            .filter_map(|c| {
                let place = parts.iter().position(|(part, _)| *part == c.part)?;
                let mean = parts[place].1;
                Some(Mark {
                    x: place as f64,
                    y: c.mean - mean,
                    interval: (c.n > 1).then_some((c.lowest - mean, c.highest - mean)),
                })
            })
            .collect()
    };
    let series: Vec<Series> = if found.by_means.len() <= MOST_SHAPES {
        found
            .by_means
            .iter()
            .map(|m| Series {
                label: m.by.clone(),
                marks: marks(Some(&m.by)),
            })
            .collect()
    } else {
        vec![Series {
            label: String::new(),
            marks: marks(None),
        }]
    };
    let part = plain(&found.part);
    let lowest = found.by_means.iter().min_by(|a, b| a.mean.total_cmp(&b.mean));
    let highest = found.by_means.iter().max_by(|a, b| a.mean.total_cmp(&b.mean));
    let apart = lowest.zip(highest).filter(|(l, h)| l.by != h.by).map(|(l, h)| {
        format!(
            "{} reads lowest and {} highest, {} apart on average",
            capital(&l.by),
            h.by,
            with_unit(&significant(h.mean - l.mean, 2), &voice.unit)
        )
    });
    let joint = match found.p_joint {
        Some(p) if p <= 1.0 - voice.confidence => format!("; who reads higher depends on the {part}"),
        _ => String::new(),
    };
    let title = format!(
        "{}{joint}",
        apart.unwrap_or_else(|| format!("Only one measured each {part}"))
    );
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", voice.unit)
    };
    let chart = AgainstChart {
        axis: format!("Mean less the mean of the {part}{unit}"),
        across: format!("{part}, from the lowest mean to the highest"),
        along: Across::Names(parts.iter().map(|(part, _)| (*part).to_owned()).collect()),
        series,
        curves: Vec::new(),
        levels: vec![Level {
            y: 0.0,
            label: String::new(),
            strong: true,
        }],
        band: None,
    };
    let spoken: Vec<String> = found
        .by_means
        .iter()
        .map(|m| format!("{}: mean {}", m.by, significant(m.mean, 4)))
        .collect();
    let head = Head {
        name: format!("{name}-agreement"),
        description: format!("{title}. {}.", spoken.join("; ")),
        title,
    };
    let caption = format!(
        "Marks: mean of one who measures on one {part}, less the mean of all on it; lines: from the lowest to the highest repeat. \
         Marks of one shape at the same height all along: those who measure differ alike on every {part}."
    );
    Some(picture(chart.draw(&head), caption))
}

fn bias_figure(name: &str, found: &MeasurementFinding, voice: &Voice) -> Option<Picture> {
    if found.bias.len() < 2 {
        return None;
    }
    let marks = found
        .bias
        .iter()
        .map(|b| Mark {
            x: b.reference,
            y: b.bias,
            interval: b.low.zip(b.high),
        })
        .collect();
    let curve = |label: &str, dashed: bool, f: fn(&(f64, f64, f64, f64)) -> f64, l: &LinearityFinding| Curve {
        label: label.to_owned(),
        points: l.band.iter().map(|b| (b.0, f(b))).collect(),
        dashed,
    };
    // A band from one degree of freedom is far wider than anything else in the figure; the table has its ends.
    let curves = found.linearity.as_ref().map_or_else(Vec::new, |l| {
        let mut all = vec![curve("line through the biases", false, |b| b.1, l)];
        if l.df > 1.0 {
            all.push(curve(&voice.interval_name(), true, |b| b.2, l));
            all.push(curve("", true, |b| b.3, l));
        }
        all
    });
    let off: Vec<&BiasFinding> = found
        .bias
        .iter()
        .filter(|b| b.low.is_some_and(|l| l > 0.0) || b.high.is_some_and(|h| h < 0.0))
        .collect();
    let title = match off.iter().max_by(|a, b| a.bias.abs().total_cmp(&b.bias.abs())) {
        Some(most) => {
            let word = if most.bias > 0.0 { "above" } else { "below" };
            format!(
                "The measuring reads {} {word} the accepted value on {}",
                with_unit(
                    &fixed(most.bias.abs(), words::place(most.bias, most.standard_error)),
                    &voice.unit
                ),
                most.label
            )
        }
        None => "No bias is told apart from zero".to_owned(),
    };
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", voice.unit)
    };
    let chart = AgainstChart {
        axis: format!("Bias{unit}"),
        across: format!("accepted value of the reference{unit}"),
        along: Across::Numbers,
        series: vec![Series {
            label: String::new(),
            marks,
        }],
        curves,
        levels: vec![Level {
            y: 0.0,
            label: "0".to_owned(),
            strong: true,
        }],
        band: voice.relevant.map(|r| {
            (
                -r,
                r,
                format!(
                    "less than the {} that matter",
                    with_unit(&number::exact(r), &voice.unit)
                ),
            )
        }),
    };
    let spoken: Vec<String> = found
        .bias
        .iter()
        .map(|b| format!("{}: {}", b.label, fixed(b.bias, words::place(b.bias, b.standard_error))))
        .collect();
    let head = Head {
        name: format!("{name}-bias"),
        description: format!("{title}. {}.", spoken.join("; ")),
        title,
    };
    let caption = format!(
        "Marks: mean of the readings on a reference less its accepted value; lines: {}.",
        voice.interval_name()
    );
    Some(picture(chart.draw(&head), caption))
}

fn biases(name: &str, found: &MeasurementFinding, voice: &Voice) -> Option<Table> {
    if found.bias.is_empty() {
        return None;
    }
    let ends = |low: Option<f64>, high: Option<f64>, place: Place| {
        low.zip(high).map_or_else(
            || "–".to_owned(),
            |(low, high)| Voice::interval(low, high, place).replace(' ', "\u{a0}"),
        )
    };
    let rows = found
        .bias
        .iter()
        .map(|b| {
            let place = words::place(b.bias, b.standard_error);
            vec![
                Cell::words(b.label.as_str()),
                Cell::number(number::exact(b.reference), b.reference),
                Cell::number(number::exact(b.uncertainty), b.uncertainty),
                Cell::words(if b.source.is_empty() { "not stated" } else { &b.source }),
                Cell::count(b.n),
                Cell::number(fixed(b.bias, place), b.bias),
                Cell::maybe(b.standard_error, |s| fixed(s, place)),
                Cell::maybe(b.df, degrees),
                Cell::words(ends(b.low, b.high, place)),
            ]
        })
        .collect();
    let interval = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Reference",
        ">Accepted value",
        ">Its standard error",
        "Where from",
        ">Results (n)",
        ">Bias",
        ">Standard error",
        ">df",
        &interval,
    ];
    let line = found.linearity.as_ref().map_or_else(String::new, |l| {
        let place = words::place(l.slope, l.standard_error);
        let ends = l
            .band
            .first()
            .zip(l.band.last())
            .map_or_else(String::new, |(first, last)| {
                let at = |b: &(f64, f64, f64, f64)| {
                    format!(
                        "{} ({} to {})",
                        significant(b.1, 3),
                        significant(b.2, 3),
                        significant(b.3, 3)
                    )
                };
                format!(
                    "; at the lowest reference it gives {} and at the highest {}",
                    at(first),
                    at(last)
                )
            });
        format!(
            " Line through the biases, one point a reference: {} at {}, slope {} on {} degrees of freedom{ends}.",
            significant(l.at_mean, 3),
            significant(l.mean, 4),
            fixed(l.slope, place),
            degrees(l.df)
        )
    });
    Some(
        Table::new(format!("{name}-bias"), format!("Bias of {} on references", plain(name)), &columns)
            .group("", rows)
            .remark(format!(
                "Where several measured a reference, the bias is judged by the spread of their means: readings of one share that \
                 one's bias. The standard error holds that of the accepted value.{line}"
            )),
    )
}

fn stability(name: &str, place: usize, found: &StabilityFinding, voice: &Voice) -> Picture {
    let over = plain(&found.over);
    let title = match found.outside.as_slice() {
        [] => format!("No check of {} lies outside the limits", found.label),
        outside => format!(
            "{}: outside the limits at {over} {}",
            capital(&found.label),
            listed(outside)
        ),
    };
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", voice.unit)
    };
    let line = |y: f64, label: &str, strong: bool| Level {
        y,
        label: label.to_owned(),
        strong,
    };
    let chart = AgainstChart {
        axis: format!("Mean of the check{unit}"),
        across: over.clone(),
        along: Across::Names(found.checks.iter().map(|(label, _)| label.clone()).collect()),
        series: vec![Series {
            label: String::new(),
            marks: found
                .checks
                .iter()
                .enumerate()
                .map(|(x, (_, y))| Mark {
                    x: x as f64,
                    y: *y,
                    interval: None,
                })
                .collect(),
        }],
        curves: Vec::new(),
        levels: vec![
            line(found.mean, "mean", true),
            line(found.low, "limit", false),
            line(found.high, "limit", false),
        ],
        band: None,
    };
    let spoken: Vec<String> = found
        .checks
        .iter()
        .map(|(label, value)| format!("{over} {label}: {}", significant(*value, 4)))
        .collect();
    let head = Head {
        name: format!("{name}-stability-{}", place + 1),
        description: format!("{title}. {}.", spoken.join("; ")),
        title,
    };
    let caption = format!(
        "Marks: mean of the readings of a check. Limits: mean ±{NBSP}2.66 times the mean distance of a check from the one before, \
         {} (common practice).",
        with_unit(&significant(found.mean_step, 3), &voice.unit)
    );
    picture(chart.draw(&head), caption)
}

fn means(name: &str, found: &MeasurementFinding, voice: &Voice) -> Table {
    let row = |m: &MeasuredMean, label: &str| {
        vec![
            Cell::words(label),
            Cell::count(m.n),
            Cell::number(significant(m.mean, 5), m.mean),
            Cell::number(significant(m.lowest, 5), m.lowest),
            Cell::number(significant(m.highest, 5), m.highest),
        ]
    };
    let caption = match voice.unit.as_str() {
        "" => "Means by who measured".to_owned(),
        unit => format!("Means by who measured, in {unit}"),
    };
    // Nested parts with one number are different parts: they stand with those who measured them.
    let nested = found.design == "nested";
    let who = if nested { "Who and what" } else { "Who" };
    let columns = [who, ">Results (n)", ">Mean", ">Lowest", ">Highest"];
    let mut table = Table::new(format!("{name}-measured-means"), caption, &columns).dense();
    table = table.group("All parts", found.by_means.iter().map(|m| row(m, &m.by)).collect());
    let of_part = |cell: &MeasuredMean| format!("{} {}", plain(&found.part), cell.part);
    let head = |cell: &MeasuredMean| capital(&if nested { cell.by.clone() } else { of_part(cell) });
    let mut done: Vec<String> = Vec::new();
    for cell in &found.cells {
        let title = head(cell);
        if done.contains(&title) {
            continue;
        }
        let own = found
            .cells
            .iter()
            .filter(|c| head(c) == title)
            .map(|c| row(c, &if nested { of_part(c) } else { c.by.clone() }))
            .collect();
        table = table.group(&title, own);
        done.push(title);
    }
    table
}

fn rules(found: &MeasurementFinding, voice: &Voice) -> Vec<String> {
    let part = plain(&found.part);
    let mut items = vec![
        format!(
            "Components come from the mean squares of a balanced layout, their {}s by modified large samples, which are close and \
             not exact; where cells are uneven they come from the restricted likelihood, with profile intervals, and ratios then \
             have none.",
            voice.interval_name()
        ),
        "The interval of a ratio holds the values that the mean squares do not contradict.".to_owned(),
        format!(
            "Repeats include what varies within a {part}: where a reading uses up its place, the next one is taken beside it, and \
             repeatability is an upper bound."
        ),
        "Spreads are taken as equal for all parts and all who measure, and near normal.".to_owned(),
    ];
    if found
        .layers
        .iter()
        .any(|l| l.part_of == "measuring" && l.df.is_some_and(|df| df <= 2))
    {
        items.push(
            "With three or fewer who measure the spread between them is hardly known; more of them tell more than more repeats."
                .to_owned(),
        );
    }
    if found.bias.is_empty() {
        items.push("Bias was not determined: the protocol names no reference with readings.".to_owned());
    }
    if found.bias.len() == 2 {
        items.push("Two references give two biases and no linearity: that takes three.".to_owned());
    }
    items.extend(found.cannot_tell.iter().cloned());
    items
}
