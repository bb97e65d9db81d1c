//! What went on at the bench beside the runs, in sentences: rules for the order, spots, controls, blinding.
//!
//! In:  the input of a report.
//! Out: sentences.

use super::build::Input;
use super::words::listed;
use crate::analysis::StudyHead;
use crate::protocol::Protocol;

/// The rules that were declared for the order, where readings were taken, and what was read between the runs.
pub(super) fn sentences(input: &Input) -> Vec<String> {
    let protocol = input.protocol;
    let mut found: Vec<String> = rules(input).into_iter().collect();
    if let Some(positions) = &protocol.bench.positions {
        let edge = if positions.edge > 0.0 {
            format!(" and {} mm from an edge", positions.edge)
        } else {
            String::new()
        };
        found.push(format!(
            "Every reading had a spot of its own on its {}, drawn with the plan: {} mm or more from any other reading of the \
             study on it, in a straight line{edge}. positions.csv has them.",
            protocol.units[positions.on].name, positions.pitch
        ));
    }
    found.extend(controls(protocol));
    found.extend(blinding(&input.findings.study));
    found
}

fn rules(input: &Input) -> Option<String> {
    let rules = &input.protocol.bench.rules;
    if !rules.any() || input.as_run() {
        return None;
    }
    let mut parts: Vec<String> = Vec::new();
    if let Some(most) = rules.correlation_at_most {
        parts.push(format!("a factor went with it by a correlation of more than {most}"));
    }
    if let Some(most) = rules.alike_in_a_row_at_most {
        parts.push(format!(
            "a factor stood at one level for more than {most} set-ups in a row"
        ));
    }
    let header = input.plan.map(|plan| &plan.header);
    if rules.carry_over_balanced {
        let carrying: Vec<String> = input
            .protocol
            .factors
            .iter()
            .filter(|factor| factor.carries_over)
            .map(|factor| factor.name.clone())
            .collect();
        let spread = header.and_then(|header| header.carry_over_spread).unwrap_or(1);
        parts.push(format!(
            "the counts of which level of {} followed which lay more than {spread} apart",
            listed(&carrying)
        ));
    }
    let tries = match header.and_then(|header| header.tries) {
        Some(1) => " The first order drawn kept the rule.".to_owned(),
        Some(tries) => format!(" Order {tries} of those drawn was the first to keep the rule."),
        None => String::new(),
    };
    Some(format!(
        "By a rule declared beforehand an order was not taken if {}.{tries}",
        parts.join(", or if ")
    ))
}

fn controls(protocol: &Protocol) -> Option<String> {
    let names: Vec<String> = protocol.bench.controls.iter().map(|c| c.what.clone()).collect();
    (!names.is_empty()).then(|| {
        format!(
            "Read between the runs, to see drift: {}. The readings stand in the table control-readings.csv.",
            listed(&names)
        )
    })
}

/// Whether the levels shown are codes; `None` for a study that was never blinded.
pub(super) fn blinding(study: &StudyHead) -> Option<String> {
    let blinding = study.blinding.as_ref()?;
    let factors = listed(&blinding.factors);
    Some(match &blinding.unblinded_at {
        None => format!("This study is still blinded: the levels of {factors} are codes, in the order of the codes."),
        Some(at) => format!(
            "The study was blinded for {factors} until {at}, when {} of its runs had entries; the reason given: {}",
            blinding.after_runs,
            format_args!("{}.", blinding.why.trim_end_matches('.'))
        ),
    })
}
