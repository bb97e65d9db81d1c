//! A blank sheet filled with simulated values, as it would come back from the bench.
//!
//! In:  protocol, site, plan, what is assumed, the blank sheet, and what is to go wrong.
//! Out: the filled sheet as comma-separated text; which readings were misread, and which runs were left out.
//!
//! A misread reading has two neighbouring digits swapped, where that gives another possible value. Every row carries
//! the word REHEARSAL among its remarks, so that no copy of the sheet passes for one from a bench.
//! Never here: clock, files.

use std::collections::{BTreeMap, BTreeSet};

use jiff::ToSpan as _;
use jiff::civil::DateTime;
use rust_decimal::Decimal;

use super::simulate::{self, Simulated, simulate};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::plan::{ControlRow, Plan, control_rows};
use crate::protocol::{Assumed, Protocol, Response, ResponseId, Site};
use crate::record::{Column, Columns};
use crate::render::csv_row_as_is;

/// What a rehearsal is to be like.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wishes {
    /// Seed of the simulation.
    pub seed: u64,
    /// How many readings are misread.
    pub misread: usize,
    /// How many runs are left out.
    pub missing: usize,
    /// When the work begins, for the times on the sheet.
    pub start: DateTime,
}

/// A filled sheet.
#[derive(Debug, Clone)]
pub struct Filled {
    /// Comma-separated text with LF line ends.
    pub csv: String,
    /// Readings with two digits swapped, by run.
    pub misread: Vec<Misread>,
    /// Runs without a reading, in order.
    pub left_out: Vec<usize>,
    /// How many readings would have lain beyond what is possible, and were set to its end.
    pub beyond: usize,
    /// When the last run ends.
    pub end: DateTime,
}

/// A reading with two digits swapped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misread {
    /// Number of the run.
    pub run: usize,
    /// The response.
    pub response: ResponseId,
    /// Position in the run, from 1.
    pub reading: usize,
    /// What the display showed.
    pub shown: Decimal,
    /// What was written.
    pub written: Decimal,
}

/// Fills a sheet.
///
/// # Errors
///
/// `P135` if the blank sheet cannot be read, `P136` if more is to go wrong than there is.
pub fn fill(
    protocol: &Protocol,
    site: Option<&Site>,
    plan: &Plan,
    assumed: &[Assumed],
    blank: &str,
    wishes: &Wishes,
) -> Result<Filled, Diagnostics> {
    let mut simulated = simulate(protocol, plan, assumed, wishes.seed);
    let left_out = leave_out(protocol, plan, wishes)?;
    let misread = misread(protocol, plan, &mut simulated, &left_out, wishes)?;
    let times = times(protocol, plan, wishes.start);
    let initials = site
        .and_then(|site| site.people.first())
        .map_or("", |person| person.code.as_str());
    let columns = Columns::new(protocol);
    let unreadable = |error: csv::Error| {
        Diagnostics::from(Diagnostic::error(
            "P135",
            format!("the blank sheet cannot be read: {error}"),
        ))
    };
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(blank.trim_start_matches('\u{feff}').as_bytes());
    let mut head: Vec<Option<Column>> = Vec::new();
    let mut titles: Vec<String> = Vec::new();
    let controls = ControlRows {
        protocol,
        rows: control_rows(protocol, plan.runs.len()),
        readings: &simulated.controls,
        times: &times,
        start: wishes.start,
        initials,
    };
    let mut out = String::new();
    for (line, row) in reader.records().enumerate() {
        let row = row.map_err(unreadable)?;
        if line == 0 {
            head = row.iter().map(|name| columns.find(name)).collect();
            titles = row.iter().map(str::to_owned).collect();
            csv_row_as_is(&mut out, row.iter());
            continue;
        }
        let name = head
            .iter()
            .position(|column| *column == Some(Column::Run))
            .and_then(|at| row.get(at))
            .unwrap_or_default();
        if let Some(cells) = controls.row(name, &titles, &row) {
            csv_row_as_is(&mut out, cells);
            continue;
        }
        let run = name.parse::<usize>().ok();
        let run = run.filter(|run| (1..=plan.runs.len()).contains(run));
        let cells = row.iter().enumerate().map(|(at, blank)| {
            let (Some(run), Some(column)) = (run, head.get(at).copied().flatten()) else {
                return blank.to_owned();
            };
            let made = left_out.binary_search(&run).is_err();
            match column {
                Column::Reading(response, position) if made => simulated
                    .readings
                    .get(response)
                    .and_then(|runs| runs.get(run - 1)?.get(position))
                    .map(ToString::to_string)
                    .unwrap_or_default(),
                Column::Condition(id) if made => simulated
                    .conditions
                    .get(id)
                    .and_then(|runs| runs.get(run - 1).copied().flatten())
                    .map(|value| value.to_string())
                    .unwrap_or_default(),
                Column::Order if made => run.to_string(),
                Column::Time if made => times[run - 1].strftime("%Y-%m-%d %H:%M").to_string(),
                Column::Operator if made => initials.to_owned(),
                Column::Remark if made => "REHEARSAL: simulated".to_owned(),
                Column::Remark => "REHEARSAL: run not made".to_owned(),
                _ => blank.to_owned(),
            }
        });
        let cells: Vec<String> = cells.collect();
        csv_row_as_is(&mut out, cells);
    }
    let csv = if out.is_ascii() { out } else { format!("\u{feff}{out}") };
    Ok(Filled {
        csv,
        misread,
        left_out,
        beyond: simulated.beyond,
        end: times.last().copied().unwrap_or(wishes.start),
    })
}

/// The rows of the controls, filled.
struct ControlRows<'a> {
    protocol: &'a Protocol,
    rows: Vec<ControlRow>,
    readings: &'a [Vec<Decimal>],
    times: &'a [DateTime],
    start: DateTime,
    initials: &'a str,
}

impl ControlRows<'_> {
    /// The cells of a row by the name in its first column, such as `block 3`; `None` if it is no row of a control.
    fn row(&self, name: &str, titles: &[String], blank: &csv::StringRecord) -> Option<Vec<String>> {
        let index = self.rows.iter().position(|row| {
            let control = &self.protocol.bench.controls[row.control];
            name.strip_prefix(control.name.as_str())
                .and_then(|rest| rest.strip_prefix(' '))
                .is_some_and(|number| number == row.number.to_string())
        })?;
        let (row, readings) = (&self.rows[index], self.readings.get(index)?);
        // A control is read when the run before it is over; the first one before the work on the runs begins.
        let time = row
            .after_run
            .checked_sub(1)
            .and_then(|before| self.times.get(before).copied())
            .unwrap_or(self.start);
        let cells = titles.iter().zip(blank).map(|(title, blank)| {
            let reading = title
                .strip_prefix("control ")
                .and_then(|number| number.parse::<usize>().ok());
            match (reading, title.as_str()) {
                (Some(number), _) => number
                    .checked_sub(1)
                    .and_then(|at| readings.get(at))
                    .map(ToString::to_string)
                    .unwrap_or_default(),
                (None, "time") => time.strftime("%Y-%m-%d %H:%M").to_string(),
                (None, "initials") => self.initials.to_owned(),
                (None, "remark") => "REHEARSAL: simulated".to_owned(),
                (None, _) => blank.to_owned(),
            }
        });
        Some(cells.collect())
    }
}

/// The runs that are not made.
fn leave_out(protocol: &Protocol, plan: &Plan, wishes: &Wishes) -> Result<Vec<usize>, Diagnostics> {
    let runs = plan.runs.len();
    if wishes.missing >= runs.max(1) {
        return Err(Diagnostic::error(
            "P136",
            format!(
                "{} runs cannot be missing: the plan has {runs}, and one must be made",
                wishes.missing
            ),
        )
        .help("ask for fewer missing runs")
        .into());
    }
    let mut stream = simulate::stream(protocol, wishes.seed, "missing runs");
    let order = stream.permutation(runs);
    let chosen: BTreeSet<usize> = order.iter().take(wishes.missing).map(|index| index + 1).collect();
    Ok(chosen.into_iter().collect())
}

/// Swaps two digits in as many readings as wished.
fn misread(
    protocol: &Protocol,
    plan: &Plan,
    simulated: &mut Simulated,
    left_out: &[usize],
    wishes: &Wishes,
) -> Result<Vec<Misread>, Diagnostics> {
    let mut stream = simulate::stream(protocol, wishes.seed, "misread readings");
    let a_run: usize = protocol.responses.iter().map(|response| response.readings).sum();
    let places = (a_run * plan.runs.len()) as u64;
    let mut all: BTreeMap<(usize, ResponseId, usize), Misread> = BTreeMap::new();
    // Most readings can be misread; where hardly one can, the search ends all the same.
    let tries = 1000 + 20 * wishes.misread;
    for _ in 0..tries {
        if all.len() == wishes.misread {
            break;
        }
        let place = stream.below(places) as usize;
        let choice = stream.word();
        let (run, mut position) = (place / a_run.max(1) + 1, place % a_run.max(1));
        let mut response = 0;
        while position >= protocol.responses[response].readings {
            position -= protocol.responses[response].readings;
            response += 1;
        }
        if all.contains_key(&(run, response, position)) || left_out.binary_search(&run).is_ok() {
            continue;
        }
        let Some(value) = simulated
            .readings
            .get_mut(response)
            .and_then(|runs| runs.get_mut(run - 1)?.get_mut(position))
        else {
            continue;
        };
        let swaps = swapped(&protocol.responses[response], *value);
        if swaps.is_empty() {
            continue;
        }
        let written = swaps[(choice % swaps.len() as u64) as usize];
        let found = Misread {
            run,
            response,
            reading: position + 1,
            shown: *value,
            written,
        };
        *value = written;
        all.insert((run, response, position), found);
    }
    if all.len() < wishes.misread {
        return Err(Diagnostic::error(
            "P136",
            format!(
                "{} readings cannot be misread so that what is written is possible",
                wishes.misread
            ),
        )
        .help(format!("{} were found; ask for fewer", all.len()))
        .into());
    }
    Ok(all.into_values().collect())
}

/// The possible values that come of swapping two neighbouring digits.
fn swapped(response: &Response, value: Decimal) -> Vec<Decimal> {
    let text = value.to_string().into_bytes();
    let digits: Vec<usize> = (0..text.len()).filter(|&at| text[at].is_ascii_digit()).collect();
    let mut all: Vec<Decimal> = Vec::new();
    for pair in digits.windows(2) {
        let mut other = text.clone();
        other.swap(pair[0], pair[1]);
        let Some(other) = std::str::from_utf8(&other)
            .ok()
            .and_then(|text| text.parse::<Decimal>().ok())
        else {
            continue;
        };
        let is_possible = response
            .possible
            .is_none_or(|(low, high)| (low..=high).contains(&other));
        let on_display = (other % response.resolution).is_zero();
        if other != value && is_possible && on_display && !all.contains(&other) {
            all.push(other);
        }
    }
    all
}

/// When each run is made: set-ups, runs and readings take as long as the protocol says, a minute at least.
fn times(protocol: &Protocol, plan: &Plan, start: DateTime) -> Vec<DateTime> {
    let readings: usize = protocol.responses.iter().map(|response| response.readings).sum();
    let run = protocol.procedure.run_minutes + protocol.procedure.reading_minutes * readings as f64;
    let mut minutes = 0.0;
    (0..plan.runs.len())
        .map(|index| {
            let set_up: f64 = plan
                .set_up_before(protocol, index)
                .iter()
                .map(|&unit| protocol.units[unit].set_up_minutes)
                .sum();
            minutes += set_up + run.max(1.0);
            // A century of bench time is enough; protocols may say anything.
            let whole = f64::min(minutes, 5e7) as i64;
            start.checked_add(whole.minutes()).unwrap_or(start)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn response(possible: Option<(i64, i64)>) -> Response {
        Response {
            name: "y".to_owned(),
            measurand: String::new(),
            unit: String::new(),
            resolution: Decimal::new(1, 1),
            possible: possible.map(|(low, high)| (low.into(), high.into())),
            expected: None,
            readings: 1,
            reading_time: String::new(),
            result: crate::protocol::Statistic::Mean,
            round_to: None,
            limit: None,
            tolerance: None,
            relevant: None,
        }
    }

    /// Class: closed form.
    #[test]
    fn two_neighbouring_digits_are_swapped_inside_what_is_possible() {
        let number = |text: &str| text.parse::<Decimal>().unwrap();
        let texts = |value: &str, possible| -> Vec<String> {
            swapped(&response(possible), number(value))
                .iter()
                .map(ToString::to_string)
                .collect()
        };
        assert_eq!(texts("57.4", Some((0, 100))), ["75.4", "54.7"]);
        assert_eq!(texts("57.4", Some((50, 60))), ["54.7"]);
        assert_eq!(texts("-1.2", None), ["-2.1"]);
        assert!(texts("55.5", None).is_empty());
    }
}
