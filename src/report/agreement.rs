//! Two methods in words, tables and figures.
//!
//! In:  the agreement of one response, and the `Voice` that names things.
//! Out: sentences for the head of the report, and a section.
//!
//! | form              | when                                                                     |
//! |-------------------|--------------------------------------------------------------------------|
//! | agree             | the interval of the mean difference lies within the margin, and single differences keep theirs |
//! | do not agree      | one of the two surely does not                                            |
//! | undecided         | neither                                                                  |
//! | cannot be told    | the test could not be made                                                |

use crate::analysis::{AgreementFinding, Closeness, LimitFinding, SpreadTrendFinding};
use crate::chart::{Head, Line, Pen, PlotChart};

use super::document::{Block, Cell, Section, Table};
use super::figures::picture;
use super::number::{self, NBSP, Place, degrees, fixed, p_equals, p_value, significant, with_unit};
use super::sections::section;
use super::words::{Voice, capital, plain, several, short};

impl AgreementFinding {
    fn is_ratio(&self) -> bool {
        self.scale == "ratio"
    }
}

/// How numbers of one comparison are printed.
struct Print<'a> {
    found: &'a AgreementFinding,
    unit: &'a str,
    place: Place,
}

impl<'a> Print<'a> {
    fn new(found: &'a AgreementFinding, voice: &'a Voice) -> Self {
        let error = if found.is_ratio() {
            found.standard_error * 100.0
        } else {
            found.standard_error
        };
        Self {
            found,
            unit: if found.is_ratio() { "%" } else { &voice.unit },
            place: Place::of_error(error).unwrap_or(Place(2)),
        }
    }

    /// A difference in its unit, or what a ratio is off by in per cent.
    fn bare(&self, value: f64) -> String {
        fixed(
            if self.found.is_ratio() {
                (value - 1.0) * 100.0
            } else {
                value
            },
            self.place,
        )
    }

    fn size(&self, value: f64) -> String {
        with_unit(&self.bare(value), self.unit)
    }

    fn to(&self, low: f64, high: f64) -> String {
        with_unit(&format!("{} to {}", self.bare(low), self.bare(high)), self.unit)
    }

    /// A declared size, as short as it reads.
    fn declared(&self, size: f64) -> String {
        with_unit(
            &number::exact(if self.found.is_ratio() {
                (size * 1e6).round() / 1e4
            } else {
                size
            }),
            self.unit,
        )
    }

    /// `mini reads 6.0 L/min higher than large`.
    fn direction(&self) -> String {
        let zero = if self.found.is_ratio() { 1.0 } else { 0.0 };
        let off = if self.found.is_ratio() {
            (self.found.difference - 1.0).abs() * 100.0
        } else {
            self.found.difference.abs()
        };
        let name = plain(&self.found.factor);
        format!(
            "{name} {} reads {} {} than {}",
            self.found.other,
            with_unit(&fixed(off, self.place), self.unit),
            if self.found.difference >= zero {
                "higher"
            } else {
                "lower"
            },
            self.found.reference
        )
    }
}

/// The plain answer first, then what it rests on.
pub(super) fn answers(found: &AgreementFinding, voice: &Voice) -> Vec<String> {
    let print = Print::new(found, voice);
    let mut said = vec![verdict(found)];
    said.push(mean(found, voice, &print));
    said.push(single(found, voice, &print));
    said.extend(changing(found, voice));
    said.extend(tolerance(found, voice));
    said
}

fn pair(found: &AgreementFinding) -> String {
    format!("{} {} and {}", plain(&found.factor), found.reference, found.other)
}

fn verdict(found: &AgreementFinding) -> String {
    let who = pair(found);
    let single = found.acceptable.as_ref().map(|a| a.outcome.as_str());
    match (found.equivalence.as_ref().map(|e| e.outcome), single) {
        (None, _) => format!("Whether {who} agree within the declared margins cannot be told."),
        (Some(Closeness::DifferentAndRelevant), _) => {
            format!(
                "{} do not agree: their mean difference is more than does no harm.",
                capital(&who)
            )
        }
        (_, Some("beyond")) => {
            format!(
                "{} do not agree: single {}s differ by more than does no harm.",
                capital(&who),
                found.single
            )
        }
        (Some(Closeness::Equivalent | Closeness::DifferentButEquivalent), Some("within")) => {
            format!(
                "{} agree within the declared margins, on average and one by one.",
                capital(&who)
            )
        }
        (Some(Closeness::Equivalent | Closeness::DifferentButEquivalent), None) => format!(
            "{} agree on average within the declared margin; for single {}s the protocol declares none.",
            capital(&who),
            found.single
        ),
        (Some(Closeness::Equivalent | Closeness::DifferentButEquivalent), _) => format!(
            "{} agree on average within the declared margin; whether single {}s do is undecided.",
            capital(&who),
            found.single
        ),
        (Some(Closeness::Undecided), _) => format!("Whether {who} agree within the declared margins is undecided."),
    }
}

fn mean(found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> String {
    let margin = print.declared(found.margin);
    let head = format!(
        "On average {} ({} {})",
        print.direction(),
        voice.interval_name(),
        print.to(found.low, found.high)
    );
    let Some(test) = &found.equivalence else {
        return format!("{head}; how that lies to the margin of {margin} cannot be told.");
    };
    let inner = format!(
        "{} interval {}, {}",
        number::confidence(1.0 - 2.0 * test.risk),
        print.to(test.low, test.high),
        p_equals(test.p)
    );
    match test.outcome {
        Closeness::Equivalent => format!("{head}: within the {margin} that do no harm ({inner})."),
        Closeness::DifferentButEquivalent => {
            format!("{head}: a difference, but within the {margin} that do no harm ({inner}).")
        }
        Closeness::DifferentAndRelevant => format!("{head}: more than the {margin} that do no harm."),
        Closeness::Undecided => {
            format!("{head}: undecided whether that keeps the {margin} that do no harm ({inner}).")
        }
    }
}

fn single(found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> String {
    let text = format!(
        "{} of the differences between two single {}s lie between {} and {} ({} of these limits {}, and {})",
        number::confidence(found.coverage),
        found.single,
        print.size(found.lower_limit.value),
        print.size(found.upper_limit.value),
        voice.interval_name().replace("interval", "intervals"),
        print.to(found.lower_limit.low, found.lower_limit.high),
        print.to(found.upper_limit.low, found.upper_limit.high),
    );
    match &found.acceptable {
        None => format!("{text}."),
        Some(acceptable) => {
            let size = print.declared(acceptable.size);
            match acceptable.outcome.as_str() {
                "within" => format!("{text}: within the {size} that do no harm."),
                "beyond" => format!("{text}: beyond the {size} that do no harm."),
                _ => format!("{text}: undecided whether they keep the {size} that do no harm."),
            }
        }
    }
}

/// What a single pair of limits does not tell.
fn changing(found: &AgreementFinding, voice: &Voice) -> Vec<String> {
    let decided = |trend: &Option<SpreadTrendFinding>| {
        trend
            .as_ref()
            .filter(|trend| trend.p <= 1.0 - voice.confidence)
            .map(|trend| (trend.slope > 0.0, trend.p))
    };
    let mut said = Vec::new();
    if let Some((up, p)) = decided(&found.along_level) {
        let word = if up { "rises" } else { "falls" };
        said.push(format!(
            "The difference {word} with the level ({}), so one mean difference does not hold at every level; the line between \
             the methods gives it at each.",
            p_equals(p)
        ));
    }
    if let Some((up, p)) = decided(&found.spread_along_level) {
        let word = if up { "more" } else { "less" };
        let too = if up {
            "wide for low levels and too narrow for high ones"
        } else {
            "narrow for low levels and too wide for high ones"
        };
        said.push(format!(
            "Differences scatter {word} at higher levels ({}), so the limits above are too {too}.",
            p_equals(p)
        ));
    }
    if let Some((up, p)) = decided(&found.along_order) {
        let word = if up { "rose" } else { "fell" };
        said.push(format!(
            "The difference {word} in the course of the study ({}): something drifted.",
            p_equals(p)
        ));
    }
    said
}

fn tolerance(found: &AgreementFinding, voice: &Voice) -> Option<String> {
    let t = found.tolerance.as_ref()?;
    let size = |value: f64| with_unit(&number::exact((value * 1e6).round() / 1e6), &voice.unit);
    let likely = with_unit(&significant(t.likely, 3), &voice.unit);
    let start = format!(
        "The calibration tolerances ({} and {}) allow the two to differ by {} together, and 95{NBSP}% of such pairs by no \
         more than {likely}",
        size(t.reference),
        size(t.other),
        size(t.together)
    );
    Some(match t.outcome.as_str() {
        "within" => format!("{start}: the mean difference is inside what the tolerances allow."),
        "beyond" => format!(
            "{start}: the mean difference is more than the tolerances allow, so one of the two is out of tolerance or is used \
             in another way."
        ),
        _ => format!("{start}: undecided whether the mean difference is inside that."),
    })
}

fn next(found: &AgreementFinding, print: &Print<'_>) -> Option<String> {
    let many = several(&plain(&found.specimens));
    let mut parts = Vec::new();
    if let Some(n) = found.next.equivalence {
        parts.push(format!(
            "{n} {many} would show equivalence with a probability of {} if there is no difference",
            number::percent(found.next.power)
        ));
    }
    if let Some(n) = found.next.limits {
        parts.push(format!(
            "{n} would bring each limit of agreement to ±{} if every one is measured once by each",
            print.declared((found.next.limit_reach * 1e6).round() / 1e6)
        ));
    }
    if let Some(n) = found.next.bias {
        parts.push(format!(
            "about {n} would bring the bias by the line to within the margin"
        ));
    }
    (!parts.is_empty()).then(|| format!("For a next study, with the spreads found here: {}.", parts.join("; ")))
}

/// The section.
pub(super) fn report(response: &str, found: &AgreementFinding, voice: &Voice) -> Section {
    let print = Print::new(found, voice);
    let mut blocks = vec![
        Block::paragraph(format!(
            "{} were read by both; differences are {} {} minus {}. The margin of {} was declared before the readings: {}.",
            capital(&number_of(found)),
            plain(&found.factor),
            found.other,
            found.reference,
            print.declared(found.margin),
            found.origin.trim_end_matches('.')
        )),
        Block::Figure(against_mean(response, found, voice, &print)),
        Block::Table(summary(response, found, voice, &print)),
    ];
    if found.line.is_some() || found.ranks.is_some() {
        blocks.push(Block::Figure(between(response, found, voice)));
        blocks.push(Block::Table(lines(response, found, voice)));
    }
    if found.line.as_ref().is_some_and(|line| !line.bias.is_empty()) {
        blocks.push(Block::Table(bias(response, found, voice)));
    }
    if found.along_order.is_some() {
        blocks.push(Block::Figure(along_order(response, found, voice, &print)));
    }
    blocks.extend(next(found, &print).map(Block::paragraph));
    blocks.push(Block::Table(pairs(response, found, &print)));
    section("agreement", "How the two methods agree", blocks)
}

fn number_of(found: &AgreementFinding) -> String {
    format!("{}{NBSP}{}", found.n, several(&plain(&found.specimens)))
}

fn against_mean(response: &str, found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> super::Picture {
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

fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}

fn quantity(response: &str, voice: &Voice) -> String {
    if voice.unit.is_empty() {
        plain(response)
    } else {
        format!("{} ({})", plain(response), voice.unit)
    }
}

fn between(response: &str, found: &AgreementFinding, voice: &Voice) -> super::Picture {
    let points: Vec<(f64, f64)> = found.pairs.iter().map(|p| (p.reference, p.other)).collect();
    let (low, high) = ends(points.iter().map(|p| p.0));
    let mut lines = vec![Line {
        label: "equal".to_owned(),
        pen: Pen::Plain,
        points: vec![(low, low), (high, high)],
    }];
    let mut title = "Which line joins the two cannot be told".to_owned();
    if let Some(line) = &found.line {
        let at = |x: f64| line.intercept.value + line.slope.value * x;
        lines.push(Line {
            label: "both err".to_owned(),
            pen: Pen::Strong,
            points: vec![(low, at(low)), (high, at(high))],
        });
        let slope = spaced(&line.slope);
        let one = line.slope.low <= 1.0 && line.slope.high >= 1.0;
        let zero = line.intercept.low <= 0.0 && line.intercept.high >= 0.0;
        title = match (one, zero) {
            (true, true) => format!("The line between the two is not told apart from equality: slope {slope}"),
            (false, _) => format!("The two read in different proportion: slope {slope}"),
            (true, false) => format!("The two read apart by a constant: slope {slope}"),
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
    let chart = PlotChart {
        across: unit(&found.reference),
        axis: capital(&unit(&found.other)),
        points,
        lines,
        legend: false,
        bands: Vec::new(),
        uprights: Vec::new(),
        room: (Vec::new(), Vec::new()),
    };
    let caption = format!(
        "Dots: one {} each. Thin line: both read the same. Heavy line: straight line with errors in both. Dashed: straight \
         line by ranks.",
        plain(&found.specimens)
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

fn along_order(response: &str, found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> super::Picture {
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

fn summary(response: &str, found: &AgreementFinding, voice: &Voice, print: &Print<'_>) -> Table {
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

fn lines(response: &str, found: &AgreementFinding, voice: &Voice) -> Table {
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

fn bias(response: &str, found: &AgreementFinding, voice: &Voice) -> Table {
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

fn pairs(response: &str, found: &AgreementFinding, print: &Print<'_>) -> Table {
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

/// Values that a note may pull in.
pub(super) fn values(name: &str, found: &AgreementFinding, voice: &Voice, add: &mut dyn FnMut(String, String)) {
    let print = Print::new(found, voice);
    let at = |what: &str| format!("{name}.agreement.{what}");
    add(at("n"), found.n.to_string());
    add(at("difference"), print.size(found.difference));
    add(at("interval"), print.to(found.low, found.high));
    add(at("margin"), print.declared(found.margin));
    add(at("lower_limit"), print.size(found.lower_limit.value));
    add(at("upper_limit"), print.size(found.upper_limit.value));
    if let Some(test) = &found.equivalence {
        add(at("p"), p_value(test.p));
        add(at("equivalence_interval"), print.to(test.low, test.high));
    }
    add(at("verdict"), verdict(found));
}

#[cfg(test)]
pub(super) mod trial {
    use super::*;
    use crate::analysis::{AcceptableFinding, EquivalenceFinding, NextFinding, ToleranceFinding};

    /// Two instruments on rollers; `outcome` and `single` decide the verdict.
    pub(in crate::report) fn found(outcome: Option<Closeness>, single: Option<&str>) -> AgreementFinding {
        let limit = |value: f64| LimitFinding {
            value,
            low: value - 0.4,
            high: value + 0.4,
        };
        AgreementFinding {
            factor: "instrument".to_owned(),
            reference: "A".to_owned(),
            other: "B".to_owned(),
            specimens: "roller".to_owned(),
            n: 12,
            scale: "difference".to_owned(),
            single: "result".to_owned(),
            difference: -0.312,
            standard_error: 0.084,
            df: 11.0,
            low: -0.497,
            high: -0.127,
            standard_deviation: 0.41,
            coverage: 0.95,
            lower_limit: limit(-1.116),
            upper_limit: limit(0.492),
            exact: true,
            within: Vec::new(),
            along_level: None,
            spread_along_level: None,
            along_order: None,
            margin: 0.5,
            origin: "A third of the guard band".to_owned(),
            equivalence: outcome.map(|outcome| EquivalenceFinding {
                risk: 0.05,
                p: 0.0234,
                low: -0.463,
                high: -0.161,
                outcome,
            }),
            acceptable: single.map(|outcome| AcceptableFinding {
                size: 1.5,
                outcome: outcome.to_owned(),
            }),
            line: None,
            ranks: None,
            concordance: None,
            tolerance: Some(ToleranceFinding {
                reference: 1.0,
                other: 1.0,
                together: 2.0,
                likely: 1.553,
                outcome: "within".to_owned(),
            }),
            next: NextFinding {
                power: 0.9,
                equivalence: Some(14),
                limit_reach: 0.75,
                limits: None,
                bias: None,
            },
            pairs: Vec::new(),
            cannot_tell: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::words::trial::{said, voice};
    use super::trial::found;
    use super::*;

    #[test]
    fn each_verdict_has_its_words() {
        use Closeness::{DifferentAndRelevant, DifferentButEquivalent, Equivalent, Undecided};
        let verdict = |outcome, single| said(&verdict(&found(outcome, single)));
        assert_eq!(
            verdict(Some(Equivalent), Some("within")),
            "Instrument A and B agree within the declared margins, on average and one by one."
        );
        assert_eq!(
            verdict(Some(DifferentButEquivalent), Some("undecided")),
            "Instrument A and B agree on average within the declared margin; whether single results do is undecided."
        );
        assert_eq!(
            verdict(Some(Equivalent), None),
            "Instrument A and B agree on average within the declared margin; for single results the protocol declares none."
        );
        assert_eq!(
            verdict(Some(Equivalent), Some("beyond")),
            "Instrument A and B do not agree: single results differ by more than does no harm."
        );
        assert_eq!(
            verdict(Some(DifferentAndRelevant), None),
            "Instrument A and B do not agree: their mean difference is more than does no harm."
        );
        assert_eq!(
            verdict(Some(Undecided), Some("undecided")),
            "Whether instrument A and B agree within the declared margins is undecided."
        );
        assert_eq!(
            verdict(None, None),
            "Whether instrument A and B agree within the declared margins cannot be told."
        );
    }

    #[test]
    fn the_mean_is_said_with_its_direction_and_margin() {
        let voice = voice(None);
        let mean = |outcome| {
            let found = found(outcome, None);
            said(&mean(&found, &voice, &Print::new(&found, &voice)))
        };
        let head = "On average instrument B reads 0.312 Shore D lower than A (95 % interval −0.497 to −0.127 Shore D)";
        assert_eq!(
            mean(Some(Closeness::DifferentButEquivalent)),
            format!(
                "{head}: a difference, but within the 0.5 Shore D that do no harm (90 % interval −0.463 to −0.161 Shore D, p = \
                 0.023)."
            )
        );
        assert_eq!(
            mean(Some(Closeness::DifferentAndRelevant)),
            format!("{head}: more than the 0.5 Shore D that do no harm.")
        );
        assert!(mean(Some(Closeness::Undecided)).contains("undecided whether that keeps the 0.5 Shore D"));
        assert_eq!(
            mean(None),
            format!("{head}; how that lies to the margin of 0.5 Shore D cannot be told.")
        );
    }

    #[test]
    fn single_differences_and_tolerances() {
        let voice = voice(None);
        let found = found(Some(Closeness::Equivalent), Some("within"));
        let print = Print::new(&found, &voice);
        assert_eq!(
            said(&single(&found, &voice, &print)),
            "95 % of the differences between two single results lie between −1.116 Shore D and 0.492 Shore D (95 % intervals \
             of these limits −1.516 to −0.716 Shore D, and 0.092 to 0.892 Shore D): within the 1.5 Shore D that do no harm."
        );
        assert_eq!(
            said(&tolerance(&found, &voice).unwrap()),
            "The calibration tolerances (1 Shore D and 1 Shore D) allow the two to differ by 2 Shore D together, and 95 % of \
             such pairs by no more than 1.55 Shore D: the mean difference is inside what the tolerances allow."
        );
    }

    #[test]
    fn ratios_are_said_in_per_cent() {
        let voice = voice(None);
        let mut found = found(Some(Closeness::Equivalent), None);
        found.scale = "ratio".to_owned();
        (found.difference, found.low, found.high, found.margin) = (1.021, 1.003, 1.04, 0.05);
        found.standard_error = 0.0092;
        let print = Print::new(&found, &voice);
        assert_eq!(said(&print.direction()), "instrument B reads 2.10 % higher than A");
        assert_eq!(said(&print.declared(found.margin)), "5 %");
    }

    #[test]
    fn trends_are_said_only_if_seen() {
        let voice = voice(None);
        let mut found = found(Some(Closeness::Equivalent), None);
        assert!(changing(&found, &voice).is_empty());
        let trend = |slope: f64, p: f64| {
            Some(SpreadTrendFinding {
                intercept: 0.0,
                slope,
                low: slope - 0.1,
                high: slope + 0.1,
                p,
                standard_deviation: 0.3,
            })
        };
        found.along_level = trend(-0.2, 0.01);
        found.spread_along_level = trend(0.3, 0.002);
        found.along_order = trend(0.1, 0.2);
        let said: Vec<String> = changing(&found, &voice).iter().map(|s| said(s)).collect();
        assert_eq!(said.len(), 2);
        assert!(said[0].starts_with("The difference falls with the level (p = 0.010)"));
        assert!(said[1].contains("too wide for low levels and too narrow for high ones"));
    }
}
