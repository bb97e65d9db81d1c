//! TOML text to a tree of well-formed values, by the tables of keys; everything wrong is reported on the way.
//!
//! In:  a `Source` and a `Table`.
//! Out: a `Tree` that holds the well-formed values only, each with its place; what is wrong goes to the `Desk`.
//! Method: the parser recovers from errors and gives a partial tree; where the text could not be parsed nothing is
//! reported as missing, since it may stand in the part that was lost.
//! Never here: checks that need more than one key.

use std::sync::Arc;

use jiff::civil::Date;
use rust_decimal::Decimal;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::keys::{FILE, Key, Kind, LEVEL, LINE, LIST, Need, PROSE, Sign, TABLES, Table, join};
use super::number::{Exact, exact};
use super::tree::{Entry, Item, Span, Tree, Value};
use crate::diagnostic::{Diagnostic, Diagnostics, Severity, Source, nearest};

/// The codes of what the walk itself finds, for one kind of file.
pub(super) struct ShapeCodes {
    pub syntax: &'static str,
    pub unknown_key: &'static str,
    pub wrong_type: &'static str,
    pub missing: &'static str,
    pub blank: &'static str,
    pub unknown_word: &'static str,
    pub inexact: &'static str,
    pub bad_text: &'static str,
    pub format: &'static str,
    pub size: &'static str,
    pub range: &'static str,
    pub placeholder: &'static str,
    pub bad_date: &'static str,
    pub more: &'static str,
}

/// Most findings that are listed: a file that is no protocol at all is not worth more.
const LISTED: usize = 200;

/// Collects what is wrong with one source.
pub(super) struct Desk<'a> {
    /// The text under the eye.
    pub source: &'a Arc<Source>,
    codes: &'static ShapeCodes,
    found: Vec<Diagnostic>,
    /// How many were found beyond those that are listed, and whether one of them is an error.
    left_out: (usize, bool),
    /// Lines on which the text is not TOML.
    broken_lines: Vec<usize>,
    /// The keys of the whole file.
    root: Option<&'static Table>,
}

impl<'a> Desk<'a> {
    pub(super) fn new(source: &'a Arc<Source>, codes: &'static ShapeCodes) -> Self {
        Self {
            source,
            codes,
            found: Vec::new(),
            left_out: (0, false),
            broken_lines: Vec::new(),
            root: None,
        }
    }

    /// Adds a diagnostic at a place of this source.
    pub(super) fn say(&mut self, diagnostic: Diagnostic, span: Span, label: impl Into<String>) {
        self.push(diagnostic.at(self.source, span, label));
    }

    /// Adds a diagnostic that has its places already.
    pub(super) fn push(&mut self, diagnostic: Diagnostic) {
        if self.found.len() < LISTED {
            self.found.push(diagnostic);
        } else {
            self.left_out.0 += 1;
            self.left_out.1 |= diagnostic.severity == Severity::Error;
        }
    }

    /// True if the text could not be parsed everywhere.
    pub(super) fn is_broken(&self) -> bool {
        !self.broken_lines.is_empty()
    }

    /// Everything found, in the order of the file.
    pub(super) fn finish(self) -> Diagnostics {
        let mut found = self.found;
        found.sort_by_key(|diagnostic| diagnostic.places.first().map_or(0, |place| place.span.start));
        let mut all = Diagnostics::new();
        for diagnostic in found {
            all.push(diagnostic);
        }
        let (more, with_error) = self.left_out;
        if more > 0 {
            let message = format!("{more} further findings are not listed");
            let diagnostic = if with_error {
                Diagnostic::error(self.codes.more, message)
            } else {
                Diagnostic::warning(self.codes.more, message)
            };
            all.push(
                diagnostic
                    .at(self.source, 0..0, "")
                    .help("mend those above, then check again"),
            );
        }
        all
    }

    /// Parses the source and checks it against a table of keys.
    pub(super) fn walk(&mut self, table: &'static Table) -> Tree {
        let source = Arc::clone(self.source);
        self.root = Some(table);
        if source.text.len() > FILE {
            let diagnostic = Diagnostic::error(
                self.codes.size,
                format!("the file is {} bytes long; {FILE} are allowed", source.text.len()),
            )
            .help("a protocol or site file holds the declaration only; readings belong in the record");
            self.say(diagnostic, 0..0, "");
            self.broken_lines.push(1);
            return Tree::default();
        }
        let (parsed, errors) = DeTable::parse_recoverable(&source.text);
        let mut last_line = 0..0;
        for error in errors {
            let span = error.span().unwrap_or(0..0);
            // The parser may stumble several times over one slip; the first on a line says it.
            if last_line.contains(&span.start) || self.broken_lines.len() >= LISTED {
                continue;
            }
            let line = source.line_column(span.start).0;
            last_line = line_around(&source.text, span.start);
            if self.broken_lines.contains(&line) {
                continue;
            }
            self.broken_lines.push(line);
            let text = source.text.get(last_line.clone()).unwrap_or_default();
            let diagnostic = Diagnostic::error(self.codes.syntax, format!("this is not TOML: {}", error.message()))
                .help(syntax_help(error.message(), text));
            self.say(diagnostic, span, "");
        }
        self.table(table, parsed.get_ref(), "the file", String::new(), 0..0)
    }

    /// Reports, unless the text is not TOML on that line: then the value is a guess of the parser.
    fn shape(&mut self, diagnostic: Diagnostic, span: &Span, label: impl Into<String>) {
        let lost = self.is_broken() && self.broken_lines.contains(&self.source.line_column(span.start).0);
        if !lost {
            self.say(diagnostic, span.clone(), label);
        }
    }

    fn table(&mut self, table: &'static Table, found: &DeTable<'_>, path: &str, name: String, at: Span) -> Tree {
        let mut entries = Vec::new();
        for (key, value) in in_file_order(found) {
            let Some(known) = table.keys.iter().find(|known| known.name == key.get_ref().as_ref()) else {
                self.unknown_key(table, key.get_ref(), path, &key.span());
                continue;
            };
            let inner = match (path, known.kind) {
                ("the file", Kind::Tables(_)) => format!("[[{}]]", known.name),
                ("the file", _) => format!("[{}]", known.name),
                _ => format!("`{}` of {path}", known.name),
            };
            entries.push(Entry {
                key: known.name,
                key_span: key.span(),
                given: true,
                item: self.value(known, &inner, &key.span(), value),
            });
        }
        for known in table.keys {
            if entries.iter().any(|entry| entry.key == known.name) {
                continue;
            }
            match known.need {
                Need::Must(why) if !self.is_broken() => self.missing(known, path, why, &at),
                Need::Must(_) | Need::May => {}
                Need::Or(default) => {
                    if let Ok(value) = DeValue::parse(default) {
                        entries.push(Entry {
                            key: known.name,
                            key_span: at.clone(),
                            given: false,
                            item: self.value(known, path, &at, &value),
                        });
                    }
                }
            }
        }
        Tree { name, at, entries }
    }

    fn unknown_key(&mut self, table: &'static Table, key: &str, path: &str, span: &Span) {
        let names: Vec<&str> = table.keys.iter().map(|known| known.name).collect();
        let diagnostic = Diagnostic::error(self.codes.unknown_key, format!("{path} has no key `{}`", shown(key)));
        let help = match (nearest(key, names.iter().copied()), self.home_of(key)) {
            (Some(name), _) => format!("did you mean `{name}`?"),
            (None, Some(home)) => format!("`{key}` belongs into {home}"),
            (None, None) => {
                let ticked: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
                format!("known keys here are {}", join(&ticked, "and"))
            }
        };
        self.shape(diagnostic.help(help), span, "unknown key");
    }

    /// The heading of a table that has such a key.
    fn home_of(&self, key: &str) -> Option<String> {
        self.root?.keys.iter().find_map(|outer| {
            let (inner, heading) = match outer.kind {
                Kind::Table(inner) => (inner, format!("[{}]", outer.name)),
                Kind::Tables(inner) => (inner, format!("[[{}]]", outer.name)),
                Kind::Named(inner) => (inner, format!("[{}.NAME]", outer.name)),
                _ => return None,
            };
            inner.keys.iter().any(|known| known.name == key).then_some(heading)
        })
    }

    fn missing(&mut self, known: &Key, path: &str, why: &str, at: &Span) {
        let heading = match known.kind {
            Kind::Table(_) => Some(format!("a table [{}]", known.name)),
            Kind::Tables(_) => Some(format!("a table [[{}]]", known.name)),
            Kind::Named(_) => Some(format!("a table [{}.NAME]", known.name)),
            _ => None,
        };
        let what = match &heading {
            Some(heading) => format!("{path} has no {}: {why}", heading.trim_start_matches("a ")),
            None => format!("{path} has no `{}`: {why}", known.name),
        };
        let help = match heading {
            Some(heading) => format!("add {heading}; {}", lower_first(known.doc)),
            None => format!(
                "add for example `{} = {}`; {}",
                known.name,
                known.example,
                lower_first(known.doc)
            ),
        };
        let label = if at.is_empty() { "" } else { "in this table" };
        self.shape(Diagnostic::error(self.codes.missing, what).help(help), at, label);
    }

    fn wrong_type(&mut self, known: &Key, path: &str, expected: &str, value: &DeValue<'_>, span: &Span) {
        let given = match value {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        let wants_text = matches!(known.kind, Kind::Line | Kind::Prose | Kind::Names | Kind::Words(_));
        let help = match value {
            DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_) | DeValue::Datetime(_) if wants_text => {
                let raw = self.source.text.get(span.clone()).unwrap_or_default();
                format!("put it in quotes: \"{raw}\"")
            }
            DeValue::String(text) if exact(text).is_ok() || matches!(text.as_ref(), "true" | "false") => {
                format!("leave the quotes out: {text}")
            }
            _ => match known.kind {
                Kind::Table(_) if known.example.is_empty() => format!("put its keys under a heading [{}]", known.name),
                Kind::Tables(_) => format!("put each under a heading [[{}]]", known.name),
                Kind::Named(_) => format!("put each under a heading with its name, [{}.NAME]", known.name),
                _ => format!(
                    "for example `{} = {}`; {}",
                    known.name,
                    known.example,
                    lower_first(known.doc)
                ),
            },
        };
        let message = format!("{path} must be {expected}, not {given}");
        self.shape(Diagnostic::error(self.codes.wrong_type, message).help(help), span, "");
    }

    fn value(&mut self, known: &Key, path: &str, key_span: &Span, value: &Spanned<DeValue<'_>>) -> Option<Item> {
        let span = value.span();
        let raw = value.get_ref();
        let made = match (known.kind, raw) {
            (Kind::Table(table), DeValue::Table(found)) => Some(Value::Tree(self.table(
                table,
                found,
                path,
                String::new(),
                key_span.clone(),
            ))),
            (Kind::Tables(table), DeValue::Array(list)) => self.tables(known, table, path, list.iter(), &span),
            (Kind::Named(table), DeValue::Table(found)) => self.named(known, table, found, key_span),
            (Kind::Lists, DeValue::Table(found)) => Some(self.lists(known, path, found)),
            (Kind::Choices, DeValue::Array(list)) => self.choices(known, path, list.iter(), &span),
            (Kind::Numbers(sign), DeValue::Table(found)) => self.named_numbers(known, sign, path, found, &span),
            (Kind::Steps, DeValue::Array(list)) => self.items(known, Kind::Prose, path, list.iter(), &span),
            (Kind::Names, DeValue::Array(list)) => self.items(known, Kind::Line, path, list.iter(), &span),
            (Kind::Names, DeValue::String(_)) => self
                .scalar(known, Kind::Line, path, value)
                .map(|item| Value::List(vec![item])),
            (Kind::Series, DeValue::Array(list)) => {
                self.items(known, Kind::Number(Sign::Any), path, list.iter(), &span)
            }
            (Kind::Levels, DeValue::Array(list)) => self.items(known, Kind::Level, path, list.iter(), &span),
            (Kind::Effects, DeValue::Array(list)) => self.items(known, Kind::Effects, path, list.iter(), &span),
            (Kind::Rows, DeValue::Array(list)) => self.items(known, Kind::Levels, path, list.iter(), &span),
            (Kind::Range, DeValue::Array(list)) => {
                self.pair(known, Kind::Number(Sign::Any), path, value, list.iter().collect())
            }
            (Kind::Dates, DeValue::Array(list)) => self.pair(known, Kind::Date, path, value, list.iter().collect()),
            (kind, _) => return self.scalar(known, kind, path, value),
        };
        made.map(|value| Item { span, value })
    }

    /// One value that is not made of others.
    fn scalar(&mut self, known: &Key, kind: Kind, path: &str, value: &Spanned<DeValue<'_>>) -> Option<Item> {
        let span = value.span();
        let raw = value.get_ref();
        if let DeValue::String(text) = raw
            && text.contains("FILL IN")
        {
            let diagnostic = Diagnostic::error(self.codes.placeholder, format!("{path} is still to be filled in"));
            self.shape(diagnostic.help(lower_first(known.doc)), &span, "");
            return None;
        }
        let made = match (kind, raw) {
            // Specimens are often numbered: a number in a list of texts stands for itself as written.
            (Kind::Lists, DeValue::String(text)) => self.text(known, Kind::Line, path, text, &span).map(Value::Text),
            (Kind::Lists, DeValue::Integer(_) | DeValue::Float(_)) => self
                .number(known, Kind::Number(Sign::Any), path, raw, &span)
                .map(|number| Value::Text(number.text)),
            (Kind::Line | Kind::Prose | Kind::Level, DeValue::String(text)) => {
                self.text(known, kind, path, text, &span).map(Value::Text)
            }
            (
                Kind::Level | Kind::Number(_) | Kind::Between(..) | Kind::NumberOrNone,
                DeValue::Integer(_) | DeValue::Float(_),
            ) => self.number(known, kind, path, raw, &span).map(Value::Number),
            (Kind::NumberOrNone, DeValue::String(text)) if text == "none" => Some(Value::Text("none".into())),
            (Kind::Words(words), DeValue::String(text)) => {
                self.word(known, &words(), path, text, &span).map(Value::Text)
            }
            (Kind::Whole(low, high), DeValue::Integer(integer)) => {
                let whole = u64::from_str_radix(integer.as_str(), integer.radix()).ok();
                let whole = whole.filter(|whole| (low..=high).contains(whole));
                if whole.is_none() {
                    let diagnostic = Diagnostic::error(
                        self.codes.range,
                        format!("{path} must be a whole number from {low} to {high}, not {integer}"),
                    );
                    self.shape(diagnostic.help(lower_first(known.doc)), &span, "");
                }
                whole.map(Value::Whole)
            }
            (Kind::Flag, DeValue::Boolean(flag)) => Some(Value::Flag(*flag)),
            (Kind::Date, DeValue::String(text)) => self.date(known, path, text, &span).map(Value::Date),
            (Kind::Date, DeValue::Datetime(_)) => {
                let text = self.source.text.get(span.clone()).unwrap_or_default().to_owned();
                self.date(known, path, &text, &span).map(Value::Date)
            }
            (Kind::Effects, DeValue::String(_)) => {
                return self.scalar(known, Kind::Line, path, value).map(|item| Item {
                    span: item.span.clone(),
                    value: Value::List(vec![item]),
                });
            }
            (Kind::Effects, DeValue::Array(list)) => self.items(known, Kind::Line, path, list.iter(), &span),
            (Kind::Levels, DeValue::Array(list)) => self.items(known, Kind::Level, path, list.iter(), &span),
            _ => {
                let words = match kind {
                    Kind::Lists => Kind::Line.words(),
                    kind => kind.words(),
                };
                self.wrong_type(known, path, &words, raw, &span);
                None
            }
        };
        made.map(|value| Item { span, value })
    }

    fn items<'v>(
        &mut self,
        known: &Key,
        kind: Kind,
        path: &str,
        list: impl ExactSizeIterator<Item = &'v Spanned<DeValue<'v>>>,
        span: &Span,
    ) -> Option<Value> {
        if list.len() > LIST {
            let message = format!("{path} has {} entries; {LIST} are allowed", list.len());
            self.shape(Diagnostic::error(self.codes.size, message), span, "");
            return None;
        }
        let each = format!("each entry of {path}");
        let count = list.len();
        let made: Vec<Item> = list
            .filter_map(|value| self.scalar(known, kind, &each, value))
            .collect();
        (made.len() == count).then_some(Value::List(made))
    }

    fn pair(
        &mut self,
        known: &Key,
        kind: Kind,
        path: &str,
        whole: &Spanned<DeValue<'_>>,
        list: Vec<&Spanned<DeValue<'_>>>,
    ) -> Option<Value> {
        if list.len() != 2 {
            let message = format!("{path} must be {}, not a list of {}", known.kind.words(), list.len());
            let help = format!(
                "for example `{} = {}`; {}",
                known.name,
                known.example,
                lower_first(known.doc)
            );
            self.shape(
                Diagnostic::error(self.codes.wrong_type, message).help(help),
                &whole.span(),
                "",
            );
            return None;
        }
        let each = format!("each entry of {path}");
        let made: Vec<Item> = list
            .into_iter()
            .filter_map(|value| self.scalar(known, kind, &each, value))
            .collect();
        (made.len() == 2).then_some(Value::List(made))
    }

    fn tables<'v>(
        &mut self,
        known: &Key,
        table: &'static Table,
        path: &str,
        list: impl ExactSizeIterator<Item = &'v Spanned<DeValue<'v>>>,
        span: &Span,
    ) -> Option<Value> {
        let count = list.len();
        if count > LIST || (count > TABLES && known.name == "unit") {
            let most = if known.name == "unit" { TABLES } else { LIST };
            let message = format!("there are {count} tables {path}; {most} are allowed");
            self.shape(Diagnostic::error(self.codes.size, message), span, "");
            return None;
        }
        let mut trees = Vec::new();
        for value in list {
            if let DeValue::Table(found) = value.get_ref() {
                trees.push(self.table(table, found, path, String::new(), value.span()));
            } else {
                self.wrong_type(known, path, &known.kind.words(), value.get_ref(), &value.span());
            }
        }
        if trees.is_empty()
            && let Need::Must(why) = known.need
        {
            self.missing(known, "the file", why, span);
        }
        Some(Value::Trees(trees))
    }

    fn named(&mut self, known: &Key, table: &'static Table, found: &DeTable<'_>, key_span: &Span) -> Option<Value> {
        if found.len() > TABLES {
            let message = format!(
                "there are {} tables [{}.NAME]; {TABLES} are allowed",
                found.len(),
                known.name
            );
            self.shape(Diagnostic::error(self.codes.size, message), key_span, "");
            return None;
        }
        let mut trees = Vec::new();
        for (name, value) in in_file_order(found) {
            let path = format!("[{}.{}]", known.name, shown(name.get_ref()));
            if let DeValue::Table(inner) = value.get_ref() {
                trees.push(self.table(table, inner, &path, name.get_ref().to_string(), name.span()));
            } else {
                // `response.unit = ...` where [response.NAME] was meant.
                let message = format!("{path} must be a table of its own");
                let help = format!("put it under a heading with a name, such as [{}.NAME]", known.name);
                self.shape(
                    Diagnostic::error(self.codes.wrong_type, message).help(help),
                    &name.span(),
                    "",
                );
            }
        }
        if found.is_empty()
            && let Need::Must(why) = known.need
        {
            self.missing(known, "the file", why, key_span);
        }
        Some(Value::Trees(trees))
    }

    fn lists(&mut self, known: &Key, path: &str, found: &DeTable<'_>) -> Value {
        let mut lists = Vec::new();
        for (name, value) in in_file_order(found) {
            let inner = format!("`{}` of {path}", shown(name.get_ref()));
            if let DeValue::Array(list) = value.get_ref() {
                if let Some(Value::List(items)) = self.items(known, Kind::Lists, &inner, list.iter(), &value.span()) {
                    lists.push((name.get_ref().to_string(), name.span(), items));
                }
            } else {
                self.wrong_type(known, &inner, "a list of texts", value.get_ref(), &value.span());
            }
        }
        Value::Lists(lists)
    }

    /// Tables of levels under names: each level a list of one.
    fn choices<'v>(
        &mut self,
        known: &Key,
        path: &str,
        list: impl ExactSizeIterator<Item = &'v Spanned<DeValue<'v>>>,
        span: &Span,
    ) -> Option<Value> {
        if list.len() > LIST {
            let message = format!("{path} has {} entries; {LIST} are allowed", list.len());
            self.shape(Diagnostic::error(self.codes.size, message), span, "");
            return None;
        }
        let count = list.len();
        let mut made = Vec::new();
        for value in list {
            let DeValue::Table(found) = value.get_ref() else {
                let each = format!("each entry of {path}");
                self.wrong_type(known, &each, "a table of levels", value.get_ref(), &value.span());
                continue;
            };
            let mut cells = Vec::new();
            for (name, cell) in in_file_order(found).into_iter().take(LIST) {
                let inner = format!("`{}` of {path}", shown(name.get_ref()));
                let item = self.scalar(known, Kind::Level, &inner, cell)?;
                cells.push((name.get_ref().to_string(), name.span(), vec![item]));
            }
            made.push(Item {
                span: value.span(),
                value: Value::Lists(cells),
            });
        }
        (made.len() == count).then_some(Value::List(made))
    }

    /// Numbers under names: each a list of one.
    fn named_numbers(
        &mut self,
        known: &Key,
        sign: Sign,
        path: &str,
        found: &DeTable<'_>,
        span: &Span,
    ) -> Option<Value> {
        if found.len() > LIST {
            let message = format!("{path} has {} entries; {LIST} are allowed", found.len());
            self.shape(Diagnostic::error(self.codes.size, message), span, "");
            return None;
        }
        let mut numbers = Vec::new();
        for (name, value) in in_file_order(found) {
            let inner = format!("`{}` of {path}", shown(name.get_ref()));
            let number = match value.get_ref() {
                DeValue::Integer(_) | DeValue::Float(_) => {
                    self.number(known, Kind::Number(sign), &inner, value.get_ref(), &value.span())
                }
                other => {
                    self.wrong_type(known, &inner, &Kind::Number(sign).words(), other, &value.span());
                    None
                }
            }?;
            let item = Item {
                span: value.span(),
                value: Value::Number(number),
            };
            numbers.push((name.get_ref().to_string(), name.span(), vec![item]));
        }
        Some(Value::Lists(numbers))
    }

    fn text(&mut self, known: &Key, kind: Kind, path: &str, text: &str, span: &Span) -> Option<String> {
        let most = match kind {
            Kind::Prose => PROSE,
            Kind::Level => LEVEL,
            _ => LINE,
        };
        let folds = matches!(kind, Kind::Prose);
        let unfit = |c: char| {
            let invisible =
                matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}' | '\u{2028}' | '\u{2029}');
            invisible || c.is_control() && !(folds && matches!(c, '\n' | '\r' | '\t'))
        };
        if let Some(c) = text.chars().find(|&c| unfit(c)) {
            let message = format!(
                "{path} holds the character U+{:04X}, which cannot be printed",
                u32::from(c)
            );
            let help = match c {
                '\n' | '\r' => "write it on one line",
                _ => "take the character out",
            };
            self.shape(Diagnostic::error(self.codes.bad_text, message).help(help), span, "");
            return None;
        }
        let folded = if folds {
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        } else {
            text.trim().to_owned()
        };
        let count = folded.chars().count();
        if count > most {
            let message = format!("{path} has {count} characters; {most} are allowed");
            self.shape(Diagnostic::error(self.codes.size, message), span, "");
            return None;
        }
        if folded.is_empty() {
            let message = match known.need {
                Need::Must(why) => format!("{path} is blank: {why}"),
                Need::May | Need::Or(_) => format!("{path} is blank"),
            };
            let help = match known.need {
                Need::Must(_) => format!(
                    "for example `{} = {}`; {}",
                    known.name,
                    known.example,
                    lower_first(known.doc)
                ),
                Need::May | Need::Or(_) => "write something, or leave it out".to_owned(),
            };
            self.shape(Diagnostic::error(self.codes.blank, message).help(help), span, "");
            return None;
        }
        Some(folded)
    }

    fn number(&mut self, known: &Key, kind: Kind, path: &str, raw: &DeValue<'_>, span: &Span) -> Option<Exact> {
        let text = match raw {
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().to_owned(),
            DeValue::Integer(integer) => integer.to_string(),
            DeValue::Float(float) => float.as_str().to_owned(),
            _ => return None,
        };
        let number = match exact(&text) {
            Ok(number) => number,
            Err(why) => {
                let diagnostic =
                    Diagnostic::error(self.codes.inexact, format!("{path} must be {}: {why}", kind.words()));
                self.shape(
                    diagnostic.help("write it as a plain decimal number, such as 21.5"),
                    span,
                    "",
                );
                return None;
            }
        };
        let zero = Decimal::ZERO;
        let fits = match kind {
            Kind::Number(Sign::Positive) | Kind::NumberOrNone => number.decimal > zero,
            Kind::Number(Sign::NotNegative) => number.decimal >= zero,
            Kind::Between(low, high) => {
                exact(low).is_ok_and(|low| number.decimal > low.decimal)
                    && exact(high).is_ok_and(|high| number.decimal < high.decimal)
            }
            _ => true,
        };
        if !fits {
            let message = format!("{path} must be {}, not {text}", kind.words());
            self.shape(
                Diagnostic::error(self.codes.range, message).help(lower_first(known.doc)),
                span,
                "",
            );
            return None;
        }
        Some(number)
    }

    fn word(&mut self, known: &Key, words: &[&'static str], path: &str, text: &str, span: &Span) -> Option<String> {
        if words.contains(&text) {
            return Some(text.to_owned());
        }
        let message = format!("{path} must be {}, not \"{}\"", super::keys::quoted(words), shown(text));
        let help = match nearest(text, words.iter().copied()) {
            Some(word) => format!("did you mean \"{word}\"?"),
            None => lower_first(known.doc),
        };
        self.shape(Diagnostic::error(self.codes.unknown_word, message).help(help), span, "");
        None
    }

    fn date(&mut self, known: &Key, path: &str, text: &str, span: &Span) -> Option<Date> {
        let plain = text.len() == 10 && text.bytes().all(|b| b.is_ascii_digit() || b == b'-');
        let date = text.parse::<Date>().ok().filter(|_| plain);
        if date.is_none() {
            let message = format!("{path} must be {}, not `{}`", Kind::Date.words(), shown(text));
            let help = format!("write year-month-day, such as 2026-03-02; {}", lower_first(known.doc));
            self.shape(Diagnostic::error(self.codes.bad_date, message).help(help), span, "");
        }
        date
    }
}

/// Keys and values in the order in which they stand in the file.
fn in_file_order<'t, 'v>(
    table: &'t DeTable<'v>,
) -> Vec<(&'t Spanned<std::borrow::Cow<'v, str>>, &'t Spanned<DeValue<'v>>)> {
    let mut all: Vec<_> = table.iter().collect();
    all.sort_by_key(|(key, _)| key.span().start);
    all
}

/// The line around a byte, with its line end.
fn line_around(text: &str, at: usize) -> Span {
    let bytes = text.as_bytes();
    let at = at.min(bytes.len());
    let start = bytes[..at].iter().rposition(|&b| b == b'\n').map_or(0, |n| n + 1);
    let end = bytes[at..]
        .iter()
        .position(|&b| b == b'\n')
        .map_or(bytes.len() + 1, |n| at + n + 1);
    start..end.min(bytes.len())
}

/// An outside text short enough for a message.
pub(super) fn shown(text: &str) -> String {
    if text.chars().count() <= 60 {
        return text.to_owned();
    }
    text.chars().take(57).chain("...".chars()).collect()
}

/// A sentence to go on with after a semicolon: first letter small unless a word is quoted or all capitals, no full stop.
fn lower_first(text: &str) -> String {
    let text = text.strip_suffix('.').unwrap_or(text);
    let mut chars = text.chars();
    match (chars.next(), chars.next()) {
        (Some(first), Some(second)) if !second.is_uppercase() => {
            first.to_lowercase().chain(text.chars().skip(1)).collect()
        }
        _ => text.to_owned(),
    }
}

/// A word of help for the slips that are made most.
fn syntax_help(message: &str, line: &str) -> &'static str {
    let value = line.split_once('=').map_or("", |(_, value)| value.trim());
    if message.contains("duplicate key") {
        "a key or heading stands once only: take one of the two out, or rename it"
    } else if value.starts_with(|c: char| c.is_alphabetic()) {
        "a text goes in quotes, such as \"Shore D\""
    } else if value.starts_with(|c: char| c.is_ascii_digit()) && value.contains(',') {
        "write a decimal point, not a comma; a list goes in brackets"
    } else if value.matches('"').count() == 1 {
        "the closing quote is missing"
    } else if value.starts_with(['\u{201c}', '\u{201d}', '\u{201e}', '\u{2018}', '\u{2019}']) {
        "use plain quotes, \"...\""
    } else {
        "write one `key = value` a line, texts in quotes, lists in brackets, remarks after #"
    }
}
