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
    /// How far the numbers can be trusted.
    Trust,
    /// Tables of effects, means, components and checks.
    Numbers,
    /// How closely a procedure must hold what it allows to vary.
    Variations,
    /// How two methods agree.
    Agreement,
    /// How uncertain a stated result is.
    Uncertainty,
    /// Decisions near a limit.
    Decision,
    /// Run order and checks alone, where effects are not what is asked.
    Course,
    /// The precision statement.
    Precision,
    /// The measurement system.
    MeasurementSystem,
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

use Part::{
    Agreement, Annex, Cautions, Course, Decision, Departures, Done, Figures, Limits, MeasurementSystem, Numbers,
    Precision, Provenance, Trust, Uncertainty, Variations, Words,
};

/// What was done before what was found: the general order.
#[rustfmt::skip]
const GENERAL: &[Part] = &[
    Done, Departures, Figures, Trust, Numbers, MeasurementSystem, Precision, Agreement, Uncertainty, Decision, Words,
    Limits, Cautions, Provenance, Annex,
];
/// A statement that others look up: what was found before what was done, and no effects.
#[rustfmt::skip]
const STATEMENT: &[Part] = &[
    Precision, MeasurementSystem, Uncertainty, Decision, Agreement, Words, Done, Departures, Course,
    Limits, Cautions, Provenance, Annex,
];
/// A measurement system: the same, but what is to be known of the measuring stands first.
#[rustfmt::skip]
const MEASUREMENT: &[Part] = &[
    MeasurementSystem, Uncertainty, Decision, Words, Course, Done, Departures, Precision, Agreement,
    Limits, Cautions, Provenance, Annex,
];
/// How two methods agree, what that means, then how it was found.
#[rustfmt::skip]
const COMPARISON: &[Part] = &[
    Agreement, Decision, Uncertainty, Words, Done, Departures, Figures, Trust, Numbers, MeasurementSystem, Precision,
    Limits, Cautions, Provenance, Annex,
];
/// What moves the result before how the test was made.
#[rustfmt::skip]
const RUGGEDNESS: &[Part] = &[
    Variations, Figures, Trust, Numbers, Words, Uncertainty, Decision, Agreement, MeasurementSystem, Precision, Done, Departures,
    Limits, Cautions, Provenance, Annex,
];

/// The parts of a report on a study of some kind, in order.
///
/// `stated` says whether the findings hold what a statement of that kind is made of; without it the general order serves.
pub(super) fn parts(kind: StudyKind, stated: bool) -> &'static [Part] {
    match kind {
        StudyKind::Interlaboratory if stated => STATEMENT,
        StudyKind::MethodComparison if stated => COMPARISON,
        StudyKind::RuggednessTest => RUGGEDNESS,
        StudyKind::MeasurementSystem if stated => MEASUREMENT,
        _ => GENERAL,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: no part stands twice, all end alike, and effects are left out of a statement only.
    #[test]
    fn every_kind_has_its_parts_once() {
        for (kind, word) in StudyKind::ALL {
            for stated in [false, true] {
                let parts = parts(kind, stated);
                assert!(parts.ends_with(&[Limits, Cautions, Provenance, Annex]), "{word}");
                let mut sorted = parts.to_vec();
                sorted.sort_unstable();
                sorted.dedup();
                assert_eq!(sorted.len(), parts.len(), "{word}");
                assert!(
                    [
                        Done,
                        Departures,
                        Words,
                        Precision,
                        MeasurementSystem,
                        Agreement,
                        Uncertainty,
                        Decision
                    ]
                    .iter()
                    .all(|part| parts.contains(part))
                );
                assert_ne!(parts.contains(&Numbers), parts.contains(&Course), "{word}");
            }
        }
    }
}
