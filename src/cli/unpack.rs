//! `wellrun unpack`: a pack back into a folder, after everything in it was checked.

use std::path::PathBuf;

use serde_json::json;

use super::console::{Console, Page};
use super::{Answer, Done, counted, help_end};
use crate::provenance::{self, Manifest};
use crate::study::{self, Folder};

/// Check a pack, then write it into a folder
///
/// Nothing is written unless everything is right: names that stay inside the folder on every system, plain files only,
/// bounded sizes, no file twice or in another's way, each with the hash that the manifest gives, none beside it.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun unpack out/roller-reading-spread-north.zip north"))]
pub struct Args {
    /// The pack
    file: PathBuf,
    /// Folder to write; must not exist, or be empty. The name of the pack without its ending if left out
    dir: Option<PathBuf>,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let bytes = study::read_file(&args.file, provenance::MOST_BYTES)?;
    let pack = provenance::open(&bytes)?;
    let dir = args
        .dir
        .clone()
        .unwrap_or_else(|| PathBuf::from(args.file.file_stem().unwrap_or_default()));
    let folder = Folder::create(&dir)?;
    let files: Vec<(String, Vec<u8>)> = pack.files.into_iter().collect();
    let outcome = folder.lock()?.write(&files, false)?;
    console.json(&json!({ "folder": dir, "manifest": pack.manifest, "written": outcome.written }))?;
    console.page(&page(&pack.manifest, outcome.written.len(), &dir.display().to_string()))?;
    Ok(Answer::Yes)
}

fn page(manifest: &Manifest, written: usize, dir: &str) -> Page {
    let mut page = Page::new();
    let site = if manifest.site.is_empty() {
        String::new()
    } else {
        format!(" at site {}", manifest.site)
    };
    page.heading(&manifest.title).sentence(format!(
        "Study {}, version {}{site}: {}, packed by wellrun {}. Wrote {} into {dir}.",
        manifest.study,
        manifest.version,
        manifest.holds.words(),
        manifest.tool,
        counted(written, "file"),
    ));
    for out in &manifest.left_out {
        page.item(format!("Left out: {}. {}", out.what, out.how));
    }
    page.sentence(format!(
        "Every file is the one that the manifest speaks of. Whether the numbers follow from the readings: `wellrun verify {dir}`."
    ));
    page
}
