//! Which parts a report has, and in which order: one list for each kind of study, from the same parts.
//!
//! In:  the kind of study.
//! Out: the parts in order. A part that has nothing to say is left out by `build`.
//!
//! The answer stands before all of them. Every kind ends alike: limits, cautions, provenance and the annex.

use crate::protocol::StudyKind;

/// A part of the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Part {
    /// The unit structure, what was varied, the procedure.
    Done,
    /// Departures, corrections, conditions.
    Departures,
    /// Figures of effects, means, run order and spread.
    Figures,
    /// Tables of effects, means, components and checks.
    Numbers,
    /// The author's own words.
    Words,
    /// What cannot be told.
    Limits,
    /// Warnings and what the report is not.
    Cautions,
    /// How to compute it again.
    Provenance,
    /// Every result and reading.
    Annex,
}

use Part::{Annex, Cautions, Departures, Done, Figures, Limits, Numbers, Provenance, Words};

/// What was done before what was found: the general order.
const GENERAL: &[Part] = &[
    Done, Departures, Figures, Numbers, Words, Limits, Cautions, Provenance, Annex,
];
/// What was found before what was done: for a statement that others look up.
const STATEMENT: &[Part] = &[
    Done, Departures, Words, Figures, Numbers, Limits, Cautions, Provenance, Annex,
];

/// The parts of a report on a study of some kind, in order.
pub(super) fn parts(kind: StudyKind) -> &'static [Part] {
    match kind {
        StudyKind::VarianceInvestigation | StudyKind::RuggednessTest => GENERAL,
        StudyKind::MeasurementSystem | StudyKind::MethodComparison | StudyKind::Interlaboratory => STATEMENT,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: each kind has every part once, and ends alike.
    #[test]
    fn every_kind_has_every_part_once() {
        for (kind, word) in StudyKind::ALL {
            let mut sorted = parts(kind).to_vec();
            assert!(parts(kind).ends_with(&[Limits, Cautions, Provenance, Annex]), "{word}");
            sorted.sort_unstable();
            sorted.dedup();
            assert_eq!(sorted.len(), parts(kind).len(), "{word}");
            assert_eq!(sorted.len(), GENERAL.len(), "{word}");
        }
    }
}
