//! `wellrun check`: everything that is wrong in a study, all at once.

use serde_json::json;

use super::console::Console;
use super::load::{self, Study, StudyArgument};
use super::outside::Outside;
use super::{Answer, Done, exit_status, help_end, tally};
use crate::analysis;
use crate::diagnostic::{Diagnostic, DiagnosticJson, Diagnostics};
use crate::report::{self, Input};
use crate::study::Folder;

/// Say everything that is wrong in a study, all at once
///
/// Looks at the protocol, the site file, the plan, the record, replaced templates and, once there are readings,
/// the note. Writes nothing.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun check my-study"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let folder = Folder::open(&args.study.dir)?;
    let found = everything(&folder, outside);
    if console.wants_json() {
        let list: Vec<DiagnosticJson<'_>> = found.iter().map(DiagnosticJson::from).collect();
        console.json(&json!({ "ok": !found.has_errors(), "diagnostics": list }))?;
    } else {
        console.all_diagnostics(&found);
        console.say(&if found.is_empty() {
            format!("Nothing is wrong with the study in `{}`.", args.study.dir.display())
        } else {
            format!("{} in `{}`.", tally(&found), args.study.dir.display())
        });
    }
    Ok(match exit_status(&found) {
        0 => Answer::Yes,
        1 => Answer::No,
        _ => return Err(super::Stop::Status(2)),
    })
}

/// Every diagnostic there is.
fn everything(folder: &Folder, outside: &Outside) -> Diagnostics {
    let (study, mut found) = match load::study(folder, Some(outside.today())) {
        Ok((study, warnings)) => (Some(study), warnings),
        Err(wrong) => (None, wrong),
    };
    match load::templates(folder) {
        Ok((_, warnings)) => found.extend(warnings),
        Err(wrong) => found.extend(wrong),
    }
    if let Some(study) = study {
        beyond(&study, &mut found);
    }
    found
}

/// What shows only once there are readings: whether they can be analysed, and whether the note's values exist.
fn beyond(study: &Study, found: &mut Diagnostics) {
    let note = match study.note() {
        Ok(note) => note,
        Err(wrong) => {
            found.extend(wrong);
            None
        }
    };
    if !study.protocol.is_as_run() && study.plan.is_none() {
        found.push(
            Diagnostic::note("D090", "the order of the runs is not drawn yet").help("draw it with `wellrun plan`"),
        );
        return;
    }
    if study.record.runs.is_empty() {
        return;
    }
    match analysis::analyse(
        &study.protocol,
        study.site.as_ref(),
        study.plan.as_ref(),
        &study.record,
        false,
    ) {
        Ok(findings) => {
            let input = Input {
                protocol: &study.protocol,
                site: study.site.as_ref(),
                plan: study.plan.as_ref(),
                findings: &findings,
                note: note.as_ref(),
            };
            match report::build(&input) {
                Ok((_, warnings)) => found.extend(warnings),
                Err(wrong) => found.extend(wrong),
            }
        }
        Err(wrong) => found.extend(wrong),
    }
}
