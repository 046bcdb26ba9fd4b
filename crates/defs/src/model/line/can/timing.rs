//! `[line.timing]` of a CAN line: names of ISO 15765-2 and ISO 14229-2; what is not given has the standard's value.

use core::time::Duration;
use std::format;

use tickover_framing::isotp::{self, Timing};

use super::super::super::{Findings, Keys, time, value};
use super::super::{Bus, of_the_other, timing};
use crate::compiled::Start;
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Entry, Item, Node};

/// Keys of the times.
pub(crate) const TIMES: [&str; 11] =
    ["p2_max", "p2_star_max", "s3", "n_as", "n_ar", "n_bs", "n_br", "n_cs", "n_cr", "st_min", "block_size"];

/// A key and the field that it sets.
type Field = (&'static str, fn(&mut Times) -> &mut Duration);

/// Gaps that may be nothing at all: how long we or the unit rest before the next frame.
const MAY_BE_ZERO: [&str; 2] = ["n_br", "n_cs"];

const FIELDS: [Field; 8] = [
    ("p2_max", |t| &mut t.p2_max),
    ("p2_star_max", |t| &mut t.p2_star_max),
    ("n_as", |t| &mut t.network.n_as),
    ("n_ar", |t| &mut t.network.n_ar),
    ("n_bs", |t| &mut t.network.n_bs),
    ("n_br", |t| &mut t.network.n_br),
    ("n_cs", |t| &mut t.network.n_cs),
    ("n_cr", |t| &mut t.network.n_cr),
];

/// Times of the conversation.
#[derive(Clone, Copy, Debug)]
pub(super) struct Times {
    pub(super) network: Timing,
    pub(super) p2_max: Duration,
    pub(super) p2_star_max: Duration,
    pub(super) s3: Option<Duration>,
    /// As it stands in a frame.
    pub(super) st_min: u8,
    pub(super) block_size: u8,
}

impl Times {
    /// Network times as the line is started; P2 and S3 of ISO 14229-2:2013 tables 4 and 5.
    fn normal(start: Option<Start>) -> Self {
        let network = if start.is_some() { Timing::ISO15765_4 } else { Timing::ISO15765_2 };
        let isotp::Flow { block_size, st_min, .. } = isotp::Line::CLASSIC.flow;
        Self {
            network,
            p2_max: Duration::from_millis(50),
            p2_star_max: Duration::from_millis(5000),
            s3: Some(Duration::from_millis(5000)),
            st_min,
            block_size,
        }
    }
}

/// Reads the timing; mistakes leave the normal value.
pub(super) fn read(node: Option<&Node>, start: Option<Start>, out: &mut Findings<'_>) -> Times {
    let mut times = Times::normal(start);
    let Some(table) = node.and_then(|node| value::table(node, "timing", out)) else { return times };
    let other = |entry: &Entry| of_the_other(Bus::Can, &TIMES, &timing::TIMES, entry);
    let keys = Keys::with_others(table, "[line.timing]", &TIMES, other, out);
    for (key, field) in FIELDS {
        let Some(node) = keys.get(key) else { continue };
        let Some(found) = time::duration(node, key, out) else { continue };
        if found.is_zero() && !MAY_BE_ZERO.contains(&key) {
            no_time(node, key, out);
        } else {
            *field(&mut times) = found;
        }
    }
    if let Some(node) = keys.get("s3") {
        match &node.item {
            Item::Text(text) if text == "none" => times.s3 = None,
            _ => match time::duration(node, "s3", out) {
                Some(Duration::ZERO) => no_time(node, "s3", out),
                found => times.s3 = found.or(times.s3),
            },
        }
    }
    if let Some(found) = keys.get("st_min").and_then(|node| st_min(node, out)) {
        times.st_min = found;
    }
    if let Some(found) = keys.get("block_size").and_then(|node| value::byte(node, "block_size", out)) {
        times.block_size = found;
    }
    if times.p2_max > times.p2_star_max {
        let place = keys.get("p2_max").or_else(|| keys.get("p2_star_max")).map_or(0..0, |node| node.span.clone());
        let message = format!("`p2_max` ({:?}) is above `p2_star_max` ({:?})", times.p2_max, times.p2_star_max);
        out.push(Diagnostic::new(codes::LINE_TIMING, place, message).expected(
            "after \"response pending\" a unit has more time, not less; what is not given is the standard's",
        ));
    }
    times
}

fn no_time(node: &Node, key: &str, out: &mut Findings<'_>) {
    out.push(Diagnostic::new(codes::QUANTITY, node.span.clone(), format!("`{key}` is above zero")));
}

/// STmin as it stands in a flow control frame (ISO 15765-2:2016 table 20).
fn st_min(node: &Node, out: &mut Findings<'_>) -> Option<u8> {
    let wanted = time::duration(node, "st_min", out)?;
    let found = (0..=0x7F).chain(0xF1..=0xF9).find(|byte| length(*byte) == wanted);
    if found.is_none() {
        out.push(
            Diagnostic::new(codes::LINE_TIMING, node.span.clone(), format!("`st_min` cannot be {wanted:?}"))
                .expected("whole milliseconds up to 127 ms, or 100 us to 900 us in steps of 100 us"),
        );
    }
    found
}

const fn length(st_min: u8) -> Duration {
    match st_min {
        0..=0x7F => Duration::from_millis(st_min as u64),
        _ => Duration::from_micros((st_min - 0xF0) as u64 * 100),
    }
}
