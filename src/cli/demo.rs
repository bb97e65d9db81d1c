//! `wellrun demo`: the whole job on the shipped roller study.
//!
//! Every step goes through the same code as the command of that name. Clock and seed are fixed, so that two runs give
//! the same bytes.

use std::path::PathBuf;

use serde_json::json;

use super::console::{Console, Page};
use super::load::{self, Study};
use super::outside::Outside;
use super::typeset::Options;
use super::{Answer, Done, analyse, counted, help_end, plan, record, report, sheet, shipped};
use crate::diagnostic::Diagnostics;
use crate::study::{self, Folder};

/// Run the whole job on the shipped roller study
///
/// Writes a study with invented readings, from the protocol to both reports. A folder that an earlier demo made is
/// replaced; any other folder must be empty.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun demo"))]
pub struct Args {
    /// Folder to write
    #[arg(default_value = "out/demo")]
    dir: PathBuf,
}

/// Says that the folder was made by this command.
const MARKER: &str = ".wellrun-demo";
/// Seed of the shipped plan.
const SEED: u64 = 20_260_302;
/// 2026-03-02T06:30:00Z: the order is frozen.
const FROZEN: i64 = 1_772_433_000;
/// 2026-03-05T16:30:00Z: the sheet comes in.
const RECORDED: i64 = 1_772_728_200;
/// 2026-03-06T09:00:00Z: a reading is corrected.
const CORRECTED: i64 = 1_772_787_600;

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let protocol = shipped::file(shipped::DEMO, study::PROTOCOL)?;
    Folder::clear(&args.dir, MARKER)?;
    let folder = Folder::create(&args.dir)?;
    let texts = [
        (
            MARKER,
            "Made by `wellrun demo`, which replaces this folder when it is run again.\n",
        ),
        (study::PROTOCOL, protocol),
        (study::SITE, shipped::DEMO_SITE),
        (study::NOTE, shipped::DEMO_NOTE),
        ("filled/filled-sheet.csv", shipped::DEMO_SHEET),
        ("filled/corrected-reading.csv", shipped::DEMO_CORRECTION),
    ];
    let files: Vec<record::File> = texts
        .iter()
        .map(|(name, text)| ((*name).to_owned(), text.as_bytes().to_vec()))
        .collect();
    // The marker goes first: a demo that is stopped half-way can be run again.
    let writer = folder.lock()?;
    for file in files.chunks(1) {
        writer.write(file, false)?;
    }
    drop(writer);

    let at = |seconds| outside.at(seconds);
    let (study, warnings) = load::study(&folder, Some(at(FROZEN).today()))?;
    console.diagnostics(&warnings);
    plan::freeze(&folder, &study.protocol, study.site.as_ref(), SEED, &at(FROZEN), false)?;
    let (study, _) = load::study(&folder, None)?;
    let all = [sheet::Form::Pdf, sheet::Form::Html, sheet::Form::Csv];
    let (_, warnings) = sheet::write(&study, &all, &Options::plain(), &outside.built_in(), false)?;
    console.diagnostics(&warnings);
    take(&folder, "filled-sheet.csv", shipped::DEMO_SHEET, None, &at(RECORDED))?;
    depart(&folder, &at(RECORDED))?;
    let reason = Some("digits swapped when typed: the paper sheet says 57.4");
    take(
        &folder,
        "corrected-reading.csv",
        shipped::DEMO_CORRECTION,
        reason,
        &at(CORRECTED),
    )?;
    let (study, _) = load::study(&folder, None)?;
    let both = [report::Form::Html, report::Form::Pdf];
    let (_, warnings) = report::write(&study, &both, &Options::plain(), false, &outside.built_in(), false)?;
    console.diagnostics(&warnings);
    let findings = analyse::findings(&study)?;
    console
        .json(&json!({ "study": args.dir, "report": folder.shown("report"), "runs": findings.record.runs_complete }))?;
    console.page(&page(&study))?;
    Ok(Answer::Yes)
}

fn take(folder: &Folder, name: &str, text: &str, reason: Option<&str>, outside: &Outside) -> Result<(), Diagnostics> {
    let args = record::Intent {
        reason: reason.map(str::to_owned),
        ..record::Intent::default()
    };
    record::take(folder, &[(name.to_owned(), text.as_bytes().to_vec())], &args, outside).map(|_| ())
}

fn depart(folder: &Folder, outside: &Outside) -> Result<(), Diagnostics> {
    let args = record::Intent {
        deviation: Some("Runs 42 and 43 were made in reverse order: instrument B was on the stand already.".to_owned()),
        run: Some(42),
        ..record::Intent::default()
    };
    record::take(folder, &[], &args, outside).map(|_| ())
}

/// What was done, and where to look.
fn page(study: &Study) -> Page {
    let folder = &study.folder;
    let mut page = Page::new();
    page.heading(&study.protocol.study.title)
        .sentence(format!(
            "The whole job on invented readings: {} checked, {} drawn with seed {SEED}, sheets written, {} taken in with \
             {} and {}, analysed, reported.",
            study::PROTOCOL,
            counted(study.plan.as_ref().map_or(0, |plan| plan.runs.len()), "run"),
            counted(study.record.runs.values().flat_map(|run| run.readings.iter().flatten().flatten()).count(), "reading"),
            counted(study.record.corrections.len(), "correction"),
            counted(study.record.deviations.len(), "deviation"),
        ))
        .table(vec![
            vec!["look at".to_owned(), "for".to_owned()],
            vec![folder.shown("report/report.pdf"), "the report, to hand out".to_owned()],
            vec![folder.shown("report/report.html"), "the same for a browser".to_owned()],
            vec![folder.shown("sheets/sheet.pdf"), "what the technician works by".to_owned()],
            vec![folder.shown("report/findings.json"), "every number in full precision".to_owned()],
            vec![folder.shown("protocol.toml"), "what all of it comes from".to_owned()],
        ])
        .sentence("To start a study of your own: `wellrun new roller-reading-spread my-study`.");
    page
}
