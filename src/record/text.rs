//! Text from a cell: blanks, control characters, formulas, words for what is missing.
//!
//! In:  the text of one cell.
//! Out: the same text trimmed, or what is wrong with it.
//! Never here: spans, files, numbers.

use std::borrow::Cow;

/// Longest label, time or initials, in characters.
pub const LABEL_LIMIT: usize = 100;
/// Longest remark, reason or deviation, in characters.
pub const REMARK_LIMIT: usize = 2000;

/// A blank in the sense of a spreadsheet: white space, no-break and zero-width spaces, byte-order marks.
fn is_blank(c: char) -> bool {
    c.is_whitespace() || matches!(c, '\u{200b}' | '\u{2060}' | '\u{feff}')
}

/// The text without outer blanks.
#[must_use]
pub fn trim(text: &str) -> &str {
    let bytes = text.as_bytes();
    match (bytes.first(), bytes.last()) {
        (Some(first), Some(last)) if first.is_ascii_graphic() && last.is_ascii_graphic() => text,
        (None, _) => text,
        _ => text.trim_matches(is_blank),
    }
}

/// A name as it is compared: lower case, and each run of blanks, `_` and `-` one blank.
#[must_use]
pub fn folded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut gap = false;
    for c in text.chars() {
        if is_blank(c) || c == '_' || c == '-' {
            gap = !out.is_empty();
        } else {
            if gap {
                out.push(' ');
                gap = false;
            }
            out.extend(c.to_lowercase());
        }
    }
    out
}

/// The text as it may stand in a message: on one line, without control characters, and not too long.
#[must_use]
pub fn shown(text: &str) -> String {
    const LIMIT: usize = 60;
    let mut out: String = text
        .chars()
        .take(LIMIT)
        .map(|c| if is_control(c) { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(LIMIT).is_some() {
        out.push('…');
    }
    out
}

/// Control characters, and the marks that turn the direction of writing.
fn is_control(c: char) -> bool {
    c.is_control() || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// True if a spreadsheet would take the text for a formula. Numbers with a sign are none.
///
/// `=` always starts one; `@`, `+` and `-` do unless a blank, nothing or a plain number follows. A dash before a
/// word is common in remarks, so `-` counts only where a call, a pipe or a sheet name follows.
#[must_use]
pub fn is_formula(text: &str) -> bool {
    let mut chars = text.chars();
    match chars.next() {
        Some('=' | '＝') => true,
        Some('@' | '＠') => chars.next().is_some_and(char::is_alphanumeric),
        Some('+' | '＋') => chars.next().is_some_and(|c| !is_blank(c)) && !super::decimal::is_plain(text),
        Some('-' | '－') => text.contains(['(', '|', '!']),
        _ => false,
    }
}

/// What is wrong with a free text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TextFault {
    /// A spreadsheet would run it.
    Formula,
    /// It holds control characters or marks that turn the direction of writing.
    Control,
    /// It has more characters than the limit.
    TooLong(usize),
}

/// Looks a free text over; `lines` allows line breaks (remarks).
///
/// # Errors
///
/// The first fault found.
pub fn check(text: &str, limit: usize, lines: bool) -> Result<(), TextFault> {
    // The text in whole count of bytes bounds the count of characters, so short ASCII is settled at once.
    if text.len() > limit && text.chars().nth(limit).is_some() {
        return Err(TextFault::TooLong(limit));
    }
    if text.chars().any(|c| is_control(c) && !(lines && c == '\n')) {
        return Err(TextFault::Control);
    }
    if is_formula(text) {
        return Err(TextFault::Formula);
    }
    Ok(())
}

/// The text with line ends of one kind (LF).
#[must_use]
pub fn with_line_feeds(text: &str) -> Cow<'_, str> {
    if text.contains('\r') {
        Cow::Owned(text.replace("\r\n", "\n").replace('\r', "\n"))
    } else {
        Cow::Borrowed(text)
    }
}

/// The words for a value that is not there.
pub const MISSING: [&str; 4] = ["not done", "lost", "void", "-"];

/// The word for a missing value that the text means, if it is one.
#[must_use]
pub fn missing_word(text: &str) -> Option<&'static str> {
    match text.as_bytes().first()? {
        b'0'..=b'9' => return None,
        b'-' if text.len() > 1 => return None,
        _ => {}
    }
    if text.len() > 20 {
        return None;
    }
    if matches!(text, "-" | "–" | "—" | "−") {
        return Some("-");
    }
    let folded = folded(text);
    MISSING.iter().find(|word| **word == folded).copied()
}

/// A text made safe to open in a spreadsheet: what looks like a formula, or could be taken for one, gets an
/// apostrophe in front. Numbers stay as they are.
#[must_use]
pub fn formula_safe(text: &str) -> Cow<'_, str> {
    let risky = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    if risky && text != "-" && !super::decimal::is_plain(text) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Class: closed form.
    #[test]
    fn formulas_are_told_from_signed_numbers_and_words() {
        for text in ["=1+1", "@SUM(A1)", "+A1", "+1+1", "-2+3+cmd|' /C calc'!A0", "-(1)", "＝1"] {
            assert!(is_formula(text), "{text}");
        }
        for text in ["+5", "-5,2", "- slipped once", "-", "@ 21", "+ cleaned", "a=b", ""] {
            assert!(!is_formula(text), "{text}");
        }
    }

    /// Class: closed form.
    #[test]
    fn missing_words_are_few() {
        assert_eq!(missing_word("Not  Done"), Some("not done"));
        assert_eq!(missing_word("void"), Some("void"));
        assert_eq!(missing_word("–"), Some("-"));
        for text in ["0", "-5", "n/a", "none", "", "voided"] {
            assert_eq!(missing_word(text), None, "{text}");
        }
    }

    /// Class: closed form.
    #[test]
    fn output_is_safe_to_open() {
        assert_eq!(formula_safe("=A1"), "'=A1");
        assert_eq!(formula_safe("-slipped"), "'-slipped");
        assert_eq!(formula_safe("-5,2"), "-5,2");
        assert_eq!(formula_safe("plain"), "plain");
    }
}
