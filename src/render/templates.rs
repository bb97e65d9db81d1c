//! The shipped templates, and those of a study that replace them.
//!
//! Every name is flat (no folders): `report.typ`, `sheet.html.jinja`. Names ending in `.jinja` and `.css` go to the
//! HTML engine, names ending in `.typ` to the PDF engine; any template may include or import any other of its kind.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::diagnostic::{Diagnostic, Diagnostics, Source, nearest};

use super::fonts;

/// The templates compiled into the program, by name.
const SHIPPED: &[(&str, &str)] = &[
    ("base.css", include_str!("../../templates/base.css")),
    ("base.typ", include_str!("../../templates/base.typ")),
    ("blocks.html.jinja", include_str!("../../templates/blocks.html.jinja")),
    ("blocks.typ", include_str!("../../templates/blocks.typ")),
    ("page.css", include_str!("../../templates/page.css")),
    ("page.html.jinja", include_str!("../../templates/page.html.jinja")),
    ("report.html.jinja", include_str!("../../templates/report.html.jinja")),
    ("report.typ", include_str!("../../templates/report.typ")),
    ("sheet.html.jinja", include_str!("../../templates/sheet.html.jinja")),
    ("sheet.typ", include_str!("../../templates/sheet.typ")),
];

/// Name of the style sheet with the embedded fonts; made from `templates/fonts/`, replaceable like the others.
const FONTS_CSS: &str = "fonts.css";

/// A set of templates, each with the name people know it by.
#[derive(Debug, Clone)]
pub struct Templates {
    files: BTreeMap<String, Arc<Source>>,
}

impl Templates {
    /// The templates that ship with the program.
    #[must_use]
    pub fn shipped() -> Self {
        let mut files: BTreeMap<String, Arc<Source>> = SHIPPED
            .iter()
            .map(|(name, text)| ((*name).to_owned(), Source::new(format!("templates/{name}"), *text)))
            .collect();
        files.insert(FONTS_CSS.to_owned(), Source::new("templates/fonts.css", fonts::css()));
        Self { files }
    }

    /// The names of the shipped templates, sorted: what a study can replace.
    #[must_use]
    pub fn names() -> Vec<&'static str> {
        let mut names: Vec<&str> = SHIPPED.iter().map(|(name, _)| *name).chain([FONTS_CSS]).collect();
        names.sort_unstable();
        names
    }

    /// Puts a template in the place of the one with the same name.
    ///
    /// A name that ships nothing is added, so that a replaced template can include parts of its own;
    /// the answer is then `false`, and a caller may want to say so.
    pub fn replace(&mut self, name: &str, source: Arc<Source>) -> bool {
        self.files.insert(name.to_owned(), source);
        Self::names().contains(&name)
    }

    /// The template of that name.
    ///
    /// # Errors
    ///
    /// `T001`, with the nearest name there is.
    pub fn get(&self, name: &str) -> Result<&Arc<Source>, Diagnostics> {
        self.files.get(name).ok_or_else(|| {
            let diagnostic = Diagnostic::error("T001", format!("there is no template called `{name}`"));
            match nearest(name, self.files.keys().map(String::as_str)) {
                Some(near) => diagnostic.help(format!("did you mean `{near}`?")).into(),
                None => diagnostic.into(),
            }
        })
    }

    /// Every template with one of these endings, in order of name.
    pub(super) fn ending<'a>(&'a self, endings: &'a [&str]) -> impl Iterator<Item = (&'a str, &'a Arc<Source>)> {
        self.files
            .iter()
            .filter(move |(name, _)| endings.iter().any(|ending| has_ending(name, ending)))
            .map(|(name, source)| (name.as_str(), source))
    }
}

/// True if a template's name ends in `.ending`.
pub(super) fn has_ending(name: &str, ending: &str) -> bool {
    name.rsplit_once('.').is_some_and(|(_, last)| last == ending)
}
