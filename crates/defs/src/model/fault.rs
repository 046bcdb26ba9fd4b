//! `[faults]` and `[fault]`: how codes are read and cleared, and what they mean.

use std::vec::Vec;

use super::procedure::read_steps;
use super::{At, Findings, Keys, TextAt, value};
use crate::compiled::{FaultRead, StatusCoding, Step};
use crate::source::{Node, Span, Table};

/// `[faults]` as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Faults {
    pub(crate) read: Option<At<FaultRead>>,
    pub(crate) status: Option<StatusCoding>,
    pub(crate) clear: Vec<At<Step>>,
    pub(crate) freeze: Option<TextAt>,
}

/// `[fault.X]` as it is written.
#[derive(Clone, Debug)]
pub(crate) struct Fault {
    pub(crate) text: TextAt,
    pub(crate) when: Option<TextAt>,
    pub(crate) with: Vec<TextAt>,
}

/// Reads `[faults]`; `None` if something is wrong or missing.
pub(crate) fn read_faults(table: &Table, out: &mut Findings<'_>) -> Option<Faults> {
    let keys = Keys::new(table, "[faults]", &["read", "status", "clear", "freeze", "source"], &[], out);
    let before = out.list.len();
    let read = keys.get("read").and_then(|node| read_key(node, out));
    let status = match (keys.get("status"), &read) {
        (Some(node), _) => {
            let words = [
                ("iso14230", StatusCoding::Iso14230),
                ("ssf14230", StatusCoding::Ssf14230),
                ("iso14229", StatusCoding::Iso14229),
            ];
            value::word(node, "status", &words, out)
        }
        (None, Some(_)) => {
            keys.need("status", "\"iso14230\"", out);
            None
        }
        (None, None) => None,
    };
    let clear = keys.get("clear").map(|node| read_steps(node, "clear", out)).unwrap_or(Some(Vec::new()));
    let freeze = keys.get("freeze").and_then(|node| freeze(node, out));
    (out.list.len() == before).then_some(Faults { read, status, clear: clear?, freeze })
}

/// Reads `[fault.X]`; `None` if something is wrong or missing.
pub(crate) fn read_fault(table: &Table, out: &mut Findings<'_>) -> Option<Fault> {
    let keys = Keys::new(table, "a fault", &["text", "when", "with", "source"], &[], out);
    let text = keys.need("text", "\"Mass air flow circuit, low input\"", out);
    let text = text.and_then(|node| value::text(node, "text", out));
    let when = keys.get("when").and_then(|node| value::text(node, "when", out));
    let with = keys.get("with").and_then(|node| value::texts(node, "with", out)).unwrap_or_default();
    Some(Fault { text: text?, when, with })
}

fn read_key(node: &Node, out: &mut Findings<'_>) -> Option<At<FaultRead>> {
    let table = value::table(node, "read", out)?;
    let later = ["dtc_by_status_mask", "emission_dtc", "record"];
    let keys = Keys::new(table, "`read` of [faults]", &["dtc_by_status"], &later, out);
    if table.entries.iter().any(|entry| later.contains(&entry.key.as_str())) {
        return None;
    }
    let inner = keys.need("dtc_by_status", "{ status = 0x02, group = 0xFF00 }", out)?;
    let inner = value::table(inner, "dtc_by_status", out)?;
    let keys = Keys::new(inner, "`dtc_by_status`", &["status", "group"], &[], out);
    let status = keys.need("status", "0x02", out).and_then(|node| value::byte(node, "status", out));
    let group = keys.need("group", "0xFF00", out).and_then(|node| value::whole(node, "group", 0..=0xFFFF, out));
    let span: Span = node.span.clone();
    Some(At { value: FaultRead::DtcByStatus { status: status?, group: u16::try_from(group?).ok()? }, span })
}

/// The name of a record; `{ snapshot = .. }` and `{ pid_frame = .. }` are of later services.
fn freeze(node: &Node, out: &mut Findings<'_>) -> Option<TextAt> {
    if let Some(table) = node.as_table() {
        Keys::new(table, "`freeze`", &[], &["snapshot", "pid_frame"], out);
        return None;
    }
    value::text(node, "freeze", out)
}
