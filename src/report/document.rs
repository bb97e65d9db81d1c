//! The report as data: what stands where, in words and numbers; templates only lay it out.
//!
//! In:  nothing; `build` fills it.
//! Out: a `Report` that serializes to the JSON which both kinds of template read.
//!
//! Texts are plain: no markup is read in them. Only a `Note` holds a tree of marked-up text, made from the author's
//! Markdown, and that has been taken apart already.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::render::csv_row;

/// A report, ready to be laid out.
#[derive(Debug, Clone, Serialize)]
pub struct Report {
    /// Language of the words, for readers that speak.
    pub language: String,
    /// Study id, printed on every page.
    pub id: String,
    /// Version of the protocol, printed on every page.
    pub version: String,
    /// Name of the site; empty without one.
    pub site: String,
    /// Title.
    pub title: String,
    /// The question that the study is to answer.
    pub question: String,
    /// True if the readings were simulated: every page is marked.
    pub rehearsal: bool,
    /// What a reader must know first: simulated readings, an order that was not drawn.
    pub notices: Vec<Notice>,
    /// Particulars at the head.
    pub facts: Vec<Fact>,
    /// The answer in plain sentences, one list a response.
    pub answers: Vec<Answers>,
    /// The sections in order.
    pub sections: Vec<Section>,
    /// What stands at the foot of every page: tool, and the beginning of the protocol's hash.
    pub footer: String,
}

/// What a reader must know first.
#[derive(Debug, Clone, Serialize)]
pub struct Notice {
    /// In a word or two.
    pub label: String,
    /// In a sentence.
    pub text: String,
}

/// A particular with its name.
#[derive(Debug, Clone, Serialize)]
pub struct Fact {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: String,
}

/// The answer for one response.
#[derive(Debug, Clone, Serialize)]
pub struct Answers {
    /// The response; empty if the study has just one.
    pub heading: String,
    /// The sentences.
    pub sentences: Vec<String>,
}

/// A section.
#[derive(Debug, Clone, Serialize)]
pub struct Section {
    /// Name for links: letters, digits, `-`.
    pub id: String,
    /// Heading.
    pub title: String,
    /// True if it begins a page in print.
    pub new_page: bool,
    /// Its content.
    pub blocks: Vec<Block>,
}

/// A part of a section.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Block {
    /// A heading within the section.
    Heading {
        /// The heading.
        text: String,
    },
    /// A paragraph.
    Paragraph {
        /// Its text.
        text: String,
    },
    /// A list.
    List {
        /// True if the items are numbered.
        ordered: bool,
        /// The items.
        items: Vec<String>,
    },
    /// Lines to be typed as they stand.
    Commands {
        /// The lines.
        lines: Vec<String>,
    },
    /// A table.
    Table(Table),
    /// A figure.
    Figure(Picture),
    /// The author's own words: the tree that `render::markdown` makes.
    Note {
        /// The tree.
        blocks: serde_json::Value,
    },
}

impl Block {
    /// A paragraph.
    pub(super) fn paragraph(text: impl Into<String>) -> Self {
        Self::Paragraph { text: text.into() }
    }

    /// A heading within the section.
    pub(super) fn heading(text: impl Into<String>) -> Self {
        Self::Heading { text: text.into() }
    }

    /// A list without numbers.
    pub(super) fn list(items: Vec<String>) -> Self {
        Self::List { ordered: false, items }
    }
}

/// A figure with its place in the report.
#[derive(Debug, Clone, Serialize)]
pub struct Picture {
    /// Name used for files and ids.
    pub name: String,
    /// Its number in the report.
    pub number: usize,
    /// The answer, drawn inside the figure.
    pub title: String,
    /// What it shows, in words, for those who cannot see it.
    pub alt: String,
    /// How to read it; printed below.
    pub caption: String,
    /// The SVG text.
    pub svg: String,
}

/// A table with its place in the report.
#[derive(Debug, Clone, Serialize)]
pub struct Table {
    /// Name used for files and ids.
    pub name: String,
    /// Its number in the report.
    pub number: usize,
    /// What it shows.
    pub caption: String,
    /// `plain`, or `dense` for long lists of raw results.
    pub style: String,
    /// True if it is so short that it can stay on one page in print.
    pub short: bool,
    /// The columns; the first one names the row.
    pub columns: Vec<Column>,
    /// Rows under headings.
    pub groups: Vec<Group>,
    /// What to bear in mind; printed below, may be empty.
    pub remark: String,
}

/// A column.
#[derive(Debug, Clone, Serialize)]
pub struct Column {
    /// Heading in words, its symbol in parentheses.
    pub title: String,
    /// `left` or `right`.
    pub align: String,
    /// The least width at which no word runs out of it, in em of the table's type.
    pub narrow: f64,
    /// The width at which no cell gains by more, in em.
    pub wide: f64,
}

/// Rows that belong together.
#[derive(Debug, Clone, Serialize)]
pub struct Group {
    /// Heading; empty for none.
    pub title: String,
    /// The rows; each has a cell for every column.
    pub rows: Vec<Vec<Cell>>,
}

/// A cell.
#[derive(Debug, Clone, Serialize)]
pub struct Cell {
    /// As printed.
    pub text: String,
    /// The number behind it in full precision, for data files.
    pub value: Option<f64>,
}

impl Cell {
    /// A cell of words.
    pub(super) fn words(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            value: None,
        }
    }

    /// A number with its printed form.
    pub(super) fn number(text: impl Into<String>, value: f64) -> Self {
        Self {
            text: text.into(),
            value: Some(value),
        }
    }

    /// A number printed by a rule, or a dash for none.
    pub(super) fn maybe(value: Option<f64>, print: impl Fn(f64) -> String) -> Self {
        match value {
            Some(value) => Self::number(print(value), value),
            None => Self::words("–"),
        }
    }

    /// A count.
    pub(super) fn count(value: usize) -> Self {
        Self::number(value.to_string(), value as f64)
    }
}

impl Table {
    /// A table without rows; columns named with `>` in front are set to the right.
    pub(super) fn new(name: impl Into<String>, caption: impl Into<String>, columns: &[&str]) -> Self {
        Self {
            name: name.into(),
            number: 0,
            caption: caption.into(),
            style: "plain".to_owned(),
            short: false,
            columns: columns.iter().map(|title| Column::new(title)).collect(),
            groups: Vec::new(),
            remark: String::new(),
        }
    }

    /// Adds rows under a heading; nothing for no rows.
    pub(super) fn group(mut self, title: &str, rows: Vec<Vec<Cell>>) -> Self {
        if !rows.is_empty() {
            self.groups.push(Group {
                title: title.to_owned(),
                rows,
            });
        }
        self
    }

    /// Adds a remark below.
    pub(super) fn remark(mut self, text: impl Into<String>) -> Self {
        self.remark = text.into();
        self
    }

    /// Sets it small, for long lists.
    pub(super) fn dense(mut self) -> Self {
        "dense".clone_into(&mut self.style);
        self
    }

    /// True if all of it surely has room on a page: few rows, and no cell with more than a few lines.
    fn is_short(&self) -> bool {
        let rows = || self.groups.iter().flat_map(|group| &group.rows);
        let longest = rows()
            .flatten()
            .map(|cell| cell.text.chars().count())
            .max()
            .unwrap_or(0);
        let room = if self.columns.len() > 2 { 90 } else { 300 };
        rows().count() <= 16 && longest <= room
    }

    /// The table as CSV (RFC 4180, LF line ends, UTF-8): full precision, and safe to open in a spreadsheet.
    ///
    /// A text that a spreadsheet would take for a formula gets an apostrophe in front.
    #[must_use]
    pub fn csv(&self) -> String {
        let grouped = self.groups.iter().any(|group| !group.title.is_empty());
        let mut out = String::new();
        let head = self.columns.iter().map(|column| plain_blanks(&column.title));
        csv_row(&mut out, grouped.then(|| "group".to_owned()).into_iter().chain(head));
        for group in &self.groups {
            for row in &group.rows {
                let cells = row.iter().map(|cell| match cell.value {
                    Some(value) => super::number::exact(value),
                    None if cell.text == "–" => String::new(),
                    None => plain_blanks(&cell.text),
                });
                csv_row(
                    &mut out,
                    grouped.then(|| plain_blanks(&group.title)).into_iter().chain(cells),
                );
            }
        }
        out
    }
}

impl Column {
    fn new(title: &str) -> Self {
        let (title, align) = match title.strip_prefix('>') {
            Some(title) => (title, "right"),
            None => (title, "left"),
        };
        Self::set(title, align)
    }

    /// A column with its heading, set to a side.
    pub(super) fn set(title: impl Into<String>, align: &str) -> Self {
        Self {
            title: title.into(),
            align: align.to_owned(),
            narrow: 0.0,
            wide: 0.0,
        }
    }
}

/// Text for a data file: plain blanks.
fn plain_blanks(text: &str) -> String {
    text.replace(['\u{a0}', '\u{202f}'], " ")
}

impl Report {
    /// Every block, in order.
    pub fn blocks(&self) -> impl Iterator<Item = &Block> {
        self.sections.iter().flat_map(|section| &section.blocks)
    }

    /// Numbers tables and figures in the order in which they stand, and sees how much room each table needs.
    pub(super) fn number(&mut self) {
        let (mut tables, mut figures) = (0, 0);
        for block in self.sections.iter_mut().flat_map(|section| &mut section.blocks) {
            match block {
                Block::Table(table) => {
                    tables += 1;
                    table.number = tables;
                    table.short = table.is_short();
                    let widths = super::widths::measure(table);
                    for (column, (narrow, wide)) in table.columns.iter_mut().zip(widths) {
                        (column.narrow, column.wide) = (narrow, wide);
                    }
                }
                Block::Figure(figure) => {
                    figures += 1;
                    figure.number = figures;
                }
                _ => {}
            }
        }
    }
}

/// The figures as SVG text, by name.
#[must_use]
pub fn figures(report: &Report) -> BTreeMap<String, String> {
    report
        .blocks()
        .filter_map(|block| match block {
            Block::Figure(figure) => Some((figure.name.clone(), figure.svg.clone())),
            _ => None,
        })
        .collect()
}

/// The tables as CSV text, by name.
#[must_use]
pub fn tables_csv(report: &Report) -> BTreeMap<String, String> {
    report
        .blocks()
        .filter_map(|block| match block {
            Block::Table(table) => Some((table.name.clone(), table.csv())),
            _ => None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn csv_keeps_full_precision_and_disarms_formulas() {
        let table = Table::new("t", "T", &["What", ">Value (x)"])
            .group(
                "=cmd()",
                vec![
                    vec![Cell::words("=1+1"), Cell::number("−0.33", -1.0 / 3.0)],
                    vec![Cell::words("a \"b\", c\u{a0}d"), Cell::maybe(None, |v| v.to_string())],
                ],
            )
            .group("@x", Vec::new());
        assert_eq!(
            table.csv(),
            "group,What,Value (x)\n'=cmd(),'=1+1,-0.3333333333333333\n'=cmd(),\"a \"\"b\"\", c d\",\n"
        );
    }
}
