//! The results of one response with their settings, ready for the statistics.
//!
//! In:  protocol, plan (or none for an as-run study), record.
//! Out: a `Frame`: one row a run that has at least one reading, in the order in which the runs were made.
//!
//! A result is formed from exact decimals: an exact reference is subtracted first, so that a large common
//! offset costs no digits. A run in which some readings are missing takes those it has.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::numeric::sum;
use crate::plan::{Plan, Structure};
use crate::protocol::{Protocol, ResponseId, Statistic};
use crate::record::{Record, RunRecord};

/// The results of one response.
#[derive(Debug, Clone)]
pub(super) struct Frame {
    /// Runs with a result, in the order in which they were made.
    pub rows: Vec<Row>,
    /// The exact value subtracted from every reading before it became a double.
    pub reference: f64,
    /// How many of each unit there are within those above it, as planned, or as found in an as-run record.
    pub counts: Vec<usize>,
    /// True if the order in which the runs were made is known, from the plan or from the record.
    pub ordered: bool,
    /// Readings that should be there and are not.
    pub missing: usize,
    /// Runs that take fewer readings than planned.
    pub short: Vec<usize>,
    /// Runs left out because a covariate was not measured.
    pub unmeasured: Vec<usize>,
    /// Mean of each covariate over the rows.
    pub covariate_means: Vec<f64>,
}

/// One run.
#[derive(Debug, Clone)]
pub(super) struct Row {
    /// Number of the run.
    pub run: usize,
    /// Position in which it was made, from 1.
    pub position: usize,
    /// Number of each unit within those above it, from 0.
    pub units: Vec<usize>,
    /// Label of each unit, as printed.
    pub labels: Vec<String>,
    /// Level index of each factor.
    pub levels: Vec<usize>,
    /// Readings minus the reference.
    pub readings: Vec<f64>,
    /// Result minus the reference.
    pub result: f64,
    /// Covariates of the model, minus their means over the rows.
    pub covariates: Vec<f64>,
}

impl Frame {
    pub(super) fn gather(protocol: &Protocol, plan: Option<&Plan>, record: &Record, response: ResponseId) -> Self {
        let declared = &protocol.responses[response];
        let readings_of = |run: &RunRecord| -> Vec<Decimal> {
            run.readings
                .get(response)
                .into_iter()
                .flatten()
                .flatten()
                .map(|written| written.value)
                .collect()
        };
        let reference = record.runs.values().flat_map(readings_of).next().unwrap_or_default();
        let mut rows = Vec::new();
        let mut missing = 0;
        let mut short = Vec::new();
        let planned = plan.map_or_else(
            || record.runs.keys().copied().collect(),
            |plan| (1..=plan.runs.len()).collect::<Vec<usize>>(),
        );
        let as_run_numbers = if plan.is_none() {
            number_units(protocol, record)
        } else {
            BTreeMap::new()
        };
        for run in planned {
            let recorded = record.runs.get(&run);
            let decimals = recorded.map(readings_of).unwrap_or_default();
            missing += declared.readings.saturating_sub(decimals.len());
            let (Some(recorded), false) = (recorded, decimals.is_empty()) else {
                continue;
            };
            if decimals.len() < declared.readings {
                short.push(run);
            }
            let (units, labels, levels) = match plan.and_then(|plan| plan.runs.get(run - 1)) {
                Some(planned) => (
                    planned.units.iter().map(|number| number - 1).collect(),
                    planned.units.iter().map(ToString::to_string).collect(),
                    planned.levels.clone(),
                ),
                None => (
                    as_run_numbers.get(&run).cloned().unwrap_or_default(),
                    recorded.units.clone(),
                    recorded.levels.clone(),
                ),
            };
            if levels.len() != protocol.factors.len() || units.len() != protocol.units.len() {
                continue;
            }
            let differences: Vec<Decimal> = decimals.iter().map(|&value| value - reference).collect();
            rows.push(Row {
                run,
                position: recorded.order.unwrap_or(run),
                units,
                labels,
                levels,
                result: result(declared.result, &differences),
                readings: differences.iter().map(|d| d.to_f64().unwrap_or(f64::NAN)).collect(),
                covariates: Vec::new(),
            });
        }
        let (unmeasured, covariate_means) = covariates(protocol, record, &mut rows);
        rows.sort_by_key(|row| (row.position, row.run));
        let counts = if plan.is_some() {
            protocol.units.iter().map(|unit| unit.count).collect()
        } else {
            (0..protocol.units.len())
                .map(|u| rows.iter().map(|row| row.units[u] + 1).max().unwrap_or(0))
                .collect()
        };
        Self {
            rows,
            reference: reference.to_f64().unwrap_or(f64::NAN),
            counts,
            ordered: plan.is_some() || record.runs.values().all(|run| run.order.is_some()),
            missing,
            short,
            unmeasured,
            covariate_means,
        }
    }

    /// Results minus the reference, row by row.
    pub(super) fn results(&self) -> Vec<f64> {
        self.rows.iter().map(|row| row.result).collect()
    }

    /// The cells into which the rows fall when runs are told apart by some units only, numbered in order of first appearance.
    pub(super) fn cells(&self, units: &[usize]) -> (Vec<u32>, usize) {
        let mut numbers: BTreeMap<Vec<usize>, u32> = BTreeMap::new();
        let cell = self
            .rows
            .iter()
            .map(|row| {
                let key: Vec<usize> = units.iter().map(|&u| row.units[u]).collect();
                let next = numbers.len() as u32;
                *numbers.entry(key).or_insert(next)
            })
            .collect();
        (cell, numbers.len())
    }

    /// Sum of squares of the readings about the mean of their run, over all runs, and its degrees of freedom.
    pub(super) fn within_runs(&self) -> (f64, f64) {
        let (mut squares, mut df) = (0.0, 0.0);
        for row in &self.rows {
            let mean = sum::mean(&row.readings);
            squares += row.readings.iter().map(|r| (r - mean).powi(2)).sum::<f64>();
            df += row.readings.len() as f64 - 1.0;
        }
        (squares, df)
    }

    /// The unit structure behind the rows.
    pub(super) fn structure(&self, protocol: &Protocol) -> Structure {
        Structure::new(&self.counts, protocol)
    }
}

/// Fills in the covariates of the model, centred. A condition stands for its whole unit: a run without a value of its own takes
/// the mean of those written for the same unit. Rows without any are taken out. Gives their runs, and the means.
fn covariates(protocol: &Protocol, record: &Record, rows: &mut Vec<Row>) -> (Vec<usize>, Vec<f64>) {
    let asked = &protocol.analysis.model.covariates;
    let written = |run: usize, condition: usize| -> Option<Decimal> {
        let recorded = record.runs.get(&run)?;
        Some(recorded.conditions.get(condition)?.as_ref()?.value)
    };
    let mut columns: Vec<Vec<Option<f64>>> = Vec::new();
    for &condition in asked {
        let unit = protocol.conditions[condition].measured_on;
        let units: Vec<usize> = protocol.above(unit).into_iter().chain([unit]).collect();
        let key = |row: &Row| -> Vec<usize> { units.iter().map(|&u| row.units[u]).collect() };
        let mut of_unit: BTreeMap<Vec<usize>, (Decimal, u32)> = BTreeMap::new();
        for row in rows.iter() {
            if let Some(value) = written(row.run, condition) {
                let (sum, count) = of_unit.entry(key(row)).or_default();
                *sum += value;
                *count += 1;
            }
        }
        columns.push(
            rows.iter()
                .map(|row| {
                    written(row.run, condition)
                        .or_else(|| of_unit.get(&key(row)).map(|(sum, count)| *sum / Decimal::from(*count)))
                        .and_then(|value| value.to_f64())
                })
                .collect(),
        );
    }
    for (place, row) in rows.iter_mut().enumerate() {
        row.covariates = columns.iter().filter_map(|column| column[place]).collect();
    }
    let unmeasured = rows
        .iter()
        .filter(|row| row.covariates.len() < asked.len())
        .map(|row| row.run)
        .collect();
    rows.retain(|row| row.covariates.len() == asked.len());
    let means: Vec<f64> = (0..asked.len())
        .map(|c| sum::mean(&rows.iter().map(|row| row.covariates[c]).collect::<Vec<f64>>()))
        .collect();
    for row in rows.iter_mut() {
        row.covariates
            .iter_mut()
            .zip(&means)
            .for_each(|(value, mean)| *value -= mean);
    }
    (unmeasured, means)
}

/// The result of a run from its readings (minus the reference), formed exactly before it becomes a double.
fn result(statistic: Statistic, readings: &[Decimal]) -> f64 {
    let mut sorted = readings.to_vec();
    sorted.sort();
    let number = |value: Decimal| value.to_f64().unwrap_or(f64::NAN);
    let middle = sorted.len() / 2;
    match statistic {
        Statistic::Mean => number(sorted.iter().sum()) / sorted.len() as f64,
        Statistic::Median if sorted.len() % 2 == 1 => number(sorted[middle]),
        Statistic::Median => number(sorted[middle - 1] + sorted[middle]) / 2.0,
        Statistic::Minimum => number(sorted[0]),
        Statistic::Maximum => number(sorted[sorted.len() - 1]),
    }
}

/// Numbers the units of an as-run record: within the same units above, labels in natural order get 0, 1, ...;
/// the run unit counts the runs within the same units above.
fn number_units(protocol: &Protocol, record: &Record) -> BTreeMap<usize, Vec<usize>> {
    let run_unit = protocol.run_unit();
    let above: Vec<Vec<usize>> = (0..protocol.units.len()).map(|u| protocol.above(u)).collect();
    let key = |run: &RunRecord, unit: usize| -> Vec<String> {
        above[unit]
            .iter()
            .map(|&u| run.units.get(u).cloned().unwrap_or_default())
            .collect()
    };
    let mut labels: Vec<BTreeMap<Vec<String>, Vec<String>>> = vec![BTreeMap::new(); protocol.units.len()];
    for run in record.runs.values() {
        for (unit, groups) in labels.iter_mut().enumerate().take(run_unit) {
            let group = groups.entry(key(run, unit)).or_default();
            let label = run.units.get(unit).cloned().unwrap_or_default();
            if !group.contains(&label) {
                group.push(label);
            }
        }
    }
    for groups in &mut labels {
        groups
            .values_mut()
            .for_each(|group| group.sort_by(|a, b| natural(a).cmp(&natural(b))));
    }
    let mut counts: BTreeMap<Vec<String>, usize> = BTreeMap::new();
    let mut numbers = BTreeMap::new();
    for (&number, run) in &record.runs {
        let mut own: Vec<usize> = (0..run_unit)
            .map(|unit| {
                let label = run.units.get(unit).map_or("", String::as_str);
                labels[unit]
                    .get(&key(run, unit))
                    .and_then(|group| group.iter().position(|l| l == label))
                    .unwrap_or(0)
            })
            .collect();
        let count = counts.entry(key(run, run_unit)).or_insert(0);
        own.push(*count);
        *count += 1;
        numbers.insert(number, own);
    }
    numbers
}

/// Numbers before texts, numbers by size.
fn natural(label: &str) -> (bool, Decimal, &str) {
    let number = label.parse::<Decimal>().ok();
    (number.is_none(), number.unwrap_or_default(), label)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimals(texts: &[&str]) -> Vec<Decimal> {
        texts.iter().map(|text| text.parse().unwrap()).collect()
    }

    /// Closed form.
    #[test]
    fn results_follow_the_declared_statistic() {
        let readings = decimals(&["0.3", "-0.1", "0.2", "0.6"]);
        assert_eq!(result(Statistic::Mean, &readings), 0.25);
        assert_eq!(result(Statistic::Median, &readings), 0.25);
        assert_eq!(result(Statistic::Median, &readings[..3]), 0.2);
        assert_eq!(result(Statistic::Minimum, &readings), -0.1);
        assert_eq!(result(Statistic::Maximum, &readings), 0.6);
    }

    #[test]
    fn labels_sort_as_people_count() {
        let mut labels = ["10", "9", "b", "2.5", "a"];
        labels.sort_by(|a, b| natural(a).cmp(&natural(b)));
        assert_eq!(labels, ["2.5", "9", "10", "a", "b"]);
    }
}
