//! The tables on what goes on at the bench beside the runs: `[order]`, `[control.NAME]`, `[cleaning.NAME]`,
//! `[blinding]`, `[positions]`.
//!
//! In:  the tree of a protocol; its units, factors and responses.
//! Out: a `Bench`; what does not fit together goes to the `Desk`.
//! Never here: whether an order or enough spots can be found, which needs the plan.

use rust_decimal::prelude::ToPrimitive;

use super::bench::{Bench, Cleaning, Control, OrderRules, Positions, Shape, Zone};
use super::model::{Factor, FactorId, Order, Response, Unit};
use super::structure::{did_you_mean, is_identifier, numbers, unit_called};
use super::tree::{Item, Tree};
use super::values::minutes;
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// Most rows of control readings.
const CONTROL_ROWS: u128 = 100_000;
/// Most spots that a specimen may have room for, going by its area.
const SPOTS: f64 = 20_000.0;

/// What was declared before.
#[derive(Clone, Copy)]
pub(super) struct Declared<'a> {
    pub units: &'a [Unit],
    pub factors: &'a [Factor],
    pub responses: &'a [Response],
    pub order: Order,
}

/// Reads the five tables.
pub(super) fn bench(desk: &mut Desk<'_>, root: &Tree, declared: Declared<'_>) -> Bench {
    if declared.order == Order::AsRun {
        for key in ["order", "control", "cleaning", "blinding", "positions"] {
            if root.given(key) {
                let message = format!("a study as run has no use for [{key}]: what was done at the bench is done");
                desk.say(
                    Diagnostic::error("P110", message)
                        .help("take the table out, or set `order = \"randomized\"` in [design]"),
                    root.key_span(key),
                    "",
                );
            }
        }
        return Bench::default();
    }
    let bench = Bench {
        rules: rules(desk, root, declared.factors),
        controls: controls(desk, root, declared),
        cleanings: cleanings(desk, root, declared.factors),
        blinded: blinded(desk, root, declared.factors),
        positions: positions(desk, root, declared),
        waits: root
            .trees("unit")
            .iter()
            .map(|tree| minutes(tree, "wait_minutes"))
            .enumerate()
            .filter(|(_, minutes)| *minutes > 0.0)
            .collect(),
        void_when: root
            .tree("procedure")
            .map_or_else(Vec::new, |tree| tree.texts("void_when")),
    };
    gives_away(desk, root, declared.factors, &bench);
    for (column, is_used) in [
        ("control", !bench.controls.is_empty()),
        ("spots", bench.positions.is_some()),
        ("before", !bench.cleanings.is_empty()),
    ] {
        if is_used {
            column_is_free(desk, root, column);
        }
    }
    bench
}

/// Nothing else has the name of a column that a sheet needs for one of these tables.
fn column_is_free(desk: &mut Desk<'_>, root: &Tree, column: &str) {
    for kind in ["response", "unit", "factor", "condition"] {
        for tree in root.trees(kind) {
            let (name, span) = if kind == "unit" {
                (tree.text("name").unwrap_or_default(), tree.span("name"))
            } else {
                (tree.name.as_str(), tree.at.clone())
            };
            if name == column {
                desk.say(
                    Diagnostic::error(
                        "P126",
                        format!("a {kind} cannot be called `{column}` here: the sheet has a column of that name"),
                    )
                    .help("choose another name"),
                    span,
                    "",
                );
            }
        }
    }
}

fn rules(desk: &mut Desk<'_>, root: &Tree, factors: &[Factor]) -> OrderRules {
    let carries_over = factors.iter().any(|factor| factor.carries_over);
    let tree = root.tree("order");
    let balanced = tree.is_some_and(|tree| tree.text("carry_over").is_some());
    if let Some(tree) = tree.filter(|_| balanced && !carries_over) {
        desk.say(
            Diagnostic::error("P111", "no factor carries over, so that nothing is there to balance").help(
                "set `carries_over = true` for the factor that leaves something behind, or take `carry_over` out",
            ),
            tree.span("carry_over"),
            "",
        );
    }
    // Its sequences are balanced by themselves.
    let williams = root.tree("design").and_then(|design| design.text("treatments")) == Some("williams square");
    for factor in root.trees("factor").iter().filter(|_| !balanced && !williams) {
        if factor.flag("carries_over") {
            desk.say(
                Diagnostic::note(
                    "P048",
                    format!("`{}` carries over, and the order is not balanced for it", factor.name),
                )
                .help(format!(
                    "add `carry_over = \"balanced\"` to a table [order]{}",
                    if root
                        .trees("cleaning")
                        .iter()
                        .any(|cleaning| cleaning.name == factor.name)
                    {
                        String::new()
                    } else {
                        format!(", and say with [cleaning.{}] what is cleaned", factor.name)
                    }
                )),
                factor.span("carries_over"),
                "",
            );
        }
    }
    let Some(tree) = tree else {
        return OrderRules::default();
    };
    OrderRules {
        correlation_at_most: tree.number("correlation_at_most").map(super::number::Exact::to_f64),
        alike_in_a_row_at_most: whole(tree, "alike_in_a_row_at_most"),
        carry_over_balanced: balanced,
        tries: whole(tree, "tries").unwrap_or(OrderRules::TRIES),
    }
}

fn controls(desk: &mut Desk<'_>, root: &Tree, declared: Declared<'_>) -> Vec<Control> {
    let runs = declared.units.iter().fold(1_u128, |product, unit| {
        product.saturating_mul(unit.count.max(1) as u128)
    });
    let mut rows: u128 = 0;
    let mut controls = Vec::new();
    for tree in root.trees("control") {
        if !is_identifier(&tree.name) || tree.name == "run" {
            desk.say(
                Diagnostic::error(
                    "P020",
                    format!("`{}` cannot be the name of a control", shown(&tree.name)),
                )
                .help("a name is made of small letters, digits and `_`, the first a letter"),
                tree.at.clone(),
                "",
            );
        }
        let names: Vec<&str> = declared.responses.iter().map(|r| r.name.as_str()).collect();
        let response =
            match tree.text("response") {
                Some(name) => named(desk, &names, tree, "response", name, "P113", "response"),
                None if names.len() == 1 => Some(0),
                None => {
                    desk.say(
                        Diagnostic::error("P113", "nothing says which response is read on the control")
                            .help(did_you_mean("", &names, "responses")),
                        tree.at.clone(),
                        "",
                    );
                    None
                }
            };
        let factors: Vec<&str> = declared.factors.iter().map(|f| f.name.as_str()).collect();
        let each = tree
            .text("each")
            .and_then(|name| named(desk, &factors, tree, "each", name, "P115", "factor"));
        let every = whole(tree, "every");
        let (at_start, at_end) = (tree.flag("at_start"), tree.flag("at_end"));
        if !at_start && !at_end && every.is_none_or(|every| every as u128 >= runs) {
            desk.say(
                Diagnostic::error("P114", "this control is never read")
                    .help("read it at the start, at the end, or with `every` after some runs, fewer than there are"),
                tree.at.clone(),
                "",
            );
        }
        let levels = each.map_or(1, |factor| declared.factors[factor].levels.len()) as u128;
        rows += (runs / every.map_or(u128::MAX, |every| every as u128) + 2) * levels;
        controls.push(Control {
            name: tree.name.clone(),
            what: tree.string("what"),
            response: response.unwrap_or(0),
            readings: whole(tree, "readings").unwrap_or(1),
            at_start,
            at_end,
            every,
            each,
        });
    }
    if rows > CONTROL_ROWS {
        desk.say(
            Diagnostic::error(
                "P128",
                format!("the controls would be read {rows} times; {CONTROL_ROWS} are allowed"),
            )
            .help("raise `every`"),
            root.key_span("control"),
            "",
        );
    }
    controls
}

/// The place of a name in a list; says so if it is not there.
fn named(
    desk: &mut Desk<'_>,
    known: &[&str],
    tree: &Tree,
    key: &str,
    name: &str,
    code: &'static str,
    kind: &str,
) -> Option<usize> {
    let found = known.iter().position(|k| *k == name);
    if found.is_none() {
        desk.say(
            Diagnostic::error(code, format!("no {kind} is called `{}`", shown(name))).help(did_you_mean(
                name,
                known,
                &format!("{kind}s"),
            )),
            tree.span(key),
            "",
        );
    }
    found
}

fn cleanings(desk: &mut Desk<'_>, root: &Tree, factors: &[Factor]) -> Vec<Cleaning> {
    let names: Vec<&str> = factors.iter().map(|f| f.name.as_str()).collect();
    let mut cleanings = Vec::new();
    for tree in root.trees("cleaning") {
        let Some(id) = names.iter().position(|name| *name == tree.name) else {
            desk.say(
                Diagnostic::error("P115", format!("no factor is called `{}`", shown(&tree.name)))
                    .help(did_you_mean(&tree.name, &names, "factors")),
                tree.at.clone(),
                "",
            );
            continue;
        };
        let factor = &factors[id];
        if !factor.carries_over {
            desk.say(
                Diagnostic::warning(
                    "P118",
                    format!(
                        "`{}` has a cleaning, and nothing says that it carries over",
                        factor.name
                    ),
                )
                .help("set `carries_over = true` for it, so that the report says so too"),
                tree.at.clone(),
                "",
            );
        }
        let mut after: Vec<usize> = Vec::new();
        for item in tree.list("after") {
            if let Some(level) = level(factor, item) {
                after.push(level);
                continue;
            }
            let levels: Vec<&str> = factor.levels.iter().map(String::as_str).collect();
            let text = item.text().unwrap_or_default();
            desk.say(
                Diagnostic::error("P116", format!("`{}` has no such level", factor.name))
                    .help(did_you_mean(text, &levels, "levels")),
                item.span.clone(),
                "",
            );
        }
        if !tree.given("after") {
            after = (0..factor.levels.len()).collect();
        }
        after.sort_unstable();
        after.dedup();
        let cleaning = Cleaning {
            factor: id,
            after,
            steps: tree.texts("steps"),
            wash_out: whole(tree, "wash_out").unwrap_or(0),
            wash_out_on: tree.string("wash_out_on"),
        };
        if cleaning.steps.is_empty() && cleaning.wash_out == 0 {
            desk.say(
                Diagnostic::error("P117", "this cleaning has nothing to do")
                    .help("add `steps`, or `wash_out` with the number of readings to discard"),
                tree.at.clone(),
                "",
            );
        }
        cleanings.push(cleaning);
    }
    cleanings
}

/// The level that an entry names; a numeric one in any spelling of its number.
fn level(factor: &Factor, item: &Item) -> Option<usize> {
    let text = item.text()?;
    let number = || {
        let number = super::number::exact(text).ok()?.decimal;
        factor.numbers.as_ref()?.iter().position(|n| *n == number)
    };
    factor.levels.iter().position(|level| level == text).or_else(number)
}

fn blinded(desk: &mut Desk<'_>, root: &Tree, factors: &[Factor]) -> Vec<FactorId> {
    let Some(tree) = root.tree("blinding") else {
        return Vec::new();
    };
    let names: Vec<&str> = factors.iter().map(|f| f.name.as_str()).collect();
    let mut blinded: Vec<FactorId> = Vec::new();
    for item in tree.list("factors") {
        let name = item.text().unwrap_or_default();
        let Some(id) = names.iter().position(|known| *known == name) else {
            desk.say(
                Diagnostic::error("P115", format!("no factor is called `{}`", shown(name)))
                    .help(did_you_mean(name, &names, "factors")),
                item.span.clone(),
                "",
            );
            continue;
        };
        if factors[id].is_numeric() {
            desk.say(
                Diagnostic::error(
                    "P119",
                    format!("`{name}` is numeric: its slope cannot be fitted on codes"),
                )
                .help("take it out of `factors`, or take `scale` out and compare its levels as categories"),
                item.span.clone(),
                "",
            );
            continue;
        }
        blinded.push(id);
    }
    blinded.sort_unstable();
    blinded.dedup();
    blinded
}

/// What is printed must not give a blinded level away.
fn gives_away(desk: &mut Desk<'_>, root: &Tree, factors: &[Factor], bench: &Bench) {
    for (control, tree) in bench.controls.iter().zip(root.trees("control")) {
        if let Some(factor) = control.each.filter(|factor| bench.blinded.contains(factor)) {
            desk.say(
                Diagnostic::error(
                    "P120",
                    format!(
                        "a control read with each level of `{}` would give the blinded levels away",
                        factors[factor].name
                    ),
                )
                .help("take `each` out, or leave this factor open"),
                tree.span("each"),
                "",
            );
        }
    }
    for cleaning in &bench.cleanings {
        let factor = &factors[cleaning.factor];
        if bench.blinded.contains(&cleaning.factor) && cleaning.after.len() < factor.levels.len() {
            let at = root
                .trees("cleaning")
                .iter()
                .find(|tree| tree.name == factor.name)
                .map_or(0..0, |tree| tree.span("after"));
            desk.say(
                Diagnostic::error(
                    "P120",
                    format!(
                        "cleaning after some levels of `{}` only would give the blinded levels away",
                        factor.name
                    ),
                )
                .help("take `after` out: clean after every level"),
                at,
                "",
            );
        }
    }
}

fn positions(desk: &mut Desk<'_>, root: &Tree, declared: Declared<'_>) -> Option<Positions> {
    let tree = root.tree("positions")?;
    let on = tree
        .text("on")
        .and_then(|name| unit_called(desk, root, name, tree.span("on")));
    let shape = shape(desk, tree);
    let names: Vec<&str> = declared.responses.iter().map(|r| r.name.as_str()).collect();
    let mut responses: Vec<usize> = Vec::new();
    for item in tree.list("responses") {
        let name = item.text().unwrap_or_default();
        match names.iter().position(|known| *known == name) {
            Some(id) => responses.push(id),
            None => desk.say(
                Diagnostic::error("P113", format!("no response is called `{}`", shown(name))).help(did_you_mean(
                    name,
                    &names,
                    "responses",
                )),
                item.span.clone(),
                "",
            ),
        }
    }
    if !tree.given("responses") {
        responses = (0..names.len()).collect();
    }
    responses.sort_unstable();
    responses.dedup();
    let has_edge = !matches!(shape, Some(Shape::Sphere { .. }));
    let silent: Vec<&str> = [("pitch", true), ("edge", has_edge)]
        .into_iter()
        .filter(|(key, counts)| *counts && !tree.given(key))
        .map(|(key, _)| key)
        .collect();
    if !silent.is_empty() {
        desk.say(
            Diagnostic::note(
                "P124",
                format!(
                    "{} taken from common practice for durometers: 6 mm between spots, 12 mm from an edge",
                    silent.join(" and ")
                ),
            )
            .help("editions of the methods differ: write down what the edition you follow asks for"),
            tree.at.clone(),
            "",
        );
    }
    let shape = shape?;
    let pitch = tree.number("pitch").map_or(6.0, super::number::Exact::to_f64);
    if area(shape) / (pitch * pitch) > SPOTS {
        desk.say(
            Diagnostic::error(
                "P125",
                format!("the specimen would hold more than {SPOTS} spots at a pitch of {pitch} mm"),
            )
            .help("lengths are in millimetres; declare the part that is read, or a wider pitch"),
            tree.span("pitch"),
            "",
        );
        return None;
    }
    let zones = tree
        .trees("zone")
        .iter()
        .map(|zone| self::zone(desk, zone, shape))
        .collect();
    Some(Positions {
        on: on?,
        responses,
        shape,
        pitch,
        edge: if has_edge {
            tree.number("edge").map_or(12.0, super::number::Exact::to_f64)
        } else {
            0.0
        },
        zones,
        zero: tree.string("zero"),
    })
}

/// Area in square millimetres.
fn area(shape: Shape) -> f64 {
    let pi = std::f64::consts::PI;
    match shape {
        Shape::Rectangle { length, width } => length * width,
        Shape::Disc { diameter } => pi * diameter * diameter / 4.0,
        Shape::Cylinder { diameter, length } => pi * diameter * length,
        Shape::Sphere { diameter } => pi * diameter * diameter,
    }
}

fn shape(desk: &mut Desk<'_>, tree: &Tree) -> Option<Shape> {
    let word = tree.text("shape")?;
    let wanted: &[&str] = match word {
        "flat rectangle" => &["length", "width"],
        "cylinder" => &["diameter", "length"],
        _ => &["diameter"],
    };
    let mut complete = true;
    for key in ["length", "width", "diameter"] {
        let (given, needed) = (tree.given(key), wanted.contains(&key));
        if needed && !given {
            complete = false;
            desk.say(
                Diagnostic::error("P121", format!("a {word} needs `{key}`"))
                    .help(format!("add `{key}` in millimetres, as measured on the specimen")),
                tree.span("shape"),
                "",
            );
        } else if given && !needed {
            complete = false;
            desk.say(
                Diagnostic::error("P121", format!("a {word} has no `{key}`"))
                    .help(format!("its sizes are {}", wanted.join(" and "))),
                tree.key_span(key),
                "",
            );
        }
    }
    if !complete {
        return None;
    }
    let size = |key: &str| tree.number(key).map(super::number::Exact::to_f64);
    Some(match word {
        "flat rectangle" => Shape::Rectangle {
            length: size("length")?,
            width: size("width")?,
        },
        "disc" => Shape::Disc {
            diameter: size("diameter")?,
        },
        "cylinder" => Shape::Cylinder {
            diameter: size("diameter")?,
            length: size("length")?,
        },
        _ => Shape::Sphere {
            diameter: size("diameter")?,
        },
    })
}

fn zone(desk: &mut Desk<'_>, tree: &Tree, shape: Shape) -> Zone {
    let known = shape.coordinates();
    let mut extent = [None, None];
    for key in ["along", "across", "around", "radius", "latitude"] {
        if !tree.given(key) {
            continue;
        }
        let Some(place) = known.iter().position(|k| *k == key) else {
            desk.say(
                Diagnostic::error("P122", format!("a {} has no `{key}`", shape.word()))
                    .help(format!("a zone on it is bounded by `{}` and `{}`", known[0], known[1])),
                tree.key_span(key),
                "",
            );
            continue;
        };
        let ends: Vec<f64> = numbers(tree, key).iter().filter_map(ToPrimitive::to_f64).collect();
        let [from, to] = ends.as_slice() else { continue };
        let sound = if key == "around" {
            [from, to].iter().all(|angle| (0.0..=360.0).contains(*angle)) && from != to
        } else {
            from < to
        };
        if !sound {
            let help = if key == "around" {
                "angles run from 0 to 360 degrees; [350, 10] runs through the zero mark"
            } else {
                "write the lowest value first, [lowest, highest]"
            };
            desk.say(
                Diagnostic::error("P122", format!("the extent `{key}` of this zone is empty")).help(help),
                tree.span(key),
                "",
            );
            continue;
        }
        extent[place] = Some((*from, *to));
    }
    if !["along", "across", "around", "radius", "latitude"]
        .iter()
        .any(|key| tree.given(key))
    {
        desk.say(
            Diagnostic::error("P122", "this zone would leave the whole specimen out")
                .help(format!("bound it by `{}`, `{}` or both", known[0], known[1])),
            tree.at.clone(),
            "",
        );
    }
    Zone {
        name: tree.string("name"),
        extent,
    }
}

fn whole(tree: &Tree, key: &str) -> Option<usize> {
    usize::try_from(tree.whole(key)?).ok()
}
