//! Checks: what bytes or inputs must give.

use std::format;
use std::string::String;
use std::vec::Vec;

use super::{Findings, Keys, bytes, value};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Entry, Item, Node, Span, Table};

/// A whole response, from the service byte on, or a whole frame, and values that it must give.
#[derive(Clone, Debug)]
pub(crate) struct Response {
    pub(crate) bytes: Vec<u8>,
    pub(crate) span: Span,
    /// Of a frame that we send: what goes in.
    pub(crate) given: Vec<Named>,
    pub(crate) values: Vec<Named>,
    pub(crate) sourced: bool,
}

/// A channel's own bytes or its inputs, and what it must give.
#[derive(Clone, Debug)]
pub(crate) struct Own {
    /// Successive readings; what must come out is that of the last.
    pub(crate) bytes: Option<Vec<Vec<u8>>>,
    pub(crate) bytes_span: Span,
    pub(crate) given: Vec<Named>,
    pub(crate) want: Want,
    /// The result that is wanted.
    pub(crate) span: Span,
}

/// A channel's full name and its value.
#[derive(Clone, Debug)]
pub(crate) struct Named {
    pub(crate) name: String,
    pub(crate) name_span: Span,
    pub(crate) want: Want,
    pub(crate) span: Span,
}

/// A value as it is written.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Want {
    /// With its decimals.
    Number(String),
    Text(String),
    Invalid(String),
}

/// `[[record.x.check]]`; of a frame that we send what goes in is given.
pub(crate) fn responses(node: &Node, sent: bool, out: &mut Findings<'_>) -> Vec<Response> {
    checks(node, out).into_iter().filter_map(|(node, table)| response(node, table, sent, out)).collect()
}

/// `check = [{ ... }]` of a channel.
pub(crate) fn own(node: &Node, out: &mut Findings<'_>) -> Vec<Own> {
    checks(node, out).into_iter().filter_map(|(_, table)| one(table, out)).collect()
}

fn checks<'n>(node: &'n Node, out: &mut Findings<'_>) -> Vec<(&'n Node, &'n Table)> {
    let items = value::items(node, "check", out).unwrap_or_default();
    items.iter().filter_map(|item| Some((item, value::table(item, "check", out)?))).collect()
}

fn response(node: &Node, table: &Table, sent: bool, out: &mut Findings<'_>) -> Option<Response> {
    let (what, values, example) = match sent {
        true => ("a check of a frame that we send", "given", "{ engine_speed = 2000 }"),
        false => ("a check of a record", "values", "{ engine_speed = 850 }"),
    };
    let keys = Keys::new(table, what, &["bytes", values, "source"], &[], out);
    let bytes_node = keys.need("bytes", "\"61 01 0D 48\"", out);
    let found = bytes_node.and_then(|node| bytes::constant(node, "bytes", out));
    let named = keys.need(values, example, out);
    let named = named.and_then(|node| value::table(node, values, out)).map(|table| self::named(table, out));
    let sourced = keys.get("source").and_then(|node| value::text(node, "source", out)).is_some();
    let span = bytes_node.map_or_else(|| node.span.clone(), |node| node.span.clone());
    let (given, values) = if sent { (named?, Vec::new()) } else { (Vec::new(), named?) };
    Some(Response { bytes: found?, span, given, values, sourced })
}

fn one(table: &Table, out: &mut Findings<'_>) -> Option<Own> {
    let keys = Keys::new(table, "a check of a channel", &["bytes", "given", "value", "invalid", "source"], &[], out);
    keys.exclusive(&["value", "invalid"], out);
    if keys.get("bytes").is_none() && keys.get("given").is_none() {
        let message = "a check says what comes in";
        out.push(
            Diagnostic::new(codes::VECTOR_SHAPE, table.span.clone(), message)
                .expected("`bytes = \"0D 48\"` of a field, `given = { engine_speed = 850 }` of a derived channel"),
        );
        return None;
    }
    let found = match keys.get("bytes") {
        Some(node) => Some(successive(node, out)?),
        None => None,
    };
    let given = keys.get("given").and_then(|node| value::table(node, "given", out));
    let given = given.map(|table| named(table, out)).unwrap_or_default();
    let result = keys.get("value").or_else(|| keys.get("invalid"));
    let Some(node) = result else {
        out.push(
            Diagnostic::new(codes::VECTOR_SHAPE, table.span.clone(), "a check says what comes out")
                .expected("`value = 850`, `value = \"yes\"` or `invalid = \"sensor open\"`"),
        );
        return None;
    };
    let want = match (keys.get("value"), &node.item) {
        (None, Item::Text(text)) => Want::Invalid(text.clone()),
        (Some(_), _) => want(node, "value", out)?,
        (None, _) => {
            value::wrong_type(node, "invalid", "a text", out);
            return None;
        }
    };
    let bytes_span = keys.get("bytes").map_or_else(|| node.span.clone(), |node| node.span.clone());
    Some(Own { bytes: found, bytes_span, given, want, span: node.span.clone() })
}

/// `"0D 48"`, or the bytes of several readings.
fn successive(node: &Node, out: &mut Findings<'_>) -> Option<Vec<Vec<u8>>> {
    let Item::Array(items) = &node.item else {
        return bytes::constant(node, "bytes", out).map(|bytes| Vec::from([bytes]));
    };
    if items.is_empty() {
        out.push(
            Diagnostic::new(codes::VECTOR_SHAPE, node.span.clone(), "a check has the bytes of at least one reading")
                .expected("`bytes = \"0D 48\"`, or of a total `bytes = [\"64 2C\", \"64 5E\"]`"),
        );
        return None;
    }
    items.iter().map(|item| bytes::constant(item, "bytes", out)).collect()
}

/// `engine_speed = 850`, `coolant.invalid = "..."`, `knock_retard.1 = -3`.
fn named(table: &Table, out: &mut Findings<'_>) -> Vec<Named> {
    let mut all = Vec::new();
    for entry in &table.entries {
        below(&entry.key, entry, &mut all, out);
    }
    all
}

fn below(name: &str, entry: &Entry, all: &mut Vec<Named>, out: &mut Findings<'_>) {
    let name_span = entry.key_span.clone();
    let span = entry.value.span.clone();
    let Item::Table(inner) = &entry.value.item else {
        if let Some(want) = want(&entry.value, name, out) {
            all.push(Named { name: name.into(), name_span, want, span });
        }
        return;
    };
    for inner in &inner.entries {
        match (&inner.value.item, inner.key.as_str()) {
            (Item::Text(text), "invalid") => all.push(Named {
                name: name.into(),
                name_span: name_span.clone(),
                want: Want::Invalid(text.clone()),
                span: inner.value.span.clone(),
            }),
            _ => below(&format!("{name}.{}", inner.key), inner, all, out),
        }
    }
}

fn want(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Want> {
    match &node.item {
        Item::Text(text) => Some(Want::Text(text.clone())),
        _ => match value::literal(node) {
            Some(literal) => {
                value::number(node, key, out)?;
                Some(Want::Number(literal))
            }
            None => {
                value::wrong_type(node, key, "a number or a text", out);
                None
            }
        },
    }
}
