//! The two engines that turn data into documents, and what both share.
//!
//! In:  a template by name, data as JSON, figures as SVG text.
//! Out: HTML text or the bytes of a PDF; what is wrong with a template is a diagnostic (codes `T...`).
//!
//! | file        | what it holds                                                     |
//! |-------------|-------------------------------------------------------------------|
//! | `templates` | the shipped templates and those that replace them                 |
//! | `html`      | minijinja: escapes everything, an undefined value is an error     |
//! | `pdf`       | Typst, compiled in: sees only the sources it is handed            |
//! | `fonts`     | the embedded fonts: what they cover, how wide a text is           |
//! | `csv`       | rows of comma-separated text, safe for spreadsheets                |
//! | `markdown`  | an author's Markdown as a tree that both kinds of template render |
//!
//! Never here: files, clock, environment, network. A study may replace a template, so a bad one is the
//! user's error, reported with its line; data is never pasted into a template's source.

mod csv;
mod fonts;
mod html;
mod markdown;
mod pdf;
mod templates;

pub use csv::{csv_row, csv_row_as_is, formula_safe};
pub use fonts::text_width;
pub use html::html;
pub use markdown::{Block, Inline, markdown};
pub use pdf::{PdfOptions, command_arguments, pdf, typst_sources};
pub use templates::Templates;
