//! `[channel]`: from bytes to a value. Its kind's keys are laid under its own before this reads it.

use core::time::Duration;
use std::boxed::Box;
use std::format;
use std::string::String;
use std::vec::Vec;

use super::field::Field;
use super::record::{self, Read};
use super::{At, Findings, Keys, TextAt, field, time, value, vector};
use crate::check;
use crate::compiled::{Every, SentOutside, Total};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Span, Table};
use crate::unit::{Quantity, Reference};

/// Keys of a channel.
pub(crate) const KEYS: [&str; 26] = [
    "label",
    "record",
    "read",
    "every",
    "session",
    "at",
    "data",
    "length",
    "bits",
    "index",
    "parts",
    "when",
    "invalid",
    "states",
    "formula",
    "unit",
    "quantity",
    "reference",
    "range",
    "max_age",
    "total",
    "from",
    "outside",
    "kind",
    "check",
    "source",
];

const PARTS: usize = 16;
/// The most elements of one array.
const ELEMENTS: usize = 4096;

/// A channel as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Channel {
    pub(crate) label: Option<String>,
    pub(crate) origin: Origin,
    pub(crate) index: Vec<Dimension>,
    pub(crate) when: Option<TextAt>,
    pub(crate) invalid: Vec<Code>,
    pub(crate) states: Vec<Code>,
    pub(crate) formula: Option<TextAt>,
    pub(crate) unit: Option<TextAt>,
    pub(crate) quantity: Option<At<Quantity>>,
    pub(crate) reference: Option<At<Reference>>,
    pub(crate) range: Option<(f64, f64)>,
    pub(crate) max_age: Option<Duration>,
    pub(crate) total: Option<At<Total>>,
    /// What a sent channel says.
    pub(crate) from: Option<TextAt>,
    pub(crate) outside: Option<At<SentOutside>>,
    pub(crate) checks: Vec<vector::Own>,
    pub(crate) sourced: bool,
}

/// Where its bytes come from.
#[derive(Clone, Debug)]
pub(crate) enum Origin {
    Field { from: From, field: Field },
    Parts { from: From, parts: Vec<Part> },
    Derived,
}

/// A named field.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    pub(crate) name: String,
    pub(crate) field: Field,
}

/// A record, or a read of its own.
#[derive(Clone, Debug)]
pub(crate) enum From {
    Record(TextAt),
    Own { read: At<Read>, every: Every, session: Option<TextAt> },
}

/// Raw values that mean something.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Code {
    pub(crate) first: i128,
    pub(crate) last: i128,
    pub(crate) text: String,
    /// Where the key stands.
    pub(crate) span: Span,
}

/// One dimension of an array.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Dimension {
    pub(crate) elements: Vec<String>,
    pub(crate) stride: u32,
    pub(crate) axis: Option<TextAt>,
    pub(crate) unit: Option<TextAt>,
    pub(crate) span: Span,
}

/// What can still be checked of a channel with a mistake.
#[derive(Clone, Debug)]
pub(crate) struct Loose {
    pub(crate) parts: Vec<String>,
    pub(crate) index: Vec<Dimension>,
    pub(crate) when: Option<TextAt>,
    pub(crate) formula: Option<TextAt>,
}

/// Reads a channel; `Err` if something is wrong or missing.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Result<Channel, Box<Loose>> {
    let before = out.list.len();
    let keys = Keys::new(table, "a channel", &KEYS, &[], out);
    keys.exclusive(&["record", "read"], out);
    keys.exclusive(&["parts", "data"], out);
    let text = |key: &str, out: &mut Findings<'_>| keys.get(key).and_then(|node| value::text(node, key, out));
    let label = text("label", out).map(|text| text.value);
    let origin = origin(&keys, out);
    let index = keys.get("index").map(|node| index(node, out)).unwrap_or_default();
    let (when, formula, unit) = (text("when", out), text("formula", out), text("unit", out));
    let codes =
        |key: &str, out: &mut Findings<'_>| keys.get(key).map(|node| codes_of(node, key, out)).unwrap_or_default();
    let (invalid, states) = (codes("invalid", out), codes("states", out));
    let quantity = keys.get("quantity").and_then(|node| one_of(node, "quantity", &quantities(), out));
    let reference = keys.get("reference").and_then(|node| one_of(node, "reference", &references(), out));
    let range = keys.get("range").and_then(|node| range(node, out));
    let max_age = keys.get("max_age").and_then(|node| time::duration(node, "max_age", out));
    let total = keys.get("total").and_then(|node| total(node, out));
    let from = text("from", out);
    let words = [("clamp", SentOutside::Clamp), ("invalid", SentOutside::Invalid)];
    let outside = keys.get("outside").and_then(|node| one_of(node, "outside", &words, out));
    let sourced = text("source", out).is_some();
    let wrong_before_checks = out.list.len() > before;
    let checks = keys.get("check").map(|node| vector::own(node, out)).unwrap_or_default();
    if let Some(entry) = keys.entry("max_age").filter(|_| !matches!(origin, Some(Origin::Derived))) {
        out.push(
            Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), "`max_age` goes with a derived channel")
                .label("this one comes from a record"),
        );
    }
    let Some(origin) = origin.filter(|_| !wrong_before_checks) else {
        check::unit::spelled(unit.as_ref(), out);
        let parts = keys.get("parts").and_then(|node| node.as_table());
        let parts = parts.map(|parts| parts.entries.iter().map(|part| part.key.clone()).collect());
        return Err(Box::new(Loose { parts: parts.unwrap_or_default(), index, when, formula }));
    };
    Ok(Channel {
        label,
        origin,
        index,
        when,
        invalid,
        states,
        formula,
        unit,
        quantity,
        reference,
        range,
        max_age,
        total,
        from,
        outside,
        checks,
        sourced,
    })
}

fn origin(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<Origin> {
    let from = from(keys, out);
    if from.is_none() {
        let fielded = ["record", "read", "at", "data", "bits", "length", "parts", "index", "every", "session"];
        let Some(entry) = fielded.iter().find_map(|key| keys.entry(key)) else {
            if keys.get("formula").is_none() {
                keys.need("record", "\"engine\"", out);
                return None;
            }
            return Some(Origin::Derived);
        };
        if keys.get("record").is_none() && keys.get("read").is_none() {
            let message = format!("`{}` belongs to a field, and nothing says of which record", entry.key);
            out.push(
                Diagnostic::new(codes::MISSING_KEY, entry.key_span.clone(), message)
                    .expected("`record = \"engine\"`, or `read = { .. }` of its own"),
            );
        }
        return None;
    }
    if let Some(node) = keys.get("parts") {
        let at = keys.need("at", "0", out).and_then(|node| value::whole(node, "at", 0..=i128::from(u32::MAX), out));
        let at = at.and_then(|at| u32::try_from(at).ok());
        let parts = at.and_then(|at| parts(node, at, out));
        let missing = keys.need("formula", "\"step * count / 10\"", out).is_none();
        return Some(Origin::Parts { from: from?, parts: parts.filter(|_| !missing)? });
    }
    let field = field::read(keys, out);
    Some(Origin::Field { from: from?, field: field? })
}

fn from(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<From> {
    if let Some(node) = keys.get("record") {
        for key in ["every", "session"] {
            if let Some(entry) = keys.entry(key) {
                let message = format!("`{key}` stands in the record");
                out.push(
                    Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), message)
                        .label("all channels of a record are read together"),
                );
            }
        }
        return value::text(node, "record", out).map(From::Record);
    }
    let node = keys.get("read")?;
    let read = record::read_key(node, out);
    if let Some(At { value: Read::Frame(_), span }) = &read {
        let message = "a frame has a length that its channel does not say";
        out.push(
            Diagnostic::new(codes::EXCLUSIVE_KEYS, span.clone(), message)
                .expected("a record with this `read`, `every` and `length`, and its name in `record` here"),
        );
        return None;
    }
    let every = record::every(keys, out);
    let session = keys.get("session").and_then(|node| value::text(node, "session", out));
    Some(From::Own { read: read?, every, session })
}

/// Their places count from the channel's `at`.
fn parts(node: &Node, base: u32, out: &mut Findings<'_>) -> Option<Vec<Part>> {
    let table = value::table(node, "parts", out)?;
    if !(1..=PARTS).contains(&table.entries.len()) {
        let message = format!("a channel has 1 to {PARTS} parts");
        out.push(Diagnostic::new(codes::TOO_MANY, node.span.clone(), message));
        return None;
    }
    let mut all = Vec::new();
    for entry in &table.entries {
        let Some(inner) = value::table(&entry.value, &entry.key, out) else { continue };
        let keys = Keys::new(inner, "a part", &["at", "data", "length", "bits"], &[], out);
        let Some(field) = field::read(&keys, out) else { continue };
        let Some(field) = field.moved(base) else {
            let message = format!("the part `{}` has no address", entry.key);
            out.push(Diagnostic::new(codes::FIELD_OUTSIDE, field.span, message));
            continue;
        };
        check::name::in_formulas(&entry.key, entry.key_span.clone(), "part", out);
        all.push(Part { name: entry.key.clone(), field });
    }
    (all.len() == table.entries.len()).then_some(all)
}

fn index(node: &Node, out: &mut Findings<'_>) -> Vec<Dimension> {
    let items = value::items(node, "index", out).unwrap_or_default();
    if !(1..=2).contains(&items.len()) {
        let message = format!("an array has one or two dimensions, not {}", items.len());
        out.push(Diagnostic::new(codes::ARRAY_INDEX, node.span.clone(), message));
        return Vec::new();
    }
    let all: Vec<Dimension> = items.iter().filter_map(|item| dimension(item, out)).collect();
    let count: usize = all.iter().map(|dimension| dimension.elements.len()).product();
    if count > ELEMENTS {
        let message = format!("an array has at most {ELEMENTS} elements, not {count}");
        out.push(Diagnostic::new(codes::TOO_MANY, node.span.clone(), message));
        return Vec::new();
    }
    all
}

fn dimension(node: &Node, out: &mut Findings<'_>) -> Option<Dimension> {
    let table = value::table(node, "index", out)?;
    let keys = Keys::new(table, "a dimension", &["name", "elements", "stride", "axis", "unit"], &[], out);
    keys.exclusive(&["axis", "unit"], out);
    let name = keys.need("name", "\"cylinder\"", out).and_then(|node| value::text(node, "name", out));
    let elements = keys.need("elements", "[1, 3, 4, 2]", out).and_then(|node| elements(node, out));
    let stride = keys.need("stride", "1", out).and_then(|node| value::whole(node, "stride", 1..=65535, out));
    let axis = keys.get("axis").and_then(|node| value::text(node, "axis", out));
    let unit = keys.get("unit").and_then(|node| value::text(node, "unit", out));
    name?;
    Some(Dimension { elements: elements?, stride: u32::try_from(stride?).ok()?, axis, unit, span: node.span.clone() })
}

/// Names in stored order: a list, or `"1..8"`.
fn elements(node: &Node, out: &mut Findings<'_>) -> Option<Vec<String>> {
    if let crate::source::Item::Text(text) = &node.item {
        let run = value::span_of_numbers(text).filter(|_| text.contains("..")).filter(|(first, last)| {
            *first >= 0 && first <= last && last - first < i128::try_from(ELEMENTS).unwrap_or(0)
        });
        let Some((first, last)) = run else {
            out.push(
                Diagnostic::new(codes::ARRAY_INDEX, node.span.clone(), "the elements cannot be read as a run")
                    .expected(format!("a list like [1, 3, 4, 2], or a run like \"1..8\" of at most {ELEMENTS}")),
            );
            return None;
        };
        return Some((first..=last).map(|element| format!("{element}")).collect());
    }
    let mut all: Vec<String> = Vec::new();
    for item in value::items(node, "elements", out)? {
        let name = match &item.item {
            crate::source::Item::Integer(literal) => value::integer(literal).map(|element| format!("{element}")),
            crate::source::Item::Text(text) => {
                let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
                (!text.is_empty() && text.chars().all(good) && text != "invalid").then(|| text.clone())
            }
            _ => None,
        };
        match name {
            Some(name) if all.contains(&name) => {
                let message = format!("the element {name} stands here twice");
                out.push(Diagnostic::new(codes::ARRAY_INDEX, item.span.clone(), message));
                return None;
            }
            Some(name) => all.push(name),
            None => {
                out.push(
                    Diagnostic::new(codes::ARRAY_INDEX, item.span.clone(), "this cannot name an element")
                        .expected("a whole number, or a word of small letters, digits and _ (not `invalid`)"),
                );
                return None;
            }
        }
    }
    if all.is_empty() {
        out.push(Diagnostic::new(codes::ARRAY_INDEX, node.span.clone(), "an array has at least one element"));
        return None;
    }
    Some(all)
}

fn codes_of(node: &Node, key: &str, out: &mut Findings<'_>) -> Vec<Code> {
    let Some(table) = value::table(node, key, out) else { return Vec::new() };
    let mut all = Vec::new();
    for entry in &table.entries {
        let text = value::text(&entry.value, &entry.key, out);
        match (value::span_of_numbers(&entry.key).filter(|(first, last)| first <= last), text) {
            (Some((first, last)), Some(text)) => {
                all.push(Code { first, last, text: text.value, span: entry.key_span.clone() });
            }
            (None, _) => out.push(
                Diagnostic::new(codes::RANGE, entry.key_span.clone(), format!("`{}` is not a raw value", entry.key))
                    .expected(format!("a number or a quoted range in `{key}`, like 0xFF or \"0xFE00..0xFEFF\"")),
            ),
            (_, None) => {}
        }
    }
    all
}

fn total(node: &Node, out: &mut Findings<'_>) -> Option<At<Total>> {
    let table = value::table(node, "total", out)?;
    let keys = Keys::new(table, "a total", &["last", "largest_step"], &[], out);
    let mut one = |key: &str, example: &str| {
        let node = keys.need(key, example, out)?;
        value::whole(node, key, 1..=i128::from(u64::MAX), out).and_then(|number| u64::try_from(number).ok())
    };
    let (last, largest_step) = (one("last", "0xFFFF"), one("largest_step", "4000"));
    Some(At { value: Total { last: last?, largest_step: largest_step? }, span: node.span.clone() })
}

fn quantities() -> [(&'static str, Quantity); 4] {
    [Quantity::Torque, Quantity::Energy, Quantity::Temperature, Quantity::TemperatureDifference].map(|q| (q.word(), q))
}

fn references() -> [(&'static str, Reference); 2] {
    [Reference::Absolute, Reference::Gauge].map(|reference| (reference.word(), reference))
}

fn one_of<T: Copy>(node: &Node, key: &str, words: &[(&str, T)], out: &mut Findings<'_>) -> Option<At<T>> {
    Some(At { value: value::word(node, key, words, out)?, span: node.span.clone() })
}

fn range(node: &Node, out: &mut Findings<'_>) -> Option<(f64, f64)> {
    let [low, high] = value::items(node, "range", out)? else {
        out.push(
            Diagnostic::new(codes::RANGE, node.span.clone(), "a range is the least and the greatest value")
                .expected("for instance [0, 8000]"),
        );
        return None;
    };
    let (low, high) = (value::number(low, "range", out)?, value::number(high, "range", out)?);
    if low >= high {
        let message = format!("{low} is not below {high}");
        out.push(Diagnostic::new(codes::RANGE, node.span.clone(), message).expected("the least value first"));
        return None;
    }
    Some((low, high))
}

/// Reads the keys of a kind: those of a channel but for `kind` and `check`; nothing is missing from a kind.
pub(crate) fn read_kind(table: &Table, out: &mut Findings<'_>) {
    for entry in table.entries.iter().filter(|entry| ["kind", "check"].contains(&entry.key.as_str())) {
        out.push(
            Diagnostic::new(codes::UNKNOWN_KEY, entry.key_span.clone(), format!("a kind has no `{}`", entry.key))
                .label("belongs to the channel"),
        );
    }
    let known: Vec<&str> = KEYS.to_vec();
    Keys::new(table, "a kind", &known, &[], out);
}
