//! What a stated result means: uncertainty, decisions and comparisons, worked out from the findings made before.
//!
//! In:  the protocol's declarations, the site's tolerances, the findings of every response.
//! Out: the keys `uncertainty`, `decision`, `agreement` and `ruggedness` of the findings, or a sentence on why there is none.

use super::findings::Findings;
use super::{agreement, decision, ruggedness, uncertainty};
use crate::plan::Plan;
use crate::protocol::{Limit, Protocol, Site, StudyKind};
use crate::record::Record;

/// Adds them.
pub(super) fn add(
    protocol: &Protocol,
    site: Option<&Site>,
    plan: Option<&Plan>,
    record: &Record,
    findings: &mut Findings,
) {
    let measurement = &protocol.measurement;
    let conditions = &findings.record.conditions;
    let ordered = plan.is_some() || record.runs.values().all(|run| run.order.is_some());
    for budget in &measurement.budgets {
        let name = &protocol.responses[budget.response].name;
        let Some(found) = findings.responses.get_mut(name) else {
            continue;
        };
        let stream = format!(
            "wellrun simulation 1\nprotocol {}\nrecord {}\n{name}\n",
            protocol.sha256, findings.provenance.record_sha256
        );
        match uncertainty::uncertainty(protocol, site, budget, found, conditions, &stream) {
            Ok(made) => found.uncertainty = Some(made),
            Err(why) => found.cannot_tell.push(why),
        }
    }
    for plan in &measurement.decisions {
        let Some(found) = findings.responses.get_mut(&protocol.responses[plan.response].name) else {
            continue;
        };
        match decision::decision(protocol, plan, found) {
            Ok(made) => found.decision = Some(made),
            Err(why) => found.cannot_tell.push(why),
        }
    }
    for plan in &measurement.comparisons {
        let Some(found) = findings.responses.get_mut(&protocol.responses[plan.response].name) else {
            continue;
        };
        match agreement::comparison(protocol, site, plan, found, ordered) {
            Ok(made) => found.agreement = Some(made),
            Err(why) => found.cannot_tell.push(why),
        }
    }
    if protocol.study.kind == StudyKind::RuggednessTest {
        for declared in &protocol.responses {
            if let Some(found) = findings.responses.get_mut(&declared.name) {
                found.ruggedness = ruggedness::ruggedness(declared, found);
            }
        }
    }
    for (response, declared) in protocol.responses.iter().enumerate() {
        let asked = measurement.decisions.iter().any(|plan| plan.response == response);
        if let (Some(limit), false) = (declared.limit, asked)
            && let Some(found) = findings.responses.get_mut(&declared.name)
        {
            let (side, limit) = match limit {
                Limit::AtLeast(limit) => ("at least", limit),
                Limit::AtMost(limit) => ("at most", limit),
            };
            found.cannot_tell.push(format!(
                "The protocol names a limit ({side} {limit} {}) but no rule for deciding near it: nothing here says whether a \
                 result passes.",
                declared.unit
            ));
        }
    }
}
