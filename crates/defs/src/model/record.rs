//! `[record]`: one request and the data bytes of its response.

use core::time::Duration;
use std::format;
use std::vec::Vec;

use tickover_framing::can::Id;

use super::frame::{self, Frame};
use super::{At, Findings, Keys, TextAt, bytes, can_id, keys, time, value, vector};
use crate::compiled::{Every, Pattern, Template};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Item, Node, Span, Table};

const KEYS: [&str; 11] =
    ["read", "length", "reserved", "session", "every", "check", "source", "counter", "checksum", "send", "fill"];
const LATER: [&str; 1] = ["entries"];
const READS: [&str; 10] = [
    "local_identifier",
    "common_identifier",
    "data_identifier",
    "identification",
    "pid",
    "info_type",
    "memory",
    "frame",
    "request",
    "answer",
];
const READS_LATER: [&str; 1] = ["input"];
/// The most data bytes of one record.
pub(crate) const LONGEST: i128 = 4095;

/// A record as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Record {
    pub(crate) read: At<Read>,
    /// Data bytes; `None` for memory.
    pub(crate) length: Option<At<(u16, u16)>>,
    pub(crate) reserved: Vec<At<(u16, u16)>>,
    pub(crate) session: Option<TextAt>,
    pub(crate) every: Every,
    /// Of a frame.
    pub(crate) frame: Option<Frame>,
    pub(crate) checks: Vec<vector::Response>,
    /// Whether it says where the facts come from.
    pub(crate) sourced: bool,
}

/// Where bytes come from.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Read {
    LocalIdentifier(u8),
    CommonIdentifier(u16),
    DataIdentifier(u16),
    Identification(u8),
    /// SAE J1979 service 01.
    Pid(u8),
    /// SAE J1979 service 09.
    InfoType(u8),
    /// An address space, both ends included.
    Memory(u32, u32),
    /// A frame that is heard, or sent by us.
    Frame(Id),
    Request(Template, Pattern),
}

/// Reads a record; `None` if something is wrong or missing.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Option<Record> {
    let before = out.list.len();
    let keys = Keys::new(table, "a record", &KEYS, &LATER, out);
    keys.exclusive(&["read", "send"], out);
    let source = match keys.get("send") {
        Some(node) => frame::sent(node, out).map(|id| At { value: Read::Frame(id), span: node.span.clone() }),
        None => keys.need("read", "{ local_identifier = 0x01 }", out).and_then(|node| read_key(node, out)),
    };
    let memory = matches!(source, Some(At { value: Read::Memory(..), .. }));
    let of_frame = |table: &Table| table.get("frame").is_some();
    let framed = keys.get("send").is_some() || keys.get("read").and_then(Node::as_table).is_some_and(of_frame);
    let frame = match &source {
        _ if framed => frame::read(&keys, out),
        Some(_) => {
            frame::refuse(&keys, out);
            None
        }
        None => None,
    };
    let length = if memory {
        memory_keys(&keys, out);
        None
    } else {
        keys.need("length", "22", out).and_then(|node| length(node, out))
    };
    let reserved = keys.get("reserved").map(|node| reserved(node, out)).unwrap_or_default();
    let session = keys.get("session").and_then(|node| value::text(node, "session", out));
    if let Some(entry) = keys.entry("session").filter(|_| framed) {
        let message = "a frame belongs to no session: nothing is asked for it";
        out.push(Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), message));
    }
    let every = if framed { period(&keys, out) } else { every(&keys, out) };
    let sent = keys.get("send").is_some();
    let checks = keys.get("check").map(|node| vector::responses(node, sent, out)).unwrap_or_default();
    let sourced = keys.get("source").and_then(|node| value::text(node, "source", out)).is_some();
    // Mistakes in checks do not keep the record from being used by others.
    let wrong = out.list.iter().skip(before).any(|found| found.code != codes::VECTOR_SHAPE);
    let read = source?;
    if wrong || (!memory && length.is_none()) || (framed && frame.is_none()) {
        return None;
    }
    Some(Record { read, length, reserved, session, every, frame, checks, sourced })
}

/// `every` of a frame: its period, or "on event".
fn period(keys: &Keys<'_>, out: &mut Findings<'_>) -> Every {
    let Some(node) = keys.need("every", "\"10 ms\"", out) else { return Every::OnEvent };
    match &node.item {
        Item::Text(text) if ["on event", "once"].contains(&&**text) && keys.get("send").is_some() => {
            let message = "a frame that we send has a period";
            out.push(
                Diagnostic::new(codes::FRAME_RULES, node.span.clone(), message).expected("a time like \"100 ms\""),
            );
            Every::OnEvent
        }
        Item::Text(text) if text == "on event" => Every::OnEvent,
        Item::Text(text) if text == "once" => {
            let message = "a frame comes by itself: nobody asks for it once";
            out.push(
                Diagnostic::new(codes::FRAME_RULES, node.span.clone(), message)
                    .expected("its period like \"10 ms\", or \"on event\""),
            );
            Every::OnEvent
        }
        _ => match time::duration(node, "every", out) {
            Some(Duration::ZERO) => {
                let message = "`every` is above zero";
                out.push(Diagnostic::new(codes::QUANTITY, node.span.clone(), message));
                Every::OnEvent
            }
            Some(period) => Every::Period(period),
            None => Every::OnEvent,
        },
    }
}

/// `every` of what is asked: "once".
pub(crate) fn every(keys: &Keys<'_>, out: &mut Findings<'_>) -> Every {
    let Some(node) = keys.get("every") else { return Every::Wanted };
    match &node.item {
        Item::Text(text) if text == "once" => {}
        Item::Text(text) if text == "on event" || text.contains(' ') => {
            let message = "only a frame has a period; how often this is read, the reader says";
            out.push(
                Diagnostic::new(codes::WRONG_WORD, node.span.clone(), message).expected("\"once\", or no `every`"),
            );
        }
        _ => {
            value::word(node, "every", &[("once", ())], out);
        }
    }
    Every::Once
}

/// `{ local_identifier = 0x01 }`
pub(crate) fn read_key(node: &Node, out: &mut Findings<'_>) -> Option<At<Read>> {
    let table = value::table(node, "read", out)?;
    let keys = Keys::new(table, "`read`", &READS, &READS_LATER, out);
    let [sources @ .., _answer] = READS;
    keys.exclusive(&sources, out);
    let one = |key: &str, most: i128, out: &mut Findings<'_>| {
        keys.get(key).and_then(|node| value::whole(node, key, 0..=most, out))
    };
    let read = if let Some(id) = one("local_identifier", 0xFF, out) {
        Read::LocalIdentifier(u8::try_from(id).ok()?)
    } else if let Some(id) = one("common_identifier", 0xFFFF, out) {
        Read::CommonIdentifier(u16::try_from(id).ok()?)
    } else if let Some(id) = one("data_identifier", 0xFFFF, out) {
        Read::DataIdentifier(u16::try_from(id).ok()?)
    } else if let Some(id) = one("identification", 0xFF, out) {
        Read::Identification(u8::try_from(id).ok()?)
    } else if let Some(id) = one("pid", 0xFF, out) {
        Read::Pid(u8::try_from(id).ok()?)
    } else if let Some(id) = one("info_type", 0xFF, out) {
        Read::InfoType(u8::try_from(id).ok()?)
    } else if let Some(node) = keys.get("memory") {
        let At { value: (first, last), .. } = value::range(node, "memory", 0..=i128::from(u32::MAX), out)?;
        Read::Memory(u32::try_from(first).ok()?, u32::try_from(last).ok()?)
    } else if let Some(node) = keys.get("frame") {
        Read::Frame(can_id::id(node, "frame", out)?)
    } else if let Some(node) = keys.get("request") {
        let request = bytes::template(node, "request", &["code"], out);
        let answer = keys.need("answer", "\"C6\"", out).and_then(|node| bytes::pattern(node, "answer", out));
        return Some(At { value: Read::Request(request?, answer?), span: node.span.clone() });
    } else {
        if table.entries.iter().all(|entry| entry.key == "answer") {
            let missing = Diagnostic::new(codes::MISSING_KEY, node.span.clone(), "`read` says what is asked for");
            out.push(missing.expected(keys::list(&sources)));
        }
        return None;
    };
    if let Some(entry) = keys.entry("answer") {
        out.push(
            Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), "`answer` goes with `request`")
                .label("the standard knows this answer"),
        );
        return None;
    }
    Some(At { value: read, span: node.span.clone() })
}

fn length(node: &Node, out: &mut Findings<'_>) -> Option<At<(u16, u16)>> {
    let At { value: (first, last), span } = value::range(node, "length", 1..=LONGEST, out)?;
    Some(At { value: (u16::try_from(first).ok()?, u16::try_from(last).ok()?), span })
}

fn reserved(node: &Node, out: &mut Findings<'_>) -> Vec<At<(u16, u16)>> {
    let items = value::items(node, "reserved", out).unwrap_or_default();
    items
        .iter()
        .filter_map(|item| {
            let At { value: (first, last), span } = value::range(item, "reserved", 0..=LONGEST - 1, out)?;
            Some(At { value: (u16::try_from(first).ok()?, u16::try_from(last).ok()?), span })
        })
        .collect()
}

/// A memory record has no response of its own.
fn memory_keys(keys: &Keys<'_>, out: &mut Findings<'_>) {
    for key in ["length", "reserved", "check"] {
        if let Some(entry) = keys.entry(key) {
            let span: Span = entry.key_span.clone();
            out.push(
                Diagnostic::new(codes::EXCLUSIVE_KEYS, span, format!("a memory record has no `{key}`"))
                    .label("it is an address space: what is wanted is asked for")
                    .expected("checks in its channels"),
            );
        }
    }
}
