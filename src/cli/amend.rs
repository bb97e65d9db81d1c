//! `wellrun plan --amend`: another version of the protocol under the order that was drawn.
//!
//! The new version comes as a file of its own, so that the version that held before is not lost: it moves into
//! `amendments/`. What an amendment may change is everything but the order: the draw is repeated from the new version with
//! the streams of the old one, and has to give the same plan. Another design is another study; and a plan by which
//! nobody has worked yet needs no amendment, it is drawn anew with `--force`.

use std::path::Path;

use super::load;
use super::outside::Outside;
use crate::diagnostic::{Diagnostic, Diagnostics, Source};
use crate::plan;
use crate::protocol;
use crate::record::{self, Context};
use crate::study::{self, Folder};

/// What was put on record.
#[derive(Debug)]
pub struct Amended {
    /// Version before.
    pub before: String,
    /// Version from here on.
    pub version: String,
    /// Where the version before lies.
    pub kept: String,
    /// What is worth knowing about the new version.
    pub warnings: Diagnostics,
}

/// Puts a new version of the protocol in place and on record.
///
/// # Errors
///
/// Everything wrong with the new version; `D090` without a plan, `D099` if it would give another order, those of
/// `record::amend`, of the journal under the new version, and of writing.
pub fn amend(folder: &Folder, file: &Path, reason: &str, outside: &Outside) -> Result<Amended, Diagnostics> {
    let writer = folder.lock()?;
    let (study, _) = load::study(folder, None)?;
    let header = study.frozen()?.header.clone();
    let old = folder.protocol()?;
    let (current, _) = protocol::read(&old)?;
    let bytes = study::read_file(file, study::TEXT_LIMIT)?;
    let text = String::from_utf8(bytes)
        .map_err(|_| Diagnostic::error("F021", format!("`{}` is not UTF-8 text", file.display())))?;
    let (mut new, warnings) = protocol::read(&Source::new(file.display().to_string(), text.clone()))?;
    let (before, from) = study.record.amendments.last().map_or_else(
        || (header.version.clone(), header.protocol_sha256.clone()),
        |last| (last.version.clone(), last.to.clone()),
    );
    let entry = record::amend(&new, &before, &from, reason, &study.record)?;
    if current.study.id != new.study.id {
        return Err(Diagnostic::error(
            "D099",
            format!(
                "the new version is of study `{}`, not of `{}`",
                new.study.id, current.study.id
            ),
        )
        .help("an amendment keeps the study's id; nothing was written")
        .into());
    }
    let site = match folder.text(study::SITE, study::TEXT_LIMIT)? {
        Some(source) => Some(protocol::read_site(&source, &new, None)?.0),
        None => None,
    };
    new.drawn_as.clone_from(&header.protocol_sha256);
    let seed = header.seed.parse().unwrap_or_default();
    let drawn_for = site.as_ref().filter(|_| !header.site.is_empty());
    let (again, _, _) = plan::freeze(&new, drawn_for, seed, &header.frozen_at)?;
    let is_same = again.header.plan_sha256 == header.plan_sha256
        && again.header.positions_sha256 == header.positions_sha256
        && again.header.key_sha256 == header.key_sha256;
    if !is_same {
        return Err(
            Diagnostic::error("D099", "under the new version another order would have been drawn")
                .help(if study.record.runs.is_empty() {
                    "nobody has worked by the plan yet: change protocol.toml and draw again with `wellrun plan --force`; \
                     nothing was written"
                } else {
                    "an order by which readings were taken never changes: a new design is a new study; nothing was written"
                })
                .into(),
        );
    }
    let line = record::append_lines(&[entry], &study.record.head, study.record.entries + 1, &outside.now());
    let journal = &study.journal.source;
    let whole = Source::new(journal.name.clone(), format!("{}{line}", journal.text));
    let people = study.people();
    let context = Context {
        protocol: &new,
        plan: Some(&again),
        people: &people,
    };
    record::replay(&whole, &context)?;
    let word: String = before
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '.' || c == '-' {
                c
            } else {
                '-'
            }
        })
        .collect();
    let kept = format!("{}/protocol-{}.toml", study::AMENDMENTS, word.trim_matches('.'));
    writer.write(&[(kept.clone(), old.text.clone().into_bytes())], false)?;
    let mut journal = study.journal.clone();
    writer.set_torn_aside(&journal)?;
    journal.torn = 0;
    // If the machine stops between these two, the journal names the old version and says so; the new file is still there.
    writer.write(&[(study::PROTOCOL.to_owned(), text.into_bytes())], true)?;
    writer.append(&journal, &line)?;
    Ok(Amended {
        before,
        version: new.study.version,
        kept,
        warnings,
    })
}
