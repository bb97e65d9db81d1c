//! Rows of comma-separated text, safe to open in a spreadsheet.
//!
//! In:  the texts of the cells.
//! Out: one line a row (RFC 4180, LF line ends). A semicolon or a tab is quoted too: some spreadsheets split there.

use std::borrow::Cow;

/// Appends a row; a text that a spreadsheet would compute gets an apostrophe in front, see `formula_safe`.
pub fn csv_row<T: AsRef<str>>(out: &mut String, cells: impl IntoIterator<Item = T>) {
    row(out, cells, formula_safe);
}

/// Appends a row with its texts as they stand: for files that this program reads back, of checked names only.
pub fn csv_row_as_is<T: AsRef<str>>(out: &mut String, cells: impl IntoIterator<Item = T>) {
    row(out, cells, |text| text.into());
}

fn row<T: AsRef<str>>(out: &mut String, cells: impl IntoIterator<Item = T>, made_safe: impl Fn(&str) -> Cow<'_, str>) {
    for (index, cell) in cells.into_iter().enumerate() {
        if index > 0 {
            out.push(',');
        }
        let cell = made_safe(cell.as_ref());
        if cell.contains([',', ';', '"', '\n', '\r', '\t']) {
            out.push('"');
            out.push_str(&cell.replace('"', "\"\""));
            out.push('"');
        } else {
            out.push_str(&cell);
        }
    }
    out.push('\n');
}

/// The text with an apostrophe before it if a spreadsheet would take it for a formula.
///
/// A formula begins, after blanks, with `=`, `+`, `-`, `@` or the wide form of one of these. A number with its sign stays as
/// it is, with a point or a comma, and so does a sign alone, which says 'no value'.
#[must_use]
pub fn formula_safe(text: &str) -> Cow<'_, str> {
    let signs = ['=', '+', '-', '@', '＝', '＋', '－', '＠'];
    let risky = text.trim_start().starts_with(signs) || text.starts_with(['\t', '\r', '\n']);
    let plain = text
        .strip_prefix(['+', '-'])
        .is_some_and(|rest| rest.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | ',')));
    if risky && !plain {
        format!("'{text}").into()
    } else {
        text.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: what spreadsheets are known to compute, and RFC 4180.
    #[test]
    fn formulas_are_disarmed_and_numbers_are_not() {
        for (text, safe) in [
            ("", ""),
            ("waxed", "waxed"),
            ("-1.5", "-1.5"),
            ("-1,5", "-1,5"),
            ("+2", "+2"),
            ("-", "-"),
            ("\u{2212}3", "\u{2212}3"),
            ("=", "'="),
            ("=1+1", "'=1+1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("-cmd|' /C calc'!A0", "'-cmd|' /C calc'!A0"),
            ("-1-2", "'-1-2"),
            ("+A1", "'+A1"),
            (" =1", "' =1"),
            ("\t=1", "'\t=1"),
            ("＝1", "'＝1"),
            ("－1", "'－1"),
        ] {
            assert_eq!(formula_safe(text), safe);
        }
    }

    #[test]
    fn cells_are_quoted_where_they_must_be() {
        let mut out = String::new();
        csv_row(&mut out, ["a", "b,c", "d \"e\"", "f;g", "=1", ""]);
        csv_row_as_is(&mut out, ["=1", "x\ny", " z"]);
        assert_eq!(out, "a,\"b,c\",\"d \"\"e\"\"\",\"f;g\",'=1,\n=1,\"x\ny\", z\n");
    }
}
