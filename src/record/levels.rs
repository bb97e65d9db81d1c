//! Matching what is written to the levels of a factor.

use rust_decimal::Decimal;

use crate::protocol::Factor;

use super::decimal::{self, is_blank, trim};

/// The level that a text names: the same words without regard to case; or the same number, with its unit or without.
#[must_use]
pub fn find_level(factor: &Factor, text: &str) -> Option<usize> {
    let text = trim(text);
    if let Some(exact) = factor.levels.iter().position(|level| level == text) {
        return Some(exact);
    }
    if let Some(numbers) = &factor.numbers {
        let value = number(text, &factor.unit)?;
        return numbers.iter().position(|level| *level == value);
    }
    let lower = text.to_lowercase();
    let mut same = (0..factor.levels.len()).filter(|at| factor.levels[*at].to_lowercase() == lower);
    match (same.next(), same.next()) {
        (Some(only), None) => Some(only),
        _ => None,
    }
}

/// A number with its unit behind it or without.
fn number(text: &str, unit: &str) -> Option<Decimal> {
    let bare = text
        .strip_suffix(unit)
        .map_or(text, |rest| rest.trim_end_matches(is_blank));
    decimal::parse(bare).ok().map(|parsed| parsed.value)
}
