//! What a rehearsal needs of a protocol beyond what `assumed` checks.
//!
//! In:  the tree of a protocol, its factors and what is assumed; or a checked protocol.
//! Out: residues and followed factors; whether a study can be rehearsed.
//!
//! | bound | value                                                                          |
//! |-------|--------------------------------------------------------------------------------|
//! | steps | no assumed number is larger than 10⁹ steps of the display: it could not be shown |
//!
//! Never here: the simulation itself (`rehearsal`).

use std::collections::BTreeMap;

use rust_decimal::prelude::ToPrimitive;

use super::assumed::{Assumed, AssumedResidue, AssumedSize, number};
use super::model::{Condition, Factor, Protocol, Response};
use super::structure::{did_you_mean, unit_called};
use super::tree::{Tree, Value};
use super::walk::{Desk, shown};
use crate::diagnostic::{Diagnostic, Diagnostics};

/// Most steps of the display that an assumed number may be.
const STEPS: f64 = 1e9;

/// Says why a study cannot be rehearsed.
///
/// # Errors
///
/// `P130` if its readings exist already, or for each response of which nothing is assumed or no mean can be guessed.
pub fn can_be_rehearsed(protocol: &Protocol, assumed: &[Assumed]) -> Result<(), Diagnostics> {
    let mut found = Diagnostics::new();
    if protocol.is_as_run() {
        found.push(
            Diagnostic::error(
                "P130",
                "this study takes readings that exist already: there is nothing to rehearse",
            )
            .help("rehearse a study whose order is to be drawn, `order = \"randomized\"`"),
        );
        return Err(found);
    }
    for (id, response) in protocol.responses.iter().enumerate() {
        let name = &response.name;
        match assumed.iter().find(|assumed| assumed.response == id) {
            None => {
                let message = format!("nothing is assumed of `{name}`, so that no reading of it can be simulated");
                let help = format!(
                    "add [assumed.{name}] to the protocol, or to `assumed.toml` beside it: `source`, `mean`, a `spread` for each unit and for `reading`, \
                     and [[assumed.{name}.effect]] for what is to be found"
                );
                found.push(Diagnostic::error("P130", message).help(help));
            }
            Some(assumed) if assumed.mean.is_none() && response.expected.or(response.possible).is_none() => {
                let message = format!("nothing says where the readings of `{name}` lie");
                let help = format!("add `mean` to [assumed.{name}]");
                found.push(Diagnostic::error("P130", message).help(help));
            }
            Some(_) => {}
        }
    }
    found.unless_errors(()).map(|_| ())
}

/// What levels leave behind.
pub(super) fn residues(desk: &mut Desk<'_>, root: &Tree, tree: &Tree, factors: &[Factor]) -> Vec<AssumedResidue> {
    let names: Vec<&str> = factors.iter().map(|factor| factor.name.as_str()).collect();
    let mut all: Vec<AssumedResidue> = Vec::new();
    for inner in tree.trees("residue") {
        let Some(name) = inner.text("of") else { continue };
        let within = inner
            .text("within")
            .and_then(|unit| unit_called(desk, root, unit, inner.span("within")));
        let Some(factor) = names.iter().position(|known| *known == name) else {
            desk.say(
                Diagnostic::error("P133", format!("no factor is called `{}`", shown(name)))
                    .help(did_you_mean(name, &names, "factors")),
                inner.span("of"),
                "unknown factor",
            );
            continue;
        };
        if all.iter().any(|residue| residue.factor == factor) {
            desk.say(
                Diagnostic::error("P133", format!("`{name}` leaves something behind twice"))
                    .help("put all values of a factor into one table"),
                inner.span("of"),
                "again",
            );
            continue;
        }
        let levels: Vec<&str> = factors[factor].levels.iter().map(String::as_str).collect();
        let mut values = vec![0.0; levels.len()];
        for (text, span, items) in inner.lists("values") {
            if let Some(level) = levels.iter().position(|known| known == text) {
                values[level] = items.first().and_then(number).unwrap_or(0.0);
            } else {
                desk.say(
                    Diagnostic::error("P133", format!("`{name}` has no level `{}`", shown(text)))
                        .help(did_you_mean(text, &levels, "levels")),
                    span.clone(),
                    "unknown level",
                );
            }
        }
        all.push(AssumedResidue { factor, values, within });
    }
    all
}

/// What controls read: each a control on which the response of the table is read, at a value that is possible.
pub(super) fn controls(desk: &mut Desk<'_>, root: &Tree, tree: &Tree, responses: &[&str]) -> BTreeMap<usize, f64> {
    // A study of one response need not say which one a control reads.
    let reads = |control: &Tree| match control.text("response") {
        Some(name) => name == tree.name,
        None => responses.len() == 1,
    };
    let declared = root.trees("control");
    let known: Vec<&str> = declared.iter().filter(|c| reads(c)).map(|c| c.name.as_str()).collect();
    let mut all = BTreeMap::new();
    for (name, span, items) in tree.lists("control") {
        let Some(value) = items.first().and_then(number) else {
            continue;
        };
        let Some(control) = declared
            .iter()
            .position(|control| control.name == *name && reads(control))
        else {
            let message = format!("`{}` is read on no control called `{}`", tree.name, shown(name));
            let help = if known.is_empty() {
                "declare it with [control.NAME], or take it out".to_owned()
            } else {
                did_you_mean(name, &known, "controls")
            };
            desk.say(Diagnostic::error("P138", message).help(help), span.clone(), "");
            continue;
        };
        all.insert(control, value);
    }
    all
}

/// Sets the factor that each condition follows.
pub(super) fn follows(desk: &mut Desk<'_>, root: &Tree, conditions: &mut [Condition], factors: &[Factor]) {
    let numeric: Vec<&str> = factors
        .iter()
        .filter(|f| f.is_numeric())
        .map(|f| f.name.as_str())
        .collect();
    for (condition, tree) in conditions.iter_mut().zip(root.trees("condition")) {
        let Some(name) = tree.text("follows") else { continue };
        condition.follows = factors
            .iter()
            .position(|factor| factor.name == name && factor.is_numeric());
        if condition.follows.is_none() {
            desk.say(
                Diagnostic::error("P134", format!("no numeric factor is called `{}`", shown(name))).help(did_you_mean(
                    name,
                    &numeric,
                    "numeric factors",
                )),
                tree.span("follows"),
                "",
            );
        }
    }
}

/// Assumed numbers are of a size that the display can show, and the mean is possible.
pub(super) fn sizes(desk: &mut Desk<'_>, root: &Tree, assumed: &[Assumed], responses: &[Response]) {
    for tree in root.trees("assumed") {
        let Some(id) = responses.iter().position(|response| response.name == tree.name) else {
            continue;
        };
        let response = &responses[id];
        if let (Some(mean), Some((low, high))) = (tree.decimal("mean"), response.possible)
            && !(low..=high).contains(&mean)
        {
            desk.say(
                Diagnostic::error(
                    "P131",
                    format!(
                        "a mean of {mean} is not possible: readings of `{}` lie from {low} to {high}",
                        response.name
                    ),
                )
                .help("mend the mean, or `possible` of the response"),
                tree.span("mean"),
                "",
            );
        }
        for (name, span, items) in tree.lists("control") {
            let value = items.first().and_then(|item| match &item.value {
                Value::Number(number) => Some(number.decimal),
                _ => None,
            });
            if let (Some(value), Some((low, high))) = (value, response.possible)
                && !(low..=high).contains(&value)
            {
                let message = format!(
                    "{value} on `{}` is not possible: readings of `{}` lie from {low} to {high}",
                    shown(name),
                    response.name
                );
                let help = "mend what the control is assumed to read, or `possible` of the response";
                desk.say(Diagnostic::error("P131", message).help(help), span.clone(), "");
            }
        }
        let Some(of) = assumed.iter().find(|assumed| assumed.response == id) else {
            continue;
        };
        let effects = of.effects.iter().filter_map(|effect| effect.size.as_ref());
        let largest = effects
            .flat_map(|size| match size {
                AssumedSize::Difference(difference) => std::slice::from_ref(difference),
                AssumedSize::Values(values) => values.as_slice(),
            })
            .chain(of.residues.iter().flat_map(|residue| &residue.values))
            .chain(of.spreads.iter().map(|spread| &spread.sd))
            .chain([&of.reading, &of.drift])
            .chain(&of.mean)
            .chain(of.controls.values())
            .fold(0.0, |largest: f64, value| largest.max(value.abs()));
        let step = response.resolution.to_f64().unwrap_or(1.0);
        if largest > STEPS * step {
            desk.say(
                Diagnostic::error(
                    "P132",
                    format!(
                        "an assumed number of {largest} is more than {STEPS} steps of {}",
                        response.resolution
                    ),
                )
                .help(format!("mend it, or the `resolution` of `{}`", response.name)),
                tree.at.clone(),
                "in this table",
            );
        }
    }
}
