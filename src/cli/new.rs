//! `wellrun new`: the folder of a new study, from a shipped protocol or from a pack.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::console::Console;
use super::shipped;
use super::{Answer, Done, help_end};
use crate::diagnostic::{Diagnostics, Source};
use crate::protocol;
use crate::provenance::{self, Origin};
use crate::record;
use crate::study::{self, Folder};

/// Start a study from a shipped protocol, or repeat one of another site
///
/// With --from the protocol comes out of a pack, byte for byte; site file, seed, order and spots are this site's own. Beside
/// it lies a list of what has to be the same at every site, to be filled in before the first reading. The first site's
/// results stay in the pack: they are not shown before this site's record is closed.
#[derive(Debug, clap::Args)]
#[command(allow_missing_positional = true)]
#[command(after_help = help_end!("wellrun new roller-reading-spread my-study\n  wellrun new --from north.zip south"))]
pub struct Args {
    /// Name of the protocol; `wellrun protocols` lists them
    #[arg(required_unless_present = "from", conflicts_with = "from")]
    name: Option<String>,
    /// Folder of the new study; must not exist, or be empty
    dir: PathBuf,
    /// Repeat the study in this pack
    #[arg(long, value_name = "PACK")]
    from: Option<PathBuf>,
}

type Files = Vec<(String, Vec<u8>)>;

pub fn run(args: &Args, console: &Console) -> Done {
    let mut files: Files = match (&args.from, &args.name) {
        (Some(pack), _) => from_pack(pack)?,
        (None, Some(name)) => from_shipped(name)?,
        (None, None) => Vec::new(),
    };
    files.push((study::NOTE.to_owned(), NOTE.as_bytes().to_vec()));
    let folder = Folder::create(&args.dir)?;
    let outcome = folder.lock()?.write(&files, false)?;
    console.json(&json!({ "written": outcome.written }))?;
    let site = folder.shown(study::SITE);
    let dir = args.dir.display();
    let next = if args.from.is_some() {
        format!(
            "Next: fill {site} in, run `wellrun check {dir}` and `wellrun plan {dir}`, then fill {} in and take it in with \
             `wellrun record {dir} --conformance`.",
            folder.shown(study::CONFORMANCE)
        )
    } else {
        format!("Next: say in {site} what stands behind each level and who takes part, then run `wellrun check {dir}`.")
    };
    console.say(&format!("Wrote {} into {dir}.\n{next}", outcome.written.join(", ")));
    Ok(Answer::Yes)
}

fn from_shipped(name: &str) -> Result<Files, Diagnostics> {
    let mut files = Vec::new();
    for file in [study::PROTOCOL, study::SITE] {
        files.push((file.to_owned(), shipped::file(name, file)?.as_bytes().to_vec()));
    }
    if let Ok(assumed) = shipped::file(name, study::ASSUMED) {
        files.push((study::ASSUMED.to_owned(), assumed.as_bytes().to_vec()));
    }
    Ok(files)
}

/// What a second site takes over, and what it has to say for itself.
fn from_pack(path: &Path) -> Result<Files, Diagnostics> {
    let pack = provenance::open(&study::read_file(path, provenance::MOST_BYTES)?)?;
    let text = pack.files.get(study::PROTOCOL).map_or(&[][..], Vec::as_slice);
    let source = Source::new(study::PROTOCOL, String::from_utf8_lossy(text));
    let (protocol, _) = protocol::read(&source)?;
    let mut files: Files = pack
        .files
        .iter()
        .filter(|(name, _)| matches!(name.as_str(), study::PROTOCOL | study::ASSUMED) || name.starts_with("templates/"))
        .map(|(name, bytes)| (name.clone(), bytes.clone()))
        .collect();
    for (name, text) in [
        (study::SITE, protocol::site_template(&protocol)),
        (study::CONFORMANCE, record::conformance_list(&protocol)),
        (study::ORIGIN, Origin::of(&pack).to_text()),
    ] {
        files.push((name.to_owned(), text.into_bytes()));
    }
    Ok(files)
}

/// The author's words, to be replaced by better ones.
const NOTE: &str = "\
## What this means for us

Replace this with what follows from the findings, in your own words. So far {{value: record.runs_complete}} of
{{value: record.runs_planned}} runs are complete: any value of the findings can be pulled in by name like this, so
that the text cannot drift from the data. `wellrun check` finds a name that is wrong, and says the nearest right one.
";
