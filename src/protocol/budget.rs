//! The uncertainty budget of a response, as declared.
//!
//! In:  the tree of a protocol, with its units, factors and conditions.
//! Out: one `Budget` for each table `[uncertainty.RESPONSE]`; codes P180 to P187, P194.
//! Never here: the study's findings, from which some sources take their numbers later.

use super::measurement::{Context, own_response};
use super::model::{ConditionId, FactorId, ResponseId, UnitId};
use super::number::Exact;
use super::structure::did_you_mean;
use super::tree::{Span, Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;
use crate::numeric::expression::{Expression, is_reserved};

/// Most sources of one budget.
const SOURCES: usize = 64;

/// An uncertainty budget.
#[derive(Debug, Clone)]
pub struct Budget {
    /// The response.
    pub response: ResponseId,
    /// The measurement equation; its names are those of the sources.
    pub equation: Expression,
    /// The equation as written; empty for the sum of all sources.
    pub equation_text: String,
    /// How many different ones of each unit a stated result averages.
    pub result_of: Vec<usize>,
    /// How many readings it averages in all.
    pub readings: usize,
    /// Coverage probability of the expanded uncertainty.
    pub coverage: f64,
    /// Significant digits of the expanded uncertainty.
    pub digits: i32,
    /// True if it is rounded up.
    pub rounds_up: bool,
    /// Most trials of the simulation.
    pub trials: usize,
    /// The sources, in the order of the names of the equation.
    pub sources: Vec<Source>,
    /// Correlations: two sources, and a number or their readings.
    pub correlations: Vec<Correlation>,
}

/// A source of uncertainty.
#[derive(Debug, Clone)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// What it is, in the protocol's words; may be empty.
    pub what: String,
    /// Unit of measure.
    pub unit: String,
    /// Best estimate, if one is declared.
    pub value: Option<f64>,
    /// How its spread is given.
    pub given: Given,
    /// Degrees of freedom, if declared; ∞ allowed.
    pub df: Option<f64>,
    /// With what it takes a new value; empty if all readings of a result share it.
    pub anew: Vec<Anew>,
    /// Factor before it in a budget without an equation.
    pub sensitivity: f64,
}

/// With what a source takes a new value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anew {
    /// With every reading.
    Reading,
    /// With every one of a unit.
    Unit(UnitId),
}

/// How the spread of a source is given.
#[derive(Debug, Clone, PartialEq)]
pub enum Given {
    /// A standard uncertainty, normal.
    Standard(f64),
    /// Limits: half width, shape, and the middle where it was declared with them.
    Limits(f64, Limited, Option<f64>),
    /// An expanded uncertainty and its factor.
    Expanded(f64, f64),
    /// Readings.
    Readings(Vec<f64>),
    /// From the study's findings.
    Found(Origin),
}

/// A distribution between limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limited {
    /// The same everywhere.
    Rectangular,
    /// The middle likelier.
    Triangular,
    /// The limits likeliest.
    Arcsine,
    /// Level over a part of the width.
    Trapezoidal(f64),
}

/// What a source takes from the study.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Origin {
    /// Spread of single readings within a run.
    ReadingSpread,
    /// Spread between units of a kind; several for units that cross.
    UnitSpread(Vec<UnitId>),
    /// Slope of a numeric factor with its standard error.
    Slope(FactorId),
    /// Difference between the two levels of a factor with its standard error.
    Difference(FactorId),
    /// Mean of the study with its standard error.
    Mean,
    /// Step of the display.
    Resolution,
    /// Calibration tolerance of the things behind a factor's levels, by the site file.
    Tolerance(FactorId),
    /// A condition: its mean, and the range in which it was.
    Condition(ConditionId),
}

/// Two sources that go together.
#[derive(Debug, Clone, PartialEq)]
pub struct Correlation {
    /// Indices into the sources.
    pub of: (usize, usize),
    /// Their correlation; `None` for that of their readings.
    pub is: Option<f64>,
    /// What makes them go together; may be empty.
    pub why: String,
}

/// Reads the tables `[uncertainty.RESPONSE]`.
pub(super) fn read(desk: &mut Desk<'_>, root: &Tree, context: &Context<'_>) -> Vec<Budget> {
    root.trees("uncertainty")
        .iter()
        .filter_map(|tree| {
            let response = own_response(desk, tree, context)?;
            budget(desk, tree, context, response)
        })
        .collect()
}

fn budget(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, response: ResponseId) -> Option<Budget> {
    let declared = tree.trees("source");
    if tree.given("source") && (declared.is_empty() || declared.len() > SOURCES) {
        let diagnostic = Diagnostic::error("P187", format!("a budget has 1 to {SOURCES} sources"));
        desk.say(
            diagnostic.help("write one table [uncertainty.RESPONSE.source.NAME] for each"),
            tree.span("source"),
            "",
        );
        return None;
    }
    let mut sources: Vec<Source> = declared
        .iter()
        .filter_map(|source| self::source(desk, source, context, response))
        .collect();
    let whole = sources.len() == declared.len();
    let text = tree.string("equation");
    let equation = if tree.given("equation") {
        equation(desk, tree, &text, declared, &mut sources)
    } else {
        let names: Vec<String> = sources.iter().map(|source| source.name.clone()).collect();
        Some(Expression::sum_of(&names))
    };
    let correlations = correlations(desk, tree, &sources);
    let (result_of, readings) = result_of(desk, tree, context, response);
    let whole_number = |key: &str| tree.whole(key).and_then(|n| usize::try_from(n).ok());
    (whole && !sources.is_empty()).then_some(())?;
    Some(Budget {
        response,
        equation: equation?,
        equation_text: text,
        result_of,
        readings,
        coverage: tree.number("coverage").map_or(0.95, Exact::to_f64),
        digits: whole_number("digits").map_or(2, |n| if n == 1 { 1 } else { 2 }),
        rounds_up: tree.text("rounding") == Some("up"),
        trials: whole_number("trials").unwrap_or(1_000_000),
        sources,
        correlations,
    })
}

/// Reads the equation and puts the sources into the order of its names.
fn equation(
    desk: &mut Desk<'_>,
    tree: &Tree,
    text: &str,
    declared: &[Tree],
    sources: &mut [Source],
) -> Option<Expression> {
    let span = tree.span("equation");
    let equation = match Expression::read(text) {
        Ok(equation) => equation,
        Err(error) => {
            // Inside the quotes of a plain string the places of text and file agree.
            let inner = span.start + 1 + error.at;
            let place = if desk.source.text.get(span.start + 1..span.start + 1 + text.len()) == Some(text) {
                inner.min(span.end.saturating_sub(1))..(inner + 1).min(span.end)
            } else {
                span
            };
            let diagnostic = Diagnostic::error("P181", format!("the equation cannot be read: {}", error.what));
            desk.say(
                diagnostic.help(
                    "plain arithmetic: names of sources, numbers, + - * / ^, parentheses, pi, and sqrt, exp, ln, log10, \
                     sin, cos, tan, abs",
                ),
                place,
                "",
            );
            return None;
        }
    };
    let names: Vec<&str> = declared.iter().map(|tree| tree.name.as_str()).collect();
    let mut whole = true;
    for name in equation.names() {
        if !names.contains(&name.as_str()) {
            let diagnostic = Diagnostic::error(
                "P182",
                format!("the equation holds `{name}`, but no source is called so"),
            );
            desk.say(
                diagnostic.help(format!(
                    "{}; write [uncertainty.{}.source.{name}], with its value and spread",
                    did_you_mean(name, &names, "sources"),
                    tree.name
                )),
                span.clone(),
                "",
            );
            whole = false;
        }
    }
    for source in declared {
        if !equation.names().contains(&source.name) {
            let diagnostic = Diagnostic::error(
                "P182",
                format!("the source `{}` does not stand in the equation", shown(&source.name)),
            );
            desk.say(
                diagnostic.help("add it to the equation, or take the source out: it would count for nothing"),
                source.at.clone(),
                "",
            );
            whole = false;
        } else if source.given("sensitivity") {
            desk.say(
                Diagnostic::error("P184", "with an equation a sensitivity follows from it")
                    .help("take `sensitivity` out, or the equation"),
                source.span("sensitivity"),
                "",
            );
            whole = false;
        }
    }
    sources.sort_by_key(|source| equation.names().iter().position(|name| *name == source.name));
    whole.then_some(equation)
}

fn result_of(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, response: ResponseId) -> (Vec<usize>, usize) {
    let mut counts = vec![1; context.units.len()];
    let mut readings = context.responses[response].readings;
    for (name, span, items) in tree.lists("result_of") {
        let number = items.iter().find_map(|item| match &item.value {
            Value::Number(number) => Some(number.to_f64()),
            _ => None,
        });
        let Some(number) = number else { continue };
        if number.fract() != 0.0 || !(1.0..=1e6).contains(&number) {
            desk.say(
                Diagnostic::error("P184", "a result averages a whole number of them").help("write 1 or more"),
                span.clone(),
                "",
            );
            continue;
        }
        match anew(desk, name, span, context) {
            Some(Anew::Reading) => readings = number as usize,
            Some(Anew::Unit(unit)) => counts[unit] = number as usize,
            None => {}
        }
    }
    (counts, readings)
}

/// A unit by name, or `reading`.
fn anew(desk: &mut Desk<'_>, name: &str, span: &Span, context: &Context<'_>) -> Option<Anew> {
    if name == "reading" {
        return Some(Anew::Reading);
    }
    let found = context.units.iter().position(|unit| unit.name == name).map(Anew::Unit);
    if found.is_none() {
        let mut names = context.unit_names();
        names.push("reading");
        let diagnostic = Diagnostic::error("P185", format!("no unit is called `{}`", shown(name)));
        desk.say(
            diagnostic.help(did_you_mean(name, &names, "units")),
            span.clone(),
            "unknown unit",
        );
    }
    found
}

fn source(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, response: ResponseId) -> Option<Source> {
    let name = tree.name.clone();
    let is_name = name.len() <= 40
        && name.starts_with(|c: char| c.is_ascii_lowercase())
        && name
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
        && !is_reserved(&name);
    if !is_name {
        let diagnostic = Diagnostic::error("P194", format!("`{}` cannot be the name of a source", shown(&name)));
        desk.say(
            diagnostic
                .help("1 to 40 small letters, digits and `_`, the first a letter; not `pi` nor a function's name"),
            tree.at.clone(),
            "",
        );
        return None;
    }
    let given = given(desk, tree, context, response);
    let df = degrees(desk, tree);
    let mut with: Vec<Anew> = tree
        .list("anew")
        .iter()
        .filter_map(|item| anew(desk, item.text()?, &item.span, context))
        .collect();
    if let (Some(Given::Found(origin)), false) = (&given, tree.given("anew")) {
        match origin {
            Origin::ReadingSpread => with.push(Anew::Reading),
            Origin::UnitSpread(units) => with.extend(units.iter().map(|&u| Anew::Unit(u))),
            _ => {}
        }
    }
    let unit = match (&given, tree.text("unit")) {
        (_, Some(unit)) => unit.to_owned(),
        (Some(Given::Found(Origin::Condition(c))), None) => context.conditions[*c].unit.clone(),
        (Some(Given::Found(Origin::Slope(f))), None) => {
            format!("{} per {}", context.responses[response].unit, context.factors[*f].unit)
        }
        _ => context.responses[response].unit.clone(),
    };
    Some(Source {
        name,
        what: tree.string("what"),
        unit,
        value: tree.number("value").map(Exact::to_f64),
        given: given?,
        df,
        anew: with,
        sensitivity: tree.number("sensitivity").map_or(1.0, Exact::to_f64),
    })
}

fn degrees(desk: &mut Desk<'_>, tree: &Tree) -> Option<f64> {
    if tree.given("df") && tree.given("doubt") {
        desk.say(
            Diagnostic::error("P184", "`df` and `doubt` say the same in two ways").help("keep one of them"),
            tree.span("doubt"),
            "",
        );
    }
    if tree.number("df").map(Exact::to_f64).is_some_and(|df| df < 1.0) {
        desk.say(
            Diagnostic::error(
                "P184",
                "on less than one degree of freedom nothing is known of a spread",
            )
            .help("give `df` of 1 or more, or `doubt`, the part by which the standard uncertainty may be wrong"),
            tree.span("df"),
            "",
        );
    }
    let doubt = tree.number("doubt").map(Exact::to_f64);
    tree.number("df")
        .map(Exact::to_f64)
        .or_else(|| doubt.map(crate::stats::uncertainty::df_of_doubt))
}

/// The one way in which the spread of a source is given.
fn given(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, response: ResponseId) -> Option<Given> {
    const WAYS: [&str; 6] = ["from", "standard", "within", "between", "expanded", "readings"];
    let ways: Vec<&str> = WAYS.into_iter().filter(|way| tree.given(way)).collect();
    if ways.len() != 1 {
        let (message, at) = match ways.get(1) {
            None => (
                format!("the source `{}` does not say how uncertain it is", tree.name),
                tree.at.clone(),
            ),
            Some(second) => (
                format!("the source `{}` says twice how uncertain it is", tree.name),
                tree.key_span(second),
            ),
        };
        desk.say(
            Diagnostic::error("P183", message)
                .help("give one of `from`, `standard`, `within`, `between`, `expanded` (with `factor`) and `readings`"),
            at,
            "",
        );
        return None;
    }
    let misplaced = |desk: &mut Desk<'_>, key: &str, belongs: &str| {
        if tree.given(key) {
            let diagnostic = Diagnostic::error("P184", format!("`{key}` has no meaning here"));
            desk.say(
                diagnostic.help(format!("it goes with {belongs}")),
                tree.key_span(key),
                "",
            );
        }
    };
    let number = |key: &str| tree.number(key).map(Exact::to_f64);
    let limited = matches!(ways[0], "within" | "between");
    let shape = tree.text("shape");
    if ways[0] != "expanded" {
        misplaced(desk, "factor", "`expanded`");
    }
    if shape != Some("trapezoidal") {
        misplaced(desk, "top", "the shape \"trapezoidal\"");
    }
    if let Some(shape) = shape
        && (shape == "normal") == limited
    {
        desk.say(
            Diagnostic::error("P184", format!("the shape \"{shape}\" does not fit `{}`", ways[0])).help(
                "\"normal\" goes with `standard`, `expanded`, `readings`; the other shapes go with limits, `within` or \
                 `between`",
            ),
            tree.span("shape"),
            "",
        );
        return None;
    }
    let between = super::structure::numbers(tree, "between");
    let limits = |half: f64, middle: Option<f64>| {
        let shape = match shape {
            Some("triangular") => Limited::Triangular,
            Some("arcsine") => Limited::Arcsine,
            Some("trapezoidal") => Limited::Trapezoidal(number("top").unwrap_or(0.5)),
            _ => Limited::Rectangular,
        };
        Given::Limits(half, shape, middle)
    };
    match ways[0] {
        "standard" => number("standard").map(Given::Standard),
        "within" => number("within").map(|half| limits(half, None)),
        "between" => {
            use rust_decimal::prelude::ToPrimitive;
            let [low, high] = between.as_slice() else { return None };
            if low >= high {
                desk.say(
                    Diagnostic::error(
                        "P050",
                        format!("the range `between` is empty: {low} is not below {high}"),
                    )
                    .help("write the lowest value first, [lowest, highest]"),
                    tree.span("between"),
                    "",
                );
                return None;
            }
            if tree.given("value") {
                misplaced(desk, "value", "`within`; the middle of `between` is the estimate");
                return None;
            }
            let two = rust_decimal::Decimal::TWO;
            let half = ((high - low) / two).to_f64()?;
            Some(limits(half, ((high + low) / two).to_f64()))
        }
        "expanded" => {
            let (Some(expanded), Some(factor)) = (number("expanded"), number("factor")) else {
                if !tree.given("factor") {
                    desk.say(
                        Diagnostic::error(
                            "P183",
                            "an expanded uncertainty without its coverage factor tells nothing",
                        )
                        .help("add `factor`, as the certificate gives it; often 2"),
                        tree.span("expanded"),
                        "",
                    );
                }
                return None;
            };
            Some(Given::Expanded(expanded, factor))
        }
        "readings" => {
            let readings = series(tree, "readings");
            if tree.list("readings").len() < 2 {
                desk.say(
                    Diagnostic::error("P193", "one reading shows no spread").help("write two or more"),
                    tree.span("readings"),
                    "",
                );
                return None;
            }
            Some(Given::Readings(readings))
        }
        _ => origin(desk, tree, context, response).map(Given::Found),
    }
}

/// The numbers of a list.
pub(super) fn series(tree: &Tree, key: &str) -> Vec<f64> {
    tree.list(key)
        .iter()
        .filter_map(|item| match &item.value {
            Value::Number(number) => Some(number.to_f64()),
            _ => None,
        })
        .collect()
}

fn origin(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, response: ResponseId) -> Option<Origin> {
    let text = tree.text("from")?;
    let span = tree.span("from");
    let unknown = |desk: &mut Desk<'_>, message: String, help: String| {
        desk.say(Diagnostic::error("P185", message).help(help), span.clone(), "");
        None
    };
    let factor = |desk: &mut Desk<'_>, name: &str| -> Option<FactorId> {
        let found = context.factors.iter().position(|factor| factor.name == name);
        if found.is_none() {
            let names: Vec<&str> = context.factors.iter().map(|f| f.name.as_str()).collect();
            unknown(
                desk,
                format!("no factor is called `{}`", shown(name)),
                did_you_mean(name, &names, "factors"),
            )?;
        }
        found
    };
    let mut words = text.split_whitespace();
    let (first, second) = (words.next().unwrap_or_default(), words.next());
    let rest: Vec<&str> = words.collect();
    match (first, second, rest.as_slice()) {
        ("mean", None, []) => Some(Origin::Mean),
        ("resolution", None, []) => Some(Origin::Resolution),
        ("spread", Some("of"), ["reading"]) => {
            if context.responses[response].readings < 2 {
                return unknown(
                    desk,
                    "a run has one reading: the readings show no spread within it".to_owned(),
                    "take \"spread of\" the run instead".to_owned(),
                );
            }
            Some(Origin::ReadingSpread)
        }
        ("spread", Some("of"), names) if !names.is_empty() => {
            let mut units = Vec::new();
            for name in names.iter().filter(|name| !matches!(**name, "x" | "\u{d7}" | "and")) {
                match anew(desk, name, &span, context)? {
                    Anew::Unit(unit) => units.push(unit),
                    Anew::Reading => {
                        return unknown(
                            desk,
                            "readings do not cross with units".to_owned(),
                            "write \"spread of reading\" by itself".to_owned(),
                        );
                    }
                }
            }
            units.sort_unstable();
            units.dedup();
            Some(Origin::UnitSpread(units))
        }
        ("slope", Some("of"), [name]) => {
            let factor = factor(desk, name)?;
            if !context.factors[factor].is_numeric() {
                return unknown(
                    desk,
                    format!("`{name}` has no slope: its levels are categories"),
                    "give the factor `scale = \"numeric\"`, or take \"difference of\" it".to_owned(),
                );
            }
            Some(Origin::Slope(factor))
        }
        ("difference", Some("of"), [name]) => {
            let factor = factor(desk, name)?;
            if context.factors[factor].is_numeric() || context.factors[factor].levels.len() != 2 {
                return unknown(
                    desk,
                    format!("`{name}` has no single difference"),
                    "a factor of two categories has one; of a numeric factor take \"slope of\"".to_owned(),
                );
            }
            Some(Origin::Difference(factor))
        }
        ("tolerance", Some("of"), [name]) => {
            let factor = factor(desk, name)?;
            if !context.factors[factor].named_by_site {
                return unknown(
                    desk,
                    format!("the site file says nothing about `{name}`"),
                    "give the factor `named_by_site = true`, or write the tolerance as `within`".to_owned(),
                );
            }
            Some(Origin::Tolerance(factor))
        }
        ("condition", Some(name), []) => {
            let found = context.conditions.iter().position(|condition| condition.name == name);
            if found.is_none() {
                let names: Vec<&str> = context.conditions.iter().map(|c| c.name.as_str()).collect();
                unknown(
                    desk,
                    format!("no condition is called `{}`", shown(name)),
                    did_you_mean(name, &names, "conditions"),
                )?;
            }
            found.map(Origin::Condition)
        }
        _ => unknown(
            desk,
            format!("`{}` names nothing that the study finds", shown(text)),
            "write \"spread of UNIT\", \"spread of reading\", \"slope of FACTOR\", \"difference of FACTOR\", \"mean\", \
             \"resolution\", \"tolerance of FACTOR\" or \"condition NAME\""
                .to_owned(),
        ),
    }
}

fn correlations(desk: &mut Desk<'_>, tree: &Tree, sources: &[Source]) -> Vec<Correlation> {
    let mut found: Vec<Correlation> = Vec::new();
    let names: Vec<&str> = sources.iter().map(|source| source.name.as_str()).collect();
    for entry in tree.trees("correlation") {
        let mut at = Vec::new();
        for item in entry.list("of") {
            let Some(name) = item.text() else { continue };
            if let Some(source) = names.iter().position(|known| *known == name) {
                at.push(source);
            } else {
                let diagnostic = Diagnostic::error("P186", format!("no source is called `{}`", shown(name)));
                desk.say(
                    diagnostic.help(did_you_mean(name, &names, "sources")),
                    item.span.clone(),
                    "",
                );
            }
        }
        if !entry.given("of") || at.len() < entry.list("of").len() {
            continue;
        }
        let is = entry.number("is").map(Exact::to_f64);
        let wrong = match at.as_slice() {
            [a, b] if a == b => Some("a source goes together with itself anyway"),
            [a, b] if found.iter().any(|c| c.of == (*a.min(b), *a.max(b))) => Some("these two stand here already"),
            [_, _] if is.is_some_and(|r| !(-1.0..=1.0).contains(&r)) => Some("a correlation lies between −1 and 1"),
            [a, b] if is.is_none() => {
                let lengths = [*a, *b].map(|i| match &sources[i].given {
                    Given::Readings(readings) => readings.len(),
                    _ => 0,
                });
                (lengths[0] != lengths[1] || lengths[0] < 3)
                    .then_some("without `is` both sources need as many `readings`, three or more, taken together")
            }
            [_, _] => None,
            _ => Some("a correlation is between two sources"),
        };
        if let Some(wrong) = wrong {
            desk.say(
                Diagnostic::error("P186", wrong).help("for example `of = [\"first\", \"second\"]` with `is = 1`"),
                entry.at.clone(),
                "",
            );
            continue;
        }
        found.push(Correlation {
            of: (at[0].min(at[1]), at[0].max(at[1])),
            is,
            why: entry.string("why"),
        });
    }
    found
}
