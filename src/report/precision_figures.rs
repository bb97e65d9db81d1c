//! Figures of the precision of the method: standard deviations against the level, h and k of every laboratory.
//!
//! In:  the precision findings of a response, and the `Voice` that names things.
//! Out: figures, each with its answer as title.

use crate::analysis::{AgainstLevel, PrecisionFinding, PrecisionStudy, SpreadFinding};
use crate::chart::{Across, AgainstChart, Curve, Head, Level, Mark, Series};

use super::document::Picture;
use super::figures::picture;
use super::number::{NBSP, Place, fixed, significant};
use super::precision::label;
use super::precision_words::{level_name, mean_place};
use super::words::{Voice, capital, listed, plain};

/// Levels that still have a shape each.
const MOST_SHAPES: usize = 6;

pub(super) fn level_figure(
    name: &str,
    study: &PrecisionStudy,
    levels: &[PrecisionFinding],
    voice: &Voice,
) -> Option<Picture> {
    if levels.len() < 2 {
        return None;
    }
    let marks = |value: fn(&PrecisionFinding) -> Option<&SpreadFinding>| -> Vec<Mark> {
        levels
            .iter()
            .filter_map(|l| {
                let found = value(l)?;
                Some(Mark {
                    x: l.mean,
                    y: found.value,
                    interval: found.low.zip(found.high),
                })
            })
            .collect()
    };
    let mut series = vec![Series {
        label: "repeatability (s_r)".to_owned(),
        marks: marks(|l| l.repeatability.as_ref()),
    }];
    if !study.laboratory.is_empty() {
        series.push(Series {
            label: "reproducibility (s_R)".to_owned(),
            marks: marks(|l| l.reproducibility.as_ref()),
        });
    }
    if series.iter().all(|s| s.marks.is_empty()) {
        return None;
    }
    let (low, high) = levels.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), l| {
        (a.min(l.mean), b.max(l.mean))
    });
    let curves: Vec<Curve> = study
        .against_level
        .iter()
        .filter(|a| a.chosen)
        .map(|a| Curve {
            label: format!("{}: {}", a.of, form_word(&a.form)),
            points: (0..=60)
                .map(|i| low + (high - low) * f64::from(i) / 60.0)
                .map(|m| (m, at(a, m)))
                .collect(),
            dashed: a.of == "reproducibility",
        })
        .collect();
    let chosen = |of: &str| study.against_level.iter().find(|a| a.of == of && a.chosen);
    // What the chosen form does from the lowest level to the highest.
    let change = |form: &AgainstLevel| match (form.form.as_str(), at(form, high) - at(form, low)) {
        ("constant", _) => "is not seen to depend on the level",
        (_, change) if change > 0.0 => "grows with the level",
        _ => "falls with the level",
    };
    let title = match (chosen("repeatability"), chosen("reproducibility")) {
        (Some(a), Some(b)) if change(a) == change(b) => {
            let both = change(a)
                .replace("is not", "are not")
                .replace("grows", "grow")
                .replace("falls", "fall");
            format!("Repeatability and reproducibility {both}")
        }
        (Some(a), Some(b)) => format!("Repeatability {}, reproducibility {}", change(a), change(b)),
        (Some(a), None) => format!("Repeatability {}", change(a)),
        _ => "Too few levels to tell how precision depends on the level".to_owned(),
    };
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", voice.unit)
    };
    let spoken: Vec<String> = levels
        .iter()
        .map(|l| {
            let text = |v: Option<f64>| v.map_or_else(|| "not told".to_owned(), |v| significant(v, 3));
            format!(
                "{}, mean {}: s_r {}, s_R {}",
                label(study, l),
                fixed(l.mean, mean_place(l)),
                text(l.repeatability_sd),
                text(l.reproducibility_sd)
            )
        })
        .collect();
    let chart = AgainstChart {
        axis: format!("Standard deviation{unit}"),
        across: format!("mean of the level{unit}"),
        along: Across::Numbers,
        series,
        curves,
        levels: Vec::new(),
        band: None,
    };
    let head = Head {
        name: format!("{name}-precision-level"),
        description: format!("{title}. {}.", spoken.join("; ")),
        title,
    };
    let caption = format!(
        "Marks: standard deviations at each level; upright lines: {}. Curves: the form chosen in the table below.",
        voice.interval_name()
    );
    Some(picture(chart.draw(&head), caption))
}

/// The standard deviation that a form gives at a level.
fn at(form: &AgainstLevel, mean: f64) -> f64 {
    match form.form.as_str() {
        "power" => 10_f64.powf(form.a + form.b * mean.log10()),
        _ => form.a + form.b * mean,
    }
}

fn form_word(form: &str) -> &'static str {
    match form {
        "constant" => "constant",
        "proportional" => "proportional to the level",
        "line" => "a line",
        _ => "a power of the level",
    }
}

/// h or k of a cell.
type Value = fn(&crate::analysis::CellFinding) -> Option<f64>;

pub(super) fn consistency_figures(name: &str, study: &PrecisionStudy, levels: &[PrecisionFinding]) -> Vec<Picture> {
    // All laboratories of any level, in the order of the first level that has them.
    let mut laboratories: Vec<String> = Vec::new();
    for cell in levels.iter().flat_map(|l| &l.cells) {
        if !laboratories.contains(&cell.laboratory) {
            laboratories.push(cell.laboratory.clone());
        }
    }
    let shapes = levels.len() <= MOST_SHAPES && levels.len() > 1;
    let draw = |what: &str, value: Value, lines: Vec<Level>, axis: &str, title: String, caption: &str| {
        let of_level = |l: &PrecisionFinding| -> Vec<Mark> {
            l.cells
                .iter()
                .filter_map(|cell| {
                    let x = laboratories.iter().position(|name| *name == cell.laboratory)? as f64;
                    Some(Mark {
                        x,
                        y: value(cell)?,
                        interval: None,
                    })
                })
                .collect()
        };
        let series = if shapes {
            levels
                .iter()
                .map(|l| Series {
                    label: level_name(study, l),
                    marks: of_level(l),
                })
                .collect()
        } else {
            vec![Series {
                label: String::new(),
                marks: levels.iter().flat_map(of_level).collect(),
            }]
        };
        let spoken: Vec<String> = levels
            .iter()
            .flat_map(|l| {
                l.cells.iter().filter_map(move |c| {
                    let place = Place(2);
                    let at = if l.level.is_empty() {
                        String::new()
                    } else {
                        format!(" at {}", l.level)
                    };
                    Some(format!("{}{at}: {}", c.laboratory, fixed(value(c)?, place)))
                })
            })
            .collect();
        if spoken.is_empty() {
            return None;
        }
        let chart = AgainstChart {
            axis: axis.to_owned(),
            across: plain(&study.laboratory),
            along: Across::Names(laboratories.clone()),
            series,
            curves: Vec::new(),
            levels: lines,
            band: None,
        };
        let head = Head {
            name: format!("{name}-consistency-{what}"),
            description: format!("{title}. {}.", spoken.join("; ")),
            title,
        };
        Some(picture(chart.draw(&head), caption.to_owned()))
    };
    let line = |y: f64, label: &str, strong: bool| Level {
        y,
        label: label.to_owned(),
        strong,
    };
    let beyond = |over: &dyn Fn(&PrecisionFinding, &crate::analysis::CellFinding) -> bool| -> Vec<String> {
        let mut found = Vec::new();
        for l in levels {
            for c in &l.cells {
                if over(l, c) {
                    let at = if l.level.is_empty() {
                        String::new()
                    } else {
                        format!(" at {}", level_name(study, l))
                    };
                    found.push(format!("{} {}{at}", plain(&study.laboratory), c.laboratory));
                }
            }
        }
        found
    };
    let mut found = Vec::new();
    // Laboratories may be missing at a level; the widest lines are drawn, the marks are judged each by its own.
    let widest = levels
        .iter()
        .filter(|l| l.h_critical.len() == 3)
        .max_by_key(|l| l.laboratories)
        .map(|l| (l.h_critical[0], l.h_critical[1]));
    if let Some((five, one)) = widest {
        let odd = beyond(&|l, c| {
            l.h_critical
                .get(1)
                .zip(c.h)
                .is_some_and(|(critical, h)| h.abs() > *critical)
        });
        let title = if odd.is_empty() {
            "No mean lies beyond the 1 % lines (h)".to_owned()
        } else {
            capital(&format!("{}: mean beyond the 1{NBSP}% lines (h)", listed(&odd)))
        };
        let lines = vec![
            line(0.0, "0", true),
            line(five, "5 %", false),
            line(-five, "5 %", false),
            line(one, "1 %", false),
            line(-one, "1 %", false),
        ];
        let caption = "Each mark: the mean of a cell less the mean of the cell means, in standard deviations of the cell means \
                       (h). Look for one that is always on the same side, and for a side that changes with the level.";
        found.extend(draw("h", |c| c.h, lines, "h, between laboratories", title, caption));
    }
    let critical = levels
        .iter()
        .flat_map(|l| &l.cells)
        .filter(|c| c.k_critical.len() == 3)
        .max_by_key(|c| c.n)
        .map(|c| (c.k_critical[0], c.k_critical[1]));
    if let Some((five, one)) = critical {
        let odd = beyond(&|_, c| c.k_critical.get(1).zip(c.k).is_some_and(|(critical, k)| k > *critical));
        let title = if odd.is_empty() {
            "No spread of repeats lies beyond its 1 % value (k)".to_owned()
        } else {
            capital(&format!(
                "{}: repeats spread beyond the 1{NBSP}% value (k)",
                listed(&odd)
            ))
        };
        let lines = vec![
            line(1.0, "1", true),
            line(five, "5 %", false),
            line(one, "1 %", false),
            line(0.0, "", false),
        ];
        let caption = "Each mark: the standard deviation of a cell over s_r (k). Near 0: results that hardly differ, perhaps \
                       rounded or copied. The lines are those of the largest cells; each mark is judged by its own.";
        found.extend(draw("k", |c| c.k, lines, "k, within laboratories", title, caption));
    }
    found
}
