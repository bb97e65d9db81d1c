//! A whole pack: files, metadata, manifest, signature, in one archive; and back.
//!
//! In:  the files of a study and a few facts about it; or the bytes of a pack from a stranger.
//! Out: the bytes of a pack, the same for the same input; or its files with their manifest, each of them checked.
//!
//! Method: the metadata is made from the list of files and is itself a file of the manifest; the manifest is made last
//! and signed. `open` makes the metadata again and holds the two against each other.
//! Never here: what stands in the files.

use super::archive::{self, Files};
use super::manifest::{Holds, LeftOut, MANIFEST, METADATA, Manifest, SIGNATURE, VERSION, listed};
use super::metadata::metadata;
use super::signature::sign;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::protocol::text_sha256;
use crate::record::sha256;

/// What the manifest says beside what can be read from the files.
#[derive(Debug, Clone)]
pub struct Facts {
    /// How much of the study is packed.
    pub holds: Holds,
    /// ISO date of the last thing in it.
    pub date: String,
    /// Licence in the owner's words; may be empty.
    pub licence: String,
    /// What was left out.
    pub left_out: Vec<LeftOut>,
}

/// A pack that was opened and checked.
#[derive(Debug, Clone)]
pub struct Pack {
    /// What is in it.
    pub manifest: Manifest,
    /// All its files, with the manifest and the signature.
    pub files: Files,
}

/// Holds files against their manifest. `complete` says that there must be no others, as in a pack.
#[must_use]
pub fn check(manifest: &Manifest, files: &Files, complete: bool) -> Diagnostics {
    let mut found = manifest.check(files, complete);
    found.extend(says_so(manifest, files));
    found
}

/// Packs files.
///
/// # Errors
///
/// `V002`, `V003`, `V006` for what a pack cannot hold, `V022` for a key that cannot be read.
pub fn seal(mut files: Files, facts: Facts, secret: Option<&str>) -> Result<Vec<u8>, Diagnostics> {
    for name in [MANIFEST, SIGNATURE, METADATA] {
        files.remove(name);
    }
    let said = said(&files);
    let mut manifest = Manifest {
        wellrun_manifest: VERSION,
        holds: facts.holds,
        study: said.study,
        title: said.title,
        version: said.version,
        protocol_sha256: said.protocol_sha256,
        site: said.site,
        seed: said.seed,
        record_sha256: said.record_sha256,
        tool: env!("CARGO_PKG_VERSION").to_owned(),
        date: facts.date,
        licence: facts.licence,
        files: listed(&files),
        left_out: facts.left_out,
    };
    files.insert(METADATA.to_owned(), metadata(&manifest).into_bytes());
    manifest.files = listed(&files);
    let text = manifest.to_text();
    if let Some(secret) = secret {
        files.insert(SIGNATURE.to_owned(), sign(text.as_bytes(), secret)?);
    }
    files.insert(MANIFEST.to_owned(), text.into_bytes());
    archive::write(&files)
}

/// Opens a pack and checks all of it against its manifest.
///
/// # Errors
///
/// `V001` to `V015`: everything that is wrong with it.
pub fn open(bytes: &[u8]) -> Result<Pack, Diagnostics> {
    let files = archive::read(bytes)?;
    let Some(text) = files.get(MANIFEST) else {
        return Err(Diagnostic::error(
            "V010",
            format!("there is no {MANIFEST} in the archive: it is not a pack"),
        )
        .help("a pack is what `wellrun pack` writes")
        .into());
    };
    let manifest = Manifest::read(text)?;
    let found = check(&manifest, &files, true);
    found.unless_errors(Pack { manifest, files }).map(|(pack, _)| pack)
}

/// What can be read from the files of a study; empty where there is nothing to read.
struct Said {
    study: String,
    title: String,
    version: String,
    protocol_sha256: String,
    site: String,
    seed: String,
    record_sha256: String,
}

fn said(files: &Files) -> Said {
    let text = |name: &str| files.get(name).map(|bytes| String::from_utf8_lossy(bytes).into_owned());
    let table = |name: &str| -> toml::Table {
        text(name)
            .and_then(|text| toml::from_str(text.trim_start_matches('\u{feff}')).ok())
            .unwrap_or_default()
    };
    let inside = |table: &toml::Table, outer: &str, key: &str| {
        let value = table.get(outer).and_then(|inner| inner.get(key));
        value.and_then(toml::Value::as_str).unwrap_or_default().to_owned()
    };
    let (protocol, site, plan) = (table("protocol.toml"), table("site.toml"), table("plan.toml"));
    Said {
        study: inside(&protocol, "study", "id"),
        title: inside(&protocol, "study", "title"),
        version: inside(&protocol, "study", "version"),
        protocol_sha256: text_sha256(&text("protocol.toml").unwrap_or_default()),
        site: inside(&site, "site", "id"),
        seed: plan
            .get("seed")
            .and_then(toml::Value::as_str)
            .unwrap_or_default()
            .to_owned(),
        record_sha256: text("record.jsonl")
            .and_then(|record| record.lines().last().map(|line| sha256(line.as_bytes())))
            .unwrap_or_default(),
    }
}

/// What the manifest says of the study, held against the files themselves.
fn says_so(manifest: &Manifest, files: &Files) -> Diagnostics {
    let mut found = Diagnostics::new();
    let said = said(files);
    for (what, claimed, is) in [
        ("the study's id", &manifest.study, &said.study),
        ("the study's title", &manifest.title, &said.title),
        ("the protocol's version", &manifest.version, &said.version),
        (
            "the hash of the protocol",
            &manifest.protocol_sha256,
            &said.protocol_sha256,
        ),
        ("the site", &manifest.site, &said.site),
        ("the seed", &manifest.seed, &said.seed),
        (
            "the hash of the record's last line",
            &manifest.record_sha256,
            &said.record_sha256,
        ),
    ] {
        if claimed != is {
            let message = format!("the manifest gives {what} as `{claimed}`, and it is `{is}`");
            found.push(Diagnostic::error("V015", message));
        }
    }
    let local = ["site.toml", "plan.toml", "plan.csv", "record.jsonl"];
    let is_local = |name: &&&str| files.contains_key(**name);
    if let Some(name) = local
        .iter()
        .find(|name| manifest.holds == Holds::ProtocolOnly && is_local(name))
    {
        found.push(Diagnostic::error(
            "V015",
            format!("the manifest says that the protocol only is packed, and there is `{name}`"),
        ));
    }
    // Another version of the tool may put the same things in other words.
    let again = metadata(&Manifest {
        files: manifest.files.iter().filter(|f| f.path != METADATA).cloned().collect(),
        ..manifest.clone()
    });
    let is_ours = manifest.tool == env!("CARGO_PKG_VERSION");
    if is_ours && files.get(METADATA).is_none_or(|bytes| *bytes != again.as_bytes()) {
        found.push(Diagnostic::error(
            "V015",
            format!("{METADATA} does not say what the manifest says"),
        ));
    }
    found
}

/// The licences of the tool's parts that are in a pack: templates, and fonts within reports.
#[must_use]
pub fn licences() -> Files {
    [
        ("licences/wellrun-MIT.txt", include_str!("../../LICENSE-MIT")),
        ("licences/wellrun-Apache-2.0.txt", include_str!("../../LICENSE-APACHE")),
        (
            "licences/fonts-OFL-1.1.txt",
            include_str!("../../templates/fonts/LICENSE.txt"),
        ),
    ]
    .into_iter()
    .map(|(name, text)| (name.to_owned(), text.as_bytes().to_vec()))
    .collect()
}
