//! Decisions near a limit in words, tables and figures.
//!
//! In:  the decision of one response with its uncertainty, and the `Voice` that names things.
//! Out: sentences for the head of the report, and a section. It is a computation under a declared rule; nothing here
//!      certifies or approves.

use std::fmt::Write as _;

use crate::analysis::{DecisionFinding, JudgedResult, ResponseFindings, RiskFinding, VariantFinding};
use crate::chart::{Head, LimitChart, LimitRow, Line, Pen, PlotChart};

use super::Picture;
use super::document::{Block, Cell, Section, Table};
use super::figures::picture;
use super::number::{self, NBSP, Place, degrees, fixed, significant, with_unit};
use super::sections::section;
use super::words::{Voice, capital, count, listed, plain, short};

/// Results that still have a sentence each.
const MOST_SENTENCES: usize = 3;

/// A probability in per cent with a decimal: `93.4 %`, never all or nothing.
pub(super) fn chance(p: f64) -> String {
    if p < 0.0005 {
        format!("<{NBSP}0.1{NBSP}%")
    } else if p > 0.9995 {
        format!(">{NBSP}99.9{NBSP}%")
    } else {
        format!("{}{NBSP}%", fixed(p * 100.0, Place(1)))
    }
}

/// A rounded result with the decimals of its step: `56.0`.
fn at_step(value: f64, step: Option<f64>) -> String {
    let decimals = step.map_or(0, |step| number::exact(step).split('.').nth(1).map_or(0, str::len));
    let decimals = i32::try_from(decimals).unwrap_or(0);
    fixed(value, Place(decimals))
}

fn place_of(found: &DecisionFinding) -> Place {
    Place::of_error(found.standard).unwrap_or(Place(2))
}

impl DecisionFinding {
    fn upward(&self) -> bool {
        self.side == "at least"
    }
}

fn amount(found: &DecisionFinding, value: f64, voice: &Voice) -> String {
    with_unit(&fixed(value, place_of(found)), &voice.unit)
}

fn limit_text(found: &DecisionFinding, voice: &Voice) -> String {
    format!("{} {}", found.side, with_unit(&short(found.limit), &voice.unit))
}

/// Sentences: the rule, the results, the least true value.
pub(super) fn answers(found: &DecisionFinding, voice: &Voice) -> Vec<String> {
    let mut said = vec![rule(found, voice)];
    if found.results.len() <= MOST_SENTENCES {
        said.extend(found.results.iter().map(|result| judged(found, result, voice)));
    } else {
        said.push(summary(found));
    }
    // The section has the other laboratories.
    said.extend(least(found, voice).pop());
    said
}

fn rule(found: &DecisionFinding, voice: &Voice) -> String {
    let from = if found.upward() { "from" } else { "up to" };
    let mut text = format!(
        "By {} a result passes {from} {} (limit {}",
        found.rule,
        amount(found, found.acceptance, voice),
        limit_text(found, voice)
    );
    if found.guard > 0.0 {
        let origin = if found.guard_declared {
            "declared".to_owned()
        } else {
            format!("for a risk of {}", chance(found.risk))
        };
        let _ = write!(text, ", guard band {}, {origin}", amount(found, found.guard, voice));
    }
    text.push(')');
    if found.rule == "four outcomes" {
        text.push_str("; nearer to the limit it passes or fails conditionally");
    }
    if let Some(step) = found.rounded_to {
        let _ = write!(
            text,
            "; results are rounded to {} first, so {} before rounding is enough",
            short(step),
            with_unit(&short((found.cut * 1e6).round() / 1e6), &voice.unit)
        );
    }
    text.push('.');
    text
}

fn judged(found: &DecisionFinding, result: &JudgedResult, voice: &Voice) -> String {
    let simple = if result.simple == (result.outcome == "pass") {
        String::new()
    } else if result.simple {
        ", though it keeps the bare limit".to_owned()
    } else {
        ", though it misses the bare limit".to_owned()
    };
    let verb = match result.outcome.as_str() {
        "pass" => "passes",
        "conditional pass" => "passes conditionally",
        "conditional fail" => "fails conditionally",
        _ => "fails",
    };
    // Conditional outcomes say by themselves on which side of the limit the result lies.
    let simple = if result.outcome.starts_with("conditional") {
        String::new()
    } else {
        simple
    };
    format!(
        "{}: {} {verb}{simple}; the true value keeps the limit with a probability of {} (conservative {}).",
        capital(&result.what),
        amount(found, result.value, voice),
        chance(result.conforming),
        chance(result.conforming_conservative),
    )
}

fn summary(found: &DecisionFinding) -> String {
    let of = |outcome: &str| -> Vec<String> {
        found
            .results
            .iter()
            .filter(|r| r.outcome == outcome)
            .map(|r| r.what.clone())
            .collect()
    };
    let mut parts = Vec::new();
    for (outcome, one, many) in [
        ("pass", "passes", "pass"),
        ("conditional pass", "passes conditionally", "pass conditionally"),
        ("conditional fail", "fails conditionally", "fail conditionally"),
        ("fail", "fails", "fail"),
    ] {
        let named = of(outcome);
        if named.is_empty() {
            continue;
        }
        let verb = if named.len() == 1 { one } else { many };
        let names = if named.len() <= 6 && named.len() < found.results.len() {
            format!(" ({})", listed(&named))
        } else {
            String::new()
        };
        parts.push(format!("{} {verb}{names}", named.len()));
    }
    format!(
        "Of {}, {}.",
        count(found.results.len(), "result", "results"),
        listed(&parts)
    )
}

fn least(found: &DecisionFinding, voice: &Voice) -> Vec<String> {
    let mut said = Vec::new();
    let side = if found.upward() { "at least" } else { "at most" };
    for row in found.least.iter().filter(|row| !row.at.starts_with("two")) {
        let mut text = format!(
            "To pass with a probability of {} at {}, a product must truly have {side} {} (conservative value {})",
            chance(found.pass_share),
            row.at,
            amount(found, row.estimate, voice),
            amount(found, row.conservative, voice)
        );
        if let (Some(worst), Some(window)) = (row.worst, &found.window) {
            let _ = write!(
                text,
                "; at {}, the worst end of the {} window, {}",
                with_unit(&short(window.worst_at), &window.unit),
                plain(&window.factor),
                amount(found, worst, voice)
            );
            if let Some(conservative) = row.worst_conservative {
                let _ = write!(text, " (conservative value {})", amount(found, conservative, voice));
            }
        }
        text.push('.');
        said.push(text);
    }
    said
}

/// The section.
pub(super) fn report(response: &str, all: &ResponseFindings, found: &DecisionFinding, voice: &Voice) -> Section {
    let mut blocks = vec![Block::paragraph(intro(found, voice))];
    if !found.results.is_empty() {
        blocks.push(Block::Figure(against_limit(response, all, found, voice)));
        blocks.push(Block::Table(results(response, found, voice)));
    }
    blocks.push(Block::Figure(curve(response, found, voice)));
    blocks.push(Block::Table(least_table(response, found, voice)));
    if !found.variants.is_empty() {
        blocks.push(Block::Table(variants(response, found, voice)));
    }
    if found.production.is_some() {
        blocks.push(Block::Table(production(response, found, voice)));
    }
    blocks.push(Block::paragraph(
        "This is a computation under the declared rule, not a certificate; the requirement itself and its edition are named \
         in the protocol's question and method.",
    ));
    section("decision", "What that means near the limit", blocks)
}

fn intro(found: &DecisionFinding, voice: &Voice) -> String {
    let df = found.df.map_or_else(String::new, |df| {
        format!(" on {} effective degrees of freedom", degrees(df.floor()))
    });
    let mut text = format!(
        "{} Standard uncertainty of a stated result: {}{df}; its 95{NBSP}% upper limit, {}, stands behind every conservative \
         value. New in every result: {}; shared by all results of a laboratory: {}{}.",
        rule(found, voice),
        amount(found, found.standard, voice),
        amount(found, found.standard_conservative, voice),
        amount(found, found.fresh, voice),
        amount(found, found.shared, voice),
        if found.shared_published {
            " (published, between laboratories)"
        } else {
            ""
        }
    );
    text.push_str(match found.retest.as_str() {
        "second result counts" => {
            " A second result counts if the first does not pass: that makes passing likelier, but only against what is new in \
             every result."
        }
        "mean of two" => " Two results are always made and their mean counts.",
        _ => " A result that does not pass is not repeated.",
    });
    text
}

fn against_limit(response: &str, all: &ResponseFindings, found: &DecisionFinding, voice: &Voice) -> Picture {
    let reach = all.uncertainty.as_ref().map_or(1.96 * found.standard, |u| u.expanded);
    let rows: Vec<LimitRow> = found
        .results
        .iter()
        .take(40)
        .map(|result| LimitRow {
            label: capital(&result.what),
            text: format!("{}: {}", fixed(result.value, place_of(found)), result.outcome),
            value: result.value,
            interval: (result.value - reach, result.value + reach),
            passes: result.outcome == "pass",
        })
        .collect();
    let title = if let [one] = found.results.as_slice() {
        format!("{}: {}", capital(&one.what), one.outcome)
    } else {
        summary(found).trim_end_matches('.').to_owned()
    };
    let spoken: Vec<String> = rows.iter().map(|row| format!("{} {}", row.label, row.text)).collect();
    let chart = LimitChart {
        axis: quantity(response, voice),
        limit: (found.limit, format!("limit {}", limit_text(found, voice))),
        acceptance: (found.guard > 0.0).then(|| {
            let from = if found.upward() { "from" } else { "up to" };
            (
                found.acceptance,
                format!("passes {from} {}", amount(found, found.acceptance, voice)),
            )
        }),
        rows,
    };
    let head = Head {
        name: format!("{response}-against-limit"),
        description: format!("{title}. {}.", spoken.join("; ")),
        title,
    };
    let mut caption = "Dots: results, full if they pass; lines: expanded uncertainty.".to_owned();
    if found.guard > 0.0 {
        caption.push_str(" Shaded: the guard band.");
    }
    if found.results.len() > 40 {
        caption.push_str(" The first 40; the table has all.");
    }
    picture(chart.draw(&head), caption)
}

fn quantity(response: &str, voice: &Voice) -> String {
    if voice.unit.is_empty() {
        plain(response)
    } else {
        format!("{} ({})", plain(response), voice.unit)
    }
}

fn results(response: &str, found: &DecisionFinding, voice: &Voice) -> Table {
    let known = found.production.is_some();
    let place = Place(place_of(found).0 + i32::from(found.rounded_to.is_none()));
    let rows = found
        .results
        .iter()
        .map(|result| {
            let mut row = vec![
                Cell::words(capital(&result.what)),
                Cell::number(fixed(result.value, place), result.value),
            ];
            if found.rounded_to.is_some() {
                row.push(Cell::number(
                    at_step(result.compared, found.rounded_to),
                    result.compared,
                ));
            }
            row.extend([
                Cell::words(result.outcome.clone()),
                Cell::words(if result.simple { "pass" } else { "fail" }),
                Cell::number(chance(result.conforming), result.conforming),
                Cell::number(chance(result.conforming_conservative), result.conforming_conservative),
            ]);
            if known {
                row.push(Cell::maybe(result.conforming_in_production, chance));
            }
            row
        })
        .collect();
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", voice.unit)
    };
    let value = format!(">Result{unit}");
    let mut columns = vec!["Of", &value];
    if found.rounded_to.is_some() {
        columns.push(">As compared");
    }
    columns.extend(["By the rule", "By the bare limit", ">Keeps the limit", ">Conservative"]);
    if known {
        columns.push(">Knowing the production");
    }
    let how = if found.df.is_some() {
        "t distribution on the effective degrees of freedom"
    } else {
        "normal distribution"
    };
    Table::new(format!("{response}-decision"), "Results held against the limit", &columns)
        .group("", rows)
        .remark(format!(
            "Keeps the limit: probability that the true value does, from (result − limit)/u by the {how}, nothing else known. \
             Conservative: the same with the 95{NBSP}% upper limit of u. Each result is judged as one stated result."
        ))
}

fn curve(response: &str, found: &DecisionFinding, voice: &Voice) -> Picture {
    let line = |label: &str, pen: Pen, of: fn(&crate::analysis::CurvePoint) -> f64| {
        let mut points: Vec<(f64, f64)> = found.curve.iter().map(|p| (p.true_value, of(p) * 100.0)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        Line {
            label: label.to_owned(),
            pen,
            points,
        }
    };
    let shared = found.shared > 0.0;
    let mut lines = vec![line("one laboratory, no bias", Pen::Plain, |p| p.one)];
    if shared {
        lines.push(line("a laboratory at random", Pen::Strong, |p| p.random));
    }
    lines.push(line("conservative", Pen::Dashed, |p| p.conservative));
    let share = found.pass_share * 100.0;
    let title = found.least.iter().rfind(|row| !row.at.starts_with("two")).map_or_else(
        || "How often a product passes".to_owned(),
        |row| {
            format!(
                "To pass with {} at {}, the true value must be {} {}",
                chance(found.pass_share),
                row.at,
                found.side,
                amount(found, row.estimate, voice)
            )
        },
    );
    let chart = PlotChart {
        across: format!("true value, {}", quantity(response, voice)),
        axis: "chance of passing (%)".to_owned(),
        points: Vec::new(),
        lines: lines
            .into_iter()
            .chain([Line {
                label: String::new(),
                pen: Pen::Dashed,
                points: vec![
                    (found.curve.first().map_or(0.0, |p| p.true_value), share),
                    (found.curve.last().map_or(1.0, |p| p.true_value), share),
                ],
            }])
            .collect(),
        legend: true,
        ribbon: Vec::new(),
        bands: Vec::new(),
        uprights: vec![(found.limit, format!("limit {}", limit_text(found, voice)))],
        room: (Vec::new(), vec![0.0, 100.0]),
    };
    let caption = format!(
        "Thin line: at one laboratory without bias only what is new in every result varies. Heavy: at a laboratory taken at \
         random its bias varies too. Dashed curve: the same with conservative spreads; dashed level line: {}.",
        chance(found.pass_share)
    );
    let head = Head {
        name: format!("{response}-chance-of-passing"),
        description: format!("{title}. {caption}"),
        title,
    };
    picture(chart.draw(&head), caption)
}

fn least_table(response: &str, found: &DecisionFinding, voice: &Voice) -> Table {
    let place = Place(place_of(found).0);
    let cell = |value: f64| Cell::number(fixed(value, place), value);
    let window = found.window.as_ref();
    let rows = found
        .least
        .iter()
        .map(|row| {
            let mut cells = vec![
                Cell::words(capital(&row.at)),
                cell(row.estimate),
                cell(row.conservative),
            ];
            if window.is_some() {
                cells.push(Cell::maybe(row.worst, |v| fixed(v, place)));
                cells.push(Cell::maybe(row.worst_conservative, |v| fixed(v, place)));
            }
            cells
        })
        .collect();
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    let worst = window.map(|w| with_unit(&short(w.worst_at), &w.unit));
    let headings = worst.map(|at| (format!(">Worst, at {at}"), format!(">Worst, conservative, at {at}")));
    let mut columns = vec!["At", ">Estimate", ">Conservative"];
    if let Some((first, second)) = &headings {
        columns.extend([first.as_str(), second]);
    }
    let z = crate::numeric::distribution::normal_quantile_lower(found.pass_share);
    let mut remark = String::new();
    if found.retest == "none" {
        let _ = write!(
            remark,
            "Estimate: {} {} {} times the spread that counts: {} at one laboratory, √({}² + {}²) at one taken at random.",
            fixed(found.cut, Place(place.0 + 1)),
            if found.upward() { "+" } else { "−" },
            significant(z, 4),
            fixed(found.fresh, Place(place.0 + 1)),
            fixed(found.fresh, Place(place.0 + 1)),
            fixed(found.shared, Place(place.0 + 1)),
        );
    }
    if let Some(w) = window {
        let _ = write!(
            remark,
            " True values refer to {}; at the worst end of {} to {} a result reads {} {}.",
            with_unit(&short(w.reference), &w.unit),
            short(w.between.0),
            with_unit(&short(w.between.1), &w.unit),
            with_unit(&fixed(w.shift.abs(), Place(place.0 + 1)), &voice.unit),
            if w.shift < 0.0 { "lower" } else { "higher" }
        );
        remark.push_str(" That is added to the spread of a result, which may hold the window already.");
    }
    let word = if found.upward() { "Least" } else { "Largest" };
    Table::new(
        format!("{response}-least-true-value"),
        format!(
            "{word} true value that passes with a probability of {}{unit}",
            chance(found.pass_share)
        ),
        &columns,
    )
    .group("", rows)
    .remark(remark.trim_start())
}

/// What rounding before comparison and repeating do.
fn variants(response: &str, found: &DecisionFinding, voice: &Voice) -> Table {
    let place = place_of(found);
    let row = |variant: &VariantFinding| {
        let rounded = variant
            .rounded_to
            .map_or_else(|| "not".to_owned(), |step| format!("to {}", short(step)));
        let own = if variant.declared { ", as declared" } else { "" };
        let again = match variant.retest.as_str() {
            "none" => "no repeat",
            "second result counts" => "a second result counts if the first does not pass",
            _ => "always the mean of two",
        };
        let cell = |value: f64, place: Place| Cell::number(fixed(value, place), value);
        vec![
            Cell::words(format!("{rounded}{own}")),
            Cell::words(again),
            cell(variant.cut, Place(place.0 + 1)),
            Cell::number(chance(variant.at_limit), variant.at_limit),
            cell(variant.least_one, place),
            cell(variant.least_random, place),
        ]
    };
    let word = if found.upward() { "Least" } else { "Largest" };
    let unit = if voice.unit.is_empty() {
        String::new()
    } else {
        format!(", in {}", voice.unit)
    };
    Table::new(
        format!("{response}-other-rules"),
        format!("What rounding before comparison and repeating do{unit}"),
        &[
            "Rounded before comparison",
            "If a result does not pass",
            ">Passes from",
            ">Passes with a true value at the limit",
            &format!(">{word} true value, one laboratory"),
            &format!(">{word} true value, at random"),
        ],
    )
    .group("", found.variants.iter().map(row).collect())
    .remark(format!(
        "Everything else as declared; the true values pass with a probability of {}. Passes from: before rounding; half a step \
         of rounding is half a step of margin. A second try helps only against what is new in every result: the bias of a \
         laboratory stays. Agree the rule beforehand.",
        chance(found.pass_share)
    ))
}

fn production(response: &str, found: &DecisionFinding, voice: &Voice) -> Table {
    let Some(p) = &found.production else {
        return Table::new(format!("{response}-production"), "", &[]);
    };
    let row = |what: &str, risk: &RiskFinding| {
        vec![
            Cell::words(what),
            Cell::number(fixed(risk.acceptance, Place(place_of(found).0 + 1)), risk.acceptance),
            Cell::number(chance(risk.accepted), risk.accepted),
            Cell::number(chance(risk.wrongly_accepted), risk.wrongly_accepted),
            Cell::number(chance(risk.wrongly_rejected), risk.wrongly_rejected),
        ]
    };
    let mut rows = vec![row("By the bare limit", &p.by_limit)];
    if found.guard > 0.0 {
        rows.push(row(&format!("By {}", found.rule), &p.by_rule));
    }
    Table::new(
        format!("{response}-production"),
        "What becomes of all items",
        &[
            "Accepted",
            ">From",
            ">Of all items",
            ">Accepted, do not conform",
            ">Rejected, conform",
        ],
    )
    .group("", rows)
    .remark(format!(
        "For true values with mean {} and standard deviation {} ({}), of which {} conform, normal errors with the standard \
         uncertainty of a result. Chances of one item; divide by what is accepted for the chance among accepted ones.",
        amount(found, p.mean, voice),
        with_unit(&significant(p.standard_deviation, 3), &voice.unit),
        p.origin,
        chance(p.conforming)
    ))
}

/// Values that a note may pull in.
pub(super) fn values(name: &str, found: &DecisionFinding, voice: &Voice, add: &mut dyn FnMut(String, String)) {
    let at = |what: &str| format!("{name}.decision.{what}");
    add(at("limit"), with_unit(&short(found.limit), &voice.unit));
    add(at("guard"), amount(found, found.guard, voice));
    add(at("acceptance"), amount(found, found.acceptance, voice));
    add(at("rule"), found.rule.clone());
    for row in &found.least {
        let key = match row.at.as_str() {
            "one laboratory without bias" => "one",
            "a laboratory taken at random" => "random",
            _ => "two",
        };
        add(at(&format!("least.{key}")), amount(found, row.estimate, voice));
        add(
            at(&format!("least.{key}.conservative")),
            amount(found, row.conservative, voice),
        );
    }
    for result in &found.results {
        add(at(&format!("results.{}.outcome", result.what)), result.outcome.clone());
        add(
            at(&format!("results.{}.conforming", result.what)),
            chance(result.conforming),
        );
    }
    add(at("confidence"), number::confidence(voice.confidence));
}

#[cfg(test)]
mod tests {
    use super::super::words::trial::{said, voice};
    use super::*;
    use crate::analysis::{LeastTrueValue, WindowFinding};

    fn result(value: f64, outcome: &str, simple: bool, conforming: f64) -> JudgedResult {
        JudgedResult {
            what: format!("roller {value}"),
            value,
            compared: value,
            outcome: outcome.to_owned(),
            simple,
            conforming,
            conforming_conservative: conforming - 0.02,
            conforming_in_production: None,
        }
    }

    fn found(rule: &str, results: Vec<JudgedResult>) -> DecisionFinding {
        DecisionFinding {
            limit: 55.0,
            side: "at least".to_owned(),
            rule: rule.to_owned(),
            guard: if rule == "simple acceptance" { 0.0 } else { 1.08 },
            guard_declared: false,
            risk: 0.05,
            acceptance: if rule == "simple acceptance" { 55.0 } else { 56.08 },
            cut: 56.08,
            rounded_to: None,
            standard: 0.66,
            df: None,
            standard_conservative: 0.71,
            fresh: 0.19,
            shared: 0.63,
            shared_published: false,
            retest: "none".to_owned(),
            results,
            pass_share: 0.95,
            least: vec![LeastTrueValue {
                at: "a laboratory taken at random".to_owned(),
                estimate: 57.16,
                conservative: 57.25,
                worst: Some(57.56),
                worst_conservative: Some(57.7),
            }],
            window: Some(WindowFinding {
                factor: "temperature".to_owned(),
                unit: "°C".to_owned(),
                between: (21.0, 25.0),
                reference: 23.0,
                worst_at: 25.0,
                shift: -0.4,
                shift_conservative: Some(-0.45),
            }),
            variants: Vec::new(),
            curve: Vec::new(),
            production: None,
        }
    }

    #[test]
    fn rules_say_where_a_result_passes() {
        let voice = voice(None);
        assert_eq!(
            said(&rule(&found("simple acceptance", Vec::new()), &voice)),
            "By simple acceptance a result passes from 55.00 Shore D (limit at least 55 Shore D)."
        );
        assert_eq!(
            said(&rule(&found("guarded acceptance", Vec::new()), &voice)),
            "By guarded acceptance a result passes from 56.08 Shore D (limit at least 55 Shore D, guard band 1.08 Shore D, for \
             a risk of 5.0 %)."
        );
        let mut rounded = found("simple acceptance", Vec::new());
        rounded.rounded_to = Some(0.5);
        rounded.cut = 54.75;
        assert!(
            said(&rule(&rounded, &voice))
                .ends_with("; results are rounded to 0.5 first, so 54.75 Shore D before rounding is enough.")
        );
    }

    #[test]
    fn results_are_said_with_their_probability() {
        let voice = voice(None);
        let found = found("guarded acceptance", Vec::new());
        assert_eq!(
            said(&judged(&found, &result(55.8, "fail", true, 0.887), &voice)),
            "Roller 55.8: 55.80 Shore D fails, though it keeps the bare limit; the true value keeps the limit with a \
             probability of 88.7 % (conservative 86.7 %)."
        );
        assert!(
            said(&judged(&found, &result(57.0, "pass", true, 0.99999), &voice)).contains("probability of > 99.9 %")
        );
        assert!(
            said(&judged(&found, &result(54.8, "conditional fail", false, 0.3), &voice))
                .contains("54.80 Shore D fails conditionally; the true value")
        );
    }

    #[test]
    fn many_results_are_counted() {
        let many = vec![
            result(57.0, "pass", true, 0.99),
            result(58.0, "pass", true, 0.99),
            result(55.8, "fail", true, 0.88),
            result(54.0, "fail", false, 0.1),
        ];
        assert_eq!(
            said(&summary(&found("guarded acceptance", many))),
            "Of 4 results, 2 pass (roller 57 and roller 58) and 2 fail (roller 55.8 and roller 54)."
        );
    }

    #[test]
    fn the_least_true_value_is_said_with_its_worst_case() {
        let said: Vec<String> = least(&found("guarded acceptance", Vec::new()), &voice(None))
            .iter()
            .map(|s| said(s))
            .collect();
        assert_eq!(
            said,
            [
                "To pass with a probability of 95.0 % at a laboratory taken at random, a product must truly have at least \
                 57.16 Shore D (conservative value 57.25 Shore D); at 25 °C, the worst end of the temperature window, 57.56 \
                 Shore D (conservative value 57.70 Shore D)."
            ]
        );
    }

    #[test]
    fn chances_are_never_all_or_nothing() {
        assert_eq!(
            [0.0001, 0.0123, 0.5, 0.99999].map(|p| said(&chance(p))),
            ["< 0.1 %", "1.2 %", "50.0 %", "> 99.9 %"]
        );
    }
}
