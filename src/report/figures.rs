//! Findings to figures: which rows, which labels, which answer stands at the head.
//!
//! In:  one response's findings, the protocol for the order of factors and levels, and the `Voice` that names things.
//! Out: figures with captions. Only places and sums that a reader could do by eye are computed.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::analysis::{Component, ContrastFinding, ResponseFindings, SlopeFinding};
use crate::chart::{
    Column, EffectRow, EffectsChart, Figure, Head, MeansChart, OrderChart, OrderPoint, Panel, SpreadChart, SpreadRow,
};
use crate::protocol::Protocol;

use super::document::Picture;
use super::number::{self, Place, fixed, percent, with_unit};
use super::words::{self, Voice, capital, plain};

/// Rows in the figure of effects; what is left over stands in the table.
const MOST_ROWS: usize = 20;
/// Set-ups that are still told apart by lines.
const MOST_BLOCKS: usize = 40;

/// The figures of one response.
pub(super) fn figures(protocol: &Protocol, response: &str, found: &ResponseFindings, voice: &Voice) -> Vec<Picture> {
    [
        effects(protocol, response, found, voice),
        super::lone::figure(response, found, voice),
        super::surface::figure(response, found, voice),
        means(protocol, response, found, voice),
        order(protocol, response, found, voice),
        spread(response, found, voice),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The rows of a figure in words, group by group, for those who cannot see it.
pub(super) fn spoken(groups: &[(String, Vec<EffectRow>)]) -> String {
    let groups: Vec<String> = groups
        .iter()
        .map(|(name, rows)| {
            let rows: Vec<String> = rows.iter().map(|row| format!("{}: {}", row.label, row.text)).collect();
            format!("{name}: {}.", rows.join("; "))
        })
        .collect();
    groups.join(" ")
}

pub(super) fn picture(figure: Figure, caption: String) -> Picture {
    Picture {
        name: figure.name,
        number: 0,
        title: figure.title,
        alt: figure.description,
        caption,
        svg: figure.svg,
    }
}

/// `hardness (Shore D)`.
pub(super) fn quantity(response: &str, voice: &Voice) -> String {
    if voice.unit.is_empty() {
        plain(response)
    } else {
        format!("{} ({})", plain(response), voice.unit)
    }
}

/// A change that a row shows.
enum Change<'a> {
    Contrast(&'a ContrastFinding),
    Slope(&'a SlopeFinding),
}

impl Change<'_> {
    fn planned(&self) -> bool {
        match self {
            Self::Contrast(c) => c.planned,
            Self::Slope(s) => s.planned,
        }
    }

    fn factor(&self) -> &str {
        match self {
            Self::Contrast(c) => &c.factor,
            Self::Slope(s) => &s.factor,
        }
    }

    /// How far it moves the result: a slope over its whole span.
    fn size(&self) -> f64 {
        match self {
            Self::Contrast(c) => c.difference,
            Self::Slope(s) => s.per_unit * (s.span.1 - s.span.0),
        }
    }

    fn row(&self, voice: &Voice) -> EffectRow {
        let (label, error, low, high) = match self {
            Self::Contrast(c) => {
                let at = if c.within.is_empty() {
                    String::new()
                } else {
                    format!(", at {}", voice.settings(&c.within))
                };
                let label = format!(
                    "{} against {}{at}",
                    voice.setting(&c.factor, &c.to),
                    voice.level(&c.factor, &c.from)
                );
                let (low, high) = c.interval();
                (label, c.standard_error, low, high)
            }
            Self::Slope(s) => {
                let span = s.span.1 - s.span.0;
                let scaled = |v: Option<f64>| v.map(|v| v * span);
                let label = format!("{} from {}", plain(&s.factor), Voice::span(s));
                (label, scaled(s.standard_error), scaled(s.low), scaled(s.high))
            }
        };
        let place = words::place(self.size(), error);
        let interval = low.zip(high);
        let value = fixed(self.size(), place);
        EffectRow {
            label: capital(&label),
            text: match interval {
                Some((low, high)) => format!("{value} ({})", Voice::interval(low, high, place)),
                None => format!("{value} (no interval)"),
            },
            estimate: self.size(),
            interval,
        }
    }

    fn answer(&self, voice: &Voice) -> Option<String> {
        match self {
            Self::Contrast(c) => voice.contrast_short(c),
            Self::Slope(s) => voice.slope_short(s),
        }
    }
}

/// The changes worth a row: over all other settings first; of a factor with many levels only those from its first one.
fn changes<'a>(protocol: &Protocol, found: &'a ResponseFindings, voice: &Voice) -> Vec<Change<'a>> {
    let mut all: Vec<Change<'a>> = Vec::new();
    for factor in &protocol.factors {
        let slopes = found.slopes.iter().filter(|s| s.factor == factor.name);
        let before = all.len();
        all.extend(slopes.map(Change::Slope));
        if all.len() > before {
            continue;
        }
        let of_factor = found
            .contrasts
            .iter()
            .filter(|c| c.factor == factor.name && c.within.is_empty());
        let many = factor.levels.len() > 4;
        all.extend(
            of_factor
                .filter(|c| {
                    !many
                        || factor
                            .levels
                            .first()
                            .is_some_and(|first| voice.same_level(&factor.name, first, &c.from))
                })
                .map(Change::Contrast),
        );
    }
    let within = found.contrasts.iter().filter(|c| !c.within.is_empty() && c.planned);
    all.extend(within.map(Change::Contrast));
    all
}

fn effects(protocol: &Protocol, response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Picture> {
    let all = changes(protocol, found, voice);
    if all.is_empty() {
        return None;
    }
    let mut groups: Vec<(String, Vec<EffectRow>)> = Vec::new();
    let mut left_out = 0;
    let mut room = MOST_ROWS;
    for (planned, name) in [(true, "Planned before the readings"), (false, "Exploratory")] {
        let mut rows: Vec<EffectRow> = all
            .iter()
            .filter(|c| c.planned() == planned)
            .map(|c| c.row(voice))
            .collect();
        left_out += rows.len().saturating_sub(room);
        rows.truncate(room);
        room -= rows.len();
        if !rows.is_empty() {
            groups.push((name.to_owned(), rows));
        }
    }
    // The largest decided change of each planned factor, the two largest of these at the head.
    let mut decided: Vec<(f64, &str, String)> = all
        .iter()
        .filter(|c| c.planned() && !matches!(c, Change::Contrast(c) if !c.within.is_empty()))
        .filter_map(|c| c.answer(voice).map(|answer| (c.size().abs(), c.factor(), answer)))
        .collect();
    decided.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut factors: Vec<&str> = Vec::new();
    decided.retain(|(_, factor, _)| {
        let new = !factors.contains(factor);
        factors.push(factor);
        new
    });
    let title = if decided.is_empty() {
        if groups
            .iter()
            .flat_map(|(_, rows)| rows)
            .all(|row| row.interval.is_none())
        {
            "How certain each change is cannot be told from this study".to_owned()
        } else {
            "No planned change is told apart from zero".to_owned()
        }
    } else {
        let parts: Vec<String> = decided.into_iter().take(2).map(|(_, _, answer)| answer).collect();
        capital(&parts.join("; "))
    };
    let spoken = spoken(&groups);
    let mut caption = format!(
        "Dot: estimate of the change; line: {}. A line that crosses zero leaves the direction undecided.",
        voice.interval_name()
    );
    if !found.slopes.is_empty() {
        caption.push_str(" A numeric factor is shown over its whole span.");
    }
    let relevant = found.relevant.map(|relevant| {
        let size = with_unit(&number::exact(relevant), &voice.unit);
        caption.push_str(" Shaded: differences too small to matter in use, by the protocol.");
        (relevant, format!("shaded: less than the {size} that matter"))
    });
    if left_out > 0 {
        let _ = write!(
            caption,
            " {} in the tables only.",
            capital(&words::count(left_out, "change stands", "changes stand"))
        );
    }
    let chart = EffectsChart {
        axis: format!("change of {}", quantity(response, voice)),
        groups,
        relevant,
    };
    let head = Head {
        name: format!("{response}-effects"),
        description: format!(
            "{title}. Changes of {} with intervals. {}",
            quantity(response, voice),
            spoken
        ),
        title,
    };
    Some(picture(chart.draw(&head), caption))
}

fn means(protocol: &Protocol, response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Picture> {
    let mut results: Vec<_> = found.results.iter().collect();
    results.sort_by_key(|r| (r.position, r.run));
    let mut widest: Option<(f64, String)> = None;
    let mut spoken = Vec::new();
    let panels: Vec<Panel> = protocol
        .factors
        .iter()
        .map(|factor| {
            let mut range: Option<(f64, f64, Place)> = None;
            let columns = factor
                .levels
                .iter()
                .map(|level| {
                    let same = |levels: &BTreeMap<String, String>| {
                        levels
                            .get(&factor.name)
                            .is_some_and(|other| voice.same_level(&factor.name, level, other))
                    };
                    let mean = found.means.iter().find(|m| m.levels.len() == 1 && same(&m.levels));
                    if let Some(mean) = mean {
                        let place = words::place(mean.mean, mean.standard_error);
                        let value = fixed(mean.mean, place);
                        spoken.push(format!("{} {value}", voice.setting(&factor.name, level)));
                        range = Some(match range {
                            None => (mean.mean, mean.mean, place),
                            Some((low, high, p)) => (low.min(mean.mean), high.max(mean.mean), p.min(place)),
                        });
                    }
                    Column {
                        label: voice.level(&factor.name, level),
                        results: results.iter().filter(|r| same(&r.levels)).map(|r| r.result).collect(),
                        mean: mean.map(|m| (m.mean, m.low.zip(m.high))),
                    }
                })
                .collect();
            if let Some((low, high, place)) = range
                && widest.as_ref().is_none_or(|(reach, _)| high - low > *reach)
            {
                let from = fixed(low, place);
                let to = with_unit(&fixed(high, place), &voice.unit);
                let text = format!(
                    "Means lie furthest apart between the levels of {}: {from} to {to}",
                    plain(&factor.name)
                );
                widest = Some((high - low, text));
            }
            Panel {
                label: capital(&plain(&factor.name)),
                columns,
            }
        })
        .filter(|panel: &Panel| panel.columns.iter().any(|c| !c.results.is_empty() || c.mean.is_some()))
        .collect();
    if panels.is_empty() {
        return None;
    }
    let title = widest.map_or_else(|| format!("Results of {} by level", plain(response)), |(_, text)| text);
    let head = Head {
        name: format!("{response}-means"),
        description: format!(
            "{title}. Results of single runs and means of {} by level. Means: {}.",
            quantity(response, voice),
            spoken.join("; ")
        ),
        title,
    };
    let caption = format!(
        "Small dots: results of single runs, from left to right in the order in which they were made. Large dot and \
         line: mean with its {}. All panels show the same results.",
        voice.interval_name()
    );
    let chart = MeansChart {
        axis: capital(&quantity(response, voice)),
        panels,
    };
    Some(picture(chart.draw(&head), caption))
}

pub(super) fn order(protocol: &Protocol, response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Picture> {
    if found.results.is_empty() {
        return None;
    }
    let mut results: Vec<_> = found.results.iter().collect();
    results.sort_by_key(|r| (r.position, r.run));
    // Shapes stand for the factor that moves the result most surely, among those with few enough levels.
    let few = |name: &str| protocol.factors.iter().find(|f| f.name == name && f.levels.len() <= 6);
    let factor = found
        .effects
        .iter()
        .filter_map(|effect| match effect.factors.as_slice() {
            [name] => few(name).map(|factor| (effect.p.unwrap_or(1.0), factor)),
            _ => None,
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, factor)| factor);
    let unit = protocol
        .units
        .first()
        .filter(|_| protocol.units.len() > 1)
        .map(|u| u.name.as_str());
    let block_of = |r: &crate::analysis::RunResult| {
        unit.and_then(|name| r.units.get(name).map(|label| format!("{} {label}", plain(name))))
            .unwrap_or_default()
    };
    let blocks: Vec<String> = results.iter().map(|r| block_of(r)).collect();
    let changes = blocks.windows(2).filter(|pair| pair[0] != pair[1]).count();
    let shown = changes > 0 && changes <= MOST_BLOCKS;
    let points = results
        .iter()
        .zip(blocks)
        .map(|(r, block)| OrderPoint {
            position: r.position,
            result: r.result,
            readings: r.readings.clone(),
            level: factor
                .and_then(|f| {
                    let level = r.levels.get(&f.name)?;
                    f.levels.iter().position(|l| voice.same_level(&f.name, l, level))
                })
                .unwrap_or(0),
            block: if shown { block } else { String::new() },
        })
        .collect();
    let trend = found.checks.iter().find(|c| c.name.contains("run order"));
    let many = words::count(found.results.len(), "result", "results");
    let title = trend.map_or_else(
        || format!("{many} of {} in the order in which they were made", plain(response)),
        |check| capital(check.answer.trim_end_matches('.')),
    );
    let mut caption = "Marks: results of single runs in the order in which they were made.".to_owned();
    if found.results.iter().any(|r| r.readings.len() > 1) {
        caption.push_str(" Grey dots: single readings.");
    }
    if let (true, Some(unit)) = (shown, unit) {
        let _ = write!(caption, " Dashed lines: a new {} was set up.", plain(unit));
    }
    let chart = OrderChart {
        axis: capital(&quantity(response, voice)),
        across: "position in the order actually run".to_owned(),
        factor: factor.map_or_else(String::new, |f| capital(&plain(&f.name))),
        levels: factor.map_or_else(Vec::new, |f| f.levels.iter().map(|l| voice.level(&f.name, l)).collect()),
        points,
    };
    let (low, high) = found
        .results
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), r| {
            (low.min(r.result), high.max(r.result))
        });
    let head = Head {
        name: format!("{response}-order"),
        description: format!(
            "{title}. {many} between {} and {}, by position; the annex lists every one.",
            number::significant(low, 4),
            with_unit(&number::significant(high, 4), &voice.unit)
        ),
        title,
    };
    Some(picture(chart.draw(&head), caption))
}

fn spread(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Picture> {
    if found.components.is_empty() {
        return None;
    }
    let row = |component: &Component| {
        let share = component
            .share
            .map_or_else(String::new, |share| format!(", {}", percent(share)));
        let kind = if component.kind == "levels studied" {
            ", levels studied"
        } else {
            ""
        };
        SpreadRow {
            label: capital(&plain(&component.source)),
            remark: format!("{}{kind}", component.part_of),
            product: component.part_of == "product",
            deviation: component
                .standard_deviation
                .filter(|_| component.variance.is_some_and(|v| v > 0.0)),
            interval: component.low.zip(component.high),
            share: component.share,
            text: format!("{}{share}", voice.component(component)),
        }
    };
    let rows: Vec<SpreadRow> = found.components.iter().map(row).collect();
    let sum = |product: bool| -> f64 {
        rows.iter()
            .filter(|r| r.product == product)
            .filter_map(|r| r.share)
            .sum()
    };
    let title = voice
        .spread_short(&found.components)
        .unwrap_or_else(|| "Where the spread of one result comes from cannot be told from this study".to_owned());
    let spoken: Vec<String> = rows
        .iter()
        .map(|r| format!("{} ({}): {}", r.label, r.remark, r.text))
        .collect();
    let head = Head {
        name: format!("{response}-spread"),
        description: format!(
            "{title}. Standard deviations in one result of {} by source, with their share of the variance: {}.",
            quantity(response, voice),
            spoken.join("; ")
        ),
        title,
    };
    let caption = format!(
        "Bar at the top: the variance of one result. Bars below: standard deviation of one result from each source, and \
         its share of the variance; line with ends: {}. Plain: method; hatched: product. Variances add up, standard \
         deviations do not.",
        voice.interval_name()
    );
    let chart = SpreadChart {
        axis: match voice.unit.as_str() {
            "" => "standard deviation in one result".to_owned(),
            unit => format!("standard deviation in one result ({unit})"),
        },
        parts: (
            format!("method {}", percent(sum(false))),
            format!("product {}", percent(sum(true))),
        ),
        rows,
    };
    Some(picture(chart.draw(&head), caption))
}
