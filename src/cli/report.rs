//! `wellrun report`: the published form, and everything that its numbers can be checked by.

use std::collections::BTreeMap;

use serde_json::json;

use super::analyse::findings;
use super::console::Console;
use super::load::{self, Study, StudyArgument};
use super::outside::Outside;
use super::record::File;
use super::typeset::{self, Options, Paper};
use super::{Answer, Done, help_end};
use crate::analysis::Findings;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record;
use crate::render::{PdfOptions, Templates};
use crate::report::{self, Input};
use crate::study::{Outcome, REPORT};

/// Write the report: HTML, PDF, findings, figures and tables
///
/// Writes report/report.html, report/report.pdf, report/findings.json, report/charts/*.svg and report/tables/*.csv.
/// The same study gives the same bytes: a second run leaves every file alone.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun report my-study --as html,pdf"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
    /// Which forms, separated by commas
    #[arg(long = "as", value_enum, value_delimiter = ',', default_values_t = [Form::Html, Form::Pdf], value_name = "FORMS")]
    forms: Vec<Form>,
    #[command(flatten)]
    options: Options,
    /// Write the sources of the PDF to report/sources/
    #[arg(long)]
    sources: bool,
    /// Replace a report that is there already
    #[arg(long)]
    force: bool,
}

/// A form of the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// One page for a browser, without outside resources
    Html,
    /// Tagged PDF
    Pdf,
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let study = load::open(&args.study.dir, None, console)?;
    let (outcome, warnings) = write(&study, &args.forms, &args.options, args.sources, outside, args.force)?;
    console.diagnostics(&warnings);
    console.json(&json!({ "written": outcome.written, "same": outcome.same }))?;
    console.say(&super::told(&study.folder, &outcome));
    Ok(Answer::Yes)
}

/// Writes the report in the forms asked for.
///
/// # Errors
///
/// Those of the analysis, of the note, of the templates and of writing.
pub fn write(
    study: &Study,
    forms: &[Form],
    options: &Options,
    sources: bool,
    outside: &Outside,
    force: bool,
) -> Result<(Outcome, Diagnostics), Diagnostics> {
    let (templates, mut warnings) = load::templates(&study.folder)?;
    let (files, more) = make(study, &templates, forms, options, sources, outside)?;
    warnings.extend(more);
    let outcome = study.folder.lock()?.write(&files, force)?;
    Ok((outcome, warnings))
}

/// Makes the report in the forms asked for, and writes nothing.
///
/// # Errors
///
/// Those of the analysis, of the note and of the templates.
pub fn make(
    study: &Study,
    templates: &Templates,
    forms: &[Form],
    options: &Options,
    sources: bool,
    outside: &Outside,
) -> Result<(Vec<File>, Diagnostics), Diagnostics> {
    make_from(study, &findings(study)?, templates, forms, options, sources, outside)
}

/// The same from findings that are at hand.
///
/// # Errors
///
/// Those of the note and of the templates.
pub fn make_from(
    study: &Study,
    findings: &Findings,
    templates: &Templates,
    forms: &[Form],
    options: &Options,
    sources: bool,
    outside: &Outside,
) -> Result<(Vec<File>, Diagnostics), Diagnostics> {
    let note = study.note()?;
    let input = Input {
        protocol: &study.protocol,
        site: study.site.as_ref(),
        plan: study.plan.as_ref(),
        findings,
        note: note.as_ref(),
    };
    let (document, mut warnings) = report::build(&input)?;
    let mut json = serde_json::to_string_pretty(findings)
        .map_err(|error| Diagnostic::error("A091", format!("the findings cannot be written as JSON: {error}")))?;
    json.push('\n');
    let mut files: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    files.insert(format!("{REPORT}/findings.json"), json.into_bytes());
    for (name, svg) in report::figures(&document) {
        files.insert(format!("{REPORT}/charts/{name}.svg"), svg.into_bytes());
    }
    for (name, csv) in report::tables_csv(&document) {
        files.insert(format!("{REPORT}/tables/{name}.csv"), csv.into_bytes());
    }
    let readings = record::tidy(&study.protocol, study.plan.as_ref(), &study.record);
    files.insert(format!("{REPORT}/tables/record.csv"), readings.into_bytes());
    if let Some(csv) = record::control_table(&study.protocol, study.plan.as_ref(), &study.record) {
        files.insert(format!("{REPORT}/tables/control-readings.csv"), csv.into_bytes());
    }
    let pdf_options = pdf_options(study, options.paper == Paper::Letter);
    if forms.contains(&Form::Html) {
        files.insert(
            format!("{REPORT}/report.html"),
            report::to_html(&document, templates)?.into_bytes(),
        );
    }
    let command = options.command(outside);
    let parts = if sources || command.is_some() {
        Some(report::typst_sources(&document, templates, &pdf_options)?)
    } else {
        None
    };
    if forms.contains(&Form::Pdf) {
        let bytes = if let (Some(typst), Some(parts)) = (command, &parts) {
            typeset::with_command(typst, report::TYPST_TEMPLATE, parts, &pdf_options)?
        } else {
            let (bytes, more) = report::to_pdf(&document, templates, &pdf_options)?;
            warnings.extend(more);
            bytes
        };
        files.insert(format!("{REPORT}/report.pdf"), bytes);
    }
    if sources {
        for (path, bytes) in parts.into_iter().flatten() {
            files.insert(format!("{REPORT}/sources/{path}"), bytes);
        }
    }
    Ok((files.into_iter().collect(), warnings))
}

/// The report carries the time at which the last readings were taken in: the clock would change its bytes.
fn pdf_options(study: &Study, letter_paper: bool) -> PdfOptions {
    let last = study.record.files.last().map(|file| file.at.as_str());
    let frozen = study.plan.as_ref().map(|plan| plan.header.frozen_at.as_str());
    PdfOptions {
        title: study.protocol.study.title.clone(),
        author: study.site.as_ref().map_or_else(String::new, |site| site.name.clone()),
        identifier: format!(
            "{} {} {}",
            study.protocol.study.id, study.protocol.sha256, study.record.head
        ),
        time: last.or(frozen).and_then(typeset::pdf_time),
        letter_paper,
    }
}
