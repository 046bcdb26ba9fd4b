//! Values of the plain types, each with what was expected instead.

use core::ops::RangeInclusive;
use std::format;
use std::string::String;
use std::vec::Vec;

use super::keys::list;
use super::{At, Findings, TextAt, nearest};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Entry, Item, Node, Table};

/// Reports that the value is of another type.
pub(crate) fn wrong_type(node: &Node, key: &str, expected: &str, out: &mut Findings<'_>) {
    out.push(
        Diagnostic::new(codes::WRONG_TYPE, node.span.clone(), format!("`{key}` is {expected}, not {}", node.kind()))
            .label(format!("expected {expected}")),
    );
}

pub(crate) fn text(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<TextAt> {
    match &node.item {
        Item::Text(text) => Some(TextAt::new(text, node.span.clone(), out.text)),
        _ => {
            wrong_type(node, key, "a text", out);
            None
        }
    }
}

/// One of these words.
pub(crate) fn word<T: Copy>(node: &Node, key: &str, words: &[(&str, T)], out: &mut Findings<'_>) -> Option<T> {
    let found = text(node, key, out)?;
    let hit = words.iter().find(|(word, _)| *word == found.value);
    if hit.is_none() {
        let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let message = format!("`{key}` cannot be \"{}\"", found.value);
        let mut diagnostic = Diagnostic::new(codes::WRONG_WORD, node.span.clone(), message).expected(list(&names));
        if let Some(near) = nearest(&found.value, names.iter().copied()) {
            diagnostic = diagnostic.suggest(node.span.clone(), format!("\"{near}\""), "the nearest word that it takes");
        }
        out.push(diagnostic);
    }
    hit.map(|(_, value)| *value)
}

/// A whole number in a range.
pub(crate) fn whole(node: &Node, key: &str, range: RangeInclusive<i128>, out: &mut Findings<'_>) -> Option<i128> {
    let Item::Integer(literal) = &node.item else {
        wrong_type(node, key, "a whole number", out);
        return None;
    };
    let value = integer(literal).filter(|value| range.contains(value));
    if value.is_none() {
        let message = format!("{literal} is not possible for `{key}`");
        let expected = format!("a whole number from {} to {}", range.start(), range.end());
        out.push(Diagnostic::new(codes::NUMBER, node.span.clone(), message).expected(expected));
    }
    value
}

pub(crate) fn byte(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<u8> {
    whole(node, key, 0..=0xFF, out).and_then(|value| u8::try_from(value).ok())
}

/// A finite number, whole or not.
pub(crate) fn number(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<f64> {
    let value = match &node.item {
        Item::Integer(literal) => integer(literal).map(|value| value as f64),
        Item::Float(literal) => literal.parse().ok(),
        _ => {
            wrong_type(node, key, "a number", out);
            return None;
        }
    };
    let finite = value.filter(|value: &f64| value.is_finite());
    if finite.is_none() {
        out.push(Diagnostic::new(codes::NUMBER, node.span.clone(), format!("`{key}` is a finite number")));
    }
    finite
}

/// The value of an integer literal without underscores: `-12`, `0xFF`.
pub(crate) fn integer(literal: &str) -> Option<i128> {
    let (sign, digits) = match literal.as_bytes().first()? {
        b'-' => (-1, literal.get(1..)?),
        b'+' => (1, literal.get(1..)?),
        _ => (1, literal),
    };
    let (digits, radix) = match digits.get(..2) {
        Some("0x") => (digits.get(2..)?, 16),
        Some("0o") => (digits.get(2..)?, 8),
        Some("0b") => (digits.get(2..)?, 2),
        _ => (digits, 10),
    };
    if !digits.bytes().next()?.is_ascii_alphanumeric() {
        return None;
    }
    i128::from_str_radix(digits, radix).ok().map(|value| sign * value)
}

pub(crate) fn truth(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<bool> {
    match node.item {
        Item::Truth(truth) => Some(truth),
        _ => {
            wrong_type(node, key, "true or false", out);
            None
        }
    }
}

pub(crate) fn items<'n>(node: &'n Node, key: &str, out: &mut Findings<'_>) -> Option<&'n [Node]> {
    match &node.item {
        Item::Array(items) => Some(items),
        _ => {
            wrong_type(node, key, "a list", out);
            None
        }
    }
}

pub(crate) fn texts(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Vec<TextAt>> {
    Some(items(node, key, out)?.iter().filter_map(|item| text(item, key, out)).collect())
}

pub(crate) fn table<'n>(node: &'n Node, key: &str, out: &mut Findings<'_>) -> Option<&'n Table> {
    if !matches!(node.item, Item::Table(_)) {
        wrong_type(node, key, "a table", out);
    }
    node.as_table()
}

/// The tables under a table of named things: `[channel.x]`, `[channel.y]`.
pub(crate) fn named<'n>(root: &'n Table, key: &str, out: &mut Findings<'_>) -> Vec<(&'n Entry, &'n Table)> {
    let Some(all) = root.get(key).and_then(|node| table(node, key, out)) else { return Vec::new() };
    all.entries.iter().filter_map(|entry| Some((entry, table(&entry.value, &entry.key, out)?))).collect()
}

/// `a..b`, both included, or a single number, in decimal or hex.
pub(crate) fn span_of_numbers(text: &str) -> Option<(i128, i128)> {
    let value = |part: &str| {
        let part = part.trim();
        let canonical = part.replace("0X", "0x");
        if part.contains('_') { None } else { integer(&canonical) }
    };
    match text.split_once("..") {
        Some((first, last)) => Some((value(first)?, value(last)?)),
        None => value(text).map(|one| (one, one)),
    }
}

/// The same from a node: a whole number, or a text `"a..b"`; ordered and within limits.
pub(crate) fn range(
    node: &Node,
    key: &str,
    limits: RangeInclusive<i128>,
    out: &mut Findings<'_>,
) -> Option<At<(i128, i128)>> {
    let found = match &node.item {
        Item::Integer(literal) => integer(literal).map(|one| (one, one)),
        Item::Text(text) => span_of_numbers(text),
        _ => {
            wrong_type(node, key, "a whole number or a range like \"2..5\"", out);
            return None;
        }
    };
    let fits = found.filter(|(first, last)| first <= last && limits.contains(first) && limits.contains(last));
    if fits.is_none() {
        let message = match found {
            Some((first, last)) if first > last => format!("the range of `{key}` ends before it begins"),
            Some(_) => format!("`{key}` is out of its limits"),
            None => format!("`{key}` cannot be read as a range"),
        };
        let mut diagnostic = Diagnostic::new(codes::RANGE, node.span.clone(), message).expected(format!(
            "a number or \"a..b\" (both ends included), from {} to {}",
            limits.start(),
            limits.end()
        ));
        if let Some((first, last)) = found.filter(|(first, last)| first > last) {
            diagnostic = diagnostic.suggest(node.span.clone(), format!("\"{last}..{first}\""), "the other way round");
        }
        out.push(diagnostic);
    }
    fits.map(|value| At { value, span: node.span.clone() })
}

/// The number as written, to compare with to its decimals; `None` if it is not a number.
pub(crate) fn literal(node: &Node) -> Option<String> {
    match &node.item {
        Item::Integer(literal) | Item::Float(literal) => Some(literal.clone()),
        _ => None,
    }
}
