//! `framing`: a standard's, or `[line.framing]` with a frame declared field by field.

use std::borrow::Cow;
use std::format;
use std::vec::Vec;

use tickover_framing::kline::{BlockField, BlockFraming, Checksum, Framing, LengthCounts};

use super::super::{Findings, Keys, TextAt, bytes, value};
use super::Refused;
use crate::compiled::{Refusal, TemplatePart};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Table};

const KEYS: [&str; 5] = ["frame", "length_counts", "checksum", "refusal", "refusals"];
const LATER: [&str; 2] = ["byte_acknowledge", "go_on"];

/// Reads the framing, and how a unit with a declared one refuses.
pub(super) fn read(node: &Node, out: &mut Findings<'_>) -> Option<(Framing, Refused)> {
    let Some(table) = node.as_table() else {
        let words = [("iso14230", Framing::Iso14230), ("iso9141", Framing::Iso9141)];
        return value::word(node, "framing", &words, out).map(|framing| (framing, None));
    };
    let keys = Keys::new(table, "[line.framing]", &KEYS, &LATER, out);
    let frame = keys.need("frame", "\"{unit} {length} {data} {checksum}\"", out);
    let fields = frame.and_then(|node| fields(node, out));
    let length_counts = keys.need("length_counts", "\"whole frame\"", out).and_then(|node| {
        let words = [
            ("whole frame", LengthCounts::WholeFrame),
            ("after length", LengthCounts::AfterLength),
            ("data", LengthCounts::Data),
        ];
        value::word(node, "length_counts", &words, out)
    });
    let checksum = keys.need("checksum", "\"xor8\"", out).and_then(|node| {
        let words = [("xor8", Checksum::Xor8), ("sum8", Checksum::Sum8), ("negated sum8", Checksum::NegatedSum8)];
        value::word(node, "checksum", &words, out)
    });
    let refusal = refusal(&keys, out);
    let (fields, count) = fields?;
    let framing = BlockFraming { fields, count, length_counts: length_counts?, checksum: checksum? };
    Some((Framing::Declared(framing), refusal))
}

type Fields = ([BlockField; BlockFraming::FIELDS], u8);

fn fields(node: &Node, out: &mut Findings<'_>) -> Option<Fields> {
    let text = value::text(node, "frame", out)?;
    let mut found = Vec::new();
    let before = out.list.len();
    let mut at = 0;
    for word in text.value.split_ascii_whitespace() {
        let start = at + text.value.get(at..).and_then(|rest| rest.find(word)).unwrap_or(0);
        at = start + word.len();
        match field(word) {
            Some(field) => found.push(field),
            None => out.push(wrong_field(word, &text, start)),
        }
    }
    let count = |field: BlockField| found.iter().filter(|present| **present == field).count();
    let rules = [
        (count(BlockField::Data) == 1, "{data} stands once"),
        (count(BlockField::Length) == 1, "{length} stands once"),
        (
            count(BlockField::Checksum) == 1 && found.last() == Some(&BlockField::Checksum),
            "{checksum} stands once, last",
        ),
        (found.len() <= BlockFraming::FIELDS, "a frame has at most 8 fields"),
        (
            found.iter().position(|f| *f == BlockField::Length) < found.iter().position(|f| *f == BlockField::Data),
            "{length} stands before {data}",
        ),
    ];
    if out.list.len() == before
        && let Some((_, rule)) = rules.iter().find(|(kept, _)| !kept)
    {
        out.push(
            Diagnostic::new(codes::FRAMING, text.span.clone(), format!("in a declared frame {rule}"))
                .expected("for instance \"{unit} {length} {data} {checksum}\""),
        );
    }
    if out.list.len() > before {
        return None;
    }
    let mut fields = [BlockField::Constant(0); BlockFraming::FIELDS];
    for (slot, field) in fields.iter_mut().zip(&found) {
        *slot = *field;
    }
    Some((fields, u8::try_from(found.len()).ok()?))
}

fn field(word: &str) -> Option<BlockField> {
    Some(match word {
        "{unit}" => BlockField::Unit,
        "{tester}" => BlockField::Tester,
        "{length}" => BlockField::Length,
        "{data}" => BlockField::Data,
        "{checksum}" => BlockField::Checksum,
        _ if word.len() == 2 && word.bytes().all(|byte| byte.is_ascii_hexdigit()) => {
            BlockField::Constant(u8::from_str_radix(word, 16).ok()?)
        }
        _ => return None,
    })
}

fn wrong_field(word: &str, text: &TextAt, start: usize) -> Diagnostic {
    let span = text.part(start..start + word.len());
    if word == "{counter}" {
        return Diagnostic::new(codes::NOT_IN_VERSION, span, "frames with a counter are not in this version");
    }
    Diagnostic::new(codes::FRAMING, span, format!("`{word}` is not a field of a frame"))
        .expected("{unit}, {tester}, {length}, {data}, {checksum}, or a byte as two hex digits")
}

fn refusal(keys: &Keys<'_>, out: &mut Findings<'_>) -> Refused {
    let Some(entry) = keys.entry("refusal") else {
        if let Some(entry) = keys.entry("refusals") {
            out.push(
                Diagnostic::new(codes::MISSING_KEY, entry.key_span.clone(), "`refusals` without `refusal`")
                    .expected("`refusal = \"39 {code}\"`: what a refusal looks like"),
            );
        }
        return None;
    };
    let template = bytes::template(&entry.value, "refusal", &["code"], out)?;
    let (last, prefix) = template.0.split_last()?;
    let plain: Option<Vec<u8>> = prefix
        .iter()
        .map(|part| match part {
            TemplatePart::Byte(byte) => Some(*byte),
            TemplatePart::Value(_) => None,
        })
        .collect();
    let (Some(prefix), TemplatePart::Value(place)) = (plain, last) else {
        out.push(shape_of_refusal(&entry.value));
        return None;
    };
    if place.bytes != 1 || prefix.is_empty() {
        out.push(shape_of_refusal(&entry.value));
        return None;
    }
    let meanings = keys.get("refusals").and_then(|node| value::table(node, "refusals", out));
    let meanings = meanings.map(|table| meanings_of(table, out)).unwrap_or_default();
    Some(Refusal { prefix: Cow::Owned(prefix), meanings: Cow::Owned(meanings) })
}

fn shape_of_refusal(node: &Node) -> Diagnostic {
    Diagnostic::new(codes::FRAMING, node.span.clone(), "a refusal is bytes with one code byte at the end")
        .expected("for instance \"39 {code}\"")
}

fn meanings_of(table: &Table, out: &mut Findings<'_>) -> Vec<(u8, crate::compiled::Text)> {
    let mut all = Vec::new();
    for entry in &table.entries {
        let code = value::integer(&entry.key).and_then(|code| u8::try_from(code).ok());
        let text = value::text(&entry.value, &entry.key, out);
        match (code, text) {
            (Some(code), Some(text)) => all.push((code, Cow::Owned(text.value))),
            (None, _) => out.push(
                Diagnostic::new(codes::NUMBER, entry.key_span.clone(), format!("`{}` is not a byte", entry.key))
                    .expected("a code from 0x00 to 0xFF"),
            ),
            (_, None) => {}
        }
    }
    all
}
