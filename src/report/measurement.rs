//! What a stated result means: the sentences at the head of the report, and the sections on uncertainty, decisions and
//! agreement, for every response that has them.
//!
//! In:  the findings of the responses, with the voice that speaks of each.
//! Out: sentences in the order of the kind of study, sections, values for notes.

use crate::analysis::ResponseFindings;
use crate::protocol::StudyKind;

use super::document::{Block, Section};
use super::sections::section;
use super::words::{Voice, capital, plain};
use super::{agreement, budget, deciding, ruggedness};

type Responses<'a> = [(&'a str, &'a ResponseFindings, Voice)];

/// Puts what a stated result means around the sentences on effects or precision: before them the plain answer of a
/// comparison or a ruggedness test, after them agreement, decisions and uncertainty. `kind` is the word of the kind of study.
pub(super) fn around(said: &mut Vec<String>, kind: &str, found: &ResponseFindings, voice: &Voice) {
    let compared = found
        .agreement
        .as_ref()
        .map_or_else(Vec::new, |agreement| agreement::answers(agreement, voice));
    if kind == StudyKind::MethodComparison.word() {
        said.splice(0..0, compared);
    } else {
        // The verdict and the mean difference; the section has the rest.
        said.extend(compared.into_iter().take(2));
    }
    if kind == StudyKind::RuggednessTest.word() {
        said.splice(0..0, ruggedness::opening(found, voice));
    }
    if let Some(decision) = &found.decision {
        said.extend(deciding::answers(decision, voice));
    }
    if let Some(uncertainty) = &found.uncertainty {
        said.extend(budget::answers(uncertainty, voice));
    }
}

/// One section of the sections of all responses, each under a heading if there are several.
fn joined(responses: &Responses, make: impl Fn(&str, &ResponseFindings, &Voice) -> Option<Section>) -> Section {
    let mut all = section("nothing", "", Vec::new());
    for (name, found, voice) in responses {
        let Some(mut made) = make(name, found, voice) else {
            continue;
        };
        if responses.len() > 1 {
            made.blocks.insert(0, Block::heading(capital(&plain(name))));
        }
        made.blocks.splice(0..0, std::mem::take(&mut all.blocks));
        all = made;
    }
    all
}

pub(super) fn agreements(responses: &Responses) -> Section {
    joined(responses, |name, found, voice| {
        let agreement = found.agreement.as_ref()?;
        Some(agreement::report(name, agreement, voice))
    })
}

pub(super) fn uncertainties(responses: &Responses) -> Section {
    joined(responses, |name, found, voice| {
        let uncertainty = found.uncertainty.as_ref()?;
        Some(budget::report(name, uncertainty, voice))
    })
}

pub(super) fn decisions(responses: &Responses) -> Section {
    joined(responses, |name, found, voice| {
        let decision = found.decision.as_ref()?;
        Some(deciding::report(name, found, decision, voice))
    })
}

pub(super) fn variations(responses: &Responses) -> Section {
    joined(responses, |name, found, voice| {
        let ruggedness = found.ruggedness.as_ref()?;
        Some(ruggedness::report(name, found, ruggedness, voice))
    })
}

/// Values that a note may pull in.
pub(super) fn values(name: &str, found: &ResponseFindings, voice: &Voice, add: &mut dyn FnMut(String, String)) {
    if let Some(agreement) = &found.agreement {
        agreement::values(name, agreement, voice, add);
    }
    if let Some(uncertainty) = &found.uncertainty {
        budget::values(name, uncertainty, voice, add);
    }
    if let Some(ruggedness) = &found.ruggedness {
        ruggedness::values(name, ruggedness, voice, add);
    }
    if let Some(decision) = &found.decision {
        deciding::values(name, decision, voice, add);
    }
}
