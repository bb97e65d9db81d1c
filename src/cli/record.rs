//! `wellrun record`: filled sheets into the journal.

use std::path::PathBuf;

use serde::Serialize;
use serde_json::json;

use super::console::{self, Console, Page};
use super::load::{self, Study};
use super::outside::Outside;
use super::{Answer, Done, counted, help_end};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::plan::Plan;
use crate::protocol;
use crate::record::{self, Context, Entry, Record};
use crate::study::{self, Folder};

/// Take filled sheets in, note a departure from the protocol, unblind, or close the record
///
/// Files are sheets filled in as CSV, and results files of the page. Every value is kept exactly as written. Nothing of a
/// file is taken in if anything in it is wrong. The same file twice adds nothing; a value that differs from the one taken
/// in before is a correction and wants --reason.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun record my-study monday.csv tuesday.csv\n  wellrun record my-study fixed.csv --reason \"digits swapped when typed\"\n  wellrun record my-study --deviation \"oven door stood open\" --run 12\n  wellrun record my-study --as csv > readings.csv\n  wellrun record my-study --close --by RB"))]
pub struct Args {
    /// Folder of the study, then the files; the folder may be left out if it is the current one
    #[arg(value_name = "DIR or FILE")]
    paths: Vec<PathBuf>,
    /// Print the whole record as one table, a row a reading, and take nothing in
    #[arg(long = "as", value_enum, value_name = "FORM", conflicts_with_all = ["reason", "deviation", "close", "dry_run"])]
    shown: Option<Shown>,
    #[command(flatten)]
    intent: Intent,
}

/// A form in which the record is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Shown {
    /// Comma-separated, for spreadsheets and statistics packages
    Csv,
}

/// What is to be done with the files, or without any.
#[derive(Debug, Default, clap::Args)]
pub struct Intent {
    /// Why values differ from those taken in before, or why the study ends with values missing
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    /// Note a departure from the protocol, in a sentence
    #[arg(long, value_name = "TEXT")]
    pub deviation: Option<String>,
    /// The run that departed
    #[arg(long, value_name = "N", requires = "deviation")]
    pub run: Option<usize>,
    /// End the record: nothing can be added afterwards, and a blinded study is unblinded
    #[arg(long, conflicts_with = "deviation")]
    pub close: bool,
    /// Initials of who corrects, notes a departure or closes the record
    #[arg(long, value_name = "INITIALS")]
    pub by: Option<String>,
    /// Show what stands behind the codes of a blinded study from now on, and note why
    #[arg(long, value_name = "TEXT", conflicts_with_all = ["deviation", "close"])]
    pub unblind: Option<String>,
    /// Take in the filled list of what has to be the same at every site, conformance.toml; one to fill in is written
    /// where there is none
    #[arg(long, conflicts_with_all = ["deviation", "close", "unblind"])]
    pub conformance: bool,
    /// Say what would be taken in, and write nothing
    #[arg(long)]
    pub dry_run: bool,
}

/// What a file brought.
#[derive(Debug, Serialize)]
pub struct Taken {
    file: String,
    added: usize,
    corrections: usize,
    questioned: Vec<String>,
}

/// A file by name, with its bytes.
pub type File = (String, Vec<u8>);

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let (dir, paths) = places(args)?;
    if args.shown.is_some() {
        let study = load::open(&dir, None, console)?;
        console::put(&record::tidy(&study.protocol, study.plan.as_ref(), &study.record))?;
        return Ok(Answer::Yes);
    }
    let folder = Folder::open(&dir)?;
    if args.intent.conformance && !folder.holds(study::CONFORMANCE) {
        let (protocol, _) = protocol::read(&folder.protocol()?)?;
        let text = record::conformance_list(&protocol);
        folder
            .lock()?
            .write(&[(study::CONFORMANCE.to_owned(), text.into_bytes())], false)?;
        console.json(&json!({ "files": [study::CONFORMANCE], "entries": 0, "written": false }))?;
        console.say(&format!(
            "Wrote {}: answer each point, then run the same command again.",
            folder.shown(study::CONFORMANCE)
        ));
        return Ok(Answer::Yes);
    }
    let mut files: Vec<File> = Vec::new();
    let mut unreadable = Diagnostics::new();
    for path in paths {
        match study::read_file(path, study::SHEET_LIMIT) {
            Ok(bytes) => files.push((path.display().to_string(), bytes)),
            Err(wrong) => unreadable.extend(wrong),
        }
    }
    if unreadable.has_errors() {
        return Err(unreadable.into());
    }
    let batch = take(&folder, &files, &args.intent, outside)?;
    console.diagnostics(&batch.warnings);
    if let Some(name) = &batch.set_aside {
        console.say(&format!(
            "The journal ended in the middle of a line, which was never accepted; that piece now lies in {}.",
            folder.shown(name)
        ));
    }
    console.json(&json!({ "files": batch.taken, "entries": batch.entries, "written": !args.intent.dry_run }))?;
    console.page(&batch.page(&args.intent))?;
    Ok(Answer::Yes)
}

/// The study's folder and the files: the first path is the folder if it is one.
fn places(args: &Args) -> Result<(PathBuf, &[PathBuf]), Diagnostics> {
    let (dir, files) = match args.paths.split_first() {
        Some((first, rest)) if first.is_dir() => (first.clone(), rest),
        _ => (PathBuf::from("."), args.paths.as_slice()),
    };
    let intent = &args.intent;
    let alone = intent.deviation.is_some()
        || intent.close
        || intent.unblind.is_some()
        || intent.conformance
        || args.shown.is_some();
    if files.is_empty() != alone {
        let (what, help) = if files.is_empty() {
            (
                "there is nothing to take in",
                "name the filled sheets, or say what departed from the protocol with `--deviation`",
            )
        } else {
            (
                "sheets are taken in on their own",
                "take them in first, then run `wellrun record` with `--deviation`, `--unblind`, `--close` or `--as`",
            )
        };
        return Err(Diagnostic::error("F017", what).help(help).into());
    }
    Ok((dir, files))
}

/// What is about to go into the journal.
#[derive(Debug, Default)]
pub struct Batch {
    taken: Vec<Taken>,
    lines: String,
    entries: usize,
    warnings: Diagnostics,
    set_aside: Option<String>,
}

/// Takes files in, or notes a departure: all of it or nothing.
///
/// # Errors
///
/// Everything that is wrong with the study or with any of the files; those of writing.
pub fn take(folder: &Folder, files: &[File], intent: &Intent, outside: &Outside) -> Result<Batch, Diagnostics> {
    // The lock comes before reading: what the files are compared with must not change underneath.
    let writer = if intent.dry_run { None } else { Some(folder.lock()?) };
    let (study, warnings) = load::study(folder, None)?;
    if !study.protocol.is_as_run() {
        study.frozen()?;
    }
    let mut batch = Batch {
        warnings,
        ..Batch::default()
    };
    record::still_open(&study.record)?;
    let mut record = study.record.clone();
    let mut wrong = Diagnostics::new();
    let people = study.people();
    let context = Context {
        protocol: &study.protocol,
        plan: study.plan.as_ref(),
        people: &people,
    };
    let coded = (
        study.blind.protocol(&study.protocol),
        study.plan.as_ref().map(|plan| Plan {
            header: plan.header.clone(),
            runs: study.blind.runs(&plan.runs),
        }),
    );
    for (name, bytes) in files {
        let read = record::decode(name, bytes).and_then(|source| {
            let reason = intent.reason.as_deref();
            if record::is_results(&source.text) {
                return record::import_results(&source, &context, &record);
            }
            let read = record::import(&source, &context, &record, reason);
            // A sheet printed while the study was blinded holds codes.
            let coded = Context {
                protocol: &coded.0,
                plan: coded.1.as_ref(),
                ..context
            };
            let (mut entries, warnings) = match read {
                Err(wrong) if record.unblinded.is_some() => {
                    record::import(&source, &coded, &record, reason).map_err(|_| wrong)
                }
                read => read,
            }?;
            record::said_by(&mut entries, intent.by.as_deref())?;
            Ok((entries, warnings))
        });
        match read {
            Ok((entries, more)) => {
                batch.warnings.extend(more);
                let after = batch.add(&study, &context, &record, &entries, outside)?;
                batch.taken.push(Taken::between(name, &record, &after));
                record = after;
            }
            Err(errors) => wrong.extend(errors),
        }
    }
    if let Some(what) = &intent.deviation {
        let said = record::deviation(intent.run, what, &context).and_then(|entry| {
            let mut entries = [entry];
            record::said_by(&mut entries, intent.by.as_deref())?;
            Ok(entries)
        });
        match said {
            Ok(entries) => {
                batch.add(&study, &context, &record, &entries, outside)?;
            }
            Err(errors) => wrong.extend(errors),
        }
    }
    if intent.conformance
        && let Some(source) = folder.text(study::CONFORMANCE, study::TEXT_LIMIT)?
    {
        match record::conformance(&source, &context, &record, intent.reason.as_deref()) {
            Ok(entries) => {
                batch.add(&study, &context, &record, &entries, outside)?;
            }
            Err(errors) => wrong.extend(errors),
        }
    }
    if !files.is_empty() && study.origin.is_some() && study.record.conformance.is_empty() {
        batch.warnings.push(
            Diagnostic::warning(
                "R093",
                "readings come in before anybody said what is the same as at the first site",
            )
            .help("fill conformance.toml in, then run `wellrun record DIR --conformance`"),
        );
    }
    if let Some(why) = &intent.unblind {
        match record::unblind(why, &context, &record) {
            Ok(entry) => {
                batch.add(&study, &context, &record, &[entry], outside)?;
            }
            Err(error) => wrong.extend(error),
        }
    }
    if intent.close {
        match record::close(intent.reason.as_deref(), intent.by.as_deref(), &context, &record) {
            Ok(entry) => {
                batch.add(&study, &context, &record, &[entry], outside)?;
            }
            Err(errors) => wrong.extend(errors),
        }
    }
    if wrong.has_errors() {
        return Err(wrong);
    }
    let before = record::patterns(&study.protocol, &study.record);
    for pattern in record::patterns(&study.protocol, &record) {
        if !before.contains(&pattern) {
            batch.warnings.push(
                Diagnostic::warning(pattern.code, pattern.what)
                    .help("taken in; ask whoever took the readings, and say what came of it under --deviation"),
            );
        }
    }
    if let Some(writer) = &writer {
        let mut journal = study.journal.clone();
        batch.set_aside = writer.set_torn_aside(&journal)?;
        journal.torn = 0;
        if !batch.lines.is_empty() {
            writer.append(&journal, &batch.lines)?;
        }
    }
    Ok(batch)
}

impl Batch {
    /// Adds entries, and returns the record as it then stands.
    fn add(
        &mut self,
        study: &Study,
        context: &Context,
        before: &Record,
        entries: &[Entry],
        outside: &Outside,
    ) -> Result<Record, Diagnostics> {
        if entries.is_empty() {
            return Ok(before.clone());
        }
        self.lines.push_str(&record::append_lines(
            entries,
            &before.head,
            before.entries + 1,
            &outside.now(),
        ));
        self.entries += entries.len();
        let journal = &study.journal.source;
        let whole = Source::new(journal.name.clone(), format!("{}{}", journal.text, self.lines));
        record::replay(&whole, context)
    }

    fn page(&self, intent: &Intent) -> Page {
        let mut page = Page::new();
        for taken in &self.taken {
            let mut parts = vec![counted(taken.added, "new value")];
            if taken.corrections > 0 {
                parts.push(counted(taken.corrections, "correction"));
            }
            if !taken.questioned.is_empty() {
                parts.push(format!("{} to look at", counted(taken.questioned.len(), "value")));
            }
            page.sentence(format!("{}: {}.", taken.file, parts.join(", ")));
            for item in &taken.questioned {
                page.item(item);
            }
        }
        if intent.deviation.is_some() {
            page.sentence("The departure from the protocol is noted.");
        }
        if intent.unblind.is_some() {
            page.sentence("The study is unblinded from here on: sheets, status and reports show the levels.");
        }
        if intent.close {
            page.sentence("The record is closed: nothing can be added to it any more.");
        }
        if intent.conformance && self.entries > 0 {
            page.sentence(format!(
                "{} of what has to be the same at every site.",
                counted(self.entries, "answer")
            ));
        }
        page.sentence(match (intent.dry_run, self.entries) {
            (true, _) => "Nothing was written (--dry-run).",
            (false, 0) => "Everything in it was on record already: nothing was added.",
            (false, _) => "It is on the disk.",
        });
        page
    }
}

impl Taken {
    fn between(file: &str, before: &Record, after: &Record) -> Self {
        Self {
            file: file.to_owned(),
            added: after.files.iter().skip(before.files.len()).map(|file| file.added).sum(),
            corrections: after.corrections.len().saturating_sub(before.corrections.len()),
            questioned: after
                .questioned
                .iter()
                .skip(before.questioned.len())
                .map(|q| format!("run {}, {}: {} ({})", q.run, q.what, q.text, q.why))
                .collect(),
        }
    }
}
