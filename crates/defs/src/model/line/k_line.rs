//! A K-line: speed, initialisation, addresses, framing.

use std::borrow::Cow;

use tickover_framing::contract::Parity;
use tickover_framing::kline::{self, FiveBaud, Framing, Init, KeyBytes};

use super::super::{Findings, Keys, bytes, value};
use super::{effects, framing, keep_alive, services, timing};
use crate::compiled::KLine;
use crate::diagnostic::{Diagnostic, codes};
use crate::source::Node;

/// Keys of `[line]`.
pub(super) const KEYS: [&str; 13] = [
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

const BAUD: core::ops::RangeInclusive<i128> = 300..=1_000_000;

/// Reads a K-line; `None` if something is wrong with it.
pub(super) fn read(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<KLine> {
    let before = out.list.len();
    let baud = keys.need("baud", "10400", out).and_then(|node| value::whole(node, "baud", BAUD, out));
    let format = keys.need("format", "\"8N1\"", out).and_then(|node| format(node, out));
    let init = init(keys, out);
    let framing = keys.need("framing", "\"iso14230\"", out).and_then(|node| framing::read(node, out));
    let (framing, refusal) = framing.unzip();
    let unit = address(keys, "unit", framing.as_ref(), out);
    let tester = address(keys, "tester", framing.as_ref(), out);
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
