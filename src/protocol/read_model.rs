//! How the mixed model is to be fitted: `[analysis.model]`, and factors whose levels are drawn from a population.
//!
//! In:  the tree of the protocol with its factors, conditions, responses and planned effects.
//! Out: a `ModelPlan`, and what is wrong with it.

use super::model::{
    ComponentIntervals, Condition, ConditionId, DegreesOfFreedom, Effect, Factor, Likelihood, ModelOf, ModelPlan,
    Response, Statistic, Weights,
};
use super::structure;
use super::tree::Tree;
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// What `[analysis.model]` says.
pub(super) fn model_plan(
    desk: &mut Desk<'_>,
    root: &Tree,
    factors: &[Factor],
    conditions: &[Condition],
    responses: &[Response],
) -> ModelPlan {
    let Some(tree) = root.tree("analysis").and_then(|analysis| analysis.tree("model")) else {
        return ModelPlan::default();
    };
    let plan = ModelPlan {
        of: chosen(tree, "of", ModelOf::ALL, ModelOf::Results),
        weights: chosen(tree, "weights", Weights::ALL, Weights::Equal),
        covariates: covariates(desk, tree, factors, conditions),
        likelihood: chosen(tree, "likelihood", Likelihood::ALL, Likelihood::Restricted),
        degrees_of_freedom: chosen(
            tree,
            "degrees_of_freedom",
            DegreesOfFreedom::ALL,
            DegreesOfFreedom::KenwardRoger,
        ),
        component_intervals: chosen(
            tree,
            "component_intervals",
            ComponentIntervals::ALL,
            ComponentIntervals::Profile,
        ),
        bootstrap: tree
            .whole("bootstrap")
            .and_then(|n| usize::try_from(n).ok())
            .unwrap_or(1999),
    };
    if plan.likelihood == Likelihood::Full && plan.degrees_of_freedom == DegreesOfFreedom::KenwardRoger {
        desk.say(
            Diagnostic::error(
                "P145",
                "the degrees of freedom of Kenward and Roger need the restricted likelihood",
            )
            .help("write `degrees_of_freedom = \"Satterthwaite\"` beside it, or leave `likelihood` out"),
            tree.span("likelihood"),
            "",
        );
    }
    if plan.of == ModelOf::Readings {
        for response in responses
            .iter()
            .filter(|r| r.readings < 2 || r.result != Statistic::Mean)
        {
            let why = if response.readings < 2 {
                "has one reading in a run".to_owned()
            } else {
                format!("takes the {} of a run's readings", response.result.word())
            };
            desk.say(
                Diagnostic::error(
                    "P146",
                    format!(
                        "a model of single readings needs means of several: `{}` {why}",
                        response.name
                    ),
                )
                .help("leave `of` out: the model then describes the results of runs"),
                tree.span("of"),
                "",
            );
        }
        if plan.weights == Weights::Readings {
            desk.say(
                Diagnostic::error("P147", "a model of single readings has no use for weights").help(
                    "take `weights` out: each reading stands in the model by itself, so unequal numbers count as they should",
                ),
                tree.span("weights"),
                "",
            );
        }
    }
    plan
}

fn chosen<T: Copy>(tree: &Tree, key: &str, all: &[(T, &str)], otherwise: T) -> T {
    tree.text(key)
        .and_then(|text| all.iter().find(|(_, word)| *word == text))
        .map_or(otherwise, |(value, _)| *value)
}

fn covariates(desk: &mut Desk<'_>, tree: &Tree, factors: &[Factor], conditions: &[Condition]) -> Vec<ConditionId> {
    let names: Vec<&str> = conditions.iter().map(|c| c.name.as_str()).collect();
    let mut found = Vec::new();
    for item in tree.list("covariates") {
        let text = item.text().unwrap_or_default();
        let Some(condition) = names.iter().position(|name| *name == text) else {
            desk.say(
                Diagnostic::error("P142", format!("no condition is called `{}`", shown(text)))
                    .help(structure::did_you_mean(text, &names, "conditions")),
                item.span.clone(),
                "unknown condition",
            );
            continue;
        };
        if found.contains(&condition) {
            desk.say(
                Diagnostic::error("P143", format!("the covariate `{text}` stands here twice")).help("take one out"),
                item.span.clone(),
                "",
            );
            continue;
        }
        let unit = &conditions[condition].unit;
        if let Some(factor) = factors.iter().find(|f| f.is_numeric() && f.unit == *unit) {
            desk.say(
                Diagnostic::warning(
                    "P144",
                    format!(
                        "`{text}` is measured in {unit}, in which `{}` is set: as a covariate it takes away what that factor does",
                        factor.name
                    ),
                )
                .help(format!(
                    "leave it out, unless the question is what `{}` does beyond the {text} measured",
                    factor.name
                )),
                item.span.clone(),
                "",
            );
        }
        found.push(condition);
    }
    found
}

/// Checks the factors whose levels are drawn from a population.
pub(super) fn check_random(desk: &mut Desk<'_>, root: &Tree, factors: &[Factor], planned: &[Effect]) {
    for (tree, factor) in root.trees("factor").iter().zip(factors) {
        if factor.random && factor.is_numeric() {
            desk.say(
                Diagnostic::error(
                    "P141",
                    format!(
                        "`{}` is numeric and random: its levels cannot be both a scale and a sample",
                        factor.name
                    ),
                )
                .help("take `random` out to fit a slope, or take `scale` out if the numbers are names"),
                tree.span("random"),
                "",
            );
        }
    }
    let Some(analysis) = root.tree("analysis") else { return };
    for effect in planned {
        let Some(&factor) = effect.iter().find(|&&f| factors[f].random) else {
            continue;
        };
        desk.say(
            Diagnostic::error(
                "P140",
                format!("`{}` is random: it has a spread, and no effect to be judged", factors[factor].name),
            )
            .help(
                "take it out of `planned`: its spread, and that of its interactions with the other factors, is always reported with an interval",
            ),
            analysis.span("planned"),
            "",
        );
    }
}
