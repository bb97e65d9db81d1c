//! What enters from outside: the clock, the environment, entropy, the terminal.
//!
//! In:  the process's surroundings.
//! Out: plain values, passed down; nothing else in the crate asks the machine for them.
//!
//! `SOURCE_DATE_EPOCH` (seconds since 1970) stands in for the clock, so that whatever carries a time can be
//! made again byte for byte. Times are UTC: the time zone of the machine changes nothing.
#![expect(
    clippy::disallowed_methods,
    reason = "this is the one place where clock and environment enter"
)]

use std::env;
use std::io::{self, IsTerminal};
use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::diagnostic::{Diagnostic, Diagnostics};

/// The surroundings of a command.
#[derive(Debug, Clone)]
pub struct Outside {
    /// The clock at the start of the command.
    now: Timestamp,
    /// A `typst` command to set documents with, from `WELLRUN_TYPST`.
    pub typst: Option<PathBuf>,
}

impl Outside {
    /// Looks at the clock and the environment.
    ///
    /// # Errors
    ///
    /// `F012` if `SOURCE_DATE_EPOCH` is set and is not a number of seconds.
    pub fn look() -> Result<Self, Diagnostics> {
        let now = match env::var_os("SOURCE_DATE_EPOCH") {
            None => Timestamp::now(),
            Some(text) => text
                .to_str()
                .and_then(|text| text.parse().ok())
                .and_then(|seconds| Timestamp::from_second(seconds).ok())
                .ok_or_else(|| {
                    Diagnostic::error("F012", "SOURCE_DATE_EPOCH is not a number of seconds since 1970")
                        .help("unset it, or set it to something like 1767225600")
                })?,
        };
        Ok(Self {
            now,
            typst: env::var_os("WELLRUN_TYPST")
                .filter(|path| !path.is_empty())
                .map(PathBuf::from),
        })
    }

    /// The same surroundings at a fixed time (seconds since 1970; the start of 1970 if out of range).
    #[must_use]
    pub fn at(&self, seconds: i64) -> Self {
        Self {
            now: Timestamp::from_second(seconds).unwrap_or(Timestamp::UNIX_EPOCH),
            ..self.clone()
        }
    }

    /// The same surroundings without a `typst` command.
    #[must_use]
    pub fn built_in(&self) -> Self {
        Self {
            typst: None,
            ..self.clone()
        }
    }

    /// The time, RFC 3339 in UTC to the second.
    #[must_use]
    pub fn now(&self) -> String {
        self.now.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
    }

    /// The day, in UTC.
    #[must_use]
    pub fn today(&self) -> Date {
        TimeZone::UTC.to_datetime(self.now).date()
    }
}

/// A seed that nobody chose.
///
/// # Errors
///
/// `F013` if the machine has no entropy to give.
pub fn seed() -> Result<u64, Diagnostics> {
    getrandom::u64().map_err(|error| {
        Diagnostic::error(
            "F013",
            format!("the machine gives no random number for the seed: {error}"),
        )
        .help("choose one yourself with `--seed`")
        .into()
    })
}

/// 32 bytes that nobody can guess.
///
/// # Errors
///
/// `F013` if the machine has no entropy to give.
pub fn entropy() -> Result<[u8; 32], Diagnostics> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes)
        .map_err(|error| Diagnostic::error("F013", format!("the machine gives no random number for a key: {error}")))?;
    Ok(bytes)
}

/// True if output of this kind may be coloured: on a terminal that can, and never against `NO_COLOR`.
#[must_use]
pub fn may_colour(stream: &impl IsTerminal) -> bool {
    let is_set = |name| env::var_os(name).is_some_and(|value| !value.is_empty());
    stream.is_terminal() && !is_set("NO_COLOR") && env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// True if a person watches standard error.
#[must_use]
pub fn is_watched() -> bool {
    io::stderr().is_terminal()
}

/// Width of the terminal in columns, from `COLUMNS`; 100 if it is not said, never below 40.
#[must_use]
pub fn columns() -> usize {
    env::var_os("COLUMNS")
        .and_then(|text| text.to_str().and_then(|text| text.parse().ok()))
        .unwrap_or(100_usize)
        .max(40)
}

/// Standard output and standard error.
#[must_use]
pub fn streams() -> (io::Stdout, io::Stderr) {
    (io::stdout(), io::stderr())
}
