//! `wellrun rehearse`: the whole job on simulated readings, in a folder of its own.
//!
//! Everything is made before anything is written: what goes wrong leaves no half a rehearsal behind.

use std::collections::BTreeMap;
use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::{DateTime, date};
use jiff::tz::TimeZone;
use serde_json::json;

use super::console::{Console, Page};
use super::load::{self, Study, StudyArgument};
use super::outside::Outside;
use super::typeset::Options;
use super::{Answer, Done, analyse, counted, help_end, report, sheet};
use crate::analysis::Findings;
use crate::diagnostic::Diagnostics;
use crate::plan::{self, Blind};
use crate::protocol::{self, Protocol, Site};
use crate::record::{self, Context, Record};
use crate::rehearsal::{self, Filled, Wishes};
use crate::report as document;
use crate::study::{self, Folder};

/// Try a study dry: simulate a filled record, and run the rest of the job on it
///
/// Draws an order, fills the sheet with readings as they would come if what the protocol assumes were true
/// (`[assumed.RESPONSE]`, or assumed.toml beside it), takes them in, analyses and reports them, and says how the estimates compare with what was
/// put in. Everything goes into a folder of its own, every page of it marked REHEARSAL; the study's own plan and record
/// are not touched. The same study and seed give the same bytes.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun rehearse my-study --misread 2 --missing 1"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
    /// Folder to write; an earlier rehearsal there is replaced. Left out: `rehearsal` in the study's folder
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
    /// Seed of the order and of the readings
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// How many readings are written down with two digits swapped
    #[arg(long, value_name = "N", default_value_t = 0)]
    misread: usize,
    /// How many runs are left out
    #[arg(long, value_name = "N", default_value_t = 0)]
    missing: usize,
    /// Which forms of the report, separated by commas
    #[arg(long = "as", value_enum, value_delimiter = ',', default_values_t = [report::Form::Html, report::Form::Pdf], value_name = "FORMS")]
    forms: Vec<report::Form>,
    #[command(flatten)]
    options: Options,
}

/// Folder of a rehearsal within its study.
const FOLDER: &str = "rehearsal";
/// Says that the folder was made by this command.
const MARKER: &str = ".wellrun-rehearsal";
/// Name of the filled sheet.
const FILLED: &str = "filled-sheet.csv";

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let folder = Folder::open(&args.study.dir)?;
    let (rehearsed, warnings) = rehearse(&folder, args, outside)?;
    console.diagnostics(&warnings);
    let to = args.to.clone().unwrap_or_else(|| args.study.dir.join(FOLDER));
    Folder::clear(&to, MARKER)?;
    let target = Folder::create(&to)?;
    // The marker goes first: a rehearsal that is stopped while it is written can be made again.
    let marker =
        "Made by `wellrun rehearse`, which replaces this folder when it is run again. Nothing in it was measured.\n";
    let writer = target.lock()?;
    writer.write(&[(MARKER.to_owned(), marker.as_bytes().to_vec())], false)?;
    let outcome = writer.write(&rehearsed.files, false)?;
    drop(writer);
    let findings = &rehearsed.findings;
    let filled = &rehearsed.filled;
    console.json(&json!({
        "folder": to,
        "seed": args.seed,
        "written": outcome.written,
        "rehearsal": findings.rehearsal,
        "misread": filled.misread.iter().map(|m| json!({
            "run": m.run,
            "response": rehearsed.study.protocol.responses[m.response].name,
            "reading": m.reading,
            "shown": m.shown.to_string(),
            "written": m.written.to_string(),
        })).collect::<Vec<_>>(),
        "left_out": filled.left_out,
    }))?;
    console.text(&document::rehearsal(findings, console.columns()))?;
    console.page(&page(&rehearsed, &target, args.seed))?;
    Ok(Answer::Yes)
}

/// A rehearsal, made and not yet written.
struct Rehearsed {
    study: Study,
    filled: Filled,
    findings: Findings,
    files: Vec<super::record::File>,
}

/// Makes all of it in memory.
fn rehearse(folder: &Folder, args: &Args, outside: &Outside) -> Result<(Rehearsed, Diagnostics), Diagnostics> {
    let source = folder.protocol()?;
    let (protocol, mut warnings) = protocol::read(&source)?;
    let (assumed, more) = load::assumed(folder, &protocol)?;
    warnings.extend(more);
    protocol::can_be_rehearsed(&protocol, &assumed)?;
    let mut files: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    files.insert(study::PROTOCOL.to_owned(), source.text.clone().into_bytes());
    let site = site(folder, &protocol, &mut files, &mut warnings)?;
    if let Some(source) = folder.text(study::ASSUMED, study::TEXT_LIMIT)? {
        files.insert(study::ASSUMED.to_owned(), source.text.clone().into_bytes());
    }
    if let Some(note) = folder.text(study::NOTE, study::TEXT_LIMIT)? {
        files.insert(study::NOTE.to_owned(), note.text.clone().into_bytes());
    }
    for (name, template) in folder.templates()? {
        files.insert(
            format!("{}/{name}", study::TEMPLATES),
            template.text.clone().into_bytes(),
        );
    }
    let start = start(site.as_ref());
    let (plan, csv, toml) = plan::rehearse(&protocol, site.as_ref(), args.seed, &stamp(start))?;
    files.insert(study::PLAN_CSV.to_owned(), csv.into_bytes());
    files.insert(study::PLAN_TOML.to_owned(), toml.into_bytes());
    let blind = Blind::of(&protocol, &plan.header.site, args.seed);
    let beside = [
        (study::POSITIONS, plan::positions_csv(&protocol, &plan)?),
        (study::KEY, blind.key(&protocol)),
    ];
    files.extend(
        beside
            .into_iter()
            .filter_map(|(name, text)| Some((name.to_owned(), text?.into_bytes()))),
    );
    let mut study = Study {
        folder: folder.clone(),
        protocol,
        site,
        assumed,
        origin: None,
        plan: Some(plan),
        blind,
        journal: study::Journal::empty(),
        record: Record::default(),
    };
    let (templates, more) = load::templates(folder)?;
    warnings.extend(more);
    let all = [sheet::Form::Pdf, sheet::Form::Html, sheet::Form::Csv];
    let forms: Vec<sheet::Form> = all
        .into_iter()
        .filter(|form| match form {
            sheet::Form::Pdf => args.forms.contains(&report::Form::Pdf),
            sheet::Form::Html => args.forms.contains(&report::Form::Html),
            sheet::Form::Csv | sheet::Form::Page => true,
        })
        .collect();
    // Sheets of a blinded study show codes, as they will at the bench; once they are taken in it is unblinded.
    let seen = study.seen_blind();
    let (sheets, more) = sheet::make(&seen, &templates, &forms, &args.options, outside)?;
    warnings.extend(more);
    files.extend(sheets);
    let filled = take(&mut study, &seen, args, start, &mut files, &mut warnings)?;
    let (pages, more) = report::make(&study, &templates, &args.forms, &args.options, false, outside)?;
    warnings.extend(more);
    files.extend(pages);
    // The report has computed them just now.
    let written = files.get(&format!("{}/findings.json", study::REPORT));
    let findings = match written.map(|bytes| serde_json::from_slice(bytes)) {
        Some(Ok(findings)) => findings,
        _ => analyse::findings(&study)?,
    };
    let rehearsed = Rehearsed {
        study,
        filled,
        findings,
        files: files.into_iter().collect(),
    };
    Ok((rehearsed, warnings))
}

/// The site file; one that is still to be filled in is done without.
fn site(
    folder: &Folder,
    protocol: &Protocol,
    files: &mut BTreeMap<String, Vec<u8>>,
    warnings: &mut Diagnostics,
) -> Result<Option<Site>, Diagnostics> {
    let Some(source) = folder.text(study::SITE, study::TEXT_LIMIT)? else {
        return Ok(None);
    };
    let (site, more) = load::site_if_filled(&source, protocol, None)?;
    warnings.extend(more);
    if site.is_some() {
        files.insert(study::SITE.to_owned(), source.text.clone().into_bytes());
    }
    Ok(site)
}

/// Fills the sheet and takes it in, as `record` does.
fn take(
    study: &mut Study,
    seen: &Study,
    args: &Args,
    start: DateTime,
    files: &mut BTreeMap<String, Vec<u8>>,
    warnings: &mut Diagnostics,
) -> Result<Filled, Diagnostics> {
    let wishes = Wishes {
        seed: args.seed,
        misread: args.misread,
        missing: args.missing,
        start,
    };
    let (protocol, site) = (&study.protocol, study.site.as_ref());
    let plan = study.frozen()?;
    let blank = crate::sheet::csv(&seen.protocol, seen.site.as_ref(), seen.frozen()?);
    let filled = rehearsal::fill(protocol, site, plan, &study.assumed, &blank, &wishes)?;
    let people = study.people();
    let context = Context {
        protocol,
        plan: Some(plan),
        people: &people,
    };
    let blind = Context {
        protocol: &seen.protocol,
        plan: seen.plan.as_ref(),
        people: &people,
    };
    let sheet = record::decode(FILLED, filled.csv.as_bytes())?;
    let (mut entries, more) = record::import(&sheet, &blind, &study.record, None)?;
    warnings.extend(more);
    let what = format!(
        "REHEARSAL: every reading was simulated, with seed {}; nothing was measured.",
        args.seed
    );
    entries.push(record::deviation(None, &what, &context)?);
    if !study.blind.is_empty() {
        let why = "REHEARSAL: every reading of the rehearsal is taken in.";
        entries.push(record::unblind(why, &context, &study.record)?);
    }
    let lines = record::append_lines(&entries, "", 1, &stamp(filled.end));
    let journal = crate::diagnostic::Source::new(study::RECORD, lines.clone());
    let record = record::replay(&journal, &context)?;
    files.insert(FILLED.to_owned(), filled.csv.clone().into_bytes());
    files.insert(study::RECORD.to_owned(), lines.into_bytes());
    study.record = record;
    study.journal.source = journal;
    Ok(filled)
}

/// When the work begins: on the first day that the site names, at eight.
fn start(site: Option<&Site>) -> DateTime {
    let first = site.and_then(|site| site.dates.0.parse().ok());
    first.unwrap_or_else(|| date(2000, 1, 3)).at(8, 0, 0, 0)
}

/// A time on record, RFC 3339 in UTC.
fn stamp(time: DateTime) -> String {
    let time = TimeZone::UTC.to_timestamp(time).unwrap_or(Timestamp::UNIX_EPOCH);
    time.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// What went wrong on purpose, and where to look.
fn page(rehearsed: &Rehearsed, target: &Folder, seed: u64) -> Page {
    let filled = &rehearsed.filled;
    let mut page = Page::new();
    page.heading("What was simulated");
    let runs = rehearsed.study.plan.as_ref().map_or(0, |plan| plan.runs.len());
    page.sentence(format!(
        "{} with seed {seed}. The plan and the record of the study are untouched.",
        counted(runs - filled.left_out.len(), "run"),
    ));
    for misread in &filled.misread {
        page.item(format!(
            "run {}, {} {}: the display showed {}, written down was {}",
            misread.run,
            rehearsed.study.protocol.responses[misread.response].name,
            misread.reading,
            misread.shown,
            misread.written
        ));
    }
    for run in &filled.left_out {
        page.item(format!("run {run} was left out"));
    }
    if filled.beyond > 0 {
        page.item(format!(
            "{} would have lain beyond what is possible, and stands at its end: mend the assumed mean, effects or spreads",
            counted(filled.beyond, "reading"),
        ));
    }
    let mut table = vec![vec!["look at".to_owned(), "for".to_owned()]];
    for (name, what) in [
        ("report/report.pdf", "the report as it will look"),
        ("report/report.html", "the same for a browser"),
        ("sheets/sheet.pdf", "what the technician works by"),
        (FILLED, "the sheet as it came back"),
    ] {
        if rehearsed.files.iter().any(|(path, _)| path == name) {
            table.push(vec![target.shown(name), what.to_owned()]);
        }
    }
    page.table(table);
    page
}
