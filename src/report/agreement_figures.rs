//! Figures of a comparison of two methods: differences against the level and along the order, the lines between the two.
//!
//! In:  the agreement of one response, how its numbers are printed, and the `Voice` that names things.
//! Out: figures, each with its answer as title.

use crate::analysis::{AgreementFinding, LimitFinding};
use crate::chart::{Head, Line, Pen, PlotChart};

use super::agreement::Print;
use super::figures::picture;
use super::number::{self, Place, fixed, p_equals};
use super::words::{Voice, capital, plain};

pub(super) fn against_mean(
    response: &str,
    found: &AgreementFinding,
    voice: &Voice,
    print: &Print<'_>,
) -> super::Picture {
    let ratio = found.is_ratio();
    let off = |value: f64| if ratio { (value - 1.0) * 100.0 } else { value };
    let points: Vec<(f64, f64)> = found
        .pairs
        .iter()
        .map(|p| {
            let difference = if ratio {
                off(p.other / p.reference)
            } else {
                p.other - p.reference
            };
            (f64::midpoint(p.reference, p.other), difference)
        })
        .collect();
    let ends = ends(points.iter().map(|p| p.0));
    let level = |value: f64| vec![(ends.0, value), (ends.1, value)];
    let line = |label: String, pen: Pen, value: f64| Line {
        label,
        pen,
        points: level(value),
    };
    let limit = |name: &str, limit: &LimitFinding| format!("{name}\n{}", print.size(limit.value)).replace('\n', " ");
    let lines = vec![
        line(
            limit("upper limit", &found.upper_limit),
            Pen::Dashed,
            off(found.upper_limit.value),
        ),
        line(
            format!("mean {}", print.size(found.difference)),
            Pen::Strong,
            off(found.difference),
        ),
        line(
            limit("lower limit", &found.lower_limit),
            Pen::Dashed,
            off(found.lower_limit.value),
        ),
        line(String::new(), Pen::Plain, 0.0),
    ];
    let edge = |size: f64| {
        if ratio {
            (size * 100.0, (1.0 / (1.0 + size) - 1.0) * 100.0)
        } else {
            (size, -size)
        }
    };
    let (high, low) = edge(found.margin);
    let title = format!(
        "{}; single {}s differ by {}",
        capital(&print.direction()),
        found.single,
        print.to(found.lower_limit.value, found.upper_limit.value)
    );
    let quantity = quantity(response, voice);
    let chart = PlotChart {
        across: format!("mean of both, {quantity}"),
        axis: format!(
            "{} minus {} ({})",
            found.other,
            found.reference,
            if print.unit.is_empty() {
                "difference"
            } else {
                print.unit
            }
        ),
        points,
        lines,
        legend: false,
        ribbon: Vec::new(),
        bands: vec![(
            low,
            high,
            format!(
                "shaded: mean differences up to {} do no harm",
                print.declared(found.margin)
            ),
        )],
        uprights: Vec::new(),
        room: (
            Vec::new(),
            vec![off(found.lower_limit.low), off(found.upper_limit.high)],
        ),
    };
    let caption = format!(
        "Dots: one {} each, means of what was read on it. Heavy line: mean difference. Dashed: limits between which {} of \
         differences of single {}s lie.",
        plain(&found.specimens),
        number::confidence(found.coverage),
        found.single
    );
    let head = Head {
        name: format!("{response}-difference-against-mean"),
        description: format!("{title}. {caption}"),
        title,
    };
    picture(chart.draw(&head), caption)
}

fn quantity(response: &str, voice: &Voice) -> String {
    if voice.unit.is_empty() {
        plain(response)
    } else {
        format!("{} ({})", plain(response), voice.unit)
    }
}

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}

pub(super) fn between(response: &str, found: &AgreementFinding, voice: &Voice) -> super::Picture {
    let ratio = found.is_ratio();
    let points: Vec<(f64, f64)> = found.pairs.iter().map(|p| (p.reference, p.other)).collect();
    let (low, high) = ends(points.iter().map(|p| p.0));
    let mut lines = vec![Line {
        label: "equal".to_owned(),
        pen: Pen::Plain,
        points: vec![(low, low), (high, high)],
    }];
    let mut ribbon = Vec::new();
    let mut title = "Which line joins the two cannot be told".to_owned();
    if let Some(line) = &found.line {
        let at = |x: f64| line.intercept.value + line.slope.value * x;
        ribbon = line.band.iter().map(|b| (b.at, b.at + b.low, b.at + b.high)).collect();
        lines.push(Line {
            label: "errors in both".to_owned(),
            pen: Pen::Strong,
            points: vec![(low, at(low)), (high, at(high))],
        });
        let slope = spaced(&line.slope);
        let one = line.slope.low <= 1.0 && line.slope.high >= 1.0;
        let none = if ratio { 1.0 } else { 0.0 };
        // The intercept lies far from the specimens: where they are, the mean difference tells more.
        let apart = found.low > none || found.high < none;
        let zero = line.intercept.low <= 0.0 && line.intercept.high >= 0.0;
        title = match (one, apart, zero) {
            (true, false, true) => format!("The line between the two is not told apart from equality: slope {slope}"),
            (false, ..) => format!("The two read in different proportion: slope {slope}"),
            (true, true, _) => {
                format!("The two read apart, and undecided whether by the same at every level: slope {slope}")
            }
            (true, false, false) => format!("The two read apart by a constant: slope {slope}"),
        };
    }
    if let Some(ranks) = &found.ranks {
        let at = |x: f64| ranks.intercept.0 + ranks.slope.0 * x;
        lines.push(Line {
            label: "by ranks".to_owned(),
            pen: Pen::Dashed,
            points: vec![(low, at(low)), (high, at(high))],
        });
    }
    let unit = |method: &str| format!("{method}, {}", quantity(response, voice));
    let band = if ribbon.is_empty() {
        String::new()
    } else {
        format!(", shaded: its {} band", number::confidence(voice.confidence))
    };
    let chart = PlotChart {
        across: unit(&found.reference),
        axis: capital(&unit(&found.other)),
        points,
        lines,
        legend: false,
        ribbon,
        bands: Vec::new(),
        uprights: Vec::new(),
        room: (Vec::new(), Vec::new()),
    };
    let caption = format!(
        "Dots: one {} each. Thin line: both read the same. Heavy line: straight line with errors in both{}. Dashed: \
         straight line by ranks.",
        plain(&found.specimens),
        band
    );
    let head = Head {
        name: format!("{response}-line-between-methods"),
        description: format!("{title}. {caption}"),
        title,
    };
    picture(chart.draw(&head), caption)
}

/// `0.94 (0.64 to 1.23)`.
fn spaced(value: &LimitFinding) -> String {
    let place = Place::of_error((value.high - value.low) / 4.0).unwrap_or(Place(3));
    format!(
        "{} ({})",
        fixed(value.value, place),
        Voice::interval(value.low, value.high, place)
    )
}

pub(super) fn along_order(
    response: &str,
    found: &AgreementFinding,
    voice: &Voice,
    print: &Print<'_>,
) -> super::Picture {
    let ratio = found.is_ratio();
    let mut points: Vec<(f64, f64)> = found
        .pairs
        .iter()
        .map(|p| {
            let difference = if ratio {
                (p.other / p.reference - 1.0) * 100.0
            } else {
                p.other - p.reference
            };
            (p.position, difference)
        })
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (low, high) = ends(points.iter().map(|p| p.0));
    let mut lines = vec![Line {
        label: String::new(),
        pen: Pen::Plain,
        points: vec![(low, 0.0), (high, 0.0)],
    }];
    let mut title = "What the difference did in the course of the study".to_owned();
    if let Some(trend) = found.along_order.as_ref() {
        let at = |x: f64| {
            let value = trend.intercept + trend.slope * x;
            if ratio { (value.exp() - 1.0) * 100.0 } else { value }
        };
        lines.push(Line {
            label: "trend".to_owned(),
            pen: Pen::Strong,
            points: vec![(low, at(low)), (high, at(high))],
        });
        title = if trend.p <= 1.0 - voice.confidence {
            let word = if trend.slope > 0.0 { "rose" } else { "fell" };
            format!(
                "The difference {word} in the course of the study ({})",
                p_equals(trend.p)
            )
        } else {
            format!(
                "No drift of the difference is told apart from chance ({})",
                p_equals(trend.p)
            )
        };
    }
    let chart = PlotChart {
        across: "mean position of the two in the order of the runs".to_owned(),
        axis: format!("{} minus {} ({})", found.other, found.reference, print.unit),
        points,
        lines,
        legend: false,
        ribbon: Vec::new(),
        bands: Vec::new(),
        uprights: Vec::new(),
        room: (Vec::new(), Vec::new()),
    };
    let caption = format!(
        "Dots: one {} each, at the mean position of its runs. Thin line: no difference.",
        plain(&found.specimens)
    );
    let head = Head {
        name: format!("{response}-difference-by-order"),
        description: format!("{title}. {caption}"),
        title,
    };
    picture(chart.draw(&head), caption)
}
