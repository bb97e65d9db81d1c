//! `wellrun new`: the folder of a new study, from a shipped protocol.

use std::path::PathBuf;

use serde_json::json;

use super::console::Console;
use super::shipped;
use super::{Answer, Done, help_end};
use crate::study::{self, Folder};

/// Start a study from a shipped protocol
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun new roller-reading-spread my-study"))]
pub struct Args {
    /// Name of the protocol; `wellrun protocols` lists them
    name: String,
    /// Folder of the new study; must not exist, or be empty
    dir: PathBuf,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let (protocol, site) = (
        shipped::file(&args.name, study::PROTOCOL)?,
        shipped::file(&args.name, study::SITE)?,
    );
    let folder = Folder::create(&args.dir)?;
    let mut files = vec![
        (study::PROTOCOL.to_owned(), protocol.as_bytes().to_vec()),
        (study::SITE.to_owned(), site.as_bytes().to_vec()),
        (study::NOTE.to_owned(), NOTE.as_bytes().to_vec()),
    ];
    if let Ok(assumed) = shipped::file(&args.name, study::ASSUMED) {
        files.push((study::ASSUMED.to_owned(), assumed.as_bytes().to_vec()));
    }
    let outcome = folder.lock()?.write(&files, false)?;
    console.json(&json!({ "written": outcome.written }))?;
    console.say(&format!(
        "Wrote {} into {}.\nNext: say in {} what stands behind each level and who takes part, then run `wellrun check {}`.",
        outcome.written.join(", "),
        args.dir.display(),
        folder.shown(study::SITE),
        args.dir.display(),
    ));
    Ok(Answer::Yes)
}

/// The author's words, to be replaced by better ones.
const NOTE: &str = "\
## What this means for us

Replace this with what follows from the findings, in your own words. So far {{value: record.runs_complete}} of
{{value: record.runs_planned}} runs are complete: any value of the findings can be pulled in by name like this, so
that the text cannot drift from the data. `wellrun check` finds a name that is wrong, and says the nearest right one.
";
