//! The comparison of two methods, as declared.
//!
//! In:  the tree of a protocol, with its units and factors.
//! Out: one `ComparisonPlan` for each table `[comparison.RESPONSE]`; codes P191 and P192.
//! Never here: the results.

use super::budget::series;
use super::measurement::{Context, own_response};
use super::model::{FactorId, ResponseId, UnitId};
use super::number::Exact;
use super::structure::{above, did_you_mean};
use super::tree::{Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// What is compared, as written.
pub(super) const SCALES: [&str; 2] = ["difference", "ratio"];

/// How two methods are compared.
#[derive(Debug, Clone)]
pub struct ComparisonPlan {
    /// The response.
    pub response: ResponseId,
    /// The factor whose two levels are compared.
    pub methods: FactorId,
    /// Index of the level that is subtracted.
    pub reference: usize,
    /// The unit that both methods read.
    pub specimens: UnitId,
    /// Largest mean difference that does no harm; a part of the value on the ratio scale.
    pub margin: f64,
    /// Where it comes from.
    pub origin: String,
    /// Largest difference of two single results that does no harm.
    pub acceptable: Option<f64>,
    /// Share of single differences between the limits.
    pub coverage: f64,
    /// Level of each one-sided test.
    pub risk: f64,
    /// True if ratios are compared.
    pub ratio: bool,
    /// True if single readings are stated in use, not results.
    pub single_readings: bool,
    /// Declared ratio of the error variances, other method over reference.
    pub error_ratio: Option<f64>,
    /// True if errors grow in proportion to the level.
    pub weighted: bool,
    /// Values of the reference at which the bias is stated.
    pub levels: Vec<f64>,
}

/// Reads the tables `[comparison.RESPONSE]`.
pub(super) fn read(desk: &mut Desk<'_>, root: &Tree, context: &Context<'_>) -> Vec<ComparisonPlan> {
    root.trees("comparison")
        .iter()
        .filter_map(|tree| {
            let response = own_response(desk, tree, context)?;
            comparison(desk, tree, context, response)
        })
        .collect()
}

fn comparison(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, response: ResponseId) -> Option<ComparisonPlan> {
    let methods = methods(desk, tree, context);
    let specimens = specimens(desk, tree, context, methods);
    let methods = methods?;
    let reference = reference(desk, tree, context, methods)?;
    let number = |key: &str| tree.number(key).map(Exact::to_f64);
    Some(ComparisonPlan {
        response,
        methods,
        reference,
        specimens: specimens?,
        margin: number("margin")?,
        origin: tree.string("origin"),
        acceptable: number("acceptable"),
        coverage: number("coverage").unwrap_or(0.95),
        risk: number("risk").unwrap_or(0.05),
        ratio: tree.text("scale") == Some("ratio"),
        single_readings: tree.text("single") == Some("reading"),
        error_ratio: number("error_ratio"),
        weighted: tree.flag("weighted"),
        levels: series(tree, "levels"),
    })
}

fn methods(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>) -> Option<FactorId> {
    let name = tree.text("methods")?;
    let Some(factor) = context.factors.iter().position(|factor| factor.name == name) else {
        let names: Vec<&str> = context.factors.iter().map(|factor| factor.name.as_str()).collect();
        let diagnostic = Diagnostic::error("P191", format!("no factor is called `{}`", shown(name)));
        desk.say(
            diagnostic.help(did_you_mean(name, &names, "factors")),
            tree.span("methods"),
            "",
        );
        return None;
    };
    let levels = context.factors[factor].levels.len();
    if levels != 2 {
        let diagnostic = Diagnostic::error(
            "P191",
            format!("`{name}` has {levels} levels; a comparison is between two"),
        );
        desk.say(
            diagnostic.help("compare two methods in one study, or plan their differences in [analysis]"),
            tree.span("methods"),
            "",
        );
        return None;
    }
    Some(factor)
}

fn specimens(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, methods: Option<FactorId>) -> Option<UnitId> {
    let name = tree.text("specimens")?;
    let Some(unit) = context.units.iter().position(|unit| unit.name == name) else {
        let diagnostic = Diagnostic::error("P192", format!("no unit is called `{}`", shown(name)));
        desk.say(
            diagnostic.help(did_you_mean(name, &context.unit_names(), "units")),
            tree.span("specimens"),
            "",
        );
        return None;
    };
    let set_on = context.factors.get(methods?)?.set_on;
    // Both methods read a specimen only if the method changes within it or across it.
    if set_on == unit || above(context.units, unit).get(set_on) == Some(&true) {
        let method = &context.factors[methods?].name;
        let diagnostic = Diagnostic::error(
            "P192",
            format!(
                "no `{name}` is read by both methods: `{method}` is set on `{}`",
                context.units[set_on].name
            ),
        );
        desk.say(
            diagnostic.help("set the method on a unit within the specimen or crossed with it, such as the run"),
            tree.span("specimens"),
            "",
        );
        return None;
    }
    Some(unit)
}

fn reference(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>, methods: FactorId) -> Option<usize> {
    let Some(item) = tree.item("reference") else {
        return Some(0);
    };
    let text = match &item.value {
        Value::Text(text) => text.clone(),
        Value::Number(number) => number.text.clone(),
        _ => return None,
    };
    let levels = &context.factors[methods].levels;
    let found = levels.iter().position(|level| *level == text);
    if found.is_none() {
        let names: Vec<&str> = levels.iter().map(String::as_str).collect();
        let diagnostic = Diagnostic::error("P191", format!("`{}` is no level of the factor", shown(&text)));
        desk.say(
            diagnostic.help(did_you_mean(&text, &names, "levels")),
            item.span.clone(),
            "",
        );
    }
    found
}
