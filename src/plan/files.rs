//! A plan as two files: `plan.csv` with the runs, `plan.toml` with where they came from.
//!
//! In:  a protocol, a site, a seed and the time; or the text of the two files.
//! Out: the text of the two files; or a `Plan` that was held against its protocol and its own hash.
//!
//! Columns of `plan.csv`: `run`, one for each unit except the run unit (its number within the units above it,
//! from 1), one for each factor (the level as written in the protocol). The run unit's own number is not
//! written: it counts the runs within the same units above. The levels of a blinded factor stand there as codes.

use std::sync::Arc;

use super::blinding::Blind;
use super::draw::{ALGORITHM, draw_with, named};
use super::model::{Plan, PlanHeader, PlannedRun};
use super::spots::positions_csv;
use crate::diagnostic::{Diagnostic, Diagnostics, Source, nearest};
use crate::protocol::{Protocol, Site, text_sha256};
use crate::render::csv_row_as_is;

/// Draws a plan and writes it down.
///
/// `frozen_at` is the time to put on record, RFC 3339. Returns the plan, the text of `plan.csv` and of `plan.toml`.
///
/// # Errors
///
/// The same as `draw`.
pub fn freeze(
    protocol: &Protocol,
    site: Option<&Site>,
    seed: u64,
    frozen_at: &str,
) -> Result<(Plan, String, String), Diagnostics> {
    write(protocol, site, seed, frozen_at, false)
}

/// The same for a rehearsal: the header says so, for good.
///
/// # Errors
///
/// The same as `draw`.
pub fn rehearse(
    protocol: &Protocol,
    site: Option<&Site>,
    seed: u64,
    frozen_at: &str,
) -> Result<(Plan, String, String), Diagnostics> {
    write(protocol, site, seed, frozen_at, true)
}

fn write(
    protocol: &Protocol,
    site: Option<&Site>,
    seed: u64,
    frozen_at: &str,
    rehearsal: bool,
) -> Result<(Plan, String, String), Diagnostics> {
    let site_id = site.map_or("", |site| site.id.as_str());
    let drawn = draw_with(protocol, &|purpose| named(protocol, site_id, seed, purpose))?;
    let runs = drawn.runs;
    let blind = Blind::of(protocol, site_id, seed);
    let csv = write_runs(&blind.protocol(protocol), &blind.runs(&runs));
    let header = PlanHeader {
        wellrun_plan: 1,
        study: protocol.study.id.clone(),
        version: protocol.study.version.clone(),
        protocol_sha256: protocol.drawn_as.clone(),
        site: site_id.to_owned(),
        site_sha256: site.map(|site| site.sha256.clone()).unwrap_or_default(),
        seed: seed.to_string(),
        algorithm: ALGORITHM.to_owned(),
        tool: env!("CARGO_PKG_VERSION").to_owned(),
        frozen_at: frozen_at.to_owned(),
        plan_sha256: text_sha256(&csv),
        runs: runs.len(),
        tries: protocol.bench.rules.any().then_some(drawn.tries),
        carry_over_spread: drawn.spread,
        key_sha256: blind.key(protocol).map(|text| text_sha256(&text)),
        positions_sha256: None,
        rehearsal,
    };
    let mut plan = Plan { header, runs };
    plan.header.positions_sha256 = positions_csv(protocol, &plan)?.map(|text| text_sha256(&text));
    let toml = toml::to_string(&plan.header).map_err(|problem| {
        Diagnostics::from(Diagnostic::error(
            "D010",
            format!("the plan's header cannot be written: {problem}"),
        ))
    })?;
    let toml =
        format!("# The header of plan.csv. Neither file is to be edited: the hashes would no longer hold.\n{toml}");
    Ok((plan, csv, toml))
}

/// The text of `plan.csv`.
fn write_runs(protocol: &Protocol, runs: &[PlannedRun]) -> String {
    let run_unit = protocol.run_unit();
    let mut text = String::new();
    csv_row_as_is(&mut text, columns(protocol));
    for run in runs {
        let numbers = run.units[..run_unit].iter().map(ToString::to_string);
        let levels = protocol
            .factors
            .iter()
            .zip(&run.levels)
            .map(|(factor, &level)| factor.levels[level].clone());
        let cells = std::iter::once(run.run.to_string()).chain(numbers).chain(levels);
        csv_row_as_is(&mut text, cells);
    }
    text
}

/// The columns of `plan.csv`.
fn columns(protocol: &Protocol) -> Vec<String> {
    let units = protocol.units[..protocol.run_unit()]
        .iter()
        .map(|unit| unit.name.clone());
    let factors = protocol.factors.iter().map(|factor| factor.name.clone());
    std::iter::once("run".to_owned()).chain(units).chain(factors).collect()
}

/// Reads a plan back and holds it against its protocol and its own hash.
///
/// # Errors
///
/// `D011` header not readable, `D012` another protocol, `D013` rows changed since freezing, `D014` to `D016` a row that
/// does not fit the protocol.
pub fn read(csv: &Arc<Source>, toml: &Arc<Source>, protocol: &Protocol) -> Result<Plan, Diagnostics> {
    let mut found = Diagnostics::new();
    let header: PlanHeader = match toml::from_str(&toml.text) {
        Ok(header) => header,
        Err(problem) => {
            let span = problem.span().unwrap_or(0..0);
            return Err(Diagnostic::error(
                "D011",
                format!("the plan's header cannot be read: {}", problem.message()),
            )
            .at(toml, span, "")
            .help("bring plan.toml back as `wellrun plan` wrote it")
            .into());
        }
    };
    let place = |key: &str| {
        let start = toml.text.find(key).unwrap_or(0);
        start..(start + key.len()).min(toml.text.len())
    };
    if header.protocol_sha256 != protocol.drawn_as {
        found.push(
            Diagnostic::error("D012", "the protocol is not the one from which this plan was drawn")
                .at(
                    toml,
                    place("protocol_sha256"),
                    format!("the protocol's hash is now {}", short(&protocol.sha256)),
                )
                .help(
                    "bring the protocol back as it was, or put the change on record with `wellrun plan DIR --amend --reason TEXT`",
                ),
        );
    }
    if header.plan_sha256 != text_sha256(&csv.text) {
        found.push(
            Diagnostic::error("D013", "plan.csv was changed after it was frozen")
                .at(toml, place("plan_sha256"), "this is no longer the hash of plan.csv")
                .help("bring plan.csv back as `wellrun plan` wrote it; a change at the bench belongs into the record"),
        );
    }
    let blind = Blind::of(protocol, &header.site, header.seed.parse().unwrap_or_default());
    let runs = blind.opened(&read_runs(csv, &blind.protocol(protocol), &mut found));
    if !found.has_errors() && header.runs != runs.len() {
        found.push(
            Diagnostic::error(
                "D015",
                format!(
                    "the header speaks of {} runs, plan.csv holds {}",
                    header.runs,
                    runs.len()
                ),
            )
            .at(toml, place("runs"), ""),
        );
    }
    if found.has_errors() {
        Err(found)
    } else {
        Ok(Plan { header, runs })
    }
}

fn read_runs(csv: &Arc<Source>, protocol: &Protocol, found: &mut Diagnostics) -> Vec<PlannedRun> {
    let run_unit = protocol.run_unit();
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(true)
        .flexible(true)
        .from_reader(csv.text.as_bytes());
    let expected = columns(protocol);
    let header_is_right = reader
        .headers()
        .is_ok_and(|header| header.iter().eq(expected.iter().map(String::as_str)));
    if !header_is_right {
        let end = csv.text.find('\n').unwrap_or(csv.text.len());
        found.push(
            Diagnostic::error("D014", "the columns of plan.csv are not those of the protocol").at(
                csv,
                0..end,
                format!("expected `{}`", expected.join(",")),
            ),
        );
        return Vec::new();
    }
    let mut runs: Vec<PlannedRun> = Vec::new();
    let mut counts: std::collections::BTreeMap<Vec<usize>, usize> = std::collections::BTreeMap::new();
    for row in reader.records() {
        let row = match row {
            Ok(row) => row,
            Err(problem) => {
                found.push(Diagnostic::error("D015", format!("plan.csv cannot be read: {problem}")).at(csv, 0..0, ""));
                return runs;
            }
        };
        let start = row
            .position()
            .map_or(0, |position| position.byte() as usize)
            .min(csv.text.len());
        let end = csv.text[start..]
            .find('\n')
            .map_or(csv.text.len(), |length| start + length);
        let wrong = |message: String| Diagnostic::error("D015", message).at(csv, start..end, "");
        if row.len() != expected.len() {
            found.push(wrong(format!(
                "this row has {} cells, not {}",
                row.len(),
                expected.len()
            )));
            continue;
        }
        if row[0].parse::<usize>() != Ok(runs.len() + 1) {
            found.push(wrong(format!("run {} was expected here", runs.len() + 1)));
        }
        let mut units = Vec::with_capacity(protocol.units.len());
        for (unit, cell) in protocol.units[..run_unit].iter().zip(row.iter().skip(1)) {
            match cell.parse::<usize>() {
                Ok(number) if (1..=unit.count).contains(&number) => units.push(number),
                _ => {
                    found.push(wrong(format!(
                        "`{cell}` is not a {} from 1 to {}",
                        unit.name, unit.count
                    )));
                    units.push(1);
                }
            }
        }
        let own = counts.entry(units.clone()).or_insert(0);
        *own += 1;
        units.push(*own);
        let mut levels = Vec::with_capacity(protocol.factors.len());
        for (factor, cell) in protocol.factors.iter().zip(row.iter().skip(1 + run_unit)) {
            let level = factor.levels.iter().position(|level| level == cell);
            if level.is_none() {
                let mut problem = Diagnostic::error("D016", format!("`{cell}` is not a level of {}", factor.name)).at(
                    csv,
                    start..end,
                    "",
                );
                if let Some(meant) = nearest(cell, factor.levels.iter().map(String::as_str)) {
                    problem = problem.help(format!("did you mean `{meant}`?"));
                }
                found.push(problem);
            }
            levels.push(level.unwrap_or(0));
        }
        runs.push(PlannedRun {
            run: runs.len() + 1,
            units,
            levels,
        });
    }
    runs
}

/// The first twelve digits of a hash, enough for people.
fn short(hash: &str) -> &str {
    hash.get(..12).unwrap_or(hash)
}
