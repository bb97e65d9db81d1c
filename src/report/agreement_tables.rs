//! Tables of a comparison of two methods.
//!
//! In:  the agreement of one response, how its numbers are printed, and the `Voice` that names things.
//! Out: tables, each with what one needs to follow it by hand.

use crate::analysis::{AgreementFinding, LimitFinding, SpreadTrendFinding};

use super::agreement::Print;
use super::document::{Cell, Table};
use super::number::{self, Place, degrees, fixed, p_equals, significant};
use super::words::{Voice, capital, plain, several, short};

pub(super) fn summary(response: &str, found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> Table {
    let ratio = found.is_ratio();
    let shown = |value: f64| if ratio { (value - 1.0) * 100.0 } else { value };
    let row = |what: String, value: f64, interval: Option<(f64, f64)>| {
        vec![
            Cell::words(what),
            Cell::number(print.bare(value), shown(value)),
            Cell::words(match interval {
                Some((low, high)) => format!("{} to {}", print.bare(low), print.bare(high)).replace(' ', "\u{a0}"),
                None => "–".to_owned(),
            }),
        ]
    };
    let log = |value: f64| {
        let size = if ratio { value * 100.0 } else { value };
        let text = significant(size, 4);
        Cell::number(text, size)
    };
    let plain_row = |what: String, cell: Cell| vec![Cell::words(what), cell, Cell::words("–")];
    let limit = |l: &LimitFinding| (l.low, l.high);
    let of_means = found.standard_error * (found.n as f64).sqrt();
    let mut rows = vec![
        row(
            "Mean difference".to_owned(),
            found.difference,
            Some((found.low, found.high)),
        ),
        row(
            "Lower limit of agreement".to_owned(),
            found.lower_limit.value,
            Some(limit(&found.lower_limit)),
        ),
        row(
            "Upper limit of agreement".to_owned(),
            found.upper_limit.value,
            Some(limit(&found.upper_limit)),
        ),
        plain_row(
            "Standard deviation of the differences below (s)".to_owned(),
            log(of_means),
        ),
        plain_row(
            "Standard error of the mean difference (s/√n)".to_owned(),
            log(found.standard_error),
        ),
    ];
    for within in &found.within {
        let what = if within.method == "both together" {
            format!("differences of {}s read together", found.single)
        } else {
            format!("single {}s of {}", found.single, within.method)
        };
        rows.push(plain_row(
            format!("Standard deviation of {what} on a {}", plain(&found.specimens)),
            log(within.standard_deviation),
        ));
    }
    rows.push(plain_row(
        format!("Standard deviation of a difference of single {}s (s_D)", found.single),
        log(found.standard_deviation),
    ));
    if let Some(test) = &found.equivalence {
        rows.push(vec![
            Cell::words(format!("Mean difference against the margin, {}", p_equals(test.p))),
            Cell::number(print.bare(found.difference), shown(found.difference)),
            Cell::words(
                format!(
                    "{} to {} ({})",
                    print.bare(test.low),
                    print.bare(test.high),
                    number::confidence(1.0 - 2.0 * test.risk)
                )
                .replace(' ', "\u{a0}"),
            ),
        ]);
    }
    let unit = if ratio { "%" } else { &voice.unit };
    let columns = [
        "Quantity".to_owned(),
        format!(">Value ({})", if unit.is_empty() { "no unit" } else { unit }),
        format!(">{}", voice.interval_name()),
    ];
    let titles: Vec<&str> = columns.iter().map(String::as_str).collect();
    let z = significant(
        crate::numeric::distribution::normal_quantile_lower(f64::midpoint(1.0, found.coverage)),
        3,
    );
    let mut remark = format!(
        "Limits of agreement: mean difference ± {z} s_D. Degrees of freedom: {}.",
        degrees(found.df)
    );
    if found.exact {
        remark.push_str(" Each pair was read once by each, so s_D is s; the intervals of the limits are exact for normal differences.");
    } else {
        remark.push_str(
            " s_D puts back what averaging took away: s_D² = s² + (1 − 1/m) times the square of each standard deviation on a \
             specimen, m averaged (harmonic mean over specimens). Intervals of the limits by recovery of variance estimates.",
        );
    }
    if ratio {
        remark.push_str(" Worked out in logarithms; standard deviations are those of the logarithms, times 100.");
    }
    Table::new(format!("{response}-agreement"), "How far apart the two read", &titles)
        .group("", rows)
        .remark(remark)
}

/// Limits of agreement where they follow the level.
pub(super) fn along_level(response: &str, found: &AgreementFinding, print: &Print<'_>) -> Table {
    let shown = |value: f64| if found.is_ratio() { (value - 1.0) * 100.0 } else { value };
    let cell = |value: f64| Cell::number(print.bare(value), shown(value));
    let rows = found
        .limits_along_level
        .iter()
        .map(|l| {
            vec![
                Cell::number(significant(l.at, 4), l.at),
                cell(l.difference),
                cell(l.lower),
                cell(l.upper),
            ]
        })
        .collect();
    let line = |trend: &SpreadTrendFinding, m: &str| {
        format!(
            "{} {} {} {m}",
            significant(trend.intercept, 3),
            if trend.slope < 0.0 { "−" } else { "+" },
            significant(trend.slope.abs(), 3)
        )
    };
    let z = significant(
        crate::numeric::distribution::normal_quantile_lower(f64::midpoint(1.0, found.coverage)),
        3,
    );
    let mean = found.along_level.as_ref().map_or_else(String::new, |t| line(t, "m"));
    let size = found
        .spread_along_level
        .as_ref()
        .map_or_else(String::new, |t| line(t, "m"));
    let mut remark = format!(
        "Difference at level m: {mean} by a straight line; limits ± {z} standard deviations of a difference of single {}s. \
         Size of the distances from that line: {size}, times 1.253 for the standard deviation where it changes with the \
         level. No interval is given here.",
        found.single
    );
    if found.is_ratio() {
        remark.push_str(" Worked out in logarithms.");
    }
    let unit = if print.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", print.unit)
    };
    Table::new(
        format!("{response}-limits-along-level"),
        format!("Limits of agreement along the level{unit}"),
        &[">Level (m)", ">Mean difference", ">Lower limit", ">Upper limit"],
    )
    .group("", rows)
    .remark(remark)
}

pub(super) fn lines(response: &str, found: &AgreementFinding, voice: &Voice) -> Table {
    let mut rows = Vec::new();
    let mut remark = Vec::new();
    let cells = |what: &str, value: f64, low: Option<f64>, high: Option<f64>| {
        let place = low
            .zip(high)
            .and_then(|(low, high)| Place::of_error((high - low) / 4.0))
            .unwrap_or(Place(3));
        let end = |end: Option<f64>| end.map_or_else(|| "–".to_owned(), |end| fixed(end, place));
        vec![
            Cell::words(what),
            Cell::number(fixed(value, place), value),
            Cell::words(format!("{} to {}", end(low), end(high)).replace(' ', "\u{a0}")),
        ]
    };
    if let Some(line) = &found.line {
        let weighted = if line.weighted { ", weighted by the level" } else { "" };
        rows.push(cells(
            &format!("Slope, errors in both{weighted}"),
            line.slope.value,
            Some(line.slope.low),
            Some(line.slope.high),
        ));
        rows.push(cells(
            &format!("Intercept, errors in both{weighted}"),
            line.intercept.value,
            Some(line.intercept.low),
            Some(line.intercept.high),
        ));
        remark.push(format!(
            "Errors in both (Deming): error variance of {} over that of {} λ = {}, {}; intervals by leaving out one {} at a time.",
            found.other,
            found.reference,
            significant(line.error_ratio, 3),
            line.error_ratio_from,
            plain(&found.specimens)
        ));
    }
    if let Some(ranks) = &found.ranks {
        rows.push(cells("Slope, by ranks", ranks.slope.0, ranks.slope.1, ranks.slope.2));
        rows.push(cells(
            "Intercept, by ranks",
            ranks.intercept.0,
            ranks.intercept.1,
            ranks.intercept.2,
        ));
        let straight = if ranks.linearity_p <= 1.0 - voice.confidence {
            "the points do not follow a straight line, so neither line may be used"
        } else {
            "no departure from a straight line is seen"
        };
        remark.push(format!(
            "By ranks (Passing and Bablok): {straight} ({}, cusum); {} of {} pairs of specimens share a value.",
            p_equals(ranks.linearity_p),
            ranks.ties,
            ranks.slopes
        ));
    }
    if let Some(c) = &found.concordance {
        rows.push(cells("Concordance", c.value, Some(c.low), Some(c.high)));
        remark.push(format!(
            "Concordance is correlation {} times nearness to equality {}; it grows with the range of specimens and says nothing \
             alone.",
            fixed(c.correlation, Place(3)),
            fixed(c.nearness, Place(3))
        ));
    }
    let interval = format!(">{}", voice.interval_name());
    Table::new(
        format!("{response}-lines"),
        format!("Lines between {} (across) and {} (up)", found.reference, found.other),
        &["Quantity", ">Value", &interval],
    )
    .group("", rows)
    .remark(remark.join(" "))
}

pub(super) fn bias(response: &str, found: &AgreementFinding, voice: &Voice) -> Table {
    let line = found.line.iter().flat_map(|line| &line.bias);
    let mut outside = false;
    let rows = line
        .map(|bias| {
            let place = Place::of_error((bias.high - bias.low) / 4.0).unwrap_or(Place(2));
            outside |= bias.outside;
            let mark = if bias.outside { " (outside)" } else { "" };
            vec![
                Cell::number(format!("{}{mark}", short(bias.at)), bias.at),
                Cell::number(fixed(bias.bias, place), bias.bias),
                Cell::words(Voice::interval(bias.low, bias.high, place).replace(' ', "\u{a0}")),
            ]
        })
        .collect();
    let columns = [
        format!("Where {} reads", found.reference),
        format!(">{} minus {}", capital(&found.other), found.reference),
        format!(">{}", voice.interval_name()),
    ];
    let titles: Vec<&str> = columns.iter().map(String::as_str).collect();
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    let mut remark = "Intercept + (slope − 1) times the value, by the line with errors in both.".to_owned();
    if outside {
        remark.push_str(" Outside: beyond the specimens studied, where nothing was seen.");
    }
    Table::new(
        format!("{response}-bias"),
        format!("Bias at values that matter{unit}"),
        &titles,
    )
    .group("", rows)
    .remark(remark)
}

/// How many specimens each question would need.
pub(super) fn next(response: &str, found: &AgreementFinding, print: &Print<'_>) -> Table {
    let many = several(&plain(&found.specimens));
    let margin = print.declared(found.margin);
    let none = "more than 10,000, or cannot be told";
    let row = |question: &str, wanted: String, n: Option<u32>, about: bool| {
        vec![
            Cell::words(question),
            Cell::words(wanted),
            n.map_or_else(
                || Cell::words(none),
                |n| Cell::number(format!("{}{n}", if about { "about " } else { "" }), f64::from(n)),
            ),
        ]
    };
    let mut rows = vec![
        row(
            "Is the mean difference small enough?",
            format!(
                "shown within {margin} with a probability of {}, if there is none",
                number::percent(found.next.power)
            ),
            found.next.equivalence,
            false,
        ),
        row(
            "How far apart may two single values be?",
            format!(
                "each limit of agreement known to ±{}, every one read once by each",
                print.declared((found.next.limit_reach * 1e6).round() / 1e6)
            ),
            found.next.limits,
            false,
        ),
    ];
    if !found.is_ratio() {
        if let Some(bias) = found.line.as_ref().and_then(|line| line.bias.first()) {
            rows.push(row(
                "What is the bias by the line with errors in both?",
                format!("known to ±{margin} where {} reads {}", found.reference, short(bias.at)),
                found.next.bias,
                true,
            ));
        }
        if found.ranks.is_some() {
            rows.push(row(
                "What is the slope by ranks?",
                format!("so well that it makes no more than ±{margin} of bias at the ends of the range"),
                found.next.ranks,
                true,
            ));
        }
    }
    if found.concordance.is_some() {
        rows.push(row(
            "What is the concordance?",
            "an interval half as long as here".to_owned(),
            found.next.concordance,
            true,
        ));
    }
    Table::new(
        format!("{response}-specimens-needed"),
        format!("How many {many} a next study would need, with the spreads found here"),
        &["Question", "Wanted", &format!(">{}", capital(&many))],
    )
    .group("", rows)
    .remark("About: half an interval is taken to shrink with the root of the number.")
}

pub(super) fn pairs(response: &str, found: &AgreementFinding, print: &Print<'_>) -> Table {
    let ratio = found.is_ratio();
    // One digit more than the differences are judged by.
    let place = Place((print.place.0 + 1).max(0));
    let rows = found
        .pairs
        .iter()
        .map(|p| {
            let off = if ratio {
                (p.other / p.reference - 1.0) * 100.0
            } else {
                p.other - p.reference
            };
            let mean = f64::midpoint(p.reference, p.other);
            vec![
                Cell::words(p.specimen.clone()),
                Cell::number(fixed(p.reference, place), p.reference),
                Cell::number(fixed(p.other, place), p.other),
                Cell::number(fixed(mean, place), mean),
                Cell::number(fixed(off, place), off),
                Cell::words(format!("{} and {}", p.replicates.0, p.replicates.1)),
            ]
        })
        .collect();
    let columns = [
        capital(&plain(&found.specimens)),
        format!(">{}", capital(&found.reference)),
        format!(">{}", capital(&found.other)),
        ">Mean of both".to_owned(),
        format!(">Difference{}", if ratio { " (%)" } else { "" }),
        format!(">{}s averaged", capital(&found.single)),
    ];
    let titles: Vec<&str> = columns.iter().map(String::as_str).collect();
    Table::new(format!("{response}-pairs"), "The pairs", &titles)
        .group("", rows)
        .dense()
}
