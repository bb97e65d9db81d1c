//! `wellrun check`: everything that is wrong in a study, all at once.

use serde_json::json;

use super::console::Console;
use super::load::{self, Study, StudyArgument};
use super::outside::Outside;
use super::typeset::Options;
use super::{Answer, Done, exit_status, help_end, report, sheet, tally, treatments};
use crate::diagnostic::{Diagnostic, DiagnosticJson, Diagnostics};
use crate::render::Templates;
use crate::study::Folder;

/// Say everything that is wrong in a study, all at once
///
/// Looks at the protocol, the site file, the plan and the record, at replaced templates of the sheet once there is a
/// plan, and at the note and replaced templates of the report once there are readings. Writes nothing.
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
    let templates = match load::templates(folder) {
        Ok((templates, warnings)) => {
            found.extend(warnings);
            Some(templates)
        }
        Err(wrong) => {
            found.extend(wrong);
            None
        }
    };
    if let (Some(study), Some(templates)) = (study, templates) {
        beyond(&study, &templates, &outside.built_in(), &mut found);
    }
    found
}

/// What shows only once there is a plan or a reading: makes the sheets and the report as the commands of those names
/// do, and keeps what they have to say. A form is only made if the study has templates of its own for it.
fn beyond(study: &Study, templates: &Templates, outside: &Outside, found: &mut Diagnostics) {
    let names = study.folder.templates().unwrap_or_default();
    let replaces = |endings: &[&str]| {
        let ends = |name: &str| endings.iter().any(|ending| name.ends_with(ending));
        names.iter().any(|(name, _)| ends(name))
    };
    let (html, pdf) = (replaces(&[".jinja", ".css"]), replaces(&[".typ"]));
    if let Some(summary) = crate::plan::aliasing(&study.protocol)
        .as_ref()
        .and_then(treatments::summary)
    {
        found.push(Diagnostic::note("D020", summary).help("`wellrun plan --preview` lists what shares an estimate"));
    }
    if !study.protocol.is_as_run() {
        match crate::plan::skeleton(&study.protocol) {
            Ok(skeleton) => found.extend(crate::plan::doubts(&study.protocol, &skeleton)),
            Err(wrong) => found.extend(wrong),
        }
        if study.plan.is_none() {
            found.push(
                Diagnostic::note("D090", "the order of the runs is not drawn yet").help("draw it with `wellrun plan`"),
            );
        } else {
            let forms = chosen(&[(html, sheet::Form::Html), (pdf, sheet::Form::Pdf)]);
            keep(sheet::make(study, templates, &forms, &Options::plain(), outside), found);
        }
    }
    let has_note = match study.note() {
        Ok(note) => note.is_some(),
        Err(wrong) => {
            found.extend(wrong);
            return;
        }
    };
    // Without words or templates of the study's own there is nothing in its report to be wrong, and a large study takes long.
    if !study.record.runs.is_empty() && (has_note || html || pdf) {
        let forms = chosen(&[(html, report::Form::Html), (pdf, report::Form::Pdf)]);
        keep(
            report::make(study, templates, &forms, &Options::plain(), false, outside),
            found,
        );
    }
}

/// Those that are wanted.
fn chosen<T: Copy>(forms: &[(bool, T)]) -> Vec<T> {
    forms
        .iter()
        .filter(|(is_wanted, _)| *is_wanted)
        .map(|(_, form)| *form)
        .collect()
}

/// Keeps what was said, and lets go of what was made.
fn keep<T>(made: Result<(T, Diagnostics), Diagnostics>, found: &mut Diagnostics) {
    match made {
        Ok((_, warnings)) => found.extend(warnings),
        Err(wrong) => found.extend(wrong),
    }
}
