//! `[line.timing]`: the names of ISO 14230-2; what is not given has the standard's normal value.

use core::time::Duration;
use std::format;

use tickover_framing::kline::Timing;

use super::super::{Findings, Keys, time, value};
use super::{Bus, can, of_the_other};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Entry, Item, Node, Span};

/// A key and the field that it sets.
type Field = (&'static str, fn(&mut Timing) -> &mut Duration);

/// Keys of the times.
pub(super) const TIMES: [&str; 21] = [
    "p1_max",
    "p2_min",
    "p2_max",
    "p2_star_max",
    "p3_min",
    "p3_max",
    "p4_min",
    "p4_max",
    "w0_min",
    "w1_min",
    "w1_max",
    "w2_min",
    "w2_max",
    "w3_min",
    "w3_max",
    "w4_min",
    "w4_max",
    "w5_min",
    "t_idle",
    "t_inil",
    "t_wup",
];

const FIELDS: [Field; 20] = [
    ("p1_max", |t| &mut t.p1_max),
    ("p2_min", |t| &mut t.p2_min),
    ("p2_max", |t| &mut t.p2_max),
    ("p2_star_max", |t| &mut t.p2_star_max),
    ("p3_min", |t| &mut t.p3_min),
    ("p4_min", |t| &mut t.p4_min),
    ("p4_max", |t| &mut t.p4_max),
    ("w0_min", |t| &mut t.w0_min),
    ("w1_min", |t| &mut t.w1_min),
    ("w1_max", |t| &mut t.w1_max),
    ("w2_min", |t| &mut t.w2_min),
    ("w2_max", |t| &mut t.w2_max),
    ("w3_min", |t| &mut t.w3_min),
    ("w3_max", |t| &mut t.w3_max),
    ("w4_min", |t| &mut t.w4_min),
    ("w4_max", |t| &mut t.w4_max),
    ("w5_min", |t| &mut t.w5_min),
    ("t_idle", |t| &mut t.t_idle),
    ("t_inil", |t| &mut t.t_inil),
    ("t_wup", |t| &mut t.t_wup),
];
/// Pairs that bound the same gap.
const PAIRS: [(&str, &str); 8] = [
    ("p2_min", "p2_max"),
    ("p2_max", "p2_star_max"),
    ("p3_min", "p3_max"),
    ("p4_min", "p4_max"),
    ("w1_min", "w1_max"),
    ("w2_min", "w2_max"),
    ("w3_min", "w3_max"),
    ("w4_min", "w4_max"),
];

/// Reads the timing; mistakes leave the normal value.
pub(super) fn read(node: Option<&Node>, out: &mut Findings<'_>) -> Timing {
    let mut timing = Timing::NORMAL;
    let Some(table) = node.and_then(|node| value::table(node, "timing", out)) else { return timing };
    let other = |entry: &Entry| of_the_other(Bus::KLine, &TIMES, &can::TIMES, entry);
    let keys = Keys::with_others(table, "[line.timing]", &TIMES, other, out);
    for (key, field) in FIELDS {
        if let Some(found) = keys.get(key).and_then(|node| time::duration(node, key, out)) {
            *field(&mut timing) = found;
        }
    }
    if let Some(node) = keys.get("p3_max") {
        match &node.item {
            Item::Text(text) if text == "none" => timing.p3_max = None,
            _ => timing.p3_max = time::duration(node, "p3_max", out).or(timing.p3_max),
        }
    }
    for (least, most) in PAIRS {
        let (Some(low), Some(high)) = (get(&mut timing, least), get(&mut timing, most)) else { continue };
        let place = keys.entry(least).or_else(|| keys.entry(most));
        if let Some(entry) = place.filter(|_| low > high) {
            let span: Span = entry.value.span.clone();
            let message = format!("`{least}` ({low:?}) is above `{most}` ({high:?})");
            out.push(
                Diagnostic::new(codes::LINE_TIMING, span, message)
                    .expected("a least time not above the most; what is not given has the standard's normal value"),
            );
        }
    }
    timing
}

fn get(timing: &mut Timing, key: &str) -> Option<Duration> {
    match FIELDS.iter().find(|(name, _)| *name == key) {
        Some((_, field)) => Some(*field(timing)),
        None => timing.p3_max,
    }
}
