//! Findings to tables: which columns, which rows, how each number is printed.
//!
//! In:  one response's findings and the `Voice` that names things.
//! Out: tables with printed cells and the full numbers behind them. Headings are words, with symbols in parentheses.

use crate::analysis::{
    ContrastFinding, EffectFinding, Findings, MeanFinding, Outcome, ResponseFindings, RunResult, ShiftFinding,
    SlopeFinding, Verdict,
};
use crate::protocol::{Protocol, Response, Statistic};

use super::document::{Cell, Column, Table};
use super::number::{self, Place, degrees, fixed, p_value, percent, significant};
use super::words::{self, Voice, capital, plain};
use super::{sentences, spread};

/// Readings that still have a column each.
const MOST_COLUMNS: usize = 12;

const PLANNED: &str = "Planned before the readings";
const EXPLORATORY: &str = "Exploratory: a hint for the next study, not a result of this one";

/// A table name that is unique in the report.
fn name(response: &str, what: &str) -> String {
    format!("{response}-{what}")
}

/// Rows of planned findings and of the others, each made by `row`.
fn apart<T>(table: Table, items: &[T], planned: impl Fn(&T) -> bool, row: impl Fn(&T) -> Vec<Cell>) -> Table {
    let rows = |wanted: bool| items.iter().filter(|item| planned(item) == wanted).map(&row).collect();
    table.group(PLANNED, rows(true)).group(EXPLORATORY, rows(false))
}

/// An effect or a joined unit in a cell: a line may end before a `×`, never after it.
fn term(name: &str) -> String {
    plain(name).replace("× ", "×\u{a0}")
}

pub(super) fn interval(low: Option<f64>, high: Option<f64>, place: Place) -> Cell {
    // Kept on one line; an end that cannot be told is a dash.
    let end = |end: Option<f64>| end.map_or_else(|| "–".to_owned(), |end| fixed(end, place));
    Cell::words(match (low, high) {
        (None, None) => "–".to_owned(),
        _ => format!("{} to {}", end(low), end(high)).replace(' ', "\u{a0}"),
    })
}

/// One digit further than the estimate's place.
fn error(value: Option<f64>, place: Place) -> Cell {
    Cell::maybe(value, |v| fixed(v, place))
}

pub(super) fn effects(response: &str, found: &ResponseFindings) -> Option<Table> {
    if found.effects.is_empty() {
        return None;
    }
    let randomization = found.effects.iter().any(|e| e.p_randomization.is_some());
    let squares = found.effects.iter().any(|e| e.sum_of_squares.is_some());
    let mut columns = vec![
        "Effect",
        ">Degrees of freedom (df)",
        "Judged against",
        ">Its degrees of freedom",
    ];
    if squares {
        columns.push(">Sum of squares (SS)");
    }
    columns.extend([">Variance ratio (F)", ">p-value\u{a0}(p)", ">Adjusted\u{a0}p"]);
    if randomization {
        columns.push(">p by randomization");
    }
    let table = Table::new(
        name(response, "effects"),
        format!("Effects on {}", plain(response)),
        &columns,
    );
    let mut notes: Vec<String> = Vec::new();
    for effect in &found.effects {
        if let Some(note) = &effect.note {
            notes.push(format!(
                "{}: {}.",
                capital(&plain(&effect.term)),
                note.trim_end_matches('.')
            ));
        }
    }
    let table = apart(
        table,
        &found.effects,
        |e| e.planned,
        |e: &EffectFinding| {
            let mut row = vec![
                Cell::words(term(&e.term)),
                Cell::count(e.df),
                Cell::words(if e.judged_against.is_empty() {
                    "–".to_owned()
                } else {
                    term(&e.judged_against)
                }),
                Cell::maybe(e.denominator_df, degrees),
            ];
            if squares {
                row.push(Cell::maybe(e.sum_of_squares, |s| significant(s, 4)));
            }
            row.extend([
                Cell::maybe(e.f, |f| significant(f, 3)),
                Cell::maybe(e.p, p_value),
                Cell::maybe(e.p_adjusted, p_value),
            ]);
            if randomization {
                row.push(Cell::maybe(e.p_randomization, p_value));
            }
            row
        },
    );
    let mut remark = vec![
        if sentences::is_mixed(found) {
            "Each effect is judged against the spread of the unit on which its factors are set, and of others where \
             runs are missing or uneven; the degrees of freedom of such a mixture need not be whole."
        } else {
            "Each effect is judged against the spread of the unit on which its factors are set."
        }
        .to_owned(),
        adjusted(found),
    ];
    if randomization {
        remark.push("By randomization: how often an order drawn anew by the same scheme gives as much.".to_owned());
    }
    remark.extend(sentences::randomizations(found));
    remark.extend(notes);
    Some(table.remark(remark.join(" ")))
}

/// What the adjusted p-values allow for.
fn adjusted(found: &ResponseFindings) -> String {
    let any = |planned: bool| {
        found
            .effects
            .iter()
            .any(|e| e.planned == planned && e.p_adjusted.is_some())
    };
    match (any(true), any(false)) {
        (true, true) => {
            "Adjusted: over the planned effects, so that the chance of any false finding among them is held (Holm); over \
             the exploratory ones, so that the expected share of false hints is held (Benjamini and Hochberg)."
        }
        (false, true) => {
            "Adjusted: over the exploratory effects, so that the expected share of false hints is held (Benjamini and \
             Hochberg)."
        }
        _ => "Adjusted: over the planned effects (Holm).",
    }
    .to_owned()
}

pub(super) fn strata(response: &str, found: &ResponseFindings) -> Option<Table> {
    if found.strata.is_empty() {
        return None;
    }
    let rows = found
        .strata
        .iter()
        .map(|s| {
            let effects: Vec<String> = s.effects.iter().map(|e| term(e)).collect();
            vec![
                Cell::words(term(&s.unit)),
                Cell::words(if effects.is_empty() {
                    "none".to_owned()
                } else {
                    effects.join(", ")
                }),
                Cell::count(s.df),
                Cell::count(s.residual_df),
                Cell::number(significant(s.sum_of_squares, 4), s.sum_of_squares),
                Cell::maybe(s.mean_square, |m| significant(m, 4)),
            ]
        })
        .collect();
    let columns = [
        "Unit",
        "Effects judged against it",
        ">Degrees of freedom (df)",
        ">Of these left for spread",
        ">Sum of squares left (SS)",
        ">Mean square left (MS)",
    ];
    let caption = format!("The spread of each unit for {}", plain(response));
    Some(Table::new(name(response, "strata"), caption, &columns).group("", rows))
}

pub(super) fn means(response: &str, found: &ResponseFindings, voice: &Voice) -> Table {
    let row = |m: &MeanFinding, label: String| {
        let place = words::place(m.mean, m.standard_error);
        vec![
            Cell::words(label),
            Cell::count(m.n),
            Cell::number(fixed(m.mean, place), m.mean),
            error(m.standard_error, place),
            Cell::maybe(m.df, degrees),
            interval(m.low, m.high, place),
        ]
    };
    let columns = [
        "Settings".to_owned(),
        ">Results\u{a0}(n)".to_owned(),
        ">Mean".to_owned(),
        ">Standard error".to_owned(),
        ">Degrees of freedom (df)".to_owned(),
        format!(">{}", capital(&voice.interval_name())),
    ];
    let columns: Vec<&str> = columns.iter().map(String::as_str).collect();
    let caption = caption("Means", response, voice);
    Table::new(name(response, "means"), caption, &columns)
        .group("", vec![row(&found.grand_mean, "All results".to_owned())])
        .group("By level", by_count(found, 1, &row, voice))
        .group("By pairs of levels", by_count(found, 2, &row, voice))
}

fn by_count(
    found: &ResponseFindings,
    factors: usize,
    row: &dyn Fn(&MeanFinding, String) -> Vec<Cell>,
    voice: &Voice,
) -> Vec<Vec<Cell>> {
    let wanted = found.means.iter().filter(|m| m.levels.len() == factors);
    wanted
        .map(|m| {
            let parts: Vec<String> = m.levels.iter().map(|(f, l)| voice.setting(f, l)).collect();
            row(m, parts.join(", "))
        })
        .collect()
}

/// `Means of hardness, in Shore D`.
fn caption(what: &str, response: &str, voice: &Voice) -> String {
    match voice.unit.as_str() {
        "" => format!("{what} of {}", plain(response)),
        unit => format!("{what} of {}, in {unit}", plain(response)),
    }
}

pub(super) fn contrasts(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    if found.contrasts.is_empty() {
        return None;
    }
    let within = found.contrasts.iter().any(|c| !c.within.is_empty());
    let together = found.contrasts.iter().any(|c| c.together.is_some());
    let shifts = found.contrasts.iter().any(|c| c.randomization.is_some());
    let interval_title = format!(">{}", capital(&voice.interval_name()));
    let mut columns = vec![
        "Difference of",
        ">Estimate",
        ">Standard error",
        &interval_title,
        ">p-value\u{a0}(p)",
        ">Adjusted\u{a0}p",
    ];
    if shifts {
        columns.insert(4, ">Interval by randomization");
    }
    if together {
        columns.insert(4, ">Interval together");
    }
    if within {
        columns.insert(1, "At");
    }
    if found.relevant.is_some() {
        columns.push("Does it matter?");
    }
    let table = Table::new(
        name(response, "differences"),
        caption("Differences between levels", response, voice),
        &columns,
    );
    let table = apart(
        table,
        &found.contrasts,
        |c| c.planned,
        |c: &ContrastFinding| {
            let place = words::place(c.difference, c.standard_error);
            let what = format!(
                "{}\u{a0}\u{2212}\u{a0}{}",
                voice.setting(&c.factor, &c.to),
                voice.level(&c.factor, &c.from)
            );
            let mut row = vec![
                Cell::words(what),
                Cell::number(fixed(c.difference, place), c.difference),
                error(c.standard_error, place),
                interval(c.low, c.high, place),
                Cell::maybe(c.p, p_value),
                Cell::maybe(c.p_adjusted, p_value),
            ];
            if shifts {
                row.insert(4, shift(c.randomization.as_ref(), place));
            }
            if together {
                let (low, high) = c.interval();
                row.insert(4, interval(low, high, place));
            }
            if within {
                let at: Vec<String> = c.within.iter().map(|(f, l)| voice.setting(f, l)).collect();
                row.insert(
                    1,
                    Cell::words(if at.is_empty() { "all".to_owned() } else { at.join(", ") }),
                );
            }
            if found.relevant.is_some() {
                row.push(Cell::words(verdict(c.verdict)));
            }
            row
        },
    );
    let mut remark = Vec::new();
    if together {
        remark.push(
            "Interval together: with the stated confidence all intervals of a family hold at once; the adjusted p-values \
             agree with it, and so do the statements about what matters."
                .to_owned(),
        );
    }
    if shifts {
        remark.push(SHIFTS.to_owned());
    }
    remark.extend(families(found));
    Some(table.remark(remark.join(" ")))
}

pub(super) fn verdict(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::Matters) => "it does",
        Some(Verdict::DoesNotMatter) => "it does not",
        Some(Verdict::Undecided) => "undecided",
        None => "–",
    }
}

const SHIFTS: &str = "Interval by randomization: what the test by randomization does not rule out, each by itself; it needs no \
                      model of the spread. Not bounded: the draw has too few orders to rule anything out on that side.";

/// An interval by randomization; open ends are said.
fn shift(found: Option<&ShiftFinding>, place: Place) -> Cell {
    let Some(found) = found else { return Cell::words("–") };
    match (found.low, found.high) {
        (None, None) => Cell::words("not bounded"),
        (Some(low), None) => Cell::words(format!("from {}", fixed(low, place)).replace(' ', "\u{a0}")),
        (None, Some(high)) => Cell::words(format!("up to {}", fixed(high, place)).replace(' ', "\u{a0}")),
        (low, high) => interval(low, high, place),
    }
}

/// How the differences of each factor are judged together, a sentence a family.
fn families(found: &ResponseFindings) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    for contrast in &found.contrasts {
        let Some(together) = &contrast.together else { continue };
        let others: Vec<String> = contrast.within.keys().map(|f| plain(f)).collect();
        let at = if others.is_empty() {
            String::new()
        } else {
            format!(" at each {}", words::listed(&others))
        };
        let sentence = format!(
            "{}{at}: {} together, {}.",
            capital(&plain(&contrast.factor)),
            words::count(together.comparisons, "difference", "differences"),
            together.method
        );
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    said
}

pub(super) fn slopes(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    if found.slopes.is_empty() {
        return None;
    }
    let columns = [
        "Factor".to_owned(),
        "Over".to_owned(),
        "Unit".to_owned(),
        ">Slope".to_owned(),
        ">Standard error".to_owned(),
        ">Degrees of freedom (df)".to_owned(),
        format!(">{}", capital(&voice.interval_name())),
        ">p-value\u{a0}(p)".to_owned(),
    ];
    let shifts = found.slopes.iter().any(|s| s.randomization.is_some());
    let mut columns: Vec<&str> = columns.iter().map(String::as_str).collect();
    if shifts {
        columns.push(">Interval by randomization");
    }
    let verdicts = found.slopes.iter().any(|s| s.verdict.is_some());
    if verdicts {
        columns.push("Does the whole span matter?");
    }
    let table = Table::new(
        name(response, "slopes"),
        format!(
            "Change of {} per unit of {}",
            plain(response),
            if found.slopes.iter().any(|s| s.covariate) {
                "a numeric factor or covariate"
            } else {
                "a numeric factor"
            }
        ),
        &columns,
    );
    let table = apart(
        table,
        &found.slopes,
        |s| s.planned,
        |s: &SlopeFinding| {
            let place = words::place(s.per_unit, s.standard_error);
            let mut row = vec![
                Cell::words(plain(&s.factor)),
                Cell::words(Voice::span(s)),
                Cell::words(voice.slope_unit(s)),
                Cell::number(fixed(s.per_unit, place), s.per_unit),
                error(s.standard_error, place),
                Cell::maybe(s.df, degrees),
                interval(s.low, s.high, place),
                Cell::maybe(s.p, p_value),
            ];
            if shifts {
                row.push(shift(s.randomization.as_ref(), place));
            }
            if verdicts {
                row.push(Cell::words(verdict(s.verdict)));
            }
            row
        },
    );
    Some(if shifts { table.remark(SHIFTS) } else { table })
}

pub(super) fn components(response: &str, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    if found.components.is_empty() {
        return None;
    }
    let interval_title = format!(">{}", capital(&voice.interval_name()));
    let columns = [
        "Source",
        "Part of",
        ">Variance in one result",
        ">Standard deviation",
        &interval_title,
        ">Degrees of freedom (df)",
        ">Share of the variance",
    ];
    let mut notes: Vec<String> = Vec::new();
    let rows = found
        .components
        .iter()
        .map(|c| {
            if let Some(note) = &c.note {
                notes.push(format!(
                    "{}: {}.",
                    capital(&plain(&c.source)),
                    note.trim_end_matches('.')
                ));
            }
            let place = spread::component_place(c);
            vec![
                Cell::words(capital(&term(&spread::source(c)))),
                Cell::words(c.part_of.as_str()),
                Cell::maybe(c.variance, |v| significant(v, 3)),
                match (c.variance, c.standard_deviation) {
                    (Some(variance), Some(deviation)) if variance <= 0.0 => {
                        Cell::number("not told apart from zero", deviation)
                    }
                    (_, deviation) => Cell::maybe(deviation, |s| fixed(s, place)),
                },
                interval(c.low, c.high, place),
                Cell::maybe(c.df, degrees),
                Cell::maybe(c.share, percent),
            ]
        })
        .collect();
    let table = Table::new(
        name(response, "spread"),
        caption("Where the spread of one result comes from: components", response, voice),
        &columns,
    );
    let mut remark = String::new();
    if found.components.iter().any(|c| c.kind == "levels studied") {
        remark.push_str(
            "Levels studied: the spread that these levels of a factor bring about; other levels bring another. ",
        );
    }
    if found.components.iter().any(|c| c.kind == "levels drawn") {
        remark.push_str("Levels drawn: the spread in the population from which the levels of a factor were drawn. ");
    }
    if found.components.iter().any(|c| c.variance.is_some_and(|v| v <= 0.0)) {
        remark.push_str(
            "A variance estimated at zero or below says that this source is not told apart from zero, not that it is absent. ",
        );
    }
    remark.push_str(&notes.join(" "));
    Some(table.group("", rows).remark(remark.trim_end()))
}

pub(super) fn checks(response: &str, found: &ResponseFindings) -> Option<Table> {
    if found.checks.is_empty() {
        return None;
    }
    let rows = found
        .checks
        .iter()
        .map(|c| {
            vec![
                Cell::words(capital(&c.name)),
                Cell::words(outcome(c.outcome)),
                Cell::words(c.answer.as_str()),
                Cell::maybe(c.p, p_value),
            ]
        })
        .collect();
    let columns = ["Check", "Outcome", "Answer", ">p-value\u{a0}(p)"];
    let caption = format!("What the model might not see in {}", plain(response));
    Some(Table::new(name(response, "checks"), caption, &columns).group("", rows))
}

/// The word for how a check came out.
pub(super) fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::NothingFound => "nothing found",
        Outcome::Look => "look",
        Outcome::CannotTell => "cannot tell",
    }
}

pub(super) fn conditions(findings: &Findings) -> Option<Table> {
    if findings.record.conditions.is_empty() {
        return None;
    }
    let rows = findings
        .record
        .conditions
        .iter()
        .map(|c| {
            let print = |v: f64| significant(v, 4);
            vec![
                Cell::words(capital(&plain(&c.name))),
                Cell::words(if c.unit.is_empty() { "–" } else { c.unit.as_str() }),
                Cell::count(c.values),
                Cell::maybe(c.lowest, print),
                Cell::maybe(c.mean, print),
                Cell::maybe(c.highest, print),
            ]
        })
        .collect();
    let columns = ["Condition", "Unit", ">Values\u{a0}(n)", ">Lowest", ">Mean", ">Highest"];
    Some(Table::new("conditions", "Conditions measured beside the readings", &columns).group("", rows))
}

/// Every result with its settings.
pub(super) fn results(
    protocol: &Protocol,
    response: &Response,
    found: &ResponseFindings,
    voice: &Voice,
) -> Option<Table> {
    if found.results.is_empty() {
        return None;
    }
    let runs = sorted(found);
    let moved = runs.iter().any(|r| r.position != r.run);
    let units: Vec<&str> = protocol
        .units
        .iter()
        .rev()
        .skip(1)
        .rev()
        .map(|u| u.name.as_str())
        .collect();
    let factors: Vec<&str> = protocol.factors.iter().map(|f| f.name.as_str()).collect();
    let place = result_place(response);
    let mut table = Table::new(
        name(&response.name, "results"),
        caption("Every result", &response.name, voice),
        &[">Run"],
    )
    .dense();
    let mut column = |title: String, align: &str| {
        table.columns.push(Column::set(title, align));
    };
    if moved {
        column("Position run".to_owned(), "right");
    }
    for unit in &units {
        column(capital(&plain(unit)), "left");
    }
    for factor in &factors {
        column(capital(&plain(factor)), "left");
    }
    // A statement on precision or on a measurement system fits no model to single results.
    let fitted = runs.iter().any(|r| r.fitted.is_some());
    let titles = ["Result", "Fitted", "Result \u{2212} fitted"];
    for title in &titles[..if fitted { 3 } else { 1 }] {
        column((*title).to_owned(), "right");
    }
    let rows = runs
        .iter()
        .map(|r| {
            let mut row = vec![Cell::count(r.run)];
            if moved {
                row.push(Cell::count(r.position));
            }
            let text = |text: Option<&String>| text.map_or_else(|| "–".to_owned(), Clone::clone);
            row.extend(units.iter().map(|u| Cell::words(text(r.units.get(*u)))));
            row.extend(factors.iter().map(|f| {
                Cell::words(
                    r.levels
                        .get(*f)
                        .map_or_else(|| "–".to_owned(), |level| voice.level(f, level)),
                )
            }));
            let print = |v: f64| fixed(v, place);
            row.push(Cell::number(print(r.result), r.result));
            if fitted {
                row.push(Cell::maybe(r.fitted, print));
                row.push(Cell::maybe(r.residual, print));
            }
            row
        })
        .collect();
    Some(table.group("", rows))
}

/// Every reading; none for a study with one reading a run, whose results are the readings.
pub(super) fn readings(response: &Response, found: &ResponseFindings, voice: &Voice) -> Option<Table> {
    let runs = sorted(found);
    let most = runs.iter().map(|r| r.readings.len()).max().unwrap_or(0);
    if most < 2 {
        return None;
    }
    let place = Place(response.resolution.scale().min(12).cast_signed());
    let mut table = Table::new(
        name(&response.name, "readings"),
        caption("Every reading", &response.name, voice),
        &[">Run"],
    )
    .dense();
    let apart = most <= MOST_COLUMNS;
    let titles = if apart {
        (1..=most).map(|i| i.to_string()).collect()
    } else {
        vec!["Readings in order".to_owned()]
    };
    for title in titles {
        table
            .columns
            .push(Column::set(title, if apart { "right" } else { "left" }));
    }
    let rows = runs
        .iter()
        .map(|r| {
            let mut row = vec![Cell::count(r.run)];
            if apart {
                row.extend((0..most).map(|i| Cell::maybe(r.readings.get(i).copied(), |v| fixed(v, place))));
            } else {
                let texts: Vec<String> = r.readings.iter().map(|&v| fixed(v, place)).collect();
                row.push(Cell::words(texts.join(" ")));
            }
            row
        })
        .collect();
    Some(table.group("", rows))
}

fn sorted(found: &ResponseFindings) -> Vec<&RunResult> {
    let mut runs: Vec<&RunResult> = found.results.iter().collect();
    runs.sort_by_key(|r| (r.run, r.position));
    runs
}

/// The place of a result: that of the display, and for a mean as much further as its readings carry it.
fn result_place(response: &Response) -> Place {
    let display = response.resolution.scale().min(10).cast_signed();
    let more = match response.result {
        Statistic::Mean => (response.readings.max(1) as f64).log10().ceil() as i32,
        Statistic::Median => i32::from(response.readings.is_multiple_of(2)),
        Statistic::Minimum | Statistic::Maximum => 0,
    };
    Place(display + more)
}

/// How a particular of a response is printed.
type Print<'a> = &'a dyn Fn(&Response) -> String;

/// What is measured, in full: one row a particular, one column a response.
pub(super) fn measurand(protocol: &Protocol) -> Table {
    let mut table = Table::new("measurand", "What is measured", &["Particular"]);
    for response in &protocol.responses {
        table.columns.push(Column::set(capital(&plain(&response.name)), "left"));
    }
    let unit = |r: &Response, text: String| number::with_unit(&text.replace('-', "\u{2212}"), &r.unit);
    let range = |r: &Response, range: Option<(rust_decimal::Decimal, rust_decimal::Decimal)>| {
        range.map_or_else(
            || "not stated".to_owned(),
            |(low, high)| unit(r, format!("{low} to {high}")),
        )
    };
    let particulars: [(&str, Print); 10] = [
        ("Measurand", &|r| r.measurand.clone()),
        ("Unit of measure", &|r| {
            if r.unit.is_empty() {
                "none".to_owned()
            } else {
                r.unit.clone()
            }
        }),
        ("Smallest step of the display", &|r| unit(r, r.resolution.to_string())),
        ("When a reading is taken", &|r| r.reading_time.clone()),
        ("Readings in a run", &|r| r.readings.to_string()),
        ("Result of a run", &|r| {
            if r.readings > 1 {
                format!("{} of its readings", r.result.word())
            } else {
                "the reading itself".to_owned()
            }
        }),
        ("A stated result is rounded to", &|r| {
            r.round_to
                .map_or_else(|| "not rounded".to_owned(), |step| unit(r, step.to_string()))
        }),
        ("Expected range", &|r| range(r, r.expected)),
        ("Product limit", &|r| match r.limit {
            None => "not stated".to_owned(),
            Some(crate::protocol::Limit::AtLeast(limit)) => unit(r, format!("at least {limit}")),
            Some(crate::protocol::Limit::AtMost(limit)) => unit(r, format!("at most {limit}")),
        }),
        ("Smallest difference that matters", &|r| {
            r.relevant
                .map_or_else(|| "not stated".to_owned(), |size| unit(r, size.to_string()))
        }),
    ];
    let tolerance: (&str, Print) = ("Tolerance of a part", &|r| range(r, r.tolerance));
    let with_tolerance = protocol.responses.iter().any(|r| r.tolerance.is_some());
    let rows = particulars
        .iter()
        .chain(with_tolerance.then_some(&tolerance))
        .map(|(label, print)| {
            let cells = protocol.responses.iter().map(|r| Cell::words(print(r)));
            std::iter::once(Cell::words(*label)).chain(cells).collect()
        })
        .collect();
    table.group("", rows)
}
