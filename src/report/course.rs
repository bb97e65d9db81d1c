//! What the course of the study brought: what levels leave behind, and drift along the order of the runs.
//!
//! In:  one response's findings and the `Voice` that names things.
//! Out: sentences, tables and a figure.

use crate::analysis::{
    CarryOverFinding, ControlDriftFinding, CorrectedFinding, DriftFinding, EstimateFinding, ResponseFindings,
};
use crate::chart::{Across, AgainstChart, Curve, Head, Level, Mark, Series, SeriesChart, SeriesGroup};

use super::document::{Cell, Picture, Table};
use super::number::{self, Place, degrees, fixed, p_equals, p_value, significant, with_unit};
use super::words::{self, Voice, capital, listed, plain};

/// Differences between residues that are still said one by one.
const MOST_SAID: usize = 3;
/// Growth of a variance that is worth a sentence; common practice.
const GROWTH: f64 = 2.0;

/// Which way an interval points; `None` where it holds zero or is not there.
fn side(e: &EstimateFinding) -> Option<bool> {
    match (e.low, e.high) {
        (Some(low), _) if low > 0.0 => Some(true),
        (_, Some(high)) if high < 0.0 => Some(false),
        _ => None,
    }
}

/// `0.12 Shore D (95 % interval 0.01 to 0.23)`, turned round where `positive` is false.
fn measured(e: &EstimateFinding, positive: bool, voice: &Voice) -> String {
    let place = words::place(e.value, e.standard_error);
    let turn = |v: f64| if positive { v } else { -v };
    let value = with_unit(&fixed(turn(e.value), place), &voice.unit);
    match (e.low, e.high) {
        (Some(low), Some(high)) => {
            let (near, far) = if positive { (low, high) } else { (-high, -low) };
            format!(
                "{value} ({} {})",
                voice.interval_name(),
                Voice::interval(near, far, place)
            )
        }
        _ => format!("{value}; how certain it is cannot be told"),
    }
}

/// Everything the course of the study brought, in sentences.
#[must_use]
pub fn sentences(found: &ResponseFindings, voice: &Voice) -> Vec<String> {
    let mut said = Vec::new();
    for carried in &found.carry_over {
        said.extend(carry_over(carried, voice));
    }
    said.extend(found.drift.as_ref().map(|d| drift(d, voice)));
    said.extend(found.controls.iter().map(|c| control(c, voice)));
    said
}

fn carry_over(found: &CarryOverFinding, voice: &Voice) -> Vec<String> {
    let factor = plain(&found.factor);
    let mut said = Vec::new();
    if let Some(note) = &found.note {
        said.push(format!(
            "Whether {factor} carries over to the next run cannot be told: {note}."
        ));
    } else if found.residues.len() > MOST_SAID || found.residues.is_empty() {
        said.push(match (found.p, found.denominator_df) {
            (Some(p), Some(df)) => {
                let verdict = if p <= 1.0 - voice.confidence {
                    "what a run reads depends on the level before it"
                } else {
                    "undecided whether the level before moves a run"
                };
                format!(
                    "Carry-over of {factor}: {verdict} ({}, on {} and {} degrees of freedom).",
                    p_equals(p),
                    found.df,
                    degrees(df)
                )
            }
            _ => format!("Carry-over of {factor} has no error term, so nothing can be said of it."),
        });
    } else {
        for residue in &found.residues {
            let (to, from) = (
                voice.setting(&found.factor, &residue.to),
                voice.setting(&found.factor, &residue.from),
            );
            said.push(match side(&residue.difference) {
                Some(up) => format!(
                    "A run after {to} reads {} {} than a run after {from}: {factor} carries over.",
                    measured(&residue.difference, up, voice),
                    if up { "higher" } else { "lower" }
                ),
                None => format!(
                    "Carry-over of {factor} is undecided: a run after {to} differs from one after {from} by {}.",
                    measured(&residue.difference, true, voice)
                ),
            });
        }
    }
    let growth = found
        .changes
        .iter()
        .filter(|c| c.factor == found.factor)
        .filter_map(|c| c.inflation)
        .fold(0.0, f64::max);
    if growth >= GROWTH {
        said.push(format!(
            "In this order {factor} and its residue are hard to tell apart: with residue in the model the variance of the \
             difference grows {}-fold.",
            significant(growth, 2)
        ));
    }
    said.extend(turned(&found.changes, &format!("residue of {factor}"), voice));
    if let Some(series) = &found.wash_out {
        let moved: Vec<String> = series
            .after
            .iter()
            .filter_map(|after| {
                let up = side(&after.slope)?;
                Some(format!(
                    "After {} the readings of a run {} by {} from one to the next.",
                    voice.setting(&found.factor, &after.level),
                    if up { "climb" } else { "fall" },
                    measured(&after.slope, up, voice)
                ))
            })
            .collect();
        if moved.is_empty() {
            said.push(format!(
                "Within a run the readings are not seen to climb or fall steadily after any level of {factor}."
            ));
        }
        said.extend(moved);
        if let Some(length) = series.readings {
            let digits = |v: f64| significant(v, 2);
            let interval = match (series.readings_low, series.readings_high) {
                (Some(low), Some(high)) => format!("{} to {}", digits(low), digits(high)),
                (Some(low), None) => format!("{} or more", digits(low)),
                (None, Some(high)) => format!("{} or less", digits(high)),
                (None, None) => "not bounded".to_owned(),
            };
            let note = series
                .note
                .as_ref()
                .map_or_else(String::new, |note| format!("; {note}"));
            said.push(format!(
                "What {factor} leaves behind falls to 37{}% in {} readings ({} {interval}){note}.",
                number::NBSP,
                digits(length),
                voice.interval_name()
            ));
        } else if let Some(note) = &series.note
            && series.p.is_some_and(|p| p <= 1.0 - voice.confidence)
        {
            said.push(format!("No wash-out was fitted for {factor}: {note}."));
        }
    }
    said
}

/// The changes that come out otherwise with something else in the model.
fn turned(changes: &[CorrectedFinding], what: &str, voice: &Voice) -> Option<String> {
    let other: Vec<String> = changes
        .iter()
        .filter(|c| side(&c.uncorrected) != side(&c.corrected))
        .map(|c| {
            format!(
                "{} against {}: {}",
                voice.setting(&c.factor, &c.to),
                voice.level(&c.factor, &c.from),
                measured(&c.corrected, true, voice)
            )
        })
        .collect();
    (!other.is_empty()).then(|| {
        format!(
            "With {what} in the model these changes are decided otherwise than without: {}.",
            other.join("; ")
        )
    })
}

fn drift(found: &DriftFinding, voice: &Voice) -> String {
    let Some(over_all) = &found.over_all else {
        let note = found.note.as_deref().unwrap_or("the fit failed");
        return format!("Whether results drift along the order of the runs cannot be told: {note}.");
    };
    let mut text = match side(over_all) {
        Some(up) => format!(
            "Along the order of the runs the results {} by {} from the first run to the last.",
            if up { "climb" } else { "fall" },
            measured(over_all, up, voice)
        ),
        None if over_all.low.is_some() => format!(
            "Drift along the order of the runs is undecided: from the first run to the last {}.",
            measured(over_all, true, voice)
        ),
        None => "Drift along the order of the runs has no interval: nothing is left to judge it by.".to_owned(),
    };
    match turned(&found.changes, "the drift", voice) {
        Some(other) => text.extend([" ", other.as_str()]),
        None if !found.changes.is_empty() => text.push_str(" Corrected for it, every change is decided as before."),
        None => {}
    }
    text
}

fn control(found: &ControlDriftFinding, voice: &Voice) -> String {
    let name = plain(&found.control);
    if let Some(note) = &found.note {
        return format!("Whether {name} drifted cannot be told: {note}.");
    }
    let Some(over_all) = &found.over_all else {
        return format!("Whether {name} drifted cannot be told.");
    };
    let mut text = match side(over_all) {
        Some(up) => format!(
            "{} {} by {} from its first reading to its last.",
            capital(&name),
            if up { "climbs" } else { "falls" },
            measured(over_all, up, voice)
        ),
        None if over_all.low.is_some() => format!(
            "Drift of {name} is undecided: from its first reading to its last {}.",
            measured(over_all, true, voice)
        ),
        None => format!("Drift of {name}: {}.", measured(over_all, true, voice)),
    };
    match turned(&found.changes, &format!("the correction by {name}"), voice) {
        Some(other) => text.extend([" ", other.as_str()]),
        None if !found.changes.is_empty() => text.push_str(" Corrected by it, every change is decided as before."),
        None => {}
    }
    text
}

/// The tables: residues, series within runs, changes without and with each addition.
pub(super) fn tables(response: &str, found: &ResponseFindings, voice: &Voice) -> Vec<Table> {
    let mut all = Vec::new();
    all.extend(residues(response, found, voice));
    all.extend(series(response, found, voice));
    for carried in found.carry_over.iter().filter(|c| !c.changes.is_empty()) {
        let factor = plain(&carried.factor);
        all.push(changes(
            &format!("{response}-without-residue-of-{}", carried.factor),
            &format!(
                "Changes of {} without and with residue of {factor} in the model",
                plain(response)
            ),
            &carried.changes,
            voice,
        ));
    }
    if let Some(drift) = found.drift.as_ref().filter(|d| !d.changes.is_empty()) {
        all.push(changes(
            &format!("{response}-without-drift"),
            &format!(
                "Changes of {} without and with a drift along the run order in the model",
                plain(response)
            ),
            &drift.changes,
            voice,
        ));
    }
    for control in found.controls.iter().filter(|c| !c.changes.is_empty()) {
        let name = plain(&control.control);
        all.push(changes(
            &format!("{response}-corrected-by-{}", control.control),
            &format!("Changes of {} without and with correction by {name}", plain(response)),
            &control.changes,
            voice,
        ));
    }
    all
}

fn interval(e: &EstimateFinding, place: Place) -> Cell {
    match (e.low, e.high) {
        (Some(low), Some(high)) => Cell::words(Voice::interval(low, high, place).replace(' ', "\u{a0}")),
        _ => Cell::words("–"),
    }
}

fn residues(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    let rows: Vec<Vec<Cell>> = found
        .carry_over
        .iter()
        .flat_map(|c| c.residues.iter().map(move |r| (c, r)))
        .map(|(c, r)| {
            let e = &r.difference;
            let place = words::place(e.value, e.standard_error);
            vec![
                Cell::words(format!("after {}", voice.setting(&c.factor, &r.to))),
                Cell::words(format!("after {}", voice.setting(&c.factor, &r.from))),
                Cell::number(fixed(e.value, place), e.value),
                Cell::maybe(e.standard_error, |v| fixed(v, place)),
                Cell::maybe(e.df, degrees),
                interval(e, place),
                Cell::maybe(e.p, p_value),
            ]
        })
        .collect();
    if rows.is_empty() {
        return None;
    }
    let title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "A run",
        "against a run",
        ">Difference",
        ">Standard error",
        ">Degrees of freedom (df)",
        &title,
        ">p-value\u{a0}(p)",
    ];
    let chains: Vec<String> = found
        .carry_over
        .iter()
        .map(|c| {
            let end = match c.chain.as_str() {
                "" => "through the whole study".to_owned(),
                unit => format!("until a new {} is set up", plain(unit)),
            };
            format!(
                "{}: {} follow another, {end}.",
                capital(&plain(&c.factor)),
                words::count(c.followers, "run", "runs")
            )
        })
        .collect();
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    Some(
        Table::new(
            format!("{response}-residues"),
            format!("What levels leave behind for the next run in {}{unit}", plain(response)),
            &columns,
        )
        .group("", rows)
        .remark(chains.join(" ")),
    )
}

fn series(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    let mut notes = Vec::new();
    let mut rows = Vec::new();
    for carried in &found.carry_over {
        let Some(series) = &carried.wash_out else { continue };
        for after in &series.after {
            let place = words::place(after.slope.value, after.slope.standard_error);
            let size = after.size.as_ref();
            let size_place = size.map_or(place, |s| words::place(s.value, s.standard_error));
            rows.push(vec![
                Cell::words(format!("after {}", voice.setting(&carried.factor, &after.level))),
                Cell::count(after.runs),
                Cell::number(fixed(after.slope.value, place), after.slope.value),
                interval(&after.slope, place),
                Cell::maybe(after.slope.p, p_value),
                Cell::maybe(size.map(|s| s.value), |v| fixed(v, size_place)),
                size.map_or_else(|| Cell::words("–"), |s| interval(s, size_place)),
            ]);
        }
        if let Some(note) = &series.note {
            notes.push(format!("{}: {note}.", capital(&plain(&carried.factor))));
        }
    }
    if rows.is_empty() {
        return None;
    }
    let title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Runs",
        ">Number",
        ">Slope from one reading to the next",
        &title,
        ">p-value\u{a0}(p)",
        ">Decay at the first reading",
        &title,
    ];
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    notes.insert(
        0,
        "Slopes are judged by their spread between runs; the decay, one rate for all levels, by the spread of single readings."
            .to_owned(),
    );
    Some(
        Table::new(
            format!("{response}-series"),
            format!(
                "Readings of {} within a run, by what came before{unit}",
                plain(response)
            ),
            &columns,
        )
        .group("", rows)
        .remark(notes.join(" ")),
    )
}

fn changes(name: &str, caption: &str, changes: &[CorrectedFinding], voice: &Voice) -> Table {
    let title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Change",
        ">Without",
        &title,
        ">With",
        &title,
        ">p-value\u{a0}(p) with",
        ">Variance grows by the factor",
    ];
    let row = |c: &CorrectedFinding| {
        let place = |e: &EstimateFinding| words::place(e.value, e.standard_error);
        let (before, after) = (place(&c.uncorrected), place(&c.corrected));
        vec![
            Cell::words(format!(
                "{}\u{a0}\u{2212}\u{a0}{}",
                voice.setting(&c.factor, &c.to),
                voice.level(&c.factor, &c.from)
            )),
            Cell::number(fixed(c.uncorrected.value, before), c.uncorrected.value),
            interval(&c.uncorrected, before),
            Cell::number(fixed(c.corrected.value, after), c.corrected.value),
            interval(&c.corrected, after),
            Cell::maybe(c.corrected.p, p_value),
            Cell::maybe(c.inflation, |v| significant(v, 3)),
        ]
    };
    let rows = |planned: bool| changes.iter().filter(|c| c.planned == planned).map(row).collect();
    Table::new(name, caption, &columns)
        .group("Planned before the readings", rows(true))
        .group("Exploratory", rows(false))
        .remark(
            "Each interval by itself. A numeric factor is shown over its whole span. The last column: what the addition \
             costs, were the spread the same.",
        )
}

/// The readings of a run by what came before it, a figure a factor.
pub(super) fn figures(response: &str, found: &ResponseFindings, voice: &Voice) -> Vec<Picture> {
    found
        .carry_over
        .iter()
        .filter_map(|carried| figure(response, carried, voice))
        .collect()
}

fn figure(response: &str, carried: &CarryOverFinding, voice: &Voice) -> Option<Picture> {
    let series = carried.wash_out.as_ref().filter(|s| !s.after.is_empty())?;
    let factor = plain(&carried.factor);
    let groups: Vec<SeriesGroup> = series
        .after
        .iter()
        .map(|after| {
            let count = after.readings.len();
            let shape = |k: f64| series.factor.map_or(0.0, |f| f.powf(k));
            let middle = (0..count).map(|k| shape(k as f64)).sum::<f64>() / count as f64;
            let curve = after.size.as_ref().map_or_else(Vec::new, |size| {
                (0..=(count - 1) * 8)
                    .map(|step| {
                        let k = step as f64 / 8.0;
                        (k + 1.0, size.value * (shape(k) - middle))
                    })
                    .collect()
            });
            SeriesGroup {
                label: format!(
                    "after {} ({})",
                    voice.setting(&carried.factor, &after.level),
                    words::count(after.runs, "run", "runs")
                ),
                points: after
                    .readings
                    .iter()
                    .enumerate()
                    .map(|(k, &v)| (k as f64 + 1.0, v))
                    .collect(),
                curve,
            }
        })
        .collect();
    let moved: Vec<String> = series
        .after
        .iter()
        .filter_map(|after| {
            let up = side(&after.slope)?;
            let setting = voice.setting(&carried.factor, &after.level);
            Some(format!(
                "after {setting} the readings of a run {}",
                if up { "climb" } else { "fall" }
            ))
        })
        .collect();
    let title = if moved.is_empty() {
        format!("After no level of {factor} do the readings of a run climb or fall steadily")
    } else {
        capital(&listed(&moved))
    };
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", voice.unit)
    };
    let spoken: Vec<String> = series
        .after
        .iter()
        .map(|after| {
            let setting = voice.setting(&carried.factor, &after.level);
            format!("after {setting}: slope {}", measured(&after.slope, true, voice))
        })
        .collect();
    let chart = SeriesChart {
        axis: format!("Reading less the mean of its run{unit}"),
        across: "number of the reading within the run".to_owned(),
        groups,
    };
    let head = Head {
        name: format!("{response}-series-{}", carried.factor),
        description: format!(
            "{title}. Mean readings by their number within a run; {}.",
            spoken.join("; ")
        ),
        title,
    };
    let figure = chart.draw(&head);
    let mut caption = "Marks: means over the runs that follow each level.".to_owned();
    if series.factor.is_some() {
        caption.push_str(" Lines: the fitted decay.");
    }
    Some(super::figures::picture(figure, caption))
}

/// The drift along the order of the runs, and that of each control.
pub(super) fn drift_figures(response: &str, found: &ResponseFindings, voice: &Voice) -> Vec<Picture> {
    let drift = found
        .drift
        .as_ref()
        .and_then(|drift| drift_figure(response, drift, voice));
    let controls = found
        .controls
        .iter()
        .filter_map(|control| control_figure(response, control, voice));
    drift.into_iter().chain(controls).collect()
}

/// Most runs that are drawn one by one.
const MOST_DRAWN: usize = 1000;

fn in_unit(what: &str, voice: &Voice) -> String {
    match voice.unit.as_str() {
        "" => what.to_owned(),
        unit => format!("{what} ({unit})"),
    }
}

fn marks(points: &[(f64, f64)]) -> Vec<Mark> {
    let mark = |&(x, y): &(f64, f64)| Mark { x, y, interval: None };
    points.iter().map(mark).collect()
}

fn drift_figure(response: &str, drift: &DriftFinding, voice: &Voice) -> Option<Picture> {
    let (per_run, over_all) = drift.per_run.as_ref().zip(drift.over_all.as_ref())?;
    let points: Vec<(f64, f64)> = drift.course.iter().map(|p| (p.position as f64, p.left)).collect();
    let (first, last) = (points.first()?.0, points.last()?.0);
    if points.len() > MOST_DRAWN || !(last > first) {
        return None;
    }
    let middle = points.iter().map(|p| p.0).sum::<f64>() / points.len() as f64;
    let line = |slope: f64| [first, last].map(|x| (x, slope * (x - middle))).to_vec();
    let mut curves = vec![Curve {
        label: "fitted drift".to_owned(),
        points: line(per_run.value),
        dashed: false,
    }];
    if let (Some(low), Some(high)) = (per_run.low, per_run.high) {
        for (label, slope) in [(voice.interval_name(), low), (String::new(), high)] {
            curves.push(Curve {
                label,
                points: line(slope),
                dashed: true,
            });
        }
    }
    let title = match side(over_all) {
        Some(up) => format!(
            "The results {} by {} from the first run to the last",
            if up { "climb" } else { "fall" },
            sized(over_all, voice)
        ),
        None => "No drift along the order of the runs is told apart from none".to_owned(),
    };
    let head = Head {
        name: format!("{response}-drift"),
        description: format!(
            "{title}. From the first run to the last {}.",
            measured(over_all, true, voice)
        ),
        title,
    };
    let chart = AgainstChart {
        axis: in_unit("Result less the effects of its levels", voice),
        across: "position in which the run was made".to_owned(),
        along: Across::Numbers,
        series: vec![Series {
            label: String::new(),
            marks: marks(&points),
        }],
        curves,
        levels: vec![Level {
            y: 0.0,
            label: String::new(),
            strong: false,
        }],
        band: None,
    };
    let caption = "Marks: what is left of each run's result once the effects of its levels are taken out.";
    Some(super::figures::picture(chart.draw(&head), caption.to_owned()))
}

/// The size of a change without its sign.
fn sized(e: &EstimateFinding, voice: &Voice) -> String {
    let place = words::place(e.value, e.standard_error);
    with_unit(&fixed(e.value.abs(), place), &voice.unit)
}

fn control_figure(response: &str, found: &ControlDriftFinding, voice: &Voice) -> Option<Picture> {
    let over_all = found.over_all.as_ref().filter(|_| found.note.is_none())?;
    if found.occasions.len() > MOST_DRAWN {
        return None;
    }
    let name = plain(&found.control);
    let mut levels: Vec<Option<&str>> = Vec::new();
    for occasion in &found.occasions {
        if !levels.contains(&occasion.level.as_deref()) {
            levels.push(occasion.level.as_deref());
        }
    }
    let (mut series, mut curves) = (Vec::new(), Vec::new());
    for level in levels {
        let own = found.occasions.iter().filter(|o| o.level.as_deref() == level);
        let points: Vec<(f64, f64)> = own.map(|o| (o.after_run as f64, o.mean)).collect();
        series.push(Series {
            label: level.map_or_else(String::new, str::to_owned),
            marks: marks(&points),
        });
        curves.push(Curve {
            label: String::new(),
            points,
            dashed: true,
        });
    }
    let title = match side(over_all) {
        Some(up) => format!(
            "{} {} by {} from its first reading to its last",
            capital(&name),
            if up { "climbs" } else { "falls" },
            sized(over_all, voice)
        ),
        None => format!("No drift of {name} is told apart from none"),
    };
    let head = Head {
        name: format!("{response}-drift-of-{}", found.control),
        description: format!(
            "{title}. From its first reading to its last {}.",
            measured(over_all, true, voice)
        ),
        title,
    };
    let chart = AgainstChart {
        axis: in_unit(&format!("Mean reading of {name}"), voice),
        across: "runs made before it".to_owned(),
        along: Across::Numbers,
        series,
        curves,
        levels: Vec::new(),
        band: None,
    };
    let caption =
        "Marks: mean reading on each occasion; dashes: the departures by which the runs between are corrected.";
    Some(super::figures::picture(chart.draw(&head), caption.to_owned()))
}
