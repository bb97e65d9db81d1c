//! Data and a Typst template to a PDF.
//!
//! In:  a template by name, data as JSON, figures as SVG text by name, and the document's particulars.
//! Out: the bytes of a tagged PDF; the same inputs give the same bytes.
//!
//! | the template reads | what it is                                                       |
//! |--------------------|------------------------------------------------------------------|
//! | `data.json`        | the data                                                         |
//! | `options.json`     | `title`, `author`, `paper` (`a4` or `us-letter`), `time`         |
//! | `figures/NAME.svg` | a figure                                                         |
//! | `OTHER.typ`        | any other Typst template of the set                              |
//!
//! Nothing else can be read: no file, no package, no network, no clock. Data arrives as JSON and is never part of
//! the source, so markup in it prints as it stands. Characters that no embedded font has are written as their code.
//!
//! The export asks for PDF/A-2a and PDF/UA-1 (a title, a text for every figure, headings without gaps) and reports
//! what stands in the way. That is not a certificate of conformance.
//!
//! A compile is bounded: the engine limits loops (10,000 rounds) and nesting itself, and after `PATIENCE` the
//! caller gets an error while the abandoned thread ends with the process.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::Path;
use std::sync::{Arc, LazyLock, mpsc};
use std::thread;
use std::time::Duration;

use serde_json::json;
use typst::diag::{FileError, FileResult, Severity, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Smart};
use typst::syntax::{DiagSpan, FileId, RootedPath, Source as TypstSource, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World, WorldExt};
use typst_layout::PagedDocument;
use typst_pdf::{PdfStandard, PdfStandards, Timestamp};

use crate::diagnostic::{Diagnostic, Diagnostics, Source};

use super::fonts;
use super::templates::{Templates, has_ending};

/// How long a document may take.
const PATIENCE: Duration = Duration::from_mins(5);
/// Room for deeply nested documents, in bytes; only what is used is taken.
const STACK: usize = 64 << 20;
/// Where diagnostics print at most; a template error repeated for every run of a study is one error.
const MOST_DIAGNOSTICS: usize = 20;

/// Particulars of a PDF that are not in its data.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PdfOptions {
    /// Title of the document; a PDF for everybody has one.
    pub title: String,
    /// Who answers for it; empty if nobody is named.
    pub author: String,
    /// What tells this document from every other, such as a study id with hashes; not printed.
    pub identifier: String,
    /// When it was made, UTC: year, month, day, hour, minute, second. Without it the PDF has no date.
    pub time: Option<(i32, u8, u8, u8, u8, u8)>,
    /// US Letter instead of A4.
    pub letter_paper: bool,
}

impl PdfOptions {
    /// The time as the engine knows it; `None` without one, or for a date that does not exist.
    fn datetime(&self) -> Option<Datetime> {
        let (year, month, day, hour, minute, second) = self.time?;
        Datetime::from_ymd_hms(year, month, day, hour, minute, second)
    }
}

/// Compiles the template of that name with the built-in engine.
///
/// Warnings of the engine (an unknown font, a layout that does not settle) ride along.
///
/// # Errors
///
/// `T001` no such template, `T010` a template that does not compile, `T011` a document that cannot be exported,
/// `T012` too long a wait, `T013` a fault inside the engine; with template, line and column where there is one.
pub fn pdf(
    templates: &Templates,
    name: &str,
    data: &serde_json::Value,
    figures: &BTreeMap<String, String>,
    options: &PdfOptions,
) -> Result<(Vec<u8>, Diagnostics), Diagnostics> {
    templates.get(name)?;
    let texts = texts(templates, data, figures, options);
    let room = Room::new(name, texts, options.datetime());
    let options = options.clone();
    let (sender, receiver) = mpsc::channel();
    let started = thread::Builder::new()
        .name("typesetting".to_owned())
        .stack_size(STACK)
        .spawn(move || {
            let result = compile(&room, &options);
            // Nobody listens any more after the wait was given up.
            let _ = sender.send(result);
        });
    if let Err(error) = started {
        return Err(Diagnostic::error("T013", format!("the PDF engine could not be started: {error}")).into());
    }
    match receiver.recv_timeout(PATIENCE) {
        Ok(result) => result,
        Err(mpsc::RecvTimeoutError::Timeout) => Err(Diagnostic::error(
            "T012",
            format!("`{name}` was not finished after {} minutes", PATIENCE.as_secs() / 60),
        )
        .help("look for loops within loops, or print fewer runs at a time")
        .into()),
        Err(mpsc::RecvTimeoutError::Disconnected) => Err(Diagnostic::error(
            "T013",
            format!("the PDF engine broke down on `{name}`; this is a fault of the program"),
        )
        .into()),
    }
}

/// Everything that a document is made of, by path: for an installed `typst` command, or to be kept beside the PDF.
///
/// The template, the others of its kind, `data.json`, `options.json`, `figures/`, and `fonts/` with their licence.
///
/// # Errors
///
/// `T001` if there is no such template.
pub fn typst_sources(
    templates: &Templates,
    name: &str,
    data: &serde_json::Value,
    figures: &BTreeMap<String, String>,
    options: &PdfOptions,
) -> Result<BTreeMap<String, Vec<u8>>, Diagnostics> {
    templates.get(name)?;
    let mut sources: BTreeMap<String, Vec<u8>> = texts(templates, data, figures, options)
        .into_iter()
        .map(|(path, source)| (path, source.text.clone().into_bytes()))
        .collect();
    for (face, bytes) in fonts::FACES {
        sources.insert(format!("fonts/{face}"), bytes.to_vec());
    }
    sources.insert("fonts/LICENSE.txt".to_owned(), fonts::LICENCE.to_vec());
    Ok(sources)
}

/// What to call an installed `typst` command with, to make of `typst_sources` written to `folder` the PDF `output`.
pub fn command_arguments(name: &str, folder: &Path, output: &Path, options: &PdfOptions) -> Vec<OsString> {
    let mut arguments: Vec<OsString> = vec!["compile".into(), "--root".into(), folder.into()];
    arguments.extend(["--font-path".into(), folder.join("fonts").into()]);
    arguments.push("--ignore-system-fonts".into());
    arguments.extend(["--pdf-standard".into(), "a-2a,ua-1".into()]);
    let seconds = options.time.and_then(|(year, month, day, hour, minute, second)| {
        let text = format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}Z");
        text.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_second)
    });
    arguments.extend(["--creation-timestamp".into(), seconds.unwrap_or(0).to_string().into()]);
    arguments.extend([folder.join(name).into(), output.into()]);
    arguments
}

/// The text sources of a document by path.
fn texts(
    templates: &Templates,
    data: &serde_json::Value,
    figures: &BTreeMap<String, String>,
    options: &PdfOptions,
) -> BTreeMap<String, Arc<Source>> {
    let mut texts: BTreeMap<String, Arc<Source>> = templates
        .ending(&["typ"])
        .map(|(path, source)| (path.to_owned(), Arc::clone(source)))
        .collect();
    let particulars = json!({
        "title": options.title,
        "author": options.author,
        "paper": if options.letter_paper { "us-letter" } else { "a4" },
        "time": options.time.map(|(year, month, day, hour, minute, second)| json!([year, month, day, hour, minute, second])),
    });
    for (path, value) in [("data.json", data), ("options.json", &particulars)] {
        let text = fonts::make_printable(&value.to_string());
        texts.insert(path.to_owned(), Source::new(path, text));
    }
    for (name, svg) in figures {
        let path = format!("figures/{name}.svg");
        texts.insert(path.clone(), Source::new(path, fonts::make_printable(svg)));
    }
    texts
}

/// The embedded faces, parsed once.
static FONTS: LazyLock<Vec<Font>> = LazyLock::new(|| {
    fonts::FACES
        .iter()
        .filter_map(|(_, bytes)| Font::new(Bytes::new(*bytes), 0))
        .collect()
});

/// All that a document can see.
struct Room {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    main: FileId,
    texts: BTreeMap<String, Arc<Source>>,
    /// The Typst templates, parsed.
    parsed: BTreeMap<String, TypstSource>,
    today: Option<Datetime>,
}

impl Room {
    fn new(main: &str, texts: BTreeMap<String, Arc<Source>>, today: Option<Datetime>) -> Self {
        let parsed = texts
            .iter()
            .filter(|(path, _)| has_ending(path, "typ"))
            .filter_map(|(path, source)| Some((path.clone(), TypstSource::new(file_id(path)?, source.text.clone()))))
            .collect();
        Self {
            library: LazyHash::new(Library::default()),
            book: LazyHash::new(FontBook::from_fonts(FONTS.iter())),
            main: file_id(main).unwrap_or_else(|| TypstSource::detached("").id()),
            texts,
            parsed,
            today,
        }
    }

    /// The path of a file inside the room; packages lie outside.
    fn path(id: FileId) -> FileResult<&'static str> {
        match id.get().root() {
            VirtualRoot::Project => Ok(id.get().vpath().get_without_slash()),
            VirtualRoot::Package(_) => Err(FileError::Other(Some(
                "packages are not available: a document is made of its own templates alone".into(),
            ))),
        }
    }

    /// The place of a span, if it lies in one of the texts.
    fn place(&self, span: DiagSpan) -> Option<(&Arc<Source>, std::ops::Range<usize>)> {
        let source = self.texts.get(Self::path(span.id()?).ok()?)?;
        Some((source, self.range(span).unwrap_or(0..0)))
    }

    fn diagnose(&self, code: &'static str, found: &SourceDiagnostic) -> Diagnostic {
        let mut diagnostic = match found.severity {
            Severity::Error => Diagnostic::error(code, found.message.as_str()),
            Severity::Warning => Diagnostic::warning(code, found.message.as_str()),
        };
        if let Some((source, span)) = self.place(found.span) {
            diagnostic = diagnostic.at(source, span, "");
        }
        for step in &found.trace {
            if let Some((source, span)) = self.place(step.span.into()) {
                diagnostic = diagnostic.at(source, span, step.v.to_string());
            }
        }
        let hints: Vec<&str> = found.hints.iter().map(|hint| hint.v.as_str()).collect();
        if hints.is_empty() {
            diagnostic
        } else {
            diagnostic.help(hints.join("; "))
        }
    }

    fn diagnose_all<'a>(
        &self,
        code: &'static str,
        found: impl IntoIterator<Item = &'a SourceDiagnostic>,
    ) -> Diagnostics {
        let mut all = Diagnostics::new();
        for one in found.into_iter().take(MOST_DIAGNOSTICS) {
            all.push(self.diagnose(code, one));
        }
        all
    }
}

/// The engine's number for a path.
fn file_id(path: &str) -> Option<FileId> {
    let path = VirtualPath::new(path).ok()?;
    Some(RootedPath::new(VirtualRoot::Project, path).intern())
}

impl World for Room {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.main
    }

    fn source(&self, id: FileId) -> FileResult<TypstSource> {
        let path = Self::path(id)?;
        let not_found = || FileError::NotFound(path.into());
        self.parsed.get(path).cloned().ok_or_else(not_found)
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        let path = Self::path(id)?;
        let source = self.texts.get(path).ok_or_else(|| FileError::NotFound(path.into()))?;
        Ok(Bytes::from_string(source.text.clone()))
    }

    fn font(&self, index: usize) -> Option<Font> {
        FONTS.get(index).cloned()
    }

    fn today(&self, _offset: Option<typst::foundations::Duration>) -> Option<Datetime> {
        self.today
    }
}

/// Compiles and exports; the only caller runs it on a thread of its own.
fn compile(room: &Room, options: &PdfOptions) -> Result<(Vec<u8>, Diagnostics), Diagnostics> {
    let compiled = typst::compile::<PagedDocument>(room);
    let warnings = room.diagnose_all("T010", &compiled.warnings);
    let result = compiled
        .output
        .map_err(|errors| room.diagnose_all("T010", &errors))
        .and_then(|document| export(room, &document, options));
    // What the engine remembers would otherwise grow with every document.
    typst::comemo::evict(0);
    match result {
        Ok(bytes) => Ok((bytes, warnings)),
        Err(mut errors) => {
            errors.extend(warnings);
            Err(errors)
        }
    }
}

fn export(room: &Room, document: &PagedDocument, options: &PdfOptions) -> Result<Vec<u8>, Diagnostics> {
    let standards = PdfStandards::new(&[PdfStandard::A_2a, PdfStandard::Ua_1])
        .map_err(|error| Diagnostic::error("T013", error.message().as_str()))?;
    let settings = typst_pdf::PdfOptions {
        ident: Smart::Custom(options.identifier.clone()),
        creator: Smart::Custom(Some("wellrun".to_owned())),
        timestamp: options.datetime().map(Timestamp::new_utc),
        page_ranges: None,
        standards,
        tagged: true,
        pretty: false,
    };
    typst_pdf::pdf(document, &settings).map_err(|errors| room.diagnose_all("T011", &errors))
}
