//! `[line]`: how to reach the unit. A session reads it again with its own keys laid over.

use std::borrow::Cow;
use std::format;
use std::vec::Vec;

use tickover_framing::contract::Parity;
use tickover_framing::kline::{self, FiveBaud, Framing, Init, KeyBytes};
use tickover_services::Effect;

use super::{Findings, Keys, bytes, time, value};
use crate::compiled::line::Services;
use crate::compiled::{KLine, KeepAlive, Refusal};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Table};

pub(crate) mod effects;
mod framing;
mod timing;

/// Keys of `[line]`.
pub(crate) const KEYS: [&str; 13] = [
    "type",
    "baud",
    "format",
    "init",
    "five_baud",
    "unit",
    "functional",
    "tester",
    "framing",
    "services",
    "keep_alive",
    "timing",
    "effects",
];
/// Keys of `[line]` on a CAN bus.
const LATER: [&str; 8] =
    ["bit_rate", "padding", "addressing", "request_id", "response_id", "functional_id", "target_byte", "extension"];

const BAUD: core::ops::RangeInclusive<i128> = 300..=1_000_000;

/// Reads a line; `None` if something is wrong with it.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Option<KLine> {
    let before = out.list.len();
    if let Some(entry) = table.entry("type")
        && matches!(&entry.value.item, crate::source::Item::Text(text) if text == "can")
    {
        let message = "a line of type \"can\" is not in this version";
        out.push(Diagnostic::new(codes::NOT_IN_VERSION, entry.value.span.clone(), message).expected("\"k-line\""));
        return None;
    }
    let keys = Keys::new(table, "[line]", &KEYS, &LATER, out);
    if let Some(node) = keys.need("type", "\"k-line\"", out) {
        value::word(node, "type", &[("k-line", ())], out);
    }
    let baud = keys.need("baud", "10400", out).and_then(|node| value::whole(node, "baud", BAUD, out));
    let format = keys.need("format", "\"8N1\"", out).and_then(|node| format(node, out));
    let init = init(&keys, out);
    let framing = keys.need("framing", "\"iso14230\"", out).and_then(|node| framing::read(node, out));
    let (framing, refusal) = framing.unzip();
    let unit = address(&keys, "unit", framing.as_ref(), out);
    let tester = address(&keys, "tester", framing.as_ref(), out);
    let functional = keys.get("functional").and_then(|node| value::byte(node, "functional", out));
    let services = keys.get("services").and_then(|node| services(node, out));
    let timing = timing::read(keys.get("timing"), out);
    let effects = effects::read(keys.get("effects"), services, out);
    let keep_alive = keys.need("keep_alive", "\"none\"", out).and_then(|node| keep_alive(node, out));
    if out.list.len() > before {
        return None;
    }
    let (parity, stop_bits) = format?;
    let line = kline::Line {
        baud: u32::try_from(baud?).ok()?,
        parity,
        stop_bits,
        init: init?,
        unit: unit?,
        functional,
        tester: tester?,
        framing: framing?,
        timing,
    };
    Some(KLine { line, services, keep_alive: keep_alive?, effects: Cow::Owned(effects), refusal: refusal.flatten() })
}

/// The line as far as it says what requests do: services, framing, effects. `None` if that would be a guess.
///
/// Says nothing: mistakes are those of [`read`].
pub(crate) fn judge(table: &Table, text: &str) -> Option<KLine> {
    let mut out = Findings::new(text);
    let (framing, _) = framing::read(table.get("framing")?, &mut out)?;
    let services = table.get("services").and_then(|node| services(node, &mut out));
    let effects = effects::read(table.get("effects"), services, &mut out);
    let line = kline::Line { framing, ..kline::Line::iso14230(0, 0) };
    let judge = KLine { line, services, keep_alive: None, effects: Cow::Owned(effects), refusal: None };
    out.list.is_empty().then_some(judge)
}

fn format(node: &Node, out: &mut Findings<'_>) -> Option<(Parity, u8)> {
    let formats = [
        ("8N1", (Parity::None, 1)),
        ("8E1", (Parity::Even, 1)),
        ("8O1", (Parity::Odd, 1)),
        ("8N2", (Parity::None, 2)),
        ("8E2", (Parity::Even, 2)),
        ("8O2", (Parity::Odd, 2)),
    ];
    value::word(node, "format", &formats, out)
}

fn init(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<Init> {
    let node = keys.need("init", "\"fast\"", out)?;
    let kind = value::word(node, "init", &[("fast", Init::Fast), ("none", Init::None), ("five-baud", FIVE_BAUD)], out)?;
    let table = keys.entry("five_baud");
    if kind != FIVE_BAUD {
        if let Some(entry) = table {
            out.push(
                Diagnostic::new(
                    codes::LINE_KEYS,
                    entry.key_span.clone(),
                    "[line.five_baud] without `init = \"five-baud\"`",
                )
                .label("not used by this initialisation")
                .related(node.span.clone(), "the initialisation"),
            );
        }
        return Some(kind);
    }
    let Some(entry) = table else {
        out.push(
            Diagnostic::new(codes::MISSING_KEY, node.span.clone(), "a five-baud initialisation needs [line.five_baud]")
                .expected("[line.five_baud] with `address` and `unit_confirms`, and `key_bytes` if they are known"),
        );
        return None;
    };
    let table = value::table(&entry.value, "five_baud", out)?;
    let keys = Keys::new(table, "[line.five_baud]", &["address", "key_bytes", "unit_confirms"], &[], out);
    let address = keys.need("address", "0x33", out).and_then(|node| value::byte(node, "address", out));
    let confirms = keys.need("unit_confirms", "true", out).and_then(|node| value::truth(node, "unit_confirms", out));
    let key_bytes = match keys.get("key_bytes") {
        Some(node) => match bytes::constant(node, "key_bytes", out)?.as_slice() {
            [first, second] => Some(KeyBytes(*first, *second)),
            _ => {
                out.push(
                    Diagnostic::new(codes::BYTES, node.span.clone(), "there are two key bytes")
                        .expected("two bytes, the first sent first: \"8F E9\""),
                );
                return None;
            }
        },
        None => None,
    };
    Some(Init::FiveBaud(FiveBaud { address: address?, key_bytes, unit_confirms: confirms? }))
}

/// Stands for the word until the table is read.
const FIVE_BAUD: Init = Init::FiveBaud(FiveBaud { address: 0, key_bytes: None, unit_confirms: false });

/// An address, needed where the framing sends it.
fn address(keys: &Keys<'_>, key: &'static str, framing: Option<&Framing>, out: &mut Findings<'_>) -> Option<u8> {
    let sent = match framing {
        Some(Framing::Declared(block)) => {
            let field = if key == "unit" { kline::BlockField::Unit } else { kline::BlockField::Tester };
            block.fields.iter().take(usize::from(block.count)).any(|present| *present == field)
        }
        _ => true,
    };
    match keys.get(key) {
        Some(node) => value::byte(node, key, out),
        None if sent => {
            keys.need(key, if key == "unit" { "0x10" } else { "0xF1" }, out);
            None
        }
        None => Some(0),
    }
}

fn services(node: &Node, out: &mut Findings<'_>) -> Option<Services> {
    let words = [("iso14230", Services::Iso14230), ("iso14229", Services::Iso14229)];
    let found = value::word(node, "services", &words, out)?;
    if found == Services::Iso14229 {
        out.push(
            Diagnostic::new(codes::NOT_IN_VERSION, node.span.clone(), "services of ISO 14229 are not in this version")
                .label("a later version reads this; this one does not read it half"),
        );
    }
    Some(found)
}

/// `"none"`, or what is sent; the inner option is whether there is one.
fn keep_alive(node: &Node, out: &mut Findings<'_>) -> Option<Option<KeepAlive>> {
    if node.as_table().is_none() {
        return value::word(node, "keep_alive", &[("none", ())], out).map(|()| None);
    }
    let table = value::table(node, "keep_alive", out)?;
    let keys = Keys::new(table, "`keep_alive`", &["send", "expect", "every"], &[], out);
    let send = keys.need("send", "\"3E\"", out).and_then(|node| bytes::constant(node, "send", out));
    let every = keys.need("every", "\"2 s\"", out).and_then(|node| time::duration(node, "every", out));
    let expect = keys.get("expect").map(|node| bytes::pattern(node, "expect", out));
    let expect = match expect {
        Some(read) => Some(read?),
        None => None,
    };
    if every.is_some_and(|every| every.is_zero()) {
        let span = keys.get("every").map_or_else(|| node.span.clone(), |node| node.span.clone());
        out.push(Diagnostic::new(codes::QUANTITY, span, format!("`{}` is above zero", "every")));
    }
    Some(Some(KeepAlive { send: Cow::Owned(send?), expect, every: every? }))
}

/// How a unit refuses, if it is declared.
type Refused = Option<Refusal>;
/// Effects by first byte.
type Effects = Vec<(u8, Effect)>;
