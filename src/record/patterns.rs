//! What is odd about readings taken together: copied, rounded, jumping, swapped, too fast, back in time.
//!
//! In:  the protocol and the whole record.
//! Out: sentences with the code that goes with each. They are questions: nothing is refused for them, nothing left out.
//!
//! Rules (common practice; the page asks the same while the reading can still be taken again, `templates/page/questions.js`):
//! - two runs with the very same readings in the same order, not all of one run alike;
//! - all five or more readings of a run alike, while most runs vary;
//! - more than 20 % + 4 √(0.2·0.8/n) of n ≥ 50 readings end in 0 or 5, over 20 steps of the display or more: four standard
//!   errors of the share that chance gives (normal approximation to the binomial distribution);
//! - a reading further from the median of its run than 8 spreads, of 30 or more readings; the spread is 1.4826 times the
//!   median distance from the medians of the runs, and one step of the display at least;
//! - two columns of a run that would both be usual the other way round;
//! - three or more readings of a run sooner after each other than the reading time, or one second;
//! - a device whose clock goes back by more than a minute.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use crate::protocol::{Protocol, Response};

use super::columns::{Column, name};
use super::decimal::lies_in;
use super::model::{Record, RunRecord};
use super::whole::whole_number;

/// Something odd about readings taken together.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Pattern {
    /// The code.
    pub code: &'static str,
    /// What is odd, in a sentence.
    pub what: String,
}

/// Everything odd, in order of code and place.
#[must_use]
pub fn patterns(protocol: &Protocol, record: &Record) -> Vec<Pattern> {
    let mut found = Vec::new();
    for (id, response) in protocol.responses.iter().enumerate() {
        let runs: Vec<(&RunRecord, Vec<Decimal>)> = record
            .runs
            .values()
            .map(|run| {
                let readings = run.readings.get(id).into_iter().flatten().flatten();
                (run, readings.map(|written| written.value).collect())
            })
            .filter(|(_, readings): &(_, Vec<Decimal>)| !readings.is_empty())
            .collect();
        copied(response, &runs, &mut found);
        alike(response, &runs, &mut found);
        rounded(response, &runs, &mut found);
        jumps(response, &runs, &mut found);
        too_fast(protocol, id, response, record, &mut found);
    }
    swapped(protocol, record, &mut found);
    back_in_time(record, &mut found);
    found.sort();
    found
}

type Runs<'a> = [(&'a RunRecord, Vec<Decimal>)];

fn is_varied(readings: &[Decimal]) -> bool {
    readings.windows(2).any(|two| two[0] != two[1])
}

fn copied(response: &Response, runs: &Runs<'_>, found: &mut Vec<Pattern>) {
    let mut seen: BTreeMap<&[Decimal], usize> = BTreeMap::new();
    for (run, readings) in runs {
        if readings.len() < 3 || readings.len() < response.readings || !is_varied(readings) {
            continue;
        }
        let first = *seen.entry(readings).or_insert(run.run);
        if first != run.run {
            found.push(Pattern {
                code: "R054",
                what: format!(
                    "run {} has the very readings of {} that run {first} has, in the same order",
                    run.run, response.name
                ),
            });
        }
    }
}

fn alike(response: &Response, runs: &Runs<'_>, found: &mut Vec<Pattern>) {
    let same: Vec<usize> = runs
        .iter()
        .filter(|(_, readings)| readings.len() >= 5 && !is_varied(readings))
        .map(|(run, _)| run.run)
        .collect();
    if 2 * same.len() >= runs.len() {
        return;
    }
    for run in same {
        found.push(Pattern {
            code: "R055",
            what: format!("all readings of {} in run {run} are the same", response.name),
        });
    }
}

fn rounded(response: &Response, runs: &Runs<'_>, found: &mut Vec<Pattern>) {
    let mut by_person: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    for (run, readings) in runs {
        let steps = readings
            .iter()
            .filter_map(|value| value.checked_div(response.resolution)?.round().to_i64());
        by_person.entry(&run.initials).or_default().extend(steps);
    }
    for (person, steps) in by_person {
        let (low, high) = (steps.iter().min().copied(), steps.iter().max().copied());
        let wide = low.zip(high).is_some_and(|(low, high)| high.saturating_sub(low) >= 20);
        let n = steps.len() as f64;
        let fives = steps.iter().filter(|step| *step % 5 == 0).count();
        let share = fives as f64 / n;
        if steps.len() >= 50 && wide && share > 0.2 + 4.0 * (0.16 / n).sqrt() {
            let by = if person.is_empty() {
                String::new()
            } else {
                format!(" by {person}")
            };
            found.push(Pattern {
                code: "R056",
                what: format!(
                    "{fives} of {} readings of {}{by} end in 0 or 5, where chance gives one in five",
                    steps.len(),
                    response.name
                ),
            });
        }
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => values[half],
        _ => f64::midpoint(values[half - 1], values[half]),
    }
}

fn jumps(response: &Response, runs: &Runs<'_>, found: &mut Vec<Pattern>) {
    let numbers: Vec<(usize, Vec<f64>)> = runs
        .iter()
        .filter(|(_, readings)| readings.len() > 1)
        .map(|(run, readings)| (run.run, readings.iter().filter_map(Decimal::to_f64).collect()))
        .collect();
    let middle: Vec<f64> = numbers.iter().map(|(_, of)| median(&mut of.clone())).collect();
    let mut away: Vec<f64> = numbers
        .iter()
        .zip(&middle)
        .flat_map(|((_, of), middle)| of.iter().map(move |value| (value - middle).abs()))
        .collect();
    if away.len() < 30 {
        return;
    }
    let step = response.resolution.to_f64().unwrap_or(0.0);
    let spread = (1.4826 * median(&mut away)).max(step);
    for ((run, of), middle) in numbers.iter().zip(&middle).filter(|((_, of), _)| of.len() > 2) {
        for value in of.iter().filter(|value| (*value - middle).abs() > 8.0 * spread) {
            found.push(Pattern {
                code: "R057",
                what: format!(
                    "{value} of {} in run {run} is far from the other readings of the run",
                    response.name
                ),
            });
        }
    }
}

fn swapped(protocol: &Protocol, record: &Record, found: &mut Vec<Pattern>) {
    type Range = Option<(Decimal, Decimal)>;
    let columns: Vec<(Column, Range)> = protocol
        .conditions
        .iter()
        .enumerate()
        .map(|(id, condition)| (Column::Condition(id), condition.expected))
        .chain(protocol.responses.iter().enumerate().flat_map(|(id, response)| {
            (0..response.readings).map(move |position| (Column::Reading(id, position), response.expected))
        }))
        .filter(|(_, range)| range.is_some())
        .collect();
    for run in record.runs.values() {
        let value = |column: Column| match column {
            Column::Condition(id) => Some(run.conditions.get(id)?.as_ref()?.value),
            Column::Reading(id, position) => Some(run.readings.get(id)?.get(position)?.as_ref()?.value),
            _ => None,
        };
        // Only a column that is outside its own range can be one of two.
        let outside: Vec<(Column, Range, Decimal)> = columns
            .iter()
            .filter_map(|&(column, range)| Some((column, range, value(column)?)))
            .filter(|(_, range, value)| !lies_in(*range, *value))
            .collect();
        for (at, (one, one_range, one_value)) in outside.iter().enumerate().take(20) {
            for (other, other_range, other_value) in outside.iter().skip(at + 1).take(20) {
                if lies_in(*other_range, *one_value) && lies_in(*one_range, *other_value) {
                    found.push(Pattern {
                        code: "R058",
                        what: format!(
                            "{} and {} of run {} would both be usual the other way round",
                            name(protocol, *one),
                            name(protocol, *other),
                            run.run
                        ),
                    });
                }
            }
        }
    }
}

/// Events of each device in their order: number and time.
fn by_device(record: &Record) -> BTreeMap<&str, Vec<(usize, jiff::Timestamp)>> {
    let mut devices: BTreeMap<&str, Vec<(usize, jiff::Timestamp)>> = BTreeMap::new();
    for trace in record.traces.values() {
        let event = trace.device.as_deref().and_then(|device| device.rsplit_once('-'));
        let time = trace.read.as_deref().and_then(|read| read.parse().ok());
        if let (Some((device, n)), Some(time)) = (event, time)
            && let Some(n) = whole_number(n)
        {
            devices.entry(device).or_default().push((n, time));
        }
    }
    devices.values_mut().for_each(|events| events.sort_unstable());
    devices
}

fn too_fast(protocol: &Protocol, id: usize, response: &Response, record: &Record, found: &mut Vec<Pattern>) {
    let least = crate::protocol::reading_seconds(response).unwrap_or(0.0).max(1.0);
    for run in record.runs.keys() {
        let row = run.to_string();
        let mut count = 0;
        for position in 1..response.readings {
            let of = |position: usize| {
                let key = (row.clone(), name(protocol, Column::Reading(id, position)));
                let trace = record.traces.get(&key)?;
                let (device, _) = trace.device.as_deref()?.rsplit_once('-')?;
                let time: jiff::Timestamp = trace.read.as_deref()?.parse().ok()?;
                Some((device, time))
            };
            if let (Some(before), Some(now)) = (of(position - 1), of(position)) {
                let seconds = now.1.duration_since(before.1).as_secs_f64();
                count += usize::from(before.0 == now.0 && (0.0..least).contains(&seconds));
            }
        }
        if count >= 3 {
            found.push(Pattern {
                code: "R062",
                what: format!(
                    "{count} readings of {} in run {run} came within less than {least} s",
                    response.name
                ),
            });
        }
    }
}

fn back_in_time(record: &Record, found: &mut Vec<Pattern>) {
    for (device, events) in by_device(record) {
        let back = events
            .windows(2)
            .find(|two| two[1].1.duration_since(two[0].1).as_secs() < -60);
        if let Some(two) = back {
            found.push(Pattern {
                code: "R059",
                what: format!(
                    "the clock of device {device} went back, from {} to {}",
                    two[0].1, two[1].1
                ),
            });
        }
    }
}
