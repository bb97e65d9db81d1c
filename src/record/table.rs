//! Comma-separated text as spreadsheets write it: a header and rows of cells, each a place in the text.
//!
//! In:  the bytes of a file (`decode_text`), then its text.
//! Out: a `Table` with the header; `Rows` hands out one row at a time into a buffer of the caller's.
//!
//! Method: RFC 4180 with what spreadsheets add: `;` or tab for the comma (decided from the header line), a first
//! line `sep=;`, a byte-order mark, any line end, blank lines, empty columns at the right. A cell is a byte range;
//! nothing is allocated for it. Never here: what a cell means.

use std::borrow::Cow;
use std::ops::Range;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Source};

use super::decimal::is_blank;

/// Longest cell, in bytes.
pub const LONGEST_CELL: usize = 8192;
/// Most cells in a row.
pub const MOST_CELLS: usize = 2000;

/// Turns the bytes of a file into a named text; bytes handed over as a `Vec` are not copied.
///
/// # Errors
///
/// `R001` with what the file is instead, and how to save it.
pub fn decode<'a>(name: &str, bytes: impl Into<Cow<'a, [u8]>>) -> Result<Arc<Source>, Diagnostics> {
    text_of(bytes.into())
        .map(|text| Source::new(name, text))
        .map_err(|refused| {
            // What is no text at all has no place to point at.
            let (text, at) = refused.at.map_or((String::new(), 0..0), |(text, at)| {
                (text, at..at + '\u{fffd}'.len_utf8())
            });
            Diagnostic::error("R001", refused.why)
                .at(&Source::new(name, text), at, "")
                .into()
        })
}

/// Why bytes are not taken for text; where they nearly are, the text and the first byte to blame.
struct Refused {
    why: String,
    at: Option<(String, usize)>,
}

impl From<&str> for Refused {
    fn from(why: &str) -> Self {
        Self {
            why: why.to_owned(),
            at: None,
        }
    }
}

/// Turns the bytes of a file into text.
///
/// Taken: UTF-8 with or without a byte-order mark (which is kept, so that the text has the file's hash), and UTF-16
/// as spreadsheets save it. Line ends of old Macintosh files (a lone CR) become LF.
///
/// # Errors
///
/// A sentence that says what the file is instead, and how to save it.
pub fn decode_text(bytes: &[u8]) -> Result<String, String> {
    text_of(Cow::Borrowed(bytes)).map_err(|refused| refused.why)
}

fn text_of(bytes: Cow<'_, [u8]>) -> Result<String, Refused> {
    if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"\xd0\xcf\x11\xe0") {
        return Err("this is a spreadsheet's own format: save the sheet as CSV (UTF-8)".into());
    }
    if bytes.starts_with(b"%PDF") {
        return Err("this is a PDF: take in the filled CSV sheet".into());
    }
    let text = match &*bytes {
        [0xff, 0xfe, rest @ ..] => utf16(rest, u16::from_le_bytes)?,
        [0xfe, 0xff, rest @ ..] => utf16(rest, u16::from_be_bytes)?,
        [first, 0, _, 0, ..] if *first != 0 => utf16(&bytes, u16::from_le_bytes)?,
        [0, first, 0, _, ..] if *first != 0 => utf16(&bytes, u16::from_be_bytes)?,
        _ => String::from_utf8(bytes.into_owned()).map_err(|wrong| {
            let good = wrong.utf8_error().valid_up_to();
            let before = wrong.as_bytes().get(..good).unwrap_or_default();
            let line = before.split(|b| *b == b'\n').count();
            let why = format!(
                "line {line} is not UTF-8: the file was probably saved in an old national character set \
                 (Latin-1, Windows-1252); save it as CSV UTF-8, since letters and signs cannot be told apart otherwise"
            );
            let text = String::from_utf8_lossy(wrong.as_bytes()).into_owned();
            Refused {
                why,
                at: Some((text, good)),
            }
        })?,
    };
    if text.contains('\0') {
        return Err("the file holds zero bytes: it is not text; save the sheet as CSV (UTF-8)".into());
    }
    if text.contains('\r') && !text.contains('\n') {
        return Ok(text.replace('\r', "\n"));
    }
    Ok(text)
}

fn utf16(bytes: &[u8], join: fn([u8; 2]) -> u16) -> Result<String, Refused> {
    let (pairs, rest) = bytes.as_chunks::<2>();
    if !rest.is_empty() {
        return Err("the file is UTF-16 with half a character at its end: save it again as CSV (UTF-8)".into());
    }
    char::decode_utf16(pairs.iter().map(|pair| join(*pair)))
        .collect::<Result<String, _>>()
        .map_err(|_| "the file looks like UTF-16, but is not: save it again as CSV (UTF-8)".into())
}

/// The place of one cell: what stands between separators, without quotes and without blanks around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    start: usize,
    end: usize,
    doubled: bool,
}

impl Cell {
    /// Byte range in the text.
    #[must_use]
    pub fn span(&self) -> Range<usize> {
        self.start..self.end
    }

    /// True if nothing but blanks is written.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.start == self.end
    }

    /// What is written, with doubled quotes still doubled; for everything that holds no quotes.
    #[must_use]
    pub fn raw<'a>(&self, text: &'a str) -> &'a str {
        text.get(self.start..self.end).unwrap_or_default()
    }

    /// What is written.
    #[must_use]
    pub fn text<'a>(&self, text: &'a str) -> Cow<'a, str> {
        if self.doubled {
            Cow::Owned(self.raw(text).replace("\"\"", "\""))
        } else {
            Cow::Borrowed(self.raw(text))
        }
    }
}

/// What can be wrong with the text as a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fault {
    /// A quote is opened here and never closed.
    OpenQuote(usize),
    /// Something stands between a closing quote and the separator.
    AfterQuote(Range<usize>),
    /// A cell is longer than `LONGEST_CELL`.
    LongCell(Range<usize>),
    /// A row has more than `MOST_CELLS` cells; the place is where they go on.
    ManyCells(usize),
}

/// A table whose header has been read.
#[derive(Debug, Clone)]
pub struct Table<'a> {
    text: &'a str,
    separator: u8,
    header: Vec<Cell>,
    body: usize,
    faults: Vec<Fault>,
}

impl<'a> Table<'a> {
    /// Reads the header; `None` if there is nothing but blank lines.
    #[must_use]
    pub fn open(text: &'a str) -> Option<Self> {
        let mut start = if text.starts_with('\u{feff}') {
            '\u{feff}'.len_utf8()
        } else {
            0
        };
        let mut declared = None;
        let rest = text.get(start..).unwrap_or_default();
        if rest.get(..4).is_some_and(|head| head.eq_ignore_ascii_case("sep=")) {
            let line = rest.lines().next().unwrap_or_default();
            if let [separator @ (b',' | b';' | b'\t')] = line.as_bytes().get(4..).unwrap_or_default() {
                declared = Some(*separator);
                start += line.len();
            }
        }
        let separator = declared.unwrap_or_else(|| separator_of(text.get(start..).unwrap_or_default()));
        let mut rows = Rows {
            text,
            separator,
            ends: cell_ends(separator),
            at: start,
        };
        let mut header = Vec::new();
        let mut faults = Vec::new();
        if !rows.next_into(&mut header, &mut faults) {
            return None;
        }
        while header.last().is_some_and(Cell::is_empty) {
            header.pop();
        }
        Some(Self {
            text,
            separator,
            header,
            body: rows.at,
            faults,
        })
    }

    /// The separator: `,`, `;` or a tab.
    #[must_use]
    pub fn separator(&self) -> char {
        char::from(self.separator)
    }

    /// The cells of the header, without empty ones at the right.
    #[must_use]
    pub fn header(&self) -> &[Cell] {
        &self.header
    }

    /// What is wrong with the header.
    #[must_use]
    pub fn faults(&self) -> &[Fault] {
        &self.faults
    }

    /// The rows below the header, from the first one.
    #[must_use]
    pub fn rows(&self) -> Rows<'a> {
        Rows {
            text: self.text,
            separator: self.separator,
            ends: cell_ends(self.separator),
            at: self.body,
        }
    }
}

/// The separator that stands most often in the first line that is not blank, quoted parts left out.
fn separator_of(text: &str) -> u8 {
    let line = text
        .split(['\n', '\r'])
        .find(|line| !line.trim_matches(is_blank).is_empty())
        .unwrap_or_default();
    let mut counts = [(0_usize, b','), (0, b'\t'), (0, b';')];
    let mut quoted = false;
    for byte in line.bytes() {
        if byte == b'"' {
            quoted = !quoted;
        }
        for (count, separator) in &mut counts {
            *count += usize::from(!quoted && byte == *separator);
        }
    }
    // Among equals the later one wins: a comma may stand in a name, a semicolon seldom does.
    counts.iter().max_by_key(|(count, _)| *count).map_or(b',', |(_, s)| *s)
}

/// Hands out rows.
#[derive(Debug, Clone)]
pub struct Rows<'a> {
    text: &'a str,
    separator: u8,
    ends: [bool; 256],
    at: usize,
}

impl Rows<'_> {
    /// Where the next row starts, as a byte offset.
    #[must_use]
    pub fn offset(&self) -> usize {
        self.at
    }

    /// Reads the next row that is not blank into `cells`, whose old content goes; false at the end of the text.
    ///
    /// What is wrong with the row is added to `faults`; reading goes on after it.
    pub fn next_into(&mut self, cells: &mut Vec<Cell>, faults: &mut Vec<Fault>) -> bool {
        let bytes = self.text.as_bytes();
        loop {
            cells.clear();
            if self.at >= bytes.len() {
                return false;
            }
            self.row(bytes, cells, faults);
            if cells.iter().any(|cell| !cell.is_empty()) {
                return true;
            }
        }
    }

    /// One row, blank or not; `at` ends behind its line end.
    fn row(&mut self, bytes: &[u8], cells: &mut Vec<Cell>, faults: &mut Vec<Fault>) {
        let separator = self.separator;
        let mut at = self.at;
        let mut overfull = false;
        loop {
            let start = at;
            let mut first = at;
            let mut opening = bytes.get(first);
            while opening == Some(&b' ') {
                first += 1;
                opening = bytes.get(first);
            }
            let cell = if opening == Some(&b'"') {
                at = first;
                self.quoted(bytes, &mut at, faults)
            } else {
                at = stop(bytes, &self.ends, first);
                self.trimmed(start, at, false)
            };
            if cell.end - cell.start > LONGEST_CELL {
                faults.push(Fault::LongCell(cell.span()));
            }
            if cells.len() < MOST_CELLS {
                cells.push(cell);
            } else if !overfull && !cell.is_empty() {
                overfull = true;
                faults.push(Fault::ManyCells(cell.start));
            }
            match bytes.get(at) {
                Some(byte) if *byte == separator => at += 1,
                Some(b'\r') if bytes.get(at + 1) == Some(&b'\n') => {
                    at += 2;
                    break;
                }
                Some(_) => {
                    at += 1;
                    break;
                }
                None => break,
            }
        }
        self.at = at;
    }

    /// A cell that opens with a quote at `at`; `at` ends on the separator or line end behind it.
    #[cold]
    fn quoted(&self, bytes: &[u8], at: &mut usize, faults: &mut Vec<Fault>) -> Cell {
        let open = *at;
        let mut next = open + 1;
        let mut doubled = false;
        loop {
            match bytes.get(next) {
                Some(b'"') if bytes.get(next + 1) == Some(&b'"') => {
                    doubled = true;
                    next += 2;
                }
                Some(b'"') => break,
                Some(_) => next += 1,
                None => {
                    // The rest of the text is in this cell: say so once, and take the line only.
                    faults.push(Fault::OpenQuote(open));
                    *at = stop(bytes, &self.ends, open);
                    return self.trimmed(open + 1, (*at).max(open + 1), false);
                }
            }
        }
        let cell = self.trimmed(open + 1, next, doubled);
        let behind = stop(bytes, &self.ends, next + 1);
        let rest = self.trimmed(next + 1, behind, false);
        if !rest.is_empty() {
            faults.push(Fault::AfterQuote(rest.span()));
        }
        *at = behind;
        cell
    }

    /// The cell at a range, without the blanks around it.
    #[inline]
    fn trimmed(&self, start: usize, end: usize, doubled: bool) -> Cell {
        let bytes = self.text.as_bytes();
        let plain = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_graphic);
        if start < end && plain(start) && plain(end - 1) {
            return Cell { start, end, doubled };
        }
        let raw = self.text.get(start..end).unwrap_or_default();
        let left = raw.trim_start_matches(is_blank);
        let start = start + (raw.len() - left.len());
        let end = start + left.trim_end_matches(is_blank).len();
        Cell { start, end, doubled }
    }
}

/// True at the bytes that end a cell: the separator and line ends.
fn cell_ends(separator: u8) -> [bool; 256] {
    let mut ends = [false; 256];
    for byte in [separator, b'\n', b'\r'] {
        ends[usize::from(byte)] = true;
    }
    ends
}

/// The first byte from `at` on that ends a cell, or the end of the text.
#[inline]
fn stop(bytes: &[u8], ends: &[bool; 256], at: usize) -> usize {
    let rest = bytes.get(at..).unwrap_or_default();
    rest.iter()
        .position(|byte| ends[usize::from(*byte)])
        .map_or(bytes.len(), |found| at + found)
}
