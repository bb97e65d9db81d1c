//! How wide the columns of a table must be, and how wide they would like to be.
//!
//! In:  a table's headings and cells.
//! Out: for each column two widths in em: the least at which no word runs out of it, and the one at which no more is gained.
//! Method: advances of the embedded face (`render::text_width`). The template shares out the page between the two, as browsers do.

use crate::render::text_width;

use super::document::Table;

/// Characters from which a chain without a blank may be broken anywhere; the templates do the same.
const LONGEST_WORD: usize = 26;
/// Where such a chain may be broken, a column need not be wider than this, in em.
const BROKEN: f64 = 13.0;
/// A cell of prose gains nothing from a wider column, in em.
const PROSE: f64 = 60.0;
/// Lines of a heading: at the most, and better.
const HEAD_LINES: (usize, usize) = (3, 2);

/// Least and best width of every column, in em of the table's type.
pub(super) fn measure(table: &Table) -> Vec<(f64, f64)> {
    let mut widths: Vec<(f64, f64)> = table
        .columns
        .iter()
        .map(|column| {
            let words = words(&column.title, true);
            (in_lines(&words, HEAD_LINES.0), in_lines(&words, HEAD_LINES.1))
        })
        .collect();
    for row in table.groups.iter().flat_map(|group| &group.rows) {
        for ((narrow, wide), cell) in widths.iter_mut().zip(row) {
            let words = words(&cell.text, false);
            let longest = words.iter().copied().fold(0.0, f64::max);
            *narrow = narrow.max(longest);
            *wide = wide.max(longest.max(line(&words).min(PROSE)));
        }
    }
    // What rounding and kerning may add.
    widths
        .iter()
        .map(|(narrow, wide)| (narrow + 0.1, wide.max(*narrow) + 0.1))
        .collect()
}

/// Widths of the words of a text.
fn words(text: &str, bold: bool) -> Vec<f64> {
    let width = |word: &str| {
        let whole = text_width(word, 1.0, bold);
        let hash = word.len() == 64 && word.bytes().all(|b| b.is_ascii_hexdigit());
        if !hash && word.chars().count() >= LONGEST_WORD {
            whole.min(BROKEN)
        } else {
            whole
        }
    };
    text.split(' ').filter(|word| !word.is_empty()).map(width).collect()
}

/// Width of words on one line.
fn line(words: &[f64]) -> f64 {
    words.iter().sum::<f64>() + words.len().saturating_sub(1) as f64 * text_width(" ", 1.0, false)
}

/// The least width at which the words take so many lines.
fn in_lines(words: &[f64], lines: usize) -> f64 {
    let starts = 0..words.len();
    let mut widths: Vec<f64> = starts
        .flat_map(|from| (from + 1..=words.len()).map(move |to| line(&words[from..to])))
        .collect();
    widths.sort_by(f64::total_cmp);
    let longest = words.iter().copied().fold(0.0, f64::max);
    widths
        .into_iter()
        .find(|&width| width >= longest && lines_at(words, width) <= lines)
        .unwrap_or(longest)
}

fn lines_at(words: &[f64], width: f64) -> usize {
    let (mut lines, mut from) = (1, 0);
    for to in 1..=words.len() {
        if to > from + 1 && line(&words[from..to]) > width {
            lines += 1;
            from = to - 1;
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::super::document::Cell;
    use super::*;

    /// Source: closed form, words of one unit each.
    #[test]
    fn words_fill_lines_from_the_left() {
        let blank = text_width(" ", 1.0, false);
        let words = [1.0, 1.0, 1.0, 2.0];
        assert_eq!(lines_at(&words, 2.0), 4);
        assert_eq!(lines_at(&words, 2.0 + blank), 3);
        assert!((in_lines(&words, 1) - (5.0 + 3.0 * blank)).abs() < 1e-12);
        assert!((in_lines(&words, 2) - (3.0 + blank)).abs() < 1e-12);
        assert!((in_lines(&words, 9) - 2.0).abs() < 1e-12);
        assert!(in_lines(&[], 2).abs() < 1e-12);
    }

    #[test]
    fn no_word_is_wider_than_its_column() {
        let table = Table::new("t", "T", &["Effect", ">Degrees of freedom (df)", ">p by randomization"]).group(
            "",
            vec![vec![
                Cell::words("temperature × instrument"),
                Cell::count(1),
                Cell::number("<\u{a0}0.0001", 1e-9),
            ]],
        );
        let widths = measure(&table);
        let least = |column: usize, text: &str, bold: bool| {
            let (narrow, wide) = widths[column];
            assert!(narrow >= text_width(text, 1.0, bold), "{text}: {narrow}");
            assert!(wide >= narrow);
        };
        least(0, "temperature", false);
        least(1, "freedom", true);
        least(2, "randomization", true);
        assert!(widths[0].1 >= text_width("temperature × instrument", 1.0, false));
    }

    #[test]
    fn a_chain_without_end_does_not_take_the_page() {
        let cells = vec![Cell::words("x".repeat(400)), Cell::words("a".repeat(64))];
        let table = Table::new("t", "T", &["A", "B"]).group("", vec![cells]);
        let widths = measure(&table);
        assert!(widths[0].1 < 14.0);
        assert!(widths[1].0 > 30.0, "a hash keeps its characters together");
    }
}
