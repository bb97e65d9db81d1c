//! One archive of many files, in the ZIP format that every system opens: written the same way every time, and read
//! as what it is, a thing from a stranger.
//!
//! In:  files by name; or the bytes of an archive.
//! Out: the bytes of an archive; or all of its files, or everything that is wrong with it (codes `V...`).
//!
//! Method: files are stored one after the other, in the order of their names, uncompressed (so that no new version of
//! a compressor changes a byte), with the earliest time that the format knows. Reading takes stored and deflated
//! files, and nothing but plain files that cover the archive without gap or overlap from its first byte to its list
//! of contents: what other programs might see in it is what is seen here. Sizes are bounded before anything is
//! unpacked and again while it is. Format: PKWARE, APPNOTE.TXT 6.3.10.
//! Never here: files on a disk, what the files mean.

use std::collections::BTreeMap;
use std::io::{Cursor, Read, Write};

use zip::read::{ArchiveOffset, Config};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipArchive, ZipWriter};

use super::names;
use crate::diagnostic::{Diagnostic, Diagnostics};

/// Files by name.
pub type Files = BTreeMap<String, Vec<u8>>;

/// Most bytes of an archive, and of all its files together.
pub const MOST_BYTES: u64 = 1 << 30;
/// Most files.
pub const MOST_FILES: usize = 10_000;
/// Most bytes that come out of one byte of a deflated file. Tables and drawings come to 20 or so.
const MOST_RATIO: u64 = 200;
/// Below this size no ratio is looked at.
const SMALL: u64 = 64 << 10;
/// Bytes of a local header, and of an entry in the list of contents, without what follows at will.
const LOCAL: u64 = 30;
const LISTED: u64 = 46;
/// Bytes of the record that ends the archive.
const END: u64 = 22;

/// The archive of these files.
///
/// # Errors
///
/// `V003` or `V006` for names that a pack cannot hold, `V002` if it comes to more than packs hold.
pub fn write(files: &Files) -> Result<Vec<u8>, Diagnostics> {
    let mut found = Diagnostics::new();
    check_names(files.keys().map(String::as_str), &mut found);
    let total: u64 = files.values().map(|bytes| bytes.len() as u64).sum();
    if total > MOST_BYTES || files.len() > MOST_FILES {
        found.push(too_large(total, files.len()));
    }
    if found.has_errors() {
        return Err(found);
    }
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(DateTime::default())
        .system(zip::System::Unix)
        .unix_permissions(0o644);
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    let mut put = || -> zip::result::ZipResult<()> {
        for (name, bytes) in files {
            writer.start_file(name.as_str(), options)?;
            writer.write_all(bytes)?;
        }
        Ok(())
    };
    put()
        .and_then(|()| writer.finish())
        .map(Cursor::into_inner)
        .map_err(|error| Diagnostic::error("V001", format!("the archive cannot be written: {error}")).into())
}

/// All files of an archive; all or none.
///
/// # Errors
///
/// `V001` to `V008`: everything that is wrong with it.
pub fn read(bytes: &[u8]) -> Result<Files, Diagnostics> {
    if bytes.len() as u64 > MOST_BYTES {
        return Err(too_large(bytes.len() as u64, 0).into());
    }
    let config = Config {
        archive_offset: ArchiveOffset::Known(0),
    };
    let mut archive = ZipArchive::with_config(config, Cursor::new(bytes)).map_err(|error| {
        Diagnostics::from(
            Diagnostic::error("V001", format!("this is not an archive that can be read: {error}"))
                .help("a pack is a ZIP archive that `wellrun pack` wrote"),
        )
    })?;
    if archive.len() > MOST_FILES {
        return Err(too_large(0, archive.len()).into());
    }
    let mut found = Diagnostics::new();
    if archive.has_duplicate_names() {
        found.push(Diagnostic::error("V005", "a name stands twice in the archive").help(NOT_OURS));
    }
    let entries = list(&mut archive, bytes, &mut found);
    if found.has_errors() {
        return Err(found);
    }
    if let Err(error) = archive.validate_header_consistency() {
        return Err(Diagnostic::error(
            "V007",
            format!("the archive's list of contents is not what lies in it: {error}"),
        )
        .help(NOT_OURS)
        .into());
    }
    covered(&entries, archive.central_directory_start(), bytes.len() as u64)?;
    unpack(&mut archive, &entries)
}

/// Said where an archive cannot have been written by `write`.
const NOT_OURS: &str =
    "`wellrun pack` writes no such archive: ask whoever sent it for another copy; nothing was written";

/// An entry as the list of contents has it.
struct Entry {
    name: String,
    size: u64,
    /// From the first byte of its header to the byte after its last one.
    span: (u64, u64),
    /// The same in the list of contents.
    listed: (u64, u64),
}

/// Every entry that is a plain file with a name that can be; what is wrong with the others.
fn list(archive: &mut ZipArchive<Cursor<&[u8]>>, bytes: &[u8], found: &mut Diagnostics) -> Vec<Entry> {
    let mut entries = Vec::with_capacity(archive.len());
    let mut total: u64 = 0;
    for index in 0..archive.len() {
        let entry = match archive.by_index_raw(index) {
            Ok(entry) => entry,
            Err(error) => {
                let message = format!("entry {} of the archive cannot be read: {error}", index + 1);
                found.push(Diagnostic::error("V008", message).help(NOT_OURS));
                continue;
            }
        };
        let raw = entry.name_raw();
        let name = String::from_utf8_lossy(raw).into_owned();
        let shown = shown(&name);
        let mut refuse = |code, what: &str| {
            found.push(Diagnostic::error(code, format!("`{shown}` in the archive: {what}")).help(NOT_OURS));
        };
        if let Some(what) = names::fault(&name) {
            refuse("V003", what);
        }
        let kind = entry.unix_mode().map_or(0, |mode| mode & 0o170_000);
        if entry.is_symlink() || kind == 0o120_000 {
            refuse("V004", "it is a link");
        } else if entry.is_dir() || !entry.is_file() || !matches!(kind, 0 | 0o100_000) {
            refuse("V004", "it is not a plain file");
        } else if entry.encrypted() {
            refuse("V004", "it is encrypted");
        } else if !matches!(
            entry.compression(),
            CompressionMethod::Stored | CompressionMethod::Deflated
        ) {
            refuse("V004", "it is compressed in a way that packs do not use");
        }
        let (size, packed) = (entry.size(), entry.compressed_size());
        total = total.saturating_add(size);
        if size > SMALL && size / MOST_RATIO > packed {
            refuse(
                "V002",
                "it would come out more than 200 times as large as it lies in the archive",
            );
        }
        let extra = entry.extra_data().map_or(0, |extra| extra.len() as u64);
        let start = entry.central_header_start();
        let listed_end = start + LISTED + raw.len() as u64 + extra + entry.comment_raw().len() as u64;
        let header = entry.header_start();
        let end = entry.data_start().map_or(0, |data| data.saturating_add(packed));
        // The name in front of the data, which other programs go by.
        let from = header.saturating_add(LOCAL) as usize;
        if bytes.get(from..from.saturating_add(raw.len())) != Some(raw) {
            refuse("V007", "it has another name where its bytes lie");
        }
        entries.push(Entry {
            name,
            size,
            span: (header, end),
            listed: (start, listed_end),
        });
    }
    if total > MOST_BYTES {
        found.push(too_large(total, 0));
    }
    check_clashes(entries.iter().map(|entry| entry.name.as_str()), found);
    entries
}

/// The files lie one after the other, then the list of contents, then the end; nothing else.
fn covered(entries: &[Entry], list: u64, length: u64) -> Result<(), Diagnostics> {
    let gapless = |mut spans: Vec<(u64, u64)>, from: u64| {
        spans.sort_unstable();
        spans
            .iter()
            .try_fold(from, |at, &(start, end)| (start == at && end >= at).then_some(end))
    };
    let files = gapless(entries.iter().map(|entry| entry.span).collect(), 0);
    let listed = gapless(entries.iter().map(|entry| entry.listed).collect(), list);
    if files == Some(list) && listed.and_then(|end| end.checked_add(END)) == Some(length) {
        Ok(())
    } else {
        Err(
            Diagnostic::error("V007", "the archive holds bytes that belong to none of its files")
                .help(NOT_OURS)
                .into(),
        )
    }
}

fn unpack(archive: &mut ZipArchive<Cursor<&[u8]>>, entries: &[Entry]) -> Result<Files, Diagnostics> {
    let mut files = Files::new();
    let mut found = Diagnostics::new();
    for (index, listed) in entries.iter().enumerate() {
        let mut bytes = Vec::new();
        let read = archive.by_index(index).map_err(std::io::Error::other).and_then(|file| {
            // One more than it says, to see whether there is more than it says.
            file.take(listed.size.saturating_add(1)).read_to_end(&mut bytes)
        });
        match read {
            Ok(_) if bytes.len() as u64 == listed.size => {
                files.insert(listed.name.clone(), bytes);
            }
            Ok(_) => found.push(damaged(&listed.name, "it is not as long as the archive says")),
            Err(error) => found.push(damaged(&listed.name, &error.to_string())),
        }
    }
    found.unless_errors(files).map(|(files, _)| files)
}

/// Names that a pack can hold, none of them in another's way.
pub(super) fn check_names<'a>(names: impl Iterator<Item = &'a str> + Clone, found: &mut Diagnostics) {
    for name in names.clone() {
        if let Some(what) = names::fault(name) {
            found.push(
                Diagnostic::error("V003", format!("a pack cannot hold `{}`: {what}", shown(name)))
                    .help("give the file another name"),
            );
        }
    }
    check_clashes(names, found);
}

fn check_clashes<'a>(names: impl Iterator<Item = &'a str>, found: &mut Diagnostics) {
    for (one, other, what) in names::clashes(names) {
        let message = format!("`{}` and `{}`: {what}", shown(&one), shown(&other));
        found.push(Diagnostic::error("V006", message).help("on some systems one of them would take the other's place"));
    }
}

fn damaged(name: &str, what: &str) -> Diagnostic {
    Diagnostic::error("V008", format!("`{}` in the archive is damaged: {what}", shown(name)))
        .help("ask for another copy of the pack; nothing was written")
}

fn too_large(bytes: u64, files: usize) -> Diagnostic {
    let what = if files > MOST_FILES {
        format!("{files} files")
    } else {
        format!("{bytes} bytes")
    };
    Diagnostic::error(
        "V002",
        format!("this comes to {what}; a pack holds at most {MOST_FILES} files and {MOST_BYTES} bytes"),
    )
    .help("a study is never that large: look whether it is the right file; nothing was written")
}

/// A name from a stranger, short enough to be read.
fn shown(name: &str) -> String {
    const MOST: usize = 80;
    if name.chars().count() > MOST {
        name.chars().take(MOST).chain(['…']).collect()
    } else {
        name.to_owned()
    }
}
