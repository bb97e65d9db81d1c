//! `wellrun sheet`: what the technician works by.

use std::collections::BTreeMap;

use serde_json::json;

use super::console::Console;
use super::load::{self, Study, StudyArgument};
use super::outside::Outside;
use super::record::File;
use super::typeset::{self, Options, Paper};
use super::{Answer, Done, help_end};
use crate::diagnostic::Diagnostics;
use crate::render::{self, PdfOptions, Templates};
use crate::sheet::{self, Keeping};
use crate::study::{Outcome, SHEETS};

/// Write the run sheets, to print or to fill in on a screen
///
/// sheets/sheet.pdf and sheets/sheet.html are for printing; sheets/sheet.csv comes back with `wellrun record`.
/// sheets/page.html, one file, leads through the plan in a browser and keeps the readings until they are handed over.
/// No sheet shows a limit, an expected value or an earlier reading.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun sheet my-study --as pdf,csv --paper letter\n  wellrun sheet my-study --as page"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
    /// Which forms, separated by commas
    #[arg(long = "as", value_enum, value_delimiter = ',', default_values_t = [Form::Pdf, Form::Html, Form::Csv], value_name = "FORMS")]
    forms: Vec<Form>,
    #[command(flatten)]
    options: Options,
    /// Replace sheets that are there already
    #[arg(long)]
    force: bool,
}

/// A form of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// To print
    Pdf,
    /// To print from a browser
    Html,
    /// To fill in with a spreadsheet program
    Csv,
    /// To fill in at the bench, on a tablet or a computer, without network
    Page,
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let study = load::open(&args.study.dir, Some(outside.today()), console)?;
    let (outcome, warnings) = write(&study, &args.forms, &args.options, outside, args.force)?;
    console.diagnostics(&warnings);
    console.json(&json!({ "written": outcome.written, "same": outcome.same }))?;
    console.say(&super::told(&study.folder, &outcome));
    Ok(Answer::Yes)
}

/// Writes the sheets in the forms asked for.
///
/// # Errors
///
/// `D090` without a plan; those of the templates and of writing.
pub fn write(
    study: &Study,
    forms: &[Form],
    options: &Options,
    outside: &Outside,
    force: bool,
) -> Result<(Outcome, Diagnostics), Diagnostics> {
    let (templates, mut warnings) = load::templates(&study.folder)?;
    let (files, more) = make(study, &templates, forms, options, outside)?;
    warnings.extend(more);
    let outcome = study.folder.lock()?.write(&files, force)?;
    Ok((outcome, warnings))
}

/// Makes the sheets in the forms asked for, and writes nothing.
///
/// # Errors
///
/// `D090` without a plan; those of the templates.
pub fn make(
    study: &Study,
    templates: &Templates,
    forms: &[Form],
    options: &Options,
    outside: &Outside,
) -> Result<(Vec<File>, Diagnostics), Diagnostics> {
    let plan = study.frozen()?;
    let mut warnings = Diagnostics::new();
    let (protocol, site) = (&study.protocol, study.site.as_ref());
    let is_letter = options.paper == Paper::Letter;
    let mut data = sheet::data(protocol, site, plan);
    data["letter_paper"] = is_letter.into();
    data["rehearsal"] = study.is_rehearsal().into();
    let mut files: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    for form in forms {
        let (name, bytes) = match form {
            Form::Csv => ("sheet.csv", sheet::csv(protocol, site, plan).into_bytes()),
            Form::Page => {
                let styles = ["base.css", "page.css"]
                    .map(|name| templates.get(name).map(|source| source.text.replace("\r\n", "\n")))
                    .into_iter()
                    .collect::<Result<Vec<_>, _>>()?
                    .join("\n");
                let filled = sheet::page(protocol, site, plan, study.is_blinded(), &styles, Keeping::Browser);
                (
                    "page.html",
                    render::html(templates, "page.html.jinja", &filled)?.into_bytes(),
                )
            }
            Form::Html => (
                "sheet.html",
                render::html(templates, "sheet.html.jinja", &data)?.into_bytes(),
            ),
            Form::Pdf => {
                let pdf_options = PdfOptions {
                    title: format!("Run sheets: {}", protocol.study.title),
                    author: site.map_or_else(String::new, |site| site.name.clone()),
                    identifier: format!("{} sheet {}", protocol.study.id, plan.header.plan_sha256),
                    time: typeset::pdf_time(&plan.header.frozen_at),
                    letter_paper: is_letter,
                };
                let none = BTreeMap::new();
                let bytes = if let Some(typst) = options.command(outside) {
                    let sources = render::typst_sources(templates, "sheet.typ", &data, &none, &pdf_options)?;
                    typeset::with_command(typst, "sheet.typ", &sources, &pdf_options)?
                } else {
                    let (bytes, more) = render::pdf(templates, "sheet.typ", &data, &none, &pdf_options)?;
                    warnings.extend(more);
                    bytes
                };
                ("sheet.pdf", bytes)
            }
        };
        files.insert(format!("{SHEETS}/{name}"), bytes);
    }
    Ok((files.into_iter().collect(), warnings))
}
