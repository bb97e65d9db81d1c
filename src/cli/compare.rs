//! `wellrun compare`: what changed between two findings of a study, or two versions of its protocol, in words.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::analyse;
use super::console::{Console, Page};
use super::load;
use super::{Answer, Done, help_end};
use crate::analysis::{FORMAT, Findings};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::provenance::{self, Changes, Origin};
use crate::study::{self, Folder};

/// Say in words what changed between two findings, or two versions of a protocol
///
/// Each side is a study's folder, a pack, a findings.json or a protocol.toml. Of folders and packs both protocol and
/// findings are compared; a folder's findings are computed anew. Writes nothing.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun compare before.zip my-study\n  wellrun compare old/protocol.toml new/protocol.toml"))]
pub struct Args {
    /// What was before: a folder, a pack, a findings.json or a protocol.toml
    before: PathBuf,
    /// What is now
    after: PathBuf,
}

/// One side of a comparison.
#[derive(Debug, Default)]
struct Side {
    protocol: Option<String>,
    findings: Option<Findings>,
    /// Of a pack: the hash of its manifest.
    manifest: Option<String>,
    /// Of a folder: where it comes from, and whether its record is closed.
    origin: Option<(Origin, bool)>,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let before = side(&args.before, console)?;
    let after = side(&args.after, console)?;
    for (one, other) in [(&before, &after), (&after, &before)] {
        if let (Some((origin, is_closed)), Some(manifest)) = (&one.origin, &other.manifest)
            && let Some(sealed) = origin.sealed(manifest, *is_closed)
        {
            return Err(sealed.into());
        }
    }
    let mut page = Page::new();
    let protocol = before
        .protocol
        .as_ref()
        .zip(after.protocol.as_ref())
        .map(|(one, other)| Changes {
            about: "The protocol".to_owned(),
            changes: provenance::protocols(one, other),
        });
    let found = match (&before.findings, &after.findings) {
        (Some(one), Some(other)) => {
            if one.study.id != other.study.id {
                let message = format!("these are two studies: `{}` and `{}`", one.study.id, other.study.id);
                return Err(Diagnostic::error("V040", message)
                    .help("compare two findings of one study, or two versions of its protocol")
                    .into());
            }
            if one.study.site != other.study.site {
                page.sentence(
                    "These are the findings of two sites, each with readings of its own: they differ by chance too. \
                     What both say together is for a joint analysis.",
                );
            }
            provenance::findings_changed(one, other)
        }
        _ => Vec::new(),
    };
    let all: Vec<Changes> = protocol.into_iter().chain(found).collect();
    if all.is_empty() {
        return Err(
            Diagnostic::error("V040", "the two have nothing in common that could be compared")
                .help("name two folders, packs or findings of one study, or two protocols")
                .into(),
        );
    }
    console.json(&json!({ "same": all.iter().all(|c| c.changes.is_empty()), "changes": all }))?;
    for Changes { about, changes } in &all {
        page.heading(about);
        if changes.is_empty() {
            page.sentence("Nothing changed.");
        }
        for change in changes {
            page.item(change);
        }
    }
    console.page(&page)?;
    Ok(Answer::Yes)
}

fn side(path: &Path, console: &Console) -> Result<Side, Diagnostics> {
    if path.is_dir() {
        let folder = Folder::open(path)?;
        let protocol = folder.protocol()?.text.clone();
        let (study, warnings) = load::study(&folder, None)?;
        console.diagnostics(&warnings);
        let findings = if study.record.runs.is_empty() {
            None
        } else {
            Some(analyse::findings(&study)?)
        };
        let is_closed = study.record.closed.is_some();
        return Ok(Side {
            protocol: Some(protocol),
            findings,
            manifest: None,
            origin: study.origin.map(|origin| (origin, is_closed)),
        });
    }
    let bytes = study::read_file(path, provenance::MOST_BYTES)?;
    if bytes.starts_with(b"PK") {
        let pack = provenance::open(&bytes)?;
        let text = |name: &str| {
            pack.files
                .get(name)
                .map(|bytes| String::from_utf8_lossy(bytes).into_owned())
        };
        return Ok(Side {
            protocol: text(study::PROTOCOL),
            findings: text("report/findings.json").map(|text| read(path, &text)).transpose()?,
            manifest: pack
                .files
                .get(provenance::MANIFEST)
                .map(|bytes| crate::record::sha256(bytes)),
            origin: None,
        });
    }
    let text = String::from_utf8_lossy(&bytes).into_owned();
    if text.trim_start().starts_with('{') {
        return Ok(Side {
            findings: Some(read(path, &text)?),
            ..Side::default()
        });
    }
    toml::from_str::<toml::Table>(&text).map_err(|problem| {
        let message = format!(
            "`{}` is neither a pack nor findings nor a protocol: {}",
            path.display(),
            problem.message()
        );
        Diagnostic::error("V040", message).help("name a folder, a pack, a findings.json or a protocol.toml")
    })?;
    Ok(Side {
        protocol: Some(text),
        ..Side::default()
    })
}

fn read(path: &Path, text: &str) -> Result<Findings, Diagnostics> {
    let findings: Findings = serde_json::from_str(text).map_err(|problem| {
        Diagnostic::error(
            "V041",
            format!("the findings of `{}` cannot be read: {problem}", path.display()),
        )
        .help("compute them anew with this version: `wellrun analyse DIR --json > findings.json`")
    })?;
    if findings.format == FORMAT {
        Ok(findings)
    } else {
        let message = format!(
            "the findings of `{}` are written as `{}`, and this tool reads `{FORMAT}`",
            path.display(),
            findings.format
        );
        Err(Diagnostic::error("V041", message).into())
    }
}
