//! What a record that is a frame of the bus says beside its channels: counter, checksum, what we send.

use std::format;

use tickover_framing::can::Id;

use super::{At, Findings, Keys, can_id, value};
use crate::compiled::{ChecksumMethod, Counter, Direction, FrameChecksum, FrameRules};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Span};

/// Keys of a record that go with a frame alone.
pub(crate) const KEYS: [&str; 4] = ["counter", "checksum", "send", "fill"];
/// The last byte of the longest frame.
const LAST: i128 = 63;

/// A frame as it is written.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Frame {
    pub(crate) direction: Direction,
    pub(crate) counter: Option<At<Counter>>,
    pub(crate) checksum: Option<At<FrameChecksum>>,
}

impl Frame {
    /// As they are compiled.
    pub(crate) fn rules(&self) -> FrameRules {
        FrameRules {
            direction: self.direction,
            counter: self.counter.as_ref().map(|counter| counter.value),
            checksum: self.checksum.as_ref().map(|checksum| checksum.value),
        }
    }
}

/// The identifier of a `send`.
pub(crate) fn sent(node: &Node, out: &mut Findings<'_>) -> Option<Id> {
    let table = value::table(node, "send", out)?;
    let keys = Keys::new(table, "`send`", &["frame"], &[], out);
    keys.need("frame", "\"3D9\"", out).and_then(|node| can_id::id(node, "frame", out))
}

/// Counter, checksum and fill of a frame; `None` if something is wrong or missing.
pub(crate) fn read(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<Frame> {
    let before = out.list.len();
    let counter = keys.get("counter").and_then(|node| counter(node, out));
    let checksum = keys.get("checksum").and_then(|node| checksum(node, out));
    let direction = if keys.get("send").is_some() {
        let fill = keys.need("fill", "0xFF", out).and_then(|node| value::byte(node, "fill", out));
        fill.map(|fill| Direction::Sent { fill })
    } else {
        only_sent(keys, "fill", "what stands where no channel writes", out);
        Some(Direction::Heard)
    };
    let direction = direction.filter(|_| out.list.len() == before)?;
    Some(Frame { direction, counter, checksum })
}

/// Reports the keys of frames in a record that is asked for.
pub(crate) fn refuse(keys: &Keys<'_>, out: &mut Findings<'_>) {
    for key in KEYS {
        if let Some(entry) = keys.entry(key) {
            let message = format!("`{key}` belongs to a frame, and this record is asked for");
            out.push(
                Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), message)
                    .expected("`read = { frame = \"1B4\" }`, or the record without it"),
            );
        }
    }
}

fn only_sent(keys: &Keys<'_>, key: &str, what: &str, out: &mut Findings<'_>) {
    if let Some(entry) = keys.entry(key) {
        let message = format!("`{key}` goes with `send`");
        out.push(Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), message).label(what));
    }
}

fn counter(node: &Node, out: &mut Findings<'_>) -> Option<At<Counter>> {
    let table = value::table(node, "counter", out)?;
    let keys = Keys::new(table, "a counter", &["at", "bits"], &[], out);
    let at = place(&keys, out);
    let bits = keys.need("bits", "\"0..3\"", out).and_then(|node| value::range(node, "bits", 0..=7, out));
    let At { value: (first, last), .. } = bits?;
    let (low_bit, width) = (u8::try_from(first).ok()?, u8::try_from(last - first + 1).ok()?);
    Some(At { value: Counter { at: at?, low_bit, width }, span: node.span.clone() })
}

fn checksum(node: &Node, out: &mut Findings<'_>) -> Option<At<FrameChecksum>> {
    let table = value::table(node, "checksum", out)?;
    let keys = Keys::new(table, "a checksum", &["at", "method", "over", "start"], &[], out);
    let at = place(&keys, out);
    let methods =
        [("xor8", ChecksumMethod::Xor8), ("sum8", ChecksumMethod::Sum8), ("negated sum8", ChecksumMethod::NegatedSum8)];
    let method = keys.need("method", "\"xor8\"", out).and_then(|node| value::word(node, "method", &methods, out));
    let over = keys.need("over", "\"0..6\"", out).and_then(|node| value::range(node, "over", 0..=LAST, out));
    let start = keys.need("start", "0", out).and_then(|node| value::byte(node, "start", out));
    let At { value: (first, last), span } = over?;
    let over = (u16::try_from(first).ok()?, u16::try_from(last).ok()?);
    let at = at?;
    if (over.0..=over.1).contains(&at) {
        guards_itself(at, span, out);
        return None;
    }
    Some(At { value: FrameChecksum { at, method: method?, over, start: start? }, span: node.span.clone() })
}

fn guards_itself(at: u16, span: Span, out: &mut Findings<'_>) {
    let message = format!("the checksum stands in byte {at}, which is among those that it guards");
    out.push(Diagnostic::new(codes::FRAME_RULES, span, message).expected("bytes without the checksum's own"));
}

fn place(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<u16> {
    let at = keys.need("at", "6", out).and_then(|node| value::whole(node, "at", 0..=LAST, out))?;
    u16::try_from(at).ok()
}
