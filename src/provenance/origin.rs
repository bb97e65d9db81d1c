//! Where a study at a second site comes from, and what it may not see yet.
//!
//! In:  a pack; the text of `origin.toml`; a study's seed and site; whether its record is closed.
//! Out: the file; what speaks against a plan or against showing the first site's results (codes `V03x`).
//!
//! Why: a second site that draws the same order repeats the first one's errors of order; one that has seen the first
//! one's results no longer reads without expectation. Never here: pooling.

use serde::{Deserialize, Serialize};

use super::manifest::{Holds, MANIFEST};
use super::pack::Pack;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::record::sha256;

const ORIGIN: &str = "origin.toml";

/// Where a study comes from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Origin {
    /// Version of this format; 1.
    pub wellrun_origin: u32,
    /// SHA-256 of the protocol's text.
    pub protocol_sha256: String,
    /// SHA-256 of the pack's manifest.
    pub manifest_sha256: String,
    /// How much of the first study was in the pack.
    pub holds: Holds,
    /// Id of the first site; empty if only the protocol was packed.
    pub site: String,
    /// Seed of the first site's draw; empty if only the protocol was packed.
    pub seed: String,
}

impl Origin {
    /// That of a pack.
    #[must_use]
    pub fn of(pack: &Pack) -> Self {
        let manifest = &pack.manifest;
        Self {
            wellrun_origin: 1,
            protocol_sha256: manifest.protocol_sha256.clone(),
            manifest_sha256: pack.files.get(MANIFEST).map(|bytes| sha256(bytes)).unwrap_or_default(),
            holds: manifest.holds,
            site: manifest.site.clone(),
            seed: manifest.seed.clone(),
        }
    }

    /// The file's text.
    #[must_use]
    pub fn to_text(&self) -> String {
        format!(
            "# Where this study comes from: written by `wellrun new --from`, not to be edited.\n{}",
            toml::to_string(self).unwrap_or_default()
        )
    }

    /// Reads the file back.
    ///
    /// # Errors
    ///
    /// `V030` if it cannot be read.
    pub fn read(text: &str) -> Result<Self, Diagnostics> {
        let origin: Self = toml::from_str(text).map_err(|problem| {
            Diagnostics::from(
                Diagnostic::error("V030", format!("{ORIGIN} cannot be read: {}", problem.message()))
                    .help("bring it back as `wellrun new --from` wrote it"),
            )
        })?;
        if origin.wellrun_origin != 1 {
            let message = format!(
                "{ORIGIN} is of version {}; this tool reads version 1",
                origin.wellrun_origin
            );
            return Err(Diagnostic::error("V030", message).into());
        }
        Ok(origin)
    }

    /// What speaks against a plan of this study with this site and seed.
    #[must_use]
    pub fn against_plan(&self, site: &str, seed: u64) -> Diagnostics {
        let mut found = Diagnostics::new();
        if !self.site.is_empty() && self.site == site {
            found.push(
                Diagnostic::error(
                    "V031",
                    format!("the study comes from site `{site}`, and this site is called the same"),
                )
                .help("give this site an id of its own in site.toml: its order is drawn under it"),
            );
        }
        if self.seed == seed.to_string() {
            found.push(
                Diagnostic::error(
                    "V032",
                    format!("the first site drew its order with seed {seed} already"),
                )
                .help("take another seed, or leave `--seed` out: each site draws an order of its own"),
            );
        }
        found
    }

    /// What speaks against showing the results of the study with this manifest; `None` once the record is closed.
    #[must_use]
    pub fn sealed(&self, manifest_sha256: &str, is_closed: bool) -> Option<Diagnostic> {
        (self.manifest_sha256 == manifest_sha256 && !is_closed).then(|| {
            Diagnostic::error(
                "V033",
                "the first site's results are not shown before this site's record is closed",
            )
            .help("take all readings in, then close the record with `wellrun record DIR --close`")
        })
    }
}
