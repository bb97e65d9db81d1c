//! The plain answer at the head, by kind of study: what was asked comes first.
//!
//! In:  the findings of one response, the kind of study in a word, and the `Voice` that names things.
//! Out: sentences, never none.

use crate::analysis::ResponseFindings;
use crate::protocol::StudyKind;

use super::measurement;
use super::words::{Voice, capital};

/// Whether the findings hold the statement that a study of such a kind is made for.
pub(super) fn stated(kind: &str, found: &ResponseFindings) -> bool {
    kind == StudyKind::Interlaboratory.word() && found.precision_study.is_some()
        || kind == StudyKind::MeasurementSystem.word() && found.measurement_system.is_some()
        || kind == StudyKind::MethodComparison.word() && found.agreement.is_some()
}

/// The answers for one response; `kind` is the word for the kind of study, empty in older findings.
pub(super) fn answers(kind: &str, found: &ResponseFindings, voice: &Voice) -> Vec<String> {
    let mut said = match &found.precision_study {
        Some(study) if kind == StudyKind::Interlaboratory.word() => voice.precision(study, &found.precision),
        // A comparison answers what its own factor does.
        _ if stated(kind, found) && kind == StudyKind::MethodComparison.word() => Vec::new(),
        _ => match &found.measurement_system {
            Some(study) if stated(kind, found) => voice.measurement(study),
            _ => voice.answers(found),
        },
    };
    if kind == StudyKind::VarianceInvestigation.word() {
        // Which part of the spread comes from where is what such a study asks.
        let spread = voice.spread(&found.components);
        if let Some(at) = spread
            .first()
            .and_then(|first| said.iter().position(|said| said == first))
        {
            let first = said.remove(at);
            said.insert(0, first);
        }
    }
    measurement::around(&mut said, kind, found, voice);
    if said.is_empty() {
        said.push(
            "The readings at hand answer none of the planned questions; the tables show what there is.".to_owned(),
        );
        let reasons = found.cannot_tell.iter();
        said.extend(reasons.map(|why| format!("{}.", capital(why.trim_end_matches('.')))));
    }
    said
}
