//! Helpers shared by the integration tests: reference cases, small protocols, records made in memory.
#![allow(
    missing_docs,
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

use std::collections::BTreeMap;

use wellrun::analysis::{self, Findings};
use wellrun::diagnostic::{Diagnostics, Source};
use wellrun::protocol::{self, Protocol};
use wellrun::record::{Record, RunRecord, Written};

/// A reference case: `data.csv` and `expected.toml` in `tests/reference/NAME`.
pub struct Case {
    pub name: String,
    pub header: Vec<String>,
    pub rows: Vec<Vec<String>>,
    pub expected: toml::Table,
}

impl Case {
    pub fn load(name: &str) -> Self {
        let folder = format!("{}/tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
        let mut reader = csv::Reader::from_path(format!("{folder}/data.csv")).unwrap();
        let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
        let rows = reader
            .records()
            .map(|row| row.unwrap().iter().map(str::to_owned).collect())
            .collect();
        let expected = toml::from_str(&std::fs::read_to_string(format!("{folder}/expected.toml")).unwrap()).unwrap();
        Self {
            name: name.to_owned(),
            header,
            rows,
            expected,
        }
    }

    pub fn number(&self, table: &str, key: &str) -> f64 {
        number(&self.expected[table].as_table().unwrap()[key])
    }

    pub fn column(&self, name: &str) -> usize {
        self.header
            .iter()
            .position(|h| h == name)
            .unwrap_or_else(|| panic!("{} has no column {name}", self.name))
    }

    pub fn levels(&self, name: &str) -> Vec<String> {
        let column = self.column(name);
        let mut levels: Vec<String> = self.rows.iter().map(|row| row[column].clone()).collect();
        levels.sort();
        levels.dedup();
        levels
    }
}

pub fn number(value: &toml::Value) -> f64 {
    value
        .as_float()
        .or_else(|| value.as_integer().map(|i| i as f64))
        .unwrap_or_else(|| panic!("{value} is not a number"))
}

/// How many decimal digits agree.
pub fn digits(found: f64, expected: f64) -> f64 {
    if found == expected {
        return 17.0;
    }
    -((found - expected) / expected).abs().log10()
}

pub fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!(
        (found - expected).abs() <= relative * expected.abs().max(1e-300),
        "{what}: {found:e}, expected {expected:e}"
    );
}

pub fn show(found: &Diagnostics) -> String {
    found.iter().map(|d| d.render(false)).collect::<Vec<_>>().join("\n")
}

/// A protocol for readings that exist already.
pub fn as_run(units: &str, factors: &str, rest: &str) -> Protocol {
    let text = format!(
        r#"wellrun = 1
[study]
id = "published"
version = "1.0"
title = "A published table"
question = "What moves the response?"
kind = "variance investigation"
method = "As published"
source = "tests/reference"
[response.y]
measurand = "The response as published"
unit = "units"
resolution = 0.0001
readings = 1
reading_time = "not timed"
result = "mean"
round_to = "none"
{units}
{factors}
[design]
treatments = "full factorial"
order = "as run"
{rest}
"#
    );
    match protocol::read(&Source::new("protocol.toml", text)) {
        Ok((protocol, _)) => protocol,
        Err(found) => panic!("{}", show(&found)),
    }
}

pub fn factor(name: &str, unit: &str, levels: &[String]) -> String {
    let levels: Vec<String> = levels.iter().map(|level| format!("{level:?}")).collect();
    format!(
        "[factor.{name}]\nset_on = \"{unit}\"\nlevels = [{}]\n",
        levels.join(", ")
    )
}

/// Rows of (unit labels without the run unit, level texts, reading) as a record.
pub fn record(protocol: &Protocol, rows: &[(Vec<String>, Vec<String>, String)]) -> Record {
    let mut runs = BTreeMap::new();
    for (index, (units, levels, reading)) in rows.iter().enumerate() {
        let run = index + 1;
        let mut units = units.clone();
        units.push(run.to_string());
        runs.insert(
            run,
            RunRecord {
                run,
                readings: vec![vec![Some(Written {
                    text: reading.clone(),
                    value: reading.parse().unwrap(),
                    entry: run,
                })]],
                units,
                levels: levels
                    .iter()
                    .zip(&protocol.factors)
                    .map(|(text, factor)| factor.levels.iter().position(|level| level == text).unwrap())
                    .collect(),
                ..RunRecord::default()
            },
        );
    }
    Record {
        runs,
        ..Record::default()
    }
}

/// Picks columns of a case: units, factors, response.
pub fn pick(case: &Case, units: &[&str], factors: &[&str], response: &str) -> Vec<(Vec<String>, Vec<String>, String)> {
    let take = |row: &[String], names: &[&str]| names.iter().map(|name| row[case.column(name)].clone()).collect();
    case.rows
        .iter()
        .map(|row| (take(row, units), take(row, factors), row[case.column(response)].clone()))
        .collect()
}

pub fn analyse(protocol: &Protocol, record: &Record) -> Findings {
    match analysis::analyse(protocol, None, None, record, false) {
        Ok(findings) => findings,
        Err(found) => panic!("{}", show(&found)),
    }
}
