//! `site.toml` to a checked `Site`.
//!
//! In:  a `Source`, the protocol it serves, and today's date if the caller knows it.
//! Out: a `Site` with its warnings; or everything that is wrong with it.
//! Method: a calibration has to be good on the first day of the work (today, if the site gives no dates) and should be
//! good to its last.
//! Never here: files, clock.

use std::sync::Arc;

use jiff::civil::Date;

use super::keys::join;
use super::model::Protocol;
use super::read::{check_id, format_version, text_sha256};
use super::site::{Named, Person, Site};
use super::site_keys::SITE;
use super::structure::did_you_mean;
use super::tree::{Item, Span, Tree, Value};
use super::walk::{Desk, ShapeCodes, shown};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};

static CODES: ShapeCodes = ShapeCodes {
    syntax: "S001",
    unknown_key: "S002",
    wrong_type: "S003",
    missing: "S004",
    blank: "S005",
    unknown_word: "S006",
    inexact: "S007",
    bad_text: "S008",
    format: "S009",
    size: "S010",
    range: "S011",
    placeholder: "S012",
    bad_date: "S013",
    more: "S014",
};

/// First and last day of the work.
type Days = Option<(Date, Date)>;

/// Reads a site file and checks all of it against the protocol.
///
/// `today` is for the case that the site gives no dates; without both, no calibration is found expired.
///
/// # Errors
///
/// Everything that is wrong with it, in the order of the file; warnings are among them. Without an error the
/// warnings come with the site.
pub fn read_site(
    source: &Arc<Source>,
    protocol: &Protocol,
    today: Option<Date>,
) -> Result<(Site, Diagnostics), Diagnostics> {
    let mut desk = Desk::new(source, &CODES);
    let root = desk.walk(&SITE);
    if desk.is_broken() {
        return Err(desk.finish());
    }
    format_version(&mut desk, &root, "wellrun_site", CODES.format);
    let empty = Tree::default();
    let place = root.tree("site").unwrap_or(&empty);
    check_id(&mut desk, place, "S024");
    let dates = dates(&mut desk, place);
    let labels = labels(&mut desk, &root, protocol);
    let site = Site {
        id: place.string("id"),
        name: place.string("name"),
        room: place.string("room"),
        dates: dates.map_or_else(Default::default, |(first, last)| (first.to_string(), last.to_string())),
        people: people(&mut desk, &root),
        named: named(&mut desk, &root, protocol, dates, today),
        travelling: travelling(&mut desk, &root, &labels),
        labels,
        sha256: text_sha256(&source.text),
    };
    desk.finish().unless_errors(site)
}

fn dates(desk: &mut Desk<'_>, place: &Tree) -> Days {
    let [first, last] = place.list("dates") else {
        return None;
    };
    let (first, last) = (first.date()?, last.date()?);
    if last < first {
        desk.say(
            Diagnostic::error(
                "S020",
                format!("the work would end on {last}, before it begins on {first}"),
            )
            .help("write the first day first"),
            place.span("dates"),
            "",
        );
        return None;
    }
    Some((first, last))
}

fn people(desk: &mut Desk<'_>, root: &Tree) -> Vec<Person> {
    let mut people: Vec<(Person, Span)> = Vec::new();
    for tree in root.trees("person") {
        let person = Person {
            code: tree.string("code"),
            role: tree.string("role"),
        };
        let same = |(other, _): &&(Person, Span)| {
            !person.code.is_empty() && other.code.to_lowercase() == person.code.to_lowercase()
        };
        if let Some((_, first)) = people.iter().find(same) {
            let diagnostic = Diagnostic::error("S021", format!("two people have the code `{}`", shown(&person.code)))
                .at(desk.source, tree.span("code"), "again")
                .at(desk.source, first.clone(), "here already")
                .help("a reading must lead to one person: give each a code of its own");
            desk.push(diagnostic);
        }
        people.push((person, tree.span("code")));
    }
    people.into_iter().map(|(person, _)| person).collect()
}

/// The text of a level, as written.
fn level_text(item: &Item) -> Option<&str> {
    match &item.value {
        Value::Number(number) => Some(&number.text),
        Value::Text(text) => Some(text),
        _ => None,
    }
}

/// Factor and level that an entry explains.
fn explained(desk: &mut Desk<'_>, tree: &Tree, protocol: &Protocol) -> Option<(usize, usize)> {
    let name = tree.text("factor")?;
    let names: Vec<&str> = protocol.factors.iter().map(|factor| factor.name.as_str()).collect();
    let Some(index) = names.iter().position(|known| *known == name) else {
        let open: Vec<&str> = protocol
            .factors
            .iter()
            .filter(|factor| factor.named_by_site)
            .map(|factor| factor.name.as_str())
            .collect();
        let diagnostic = Diagnostic::error("S030", format!("the protocol has no factor `{}`", shown(name)));
        let known = if open.is_empty() { &names } else { &open };
        let help = did_you_mean(name, known, "factors");
        desk.say(diagnostic.help(help), tree.span("factor"), "unknown factor");
        return None;
    };
    let factor = protocol.factors.get(index)?;
    if !factor.named_by_site {
        desk.say(
            Diagnostic::warning(
                "S032",
                format!("the protocol does not leave the levels of `{name}` to the site"),
            )
            .help("take the entry out, or add `named_by_site = true` to the factor in the protocol"),
            tree.span("factor"),
            "",
        );
    }
    let level = level_text(tree.item("level")?)?;
    let Some(at) = factor.levels.iter().position(|known| known == level) else {
        let known: Vec<&str> = factor.levels.iter().map(String::as_str).collect();
        let diagnostic = Diagnostic::error("S031", format!("`{name}` has no level `{}`", shown(level)));
        let help = did_you_mean(level, &known, "levels");
        desk.say(diagnostic.help(help), tree.span("level"), "unknown level");
        return None;
    };
    Some((index, at))
}

fn named(desk: &mut Desk<'_>, root: &Tree, protocol: &Protocol, dates: Days, today: Option<Date>) -> Vec<Named> {
    let mut all: Vec<(Named, &Tree)> = Vec::new();
    // An entry that could not be placed may be the one that seems to be missing.
    let mut unplaced = false;
    for tree in root.trees("named") {
        calibration(desk, tree, dates, today);
        let Some((factor, level)) = explained(desk, tree, protocol) else {
            unplaced = true;
            continue;
        };
        if let Some((_, first)) = all.iter().find(|(n, _)| n.factor == factor && n.level == level) {
            let diagnostic = Diagnostic::error("S034", "this level is explained twice")
                .at(desk.source, tree.span("level"), "again")
                .at(desk.source, first.span("level"), "here already")
                .help("one thing stands behind a level for the whole study; take one of the two out");
            desk.push(diagnostic);
            continue;
        }
        let serial = tree.string("serial");
        let twin = |(n, _): &&(Named, &Tree)| !serial.is_empty() && n.factor == factor && n.serial == serial;
        if let Some((_, first)) = all.iter().find(twin) {
            let diagnostic = Diagnostic::error(
                "S035",
                format!("the serial number `{}` stands behind two levels", shown(&serial)),
            )
            .at(desk.source, tree.span("serial"), "again")
            .at(desk.source, first.span("serial"), "here already")
            .help("two levels with the same thing behind them cannot differ; mend the serial number");
            desk.push(diagnostic);
        }
        let entry = Named {
            factor,
            level,
            description: tree.string("description"),
            serial,
            certificate: tree.string("certificate"),
            calibrated: day(tree, "calibrated"),
            due: day(tree, "due"),
            tolerance: tree.decimal("tolerance"),
        };
        all.push((entry, tree));
    }
    if !unplaced {
        nobody(desk, root, protocol, &all);
    }
    let mut named: Vec<Named> = all.into_iter().map(|(entry, _)| entry).collect();
    named.sort_by_key(|entry| (entry.factor, entry.level));
    named
}

fn day(tree: &Tree, key: &str) -> String {
    tree.date(key).map_or_else(String::new, |date| date.to_string())
}

/// Levels that the protocol leaves to the site and that the site does not explain.
fn nobody(desk: &mut Desk<'_>, root: &Tree, protocol: &Protocol, all: &[(Named, &Tree)]) {
    for (index, factor) in protocol
        .factors
        .iter()
        .enumerate()
        .filter(|(_, factor)| factor.named_by_site)
    {
        let open: Vec<String> = (0..factor.levels.len())
            .filter(|&level| !all.iter().any(|(n, _)| n.factor == index && n.level == level))
            .map(|level| format!("`{}`", factor.levels[level]))
            .collect();
        let Some(first) = open.first() else { continue };
        let at = root.trees("named").last().map_or(0..0, |tree| tree.at.clone());
        desk.say(
            Diagnostic::error(
                "S033",
                format!(
                    "nothing stands behind level {} of `{}`",
                    join(&open, "and"),
                    factor.name
                ),
            )
            .help(format!(
                "add a table [[named]] with `factor = \"{}\"`, `level = \"{}\"` and a description",
                factor.name,
                first.trim_matches('`')
            )),
            at,
            "",
        );
    }
}

fn calibration(desk: &mut Desk<'_>, tree: &Tree, dates: Days, today: Option<Date>) {
    let (calibrated, due) = (tree.date("calibrated"), tree.date("due"));
    let first = dates.map(|(first, _)| first).or(today);
    if let (Some(from), Some(to)) = (calibrated, due)
        && from > to
    {
        let diagnostic = Diagnostic::error("S040", format!("calibrated on {from}, but due before that, on {to}"))
            .at(desk.source, tree.span("due"), "due")
            .at(desk.source, tree.span("calibrated"), "calibrated")
            .help("look at the certificate; the two may have been swapped");
        desk.push(diagnostic);
        return;
    }
    if let (Some(to), Some(first)) = (due, first) {
        let when = if dates.is_some() {
            "the first day of the work"
        } else {
            "today"
        };
        if to < first {
            desk.say(
                Diagnostic::error("S041", format!("the calibration ended on {to}, before {when}, {first}"))
                    .help("have it calibrated, or put another instrument behind the level"),
                tree.span("due"),
                "",
            );
        } else if let Some((_, last)) = dates
            && to < last
        {
            desk.say(
                Diagnostic::warning("S042", format!("the calibration ends on {to}, before the last day of the work, {last}"))
                    .help("finish earlier, or have it calibrated first: a calibration in the middle is a change of instrument"),
                tree.span("due"),
                "",
            );
        }
    }
    if let (Some(from), Some(first)) = (calibrated, first)
        && from > first
    {
        let when = if dates.is_some() {
            "the first day of the work"
        } else {
            "today"
        };
        desk.say(
            Diagnostic::warning("S043", format!("calibrated on {from}, after {when}, {first}"))
                .help("the readings before that day rest on an earlier certificate: give that one"),
            tree.span("calibrated"),
            "",
        );
    }
    if !tree.given("due") && (tree.given("serial") || tree.given("calibrated")) {
        desk.say(
            Diagnostic::warning("S044", "no `due`: nobody can tell whether the calibration was good")
                .help("add the last day on which the calibration is good"),
            tree.at.clone(),
            "in this table",
        );
    }
}

/// Specimens that travel have to be among those that are labelled.
fn travelling(desk: &mut Desk<'_>, root: &Tree, labels: &[(String, Vec<String>)]) -> Vec<(String, Vec<String>)> {
    let mut all = Vec::new();
    for (name, at, items) in root.lists("travelling") {
        let known = labels.iter().find(|(unit, _)| unit == name).map(|(_, labels)| labels);
        if known.is_none() {
            let diagnostic = Diagnostic::error("S055", format!("no labels are given for `{}`", shown(name)));
            let help = "name the unit in [labels] first: what travels is known by its label";
            desk.say(diagnostic.help(help), at.clone(), "");
        }
        let mut given = Vec::new();
        for item in items {
            let Some(text) = item.text() else { continue };
            if known.is_some_and(|known| !known.iter().any(|label| label == text)) {
                let diagnostic =
                    Diagnostic::error("S055", format!("no {} has the label `{}`", shown(name), shown(text)));
                let known: Vec<&str> = known.into_iter().flatten().map(String::as_str).collect();
                desk.say(
                    diagnostic.help(did_you_mean(text, &known, "labels")),
                    item.span.clone(),
                    "",
                );
            }
            given.push(text.to_owned());
        }
        all.push((name.clone(), given));
    }
    all
}

fn labels(desk: &mut Desk<'_>, root: &Tree, protocol: &Protocol) -> Vec<(String, Vec<String>)> {
    let mut all = Vec::new();
    let run = protocol.units.len().saturating_sub(1);
    let names: Vec<&str> = protocol.units.iter().take(run).map(|unit| unit.name.as_str()).collect();
    for (name, at, items) in root.lists("labels") {
        let Some(unit) = names
            .iter()
            .position(|known| known == name)
            .and_then(|u| protocol.units.get(u))
        else {
            let diagnostic = Diagnostic::error("S050", format!("no unit called `{}` takes labels", shown(name)));
            let help = did_you_mean(name, &names, "units above the run");
            desk.say(diagnostic.help(help), at.clone(), "unknown unit");
            continue;
        };
        if protocol.is_as_run() {
            desk.say(
                Diagnostic::warning("S053", "labels have no use in a study as run")
                    .help("the record carries the labels; take the list out"),
                at.clone(),
                "",
            );
            continue;
        }
        if items.len() != unit.count {
            let within = if unit.within.is_empty() {
                ""
            } else {
                " within each of the units above"
            };
            desk.say(
                Diagnostic::error(
                    "S051",
                    format!(
                        "there are {} labels for {} of `{name}`{within}",
                        items.len(),
                        unit.count
                    ),
                )
                .help("give one label for each, in the order of their numbers"),
                at.clone(),
                "",
            );
        }
        let mut seen: Vec<(&str, &Span)> = Vec::new();
        for item in items {
            let Some(text) = item.text() else { continue };
            if let Some((_, first)) = seen
                .iter()
                .find(|(known, _)| known.to_lowercase() == text.to_lowercase())
            {
                let diagnostic = Diagnostic::error("S052", format!("the label `{}` is given twice", shown(text)))
                    .at(desk.source, item.span.clone(), "again")
                    .at(desk.source, (*first).clone(), "here already")
                    .help("a label leads to one thing");
                desk.push(diagnostic);
            }
            if text.starts_with(['=', '+', '-', '@', '\'', '#']) || text.chars().count() > super::keys::LEVEL {
                desk.say(
                    Diagnostic::error("S054", format!("`{}` cannot be a label", shown(text))).help(format!(
                        "begin with a letter or a digit, or a spreadsheet takes it for a formula; {} characters at most",
                        super::keys::LEVEL
                    )),
                    item.span.clone(),
                    "",
                );
            }
            seen.push((text, &item.span));
        }
        all.push((
            name.clone(),
            items.iter().filter_map(|i| i.text().map(str::to_owned)).collect(),
        ));
    }
    all
}
