//! The findings of a study: every response, what happened at the bench, and where it all comes from.
//!
//! In:  protocol, site, plan and record.
//! Out: `Findings`; or diagnostics when there is nothing to analyse (codes `A...`).

use rust_decimal::prelude::ToPrimitive;

use std::collections::BTreeMap;

use super::findings::{
    AmendmentFinding, AskedFinding, BenchFinding, BlindingFinding, ClosedFinding, ConditionFinding, ConflictFinding,
    ConformanceFinding, CorrectionFinding, DeviationFinding, FORMAT, Findings, MissingFinding, Provenance,
    QuestionedFinding, RecordSummary, StudyHead,
};
use super::{measurement, response};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::numeric::sum;
use crate::plan::Plan;
use crate::protocol::{Protocol, Site};
use crate::record::Record;

/// Analyses a study.
///
/// `plan` is `None` for an as-run study only. `rehearsal` marks simulated readings.
///
/// # Errors
///
/// `A001` without any reading, `A002` for a randomized study without a plan.
pub fn analyse(
    protocol: &Protocol,
    site: Option<&Site>,
    plan: Option<&Plan>,
    record: &Record,
    rehearsal: bool,
) -> Result<Findings, Diagnostics> {
    let mut found = Diagnostics::new();
    if plan.is_none() && !protocol.is_as_run() {
        found.push(Diagnostic::error("A002", "this study has no plan yet").help("freeze one with `wellrun plan`"));
    }
    let any = record
        .runs
        .values()
        .any(|run| run.readings.iter().flatten().any(Option::is_some));
    if !any {
        found.push(
            Diagnostic::error("A001", "no reading is on record, so there is nothing to analyse")
                .help("take filled sheets in with `wellrun record`"),
        );
    }
    if found.has_errors() {
        return Err(found);
    }
    let responses = protocol
        .responses
        .iter()
        .enumerate()
        .map(|(index, declared)| (declared.name.clone(), response::findings(protocol, plan, record, index)))
        .collect();
    let mut findings = Findings {
        format: FORMAT.to_owned(),
        study: StudyHead {
            id: protocol.study.id.clone(),
            title: protocol.study.title.clone(),
            version: protocol.study.version.clone(),
            protocol_sha256: protocol.sha256.clone(),
            site: site.map(|site| site.id.clone()).unwrap_or_default(),
            rehearsal,
            order: if protocol.is_as_run() { "as run" } else { "randomized" }.to_owned(),
            kind: protocol.study.kind.word().to_owned(),
            blinding: blinding(protocol, record),
        },
        provenance: Provenance {
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            site_sha256: site.map(|site| site.sha256.clone()).unwrap_or_default(),
            plan_sha256: plan.map(|plan| plan.header.plan_sha256.clone()).unwrap_or_default(),
            record_sha256: record.head.clone(),
            seed: plan.map(|plan| plan.header.seed.clone()).unwrap_or_default(),
            algorithm: plan.map(|plan| plan.header.algorithm.clone()).unwrap_or_default(),
            frozen_at: plan.map(|plan| plan.header.frozen_at.clone()).unwrap_or_default(),
        },
        record: summary(protocol, plan, record),
        responses,
        origin: None,
        rehearsal: None,
    };
    measurement::add(protocol, site, plan, record, &mut findings);
    Ok(findings)
}

pub(super) fn summary(protocol: &Protocol, plan: Option<&Plan>, record: &Record) -> RecordSummary {
    let runs: Vec<usize> = plan.map_or_else(
        || record.runs.keys().copied().collect(),
        |plan| (1..=plan.runs.len()).collect(),
    );
    let wanted: usize = protocol.responses.iter().map(|response| response.readings).sum();
    let there = |run: &usize| {
        record
            .runs
            .get(run)
            .map_or(0, |run| run.readings.iter().flatten().flatten().count())
    };
    let (mut complete, mut missing, mut incomplete) = (0, Vec::new(), Vec::new());
    for run in &runs {
        match there(run) {
            0 => missing.push(*run),
            some if some < wanted => incomplete.push(*run),
            _ => complete += 1,
        }
    }
    let mut made: Vec<(usize, usize)> = record
        .runs
        .values()
        .filter_map(|run| run.order.map(|position| (position, run.run)))
        .collect();
    made.sort_unstable();
    // A run is out of order when an earlier planned one was made after it.
    let mut out_of_order: Vec<usize> = Vec::new();
    let mut highest = 0;
    for &(_, run) in &made {
        if run < highest {
            out_of_order.push(run);
        }
        highest = highest.max(run);
    }
    RecordSummary {
        runs_planned: runs.len(),
        runs_complete: complete,
        runs_missing: missing,
        runs_incomplete: incomplete,
        conformance: record
            .conformance
            .values()
            .map(|answer| ConformanceFinding {
                what: answer.what.clone(),
                asked: answer.asked.clone(),
                same: answer.same,
                instead: answer.instead.clone(),
                after_runs: answer.after_runs,
            })
            .collect(),
        amendments: record
            .amendments
            .iter()
            .map(|amendment| AmendmentFinding {
                before: amendment.before.clone(),
                version: amendment.version.clone(),
                from: amendment.from.clone(),
                to: amendment.to.clone(),
                reason: amendment.reason.clone(),
                at: amendment.at.clone(),
                after_runs: amendment.after_runs,
            })
            .collect(),
        closed: record.closed.as_ref().map(|closed| ClosedFinding {
            at: closed.at.clone(),
            by: closed.by.clone(),
            why: closed.why.clone(),
        }),
        corrections: record
            .corrections
            .iter()
            .map(|c| CorrectionFinding {
                run: c.run,
                what: c.what.clone(),
                from: c.from.clone(),
                to: c.to.clone(),
                reason: c.reason.clone(),
            })
            .collect(),
        deviations: record
            .deviations
            .iter()
            .map(|d| DeviationFinding {
                run: d.run,
                what: d.what.clone(),
            })
            .collect(),
        questioned: record
            .questioned
            .iter()
            .map(|q| QuestionedFinding {
                run: q.run,
                what: q.what.clone(),
                text: q.text.clone(),
                why: q.why.clone(),
            })
            .collect(),
        out_of_order,
        conditions: (0..protocol.conditions.len())
            .map(|index| condition(protocol, record, index))
            .collect(),
        missing: record
            .missing
            .iter()
            .map(|m| MissingFinding {
                run: m.run,
                what: m.what.clone(),
                reason: m.reason.clone(),
                why: m.why.clone(),
            })
            .collect(),
        bench: bench(record),
    }
}

/// What the page noted beside the values; `None` without a page.
fn bench(record: &Record) -> Option<BenchFinding> {
    let mut readings_by: BTreeMap<String, usize> = BTreeMap::new();
    // Conditions have no instrument named beside them, and neither has a word in place of a reading.
    for trace in record
        .traces
        .values()
        .filter(|trace| trace.device.is_some() && trace.with.is_some())
    {
        *readings_by.entry(trace.by.clone().unwrap_or_default()).or_default() += 1;
    }
    (!record.devices.is_empty()).then(|| BenchFinding {
        devices: record.devices.len(),
        readings_by,
        skipped: record
            .course
            .iter()
            .filter(|course| course.what == "skipped")
            .map(|course| DeviationFinding {
                run: course.run,
                what: course.text.clone(),
            })
            .collect(),
        pauses: record.course.iter().filter(|course| course.what == "paused").count(),
        asked: record
            .asked
            .iter()
            .map(|a| AskedFinding {
                row: a.row.clone(),
                what: a.what.clone(),
                text: a.text.clone(),
                why: a.why.clone(),
                answer: a.answer.clone(),
            })
            .collect(),
        conflicts: record
            .conflicts
            .iter()
            .map(|c| ConflictFinding {
                row: c.row.clone(),
                what: c.what.clone(),
                stands: c.stands.clone(),
                other: c.text.clone(),
                by: c.trace.by.clone().unwrap_or_default(),
            })
            .collect(),
    })
}

fn condition(protocol: &Protocol, record: &Record, index: usize) -> ConditionFinding {
    let declared = &protocol.conditions[index];
    let values: Vec<f64> = record
        .runs
        .values()
        .filter_map(|run| run.conditions.get(index).and_then(Option::as_ref))
        .filter_map(|written| written.value.to_f64())
        .collect();
    ConditionFinding {
        name: declared.name.clone(),
        unit: declared.unit.clone(),
        values: values.len(),
        lowest: values.iter().copied().reduce(f64::min),
        mean: (!values.is_empty()).then(|| sum::mean(&values)),
        highest: values.iter().copied().reduce(f64::max),
    }
}

/// JSON Schema of `findings.json`.
#[must_use]
pub fn findings_schema() -> serde_json::Value {
    schemars::schema_for!(Findings).to_value()
}

fn blinding(protocol: &Protocol, record: &Record) -> Option<BlindingFinding> {
    let blinded = &protocol.bench.blinded;
    if blinded.is_empty() {
        return None;
    }
    let open = record.unblinded.as_ref();
    Some(BlindingFinding {
        factors: blinded
            .iter()
            .map(|&factor| protocol.factors[factor].name.clone())
            .collect(),
        unblinded_at: open.map(|open| open.at.clone()),
        why: open.map(|open| open.why.clone()).unwrap_or_default(),
        after_runs: open.map_or(0, |open| open.after_runs),
    })
}
