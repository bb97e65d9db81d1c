//! An optimal set of treatments: what it is asked for, and the search.
//!
//! In:  the table `[design.optimal]`, the factors of the unit, the effects of the model.
//! Out: the rows of the set; what cannot be goes to the `Desk`.
//!
//! The model is that of the analysis, as far as it lies on this unit: main effects with all their levels (a numeric
//! factor of three levels has a slope and a bend), interactions by their slopes.
//! Never here: the search itself (`numeric::exchange`).

use rust_decimal::prelude::ToPrimitive;

use super::check_treatments::{Making, at, level_of};
use super::model::{AnalysisPlan, Effect, Factor};
use super::structure::did_you_mean;
use super::tree::{Item, Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;
use crate::numeric::exchange::{Criterion, NoSet, Problem};

/// Most columns of a model.
const COLUMNS: usize = 200;
/// Most steps of a search, rows × levels × columns² × starts.
const STEPS: f64 = 4e9;
/// Starts that are made if none are asked for.
const STARTS: usize = 30;

/// A set found: its rows, and what must not come together in a row.
type Made = (Vec<Vec<usize>>, Vec<Vec<(usize, usize)>>);

/// The rows of an optimal set with its constraints; `None` if there is none, and then it was said why.
pub(super) fn rows(
    desk: &mut Desk<'_>,
    making: &Making<'_>,
    factors: &[Factor],
    analysis: &AnalysisPlan,
) -> Option<Made> {
    let empty = Tree::default();
    let tree = making.tree.tree("optimal").unwrap_or(&empty);
    let Some(runs) = making.tree.whole("runs") else {
        if making.tree.given("runs") {
            return None;
        }
        let help = "add `runs = 20` to [design]: the runs of one set, at least as many as the model has coefficients";
        making.say(
            desk,
            "runs",
            "P106",
            "nothing says how many runs the optimal set has".to_owned(),
            help.to_owned(),
        );
        return None;
    };
    let forbidden = forbidden(desk, making, tree, factors);
    let forced = combinations(desk, making, tree, "forced", factors);
    let already = combinations(desk, making, tree, "already_run", factors);
    let (forbidden, forced, already) = (forbidden?, forced?, already?);
    let problem = Problem {
        columns: making.own.iter().map(|&f| columns(&factors[f])).collect(),
        effects: effects(making, factors, analysis),
        forbidden,
        forced,
        already,
        rows: runs as usize,
        criterion: match tree.text("criterion") {
            Some("I") => Criterion::I,
            _ => Criterion::D,
        },
        starts: tree.whole("starts").map_or(STARTS, |starts| starts as usize),
    };
    if problem.effects.is_empty() {
        return None;
    }
    let parameters = problem.parameters();
    let levels: usize = problem.columns.iter().map(Vec::len).sum();
    let steps = (problem.rows * levels * parameters * parameters) as f64 * problem.starts as f64;
    if parameters > COLUMNS || steps > STEPS {
        let message = format!(
            "a search for {runs} runs and {parameters} coefficients from {} starts takes too long",
            problem.starts
        );
        let help =
            "lower `interactions` in [analysis] and plan the few interactions that matter, or lower `runs` or `starts`";
        making.say(desk, "treatments", "P109", message, help.to_owned());
        return None;
    }
    if let Some(index) = problem.forced.iter().position(|row| !problem.is_allowed(row)) {
        let span = tree
            .list("forced")
            .get(index)
            .map_or(tree.span("forced"), |item| item.span.clone());
        let diagnostic = Diagnostic::error("P108", "this combination is forced and forbidden")
            .at(desk.source, span, "forced here")
            .at(desk.source, tree.span("forbidden"), "forbidden here")
            .help("take it out of one of the two");
        desk.push(diagnostic);
        return None;
    }
    match problem.solve() {
        Ok(found) => Some((found.rows, problem.forbidden)),
        Err(NoSet::NothingAllowed) => {
            desk.say(
                Diagnostic::error("P107", "every combination of levels is forbidden")
                    .help("take out constraints until some combinations are left"),
                tree.span("forbidden"),
                "",
            );
            None
        }
        Err(NoSet::TooFewRows(needed)) => {
            let message =
                format!("{runs} runs are too few: the model needs {needed} at least, and more to judge them by");
            let help = format!(
                "set `runs` to {} or so ({parameters} coefficients and three to five more, common practice), or lower `interactions` \
                 in [analysis]",
                needed + 4
            );
            making.say(desk, "runs", "P106", message, help);
            None
        }
        Err(NoSet::Dependent) => {
            let at = if tree.given("forbidden") {
                tree.span("forbidden")
            } else {
                at(making.tree)
            };
            desk.say(
                Diagnostic::error(
                    "P107",
                    "the combinations that are allowed cannot tell all effects of the model apart",
                )
                .help("take out constraints, or lower `interactions` in [analysis] and plan only what can be told"),
                at,
                "",
            );
            None
        }
    }
}

/// What each level of a factor puts into its columns: powers for a numeric factor on −1 to 1, else sum-to-zero contrasts.
fn columns(factor: &Factor) -> Vec<Vec<f64>> {
    let count = factor.levels.len();
    let Some(numbers) = &factor.numbers else {
        return (0..count)
            .map(|level| {
                (0..count - 1)
                    .map(|column| {
                        if level == count - 1 {
                            -1.0
                        } else {
                            f64::from(u8::from(level == column))
                        }
                    })
                    .collect()
            })
            .collect();
    };
    let first = numbers.first().copied().unwrap_or_default();
    let values: Vec<f64> = numbers
        .iter()
        .map(|&number| (number - first).to_f64().unwrap_or(0.0))
        .collect();
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    values
        .iter()
        .map(|value| {
            let x = (2.0 * value - high - low) / (high - low);
            std::iter::successors(Some(x), |power| Some(power * x))
                .take(count - 1)
                .collect()
        })
        .collect()
}

/// The effects of the model that lie on the unit, by places of its factors, with the number of their columns.
fn effects(making: &Making<'_>, factors: &[Factor], analysis: &AnalysisPlan) -> Vec<Vec<(usize, usize)>> {
    // Too large a model was refused already, with a hint of its own.
    if super::read::effect_count(factors.len(), analysis.interactions) > super::read::EFFECTS {
        return Vec::new();
    }
    super::model::model_effects(factors.len(), analysis)
        .iter()
        .filter_map(|effect: &Effect| {
            let places: Option<Vec<usize>> = effect
                .iter()
                .map(|f| making.own.iter().position(|own| own == f))
                .collect();
            let places = places?;
            let is_main = places.len() == 1;
            Some(
                places
                    .into_iter()
                    .map(|place| {
                        let factor = &factors[making.own[place]];
                        let all = factor.levels.len() - 1;
                        (place, if is_main || !factor.is_numeric() { all } else { 1 })
                    })
                    .collect(),
            )
        })
        .collect()
}

/// Full combinations: a level of each factor of the unit.
fn combinations(
    desk: &mut Desk<'_>,
    making: &Making<'_>,
    tree: &Tree,
    key: &str,
    factors: &[Factor],
) -> Option<Vec<Vec<usize>>> {
    let mut rows = Vec::new();
    let mut is_sound = !tree.given(key) || tree.item(key).is_some();
    for item in tree.list(key) {
        let cells = item.list();
        if cells.len() != making.own.len() {
            is_sound = false;
            let names: Vec<String> = making.own.iter().map(|&f| format!("`{}`", factors[f].name)).collect();
            desk.say(
                Diagnostic::error(
                    "P108",
                    format!("this combination has {} levels, not {}", cells.len(), making.own.len()),
                )
                .help(format!("one level each of {}", super::keys::join(&names, "and"))),
                item.span.clone(),
                "",
            );
            continue;
        }
        let row: Vec<Option<usize>> = making
            .own
            .iter()
            .zip(cells)
            .map(|(&f, cell)| level(desk, &factors[f], cell))
            .collect();
        match row.into_iter().collect::<Option<Vec<usize>>>() {
            Some(row) => rows.push(row),
            None => is_sound = false,
        }
    }
    is_sound.then_some(rows)
}

/// Combinations of some factors that must not come together.
fn forbidden(
    desk: &mut Desk<'_>,
    making: &Making<'_>,
    tree: &Tree,
    factors: &[Factor],
) -> Option<Vec<Vec<(usize, usize)>>> {
    let names: Vec<&str> = making.own.iter().map(|&f| factors[f].name.as_str()).collect();
    let mut all = Vec::new();
    let mut is_sound = !tree.given("forbidden") || tree.item("forbidden").is_some();
    for item in tree.list("forbidden") {
        let Value::Lists(cells) = &item.value else { continue };
        if cells.is_empty() {
            is_sound = false;
            desk.say(
                Diagnostic::error("P108", "this forbids nothing by name, and with that everything")
                    .help("name a level of two factors or more, such as { finish = \"polished\", load = 9 }"),
                item.span.clone(),
                "",
            );
        }
        let mut together = Vec::new();
        for (name, span, cell) in cells {
            let Some(place) = names.iter().position(|known| known == name) else {
                is_sound = false;
                let message = format!("no factor of this set is called `{}`", shown(name));
                desk.say(
                    Diagnostic::error("P108", message).help(did_you_mean(name, &names, "factors")),
                    span.clone(),
                    "unknown factor",
                );
                continue;
            };
            match cell
                .first()
                .and_then(|cell| level(desk, &factors[making.own[place]], cell))
            {
                Some(level) => together.push((place, level)),
                None => is_sound = false,
            }
        }
        together.sort_unstable();
        all.push(together);
    }
    // The order in the file means nothing.
    all.sort();
    is_sound.then_some(all)
}

/// The level a cell names; says so if there is none.
fn level(desk: &mut Desk<'_>, factor: &Factor, cell: &Item) -> Option<usize> {
    let level = level_of(factor, cell);
    if level.is_none() {
        let message = format!("this is not a level of `{}`", factor.name);
        let help = format!("its levels are {}", factor.levels.join(", "));
        desk.say(Diagnostic::error("P108", message).help(help), cell.span.clone(), "");
    }
    level
}
