//! A tree of well-formed values with their places.
//!
//! In:  nothing; `walk` makes it.
//! Out: `Tree`, `Item`, `Value`, asked by key. A value that is missing, or that was malformed and has been reported, is
//! not there.

use std::ops::Range;

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::number::Exact;

/// Byte range in the source.
pub(super) type Span = Range<usize>;

/// A well-formed value and its place.
#[derive(Debug, Clone)]
pub(super) struct Item {
    pub span: Span,
    pub value: Value,
}

/// A well-formed value.
#[derive(Debug, Clone)]
pub(super) enum Value {
    Text(String),
    Number(Exact),
    Whole(u64),
    Flag(bool),
    Date(Date),
    List(Vec<Item>),
    Tree(Tree),
    Trees(Vec<Tree>),
    Lists(Vec<(String, Span, Vec<Item>)>),
}

/// A table whose values are well formed; keys with a default that were left out are there.
#[derive(Debug, Clone, Default)]
pub(super) struct Tree {
    /// Name of the writer's choice, for `[factor.NAME]`; else empty.
    pub name: String,
    /// The heading, or the key that holds the table.
    pub at: Span,
    pub entries: Vec<Entry>,
}

#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub key: &'static str,
    pub key_span: Span,
    pub given: bool,
    pub item: Option<Item>,
}

impl Tree {
    fn entry(&self, key: &str) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.key == key)
    }

    /// The value of a key, if it is there and well formed.
    pub(super) fn item(&self, key: &str) -> Option<&Item> {
        self.entry(key)?.item.as_ref()
    }

    /// True if the key stands in the file, even with a malformed value.
    pub(super) fn given(&self, key: &str) -> bool {
        self.entry(key).is_some_and(|entry| entry.given)
    }

    /// Where the value of a key stands; the heading of the table if it has none.
    pub(super) fn span(&self, key: &str) -> Span {
        match self.entry(key) {
            Some(entry) if entry.given => entry
                .item
                .as_ref()
                .map_or_else(|| entry.key_span.clone(), |item| item.span.clone()),
            _ => self.at.clone(),
        }
    }

    /// Where the key stands; the heading of the table if it does not.
    pub(super) fn key_span(&self, key: &str) -> Span {
        match self.entry(key) {
            Some(entry) if entry.given => entry.key_span.clone(),
            _ => self.at.clone(),
        }
    }

    pub(super) fn text(&self, key: &str) -> Option<&str> {
        self.item(key)?.text()
    }

    pub(super) fn string(&self, key: &str) -> String {
        self.text(key).unwrap_or_default().to_owned()
    }

    pub(super) fn number(&self, key: &str) -> Option<&Exact> {
        match &self.item(key)?.value {
            Value::Number(number) => Some(number),
            _ => None,
        }
    }

    pub(super) fn decimal(&self, key: &str) -> Option<Decimal> {
        self.number(key).map(|number| number.decimal)
    }

    pub(super) fn whole(&self, key: &str) -> Option<u64> {
        match self.item(key)?.value {
            Value::Whole(whole) => Some(whole),
            _ => None,
        }
    }

    pub(super) fn flag(&self, key: &str) -> bool {
        matches!(self.item(key).map(|item| &item.value), Some(Value::Flag(true)))
    }

    pub(super) fn date(&self, key: &str) -> Option<Date> {
        self.item(key)?.date()
    }

    pub(super) fn list(&self, key: &str) -> &[Item] {
        self.item(key).map_or(&[], Item::list)
    }

    pub(super) fn texts(&self, key: &str) -> Vec<String> {
        self.list(key)
            .iter()
            .filter_map(|item| item.text().map(str::to_owned))
            .collect()
    }

    pub(super) fn tree(&self, key: &str) -> Option<&Tree> {
        match &self.item(key)?.value {
            Value::Tree(tree) => Some(tree),
            _ => None,
        }
    }

    pub(super) fn trees(&self, key: &str) -> &[Tree] {
        match self.item(key).map(|item| &item.value) {
            Some(Value::Trees(trees)) => trees,
            _ => &[],
        }
    }

    pub(super) fn lists(&self, key: &str) -> &[(String, Span, Vec<Item>)] {
        match self.item(key).map(|item| &item.value) {
            Some(Value::Lists(lists)) => lists,
            _ => &[],
        }
    }
}

impl Item {
    pub(super) fn text(&self) -> Option<&str> {
        match &self.value {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    pub(super) fn date(&self) -> Option<Date> {
        match self.value {
            Value::Date(date) => Some(date),
            _ => None,
        }
    }

    pub(super) fn list(&self) -> &[Item] {
        match &self.value {
            Value::List(items) => items,
            _ => &[],
        }
    }
}
