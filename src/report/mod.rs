//! Findings to a report: the document as data, and from it HTML, PDF, CSV tables and a terminal summary.
//!
//! In:  protocol, site, plan, findings, the author's note, templates.
//! Out: a `Report`, and its forms. Nothing is estimated here; numbers are rounded and put into words.
//!
//! | file       | what it holds                                          |
//! |------------|--------------------------------------------------------|
//! | `number`   | rounding for people                                    |
//! | `words`    | names, lists and counts; the voice that names things   |
//! | `sentences`| findings as plain sentences                            |
//! | `course`   | what levels leave behind, and drift                   |
//! | `spread`   | the sources of spread in words                         |
//! | `figures`  | which figures, with which rows and which answer        |
//! | `lone`     | effects without replicates, and what runs mix          |
//! | `shape`    | slopes and shapes along numeric factors                |
//! | `surface`  | a quadratic surface in words, a table and a figure     |
//! | `tables`   | which tables, with which columns                       |
//! | `values`   | the values that a note may pull in, by name            |
//! | `note`     | the author's Markdown with these values in place       |
//! | `document` | the report as data                                     |
//! | `answers`  | the plain answer at the head, by kind of study         |
//! | `measurement`, `measurement_words` | the measurement system: its section, its sentences |
//! | `precision`, `precision_words` | the precision statement: its section, its sentences |
//! | `agreement`, `budget`, `deciding` | two methods, uncertainty, decisions: words, tables, figures |
//! | `measurement` | these three together, and the sentences at the head |
//! | `ruggedness` | the plain answer of a ruggedness test |
//! | `build`    | the whole: head, answer, sections                      |
//! | `order`    | which sections in which order, by kind of study        |
//! | `sections` | what stands in each section                            |
//! | `trust`    | how far the numbers can be trusted                     |
//! | `pool`     | several sites: words, tables, figures, the whole report |
//! | `rehearsed`| what a rehearsal put in, beside what came out          |
//! | `widths`   | how much room the columns of a table need              |
//! | `terminal` | the findings as plain text                             |
//!
//! Never here: files, clock, statistics.

mod agreement;
mod agreement_figures;
mod agreement_tables;
mod answers;
mod bench;
mod bench_log;
mod budget;
mod build;
pub mod course;
mod deciding;
mod document;
mod figures;
mod lone;
mod measurement;
mod measurement_system;
mod measurement_words;
mod note;
pub mod number;
mod order;
mod pool;
mod power;
mod precision;
mod precision_figures;
mod precision_words;
mod rehearsed;
mod ruggedness;
mod sections;
pub mod sentences;
mod shape;
pub mod spread;
mod surface;
mod tables;
mod terminal;
mod trust;
mod values;
mod widths;
pub mod words;

use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::render::{self, PdfOptions, Templates};
use std::collections::BTreeMap;

pub use build::{Input, build, value_names};
pub use document::{
    Answers, Block, Cell, Column, Fact, Group, Notice, Picture, Report, Section, Table, figures, tables_csv,
};
pub use pool::{pooled, pooled_terminal};
pub use power::{power_figures, size};
pub use terminal::{rehearsal, terminal};

/// Name of the HTML template.
pub const HTML_TEMPLATE: &str = "report.html.jinja";
/// Name of the Typst template.
pub const TYPST_TEMPLATE: &str = "report.typ";

/// The report as one HTML page without outside resources.
///
/// # Errors
///
/// Those of the template (codes `T...`).
pub fn to_html(report: &Report, templates: &Templates) -> Result<String, Diagnostics> {
    render::html(templates, HTML_TEMPLATE, &data(report, true)?)
}

/// The report as a tagged PDF, with the engine's warnings.
///
/// # Errors
///
/// Those of the template or of the engine (codes `T...`).
pub fn to_pdf(
    report: &Report,
    templates: &Templates,
    options: &PdfOptions,
) -> Result<(Vec<u8>, Diagnostics), Diagnostics> {
    render::pdf(
        templates,
        TYPST_TEMPLATE,
        &data(report, false)?,
        &figures(report),
        options,
    )
}

/// The sources of the PDF, by path: to be kept beside it, or for an installed `typst` command.
///
/// # Errors
///
/// `T001` if there is no such template.
pub fn typst_sources(
    report: &Report,
    templates: &Templates,
    options: &PdfOptions,
) -> Result<BTreeMap<String, Vec<u8>>, Diagnostics> {
    render::typst_sources(
        templates,
        TYPST_TEMPLATE,
        &data(report, false)?,
        &figures(report),
        options,
    )
}

/// What the templates read: the report under `report`. For Typst the figures are files, so their text is left out.
fn data(report: &Report, with_svg: bool) -> Result<serde_json::Value, Diagnostics> {
    let mut value = serde_json::to_value(report).map_err(|error| {
        Diagnostics::from(Diagnostic::error(
            "T034",
            format!("the report cannot be written as JSON: {error}"),
        ))
    })?;
    tidy(&mut value, with_svg);
    Ok(serde_json::json!({ "report": value }))
}

/// Replaces control characters, which neither kind of document can show, and leaves the drawings out if so wanted.
fn tidy(value: &mut serde_json::Value, with_svg: bool) {
    match value {
        serde_json::Value::Object(fields) => {
            if !with_svg {
                fields.shift_remove("svg");
            }
            fields.values_mut().for_each(|field| tidy(field, with_svg));
        }
        serde_json::Value::Array(items) => items.iter_mut().for_each(|item| tidy(item, with_svg)),
        serde_json::Value::String(text) if text.contains(hidden) => *text = text.replace(hidden, "\u{fffd}"),
        _ => {}
    }
}

fn hidden(c: char) -> bool {
    c.is_control() && c != '\n'
}
