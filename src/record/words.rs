//! Words in cells: why a value is missing, and which texts are let in.
//!
//! In:  the text of a cell or of a reason.
//! Out: the reason in its one spelling; what is wrong with a text; a text cut short for a message.

use super::decimal::{is_blank, trim};

/// Longest label, level, time or operator, in characters.
pub const LONGEST_LABEL: usize = 100;
/// Longest remark, reason or sentence, in characters.
pub const LONGEST_TEXT: usize = 1000;

/// The words that say why a value is missing.
pub const MISSING_WORDS: [&str; 4] = ["not done", "lost", "void", "-"];

/// The reason that a cell gives for having no value, in its one spelling; `None` if it is no such word.
#[must_use]
pub fn missing_word(text: &str) -> Option<&'static str> {
    let words: Vec<&str> = text.split(is_blank).filter(|word| !word.is_empty()).collect();
    let plain = words.join(" ").to_lowercase();
    match plain.as_str() {
        "\u{2013}" | "\u{2014}" | "\u{2212}" => Some("-"),
        "not-done" | "not_done" => Some("not done"),
        _ => MISSING_WORDS.into_iter().find(|word| *word == plain),
    }
}

/// True if a value may follow without a reason: it was not there yet, rather than gone.
#[must_use]
pub fn is_open(word: &str) -> bool {
    matches!(word, "not done" | "-")
}

/// True if a spreadsheet would compute the text. A number with its sign is fine, and so is a sentence.
#[must_use]
pub fn is_formula(text: &str) -> bool {
    let text = trim(text);
    let mut rest = text.chars();
    let first = rest.next();
    let second = rest.next();
    match first {
        Some('=') => second.is_some(),
        Some('@') => second.is_some_and(char::is_alphabetic),
        Some('+' | '-') => text.contains(['(', '|', '!']),
        _ => false,
    }
}

/// What is wrong with a text that is to be kept as written; `None` if nothing.
#[must_use]
pub fn fault(text: &str, longest: usize) -> Option<String> {
    if let Some(c) = text.chars().find(|c| is_hidden(*c)) {
        return Some(format!("it holds a control character (U+{:04X})", u32::from(c)));
    }
    let length = text.chars().count();
    (length > longest).then(|| format!("it has {length} characters, and {longest} are taken"))
}

/// Characters that print nothing and may hide or turn round what stands beside them.
fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

/// A text on one line: line breaks and tabs become blanks, those at the ends go.
#[must_use]
pub fn on_one_line(text: &str) -> String {
    trim(text)
        .split(['\n', '\r', '\t'])
        .map(trim)
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

/// The start of a text, for a message.
#[must_use]
pub fn clip(text: &str) -> String {
    let text = trim(text);
    if text.chars().count() <= 40 {
        text.to_owned()
    } else {
        text.chars().take(40).chain(['…']).collect()
    }
}
