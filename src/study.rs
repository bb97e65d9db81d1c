//! The study folder: what lies where; bounded reads, atomic writes, the lock, the journal's end.
//!
//! In:  paths as the user gave them.
//! Out: texts and bytes, or diagnostics (codes `F...`).
//!
//! | code | what | exit status |
//! |------|------|-------------|
//! | `F001`–`F019` | a file or folder could not be read or written, or would be overwritten | 2 |
//! | `F020`–`F029` | a file was read, and is not what it should be: too large, not text | 1 |
//!
//! Method: one writer at a time (`.wellrun.lock`). A file is written beside its place under a name that
//! ends in `.wellrun-new`, flushed to the disk, renamed, and the folder flushed; whoever takes the lock next
//! sweeps such leftovers of a killed process away. The journal only grows: an entry counts once `append`
//! has returned, which is after the disk has it. What a killed process left after the last line end never
//! counted; it is set aside as `record.torn-N`, not thrown away.
//!
//! A folder may come from a stranger: a link that leads out of it is refused, for reading and for writing.
//! Never here: what the files mean.
#![expect(
    clippy::disallowed_methods,
    reason = "this is the one place where files enter and leave the library"
)]

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Source};

/// The portable declaration.
pub const PROTOCOL: &str = "protocol.toml";
/// What is local.
pub const SITE: &str = "site.toml";
/// What is assumed before there are readings, if it does not stand in the protocol.
pub const ASSUMED: &str = "assumed.toml";
/// The frozen run list.
pub const PLAN_CSV: &str = "plan.csv";
/// Header of the run list.
pub const PLAN_TOML: &str = "plan.toml";
/// The spots of the readings.
pub const POSITIONS: &str = "positions.csv";
/// What stands behind the codes of a blinded study.
pub const KEY: &str = "blinding-key.toml";
/// What has to be the same at every site, with the site's answers.
pub const CONFORMANCE: &str = "conformance.toml";
/// Where a study at a second site comes from.
pub const ORIGIN: &str = "origin.toml";
/// Folder of earlier versions of the protocol.
pub const AMENDMENTS: &str = "amendments";
/// The journal.
pub const RECORD: &str = "record.jsonl";
/// The author's words.
pub const NOTE: &str = "note.md";
/// Folder of sheets.
pub const SHEETS: &str = "sheets";
/// Folder of replaced templates.
pub const TEMPLATES: &str = "templates";
/// Folder of the report.
pub const REPORT: &str = "report";

/// Most bytes of a file that people write: protocol, site, note, template.
pub const TEXT_LIMIT: u64 = 4 << 20;
/// Most bytes of a plan.
pub const PLAN_LIMIT: u64 = 256 << 20;
/// Most bytes of a filled sheet.
pub const SHEET_LIMIT: u64 = 512 << 20;
/// Most bytes of a journal.
pub const RECORD_LIMIT: u64 = 2 << 30;

const LOCK: &str = ".wellrun.lock";
const NEW: &str = ".wellrun-new";
const FOLDERS: [&str; 8] = [
    SHEETS,
    AMENDMENTS,
    REPORT,
    "report/charts",
    "report/tables",
    "report/sources",
    "report/sources/figures",
    "report/sources/fonts",
];

/// A study folder that exists.
#[derive(Debug, Clone)]
pub struct Folder {
    root: PathBuf,
    shown: PathBuf,
}

/// The journal as read, up to its last line end.
#[derive(Debug, Clone)]
pub struct Journal {
    /// Whole lines.
    pub source: Arc<Source>,
    /// Number of bytes after the last line end: left by a writer that was stopped half-way.
    pub torn: u64,
}

impl Journal {
    /// The journal of a study without readings.
    #[must_use]
    pub fn empty() -> Self {
        Self {
            source: Source::new(RECORD, ""),
            torn: 0,
        }
    }
}

/// What `Writer::write` did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Outcome {
    /// Files written, relative to the study.
    pub written: Vec<String>,
    /// Files that already held these very bytes.
    pub same: Vec<String>,
}

/// The right to write into a study; given back when dropped.
#[derive(Debug)]
pub struct Writer<'a> {
    folder: &'a Folder,
    _lock: File,
}

impl Folder {
    /// Opens a folder that holds a study.
    ///
    /// # Errors
    ///
    /// `F001` if there is no such folder, `F002` if it holds no `protocol.toml`.
    pub fn open(dir: &Path) -> Result<Self, Diagnostics> {
        let folder = Self::at(dir)?;
        if !folder.holds(PROTOCOL) {
            return Err(Diagnostic::error(
                "F002",
                format!("`{}` holds no study: there is no {PROTOCOL} in it", dir.display()),
            )
            .help("name the folder of a study, or start one with `wellrun new NAME DIR` (`wellrun protocols` lists the names)")
            .into());
        }
        Ok(folder)
    }

    /// Makes the folder of a new study, with the folders above it, unless it is there and empty.
    ///
    /// # Errors
    ///
    /// `F003` if something lies in it already, `F004` if it cannot be made.
    pub fn create(dir: &Path) -> Result<Self, Diagnostics> {
        match fs::read_dir(dir) {
            Ok(mut entries) => {
                if entries.next().is_some() {
                    return Err(Diagnostic::error("F003", format!("`{}` is not empty", dir.display()))
                        .help("name a folder that does not exist yet; nothing was written")
                        .into());
                }
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                fs::create_dir_all(dir).map_err(|error| failed("F004", "cannot make", dir, &error))?;
            }
            Err(error) => return Err(failed("F004", "cannot use", dir, &error)),
        }
        Self::at(dir)
    }

    /// Opens a folder to write results into, and makes it with the folders above it if it is not there.
    ///
    /// # Errors
    ///
    /// `F004` if it cannot be made, `F001` if it is no folder.
    pub fn output(dir: &Path) -> Result<Self, Diagnostics> {
        if let Err(error) = fs::create_dir_all(dir)
            && !dir.exists()
        {
            return Err(failed("F004", "cannot make", dir, &error));
        }
        Self::at(dir)
    }

    /// Empties a folder that carries `marker`, so that what made it can make it again.
    /// A folder that does not exist is left alone.
    ///
    /// # Errors
    ///
    /// `F003` if the folder holds anything and no marker, `F004` if something in it cannot be removed.
    pub fn clear(dir: &Path, marker: &str) -> Result<(), Diagnostics> {
        let entries = match fs::read_dir(dir) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(error) => return Err(failed("F004", "cannot use", dir, &error)),
        };
        let entries: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
        if entries.is_empty() {
            return Ok(());
        }
        if !fs::symlink_metadata(dir.join(marker)).is_ok_and(|found| found.is_file()) {
            return Err(Diagnostic::error(
                "F003",
                format!("`{}` is not empty, and was not made by this command", dir.display()),
            )
            .help("name another folder; nothing was written")
            .into());
        }
        // The marker goes last, so that a removal that was stopped half-way can be taken up again.
        let (last, first): (Vec<_>, Vec<_>) = entries.into_iter().partition(|path| path.ends_with(marker));
        for path in first.iter().chain(&last) {
            let is_folder = fs::symlink_metadata(path).is_ok_and(|found| found.is_dir());
            let removed = if is_folder {
                fs::remove_dir_all(path)
            } else {
                fs::remove_file(path)
            };
            removed.map_err(|error| failed("F004", "cannot remove", path, &error))?;
        }
        Ok(())
    }

    fn at(dir: &Path) -> Result<Self, Diagnostics> {
        let root = fs::canonicalize(dir).map_err(|error| failed("F001", "cannot open", dir, &error))?;
        if !root.is_dir() {
            return Err(
                Diagnostic::error("F001", format!("`{}` is not a folder", dir.display()))
                    .help("name the folder of a study")
                    .into(),
            );
        }
        Ok(Self {
            root,
            shown: dir.to_path_buf(),
        })
    }

    /// The same folder under another name for people.
    #[must_use]
    pub fn known_as(mut self, shown: &Path) -> Self {
        self.shown = shown.to_path_buf();
        self
    }

    /// A file of the study as people see it: under the folder as they gave it.
    #[must_use]
    pub fn shown(&self, relative: &str) -> String {
        let path = if self.shown == Path::new(".") || self.shown.as_os_str().is_empty() {
            PathBuf::from(relative)
        } else {
            self.shown.join(relative)
        };
        path.display().to_string()
    }

    /// True if there is something of that name, even a link that leads nowhere.
    #[must_use]
    pub fn holds(&self, relative: &str) -> bool {
        fs::symlink_metadata(self.root.join(relative)).is_ok()
    }

    /// A text file of the study; `None` if there is none.
    ///
    /// # Errors
    ///
    /// `F005` if it cannot be read, `F006` if it lies outside, `F020` if it is too large, `F021` if it is not UTF-8.
    pub fn text(&self, relative: &str, limit: u64) -> Result<Option<Arc<Source>>, Diagnostics> {
        if !self.holds(relative) {
            return Ok(None);
        }
        let shown = self.shown(relative);
        let bytes = read_bounded(&self.inside(relative)?, &shown, limit)?;
        Ok(Some(text_of(&shown, bytes)?))
    }

    /// The bytes of a file of the study; `None` if there is none.
    ///
    /// # Errors
    ///
    /// `F005` if it cannot be read, `F006` if it lies outside, `F020` if it is too large.
    pub fn bytes(&self, relative: &str, limit: u64) -> Result<Option<Vec<u8>>, Diagnostics> {
        if !self.holds(relative) {
            return Ok(None);
        }
        read_bounded(&self.inside(relative)?, &self.shown(relative), limit).map(Some)
    }

    /// The names of all files below a folder of the study, in order; hidden ones left out, at most `most`.
    ///
    /// # Errors
    ///
    /// `F005` if a folder cannot be read, `F006` for a link, `F020` if there are more.
    pub fn names(&self, below: &str, most: usize) -> Result<Vec<String>, Diagnostics> {
        let mut names = Vec::new();
        let mut folders = vec![below.to_owned()];
        while let Some(folder) = folders.pop() {
            if !self.holds(&folder) && !folder.is_empty() {
                continue;
            }
            let path = if folder.is_empty() {
                self.root.clone()
            } else {
                self.inside(&folder)?
            };
            let entries = fs::read_dir(&path).map_err(|error| failed("F005", "cannot read", &path, &error))?;
            for entry in entries.flatten() {
                let Ok(name) = entry.file_name().into_string() else {
                    continue;
                };
                if name.starts_with('.') {
                    continue;
                }
                let relative = if folder.is_empty() {
                    name
                } else {
                    format!("{folder}/{name}")
                };
                match entry.file_type() {
                    Ok(kind) if kind.is_dir() => folders.push(relative),
                    Ok(kind) if kind.is_file() => names.push(relative),
                    _ => return Err(outside(&self.shown(&relative))),
                }
                if names.len() + folders.len() > most {
                    return Err(Diagnostic::error(
                        "F020",
                        format!("`{}` holds more than {most} files", self.shown.display()),
                    )
                    .help("a study is never that large: look whether it is the right folder")
                    .into());
                }
            }
        }
        names.sort();
        Ok(names)
    }

    /// The protocol's text.
    ///
    /// # Errors
    ///
    /// As `text`; `F005` if there is none.
    pub fn protocol(&self) -> Result<Arc<Source>, Diagnostics> {
        self.text(PROTOCOL, TEXT_LIMIT)?.ok_or_else(|| {
            Diagnostic::error("F005", format!("cannot read `{}`: it is gone", self.shown(PROTOCOL))).into()
        })
    }

    /// The replaced templates: name and text, by name.
    ///
    /// # Errors
    ///
    /// As `text`, for every file in `templates/`.
    pub fn templates(&self) -> Result<Vec<(String, Arc<Source>)>, Diagnostics> {
        if !self.holds(TEMPLATES) {
            return Ok(Vec::new());
        }
        let folder = self.inside(TEMPLATES)?;
        let entries = fs::read_dir(&folder).map_err(|error| failed("F005", "cannot read", &folder, &error))?;
        let mut names: Vec<String> = entries
            .flatten()
            .filter_map(|entry| entry.file_name().into_string().ok())
            .filter(|name| !name.starts_with('.'))
            .collect();
        names.sort();
        let mut found = Vec::new();
        let mut wrong = Diagnostics::new();
        for name in names {
            match self.text(&format!("{TEMPLATES}/{name}"), TEXT_LIMIT) {
                Ok(Some(source)) => found.push((name, source)),
                Ok(None) => {}
                Err(diagnostics) => wrong.extend(diagnostics),
            }
        }
        wrong.unless_errors(found).map(|(found, _)| found)
    }

    /// The journal up to its last line end; empty if there is none.
    ///
    /// # Errors
    ///
    /// As `text`.
    pub fn journal(&self) -> Result<Journal, Diagnostics> {
        let shown = self.shown(RECORD);
        if !self.holds(RECORD) {
            return Ok(Journal {
                source: Source::new(shown, ""),
                torn: 0,
            });
        }
        let mut bytes = read_bounded(&self.inside(RECORD)?, &shown, RECORD_LIMIT)?;
        let whole = bytes.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        let torn = (bytes.len() - whole) as u64;
        bytes.truncate(whole);
        Ok(Journal {
            source: text_of(&shown, bytes)?,
            torn,
        })
    }

    /// Takes the right to write, and sweeps away what a killed writer left.
    ///
    /// # Errors
    ///
    /// `F007` if somebody else holds it, `F008` if the lock file cannot be made.
    pub fn lock(&self) -> Result<Writer<'_>, Diagnostics> {
        let path = self.root.join(LOCK);
        // The file is removed when the lock is given back, so the one just locked may no longer be the one
        // that others will find; then it is tried again.
        for _ in 0..100 {
            if fs::symlink_metadata(&path).is_ok_and(|found| !found.is_file()) {
                return Err(outside(&self.shown(LOCK)));
            }
            let file = OpenOptions::new()
                .create(true)
                .truncate(false)
                .write(true)
                .open(&path)
                .map_err(|error| failed("F008", "cannot write", &self.shown.join(LOCK), &error))?;
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => {
                    return Err(Diagnostic::error(
                        "F007",
                        format!("another wellrun is writing into `{}`", self.shown.display()),
                    )
                    .help("wait until it has ended, then try again; nothing was written")
                    .into());
                }
                Err(TryLockError::Error(error)) => {
                    return Err(failed("F008", "cannot lock", &self.shown.join(LOCK), &error));
                }
            }
            if same_file(&file, &path) {
                let writer = Writer {
                    folder: self,
                    _lock: file,
                };
                writer.sweep();
                return Ok(writer);
            }
        }
        Err(Diagnostic::error("F007", format!("`{}` is too busy to write into", self.shown.display())).into())
    }

    /// The real place of something in the study, for reading.
    fn inside(&self, relative: &str) -> Result<PathBuf, Diagnostics> {
        plain(relative)?;
        let shown = self.shown(relative);
        let real = fs::canonicalize(self.root.join(relative))
            .map_err(|error| failed("F005", "cannot read", Path::new(&shown), &error))?;
        if real.starts_with(&self.root) {
            Ok(real)
        } else {
            Err(outside(&shown))
        }
    }
}

impl Writer<'_> {
    /// Writes files, all or none as far as checks can tell: every file is laid ready on the disk before the
    /// first one takes its place.
    ///
    /// A file that already holds the same bytes is left alone; one that holds others is replaced only with `force`.
    ///
    /// # Errors
    ///
    /// `F009` for each file that would be overwritten, `F006` if a link stands in the way, `F010` if writing fails.
    pub fn write(&self, files: &[(String, Vec<u8>)], force: bool) -> Result<Outcome, Diagnostics> {
        let mut outcome = Outcome::default();
        let mut wrong = Diagnostics::new();
        let mut ready: Vec<(&str, PathBuf, &[u8])> = Vec::new();
        for (relative, bytes) in files {
            match self.target(relative, bytes, force) {
                Ok(Some(path)) => ready.push((relative, path, bytes)),
                Ok(None) => outcome.same.push(relative.clone()),
                Err(diagnostics) => wrong.extend(diagnostics),
            }
        }
        if wrong.has_errors() {
            return Err(wrong);
        }
        let mut staged: Vec<(PathBuf, &PathBuf)> = Vec::new();
        let staging = ready.iter().try_for_each(|(_, path, bytes)| -> io::Result<()> {
            let new = beside(path);
            self.make_folders(path)?;
            staged.push((new.clone(), path));
            let mut file = OpenOptions::new().create_new(true).write(true).open(&new)?;
            file.write_all(bytes)?;
            file.sync_all()
        });
        let moved = staging.and_then(|()| {
            for (new, path) in &staged {
                fs::rename(new, path)?;
            }
            let mut folders: Vec<&Path> = staged.iter().filter_map(|(_, path)| path.parent()).collect();
            folders.dedup();
            folders.into_iter().try_for_each(flush_folder)
        });
        if let Err(error) = moved {
            for (new, _) in &staged {
                // Best effort: whatever stays is swept away by the next writer.
                let _ = fs::remove_file(new);
            }
            return Err(failed("F010", "cannot write into", &self.folder.shown, &error));
        }
        outcome.written = ready.into_iter().map(|(relative, _, _)| relative.to_owned()).collect();
        Ok(outcome)
    }

    /// Removes a file, if it is there.
    ///
    /// # Errors
    ///
    /// `F010` if it cannot be removed.
    pub fn remove(&self, relative: &str) -> Result<(), Diagnostics> {
        plain(relative)?;
        let shown = self.folder.shown(relative);
        match fs::remove_file(self.folder.root.join(relative)) {
            Ok(()) => flush_folder(&self.folder.root)
                .map_err(|error| failed("F010", "cannot remove", Path::new(&shown), &error)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(failed("F010", "cannot remove", Path::new(&shown), &error)),
        }
    }

    /// Moves what a killed writer left after the last line end of the journal into `record.torn-N`.
    /// Returns the name of that file; `None` if there was nothing to move.
    ///
    /// # Errors
    ///
    /// `F010` if it cannot be moved; the journal is then as it was.
    pub fn set_torn_aside(&self, journal: &Journal) -> Result<Option<String>, Diagnostics> {
        if journal.torn == 0 {
            return Ok(None);
        }
        let whole = journal.source.text.len() as u64;
        let shown = self.folder.shown(RECORD);
        let cannot = |error: &io::Error| failed("F010", "cannot mend", Path::new(&shown), error);
        let mut file = self.open_journal(whole + journal.torn)?;
        let mut tail = Vec::new();
        file.seek(SeekFrom::Start(whole))
            .and_then(|_| file.read_to_end(&mut tail))
            .map_err(|error| cannot(&error))?;
        let name = (1..u32::MAX)
            .map(|number| format!("record.torn-{number}"))
            .find(|name| !self.folder.holds(name))
            .unwrap_or_default();
        self.write(&[(name.clone(), tail)], false)?;
        file.set_len(whole)
            .and_then(|()| file.sync_all())
            .map_err(|error| cannot(&error))?;
        Ok(Some(name))
    }

    /// Adds whole lines to the journal. When this returns `Ok`, they are on the disk.
    ///
    /// # Errors
    ///
    /// `F011` if the journal changed since it was read, `F010` if writing fails; what was written of the
    /// lines is then taken back where that is possible.
    pub fn append(&self, journal: &Journal, lines: &str) -> Result<(), Diagnostics> {
        let shown = self.folder.shown(RECORD);
        let cannot = |error: &io::Error| failed("F010", "cannot write", Path::new(&shown), error);
        let whole = journal.source.text.len() as u64;
        let is_new = !self.folder.holds(RECORD);
        let mut file = self.open_journal(whole)?;
        let written = file
            .seek(SeekFrom::End(0))
            .and_then(|_| file.write_all(lines.as_bytes()))
            .and_then(|()| file.sync_all());
        if let Err(error) = written {
            // Best effort: what stays after the last line end never counted.
            let _ = file.set_len(whole);
            return Err(cannot(&error));
        }
        if is_new {
            flush_folder(&self.folder.root).map_err(|error| cannot(&error))?;
        }
        Ok(())
    }

    /// Opens the journal for writing, after making sure that it is the one that was read.
    fn open_journal(&self, length: u64) -> Result<File, Diagnostics> {
        let shown = self.folder.shown(RECORD);
        let path = self.folder.root.join(RECORD);
        if fs::symlink_metadata(&path).is_ok_and(|found| !found.is_file()) {
            return Err(outside(&shown));
        }
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(&path)
            .map_err(|error| failed("F010", "cannot write", Path::new(&shown), &error))?;
        let now = file
            .metadata()
            .map_err(|error| failed("F010", "cannot write", Path::new(&shown), &error))?
            .len();
        if now == length {
            Ok(file)
        } else {
            Err(
                Diagnostic::error("F011", format!("`{shown}` changed while it was being read"))
                    .help("let nothing else write to the journal, and try again; nothing was written")
                    .into(),
            )
        }
    }

    /// Where a file is to go; `None` if it lies there already with the same bytes.
    fn target(&self, relative: &str, bytes: &[u8], force: bool) -> Result<Option<PathBuf>, Diagnostics> {
        plain(relative)?;
        let shown = self.folder.shown(relative);
        let mut path = self.folder.root.clone();
        let parts: Vec<&str> = relative.split('/').collect();
        for (index, part) in parts.iter().enumerate() {
            path.push(part);
            let Ok(found) = fs::symlink_metadata(&path) else {
                continue;
            };
            let is_last = index + 1 == parts.len();
            if found.is_symlink() {
                return Err(outside(&shown));
            }
            if is_last != found.is_file() {
                let what = if is_last {
                    "a folder stands in its place"
                } else {
                    "a file stands in the place of its folder"
                };
                return Err(Diagnostic::error("F010", format!("cannot write `{shown}`: {what}")).into());
            }
            if !is_last {
                continue;
            }
            let is_same = found.len() == bytes.len() as u64
                && read_bounded(&path, &shown, found.len()).is_ok_and(|present| present == bytes);
            if is_same {
                return Ok(None);
            }
            if !force {
                return Err(
                    Diagnostic::error("F009", format!("`{shown}` is already there, with other content"))
                        .help("move it away, or replace it with `--force`; nothing was written")
                        .into(),
                );
            }
        }
        Ok(Some(path))
    }

    /// Makes the folders above a file.
    fn make_folders(&self, path: &Path) -> io::Result<()> {
        let Some(parent) = path.parent() else { return Ok(()) };
        if parent == self.folder.root || parent.is_dir() {
            return Ok(());
        }
        self.make_folders(parent)?;
        fs::create_dir(parent)?;
        parent.parent().map_or(Ok(()), flush_folder)
    }

    /// Removes what a killed writer left half-written. Best effort: a leftover does no harm.
    fn sweep(&self) {
        for folder in std::iter::once("").chain(FOLDERS) {
            let folder = self.folder.root.join(folder);
            // Never through a link: what it leads to is not ours.
            if !fs::symlink_metadata(&folder).is_ok_and(|found| found.is_dir()) {
                continue;
            }
            let Ok(entries) = fs::read_dir(&folder) else { continue };
            for entry in entries.flatten() {
                let name = entry.file_name();
                let ours = name
                    .to_str()
                    .is_some_and(|name| name.starts_with('.') && name.ends_with(NEW));
                if ours && entry.file_type().is_ok_and(|kind| kind.is_file()) {
                    let _ = fs::remove_file(entry.path());
                }
            }
        }
    }
}

impl Drop for Writer<'_> {
    fn drop(&mut self) {
        // Removed while still locked; `lock` looks whether the file it locked is still the one others find.
        // A file that stays behind does no harm: the lock is on the open file, not on its name.
        if cfg!(unix) {
            let _ = fs::remove_file(self.folder.root.join(LOCK));
        }
    }
}

/// A folder of one's own outside the study, for a command that wants files; gone when dropped.
#[derive(Debug)]
pub struct Scratch(PathBuf);

impl Scratch {
    /// Makes the folder, under a name that nobody could have prepared.
    ///
    /// # Errors
    ///
    /// `F015` if it cannot be made.
    pub fn new(name: u64) -> Result<Self, Diagnostics> {
        let path = std::env::temp_dir().join(format!("wellrun-{name:016x}"));
        fs::create_dir(&path).map_err(|error| failed("F015", "cannot make", &path, &error))?;
        Ok(Self(path))
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Writes a file into it.
    ///
    /// # Errors
    ///
    /// `F006` for a name that leads out, `F015` if it cannot be written.
    pub fn write(&self, relative: &str, bytes: &[u8]) -> Result<(), Diagnostics> {
        plain(relative)?;
        let path = self.0.join(relative);
        path.parent()
            .map_or(Ok(()), fs::create_dir_all)
            .and_then(|()| fs::write(&path, bytes))
            .map_err(|error| failed("F015", "cannot write", &path, &error))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // Best effort: the system clears its folder for such things itself.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// The bytes of a file that the user named, such as a filled sheet; from anywhere.
///
/// # Errors
///
/// `F005` if it cannot be read, `F020` if it is larger than `limit` bytes.
pub fn read_file(path: &Path, limit: u64) -> Result<Vec<u8>, Diagnostics> {
    read_bounded(path, &path.display().to_string(), limit)
}

/// Makes sure that nothing of that name is there.
///
/// # Errors
///
/// `F009` if there is.
pub fn is_free(path: &Path) -> Result<(), Diagnostics> {
    if fs::symlink_metadata(path).is_err() {
        return Ok(());
    }
    Err(
        Diagnostic::error("F009", format!("`{}` is already there", path.display()))
            .help("name another file; nothing was written")
            .into(),
    )
}

/// Writes one file that the user named, anywhere; the folders above it are made.
///
/// A file that already holds the same bytes is left alone; one that holds others is replaced only with `force`. A
/// `secret` one can be read by its owner only, where the system knows such a thing.
///
/// # Errors
///
/// `F009` if it would be overwritten, `F006` if a link stands in its place, `F010` if writing fails.
pub fn write_file(path: &Path, bytes: &[u8], force: bool, secret: bool) -> Result<(), Diagnostics> {
    let shown = path.display().to_string();
    if let Ok(found) = fs::symlink_metadata(path) {
        if !found.is_file() {
            return Err(outside(&shown));
        }
        let is_same = found.len() == bytes.len() as u64
            && read_bounded(path, &shown, found.len()).is_ok_and(|present| present == bytes);
        if is_same {
            return Ok(());
        }
        if !force {
            return Err(
                Diagnostic::error("F009", format!("`{shown}` is already there, with other content"))
                    .help("move it away, or replace it with `--force`; nothing was written")
                    .into(),
            );
        }
    }
    let new = beside(path);
    let mut options = OpenOptions::new();
    options.create_new(true).write(true);
    #[cfg(unix)]
    if secret {
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    }
    #[cfg(not(unix))]
    let _ = secret;
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    // What a killed command left under that name never counted.
    let _ = fs::remove_file(&new);
    let written = folder
        .map_or(Ok(()), fs::create_dir_all)
        .and_then(|()| options.open(&new))
        .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
        .and_then(|()| fs::rename(&new, path))
        .and_then(|()| flush_folder(folder.unwrap_or(Path::new("."))));
    written.map_err(|error| {
        let _ = fs::remove_file(&new);
        failed("F010", "cannot write", path, &error)
    })
}

/// Reads a whole file of at most `limit` bytes.
fn read_bounded(path: &Path, shown: &str, limit: u64) -> Result<Vec<u8>, Diagnostics> {
    let cannot = |error: &io::Error| failed("F005", "cannot read", Path::new(shown), error);
    // Looked at before opening: opening a pipe would wait for ever.
    let found = fs::metadata(path).map_err(|error| cannot(&error))?;
    if !found.is_file() {
        return Err(Diagnostic::error("F005", format!("cannot read `{shown}`: it is not a file")).into());
    }
    let file = File::open(path).map_err(|error| cannot(&error))?;
    let mut bytes = Vec::new();
    file.take(limit.saturating_add(1))
        .read_to_end(&mut bytes)
        .map_err(|error| cannot(&error))?;
    if bytes.len() as u64 > limit {
        return Err(
            Diagnostic::error("F020", format!("`{shown}` is larger than {limit} bytes"))
                .help("a file of this kind is never that large: look whether it is the right one")
                .into(),
        );
    }
    Ok(bytes)
}

/// UTF-8 text, or a diagnostic at the first byte that is not.
fn text_of(shown: &str, bytes: Vec<u8>) -> Result<Arc<Source>, Diagnostics> {
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Source::new(shown, text)),
        Err(error) => {
            let at = error.utf8_error().valid_up_to();
            let source = Source::new(shown, String::from_utf8_lossy(error.as_bytes()));
            Err(Diagnostic::error("F021", format!("`{shown}` is not UTF-8 text"))
                .at(
                    &source,
                    at..at + '\u{fffd}'.len_utf8(),
                    "this byte belongs to no character",
                )
                .help("save the file as UTF-8")
                .into())
        }
    }
}

/// Refuses names that could lead out of the folder.
fn plain(relative: &str) -> Result<(), Diagnostics> {
    let is_plain = !relative.is_empty()
        && !relative.contains(['\\', '\0'])
        && Path::new(relative)
            .components()
            .all(|part| matches!(part, Component::Normal(_)));
    if is_plain { Ok(()) } else { Err(outside(relative)) }
}

fn outside(shown: &str) -> Diagnostics {
    Diagnostic::error("F006", format!("`{shown}` leads out of the study folder, or is a link"))
        .help("put the file itself into the folder")
        .into()
}

fn failed(code: &'static str, what: &str, path: &Path, error: &io::Error) -> Diagnostics {
    let shown = if path.as_os_str().is_empty() {
        Path::new(".")
    } else {
        path
    };
    Diagnostic::error(code, format!("{what} `{}`: {}", shown.display(), reason(error))).into()
}

/// The operating system's words, the commonest in words of our own, which do not depend on the locale.
fn reason(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "there is nothing of that name".into(),
        io::ErrorKind::PermissionDenied => "it is not permitted".into(),
        io::ErrorKind::NotADirectory => "something in the path is not a folder".into(),
        io::ErrorKind::StorageFull => "the disk is full".into(),
        io::ErrorKind::ReadOnlyFilesystem => "the disk is read-only".into(),
        _ => error.to_string(),
    }
}

/// The name under which a file is written before it takes its place.
fn beside(path: &Path) -> PathBuf {
    let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
    path.with_file_name(format!(".{name}{NEW}"))
}

#[cfg(unix)]
fn same_file(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), fs::metadata(path)) {
        (Ok(ours), Ok(theirs)) => ours.dev() == theirs.dev() && ours.ino() == theirs.ino(),
        _ => false,
    }
}

#[cfg(not(unix))]
fn same_file(_: &File, _: &Path) -> bool {
    true // the lock file is never removed there
}

/// A rename is on the disk once its folder is.
fn flush_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) {
        File::open(folder)?.sync_all()
    } else {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn study() -> (tempfile::TempDir, Folder) {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(PROTOCOL), "wellrun = 1\n").unwrap();
        let folder = Folder::open(dir.path()).unwrap();
        (dir, folder)
    }

    fn codes(diagnostics: &Diagnostics) -> Vec<&'static str> {
        diagnostics.iter().map(|d| d.code).collect()
    }

    fn listing(dir: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(dir)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_folder_without_a_protocol_is_no_study() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(codes(&Folder::open(dir.path()).unwrap_err()), ["F002"]);
        assert_eq!(codes(&Folder::open(&dir.path().join("absent")).unwrap_err()), ["F001"]);
    }

    #[test]
    fn a_new_study_needs_an_empty_folder() {
        let dir = tempfile::tempdir().unwrap();
        Folder::create(&dir.path().join("a/b")).unwrap();
        Folder::create(&dir.path().join("a/b")).unwrap();
        assert_eq!(codes(&Folder::create(dir.path()).unwrap_err()), ["F003"]);
    }

    #[test]
    fn only_a_marked_folder_is_cleared() {
        let dir = tempfile::tempdir().unwrap();
        fs::create_dir(dir.path().join("deep")).unwrap();
        fs::write(dir.path().join("deep/kept"), "x").unwrap();
        assert_eq!(codes(&Folder::clear(dir.path(), ".mark").unwrap_err()), ["F003"]);
        assert_eq!(listing(dir.path()), ["deep"]);
        fs::write(dir.path().join(".mark"), "").unwrap();
        Folder::clear(dir.path(), ".mark").unwrap();
        assert!(listing(dir.path()).is_empty());
        Folder::clear(&dir.path().join("absent"), ".mark").unwrap();
    }

    #[test]
    fn writing_refuses_other_content_without_force_and_writes_nothing() {
        let (dir, folder) = study();
        let writer = folder.lock().unwrap();
        let first = vec![("report/a.txt".to_owned(), b"one".to_vec())];
        assert_eq!(writer.write(&first, false).unwrap().written, ["report/a.txt"]);
        assert_eq!(writer.write(&first, false).unwrap().same, ["report/a.txt"]);
        let second = vec![
            ("report/b.txt".to_owned(), b"new".to_vec()),
            ("report/a.txt".to_owned(), b"two".to_vec()),
        ];
        assert_eq!(codes(&writer.write(&second, false).unwrap_err()), ["F009"]);
        assert_eq!(listing(&dir.path().join("report")), ["a.txt"]);
        writer.write(&second, true).unwrap();
        assert_eq!(fs::read_to_string(dir.path().join("report/a.txt")).unwrap(), "two");
        drop(writer);
        assert_eq!(listing(dir.path()), ["protocol.toml", "report"]);
    }

    #[test]
    fn one_writer_at_a_time_and_no_lock_file_stays() {
        let (dir, folder) = study();
        let writer = folder.lock().unwrap();
        assert_eq!(codes(&folder.lock().unwrap_err()), ["F007"]);
        drop(writer);
        drop(folder.lock().unwrap());
        assert_eq!(listing(dir.path()), ["protocol.toml"]);
    }

    #[test]
    fn the_next_writer_sweeps_leftovers_and_nothing_else() {
        let (dir, folder) = study();
        fs::create_dir(dir.path().join("sheets")).unwrap();
        for name in [
            ".plan.csv.wellrun-new",
            "sheets/.sheet.pdf.wellrun-new",
            "mine.wellrun-new",
            ".kept",
        ] {
            fs::write(dir.path().join(name), "x").unwrap();
        }
        fs::write(dir.path().join(LOCK), "").unwrap();
        drop(folder.lock().unwrap());
        assert_eq!(
            listing(dir.path()),
            [".kept", "mine.wellrun-new", "protocol.toml", "sheets"]
        );
        assert!(listing(&dir.path().join("sheets")).is_empty());
    }

    #[test]
    fn the_journal_grows_by_whole_lines_and_a_torn_end_is_set_aside() {
        let (dir, folder) = study();
        let writer = folder.lock().unwrap();
        let journal = folder.journal().unwrap();
        writer.append(&journal, "one\n").unwrap();
        // The journal that was read is no longer the one on the disk.
        assert_eq!(codes(&writer.append(&journal, "two\n").unwrap_err()), ["F011"]);
        let mut file = OpenOptions::new().append(true).open(dir.path().join(RECORD)).unwrap();
        file.write_all(b"tw").unwrap();
        let journal = folder.journal().unwrap();
        assert_eq!((journal.source.text.as_str(), journal.torn), ("one\n", 2));
        assert_eq!(
            writer.set_torn_aside(&journal).unwrap().as_deref(),
            Some("record.torn-1")
        );
        assert_eq!(fs::read_to_string(dir.path().join("record.torn-1")).unwrap(), "tw");
        let journal = folder.journal().unwrap();
        assert_eq!(journal.torn, 0);
        assert_eq!(writer.set_torn_aside(&journal).unwrap(), None);
        writer.append(&journal, "two\n").unwrap();
        assert_eq!(fs::read_to_string(dir.path().join(RECORD)).unwrap(), "one\ntwo\n");
    }

    #[test]
    fn text_is_bounded_and_utf8() {
        let (dir, folder) = study();
        assert!(folder.text(NOTE, TEXT_LIMIT).unwrap().is_none());
        fs::write(dir.path().join(NOTE), b"two\nbad \xff here").unwrap();
        let wrong = folder.text(NOTE, TEXT_LIMIT).unwrap_err();
        assert_eq!(codes(&wrong), ["F021"]);
        let position = wrong.iter().next().and_then(|d| d.position().map(|p| (p.1, p.2)));
        assert_eq!(position, Some((2, 5)));
        fs::write(dir.path().join(NOTE), b"12345").unwrap();
        assert_eq!(codes(&folder.text(NOTE, 4).unwrap_err()), ["F020"]);
        assert!(folder.text(NOTE, 5).unwrap().is_some());
        fs::create_dir(dir.path().join(SITE)).unwrap();
        assert_eq!(codes(&folder.text(SITE, 5).unwrap_err()), ["F005"]);
    }

    #[test]
    fn names_that_lead_out_are_refused() {
        let (_dir, folder) = study();
        let writer = folder.lock().unwrap();
        for name in ["../out", "/etc/out", "a/../../out", "", "a\\b"] {
            let files = [(name.to_owned(), Vec::new())];
            assert_eq!(codes(&writer.write(&files, true).unwrap_err()), ["F006"], "{name}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_that_lead_out_are_refused() {
        use std::os::unix::fs::symlink;
        let (dir, folder) = study();
        let other = tempfile::tempdir().unwrap();
        fs::write(other.path().join("secret"), "x").unwrap();
        symlink(other.path().join("secret"), dir.path().join(NOTE)).unwrap();
        symlink(other.path(), dir.path().join(REPORT)).unwrap();
        symlink(other.path().join("journal"), dir.path().join(RECORD)).unwrap();
        assert_eq!(codes(&folder.text(NOTE, TEXT_LIMIT).unwrap_err()), ["F006"]);
        assert_eq!(codes(&folder.journal().unwrap_err()), ["F005"]);
        let writer = folder.lock().unwrap();
        let files = [("report/a".to_owned(), Vec::new()), ("note.md".to_owned(), Vec::new())];
        assert_eq!(codes(&writer.write(&files, true).unwrap_err()), ["F006", "F006"]);
        let empty = Journal {
            source: Source::new(RECORD, ""),
            torn: 0,
        };
        assert_eq!(codes(&writer.append(&empty, "x\n").unwrap_err()), ["F006"]);
        assert_eq!(listing(other.path()), ["secret"]);
    }
}
