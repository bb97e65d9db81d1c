//! Reads a reference case and builds its model: factors coded sum-to-zero (last level −1), levels in order of number
//! or text, terms in the order given.

use std::collections::BTreeMap;
use std::path::Path;

use wellrun::numeric::Matrix;
use wellrun::stats::mixed::{MixedProblem, RandomTerm};

pub struct Case {
    columns: BTreeMap<String, Vec<String>>,
    expected: toml::Table,
    pub name: String,
}

impl Case {
    pub fn read(name: &str) -> Self {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(name);
        let mut reader = csv::Reader::from_path(folder.join("data.csv")).unwrap();
        let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
        let mut columns: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for record in reader.records() {
            for (name, field) in names.iter().zip(record.unwrap().iter()) {
                columns.entry(name.clone()).or_default().push(field.to_owned());
            }
        }
        let text = include_text(&folder.join("expected.toml"));
        Self {
            columns,
            expected: text.parse().unwrap(),
            name: name.to_owned(),
        }
    }

    /// A value of a table of the case, as a list; a nested list is flattened.
    fn list(&self, table: &str, key: &str) -> Option<Vec<f64>> {
        self.expected.get(table)?.get(key).map(flatten)
    }

    pub fn has(&self, key: &str) -> bool {
        self.list("expected", key).is_some()
    }

    pub fn expected_list(&self, key: &str) -> Vec<f64> {
        self.list("expected", key)
            .unwrap_or_else(|| panic!("{}: no expected {key}", self.name))
    }

    /// The relative tolerance the case states for its recomputed values.
    pub fn tolerance(&self) -> f64 {
        self.expected["rel_tol"].as_float().unwrap()
    }

    /// Checks against the recomputed value within `tolerance`, and against the published one within its rounding.
    pub fn check(&self, key: &str, found: &[f64], tolerance: f64) {
        let expected = self.expected_list(key);
        assert_eq!(expected.len(), found.len(), "{}: {key}", self.name);
        let size = expected.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
        for (want, have) in expected.iter().zip(found) {
            let room = tolerance * want.abs().max(1e-3 * size);
            assert!(
                (want - have).abs() <= room,
                "{}: {key} is {have:?}, not {want:?}",
                self.name
            );
        }
        if let (Some(printed), Some(rounding)) = (self.list("published", key), self.list("tolerance_published", key)) {
            for ((want, have), room) in printed.iter().zip(found).zip(rounding) {
                assert!(
                    (want - have).abs() <= room,
                    "{}: {key} is {have:?}, printed {want:?}",
                    self.name
                );
            }
        }
    }

    pub fn numbers(&self, column: &str) -> Vec<f64> {
        self.columns[column]
            .iter()
            .map(|field| field.parse().unwrap())
            .collect()
    }

    pub fn texts(&self, column: &str) -> Vec<String> {
        self.columns[column].clone()
    }

    fn levels(&self, column: &str) -> Vec<String> {
        let mut levels: Vec<String> = self.columns[column].clone();
        levels.sort_by(|a, b| match (a.parse::<f64>(), b.parse::<f64>()) {
            (Ok(a), Ok(b)) => a.total_cmp(&b),
            _ => a.cmp(b),
        });
        levels.dedup();
        levels
    }

    fn sum_to_zero(&self, factor: &str) -> Vec<Vec<f64>> {
        let levels = self.levels(factor);
        let last = levels.len() - 1;
        (0..last)
            .map(|level| {
                self.columns[factor]
                    .iter()
                    .map(|field| {
                        let at = levels.iter().position(|name| name == field).unwrap();
                        if at == last {
                            -1.0
                        } else {
                            f64::from(u8::from(at == level))
                        }
                    })
                    .collect()
            })
            .collect()
    }

    /// Columns of an effect: `[]` the intercept; factors by name, numeric columns by `=name`; in products the columns
    /// of the last factor vary fastest.
    pub fn effect(&self, factors: &[&str]) -> Vec<Vec<f64>> {
        let rows = self.columns.values().next().unwrap().len();
        let mut columns = vec![vec![1.0; rows]];
        for factor in factors {
            let own = match factor.strip_prefix('=') {
                Some(numeric) => vec![self.numbers(numeric)],
                None => self.sum_to_zero(factor),
            };
            columns = columns
                .iter()
                .flat_map(|left| {
                    own.iter()
                        .map(|right| left.iter().zip(right).map(|(a, b)| a * b).collect())
                        .collect::<Vec<Vec<f64>>>()
                })
                .collect();
        }
        columns
    }

    /// X and the columns each effect takes in it.
    pub fn fixed(&self, effects: &[&[&str]]) -> (Matrix, Vec<std::ops::Range<usize>>) {
        let mut columns = Vec::new();
        let mut ranges = Vec::new();
        for effect in effects {
            let own = self.effect(effect);
            ranges.push(columns.len()..columns.len() + own.len());
            columns.extend(own);
        }
        (Matrix::from_columns(&columns), ranges)
    }

    /// Group numbers of the combinations of some factors, in order of first appearance, and their count.
    pub fn groups(&self, factors: &[&str]) -> (Vec<u32>, usize) {
        let rows = self.columns[factors[0]].len();
        let mut seen: Vec<Vec<&str>> = Vec::new();
        let groups = (0..rows)
            .map(|row| {
                let key: Vec<&str> = factors
                    .iter()
                    .map(|factor| self.columns[*factor][row].as_str())
                    .collect();
                let at = seen.iter().position(|held| *held == key).unwrap_or_else(|| {
                    seen.push(key);
                    seen.len() - 1
                });
                u32::try_from(at).unwrap()
            })
            .collect();
        (groups, seen.len())
    }

    pub fn intercepts(&self, factors: &[&str]) -> RandomTerm {
        let (groups, levels) = self.groups(factors);
        RandomTerm::intercept(groups, levels)
    }

    pub fn problem(&self, response: &str, effects: &[&[&str]], terms: &[&[&str]]) -> MixedProblem {
        MixedProblem {
            y: self.numbers(response),
            x: self.fixed(effects).0,
            terms: terms.iter().map(|factors| self.intercepts(factors)).collect(),
            weights: None,
        }
    }
}

/// Rows of the identity that pick some columns of p.
pub fn pick(range: std::ops::Range<usize>, p: usize) -> Matrix {
    let mut l = Matrix::zeros(range.len(), p);
    for (row, column) in range.enumerate() {
        l[(row, column)] = 1.0;
    }
    l
}

/// Tests may read files; the library may not.
#[allow(clippy::disallowed_methods)]
fn include_text(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap()
}

fn flatten(value: &toml::Value) -> Vec<f64> {
    match value {
        toml::Value::Array(values) => values.iter().flat_map(flatten).collect(),
        toml::Value::Integer(value) => vec![*value as f64],
        other => vec![other.as_float().unwrap()],
    }
}
