//! A list of diagnostics that stays short of flooding a terminal: all are counted, the first thousand are kept.

use crate::diagnostic::{Diagnostic, Diagnostics, Severity};

use super::codes;

/// Errors kept, and warnings with notes kept.
const LIMIT: usize = 1000;

/// Collects diagnostics up to a limit; errors and the rest are limited apart, so that no error hides behind warnings.
#[derive(Debug, Default)]
pub struct Listed {
    list: Diagnostics,
    errors: usize,
    others: usize,
}

impl Listed {
    /// Counts an error and keeps it if there is room; the diagnostic is only made if it is kept.
    pub fn error(&mut self, make: impl FnOnce() -> Diagnostic) {
        self.errors += 1;
        if self.errors <= LIMIT {
            self.list.push(make());
        }
    }

    /// The same for a warning or a note.
    pub fn other(&mut self, make: impl FnOnce() -> Diagnostic) {
        self.others += 1;
        if self.others <= LIMIT {
            self.list.push(make());
        }
    }

    /// Adds one of any severity.
    pub fn push(&mut self, diagnostic: Diagnostic) {
        if diagnostic.severity == Severity::Error {
            self.error(|| diagnostic);
        } else {
            self.other(|| diagnostic);
        }
    }

    /// True if there was an error, kept or not.
    pub fn has_errors(&self) -> bool {
        self.errors > 0
    }

    /// The list, with a last line for what was not kept.
    pub fn finish(mut self) -> Diagnostics {
        let more = self.errors.saturating_sub(LIMIT);
        if more > 0 {
            self.list
                .push(Diagnostic::error(codes::AND_MORE, format!("and {more} more errors")));
        }
        let more = self.others.saturating_sub(LIMIT);
        if more > 0 {
            self.list
                .push(Diagnostic::warning(codes::AND_MORE, format!("and {more} more warnings")));
        }
        self.list
    }
}
