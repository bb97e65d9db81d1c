//! Values that tables of several kinds spell in the same way.
//!
//! In:  a table of the tree, or a misspelt name.
//! Out: what it means.
//! Never here: complaints; a value that is missing or malformed was reported by the walk.

use super::model::PartOf;
use super::number::Exact;
use super::tree::Tree;
use crate::diagnostic::nearest;

/// Minutes of bench time; 0 if none are given.
pub(super) fn minutes(tree: &Tree, key: &str) -> f64 {
    tree.number(key).map_or(0.0, Exact::to_f64)
}

/// Whose spread a unit or factor stands for.
pub(super) fn part_of(tree: &Tree) -> PartOf {
    match tree.text("part_of") {
        Some("product") => PartOf::Product,
        _ => PartOf::Method,
    }
}

/// The nearest known name, for a message that ends in a question.
pub(super) fn guess<'n>(wrong: &str, known: &[&'n str]) -> Option<&'n str> {
    nearest(wrong, known.iter().copied())
}
