//! Collects what is wrong, up to a bound.

use crate::diagnostic::{Diagnostic, Diagnostics, Severity};

/// Most diagnostics that are listed; the rest is counted.
pub const MOST_LISTED: usize = 1000;

/// A list of diagnostics that stops growing, and still knows whether there was an error.
#[derive(Debug, Default)]
pub struct Gather {
    errors: Vec<Diagnostic>,
    others: Vec<Diagnostic>,
    more_errors: usize,
    more_others: usize,
}

impl Gather {
    /// Adds one; built only if there is room.
    pub fn add(&mut self, severity: Severity, build: impl FnOnce() -> Diagnostic) {
        let (list, more) = match severity {
            Severity::Error => (&mut self.errors, &mut self.more_errors),
            Severity::Warning | Severity::Note => (&mut self.others, &mut self.more_others),
        };
        if list.len() < MOST_LISTED {
            list.push(build());
        } else {
            *more += 1;
        }
    }

    /// Adds an error.
    pub fn error(&mut self, diagnostic: Diagnostic) {
        self.add(Severity::Error, || diagnostic);
    }

    /// Adds a warning or a note.
    pub fn other(&mut self, diagnostic: Diagnostic) {
        self.add(diagnostic.severity, || diagnostic);
    }

    /// True if there was an error, listed or not.
    #[must_use]
    pub fn has_errors(&self) -> bool {
        !self.errors.is_empty()
    }

    /// Everything listed, in the order of the text, and a line that says how many more there are.
    #[must_use]
    pub fn finish(self) -> Diagnostics {
        let room = MOST_LISTED.saturating_sub(self.errors.len());
        let unlisted = self.others.len().saturating_sub(room);
        let mut list = self.errors;
        list.extend(self.others.into_iter().take(room));
        list.sort_by_key(|d| d.places.first().map(|place| place.span.start));
        let mut all = Diagnostics::new();
        for diagnostic in list {
            all.push(diagnostic);
        }
        if self.more_errors > 0 {
            all.push(Diagnostic::error(
                "R099",
                format!("and {} more errors", self.more_errors),
            ));
        }
        let more = self.more_others + unlisted;
        if more > 0 {
            all.push(Diagnostic::warning("R099", format!("and {more} more warnings")));
        }
        all
    }
}
