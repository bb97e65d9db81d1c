//! The table to be filled in: one row a run, readings blank.
//!
//! Columns: `run`; each unit but the run's, by number; each factor, by level; each condition; each reading;
//! `order`, `time`, `initials`, `remark`. Text that a spreadsheet would take for a formula has an apostrophe before it.
//! A byte-order mark stands at the front if there is anything but ASCII, for spreadsheets guess wrong without it.

use std::borrow::Cow;

use crate::plan::Plan;
use crate::protocol::{Protocol, Site};
use crate::render::csv_row;

/// The sheet of a plan as comma-separated text with LF line ends.
#[must_use]
pub fn csv(protocol: &Protocol, _site: Option<&Site>, plan: &Plan) -> String {
    let run_unit = protocol.run_unit();
    let mut head: Vec<Cow<'_, str>> = vec!["run".into()];
    head.extend(protocol.units.iter().take(run_unit).map(|u| Cow::from(u.name.as_str())));
    head.extend(protocol.factors.iter().map(|f| Cow::from(f.name.as_str())));
    let planned = head.len();
    head.extend(protocol.conditions.iter().map(|c| Cow::from(c.name.as_str())));
    for response in &protocol.responses {
        if response.readings == 1 {
            head.push(response.name.as_str().into());
        } else {
            head.extend((1..=response.readings).map(|k| Cow::from(format!("{} {k}", response.name))));
        }
    }
    head.extend(["order", "time", "initials", "remark"].map(Cow::from));

    let mut out = String::new();
    csv_row(&mut out, &head);
    for run in &plan.runs {
        let mut row: Vec<Cow<'_, str>> = vec![run.run.to_string().into()];
        row.extend(run.units.iter().take(run_unit).map(|n| Cow::from(n.to_string())));
        row.extend(protocol.factors.iter().enumerate().map(|(f, factor)| {
            let level = run.levels.get(f).and_then(|&level| factor.levels.get(level));
            Cow::from(level.map_or("", String::as_str))
        }));
        debug_assert_eq!(row.len(), planned);
        row.resize(head.len(), "".into());
        csv_row(&mut out, &row);
    }
    if out.is_ascii() { out } else { format!("\u{feff}{out}") }
}
