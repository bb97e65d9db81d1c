//! Whole numbers in cells: runs, numbers of units, positions.
//!
//! In:  the text of a cell or of an entry.
//! Out: the number, or nothing if it is none.

use super::decimal::{self, trim};

/// A position in the order: a whole number from 1, at most the number of planned runs.
#[must_use]
pub fn position(text: &str, runs: Option<usize>) -> Option<usize> {
    whole(text).filter(|order| *order >= 1 && runs.is_none_or(|runs| *order <= runs))
}

/// A whole number of at most nine digits, as written in plain digits.
#[must_use]
pub fn whole(text: &str) -> Option<usize> {
    let digits = (1..=9).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| text.parse().ok()).flatten()
}

/// A whole number, also as a spreadsheet may write it: `12`, `12.0`.
#[must_use]
pub fn whole_number(text: &str) -> Option<usize> {
    let text = trim(text);
    whole(text).or_else(|| {
        let value = decimal::parse(text).ok()?.value;
        value
            .fract()
            .is_zero()
            .then(|| whole(&value.trunc().normalize().to_string()))
            .flatten()
    })
}
