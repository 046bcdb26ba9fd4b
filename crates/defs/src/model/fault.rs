//! `[faults]` and `[fault]`: how codes are read and cleared, and what they mean.

use std::vec::Vec;

use super::procedure::read_steps;
use super::{At, Findings, Keys, TextAt, value};
use crate::compiled::{EmissionDtc, FaultRead, StatusCoding, Step};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Node, Table};

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
    let status = status(&keys, read.as_ref(), out);
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

/// How a status byte is coded: said where the standard leaves it open.
fn status(keys: &Keys<'_>, read: Option<&At<FaultRead>>, out: &mut Findings<'_>) -> Option<StatusCoding> {
    let words = [
        ("iso14230", StatusCoding::Iso14230),
        ("ssf14230", StatusCoding::Ssf14230),
        ("iso14229", StatusCoding::Iso14229),
    ];
    let node = keys.get("status");
    let found = node.and_then(|node| value::word(node, "status", &words, out));
    match read.map(|read| read.value) {
        Some(FaultRead::DtcByStatus { .. }) if node.is_none() => {
            keys.need("status", "\"iso14230\"", out);
            None
        }
        Some(FaultRead::DtcByStatusMask { .. }) => {
            if let Some(node) = node.filter(|_| found.is_some_and(|found| found != StatusCoding::Iso14229)) {
                let message = "the status of codes read by `dtc_by_status_mask` is that of ISO 14229-1";
                out.push(Diagnostic::new(codes::WRONG_WORD, node.span.clone(), message).expected("\"iso14229\""));
            }
            Some(StatusCoding::Iso14229)
        }
        Some(FaultRead::EmissionDtc(_)) => {
            if let Some(entry) = keys.entry("status") {
                let message = "codes read by `emission_dtc` come without a status";
                out.push(Diagnostic::new(codes::EXCLUSIVE_KEYS, entry.key_span.clone(), message));
            }
            None
        }
        _ => found,
    }
}

fn read_key(node: &Node, out: &mut Findings<'_>) -> Option<At<FaultRead>> {
    const READS: [&str; 3] = ["dtc_by_status", "dtc_by_status_mask", "emission_dtc"];
    let table = value::table(node, "read", out)?;
    let keys = Keys::new(table, "`read` of [faults]", &READS, &["record"], out);
    keys.exclusive(&READS, out);
    let value = if let Some(node) = keys.get("dtc_by_status_mask") {
        FaultRead::DtcByStatusMask { mask: value::byte(node, "dtc_by_status_mask", out)? }
    } else if let Some(node) = keys.get("emission_dtc") {
        let words =
            [("stored", EmissionDtc::Stored), ("pending", EmissionDtc::Pending), ("permanent", EmissionDtc::Permanent)];
        FaultRead::EmissionDtc(value::word(node, "emission_dtc", &words, out)?)
    } else if table.entry("record").is_some() {
        return None;
    } else {
        dtc_by_status(&keys, out)?
    };
    Some(At { value, span: node.span.clone() })
}

fn dtc_by_status(keys: &Keys<'_>, out: &mut Findings<'_>) -> Option<FaultRead> {
    let inner = keys.need("dtc_by_status", "{ status = 0x02, group = 0xFF00 }", out)?;
    let inner = value::table(inner, "dtc_by_status", out)?;
    let keys = Keys::new(inner, "`dtc_by_status`", &["status", "group"], &[], out);
    let status = keys.need("status", "0x02", out).and_then(|node| value::byte(node, "status", out));
    let group = keys.need("group", "0xFF00", out).and_then(|node| value::whole(node, "group", 0..=0xFFFF, out));
    Some(FaultRead::DtcByStatus { status: status?, group: u16::try_from(group?).ok()? })
}

/// The name of a record; `{ snapshot = .. }` and `{ pid_frame = .. }` are of later services.
fn freeze(node: &Node, out: &mut Findings<'_>) -> Option<TextAt> {
    if let Some(table) = node.as_table() {
        Keys::new(table, "`freeze`", &[], &["snapshot", "pid_frame"], out);
        return None;
    }
    value::text(node, "freeze", out)
}
