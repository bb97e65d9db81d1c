//! How a response changes along numeric factors: its slopes at the levels of others, and the parts of its shape.
//!
//! In:  one response's findings and the `Voice` that names things.
//! Out: tables.

use crate::analysis::{ResponseFindings, SlopeWithinFinding, TrendFinding};

use super::document::{Cell, Table};
use super::number::{degrees, fixed, p_value};
use super::tables::{interval, verdict};
use super::words::{self, Voice, capital, plain};

/// The slopes of numeric factors at each level of another factor.
pub(super) fn slopes_within(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    if found.slopes_within.is_empty() {
        return None;
    }
    let title = format!(">{}", capital(&voice.interval_name()));
    let together = found.slopes_within.iter().any(|s| s.together.is_some());
    let mut columns = vec![
        "Slope of",
        "At",
        ">Estimate",
        ">Standard error",
        ">Degrees of freedom (df)",
        &title,
        ">p-value\u{a0}(p)",
    ];
    if together {
        columns.insert(6, ">Interval together");
        columns.push(">Adjusted\u{a0}p");
    }
    if found.relevant.is_some() {
        columns.push("Does the whole span matter?");
    }
    let row = |s: &SlopeWithinFinding| {
        let place = words::place(s.per_unit, s.standard_error);
        let at: Vec<String> = s.within.iter().map(|(f, l)| voice.setting(f, l)).collect();
        let mut row = vec![
            Cell::words(format!("{}, {}", plain(&s.factor), voice.per(&s.unit))),
            Cell::words(at.join(", ")),
            Cell::number(fixed(s.per_unit, place), s.per_unit),
            Cell::maybe(s.standard_error, |v| fixed(v, place)),
            Cell::maybe(s.df, degrees),
            interval(s.low, s.high, place),
            Cell::maybe(s.p, p_value),
        ];
        if together {
            let (low, high) = s.interval();
            row.insert(6, interval(low, high, place));
            row.push(Cell::maybe(s.p_adjusted, p_value));
        }
        if found.relevant.is_some() {
            row.push(Cell::words(verdict(s.verdict)));
        }
        row
    };
    let table = Table::new(
        format!("{response}-slopes-at-levels"),
        format!("Slopes of {} at each level of another factor", plain(response)),
        &columns,
    )
    .group(
        "Planned before the readings",
        found.slopes_within.iter().map(row).collect(),
    );
    Some(if together {
        table.remark(
            "Interval together: with the stated confidence the intervals at all levels of the other factor hold at once \
             (Bonferroni); the adjusted p-values agree with it.",
        )
    } else {
        table
    })
}

/// The shape of the change along numeric factors with more than two levels.
pub(super) fn trends(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    if found.trends.is_empty() {
        return None;
    }
    let title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Factor",
        "Part",
        ">Moves the response by",
        ">Standard error",
        &title,
        ">p-value\u{a0}(p)",
        ">Adjusted\u{a0}p",
    ];
    let row = |t: &TrendFinding| {
        let place = words::place(t.size.value, t.size.standard_error);
        let part = match t.degree {
            1 => "straight line".to_owned(),
            2 => "curvature".to_owned(),
            degree => format!("power {degree}"),
        };
        vec![
            Cell::words(plain(&t.factor)),
            Cell::words(part),
            Cell::number(fixed(t.size.value, place), t.size.value),
            Cell::maybe(t.size.standard_error, |v| fixed(v, place)),
            interval(t.size.low, t.size.high, place),
            Cell::maybe(t.size.p, p_value),
            Cell::maybe(t.p_adjusted, p_value),
        ]
    };
    let rows = |planned: bool| found.trends.iter().filter(|t| t.planned == planned).map(row).collect();
    Some(
        Table::new(
            format!("{response}-trends"),
            format!("Shape of the change of {} along numeric factors", plain(response)),
            &columns,
        )
        .group("Planned before the readings", rows(true))
        .group("Exploratory", rows(false))
        .remark(
            "Each part is told apart from those above it over the levels as they are spaced. It moves the response by so much \
             between its highest and lowest point on these levels; below zero where it turns downwards at the highest level. \
             Adjusted: over the parts of one factor (Holm).",
        ),
    )
}
