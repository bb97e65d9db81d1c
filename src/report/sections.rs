//! The sections of the report: which blocks stand in each.
//!
//! In:  the report's input, and what was found for each response with the voice that speaks of it.
//! Out: a section each; one without blocks is left out by `build`.

use std::fmt::Write as _;

use crate::analysis::ResponseFindings;
use crate::protocol::Protocol;

use super::build::{Input, site_name, tool};
use super::document::{Block, Cell, Section, Table};
use super::number::{self, NBSP, with_unit};
use super::sentences::method;
use super::words::{Voice, capital, count, listed, numbers, plain};
use super::{course, figures, shape, tables};

pub(super) type Responses<'a> = [(&'a str, &'a ResponseFindings, Voice)];
pub(super) fn section(id: &str, title: &str, blocks: Vec<Block>) -> Section {
    Section {
        id: id.to_owned(),
        title: title.to_owned(),
        new_page: false,
        blocks,
    }
}
/// The units in a sentence: `4 sessions; 8 rollers, each of them in every session; 3 runs ...`.
fn units(protocol: &Protocol) -> Vec<String> {
    let mut said = Vec::new();
    for (id, unit) in protocol.units.iter().enumerate() {
        let name = plain(&unit.name);
        let above: Vec<String> = unit.within.iter().map(|&u| plain(&protocol.units[u].name)).collect();
        let crossed: Vec<String> = (0..id)
            .filter(|other| !protocol.above(id).contains(other))
            .map(|u| plain(&protocol.units[u].name))
            .collect();
        let number = if unit.count > 0 {
            format!("{}{NBSP}", unit.count)
        } else {
            String::new()
        };
        let mut text = format!("{}: {number}", capital(&name));
        match above.as_slice() {
            [] if unit.count > 0 => text.push_str("in all"),
            [] => text.push_str("as found in the readings"),
            [one] => text.extend(["within each ", one]),
            many => text.extend(["within each combination of ", &listed(many)]),
        }
        if !crossed.is_empty() {
            let _ = write!(text, ", crossed with {}: the same ones come back", listed(&crossed));
        }
        let set: Vec<String> = protocol
            .factors_on(id)
            .iter()
            .map(|&f| plain(&protocol.factors[f].name))
            .collect();
        if !set.is_empty() {
            let verb = if set.len() > 1 { "are" } else { "is" };
            let _ = write!(text, "; {} {verb} set here", listed(&set));
        }
        text.push('.');
        said.push(text);
    }
    said
}

fn factors(protocol: &Protocol) -> Table {
    let part = |part: crate::protocol::PartOf| match part {
        crate::protocol::PartOf::Method => "method",
        crate::protocol::PartOf::Product => "product",
    };
    let rows = protocol
        .factors
        .iter()
        .map(|factor| {
            let levels: Vec<String> = (0..factor.levels.len()).map(|i| factor.level(i)).collect();
            let mut how = vec![if factor.is_numeric() { "a slope" } else { "differences" }];
            if factor.carries_over {
                how.push("may carry over to the next run");
            }
            vec![
                Cell::words(capital(&plain(&factor.name))),
                Cell::words(levels.join(", ")),
                Cell::words(
                    protocol
                        .units
                        .get(factor.set_on)
                        .map_or(String::new(), |u| plain(&u.name)),
                ),
                Cell::words(part(factor.part_of)),
                Cell::words(how.join("; ")),
            ]
        })
        .collect();
    let columns = ["Factor", "Levels", "Set on", "Part of", "Estimated as"];
    Table::new("factors", "What was varied", &columns).group("", rows)
}

/// What stands behind the names of levels, as supplied by the site.
fn named(input: &Input) -> Option<Table> {
    let site = input.site.filter(|site| !site.named.is_empty())?;
    let rows = site
        .named
        .iter()
        .filter_map(|named| {
            let factor = input.protocol.factors.get(named.factor)?;
            let level = factor.levels.get(named.level)?;
            let text = |text: &str| Cell::words(if text.is_empty() { "not supplied" } else { text });
            Some(vec![
                Cell::words(format!("{} {level}", capital(&plain(&factor.name)))),
                text(&named.description),
                text(&named.serial),
                text(&named.certificate),
                text(&named.calibrated),
                text(&named.due),
                Cell::words(
                    named
                        .tolerance
                        .map_or_else(|| "not supplied".to_owned(), |t| format!("±{NBSP}{t}")),
                ),
            ])
        })
        .collect();
    let columns = [
        "Name here",
        "What it is",
        "Serial number",
        "Certificate",
        "Date of calibration",
        "Good until",
        "Tolerance",
    ];
    let table = Table::new(
        "named-by-site",
        "What stands behind the names, as supplied by the site",
        &columns,
    );
    Some(
        table.group("", rows).remark(
            "Copied from the site file as supplied; neither the numbers nor the certificates were verified here.",
        ),
    )
}

pub(super) fn done(input: &Input) -> Section {
    let protocol = input.protocol;
    let mut blocks = vec![Block::Table(tables::measurand(protocol))];
    blocks.push(Block::heading("Units, from the widest to the run"));
    blocks.push(Block::list(units(protocol)));
    let order = if input.as_run() {
        "The readings existed already: nothing was drawn, and the units and levels are those that came with them."
            .to_owned()
    } else {
        let set_ups = input.plan.map(|plan| {
            let units = 0..protocol.run_unit();
            let parts: Vec<String> = units
                .map(|unit| {
                    let times = (0..plan.runs.len())
                        .filter(|&i| plan.set_up_before(protocol, i).contains(&unit))
                        .count();
                    format!("{} {times}{NBSP}times", plain(&protocol.units[unit].name))
                })
                .collect();
            if parts.is_empty() {
                String::new()
            } else {
                format!(" Set up anew in that order: {}.", listed(&parts))
            }
        });
        format!(
            "The order of the runs was drawn before the first reading, by the randomization that these units allow.{} The \
             provenance at the end gives the seed.",
            set_ups.unwrap_or_default()
        )
    };
    blocks.push(Block::paragraph(order));
    blocks.extend(super::bench::sentences(input).into_iter().map(Block::paragraph));
    if !protocol.factors.is_empty() {
        blocks.push(Block::Table(factors(protocol)));
    }
    blocks.extend(named(input).map(Block::Table));
    if let Some(site) = input.site
        && !site.people.is_empty()
    {
        let people: Vec<String> = site
            .people
            .iter()
            .map(|p| {
                if p.role.is_empty() {
                    p.code.clone()
                } else {
                    format!("{} ({})", p.code, p.role)
                }
            })
            .collect();
        blocks.push(Block::paragraph(format!(
            "Took part, by the codes on the sheets: {}.",
            listed(&people)
        )));
    }
    let procedure = &protocol.procedure;
    for (heading, steps) in [
        ("Before the first run", &procedure.before_study),
        ("Before each run", &procedure.before_run),
        ("After each run", &procedure.after_run),
        ("After the last run", &procedure.after_study),
    ] {
        if !steps.is_empty() {
            blocks.push(Block::heading(heading));
            blocks.push(Block::List {
                ordered: true,
                items: steps.clone(),
            });
        }
    }
    section("what-was-done", "What was done", blocks)
}

fn quoted(text: &str) -> String {
    format!("'{}'", text.trim_end_matches('.'))
}

/// Which versions of the protocol held when.
fn versions(input: &Input) -> Vec<Block> {
    let amendments = &input.findings.record.amendments;
    let Some(first) = amendments.first() else {
        return Vec::new();
    };
    let items = amendments.iter().map(|amendment| {
        let when = match amendment.after_runs {
            0 => "before the first run".to_owned(),
            runs => format!("after {}", count(runs, "run", "runs")),
        };
        format!(
            "Version {} in place of {}, {when}, on {}: {}.",
            amendment.version,
            amendment.before,
            amendment.at,
            amendment.reason.trim_end_matches('.')
        )
    });
    vec![
        Block::paragraph(format!(
            "The order was drawn under version {} of the protocol. It was amended afterwards, and this report is made under \
             version {}:",
            first.before,
            input.study().version
        )),
        Block::list(items.collect()),
    ]
}

/// That the study repeats one of another site, and how far what has to be the same is the same.
fn repeated(input: &Input) -> Vec<Block> {
    let answers = &input.findings.record.conformance;
    let mut blocks = Vec::new();
    if let Some(origin) = &input.findings.origin {
        let from = if origin.site.is_empty() {
            "This study was started from a pack of the protocol alone".to_owned()
        } else {
            format!("This study repeats that of site {}", origin.site)
        };
        let local: Vec<String> = input
            .protocol
            .factors
            .iter()
            .filter(|factor| factor.named_by_site)
            .map(|factor| plain(&factor.name))
            .collect();
        let mut text = format!(
            "{from}, under the same protocol, with an order and a seed of its own (manifest of the pack: {}…).",
            origin.manifest_sha256.chars().take(12).collect::<String>()
        );
        if !local.is_empty() {
            let _ = write!(
                text,
                " What stands behind the levels of {} is each site's own: equal names do not stand for equal things.",
                listed(&local)
            );
        }
        let travelling: Vec<String> = input
            .site
            .iter()
            .flat_map(|site| &site.travelling)
            .map(|(unit, labels)| format!("{unit} {}", labels.join(", ")))
            .collect();
        if !travelling.is_empty() {
            let _ = write!(text, " Read at another site too: {}.", travelling.join("; "));
        }
        if answers.is_empty() {
            text.push_str(" Nobody has answered whether what has to be the same at every site is the same here.");
        }
        blocks.push(Block::paragraph(text));
    }
    if !answers.is_empty() {
        let other = answers.iter().filter(|answer| !answer.same).count();
        let late = answers.iter().filter(|answer| answer.after_runs > 0).count();
        let mut text = format!(
            "Of {} that have to be the same at every site, {}.",
            count(answers.len(), "point", "points"),
            match other {
                0 => "all are answered with yes".to_owned(),
                1 => "1 differs here and is listed above".to_owned(),
                some => format!("{some} differ here and are listed above"),
            }
        );
        if late > 0 {
            let _ = write!(text, " {late} were answered after readings had been taken in.");
        }
        blocks.push(Block::paragraph(text));
    }
    blocks
}

pub(super) fn departures(input: &Input) -> Section {
    let record = &input.findings.record;
    let mut items = Vec::new();
    if !record.runs_missing.is_empty() {
        items.push(format!("Runs without a reading: {}.", numbers(&record.runs_missing)));
    }
    if !record.runs_incomplete.is_empty() {
        items.push(format!(
            "Runs with some readings missing: {}.",
            numbers(&record.runs_incomplete)
        ));
    }
    if !record.out_of_order.is_empty() {
        items.push(format!(
            "Runs made in another order than planned: {}.",
            numbers(&record.out_of_order)
        ));
    }
    for deviation in &record.deviations {
        let what = deviation.what.trim_end_matches('.');
        items.push(match deviation.run {
            Some(run) => format!("Run {run}: {what}."),
            None => format!("{}.", capital(what)),
        });
    }
    for answer in record.conformance.iter().filter(|answer| !answer.same) {
        items.push(format!(
            "{}: the protocol asks for {}; here: {}.",
            capital(&answer.what),
            quoted(&answer.asked),
            answer.instead.trim_end_matches('.')
        ));
    }
    let mut blocks = Vec::new();
    if items.is_empty() {
        blocks.push(Block::paragraph("No departure from the protocol was recorded."));
    } else {
        blocks.push(Block::list(items));
    }
    blocks.extend(versions(input));
    blocks.extend(repeated(input));
    if let Some(closed) = &record.closed {
        let by = if closed.by.is_empty() {
            String::new()
        } else {
            format!(" by {}", closed.by)
        };
        let mut text = format!(
            "The record was closed on {}{by}; nothing was added to it afterwards.",
            closed.at
        );
        if !closed.why.is_empty() {
            text.push_str(" It was closed with values missing; the reason given: ");
            text.push_str(closed.why.trim_end_matches('.'));
            text.push('.');
        }
        blocks.push(Block::paragraph(text));
    }
    if record.corrections.is_empty() {
        blocks.push(Block::paragraph("No value was corrected after it had been taken in."));
    } else {
        let rows = record
            .corrections
            .iter()
            .map(|c| {
                let texts = [c.what.as_str(), &c.from, &c.to, &c.reason];
                std::iter::once(Cell::count(c.run))
                    .chain(texts.map(Cell::words))
                    .collect()
            })
            .collect();
        let columns = [">Run", "Value", "First written", "Corrected to", "Reason given"];
        let table =
            Table::new("corrections", "Values corrected after they had been taken in", &columns).group("", rows);
        blocks.push(Block::Table(
            table.remark("The analysis uses the corrected values; the record keeps both."),
        ));
    }
    if !record.questioned.is_empty() {
        let rows = record
            .questioned
            .iter()
            .map(|q| {
                let texts = [q.what.as_str(), &q.text, &q.why];
                std::iter::once(Cell::count(q.run))
                    .chain(texts.map(Cell::words))
                    .collect()
            })
            .collect();
        let columns = [">Run", "Value", "As written", "Why it was questioned"];
        let table = Table::new("questioned", "Values taken in with a question", &columns).group("", rows);
        blocks.push(Block::Table(table.remark(
            "These values are part of the analysis: an odd value is no reason to leave it out.",
        )));
    }
    blocks.extend(super::bench_log::blocks(record));
    blocks.extend(tables::conditions(input.findings).map(Block::Table));
    section("departures", "Departures, corrections and conditions", blocks)
}
pub(super) fn pictures(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        blocks.extend(
            figures::figures(input.protocol, name, found, voice)
                .into_iter()
                .chain(course::figures(name, found, voice))
                .map(Block::Figure),
        );
    }
    section("figures", "What the readings show", blocks)
}

/// What happened along the way: the run order and the checks, where effects are not what the study asks for.
pub(super) fn course(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        // An order that nobody wrote down shows nothing.
        let known = found
            .checks
            .iter()
            .any(|c| c.name.contains("run order") && c.outcome != crate::analysis::Outcome::CannotTell);
        if known {
            blocks.extend(figures::order(input.protocol, name, found, voice).map(Block::Figure));
        }
        // Whether the spread depends on the level is a matter of the statement itself.
        let mut rest: ResponseFindings = (*found).clone();
        rest.checks.retain(|c| !c.name.starts_with("spread by "));
        blocks.extend(tables::checks(name, &rest).map(Block::Table));
    }
    section("course", "What happened along the way", blocks)
}

pub(super) fn numbers_of(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        if responses.len() > 1 {
            blocks.push(Block::heading(capital(&plain(name))));
        }
        blocks.push(Block::paragraph(model(found, voice)));
        let tables = [
            tables::effects(name, found),
            tables::contrasts(name, found, voice),
            tables::slopes(name, found, voice),
            shape::slopes_within(name, found, voice),
            super::surface::table(name, found, voice),
            shape::trends(name, found, voice),
            Some(tables::means(name, found, voice)),
            tables::components(name, found, voice),
            tables::strata(name, found),
            tables::checks(name, found),
        ];
        blocks.extend(tables.into_iter().flatten().map(Block::Table));
        let said = course::sentences(found, voice);
        if !said.is_empty() {
            blocks.push(Block::heading("What the order of the runs brought"));
            blocks.push(Block::list(said));
            blocks.extend(course::drift_figures(name, found, voice).into_iter().map(Block::Figure));
            blocks.extend(course::tables(name, found, voice).into_iter().map(Block::Table));
        }
    }
    if input.study().rehearsal {
        blocks.insert(0, Block::paragraph("Every number below comes from simulated readings."));
    }
    section("tables", "The numbers", blocks)
}

/// The model in a few sentences.
fn model(found: &ResponseFindings, voice: &Voice) -> String {
    let results = count(found.runs, "result", "results");
    let mut text = format!(
        "{} from {} were analysed",
        capital(&results),
        count(found.readings, "reading", "readings")
    );
    if found.missing > 0 {
        let _ = write!(
            text,
            "; {} planned are not there",
            count(found.missing, "reading", "readings")
        );
    }
    let _ = write!(text, ". {} ", method(found));
    if !found.model.fixed.is_empty() {
        let fixed: Vec<String> = found.model.fixed.iter().map(|e| plain(e)).collect();
        let _ = write!(text, "Effects in the model: {}. ", listed(&fixed));
    }
    if !found.model.random.is_empty() {
        let random: Vec<String> = found.model.random.iter().map(|e| plain(e)).collect();
        let _ = write!(text, "Units that bring spread: {}. ", listed(&random));
    }
    if let Some(deviation) = found.residual.standard_deviation {
        let _ = write!(
            text,
            "Standard deviation of a run's result about the model: {}",
            with_unit(&number::significant(deviation, 3), &voice.unit),
        );
        // The mixed model shares its degrees of freedom out test by test.
        if found.residual.df > 0 {
            let df = count(found.residual.df, "degree of freedom", "degrees of freedom");
            let _ = write!(text, " ({df})");
        }
        text.push('.');
    }
    text.trim_end().to_owned()
}

pub(super) fn limits(input: &Input, responses: &Responses) -> Section {
    let protocol = input.protocol;
    let mut items: Vec<String> = Vec::new();
    for (name, found, _) in responses {
        let compared = found.agreement.iter().flat_map(|agreement| &agreement.cannot_tell);
        for sentence in found.cannot_tell.iter().chain(compared) {
            let sentence = format!("{}.", capital(sentence.trim_end_matches('.')));
            items.push(if responses.len() > 1 {
                format!("{}: {sentence}", capital(&plain(name)))
            } else {
                sentence
            });
        }
    }
    let levels: Vec<String> = protocol
        .factors
        .iter()
        .map(|f| {
            let levels: Vec<String> = (0..f.levels.len()).map(|i| f.level(i)).collect();
            if levels.len() > 8 {
                format!("{} ({} levels)", plain(&f.name), levels.len())
            } else {
                format!("{} ({})", plain(&f.name), levels.join(", "))
            }
        })
        .collect();
    let stated = responses
        .iter()
        .any(|(_, found, _)| super::answers::stated(&input.study().kind, found));
    if !levels.is_empty() && !stated {
        items.push(format!(
            "The effects hold for the levels studied: {}. Between the levels of a category there is nothing; beyond the \
             ends of a numeric factor nothing was seen.",
            listed(&levels)
        ));
    }
    if !stated {
        items.push(match site_name(input).as_str() {
            "" => "One place of work was studied; another may differ.".to_owned(),
            site => format!("One place of work was studied, {site}; another may differ."),
        });
    }
    items.push(
        "The results belong to the things that were measured. Whether others are like them depends on how these were \
         chosen, which the study does not tell."
            .to_owned(),
    );
    items.push(
        "'Undecided' says that the readings leave room for an effect and for none; it does not say that there is none."
            .to_owned(),
    );
    if responses.iter().any(|(_, f, _)| f.effects.iter().any(|e| !e.planned)) {
        items.push(
            "What is marked exploratory was not asked before the readings were seen: it may be chance, and waits for \
                    a study that plans it."
                .to_owned(),
        );
    }
    section("limits", "What this study cannot tell", vec![Block::list(items)])
}

pub(super) fn cautions(protocol: &Protocol) -> Section {
    let mut blocks = Vec::new();
    let cautions = &protocol.procedure.cautions;
    if !cautions.is_empty() {
        blocks.push(Block::paragraph(
            "The protocol gives these warnings to those who repeat the work:",
        ));
        blocks.push(Block::list(cautions.clone()));
    }
    blocks.push(Block::paragraph(
        "Neither the protocol nor this report assesses the hazards of the work. The laboratory makes its own assessment \
         first. Law, the rules of the site, the makers' instructions and the safety data sheets come before anything \
         printed here, and the work is for people who are trained and authorized for it.",
    ));
    blocks.push(Block::paragraph(
        "The calculations follow the protocol as declared. The laboratory answers for the readings, for what it declared, \
         and for the use that is made of both. This report is no certificate, approval or legal opinion. It does not state \
         that a product, an instrument or a laboratory conforms to anything or is fit for a purpose. Dates and numbers of \
         certificates are repeated as supplied.",
    ));
    section("cautions", "Cautions and local rules", blocks)
}

pub(super) fn provenance(input: &Input) -> Section {
    let from = &input.findings.provenance;
    let program = tool(input);
    let rows = [
        ("Protocol (SHA-256)", input.study().protocol_sha256.as_str()),
        ("Site file (SHA-256)", &from.site_sha256),
        ("Plan (SHA-256)", &from.plan_sha256),
        ("Last entry of the record (SHA-256)", &from.record_sha256),
        ("Seed of the draw", &from.seed),
        ("How the order was drawn", &from.algorithm),
        ("Plan frozen at", &from.frozen_at),
        ("Program", &program),
        ("Format of the findings", &input.findings.format),
    ];
    let rows = rows
        .iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(name, value)| vec![Cell::words(*name), Cell::words(*value)])
        .collect();
    let table = Table::new("provenance", "Where the numbers come from", &["What", "Value"]).group("", rows);
    let blocks = vec![
        Block::Table(table.remark(
            "A hash shows that a file is the same as the one used here. It does not show that its contents are true.",
        )),
        Block::paragraph(
            "To compute everything again, take the study folder and the program named above. The first command makes \
             every step again and names the first difference, if there is one; the second prints the findings; the third \
             makes this report anew, byte for byte.",
        ),
        Block::Commands {
            lines: [
                "wellrun verify FOLDER",
                "wellrun analyse FOLDER --json",
                "wellrun report FOLDER",
            ]
            .map(str::to_owned)
            .to_vec(),
        },
    ];
    section("provenance", "How to compute it again", blocks)
}

pub(super) fn annex(input: &Input, responses: &Responses) -> Section {
    let mut blocks = Vec::new();
    for (name, found, voice) in responses {
        let Some(response) = input.protocol.responses.iter().find(|r| r.name == *name) else {
            continue;
        };
        blocks.extend(tables::results(input.protocol, response, found, voice).map(Block::Table));
        blocks.extend(tables::readings(response, found, voice).map(Block::Table));
    }
    Section {
        new_page: true,
        ..section("annex", "Annex: every result and reading", blocks)
    }
}
