//! `wellrun pool`: several sites' studies of one protocol, together.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::console::Console;
use super::load::{self, Study};
use super::outside::Outside;
use super::record::File;
use super::report::Form;
use super::typeset::{self, Options, Paper};
use super::{Answer, Done, help_end};
use crate::analysis::{self, PoolFindings, SiteStudy};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::protocol::Protocol;
use crate::render::{PdfOptions, Templates};
use crate::report;
use crate::study::{Folder, PROTOCOL};

/// Name of the findings as data.
const FINDINGS: &str = "pooled-findings.json";

/// Set the studies of several sites side by side, and say what they find together
///
/// All must have followed the same protocol, by its hash. Prints the answer, or with --json the findings in full precision.
/// With --out it also writes the report (HTML, PDF), pooled-findings.json, charts/*.svg and tables/*.csv into a folder of its
/// own. The order in which the folders are named changes nothing.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun pool north south --out out/pooled"))]
pub struct Args {
    /// Folders of the studies, two or more
    #[arg(required = true, num_args = 1.., value_name = "DIR")]
    dirs: Vec<PathBuf>,
    /// Write the report and everything behind it into this folder
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// Which forms, separated by commas
    #[arg(long = "as", value_enum, value_delimiter = ',', default_values_t = [Form::Html, Form::Pdf], value_name = "FORMS")]
    forms: Vec<Form>,
    #[command(flatten)]
    options: Options,
    /// Replace a pooled report that is there already
    #[arg(long)]
    force: bool,
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let studies = open(&args.dirs, console)?;
    let names: Vec<String> = args.dirs.iter().map(|dir| dir.display().to_string()).collect();
    let together: Vec<SiteStudy> = studies
        .iter()
        .zip(&names)
        .map(|(s, name)| site_study(s, name))
        .collect();
    let (findings, warnings) = analysis::pool(&together)?;
    console.diagnostics(&warnings);
    console.json(&findings)?;
    console.text(&report::pooled_terminal(&findings, console.columns()))?;
    let Some(out) = &args.out else {
        return Ok(Answer::Yes);
    };
    let protocol = &studies[0].protocol;
    let (files, warnings) = make(protocol, &studies, &findings, args, outside)?;
    console.diagnostics(&warnings);
    let folder = Folder::output(out)?;
    if folder.holds(PROTOCOL) {
        return Err(Diagnostic::error("A095", format!("`{}` holds a study", out.display()))
            .help("a pooled report belongs to no single site: name a folder of its own")
            .into());
    }
    let outcome = folder.lock()?.write(&files, args.force)?;
    console.say(&super::told(&folder, &outcome));
    Ok(Answer::Yes)
}

/// Reads every study; what is wrong with all of them in one list.
fn open(dirs: &[PathBuf], console: &Console) -> Result<Vec<Study>, Diagnostics> {
    let mut found = Diagnostics::new();
    let mut studies = Vec::new();
    for dir in dirs {
        match Folder::open(dir).and_then(|folder| load::study(&folder, None)) {
            Ok((study, warnings)) => {
                found.extend(warnings);
                found.extend(sealed(&study));
                studies.push(study);
            }
            Err(wrong) => found.extend(wrong),
        }
    }
    if found.has_errors() {
        return Err(found);
    }
    console.diagnostics(&found);
    Ok(studies)
}

/// What speaks against showing a study that repeats another one beside it: its bench is not to see the other's results yet.
fn sealed(study: &Study) -> Diagnostics {
    let is_closed = study.record.closed.is_some();
    let origin = study.origin.as_ref();
    origin
        .and_then(|origin| origin.sealed(&origin.manifest_sha256, is_closed))
        .map(Diagnostics::from)
        .unwrap_or_default()
}

fn site_study<'a>(study: &'a Study, name: &'a str) -> SiteStudy<'a> {
    SiteStudy {
        folder: name,
        protocol: &study.protocol,
        site: study.site.as_ref(),
        plan: study.plan.as_ref(),
        record: &study.record,
        rehearsal: study.is_rehearsal(),
        blinded: !study.blind.is_empty() && study.record.unblinded.is_none(),
    }
}

/// The findings, figures, tables, and the report in the forms asked for.
fn make(
    protocol: &Protocol,
    studies: &[Study],
    findings: &PoolFindings,
    args: &Args,
    outside: &Outside,
) -> Result<(Vec<File>, Diagnostics), Diagnostics> {
    let document = report::pooled(protocol, findings)?;
    let templates = Templates::shipped();
    let mut warnings = Diagnostics::new();
    let mut json = serde_json::to_string_pretty(findings)
        .map_err(|error| Diagnostic::error("A091", format!("the findings cannot be written as JSON: {error}")))?;
    json.push('\n');
    let mut files: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    files.insert(FINDINGS.to_owned(), json.into_bytes());
    for (name, svg) in report::figures(&document) {
        files.insert(format!("charts/{name}.svg"), svg.into_bytes());
    }
    for (name, csv) in report::tables_csv(&document) {
        files.insert(format!("tables/{name}.csv"), csv.into_bytes());
    }
    if args.forms.contains(&Form::Html) {
        let page = report::to_html(&document, &templates)?;
        files.insert("report.html".to_owned(), page.into_bytes());
    }
    if args.forms.contains(&Form::Pdf) {
        let options = pdf_options(studies, findings, args.options.paper == Paper::Letter);
        let bytes = if let Some(typst) = args.options.command(outside) {
            let parts = report::typst_sources(&document, &templates, &options)?;
            typeset::with_command(typst, report::TYPST_TEMPLATE, &parts, &options)?
        } else {
            let (bytes, more) = report::to_pdf(&document, &templates, &options)?;
            warnings.extend(more);
            bytes
        };
        files.insert("report.pdf".to_owned(), bytes);
    }
    Ok((files.into_iter().collect(), warnings))
}

/// The report carries the time at which the last readings of all were taken in: the clock would change its bytes.
fn pdf_options(studies: &[Study], findings: &PoolFindings, letter_paper: bool) -> PdfOptions {
    let last = studies
        .iter()
        .filter_map(|study| study.record.files.last().map(|file| file.at.as_str()))
        .filter_map(typeset::pdf_time)
        .max();
    let heads: Vec<&str> = findings.sites.iter().map(|site| site.record_sha256.as_str()).collect();
    let names: Vec<&str> = findings.sites.iter().map(|site| site.name.as_str()).collect();
    PdfOptions {
        title: findings.study.title.clone(),
        author: names.join(", "),
        identifier: format!(
            "{} {} {}",
            findings.study.id,
            findings.study.protocol_sha256,
            heads.join(" ")
        ),
        time: last,
        letter_paper,
    }
}
