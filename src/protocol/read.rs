//! `protocol.toml` to a checked `Protocol`.
//!
//! In:  a `Source`.
//! Out: a `Protocol` that keeps the invariants of `model`, with its warnings; or everything that is wrong with it.
//! Method: `walk` checks each key by itself; then the checks that need several keys run on the values that are well
//! formed, so that one slip hides no other. A value that is missing or malformed was reported by the walk, and a
//! stand-in takes its place: the `Protocol` is given out only if there was no error.
//! Never here: files, clock.

use std::sync::Arc;

use rust_decimal::Decimal;
use sha2::{Digest, Sha256};

use super::check_treatments;
use super::choice::Choice;
use super::measurement::{self, Context};
use super::model::{
    AnalysisPlan, Comparisons, Condition, Design, Effect, Limit, ModelPlan, Order, Procedure, Protocol, Response,
    Statistic, Study, StudyKind, Treatments, UnitId,
};
use super::precision::{self, Lookup};
use super::protocol_keys::PROTOCOL;
use super::read_bench;
use super::read_model;
use super::structure;
use super::tree::{Span, Tree};
use super::values::minutes;
use super::walk::{Desk, ShapeCodes, shown};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};

pub(super) static CODES: ShapeCodes = ShapeCodes {
    syntax: "P001",
    unknown_key: "P002",
    wrong_type: "P003",
    missing: "P004",
    blank: "P005",
    unknown_word: "P006",
    inexact: "P007",
    bad_text: "P008",
    format: "P009",
    size: "P010",
    range: "P011",
    placeholder: "P012",
    bad_date: "P013",
    more: "P014",
};

/// Most effects of a model.
pub(super) const EFFECTS: u64 = 2_000;
/// Most factors in one planned effect.
const EFFECT_ORDER: usize = 6;

/// Reads a protocol and checks all of it.
///
/// # Errors
///
/// Everything that is wrong with it, in the order of the file; warnings are among them. Without an error the
/// warnings come with the protocol.
pub fn read(source: &Arc<Source>) -> Result<(Protocol, Diagnostics), Diagnostics> {
    read_changed(source, None)
}

/// Reads a protocol as if it declared another set of treatments.
///
/// # Errors
///
/// As `read`, and what would be wrong with that set; places of what was changed are those of the tables they belong to.
pub fn read_as(source: &Arc<Source>, choice: &Choice) -> Result<(Protocol, Diagnostics), Diagnostics> {
    read_changed(source, Some(choice))
}

fn read_changed(source: &Arc<Source>, choice: Option<&Choice>) -> Result<(Protocol, Diagnostics), Diagnostics> {
    let mut desk = Desk::new(source, &CODES);
    let mut tree = desk.walk(&PROTOCOL);
    if desk.is_broken() {
        return Err(desk.finish());
    }
    if let Some(choice) = choice {
        choice.apply(&mut tree);
    }
    format_version(&mut desk, &tree, "wellrun", CODES.format);
    let mut design = design(&tree);
    let study = study(&mut desk, &tree, design.order);
    let responses: Vec<Response> = tree.trees("response").iter().map(|t| response(&mut desk, t)).collect();
    structure::check_names(&mut desk, &tree);
    let mut units = structure::units(&mut desk, &tree);
    let (mut factors, factors_sound) = structure::factors(&mut desk, &tree, &units);
    let mut conditions: Vec<Condition> = tree
        .trees("condition")
        .iter()
        .map(|t| condition(&mut desk, &tree, t))
        .collect();
    super::check_rehearsal::follows(&mut desk, &tree, &mut conditions, &factors);
    let factor_names: Vec<&str> = factors.iter().map(|factor| factor.name.as_str()).collect();
    let mut analysis = analysis(&mut desk, &tree, &factor_names, design.treatments);
    analysis.model = read_model::model_plan(&mut desk, &tree, &factors, &conditions, &responses);
    read_model::check_random(&mut desk, &tree, &factors, &analysis.planned);
    let factors_sound = check_treatments::check(
        &mut desk,
        &tree,
        &units,
        (&mut factors, factors_sound),
        &mut design,
        &analysis,
    );
    structure::count(&mut desk, &tree, &mut units, (&factors, factors_sound), &design);
    let response_names: Vec<&str> = responses.iter().map(|response| response.name.as_str()).collect();
    let assumed = super::assumed::read(&mut desk, &tree, &response_names, &units, &factors);
    let look = Lookup {
        root: &tree,
        units: &units,
        factors: &factors,
        responses: &responses,
        design: &design,
    };
    let (precision, measurement_system, references) = (
        precision::precision(&mut desk, &look),
        precision::measurement(&mut desk, &look),
        precision::references(&mut desk, &look),
    );
    precision::check_kind(&mut desk, &tree, study.kind);
    let declared = read_bench::Declared {
        units: &units,
        factors: &factors,
        responses: &responses,
        order: design.order,
    };
    let bench = read_bench::bench(&mut desk, &tree, declared);
    super::check_rehearsal::sizes(&mut desk, &tree, &assumed, &responses);
    let context = Context {
        responses: &responses,
        units: &units,
        factors: &factors,
        conditions: &conditions,
    };
    let measurement = measurement::read(&mut desk, &tree, &context);
    let replication = super::replication::read(&mut desk, &tree, &responses, &factors, &analysis);
    let protocol = Protocol {
        study,
        responses,
        units,
        factors,
        conditions,
        design,
        analysis,
        assumed,
        precision,
        measurement_system,
        references,
        measurement,
        replication,
        procedure: procedure(&tree),
        bench,
        sha256: text_sha256(&source.text),
        drawn_as: text_sha256(&source.text),
    };
    desk.finish().unless_errors(protocol)
}

/// SHA-256 of a text as lower-case hexadecimal; line ends count as LF and a byte-order mark does not count, so that
/// a harmless change by an editor or a mail program changes no hash.
#[must_use]
pub fn text_sha256(text: &str) -> String {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let text = text.replace("\r\n", "\n").replace('\r', "\n");
    data_encoding::HEXLOWER.encode(&Sha256::digest(text.as_bytes()))
}

/// Checks the version of a format, which is 1 for now.
pub(super) fn format_version(desk: &mut Desk<'_>, tree: &Tree, key: &str, code: &'static str) {
    if let Some(version) = tree.whole(key)
        && version != 1
    {
        desk.say(
            Diagnostic::error(code, format!("the file is written in version {version} of its format"))
                .help("this tool reads version 1; a later tool may read both"),
            tree.span(key),
            "",
        );
    }
}

/// Checks an id that goes into file names.
pub(super) fn check_id(desk: &mut Desk<'_>, tree: &Tree, code: &'static str) {
    let Some(id) = tree.text("id") else { return };
    let fits = id.len() <= 60
        && id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
        && id.starts_with(|c: char| c.is_ascii_alphanumeric())
        && !reserved_file_name(id);
    if !fits {
        desk.say(
            Diagnostic::error(code, format!("`{}` cannot be an id", shown(id))).help(
                "an id names files: 1 to 60 letters, digits and `-`, the first a letter or a digit, and none of the \
                 names that an operating system keeps for itself",
            ),
            tree.span("id"),
            "",
        );
    }
}

/// Names of devices that no file can have on one of the common systems.
fn reserved_file_name(id: &str) -> bool {
    let id = id.to_ascii_lowercase();
    let numbered = |stem: &str| {
        id.strip_prefix(stem)
            .is_some_and(|n| n.len() == 1 && n.as_bytes().iter().all(u8::is_ascii_digit))
    };
    matches!(id.as_str(), "con" | "prn" | "aux" | "nul") || numbered("com") || numbered("lpt")
}

fn study(desk: &mut Desk<'_>, root: &Tree, order: Order) -> Study {
    let empty = Tree::default();
    let tree = root.tree("study").unwrap_or(&empty);
    check_id(desk, tree, "P024");
    if order == Order::AsRun && root.given("study") && !tree.given("source") {
        desk.say(
            Diagnostic::warning("P070", "readings that exist already should say where they come from")
                .help("add `source = \"...\"` to [study]: the publication, notebook or file"),
            tree.at.clone(),
            "no `source` in this table",
        );
    }
    let kind = tree.text("kind").and_then(|word| {
        let (kind, _) = StudyKind::ALL.into_iter().find(|(_, known)| *known == word)?;
        Some(kind)
    });
    Study {
        id: tree.string("id"),
        version: tree.string("version"),
        title: tree.string("title"),
        question: tree.string("question"),
        kind: kind.unwrap_or(StudyKind::VarianceInvestigation),
        method: tree.string("method"),
        source: tree.string("source"),
    }
}

/// Two numbers, the first below the second.
fn range(desk: &mut Desk<'_>, tree: &Tree, key: &str) -> Option<(Decimal, Decimal)> {
    let numbers = structure::numbers(tree, key);
    let [low, high] = numbers.as_slice() else { return None };
    if low >= high {
        desk.say(
            Diagnostic::error("P050", format!("the range `{key}` is empty: {low} is not below {high}"))
                .help("write the lowest value first, [lowest, highest]"),
            tree.span(key),
            "",
        );
        return None;
    }
    Some((*low, *high))
}

fn possible_and_expected(desk: &mut Desk<'_>, tree: &Tree) -> [Option<(Decimal, Decimal)>; 2] {
    let possible = range(desk, tree, "possible");
    let expected = range(desk, tree, "expected");
    if let (Some(possible), Some(expected)) = (possible, expected)
        && (expected.0 < possible.0 || expected.1 > possible.1)
    {
        let diagnostic = Diagnostic::error("P051", "values are expected here that are not possible")
            .at(desk.source, tree.span("expected"), "reaches beyond")
            .at(desk.source, tree.span("possible"), "what is possible")
            .help("`expected` lies inside `possible`: outside the first a value is questioned, outside the second refused");
        desk.push(diagnostic);
    }
    [possible, expected]
}

fn response(desk: &mut Desk<'_>, tree: &Tree) -> Response {
    let [possible, expected] = possible_and_expected(desk, tree);
    let limit = limit(desk, tree, possible);
    let result = tree.text("result").and_then(|word| {
        let (statistic, _) = Statistic::ALL.into_iter().find(|(_, known)| *known == word)?;
        Some(statistic)
    });
    Response {
        name: tree.name.clone(),
        measurand: tree.string("measurand"),
        unit: tree.string("unit"),
        resolution: tree.decimal("resolution").unwrap_or(Decimal::ONE),
        possible,
        expected,
        readings: usize_of(tree, "readings").unwrap_or(1),
        reading_time: tree.string("reading_time"),
        result: result.unwrap_or(Statistic::Mean),
        round_to: tree.decimal("round_to"),
        limit,
        tolerance: range(desk, tree, "tolerance"),
        relevant: tree.decimal("relevant"),
    }
}

fn limit(desk: &mut Desk<'_>, response: &Tree, possible: Option<(Decimal, Decimal)>) -> Option<Limit> {
    let tree = response.tree("limit")?;
    let given = [tree.given("at_least"), tree.given("at_most")];
    if given[0] == given[1] {
        let message = if given[0] {
            "a limit has one side only"
        } else {
            "a limit needs a number"
        };
        desk.say(
            Diagnostic::error("P052", message).help(
                "write `limit = { at_least = 55 }` or `limit = { at_most = 70 }`; declare two responses for two limits",
            ),
            response.span("limit"),
            "",
        );
        return None;
    }
    let (key, limit) = match (tree.decimal("at_least"), tree.decimal("at_most")) {
        (Some(low), None) => ("at_least", (low, Limit::AtLeast(low))),
        (None, Some(high)) => ("at_most", (high, Limit::AtMost(high))),
        _ => return None,
    };
    if let Some((low, high)) = possible
        && (limit.0 < low || limit.0 > high)
    {
        let diagnostic = Diagnostic::error(
            "P053",
            format!("no result can lie on both sides of the limit {}", limit.0),
        )
        .at(desk.source, tree.span(key), "outside what is possible")
        .at(desk.source, response.span("possible"), "what is possible")
        .help("mend the limit or the possible range");
        desk.push(diagnostic);
    }
    Some(limit.1)
}

fn condition(desk: &mut Desk<'_>, root: &Tree, tree: &Tree) -> Condition {
    let [possible, expected] = possible_and_expected(desk, tree);
    let run: UnitId = root.trees("unit").len().saturating_sub(1);
    let measured_on = match tree.text("measured_on") {
        Some(name) => structure::unit_called(desk, root, name, tree.span("measured_on")).unwrap_or(run),
        None => run,
    };
    Condition {
        name: tree.name.clone(),
        unit: tree.string("unit"),
        measured_on,
        possible,
        expected,
        follows: None,
    }
}

fn design(root: &Tree) -> Design {
    let tree = root.tree("design");
    let order = match tree.and_then(|t| t.text("order")) {
        Some("as run") => Order::AsRun,
        _ => Order::Randomized,
    };
    Design {
        treatments: tree
            .and_then(|t| t.text("treatments"))
            .map_or(Treatments::FullFactorial, Treatments::of),
        set: None,
        budget: tree.and_then(|t| usize_of(t, "budget")),
        replicates: tree.and_then(|t| usize_of(t, "replicates")).unwrap_or(1),
        order,
    }
}

fn analysis(desk: &mut Desk<'_>, root: &Tree, factors: &[&str], treatments: Treatments) -> AnalysisPlan {
    let tree = root.tree("analysis");
    let planned = tree.map_or_else(Vec::new, |tree| planned(desk, tree, factors));
    let nothing_planned =
        tree.is_none_or(|tree| !tree.given("planned") || tree.item("planned").is_some_and(|i| i.list().is_empty()));
    if nothing_planned && !factors.is_empty() {
        let at = tree.map_or(0..0, |tree| tree.span("planned"));
        desk.say(
            Diagnostic::warning("P063", "no effect is planned: all of them will be marked exploratory").help(format!(
                "name what the question asks for, such as `planned = [\"{}\"]` in [analysis]",
                factors[0]
            )),
            at,
            "",
        );
    }
    let interactions = match tree.filter(|tree| tree.given("interactions")) {
        // Where interactions cannot be told from one another, main effects alone make the model unless it says otherwise.
        None if treatments.is_for_main_effects() => 1,
        _ => tree.and_then(|t| usize_of(t, "interactions")).unwrap_or(2),
    };
    let effects = effect_count(factors.len(), interactions) + planned.iter().map(|e| 1_u64 << e.len()).sum::<u64>();
    if effects > EFFECTS {
        let at = tree.map_or(0..0, |tree| tree.span("interactions"));
        desk.say(
            Diagnostic::error(
                "P065",
                format!("the model would hold {effects} effects; {EFFECTS} are allowed"),
            )
            .help("lower `interactions`, and plan the few interactions that the question asks for"),
            at,
            "",
        );
    }
    AnalysisPlan {
        planned,
        interactions,
        confidence: tree
            .and_then(|t| t.number("confidence"))
            .map_or(0.95, super::number::Exact::to_f64),
        model: ModelPlan::default(),
        comparisons: match tree.and_then(|t| t.text("comparisons")) {
            Some("each alone") => Comparisons::Alone,
            _ => Comparisons::Together,
        },
    }
}

/// Number of effects of one up to `order` of `factors` factors: Σ C(factors, k).
pub(super) fn effect_count(factors: usize, order: usize) -> u64 {
    let mut term: u64 = 1;
    let mut sum: u64 = 0;
    for k in 0..order.min(factors) {
        term = term.saturating_mul((factors - k) as u64) / (k as u64 + 1);
        sum = sum.saturating_add(term);
    }
    sum
}

fn planned(desk: &mut Desk<'_>, tree: &Tree, factors: &[&str]) -> Vec<Effect> {
    let mut effects: Vec<(Effect, Span)> = Vec::new();
    for item in tree.list("planned") {
        let names = item.list();
        if names.is_empty() || names.len() > EFFECT_ORDER {
            desk.say(
                Diagnostic::error(
                    "P064",
                    format!(
                        "an effect is made of 1 to {EFFECT_ORDER} factors, not of {}",
                        names.len()
                    ),
                )
                .help("write \"finish\" for a main effect, [\"finish\", \"instrument\"] for an interaction"),
                item.span.clone(),
                "",
            );
            continue;
        }
        let mut effect = Effect::new();
        let mut whole = true;
        for name in names {
            let text = name.text().unwrap_or_default();
            let Some(factor) = factors.iter().position(|known| *known == text) else {
                let diagnostic = Diagnostic::error("P060", format!("no factor is called `{}`", shown(text)));
                desk.say(
                    diagnostic.help(structure::did_you_mean(text, factors, "factors")),
                    name.span.clone(),
                    "unknown factor",
                );
                whole = false;
                continue;
            };
            if effect.contains(&factor) {
                desk.say(
                    Diagnostic::error("P062", format!("`{text}` stands twice in one effect"))
                        .help("an effect holds each of its factors once"),
                    name.span.clone(),
                    "",
                );
                whole = false;
                continue;
            }
            effect.push(factor);
        }
        if !whole {
            continue;
        }
        effect.sort_unstable();
        if let Some((_, first)) = effects.iter().find(|(known, _)| *known == effect) {
            let diagnostic = Diagnostic::error("P061", "this effect is planned twice")
                .at(desk.source, item.span.clone(), "again")
                .at(desk.source, first.clone(), "here already")
                .help("take one of the two out; the order of the factors in an effect has no meaning");
            desk.push(diagnostic);
            continue;
        }
        effects.push((effect, item.span.clone()));
    }
    effects.into_iter().map(|(effect, _)| effect).collect()
}

fn procedure(root: &Tree) -> Procedure {
    let Some(tree) = root.tree("procedure") else {
        return Procedure::default();
    };
    Procedure {
        before_study: tree.texts("before_study"),
        before_run: tree.texts("before_run"),
        after_run: tree.texts("after_run"),
        after_study: tree.texts("after_study"),
        cautions: tree.texts("cautions"),
        run_minutes: minutes(tree, "run_minutes"),
        reading_minutes: minutes(tree, "reading_minutes"),
    }
}

fn usize_of(tree: &Tree, key: &str) -> Option<usize> {
    usize::try_from(tree.whole(key)?).ok()
}
