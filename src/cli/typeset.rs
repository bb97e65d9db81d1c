//! PDFs with the built-in engine, or with a `typst` command that the user names.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::outside::{self, Outside};
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::render::{self, PdfOptions};
use crate::study::{self, Scratch};

/// Options of every command that makes a PDF.
#[derive(Debug, Clone, clap::Args)]
pub struct Options {
    /// Size of the paper
    #[arg(long, value_enum, default_value_t = Paper::A4, value_name = "SIZE")]
    pub paper: Paper,
    /// Make the PDF with this `typst` command instead of the built-in engine [environment: `WELLRUN_TYPST`]
    #[arg(long, value_name = "PATH")]
    typst: Option<PathBuf>,
}

/// Size of the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Paper {
    /// 210 mm by 297 mm
    A4,
    /// 8.5 in by 11 in
    Letter,
}

impl Options {
    /// A4, built-in engine.
    #[must_use]
    pub fn plain() -> Self {
        Self::on(Paper::A4)
    }

    /// Built-in engine, on this paper.
    #[must_use]
    pub fn on(paper: Paper) -> Self {
        Self { paper, typst: None }
    }

    /// The command to use in place of the built-in engine.
    #[must_use]
    pub fn command<'a>(&'a self, outside: &'a Outside) -> Option<&'a Path> {
        self.typst.as_deref().or(outside.typst.as_deref())
    }
}

/// A time as PDFs carry it; `None` for a text that is no time.
#[must_use]
pub fn pdf_time(rfc3339: &str) -> Option<(i32, u8, u8, u8, u8, u8)> {
    let time = TimeZone::UTC.to_datetime(rfc3339.parse::<Timestamp>().ok()?);
    let small = |value: i8| u8::try_from(value).ok();
    Some((
        i32::from(time.year()),
        small(time.month())?,
        small(time.day())?,
        small(time.hour())?,
        small(time.minute())?,
        small(time.second())?,
    ))
}

/// Makes a PDF of written-out sources with a `typst` command.
///
/// # Errors
///
/// `F015` if files or the command cannot be used, `T090` if the command refuses the document.
pub fn with_command(
    typst: &Path,
    name: &str,
    sources: &BTreeMap<String, Vec<u8>>,
    options: &PdfOptions,
) -> Result<Vec<u8>, Diagnostics> {
    let scratch = Scratch::new(outside::seed()?)?;
    for (path, bytes) in sources {
        scratch.write(path, bytes)?;
    }
    let output = scratch.path().join("document.pdf");
    let result = Command::new(typst)
        .args(render::command_arguments(name, scratch.path(), &output, options))
        .stdin(Stdio::null())
        .output()
        .map_err(|error| {
            Diagnostic::error("F015", format!("cannot run `{}`: {error}", typst.display()))
                .help("name an installed `typst`, or leave the option out to use the built-in engine")
        })?;
    if !result.status.success() {
        let words = String::from_utf8_lossy(&result.stderr);
        return Err(Diagnostic::error(
            "T090",
            format!("`{}` refused `{name}`: {}", typst.display(), words.trim()),
        )
        .help("the built-in engine says more about a replaced template: leave the option out")
        .into());
    }
    study::read_file(&output, study::PLAN_LIMIT)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_taken_apart_in_utc() {
        assert_eq!(pdf_time("2026-03-02T09:30:15+01:00"), Some((2026, 3, 2, 8, 30, 15)));
        assert_eq!(pdf_time("yesterday"), None);
    }
}
