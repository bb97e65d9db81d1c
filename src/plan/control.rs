//! When controls are read: rows between the runs.
//!
//! In:  a protocol and the number of runs.
//! Out: the rows in the order in which they are read. They follow from the protocol alone; nothing is drawn.

use crate::protocol::Protocol;

/// One reading occasion of a control, with one level of a factor if it is read with each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ControlRow {
    /// Index in `Protocol::bench.controls`.
    pub control: usize,
    /// Number of the row among those of this control, from 1, in the order of reading.
    pub number: usize,
    /// How many runs come before it, in planned order; 0 at the start.
    pub after_run: usize,
    /// The level of the factor that `each` names.
    pub level: Option<usize>,
}

/// Every row, by the runs before it, then control, then level.
#[must_use]
pub fn control_rows(protocol: &Protocol, runs: usize) -> Vec<ControlRow> {
    let mut rows = Vec::new();
    for (control, declared) in protocol.bench.controls.iter().enumerate() {
        let mut places: Vec<usize> = Vec::new();
        if declared.at_start {
            places.push(0);
        }
        if let Some(every) = declared.every {
            places.extend((every..runs).step_by(every.max(1)));
        }
        if declared.at_end {
            places.push(runs);
        }
        let levels: Vec<Option<usize>> = match declared.each {
            Some(factor) => (0..protocol.factors[factor].levels.len()).map(Some).collect(),
            None => vec![None],
        };
        let own = places
            .into_iter()
            .flat_map(|after_run| levels.iter().map(move |&level| (after_run, level)));
        rows.extend(own.enumerate().map(|(index, (after_run, level))| ControlRow {
            control,
            number: index + 1,
            after_run,
            level,
        }));
    }
    rows.sort_by_key(|row| (row.after_run, row.control, row.number));
    rows
}
