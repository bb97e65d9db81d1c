//! An author's Markdown as a tree that both kinds of template render.
//!
//! In:  Markdown (the common core, with tables) as a `Source`, so that what is odd has a line and a column.
//! Out: blocks as plain data. Every text in it is text: raw HTML comes out as the characters the author typed.
//!
//! | what the author writes          | what becomes of it                          |
//! |---------------------------------|---------------------------------------------|
//! | raw HTML                        | printed as typed, warning `T020`            |
//! | an image                        | its description is printed, warning `T021`  |
//! | a link not http, https, mailto  | its text is printed, warning `T022`         |
//! | containers nested past `DEEPEST`| error `T023`                                |
//!
//! Heading levels come out without gaps, from 1: a level that is skipped is closed up.

use std::ops::Range;
use std::sync::Arc;

use pulldown_cmark::{CodeBlockKind, Event, HeadingLevel, Options, Parser, Tag, TagEnd};
use serde::Serialize;

use crate::diagnostic::{Diagnostic, Diagnostics, Source};

/// Deepest nesting of lists, quotes and emphasis.
const DEEPEST: usize = 40;

/// A block of text.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Block {
    /// Running text.
    Paragraph {
        /// Its words.
        content: Vec<Inline>,
    },
    /// A heading.
    Heading {
        /// From 1, without gaps.
        level: usize,
        /// Its words.
        content: Vec<Inline>,
    },
    /// A list.
    List {
        /// The number of the first item; none for a list without numbers.
        start: Option<u64>,
        /// The items.
        items: Vec<Vec<Block>>,
    },
    /// A quotation.
    Quote {
        /// What is quoted.
        blocks: Vec<Block>,
    },
    /// Text to be printed as typed.
    Code {
        /// The text, without its last line end.
        text: String,
    },
    /// A table.
    Table {
        /// For each column `left`, `centre` or `right`.
        align: Vec<&'static str>,
        /// The cells of the head.
        head: Vec<Vec<Inline>>,
        /// The rows below, each with its cells.
        rows: Vec<Vec<Vec<Inline>>>,
    },
    /// A line across.
    Rule,
}

/// A stretch of text inside a block.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Inline {
    /// Plain text.
    Text {
        /// The characters.
        text: String,
    },
    /// Emphasis.
    Emphasis {
        /// What is emphasized.
        content: Vec<Inline>,
    },
    /// Strong emphasis.
    Strong {
        /// What is emphasized.
        content: Vec<Inline>,
    },
    /// A name or value to be printed as typed.
    Code {
        /// The characters.
        text: String,
    },
    /// A link: http, https or mailto.
    Link {
        /// Where to.
        url: String,
        /// What is printed.
        content: Vec<Inline>,
    },
    /// A new line.
    Break,
}

/// Reads Markdown.
///
/// # Errors
///
/// `T023` for nesting past any use; what is odd but printable rides along as warnings.
pub fn markdown(source: &Arc<Source>) -> Result<(Vec<Block>, Diagnostics), Diagnostics> {
    let mut builder = Builder {
        source,
        frames: vec![Frame::new(Holds::Document)],
        headings: Vec::new(),
        found: Diagnostics::new(),
    };
    for (event, span) in Parser::new_ext(&source.text, Options::ENABLE_TABLES).into_offset_iter() {
        builder.take(event, &span);
        if builder.frames.len() > DEEPEST {
            let deep = Diagnostic::error("T023", "the text is nested too deep").at(source, span, "");
            builder
                .found
                .push(deep.help("use fewer lists and quotations inside one another"));
            return Err(builder.found);
        }
    }
    while builder.frames.len() > 1 {
        builder.close();
    }
    let blocks = builder.frames.pop().map_or_else(Vec::new, Frame::blocks);
    builder.found.unless_errors(blocks)
}

/// What a frame under construction will become.
enum Holds {
    Document,
    Paragraph,
    Heading(usize),
    List(Option<u64>),
    Item,
    Quote,
    Code,
    Html,
    Table(Vec<&'static str>),
    Head,
    Row,
    Cell,
    Emphasis,
    Strong,
    /// `None` for a link that may not be followed.
    Link(Option<String>),
    Image,
}

/// A part under construction: blocks and words come in, in the order read.
struct Frame {
    holds: Holds,
    blocks: Vec<Block>,
    words: Vec<Inline>,
    /// Items of a list.
    items: Vec<Vec<Block>>,
    /// Cells of a row, or of the head of a table.
    cells: Vec<Vec<Inline>>,
    /// Rows of a table.
    rows: Vec<Vec<Vec<Inline>>>,
}

impl Frame {
    fn new(holds: Holds) -> Self {
        Self {
            holds,
            blocks: Vec::new(),
            words: Vec::new(),
            items: Vec::new(),
            cells: Vec::new(),
            rows: Vec::new(),
        }
    }

    /// The blocks, with loose words (an item of a tight list) as a paragraph.
    fn blocks(mut self) -> Vec<Block> {
        self.settle();
        self.blocks
    }

    /// Makes a paragraph of loose words.
    fn settle(&mut self) {
        if !self.words.is_empty() {
            let content = std::mem::take(&mut self.words);
            self.blocks.push(Block::Paragraph { content });
        }
    }

    /// Adds text to the words, joining it to text before it.
    fn text(&mut self, more: &str) {
        if let Some(Inline::Text { text }) = self.words.last_mut() {
            text.push_str(more);
        } else {
            self.words.push(Inline::Text { text: more.to_owned() });
        }
    }

    /// The plain characters of the words.
    fn plain(&self) -> String {
        fn collect(words: &[Inline], out: &mut String) {
            for word in words {
                match word {
                    Inline::Text { text } | Inline::Code { text } => out.push_str(text),
                    Inline::Emphasis { content } | Inline::Strong { content } | Inline::Link { content, .. } => {
                        collect(content, out);
                    }
                    Inline::Break => out.push('\n'),
                }
            }
        }
        let mut out = String::new();
        collect(&self.words, &mut out);
        out
    }
}

struct Builder<'a> {
    source: &'a Arc<Source>,
    /// Open parts, outermost first; never empty.
    frames: Vec<Frame>,
    /// Levels, as written, of the headings that enclose this place.
    headings: Vec<HeadingLevel>,
    found: Diagnostics,
}

impl Builder<'_> {
    fn take(&mut self, event: Event<'_>, span: &Range<usize>) {
        match event {
            Event::Start(tag) => self.open(tag, span),
            Event::End(end) => self.end(end),
            // The last three belong to extensions that are not switched on.
            Event::Text(text) | Event::FootnoteReference(text) | Event::InlineMath(text) | Event::DisplayMath(text) => {
                self.text(&text);
            }
            Event::Code(text) => self.word(Inline::Code {
                text: text.into_string(),
            }),
            Event::Html(text) | Event::InlineHtml(text) => {
                self.warn("T020", "HTML is printed as it stands, not obeyed", span);
                self.text(&text);
            }
            Event::SoftBreak => self.text(" "),
            Event::HardBreak => self.word(Inline::Break),
            Event::Rule => self.block(Block::Rule),
            Event::TaskListMarker(_) => {}
        }
    }

    fn warn(&mut self, code: &'static str, message: &str, span: &Range<usize>) {
        self.found
            .push(Diagnostic::warning(code, message).at(self.source, span.clone(), ""));
    }

    fn open(&mut self, tag: Tag<'_>, span: &Range<usize>) {
        let holds = match tag {
            Tag::Heading { level, .. } => {
                while self.headings.last().is_some_and(|&outer| outer >= level) {
                    self.headings.pop();
                }
                self.headings.push(level);
                Holds::Heading(self.headings.len())
            }
            Tag::BlockQuote(_) => Holds::Quote,
            Tag::CodeBlock(CodeBlockKind::Indented | CodeBlockKind::Fenced(_)) => Holds::Code,
            Tag::HtmlBlock => Holds::Html,
            Tag::List(start) => Holds::List(start),
            Tag::Item => Holds::Item,
            Tag::Table(columns) => Holds::Table(
                columns
                    .iter()
                    .map(|column| match column {
                        pulldown_cmark::Alignment::None | pulldown_cmark::Alignment::Left => "left",
                        pulldown_cmark::Alignment::Center => "centre",
                        pulldown_cmark::Alignment::Right => "right",
                    })
                    .collect(),
            ),
            Tag::TableHead => Holds::Head,
            Tag::TableRow => Holds::Row,
            Tag::TableCell => Holds::Cell,
            Tag::Emphasis => Holds::Emphasis,
            Tag::Strong => Holds::Strong,
            Tag::Link { dest_url, .. } => {
                let safe = is_safe(&dest_url);
                if !safe {
                    self.warn("T022", "a link may only lead to http, https or mailto", span);
                }
                Holds::Link(safe.then(|| dest_url.into_string()))
            }
            Tag::Image { .. } => {
                self.warn("T021", "an image is not shown; its description is printed", span);
                Holds::Image
            }
            // A paragraph, and the containers of extensions that are not switched on.
            _ => Holds::Paragraph,
        };
        // What the author wrote between two blocks of an item stays in order.
        if let Some(frame) = self.frames.last_mut()
            && !matches!(
                holds,
                Holds::Emphasis | Holds::Strong | Holds::Link(_) | Holds::Image | Holds::Cell
            )
        {
            frame.settle();
        }
        self.frames.push(Frame::new(holds));
    }

    fn end(&mut self, _end: TagEnd) {
        self.close();
    }

    /// Closes the innermost part and hands it to the one around it.
    fn close(&mut self) {
        if self.frames.len() < 2 {
            return;
        }
        let Some(frame) = self.frames.pop() else {
            return;
        };
        match frame.holds {
            Holds::Document => {}
            Holds::Paragraph => {
                if !frame.words.is_empty() {
                    self.block(Block::Paragraph { content: frame.words });
                }
            }
            Holds::Heading(level) => self.block(Block::Heading {
                level,
                content: frame.words,
            }),
            Holds::Quote => self.block(Block::Quote { blocks: frame.blocks() }),
            Holds::Code | Holds::Html => {
                let text = frame.plain();
                let text = text.strip_suffix('\n').unwrap_or(&text).to_owned();
                self.block(Block::Code { text });
            }
            Holds::List(start) => self.block(Block::List {
                start,
                items: frame.items,
            }),
            Holds::Item => {
                let blocks = frame.blocks();
                if let Some(list) = self.frames.last_mut() {
                    list.items.push(blocks);
                }
            }
            Holds::Table(align) => self.block(Block::Table {
                align,
                head: frame.cells,
                rows: frame.rows,
            }),
            Holds::Head => {
                if let Some(table) = self.frames.last_mut() {
                    table.cells = frame.cells;
                }
            }
            Holds::Row => {
                if let Some(table) = self.frames.last_mut() {
                    table.rows.push(frame.cells);
                }
            }
            Holds::Cell => {
                if let Some(row) = self.frames.last_mut() {
                    row.cells.push(frame.words);
                }
            }
            Holds::Emphasis => self.word(Inline::Emphasis { content: frame.words }),
            Holds::Strong => self.word(Inline::Strong { content: frame.words }),
            Holds::Link(Some(url)) => self.word(Inline::Link {
                url,
                content: frame.words,
            }),
            Holds::Link(None) | Holds::Image => {
                for word in frame.words {
                    match word {
                        Inline::Text { text } => self.text(&text),
                        other => self.word(other),
                    }
                }
            }
        }
    }

    fn text(&mut self, text: &str) {
        if let Some(frame) = self.frames.last_mut() {
            frame.text(text);
        }
    }

    fn word(&mut self, word: Inline) {
        if let Some(frame) = self.frames.last_mut() {
            frame.words.push(word);
        }
    }

    fn block(&mut self, block: Block) {
        if let Some(frame) = self.frames.last_mut() {
            frame.blocks.push(block);
        }
    }
}

/// True if a link may be followed.
fn is_safe(url: &str) -> bool {
    let lower = url.to_ascii_lowercase();
    ["http://", "https://", "mailto:"]
        .iter()
        .any(|scheme| lower.starts_with(scheme))
        && !url.chars().any(|c| c.is_control() || c.is_whitespace())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn tree(text: &str) -> (serde_json::Value, Vec<(&'static str, usize, usize)>) {
        let source = Source::new("note.md", text);
        let (blocks, found) = markdown(&source).unwrap();
        let places = found
            .iter()
            .map(|d| d.position().map(|(_, line, column)| (d.code, line, column)).unwrap())
            .collect();
        (serde_json::to_value(blocks).unwrap(), places)
    }

    fn text(text: &str) -> serde_json::Value {
        json!({"kind": "text", "text": text})
    }

    #[test]
    fn words_lists_and_quotes_become_a_tree() {
        let (blocks, found) = tree("One *two* **three** `four`.\n\n- a\n- b\n\n  c\n\n> said\n");
        assert!(found.is_empty());
        assert_eq!(
            blocks[0]["content"],
            json!([
                text("One "),
                {"kind": "emphasis", "content": [text("two")]},
                text(" "),
                {"kind": "strong", "content": [text("three")]},
                text(" "),
                {"kind": "code", "text": "four"},
                text("."),
            ])
        );
        assert_eq!(blocks[1]["kind"], "list");
        assert_eq!(blocks[1]["start"], serde_json::Value::Null);
        assert_eq!(blocks[1]["items"][1][1]["content"], json!([text("c")]));
        assert_eq!(blocks[2]["blocks"][0]["content"], json!([text("said")]));
    }

    #[test]
    fn an_item_keeps_its_words_before_its_inner_list() {
        let (blocks, _) = tree("1. outer\n   - inner\n");
        assert_eq!(blocks[0]["start"], 1);
        assert_eq!(blocks[0]["items"][0][0]["content"], json!([text("outer")]));
        assert_eq!(blocks[0]["items"][0][1]["kind"], "list");
    }

    #[test]
    fn a_table_keeps_head_rows_and_sides() {
        let (blocks, _) = tree("| a | b |\n|:-|-:|\n| 1 | 2 |\n| 3 | 4 |\n");
        assert_eq!(
            blocks[0],
            json!({"kind": "table", "align": ["left", "right"], "head": [[text("a")], [text("b")]],
                   "rows": [[[text("1")], [text("2")]], [[text("3")], [text("4")]]]})
        );
    }

    #[test]
    fn heading_levels_close_up() {
        let (blocks, _) = tree("## a\n#### b\n### c\n## d\n# e\n");
        let levels: Vec<u64> = blocks
            .as_array()
            .unwrap()
            .iter()
            .map(|b| b["level"].as_u64().unwrap())
            .collect();
        assert_eq!(levels, [1, 2, 2, 1, 1]);
    }

    #[test]
    fn html_is_text_and_is_told() {
        let (blocks, found) = tree("see <b>this</b>\n\n<script>alert(1)</script>\n");
        assert_eq!(blocks[0]["content"], json!([text("see <b>this</b>")]));
        assert_eq!(blocks[1], json!({"kind": "code", "text": "<script>alert(1)</script>"}));
        assert_eq!(found, [("T020", 1, 5), ("T020", 1, 12), ("T020", 3, 1)]);
    }

    #[test]
    fn images_and_odd_links_leave_their_words() {
        let (blocks, found) = tree("![a *b*](x.png) [c](javascript:alert(1)) [d](https://example.org/?a=1&b=2)");
        assert_eq!(
            blocks[0]["content"],
            json!([
                text("a "),
                {"kind": "emphasis", "content": [text("b")]},
                text(" c "),
                {"kind": "link", "url": "https://example.org/?a=1&b=2", "content": [text("d")]},
            ])
        );
        assert_eq!(found, [("T021", 1, 1), ("T022", 1, 17)]);
    }

    #[test]
    fn nesting_has_an_end() {
        let source = Source::new("note.md", format!("{} deep", "> ".repeat(500)));
        let found = markdown(&source).unwrap_err();
        assert_eq!(found.iter().next().unwrap().code, "T023");
    }
}
