//! Names, units, factors and counts: the checks that hold the structure of a study together.
//!
//! In:  the tree of a protocol.
//! Out: units and factors; what does not fit together goes to the `Desk`.
//! Never here: texts, ranges, analysis.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::keys::join;
use super::model::{Design, Factor, Order, Unit, UnitId};
use super::tree::{Span, Tree, Value};
use super::values::{guess, minutes, part_of};
use super::walk::{Desk, shown};
use crate::diagnostic::Diagnostic;

/// Most characters of a name.
const NAME: usize = 40;
/// Most runs of a study.
const RUNS: u128 = 1_000_000;
/// Most readings of a study.
const READINGS: u128 = 10_000_000;

/// Columns of the sheet that no unit, factor, condition or response may be called.
const RESERVED: [&str; 9] = [
    "run", "order", "time", "initials", "remark", "response", "reading", "value", "sheet",
];

/// Names of one kind with the place where they are declared.
fn declared(root: &Tree) -> Vec<(&'static str, String, Span, bool)> {
    let mut names = Vec::new();
    for kind in ["response", "unit", "factor", "condition"] {
        let trees = root.trees(kind);
        for (index, tree) in trees.iter().enumerate() {
            let (name, span) = if kind == "unit" {
                match tree.text("name") {
                    Some(name) => (name.to_owned(), tree.span("name")),
                    None => continue,
                }
            } else {
                (tree.name.clone(), tree.at.clone())
            };
            names.push((kind, name, span, kind == "unit" && index + 1 == trees.len()));
        }
    }
    names
}

/// Names are identifiers, none is a column of the sheet, and each stands once over all kinds.
pub(super) fn check_names(desk: &mut Desk<'_>, root: &Tree) {
    let mut seen: BTreeMap<String, (&'static str, Span)> = BTreeMap::new();
    for (kind, name, span, is_run) in declared(root) {
        if !is_identifier(&name) {
            let help = match suggested(&name) {
                Some(better) => format!("a name is made of small letters, digits and `_`, such as `{better}`"),
                None => format!("a name is 1 to {NAME} small letters (a to z), digits and `_`, the first a letter"),
            };
            let diagnostic = Diagnostic::error("P020", format!("`{}` cannot be the name of a {kind}", shown(&name)));
            desk.say(diagnostic.help(help), span, "");
            continue;
        }
        if RESERVED.contains(&name.as_str()) && !(is_run && name == "run") {
            let help = match (kind, name.as_str()) {
                ("unit", "run") => "the run is the finest unit and stands last".to_owned(),
                (_, "initials") => "every run carries initials anyway; call it for instance `operator`".to_owned(),
                _ => format!("choose another name; the sheet has the columns {}", reserved_columns()),
            };
            let diagnostic = Diagnostic::error("P021", format!("`{name}` is a column that each sheet has already"));
            desk.say(diagnostic.help(help), span, "");
            continue;
        }
        if let Some((other, first)) = seen.get(&name) {
            let diagnostic = Diagnostic::error("P022", format!("the name `{name}` is given twice"))
                .at(desk.source, span, format!("a {kind} here"))
                .at(desk.source, first.clone(), format!("a {other} here"))
                .help("units, factors, responses and conditions share the columns of a sheet: each needs a name of its own");
            desk.push(diagnostic);
            continue;
        }
        seen.insert(name, (kind, span));
    }
    for response in root.trees("response") {
        let readings = response.whole("readings").unwrap_or(1);
        for (name, (kind, span)) in &seen {
            let number = name
                .strip_prefix(&response.name)
                .and_then(|rest| rest.strip_prefix('_'));
            if number.is_some_and(|n| n.parse::<u64>().is_ok_and(|n| (1..=readings).contains(&n))) {
                let diagnostic = Diagnostic::error(
                    "P023",
                    format!("the name `{name}` would be taken for a reading of `{}`", response.name),
                )
                .help(format!(
                    "the readings stand in columns `{} 1` and so on; choose another name",
                    response.name
                ));
                desk.say(diagnostic, span.clone(), format!("a {kind} here"));
            }
        }
    }
}

fn reserved_columns() -> String {
    let ticked: Vec<String> = RESERVED.iter().map(|name| format!("`{name}`")).collect();
    join(&ticked, "and")
}

pub(super) fn is_identifier(name: &str) -> bool {
    name.len() <= NAME
        && name.starts_with(|c: char| c.is_ascii_lowercase())
        && name
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
}

/// A name near to a wrong one that would do.
fn suggested(name: &str) -> Option<String> {
    let better: String = name
        .trim()
        .to_lowercase()
        .chars()
        .map(|c| if matches!(c, ' ' | '-' | '.') { '_' } else { c })
        .collect();
    is_identifier(&better).then_some(better)
}

/// A hint for a name that nothing has.
pub(super) fn did_you_mean(wrong: &str, known: &[&str], kind: &str) -> String {
    match guess(wrong, known) {
        Some(name) => format!("did you mean `{name}`?"),
        None if known.is_empty() => format!("no {kind} are declared"),
        None => {
            let ticked: Vec<String> = known.iter().take(12).map(|name| format!("`{name}`")).collect();
            format!("the declared {kind} are {}", join(&ticked, "and"))
        }
    }
}

fn unit_names(root: &Tree) -> Vec<&str> {
    root.trees("unit").iter().filter_map(|unit| unit.text("name")).collect()
}

/// The unit of a name; says so if there is none.
pub(super) fn unit_called(desk: &mut Desk<'_>, root: &Tree, name: &str, span: Span) -> Option<UnitId> {
    let found = root
        .trees("unit")
        .iter()
        .position(|unit| unit.text("name") == Some(name));
    if found.is_none() {
        let diagnostic = Diagnostic::error("P030", format!("no unit is called `{}`", shown(name)));
        let help = did_you_mean(name, &unit_names(root), "units");
        desk.say(diagnostic.help(help), span, "unknown unit");
    }
    found
}

/// The units with what they lie within; counts are set by `count`.
pub(super) fn units(desk: &mut Desk<'_>, root: &Tree) -> Vec<Unit> {
    let trees = root.trees("unit");
    let mut units: Vec<Unit> = Vec::new();
    let mut sound = true;
    for (index, tree) in trees.iter().enumerate() {
        let name = tree.string("name");
        sound &= tree.text("name").is_some() && (!tree.given("within") || tree.item("within").is_some());
        let mut within: Vec<UnitId> = Vec::new();
        for item in tree.list("within") {
            let other = item.text().unwrap_or_default();
            let Some(outer) = unit_called(desk, root, other, item.span.clone()) else {
                sound = false;
                continue;
            };
            let (message, help) = match outer.cmp(&index) {
                std::cmp::Ordering::Less if within.contains(&outer) => {
                    (format!("`{other}` is named twice"), "name each unit once".to_owned())
                }
                std::cmp::Ordering::Less => {
                    within.push(outer);
                    continue;
                }
                std::cmp::Ordering::Equal => (
                    format!("unit `{name}` cannot lie within itself"),
                    "name the wider unit it lies within, or leave `within` out".to_owned(),
                ),
                std::cmp::Ordering::Greater => (
                    format!("unit `{name}` lies within `{other}`, which is declared after it"),
                    format!("units stand from the widest to the run: move [[unit]] `{other}` above `{name}`"),
                ),
            };
            sound = false;
            desk.say(Diagnostic::error("P031", message).help(help), item.span.clone(), "");
        }
        within.sort_unstable();
        units.push(Unit {
            name,
            count: 0,
            within,
            part_of: part_of(tree),
            set_up: tree.texts("set_up"),
            set_up_minutes: minutes(tree, "set_up_minutes"),
        });
    }
    if sound {
        coverage(desk, trees, &units);
    }
    keep_direct(&mut units);
    units
}

/// All units that lie above one, itself left out.
pub(super) fn above(units: &[Unit], unit: UnitId) -> Vec<bool> {
    let mut found = vec![false; units.len()];
    let mut open: Vec<UnitId> = units.get(unit).map_or_else(Vec::new, |u| u.within.clone());
    while let Some(next) = open.pop() {
        if let Some(slot) = found.get_mut(next)
            && !*slot
        {
            *slot = true;
            open.extend(units.get(next).map_or(&[][..], |u| &u.within));
        }
    }
    found
}

/// The last unit, the run, lies within every other one.
fn coverage(desk: &mut Desk<'_>, trees: &[Tree], units: &[Unit]) {
    let (Some(last), Some(tree)) = (units.len().checked_sub(1), trees.last()) else {
        return;
    };
    let covered = above(units, last);
    // Of the units that are missing, those with none below them mend the rest as well.
    let missing: Vec<UnitId> = (0..last).filter(|&u| !covered[u]).collect();
    let lowest: Vec<UnitId> = missing
        .iter()
        .copied()
        .filter(|&u| !missing.iter().any(|&other| above(units, other)[u]))
        .collect();
    if missing.is_empty() {
        return;
    }
    let name = |u: &UnitId| format!("`{}`", units[*u].name);
    let missing: Vec<String> = missing.iter().map(name).collect();
    let whole: Vec<String> = units[last]
        .within
        .iter()
        .chain(&lowest)
        .map(|&u| format!("\"{}\"", units[u].name))
        .collect();
    let given = tree.given("within");
    let span = if given { tree.span("within") } else { tree.span("name") };
    let message = format!(
        "the last unit, `{}`, is the run and must lie within every other unit; it does not lie within {}",
        units[last].name,
        join(&missing, "and")
    );
    let diagnostic = Diagnostic::error("P032", message).help(format!(
        "write `within = [{}]` for `{}`, or move the finest unit to the end",
        whole.join(", "),
        units[last].name
    ));
    desk.say(diagnostic, span, "");
}

/// Takes out of `within` what lies above another entry of it anyway.
fn keep_direct(units: &mut [Unit]) {
    for index in 0..units.len() {
        let within = units[index].within.clone();
        let direct = |u: &UnitId| !within.iter().any(|&other| above(units, other)[*u]);
        units[index].within = within.iter().copied().filter(direct).collect();
    }
}

/// The numbers of a list of numbers.
pub(super) fn numbers(tree: &Tree, key: &str) -> Vec<Decimal> {
    tree.list(key)
        .iter()
        .filter_map(|item| match &item.value {
            Value::Number(number) => Some(number.decimal),
            _ => None,
        })
        .collect()
}

/// The factors with their levels; and whether all of them have levels and a unit, so that counts can be checked.
pub(super) fn factors(desk: &mut Desk<'_>, root: &Tree, units: &[Unit]) -> (Vec<Factor>, bool) {
    let mut factors = Vec::new();
    let mut sound = true;
    for tree in root.trees("factor") {
        let run = units.len().saturating_sub(1);
        let set_on = match tree.text("set_on") {
            Some(name) => unit_called(desk, root, name, tree.span("set_on")),
            None => None,
        };
        let (levels, numbers, levels_sound) = levels(desk, tree);
        sound &= set_on.is_some() && levels_sound;
        check_how(desk, tree);
        let carries_within = super::check_inference::carries_within(desk, root, tree, units.len(), set_on);
        let compare_with = super::check_inference::compare_with(desk, tree, &levels, numbers.is_some());
        factors.push(Factor {
            name: tree.name.clone(),
            set_on: set_on.unwrap_or(run),
            levels,
            numbers,
            unit: tree.string("unit"),
            part_of: part_of(tree),
            named_by_site: tree.flag("named_by_site"),
            random: tree.flag("random"),
            carries_over: tree.flag("carries_over"),
            carries_within,
            compare_with,
            how: tree.string("how"),
            centre: None,
        });
    }
    (factors, sound)
}

/// The levels as texts, and as numbers for a numeric factor; and whether there are two or more, all different.
fn levels(desk: &mut Desk<'_>, tree: &Tree) -> (Vec<String>, Option<Vec<Decimal>>, bool) {
    let items = tree.list("levels");
    let mut sound = items.len() >= 2;
    if tree.item("levels").is_some() && items.len() < 2 {
        desk.say(
            Diagnostic::error("P040", format!("factor `{}` needs two levels at least", tree.name)).help(
                "what is not varied is no factor: give another level, or state the fixed setting in `before_study`",
            ),
            tree.span("levels"),
            "",
        );
    }
    let numeric = tree.given("scale");
    let safe = numbers(tree, "safe");
    if tree.given("safe") && !numeric {
        desk.say(
            Diagnostic::error(
                "P044",
                format!(
                    "`safe` bounds numbers, but the levels of `{}` are categories",
                    tree.name
                ),
            )
            .help("add `scale = \"numeric\"`, or take `safe` out"),
            tree.key_span("safe"),
            "",
        );
    }
    if let [low, high] = safe.as_slice()
        && low >= high
    {
        let message = format!("the range `safe` is empty: {low} is not below {high}");
        let help = "write the lowest value first, [lowest, highest]";
        desk.say(Diagnostic::error("P050", message).help(help), tree.span("safe"), "");
    }
    let mut texts: Vec<String> = Vec::new();
    let mut lowers: Vec<String> = Vec::new();
    let mut values: Vec<(Option<Decimal>, Span)> = Vec::new();
    for item in items {
        let (text, value) = match &item.value {
            Value::Number(number) => (number.text.clone(), Some(number.decimal)),
            Value::Text(text) => (text.clone(), super::number::exact(text).ok().map(|n| n.decimal)),
            _ => continue,
        };
        if value.is_none() && text.starts_with(['=', '+', '-', '@', '\'', '#']) {
            desk.say(
                Diagnostic::error("P045", format!("a level cannot begin like `{}`", shown(&text)))
                    .help("spreadsheets take such a cell for a formula; begin with a letter or a digit"),
                item.span.clone(),
                "",
            );
        }
        let lower = text.to_lowercase();
        let same =
            |other: &(Option<Decimal>, Span), known: &String| *known == lower || (value.is_some() && other.0 == value);
        if let Some((first, _)) = values.iter().zip(&lowers).find(|(other, known)| same(other, known)) {
            let diagnostic = Diagnostic::error("P041", format!("factor `{}` has the same level twice", tree.name))
                .at(desk.source, item.span.clone(), "again")
                .at(desk.source, first.1.clone(), "here already")
                .help(
                    "each level stands once (capitals make no difference); how often it is run follows from the counts",
                );
            desk.push(diagnostic);
            sound = false;
        }
        match value {
            None if numeric => desk.say(
                Diagnostic::error(
                    "P042",
                    format!("`{}` is not a number, but `{}` is numeric", shown(&text), tree.name),
                )
                .help("give numbers without their unit (that goes into `unit`), or take `scale` out"),
                item.span.clone(),
                "",
            ),
            Some(value) if numeric => {
                if let [low, high] = safe.as_slice()
                    && low < high
                    && (value < *low || value > *high)
                {
                    let diagnostic =
                        Diagnostic::error("P043", format!("the level {text} of `{}` is not safe", tree.name))
                            .at(desk.source, item.span.clone(), "beyond the safe range")
                            .at(desk.source, tree.span("safe"), "the safe range")
                            .help("choose a level inside; widen the range only after the risk has been assessed again");
                    desk.push(diagnostic);
                }
            }
            _ => {}
        }
        texts.push(text);
        lowers.push(lower);
        values.push((value, item.span.clone()));
    }
    let numbers = numeric.then(|| values.iter().filter_map(|(value, _)| *value).collect());
    (texts, numbers, sound)
}

/// In `how`, `{level}` is the one thing in braces.
fn check_how(desk: &mut Desk<'_>, tree: &Tree) {
    let Some(how) = tree.text("how") else { return };
    let rest = how.replace("{level}", "");
    if rest.contains(['{', '}']) {
        desk.say(
            Diagnostic::error("P046", "in `how` only `{level}` can stand in braces")
                .help("write for example \"Set the oven to {level}.\""),
            tree.span("how"),
            "",
        );
    } else if rest == how {
        desk.say(
            Diagnostic::warning(
                "P047",
                format!("the step for setting `{}` does not say which level", tree.name),
            )
            .help("put `{level}` where the level is to stand"),
            tree.span("how"),
            "",
        );
    }
}

/// Sets and checks how many there are of each unit.
///
/// `factors` come with the word whether all of them are sound: else no count can be held against them.
pub(super) fn count(
    desk: &mut Desk<'_>,
    root: &Tree,
    units: &mut [Unit],
    (factors, factors_sound): (&[Factor], bool),
    design: &Design,
) {
    let trees = root.trees("unit");
    let last = units.len().saturating_sub(1);
    let mut sound = true;
    let mut runs: u128 = 1;
    for (index, (unit, tree)) in units.iter_mut().zip(trees).enumerate() {
        let given = tree.whole("count").map(u128::from);
        if design.order == Order::AsRun {
            if tree.given("count") {
                desk.say(
                    Diagnostic::warning("P035", format!("the count of `{}` has no use here", unit.name))
                        .help("a study as run has the units that its record holds; take `count` out"),
                    tree.key_span("count"),
                    "",
                );
            }
            continue;
        }
        if !factors_sound {
            continue;
        }
        let set_here: Vec<&Factor> = factors.iter().filter(|factor| factor.set_on == index).collect();
        let combinations = match &design.set {
            Some(set) if set.unit == index => set.at_once() as u128,
            _ => set_here.iter().fold(1_u128, |product, factor| {
                product.saturating_mul(factor.levels.len().max(1) as u128)
            }),
        };
        let count = match given {
            Some(count) if count % combinations != 0 => {
                sound = false;
                not_a_multiple(desk, tree, unit, &set_here, combinations, count);
                count
            }
            Some(count) => count,
            None if tree.given("count") => {
                sound = false;
                1
            }
            None if set_here.is_empty() && index != last => {
                sound = false;
                desk.say(
                    Diagnostic::error("P034", format!("nothing says how many of `{}` there are", unit.name)).help(
                        "add `count`: no factor is set on this unit, so that its count follows from nothing else",
                    ),
                    tree.span("name"),
                    "",
                );
                1
            }
            None => combinations.saturating_mul(design.replicates as u128),
        };
        runs = runs.saturating_mul(count);
        unit.count = usize::try_from(count).unwrap_or(usize::MAX);
    }
    if let Some(tree) = root.tree("design")
        && tree.given("replicates")
        && (design.order == Order::AsRun || (!trees.is_empty() && trees.iter().all(|unit| unit.given("count"))))
    {
        let (message, help) = match design.order {
            Order::AsRun => (
                "`replicates` has no use in a study as run",
                "the record says how often each combination was run; take it out",
            ),
            Order::Randomized => (
                "`replicates` has no use where each unit has a `count`",
                "take it out, or take out the `count` that is to follow from it",
            ),
        };
        desk.say(
            Diagnostic::warning("P037", message).help(help),
            tree.key_span("replicates"),
            "",
        );
    }
    if sound && factors_sound && design.order == Order::Randomized {
        bounds(desk, root, units, runs);
    }
}

fn not_a_multiple(
    desk: &mut Desk<'_>,
    tree: &Tree,
    unit: &Unit,
    set_here: &[&Factor],
    combinations: u128,
    count: u128,
) {
    let names: Vec<String> = set_here.iter().map(|factor| format!("`{}`", factor.name)).collect();
    let within = if unit.within.is_empty() {
        ""
    } else {
        " within each of the units above"
    };
    let message = format!(
        "{count} of `{}`{within} cannot hold the {combinations} combinations of levels of {} equally often",
        unit.name,
        join(&names, "and")
    );
    let below = count / combinations * combinations;
    let works: Vec<String> = [
        below,
        below.saturating_add(combinations),
        below.saturating_add(2 * combinations),
    ]
    .iter()
    .filter(|&&n| n > 0)
    .map(u128::to_string)
    .collect();
    let help = format!(
        "the count must be a multiple of {combinations}; the nearest that work are {}; or leave it out",
        join(&works, "and")
    );
    desk.say(Diagnostic::error("P033", message).help(help), tree.span("count"), "");
}

/// A study stays of a size that a bench can do and a computer can hold.
fn bounds(desk: &mut Desk<'_>, root: &Tree, units: &[Unit], runs: u128) {
    let Some(last) = root.trees("unit").last() else { return };
    let parts: Vec<String> = units.iter().map(|unit| unit.count.to_string()).collect();
    let readings: u128 = root
        .trees("response")
        .iter()
        .map(|response| u128::from(response.whole("readings").unwrap_or(1)))
        .sum();
    let message = if runs > RUNS {
        format!(
            "the study would have {} = {runs} runs; {RUNS} are allowed",
            parts.join(" × ")
        )
    } else if runs.saturating_mul(readings) > READINGS {
        let all = runs.saturating_mul(readings);
        format!("the study would have {all} readings; {READINGS} are allowed")
    } else {
        return;
    };
    let key = if last.given("count") { "count" } else { "name" };
    desk.say(
        Diagnostic::error("P036", message).help("lower `count` of the units, `replicates`, or the number of levels"),
        last.span(key),
        "",
    );
}
