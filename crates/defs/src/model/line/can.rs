//! A CAN line: bit rate, addresses, frames, times. One without addresses is only listened to.

use std::borrow::Cow;
use std::format;

use tickover_framing::can::Id;
use tickover_framing::isotp::{self, Address, Fd, Flow, Frames};

use super::super::{Findings, Keys, value};
use super::{effects, keep_alive, services};
use crate::compiled::{Can, CanUnit, Start};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Item, Node};

mod addresses;
mod timing;

pub(super) use timing::TIMES;

/// Keys of `[line]`; after the first three, those of a line that asks.
pub(super) const KEYS: [&str; 18] = [
    "type",
    "bit_rate",
    "data_rate",
    "addressing",
    "request_id",
    "response_id",
    "functional_id",
    "target_byte",
    "extension",
    "unit",
    "functional",
    "tester",
    "padding",
    "start",
    "services",
    "keep_alive",
    "timing",
    "effects",
];

/// Bit rates of ISO 11898-1, arbitration and data phase.
const BIT_RATES: core::ops::RangeInclusive<i128> = 10_000..=1_000_000;
const FASTEST: i128 = 8_000_000;
/// Tester and group of units of ISO 15765-4 6.3.
const OBD: [u32; 2] = [0x7DF, 0x18DB_33F1];

/// Reads a CAN line; `None` if something is wrong with it.
pub(super) fn read(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<Can> {
    let before = out.list.len();
    let bit_rate = keys.need("bit_rate", "500000", out).and_then(|node| value::whole(node, "bit_rate", BIT_RATES, out));
    let data_rate = keys.get("data_rate").and_then(|node| {
        let least = bit_rate.unwrap_or(*BIT_RATES.start());
        value::whole(node, "data_rate", least..=FASTEST, out)
    });
    let fd = data_rate.map(|rate| Fd { tx_dl: 64, switch_rate: Some(rate) != bit_rate });
    let asks = keys.table.entries.iter().any(|entry| KEYS.iter().skip(3).any(|key| *key == entry.key));
    let services = keys.get("services").and_then(|node| services(node, out));
    let effects = effects::read(keys.get("effects"), services, out);
    let start =
        keys.get("start").and_then(|node| value::word(node, "start", &[("iso15765-4", Start::Iso15765_4)], out));
    let (mut unit, mut alive) = (None, None);
    if asks {
        let addresses = addresses::read(keys, out);
        let padding = keys.need("padding", "0xCC", out).and_then(|node| padding(node, out));
        let times = timing::read(keys.get("timing"), start, out);
        alive = keys.need("keep_alive", "\"none\"", out).and_then(|node| keep_alive(node, out)).flatten();
        if let (Some(addresses), Some(padding)) = (addresses, padding) {
            started(keys, start, addresses.functional, padding, data_rate.is_some(), out);
            let flow = Flow { block_size: times.block_size, st_min: times.st_min, ..isotp::Line::CLASSIC.flow };
            unit = Some(CanUnit {
                path: addresses.path,
                functional: addresses.functional,
                line: isotp::Line { speed: None, frames: Frames { padding, fd }, flow, timing: times.network },
                p2_max: times.p2_max,
                p2_star_max: times.p2_star_max,
                s3: times.s3,
            });
        }
    }
    if out.list.len() > before {
        return None;
    }
    Some(Can {
        bit_rate: u32::try_from(bit_rate?).ok()?,
        data_rate: data_rate.and_then(|rate| u32::try_from(rate).ok()),
        start,
        unit,
        services,
        keep_alive: alive,
        effects: Cow::Owned(effects),
    })
}

/// A byte, or `"none"`; the inner option is whether there is one.
fn padding(node: &Node, out: &mut Findings<'_>) -> Option<Option<u8>> {
    match &node.item {
        Item::Text(word) if word == "none" => Some(None),
        Item::Text(word) => {
            let message = format!("`padding` cannot be \"{word}\"");
            out.push(
                Diagnostic::new(codes::WRONG_WORD, node.span.clone(), message)
                    .expected("a byte like 0xCC, or \"none\""),
            );
            None
        }
        _ => value::byte(node, "padding", out).map(Some),
    }
}

/// ISO 15765-4 clause 4: 01 00 to all, in full frames.
fn started(
    keys: &Keys<'_>,
    start: Option<Start>,
    functional: Option<Address>,
    padding: Option<u8>,
    fd: bool,
    out: &mut Findings<'_>,
) {
    let (Some(_), Some(node)) = (start, keys.get("start")) else { return };
    let id = functional.map(|address| match address.id() {
        Id::Standard(id) => u32::from(id),
        Id::Extended(id) => id,
    });
    if functional.is_none_or(|address| address.first_byte().is_some()) || !id.is_some_and(|id| OBD.contains(&id)) {
        let message = "a start as ISO 15765-4 has it asks all units at 7DF or 18DB33F1";
        out.push(Diagnostic::new(codes::LINE_KEYS, node.span.clone(), message).expected(
            "`functional_id = \"7DF\"` with `addressing = \"normal\"`, or `functional = 0x33` and `tester = 0xF1` with \
             \"normal-fixed\"",
        ));
    }
    if fd {
        let message = "a start as ISO 15765-4 has it knows classic frames only";
        out.push(Diagnostic::new(codes::LINE_KEYS, node.span.clone(), message).expected("a line without `data_rate`"));
    }
    if padding.is_none() {
        out.push(padding_needed(node.span.clone(), &format!("`start = \"{}\"`", "iso15765-4")));
    }
}

/// ISO 15765-4:2005 clause 7: a frame with less than eight bytes is not looked at.
pub(crate) fn padding_needed(span: crate::source::Span, what: &str) -> Diagnostic {
    let message = format!("{what} needs frames of eight bytes, this line's are as short as their content");
    Diagnostic::new(codes::PADDING_NEEDED, span, message)
        .label("units ignore shorter frames (ISO 15765-4 clause 7)")
        .expected("`padding = 0xCC` in [line], or another byte")
}
