//! `wellrun analyse`: the findings on the terminal, or as JSON. Writes nothing.

use super::console::Console;
use super::load::{self, Study, StudyArgument};
use super::{Answer, Done, help_end};
use crate::analysis::{self, Findings, OriginFinding};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::provenance::Holds;
use crate::report;

/// Show what the readings say
///
/// Prints the findings in words and small tables, or with --json in full precision. Writes nothing: `wellrun report`
/// writes findings.json.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun analyse my-study --json > findings.json"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let study = load::open(&args.study.dir, None, console)?;
    let findings = findings(&study)?;
    console.json(&findings)?;
    console.text(&report::terminal(&findings, console.columns()))?;
    Ok(Answer::Yes)
}

/// The findings of a study that has readings.
///
/// # Errors
///
/// `A090` without a single reading; those of the analysis.
pub fn findings(study: &Study) -> Result<Findings, Diagnostics> {
    if !study.protocol.is_as_run() {
        study.frozen()?;
    }
    if study.record.runs.is_empty() {
        return Err(Diagnostic::error("A090", "there are no readings yet")
            .help("take filled sheets in with `wellrun record`")
            .into());
    }
    let rehearsal = study.is_rehearsal();
    let mut findings = analysis::analyse(
        &study.protocol,
        study.site.as_ref(),
        study.plan.as_ref(),
        &study.record,
        rehearsal,
    )?;
    findings.origin = study.origin.as_ref().map(|origin| OriginFinding {
        site: origin.site.clone(),
        manifest_sha256: origin.manifest_sha256.clone(),
        with_results: origin.holds == Holds::WholeStudy,
    });
    if rehearsal {
        findings.rehearsal = Some(analysis::rehearsed(&study.protocol, &study.assumed, &findings));
    }
    Ok(findings)
}
