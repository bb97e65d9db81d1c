//! When references are read: rows between the runs.
//!
//! In:  a protocol and the number of runs.
//! Out: the rows in the order in which they are read. They follow from the protocol alone; nothing is drawn.

use crate::protocol::Protocol;

/// One reading occasion of a reference, with one level of a factor if it is read with each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReferenceRow {
    /// Index in `Protocol::bench.references`.
    pub reference: usize,
    /// Number of the row among those of this reference, from 1, in the order of reading.
    pub number: usize,
    /// How many runs come before it, in planned order; 0 at the start.
    pub after_run: usize,
    /// The level of the factor that `each` names.
    pub level: Option<usize>,
}

/// Every row, by the runs before it, then reference, then level.
#[must_use]
pub fn reference_rows(protocol: &Protocol, runs: usize) -> Vec<ReferenceRow> {
    let mut rows = Vec::new();
    for (reference, declared) in protocol.bench.references.iter().enumerate() {
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
        rows.extend(own.enumerate().map(|(index, (after_run, level))| ReferenceRow {
            reference,
            number: index + 1,
            after_run,
            level,
        }));
    }
    rows.sort_by_key(|row| (row.after_run, row.reference, row.number));
    rows
}
