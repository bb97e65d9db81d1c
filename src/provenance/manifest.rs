//! The manifest: what is in a pack, what each file is for, its hash, and what was left out.
//!
//! In:  the files of a study; or the bytes of a manifest from a stranger, and the files beside it.
//! Out: a `Manifest`; or everything in which files and manifest differ (codes `V...`).
//!
//! Form: JSON, UTF-8, indented by two blanks, LF line ends, keys in the order of `Manifest`, files in the order of
//! their names. The manifest lists every file of the pack but itself and its signature.
//! Never here: what stands in the files, apart from the few facts that the manifest repeats.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::archive::{Files, check_names};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::sha256;

/// Name of the manifest in a pack.
pub const MANIFEST: &str = "manifest.json";
/// Name of the signature beside it.
pub const SIGNATURE: &str = "manifest.sig";
/// Name of the metadata.
pub const METADATA: &str = "ro-crate-metadata.json";
/// Version of the manifest's format.
pub const VERSION: u32 = 1;
/// Most bytes of a manifest.
const MOST_BYTES: usize = 8 << 20;

/// What is in a pack.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// Version of this format; 1.
    pub wellrun_manifest: u32,
    /// `whole study` or `protocol only`.
    pub holds: Holds,
    /// Study id.
    pub study: String,
    /// Title of the study.
    pub title: String,
    /// Version of the protocol.
    pub version: String,
    /// SHA-256 of the protocol's text, as everywhere: LF line ends, no byte-order mark.
    pub protocol_sha256: String,
    /// Site id; empty without a site file and for a protocol only.
    pub site: String,
    /// Seed of the draw, decimal; empty without a plan and for a protocol only.
    pub seed: String,
    /// Hash of the journal's last line; empty without readings and for a protocol only.
    pub record_sha256: String,
    /// Version of the tool that wrote the pack.
    pub tool: String,
    /// Day of the last thing in it, ISO date.
    pub date: String,
    /// Licence under which the study is passed on, in the owner's words; empty if none was named.
    pub licence: String,
    /// Every file but this one and its signature, by name.
    pub files: Vec<Listed>,
    /// What was left out on request.
    pub left_out: Vec<LeftOut>,
}

/// How much of a study is in a pack.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Holds {
    /// Everything.
    #[serde(rename = "whole study")]
    WholeStudy,
    /// What another site starts from.
    #[serde(rename = "protocol only")]
    ProtocolOnly,
}

impl Holds {
    /// For people.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::WholeStudy => "the whole study",
            Self::ProtocolOnly => "the protocol only",
        }
    }
}

/// A file of a pack.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listed {
    /// Its name, with `/` between folders.
    pub path: String,
    /// What it is for.
    pub role: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes, lower-case hexadecimal.
    pub sha256: String,
}

/// Something left out on request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// `people` or `blinding key`.
    pub what: String,
    /// How, in a sentence.
    pub how: String,
    /// The files that this changed or took away, as they were.
    pub files: Vec<Original>,
}

/// A file as it was before something was left out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Original {
    /// Its name.
    pub path: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
}

/// What a file of a study is for, by its name.
#[must_use]
pub fn role(path: &str) -> &'static str {
    match path {
        "protocol.toml" => "protocol",
        "site.toml" => "site",
        "assumed.toml" => "assumptions before readings",
        "plan.csv" => "plan",
        "plan.toml" => "header of the plan",
        "positions.csv" => "spots of the readings",
        "blinding-key.toml" => "blinding key",
        "record.jsonl" => "record",
        "conformance.toml" => "conformance",
        "origin.toml" => "origin",
        "note.md" => "words of the laboratory",
        "report/findings.json" => "findings",
        METADATA => "metadata",
        _ => match path.split('/').collect::<Vec<_>>()[..] {
            ["templates", ..] => "template",
            ["report", "charts", ..] => "figure",
            ["report", "tables", ..] => "table",
            ["report", ..] => "report",
            ["licences", ..] => "licence",
            ["amendments", ..] => "earlier version of the protocol",
            _ => "other",
        },
    }
}

/// What is read first, to say which version there is.
#[derive(Deserialize)]
struct Version {
    wellrun_manifest: u32,
}

/// The files with their roles, lengths and hashes.
#[must_use]
pub fn listed(files: &Files) -> Vec<Listed> {
    files
        .iter()
        .filter(|(path, _)| !matches!(path.as_str(), MANIFEST | SIGNATURE))
        .map(|(path, bytes)| Listed {
            path: path.clone(),
            role: role(path).to_owned(),
            bytes: bytes.len() as u64,
            sha256: sha256(bytes),
        })
        .collect()
}

impl Manifest {
    /// The manifest's own text. Texts and whole numbers only, which JSON always has room for.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Reads a manifest back.
    ///
    /// # Errors
    ///
    /// `V011` if it is not one, or of a version that this tool does not know.
    pub fn read(bytes: &[u8]) -> Result<Self, Diagnostics> {
        let wrong = |what: String| {
            Diagnostics::from(
                Diagnostic::error("V011", format!("the manifest cannot be read: {what}"))
                    .help("ask whoever sent the pack for another copy"),
            )
        };
        if bytes.len() > MOST_BYTES {
            return Err(wrong("it is too large".to_owned()));
        }
        let version: Version = serde_json::from_slice(bytes).map_err(|error| wrong(error.to_string()))?;
        if version.wellrun_manifest != VERSION {
            return Err(Diagnostic::error(
                "V011",
                format!(
                    "the manifest is of version {}; this tool reads version {VERSION}",
                    version.wellrun_manifest
                ),
            )
            .help("a newer wellrun reads it; the original is not to be edited")
            .into());
        }
        let manifest: Self = serde_json::from_slice(bytes).map_err(|error| wrong(error.to_string()))?;
        let mut found = Diagnostics::new();
        check_names(manifest.files.iter().map(|file| file.path.as_str()), &mut found);
        if let Some(own) = manifest
            .files
            .iter()
            .find(|f| matches!(f.path.as_str(), MANIFEST | SIGNATURE))
        {
            found.push(Diagnostic::error(
                "V011",
                format!("the manifest lists `{}`, which it cannot", own.path),
            ));
        }
        if manifest.to_text().as_bytes() != bytes {
            found.push(
                Diagnostic::error("V011", "the manifest is not written as this tool writes it")
                    .help("it was edited or saved by another program: ask for another copy"),
            );
        }
        found.unless_errors(manifest).map(|(manifest, _)| manifest)
    }

    /// Holds the files against their list.
    pub(super) fn check(&self, files: &Files, complete: bool) -> Diagnostics {
        let mut found = Diagnostics::new();
        let listed: BTreeMap<&str, &Listed> = self.files.iter().map(|file| (file.path.as_str(), file)).collect();
        for (path, file) in &listed {
            match files.get(*path) {
                None => found.push(Diagnostic::error(
                    "V013",
                    format!("`{path}` of the manifest is not there"),
                )),
                Some(bytes) => {
                    if let Some(difference) = file.difference(bytes) {
                        found.push(Diagnostic::error("V014", difference));
                    }
                }
            }
        }
        for path in files.keys().filter(|_| complete) {
            if !listed.contains_key(path.as_str()) && !matches!(path.as_str(), MANIFEST | SIGNATURE) {
                found.push(Diagnostic::error("V012", format!("`{path}` is not in the manifest")));
            }
        }
        found
    }
}

impl Listed {
    fn difference(&self, bytes: &[u8]) -> Option<String> {
        if self.role != role(&self.path) {
            let (path, own, listed) = (&self.path, role(&self.path), &self.role);
            return Some(format!(
                "`{path}` is listed as {listed}, and a file of that name is {own}"
            ));
        }
        if self.bytes != bytes.len() as u64 {
            return Some(format!(
                "`{}` holds {} bytes, and the manifest says {}",
                self.path,
                bytes.len(),
                self.bytes
            ));
        }
        let hash = sha256(bytes);
        (hash != self.sha256).then(|| {
            format!(
                "`{}` was changed after it was packed: its SHA-256 is {}, and the manifest says {}",
                self.path,
                short(&hash),
                short(&self.sha256)
            )
        })
    }
}

/// The first twelve digits of a hash, enough for people.
fn short(hash: &str) -> String {
    hash.chars().take(12).collect()
}
