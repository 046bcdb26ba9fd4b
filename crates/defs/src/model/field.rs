//! A field: `at`, `data`, `length`, `bits`.

use std::format;
use std::vec::Vec;

use super::{At, Findings, Keys, value};
use crate::compiled::Coding;
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Item, Node, Span};

/// A field as it is written; places count from the start of the record's data, or are addresses.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Field {
    /// In the order that `at` names them.
    pub(crate) named: Vec<u32>,
    /// The same, most significant first; of text in reading order.
    pub(crate) ordered: Vec<u32>,
    pub(crate) coding: Coding,
    pub(crate) low_bit: u8,
    /// Of text 0.
    pub(crate) width: u8,
    /// Where `at` stands.
    pub(crate) span: Span,
}

/// Name, coding, bytes (0: as `length` says), least significant first.
type Data = (&'static str, Coding, usize, bool);

const DATA: [Data; 35] = [
    ("u8", Coding::Unsigned, 1, false),
    ("i8", Coding::Signed, 1, false),
    ("u16be", Coding::Unsigned, 2, false),
    ("u16le", Coding::Unsigned, 2, true),
    ("i16be", Coding::Signed, 2, false),
    ("i16le", Coding::Signed, 2, true),
    ("u24be", Coding::Unsigned, 3, false),
    ("u24le", Coding::Unsigned, 3, true),
    ("i24be", Coding::Signed, 3, false),
    ("i24le", Coding::Signed, 3, true),
    ("u32be", Coding::Unsigned, 4, false),
    ("u32le", Coding::Unsigned, 4, true),
    ("i32be", Coding::Signed, 4, false),
    ("i32le", Coding::Signed, 4, true),
    ("u40be", Coding::Unsigned, 5, false),
    ("u40le", Coding::Unsigned, 5, true),
    ("i40be", Coding::Signed, 5, false),
    ("i40le", Coding::Signed, 5, true),
    ("u48be", Coding::Unsigned, 6, false),
    ("u48le", Coding::Unsigned, 6, true),
    ("i48be", Coding::Signed, 6, false),
    ("i48le", Coding::Signed, 6, true),
    ("u56be", Coding::Unsigned, 7, false),
    ("u56le", Coding::Unsigned, 7, true),
    ("i56be", Coding::Signed, 7, false),
    ("i56le", Coding::Signed, 7, true),
    ("u64be", Coding::Unsigned, 8, false),
    ("u64le", Coding::Unsigned, 8, true),
    ("i64be", Coding::Signed, 8, false),
    ("i64le", Coding::Signed, 8, true),
    ("f32be", Coding::Float, 4, false),
    ("f32le", Coding::Float, 4, true),
    ("f64be", Coding::Float, 8, false),
    ("f64le", Coding::Float, 8, true),
    ("hex", Coding::Hex, 0, false),
];
const TEXTS: [Data; 2] = [("ascii", Coding::Ascii, 0, false), ("bcd", Coding::Bcd, 0, false)];

/// Reads a field; `None` if something is wrong or missing.
pub(crate) fn read(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<Field> {
    let at = keys.need("at", "0", out);
    let data = keys.need("data", "\"u8\"", out).and_then(|node| Some((data(node, out)?, node)));
    let ((_, coding, size, little), data_node) = data?;
    let size = size_of(keys, coding, size, data_node, out)?;
    let at = at?;
    let named = places(at, size, data_node, out)?;
    let mut ordered = named.clone();
    if little {
        ordered.reverse();
    }
    let text = matches!(coding, Coding::Ascii | Coding::Bcd | Coding::Hex);
    let (low_bit, width) = match keys.get("bits") {
        Some(node) if text || coding == Coding::Float => {
            let message = "bits are picked from whole numbers";
            out.push(Diagnostic::new(codes::FIELD_SHAPE, node.span.clone(), message).expected("a `u` or `i` type"));
            return None;
        }
        Some(node) => bits(node, size, out)?,
        None if text => (0, 0),
        None => (0, u8::try_from(8 * size).ok()?),
    };
    Some(Field { named, ordered, coding, low_bit, width, span: at.span.clone() })
}

fn data(node: &Node, out: &mut Findings<'_>) -> Option<Data> {
    let words: Vec<(&str, Data)> = DATA.iter().chain(&TEXTS).map(|data| (data.0, *data)).collect();
    if let Item::Text(text) = &node.item
        && matches!(text.as_str(), "u16" | "i16" | "u24" | "i24" | "u32" | "i32" | "u64" | "i64" | "f32" | "f64")
    {
        out.push(
            Diagnostic::new(
                codes::WRONG_WORD,
                node.span.clone(),
                format!("\"{text}\" does not say in which order its bytes are"),
            )
            .expected(format!("\"{text}be\" (most significant first) or \"{text}le\"")),
        );
        return None;
    }
    value::word(node, "data", &words, out)
}

/// Bytes of the field: from its type, or from `length`.
fn size_of(keys: &Keys<'_>, coding: Coding, size: usize, data: &Node, out: &mut Findings<'_>) -> Option<usize> {
    if size > 0 {
        if let Some(entry) = keys.entry("length") {
            let message = "the type says how long the field is";
            out.push(
                Diagnostic::new(codes::FIELD_SHAPE, entry.key_span.clone(), message)
                    .label("`length` goes with ascii, bcd and hex")
                    .related(data.span.clone(), "the type"),
            );
        }
        return Some(size);
    }
    let most = if coding == Coding::Bcd { 8 } else { 255 };
    let node = keys.need("length", "10", out)?;
    value::whole(node, "length", 1..=most, out).and_then(|size| usize::try_from(size).ok())
}

/// The bytes that `at` names: from the first on, or each by itself.
fn places(node: &Node, size: usize, data: &Node, out: &mut Findings<'_>) -> Option<Vec<u32>> {
    let most = i128::from(u32::MAX);
    let Item::Array(items) = &node.item else {
        let first = u32::try_from(value::whole(node, "at", 0..=most, out)?).ok()?;
        let places: Option<Vec<u32>> =
            (0..size).map(|i| u32::try_from(i).ok().and_then(|i| first.checked_add(i))).collect();
        return places;
    };
    let mut all = Vec::new();
    for item in items {
        let place = u32::try_from(value::whole(item, "at", 0..=most, out)?).ok()?;
        if all.contains(&place) {
            let message = format!("byte {place} is named twice");
            out.push(Diagnostic::new(codes::FIELD_SHAPE, item.span.clone(), message));
            return None;
        }
        all.push(place);
    }
    if all.len() != size {
        out.push(
            Diagnostic::new(
                codes::FIELD_SHAPE,
                node.span.clone(),
                format!("{} bytes are named, the type has {size}", all.len()),
            )
            .related(data.span.clone(), "the type"),
        );
        return None;
    }
    Some(all)
}

/// First bit and number of bits.
fn bits(node: &Node, size: usize, out: &mut Findings<'_>) -> Option<(u8, u8)> {
    let last = i128::try_from(8 * size).ok()? - 1;
    let At { value: (first, last), .. } = value::range(node, "bits", 0..=last, out)?;
    Some((u8::try_from(first).ok()?, u8::try_from(last - first + 1).ok()?))
}

impl Field {
    /// Whether the bytes are text or digits.
    pub(crate) const fn is_text(&self) -> bool {
        matches!(self.coding, Coding::Ascii | Coding::Hex)
    }

    /// First and last raw value that the field can hold; `None` for text.
    pub(crate) fn raw_range(&self) -> Option<(i128, i128)> {
        let width = u32::from(self.width);
        match self.coding {
            Coding::Unsigned | Coding::Float => Some((0, (1_i128 << width) - 1)),
            Coding::Signed => Some((-(1_i128 << (width.max(1) - 1)), (1_i128 << (width.max(1) - 1)) - 1)),
            Coding::Bcd => Some((0, 10_i128.pow(2 * u32::try_from(self.named.len()).unwrap_or(8).min(8)) - 1)),
            Coding::Ascii | Coding::Hex => None,
        }
    }

    /// The same field, counted from `base`.
    pub(crate) fn back(&self, base: u32) -> Self {
        let back = |places: &[u32]| places.iter().map(|place| place.saturating_sub(base)).collect();
        Self { named: back(&self.named), ordered: back(&self.ordered), ..self.clone() }
    }

    /// The same field, so many bytes further on.
    pub(crate) fn moved(&self, by: u32) -> Option<Self> {
        let moved = |places: &[u32]| places.iter().map(|place| place.checked_add(by)).collect::<Option<Vec<u32>>>();
        Some(Self { named: moved(&self.named)?, ordered: moved(&self.ordered)?, ..self.clone() })
    }
}
