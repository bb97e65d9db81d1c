//! The table to be filled in: one row a run and one a control row, readings blank.
//!
//! Columns: `run`; each unit but the run's, by number; each factor, by level; `spots` and `before` where the protocol
//! declares positions or cleaning; each condition; each reading; `control 1` and so on where controls are read;
//! `order`, `time`, `initials`, `remark`. Text that a spreadsheet would take for a formula has an apostrophe before it.
//! A byte-order mark stands at the front if there is anything but ASCII, for spreadsheets guess wrong without it.

use std::borrow::Cow;

use super::between::cleaning_words;
use super::map::Maps;
use crate::plan::{ControlRow, Plan, control_rows};
use crate::protocol::{Protocol, Site};
use crate::render::csv_row;

/// The sheet of a plan as comma-separated text with LF line ends.
#[must_use]
pub fn csv(protocol: &Protocol, _site: Option<&Site>, plan: &Plan) -> String {
    let run_unit = protocol.run_unit();
    let bench = &protocol.bench;
    let mut head: Vec<Cow<'_, str>> = vec!["run".into()];
    head.extend(protocol.units.iter().take(run_unit).map(|u| Cow::from(u.name.as_str())));
    let factors_from = head.len();
    head.extend(protocol.factors.iter().map(|f| Cow::from(f.name.as_str())));
    let maps = Maps::of(protocol, plan);
    if maps.is_some() {
        head.push("spots".into());
    }
    if !bench.cleanings.is_empty() {
        head.push("before".into());
    }
    head.extend(protocol.conditions.iter().map(|c| Cow::from(c.name.as_str())));
    for response in &protocol.responses {
        if response.readings == 1 {
            head.push(response.name.as_str().into());
        } else {
            head.extend((1..=response.readings).map(|k| Cow::from(format!("{} {k}", response.name))));
        }
    }
    let most = bench.controls.iter().map(|r| r.readings).max().unwrap_or(0);
    head.extend((1..=most).map(|k| Cow::from(format!("control {k}"))));
    head.extend(["order", "time", "initials", "remark"].map(Cow::from));

    let mut out = String::new();
    csv_row(&mut out, &head);
    let rows = control_rows(protocol, plan.runs.len());
    let mut due = rows.iter().peekable();
    let mut controls = |after: usize, out: &mut String| {
        while let Some(row) = due.next_if(|row| row.after_run <= after) {
            csv_row(out, control(protocol, row, factors_from, head.len()));
        }
    };
    for (index, run) in plan.runs.iter().enumerate() {
        controls(index, &mut out);
        let mut row: Vec<Cow<'_, str>> = vec![run.run.to_string().into()];
        row.extend(run.units.iter().take(run_unit).map(|n| Cow::from(n.to_string())));
        row.extend(protocol.factors.iter().enumerate().map(|(f, factor)| {
            let level = run.levels.get(f).and_then(|&level| factor.levels.get(level));
            Cow::from(level.map_or("", String::as_str))
        }));
        if let Some(maps) = &maps {
            let numbers: Vec<String> = maps.numbers(index).iter().map(ToString::to_string).collect();
            row.push(numbers.join(" ").into());
        }
        if !bench.cleanings.is_empty() {
            row.push(cleaning_words(protocol, plan, index).into());
        }
        row.resize(head.len(), "".into());
        csv_row(&mut out, &row);
    }
    controls(plan.runs.len(), &mut out);
    if out.is_ascii() { out } else { format!("\u{feff}{out}") }
}

/// The cells of a control row: its name and number, and the level of the factor it is read with.
fn control<'a>(protocol: &'a Protocol, row: &ControlRow, factors_from: usize, columns: usize) -> Vec<Cow<'a, str>> {
    let declared = &protocol.bench.controls[row.control];
    let mut cells: Vec<Cow<'_, str>> = vec!["".into(); columns];
    cells[0] = format!("{} {}", declared.name, row.number).into();
    if let Some((factor, level)) = declared.each.zip(row.level) {
        cells[factors_from + factor] = protocol.factors[factor].levels[level].as_str().into();
    }
    cells
}
