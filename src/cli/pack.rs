//! `wellrun pack`: the whole study, or its protocol only, as one archive to publish or to send.

use std::path::PathBuf;

use serde_json::json;

use super::console::Console;
use super::load::{self, Study, StudyArgument};
use super::outside::{self, Outside};
use super::report;
use super::typeset::{Options, Paper};
use super::{Answer, Done, counted, help_end};
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::provenance::{self, Facts, Files, Holds, LeftOut, Original};
use crate::record::sha256;
use crate::study::{self, Folder, Scratch};

/// Pack a study, or its protocol only, into one archive
///
/// The archive is an ordinary ZIP file: protocol, site file, plan, record, note, templates, the report made anew, the
/// licences of the tool's parts, a manifest with a hash of each file, and metadata for research repositories. The same
/// study gives the same bytes.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun pack my-study\n  wellrun pack my-study --only protocol --to for-south.zip\n  wellrun pack my-study --without people --sign lab.key"))]
pub struct Args {
    #[command(flatten)]
    study: StudyArgument,
    /// Pack no more than this
    #[arg(long, value_enum, value_name = "WHAT")]
    only: Option<Only>,
    /// Leave out, separated by commas; the manifest says what was left out
    #[arg(long, value_enum, value_delimiter = ',', value_name = "WHAT")]
    without: Vec<Without>,
    /// File to write [default: out/STUDY-SITE.zip]
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// Licence under which the study is passed on, for the metadata
    #[arg(long, value_name = "TEXT")]
    licence: Option<String>,
    /// Day to put on the pack, such as 2026-03-06; the day of the last entry in the record if left out, or that of
    /// the plan, or today
    #[arg(long, value_name = "DATE")]
    date: Option<jiff::civil::Date>,
    /// Sign the manifest with the secret key in this file (`wellrun key` makes one)
    #[arg(long, value_name = "KEYFILE")]
    sign: Option<PathBuf>,
    /// Size of the report's paper
    #[arg(long, value_enum, default_value_t = Paper::A4, value_name = "SIZE")]
    paper: Paper,
    /// Replace a pack that is there already
    #[arg(long)]
    force: bool,
}

/// A part of a study that can be packed alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Only {
    /// What another site starts from: protocol, assumptions, templates
    Protocol,
}

/// What can be left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, clap::ValueEnum)]
enum Without {
    /// Codes and initials of people become P1, P2, and so on
    People,
    /// The key of a blinded study
    Key,
}

pub fn run(args: &Args, console: &Console, outside: &Outside) -> Done {
    let study = load::open(&args.study.dir, None, console)?;
    let secret = match &args.sign {
        Some(path) => Some(key_text(path)?),
        None => None,
    };
    let whole = args.only.is_none();
    let (files, left_out, warnings) = if whole {
        gather(&study, args, outside)?
    } else {
        (protocol_only(&study.folder)?, Vec::new(), Diagnostics::new())
    };
    console.diagnostics(&warnings);
    let site = if whole { site_id(&study) } else { "protocol" };
    let facts = Facts {
        holds: if whole { Holds::WholeStudy } else { Holds::ProtocolOnly },
        date: args
            .date
            .map_or_else(|| last_day(&study, outside), |date| date.to_string()),
        licence: args.licence.clone().unwrap_or_default(),
        left_out,
    };
    let bytes = provenance::seal(files, facts.clone(), secret.as_deref())?;
    // What cannot be opened again must not leave the house.
    let pack = provenance::open(&bytes)?;
    let name = [study.protocol.study.id.as_str(), site].map(plain).join("-");
    let path = args
        .to
        .clone()
        .unwrap_or_else(|| PathBuf::from("out").join(format!("{name}.zip")));
    study::write_file(&path, &bytes, args.force, false)?;
    let hash = sha256(&bytes);
    console.json(&json!({
        "file": path, "bytes": bytes.len(), "sha256": hash, "manifest": pack.manifest,
    }))?;
    let mut lines = vec![format!(
        "Wrote {}: {}, {}, {} bytes.",
        path.display(),
        facts.holds.words(),
        counted(pack.files.len(), "file"),
        bytes.len(),
    )];
    lines.extend(
        facts
            .left_out
            .iter()
            .map(|out| format!("Left out: {}. {}", out.what, out.how)),
    );
    lines.push(format!("SHA-256 {hash}"));
    console.say(&lines.join("\n"));
    Ok(Answer::Yes)
}

/// A key file's text.
///
/// # Errors
///
/// As `study::read_file`; `V022` if it is not text.
pub fn key_text(path: &std::path::Path) -> Result<String, Diagnostics> {
    const MOST: u64 = 64 << 10;
    String::from_utf8(study::read_file(path, MOST)?)
        .map_err(|_| Diagnostic::error("V022", format!("`{}` is not a key: it is no text", path.display())).into())
}

/// The files as they lie in the folder, those of `names` that are there.
fn take(folder: &Folder, names: &[&str], files: &mut Files) -> Result<(), Diagnostics> {
    for name in names {
        if let Some(bytes) = folder.bytes(name, provenance::MOST_BYTES)? {
            files.insert((*name).to_owned(), bytes);
        }
    }
    Ok(())
}

/// What another site starts from.
fn protocol_only(folder: &Folder) -> Result<Files, Diagnostics> {
    let mut files = provenance::licences();
    take(folder, &[study::PROTOCOL, study::ASSUMED], &mut files)?;
    for name in folder.names(study::TEMPLATES, provenance::MOST_FILES)? {
        take(folder, &[&name], &mut files)?;
    }
    Ok(files)
}

/// Everything that a study is: as it lies, and the report made anew.
fn gather(study: &Study, args: &Args, outside: &Outside) -> Result<(Files, Vec<LeftOut>, Diagnostics), Diagnostics> {
    let mut files = protocol_only(&study.folder)?;
    let local = [
        study::SITE,
        study::PLAN_CSV,
        study::PLAN_TOML,
        study::POSITIONS,
        study::KEY,
        study::NOTE,
        study::CONFORMANCE,
        study::ORIGIN,
    ];
    take(&study.folder, &local, &mut files)?;
    for name in study.folder.names(study::AMENDMENTS, provenance::MOST_FILES)? {
        take(&study.folder, &[&name], &mut files)?;
    }
    if !study.journal.source.text.is_empty() {
        files.insert(study::RECORD.to_owned(), study.journal.source.text.clone().into_bytes());
    }
    let mut left_out = Vec::new();
    let mut without = args.without.clone();
    without.sort_unstable();
    without.dedup();
    for what in &without {
        left_out.push(match what {
            Without::People => leave_people_out(&mut files)?,
            Without::Key => leave_key_out(&mut files),
        });
    }
    if study.record.runs.is_empty() {
        return Ok((files, left_out, Diagnostics::new()));
    }
    let options = Options::on(args.paper);
    let forms = [report::Form::Html, report::Form::Pdf];
    let outside = outside.built_in();
    // What was changed has to be read again: the report must follow from what is packed.
    let (made, warnings) = if without.contains(&Without::People) {
        let scratch = Scratch::new(outside::seed()?)?;
        for (name, bytes) in &files {
            scratch.write(name, bytes)?;
        }
        let folder = Folder::open(scratch.path())?;
        let (study, _) = load::study(&folder, None)?;
        let (templates, _) = load::templates(&folder)?;
        report::make(&study, &templates, &forms, &options, false, &outside)?
    } else {
        let (templates, _) = load::templates(&study.folder)?;
        report::make(study, &templates, &forms, &options, false, &outside)?
    };
    files.extend(made);
    Ok((files, left_out, warnings))
}

fn original(files: &Files, name: &str) -> Option<Original> {
    files.get(name).map(|bytes| Original {
        path: name.to_owned(),
        sha256: sha256(bytes),
    })
}

fn leave_people_out(files: &mut Files) -> Result<LeftOut, Diagnostics> {
    let originals = [study::SITE, study::RECORD]
        .iter()
        .filter_map(|name| original(files, name))
        .collect();
    let text = |name: &str| files.get(name).map(|bytes| String::from_utf8_lossy(bytes).into_owned());
    let journal = text(study::RECORD).map(|text| Source::new(study::RECORD, text));
    let (site, record) = provenance::without_people(text(study::SITE).as_deref(), journal.as_ref())?;
    for (name, text) in [(study::SITE, site), (study::RECORD, record)] {
        if let Some(text) = text {
            files.insert(name.to_owned(), text.into_bytes());
        }
    }
    Ok(LeftOut {
        what: "people".to_owned(),
        how: "Codes in the site file and initials in the record are P1, P2 and so on; the journal's chain was written \
              anew for it. Remarks, reasons, departures and the note are as they were written."
            .to_owned(),
        files: originals,
    })
}

fn leave_key_out(files: &mut Files) -> LeftOut {
    let originals: Vec<Original> = original(files, study::KEY).into_iter().collect();
    let how = if originals.is_empty() {
        "There is none."
    } else {
        "The file is kept by the laboratory. It hides the levels from those who do not look: with protocol and seed the \
         codes can be drawn again."
    };
    files.remove(study::KEY);
    LeftOut {
        what: "blinding key".to_owned(),
        how: how.to_owned(),
        files: originals,
    }
}

fn site_id(study: &Study) -> &str {
    study.site.as_ref().map_or("study", |site| site.id.as_str())
}

/// The day of the last entry, of the plan, or today.
fn last_day(study: &Study, outside: &Outside) -> String {
    let last = study.journal.source.text.lines().last().and_then(|line| {
        let value: serde_json::Value = serde_json::from_str(line).ok()?;
        value.get("at")?.as_str().map(str::to_owned)
    });
    let frozen = study.plan.as_ref().map(|plan| plan.header.frozen_at.clone());
    let time = last.or(frozen).unwrap_or_else(|| outside.now());
    time.chars().take(10).collect()
}

/// A word for a file name.
fn plain(word: &str) -> String {
    word.chars()
        .map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '-' })
        .collect()
}
