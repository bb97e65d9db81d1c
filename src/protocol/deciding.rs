//! How results are held against a limit, as declared.
//!
//! In:  the tree of a protocol, with its units and factors.
//! Out: one `DecisionPlan` for each table `[decision.RESPONSE]`; codes P188 to P190, P195.
//! Never here: the results.

use super::budget::{Budget, series};
use super::measurement::{Context, own_response};
use super::model::{FactorId, ResponseId, UnitId};
use super::number::Exact;
use super::structure::{did_you_mean, numbers};
use super::tree::Tree;
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;
use rust_decimal::prelude::ToPrimitive;

/// When a result passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// When it keeps the limit.
    Simple,
    /// When it keeps the limit by the guard band.
    GuardedAcceptance,
    /// When it does not miss the limit by the guard band.
    GuardedRejection,
    /// Pass, conditional pass, conditional fail, fail.
    FourOutcomes,
}

/// The rules with the words used in protocols.
pub(super) const RULES: [(Rule, &str); 4] = [
    (Rule::Simple, "simple acceptance"),
    (Rule::GuardedAcceptance, "guarded acceptance"),
    (Rule::GuardedRejection, "guarded rejection"),
    (Rule::FourOutcomes, "four outcomes"),
];

impl Rule {
    /// The word used in protocols and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        RULES
            .iter()
            .find(|(rule, _)| *rule == self)
            .map_or("", |(_, word)| word)
    }
}

/// What is done when a result does not pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RetestRule {
    /// It does not pass.
    None,
    /// A second result counts in its place.
    SecondCounts,
    /// Two results are always made; their mean counts.
    MeanOfTwo,
}

/// The retest rules with the words used in protocols.
pub(super) const RETESTS: [(RetestRule, &str); 3] = [
    (RetestRule::None, "none"),
    (RetestRule::SecondCounts, "second result counts"),
    (RetestRule::MeanOfTwo, "mean of two"),
];

impl RetestRule {
    /// The word used in protocols and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        RETESTS
            .iter()
            .find(|(rule, _)| *rule == self)
            .map_or("", |(_, word)| word)
    }
}

/// Whose means are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JudgedBy {
    /// Each one of a unit.
    Unit(UnitId),
    /// Each level of a factor.
    Factor(FactorId),
}

/// The production before a result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Production {
    /// Its mean and standard deviation.
    Known(f64, f64),
    /// The spread of a unit about the mean of the study.
    Unit(UnitId),
}

/// The window of a numeric factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// The factor.
    pub factor: FactorId,
    /// Its ends.
    pub between: (f64, f64),
    /// The value to which true values refer.
    pub reference: f64,
}

/// How results are held against the limit.
#[derive(Debug, Clone)]
pub struct DecisionPlan {
    /// The response; it has a limit.
    pub response: ResponseId,
    /// The rule.
    pub rule: Rule,
    /// Declared width of the guard band.
    pub guard: Option<f64>,
    /// Risk from which it follows otherwise.
    pub risk: f64,
    /// Stated results to be judged.
    pub results: Vec<f64>,
    /// Whose means are judged.
    pub of: Option<JudgedBy>,
    /// Standard uncertainty, where there is no budget.
    pub standard: Option<f64>,
    /// True if results are rounded before they are compared.
    pub rounded: bool,
    /// What is done when a result does not pass.
    pub retest: RetestRule,
    /// Share of results that are to pass.
    pub pass_share: f64,
    /// What is known of the production.
    pub production: Option<Production>,
    /// The window within which results may be taken.
    pub window: Option<Window>,
    /// Published standard deviation between laboratories.
    pub between_laboratories: Option<f64>,
}

/// Reads the tables `[decision.RESPONSE]`.
pub(super) fn read(desk: &mut Desk<'_>, root: &Tree, context: &Context<'_>, budgets: &[Budget]) -> Vec<DecisionPlan> {
    root.trees("decision")
        .iter()
        .filter_map(|tree| {
            let response = own_response(desk, tree, context)?;
            Some(decision(desk, root, tree, context, (response, budgets)))
        })
        .collect()
}

fn decision(
    desk: &mut Desk<'_>,
    root: &Tree,
    tree: &Tree,
    context: &Context<'_>,
    (response, budgets): (ResponseId, &[Budget]),
) -> DecisionPlan {
    let declared = &context.responses[response];
    if declared.limit.is_none() {
        desk.say(
            Diagnostic::error("P188", format!("a decision about `{}` needs its limit", declared.name)).help(format!(
                "add `limit = {{ at_least = ... }}` or `at_most` to [response.{}]",
                declared.name
            )),
            tree.at.clone(),
            "",
        );
    }
    // A budget that was declared and is wrong has been reported.
    let budget = budgets.iter().any(|budget| budget.response == response)
        || root.trees("uncertainty").iter().any(|tree| tree.name == declared.name);
    if !budget && !tree.given("standard") {
        desk.say(
            Diagnostic::error("P189", "a decision near a limit needs the uncertainty of a result").help(format!(
                "declare a budget [uncertainty.{}], or give `standard`, the standard uncertainty",
                declared.name
            )),
            tree.at.clone(),
            "",
        );
    }
    if budget && tree.given("standard") {
        desk.say(
            Diagnostic::error("P189", "the uncertainty of a result is declared twice")
                .help("the budget gives it: take `standard` out"),
            tree.span("standard"),
            "",
        );
    }
    let rule = tree.text("rule").and_then(|word| {
        let (rule, _) = RULES.into_iter().find(|(_, known)| *known == word)?;
        Some(rule)
    });
    if rule == Some(Rule::Simple) && tree.given("guard") {
        desk.say(
            Diagnostic::error("P190", "simple acceptance has no guard band")
                .help("take `guard` out, or choose \"guarded acceptance\" or \"guarded rejection\""),
            tree.key_span("guard"),
            "",
        );
    }
    if tree.given("guard") && tree.given("risk") {
        desk.say(
            Diagnostic::error("P190", "`guard` and `risk` both say how wide the guard band is")
                .help("keep one of them"),
            tree.key_span("risk"),
            "",
        );
    }
    if tree.text("rounded") == Some("before comparison") && declared.round_to.is_none() {
        desk.say(
            Diagnostic::error(
                "P190",
                "results cannot be rounded before comparison: `round_to` is \"none\"",
            )
            .help("give `round_to` of the response a step, or write `rounded = \"not\"`"),
            tree.span("rounded"),
            "",
        );
    }
    let number = |key: &str| tree.number(key).map(Exact::to_f64);
    let retest = tree.text("retest").and_then(|word| {
        let (retest, _) = RETESTS.into_iter().find(|(_, known)| *known == word)?;
        Some(retest)
    });
    DecisionPlan {
        response,
        rule: rule.unwrap_or(Rule::Simple),
        guard: number("guard"),
        risk: number("risk").unwrap_or(0.05),
        results: series(tree, "results"),
        of: judged_by(desk, tree, context),
        standard: number("standard"),
        rounded: tree.text("rounded") == Some("before comparison"),
        retest: retest.unwrap_or(RetestRule::None),
        pass_share: number("pass_share").unwrap_or(0.95),
        production: tree.tree("production").and_then(|tree| production(desk, tree, context)),
        window: tree.tree("window").and_then(|tree| window(desk, tree, context)),
        between_laboratories: number("between_laboratories"),
    }
}

fn judged_by(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>) -> Option<JudgedBy> {
    let name = tree.text("of")?;
    let unit = context
        .units
        .iter()
        .position(|unit| unit.name == name)
        .map(JudgedBy::Unit);
    let factor = || {
        let at = context.factors.iter().position(|factor| factor.name == name);
        at.map(JudgedBy::Factor)
    };
    let found = unit.or_else(factor);
    if found.is_none() {
        let mut names = context.unit_names();
        names.extend(context.factors.iter().map(|factor| factor.name.as_str()));
        let diagnostic = Diagnostic::error("P195", format!("no unit or factor is called `{}`", shown(name)));
        desk.say(
            diagnostic.help(did_you_mean(name, &names, "units and factors")),
            tree.span("of"),
            "",
        );
    }
    found
}

fn production(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>) -> Option<Production> {
    let given = ["from", "mean", "standard_deviation"].map(|key| tree.given(key));
    match given {
        [true, false, false] => {
            let name = tree.text("from")?;
            let unit = context.units.iter().position(|unit| unit.name == name);
            if unit.is_none() {
                let diagnostic = Diagnostic::error("P195", format!("no unit is called `{}`", shown(name)));
                desk.say(
                    diagnostic.help(did_you_mean(name, &context.unit_names(), "units")),
                    tree.span("from"),
                    "",
                );
            }
            unit.map(Production::Unit)
        }
        [false, true, true] => {
            let number = |key: &str| tree.number(key).map(Exact::to_f64);
            Some(Production::Known(number("mean")?, number("standard_deviation")?))
        }
        _ => {
            desk.say(
                Diagnostic::error(
                    "P195",
                    "the production needs a mean and a standard deviation, or a unit to take them from",
                )
                .help("write `{ mean = 57, standard_deviation = 1.2 }`, or `{ from = \"roller\" }`"),
                tree.at.clone(),
                "",
            );
            None
        }
    }
}

fn window(desk: &mut Desk<'_>, tree: &Tree, context: &Context<'_>) -> Option<Window> {
    let name = tree.text("factor")?;
    let factor = context.factors.iter().position(|factor| factor.name == name);
    let numeric: Vec<&str> = context
        .factors
        .iter()
        .filter(|factor| factor.is_numeric())
        .map(|factor| factor.name.as_str())
        .collect();
    let Some(factor) = factor.filter(|&factor| context.factors[factor].is_numeric()) else {
        let diagnostic = Diagnostic::error("P195", format!("`{}` is no numeric factor", shown(name)));
        desk.say(
            diagnostic.help(did_you_mean(name, &numeric, "numeric factors")),
            tree.span("factor"),
            "",
        );
        return None;
    };
    let between = numbers(tree, "between");
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
    Some(Window {
        factor,
        between: (low.to_f64()?, high.to_f64()?),
        reference: tree.number("reference")?.to_f64(),
    })
}
