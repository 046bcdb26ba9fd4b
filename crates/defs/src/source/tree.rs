//! The tree: keys in file order, numbers as written, everything with its place.

use std::borrow::ToOwned;
use std::string::String;
use std::vec::Vec;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::Span;

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(crate) struct Node {
    /// The value's text; of a `[table]` its header.
    pub(crate) span: Span,
    pub(crate) item: Item,
}

/// A value.
#[derive(Clone, Debug)]
pub(crate) enum Item {
    Text(String),
    /// As written, underscores removed: `0xFF`, `-12`.
    Integer(String),
    /// As written, underscores removed: `1.50`.
    Float(String),
    Truth(bool),
    Date,
    Array(Vec<Node>),
    Table(Table),
}

/// Keys in file order.
#[derive(Clone, Debug, Default)]
pub(crate) struct Table {
    /// The header, the braces, or the key that made it.
    pub(crate) span: Span,
    pub(crate) entries: Vec<Entry>,
}

/// A key with its value.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) key: String,
    pub(crate) key_span: Span,
    pub(crate) value: Node,
}

impl Table {
    pub(crate) fn entry(&self, key: &str) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.key == key)
    }

    pub(crate) fn get(&self, key: &str) -> Option<&Node> {
        self.entry(key).map(|entry| &entry.value)
    }

    /// Moves every place: the text stands behind others.
    pub(crate) fn shift(&mut self, by: usize) {
        shift(&mut self.span, by);
        for entry in &mut self.entries {
            shift(&mut entry.key_span, by);
            entry.value.shift(by);
        }
    }

    pub(super) fn from_toml(table: &DeTable<'_>, span: Span, text: &str) -> Self {
        let mut entries: Vec<Entry> = table
            .iter()
            .map(|(key, value)| Entry {
                key: key.get_ref().clone().into_owned(),
                key_span: key.span(),
                value: Node::from_toml(value, text),
            })
            .collect();
        entries.sort_by_key(|entry| entry.key_span.start);
        Self { span, entries }
    }
}

fn shift(span: &mut Span, by: usize) {
    *span = span.start + by..span.end + by;
}

impl Node {
    fn shift(&mut self, by: usize) {
        shift(&mut self.span, by);
        match &mut self.item {
            Item::Table(table) => table.shift(by),
            Item::Array(items) => items.iter_mut().for_each(|item| item.shift(by)),
            _ => {}
        }
    }

    pub(crate) fn as_table(&self) -> Option<&Table> {
        match &self.item {
            Item::Table(table) => Some(table),
            _ => None,
        }
    }

    /// What it is, for a sentence: "a text".
    pub(crate) fn kind(&self) -> &'static str {
        match self.item {
            Item::Text(_) => "a text",
            Item::Integer(_) => "a whole number",
            Item::Float(_) => "a number",
            Item::Truth(_) => "a truth value",
            Item::Date => "a date",
            Item::Array(_) => "a list",
            Item::Table(_) => "a table",
        }
    }

    fn from_toml(value: &Spanned<DeValue<'_>>, text: &str) -> Self {
        let span = value.span();
        let item = match value.get_ref() {
            DeValue::String(text) => Item::Text(text.clone().into_owned()),
            DeValue::Integer(integer) => Item::Integer(std::format!("{integer}")),
            DeValue::Float(float) => Item::Float(float.as_str().to_owned()),
            DeValue::Boolean(truth) => Item::Truth(*truth),
            DeValue::Datetime(_) => Item::Date,
            DeValue::Array(array) => Item::Array(array.iter().map(|value| Self::from_toml(value, text)).collect()),
            DeValue::Table(table) => Item::Table(Table::from_toml(table, span.clone(), text)),
        };
        Self { span, item }
    }
}
