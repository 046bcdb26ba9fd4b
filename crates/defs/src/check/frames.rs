//! `frame-rules`: a frame's length is one of the bus, and its counter and checksum stand in bytes of their own.
//!
//! ```toml
//! [record.drive]
//! read = { frame = "1B4" }
//! every = "10 ms"
//! length = 8
//! counter = { at = 8, bits = "0..3" }    # bytes 0..7
//! ```

use std::format;
use std::vec::Vec;

use tickover_framing::can;

use super::overlap::masks;
use crate::compile::{Built, Catalog, Lines, Sheet};
use crate::compiled::{Direction, Every, Line};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::frame::Frame;
use crate::model::record::{Read, Record};
use crate::source::Span;
use crate::value::RecordId;

/// Data bytes of a classic frame (ISO 11898-1).
const CLASSIC: u16 = 8;
/// More than eight data bytes come in these numbers (ISO 11898-1, CAN FD).
const FD: [u16; 7] = [12, 16, 20, 24, 32, 48, 64];

pub(crate) fn check(sheet: &Sheet, built: &Built, catalog: &Catalog, lines: &Lines, out: &mut Findings<'_>) {
    for named in &sheet.records {
        let Some(record) = &named.value else { continue };
        let Some(frame) = &record.frame else { continue };
        if !fits_line(record, lines, out) {
            continue;
        }
        length(record, frame, lines, out);
        period(record, lines, out);
        let Some(id) = catalog.record(&named.name) else { continue };
        let own = own(frame);
        within(record, &own, out);
        apart(record, id, &own, built, out);
    }
}

/// A part of a frame that is no channel's.
struct Own {
    what: &'static str,
    at: u16,
    mask: u8,
    /// The last byte that it needs.
    last: u16,
    span: Span,
}

fn own(frame: &Frame) -> Vec<Own> {
    let counter = frame.counter.as_ref().map(|counter| {
        let bits = counter.value.low_bit..counter.value.low_bit.saturating_add(counter.value.width);
        let mask = (0..8).filter(|bit| bits.contains(bit)).fold(0_u8, |mask, bit| mask | 1 << bit);
        let at = counter.value.at;
        Own { what: "the counter", at, mask, last: at, span: counter.span.clone() }
    });
    let checksum = frame.checksum.as_ref().map(|checksum| {
        let (at, last) = (checksum.value.at, checksum.value.at.max(checksum.value.over.1));
        Own { what: "the checksum", at, mask: 0xFF, last, span: checksum.span.clone() }
    });
    counter.into_iter().chain(checksum).collect()
}

/// Bits of each byte that counter and checksum take.
pub(crate) fn used(frame: &Frame) -> impl Iterator<Item = (u32, u8)> {
    own(frame).into_iter().map(|own| (u32::from(own.at), own.mask))
}

fn fits_line(record: &Record, lines: &Lines, out: &mut Findings<'_>) -> bool {
    let serial = matches!(lines.line(), Some(Line::KLine(_)));
    if serial {
        out.push(
            Diagnostic::new(codes::FRAME_RULES, record.read.span.clone(), "no frames come over a K-line")
                .label("a frame of a CAN bus")
                .expected("a line of type \"can\", or a read that asks"),
        );
    }
    !serial
}

fn length(record: &Record, frame: &Frame, lines: &Lines, out: &mut Findings<'_>) {
    let Some(length) = &record.length else { return };
    let (least, most) = length.value;
    let classic = matches!(lines.line(), Some(Line::Can(can)) if can.data_rate.is_none());
    let wrong =
        |message, expected: &str| Diagnostic::new(codes::FRAME_RULES, length.span.clone(), message).expected(expected);
    if most > CLASSIC && classic {
        let message = format!("a frame of this bus has at most {CLASSIC} bytes, not {most}");
        out.push(wrong(message, "at most 8, or `data_rate` in [line] if the bus has FD frames"));
    } else if let Some(odd) = [least, most].into_iter().find(|one| *one > CLASSIC && !FD.contains(one)) {
        let message = format!("no frame has {odd} bytes");
        out.push(wrong(message, "up to 8, or 12, 16, 20, 24, 32, 48, 64 in FD frames (ISO 11898-1)"));
    } else if least != most && frame.direction != Direction::Heard {
        out.push(wrong("a frame that we send has one length".into(), "one number"));
    }
}

/// Frames cannot follow one another faster than the bus carries them.
fn period(record: &Record, lines: &Lines, out: &mut Findings<'_>) {
    let (Every::Period(every), Read::Frame(id)) = (record.every, &record.read.value) else { return };
    let (Some(line), Some(length)) = (lines.can(), &record.length) else { return };
    let zeroes = [0; 64];
    let Some(data) = zeroes.get(..usize::from(length.value.0)) else { return };
    let frame = match line.data_rate {
        None => can::Frame::classic(*id, data),
        Some(rate) => can::Frame::fd(*id, data, rate != line.bit_rate),
    };
    let Some(takes) = frame.map(|frame| frame.time(line.bit_rate, line.data_rate)) else { return };
    if every < takes {
        let message = format!("every {every:?} is more often than the bus can carry this frame, which takes {takes:?}");
        out.push(
            Diagnostic::new(codes::FRAME_RULES, record.read.span.clone(), message)
                .expected("the period with its unit in `every`, like \"10 ms\""),
        );
    }
}

/// Counter and checksum are in every frame, also in the shortest.
fn within(record: &Record, own: &[Own], out: &mut Findings<'_>) {
    let Some(length) = &record.length else { return };
    let least = length.value.0;
    for own in own.iter().filter(|own| own.last >= least) {
        let message = format!("{} needs byte {}, the frame has {least}", own.what, own.last);
        out.push(
            Diagnostic::new(codes::FRAME_RULES, own.span.clone(), message)
                .expected(format!("bytes from 0 to {}", least.saturating_sub(1)))
                .related(length.span.clone(), "the frame's length"),
        );
    }
}

fn apart(record: &Record, id: RecordId, own: &[Own], built: &Built, out: &mut Findings<'_>) {
    if let [one, other] = own
        && one.at == other.at
    {
        let message = format!("{} and {} share byte {}", one.what, other.what, one.at);
        out.push(
            Diagnostic::new(codes::FIELD_OVERLAP, other.span.clone(), message)
                .label("overlaps")
                .related(one.span.clone(), "with this"),
        );
    }
    for own in own {
        let reserved = record.reserved.iter().find(|range| (range.value.0..=range.value.1).contains(&own.at));
        if let Some(reserved) = reserved {
            let message = format!("{} uses a byte that the record calls reserved", own.what);
            out.push(
                Diagnostic::new(codes::RESERVED_USED, own.span.clone(), message)
                    .label("not both")
                    .related(reserved.span.clone(), "reserved here"),
            );
        }
        let fields = built.placed.iter().filter(|placed| placed.record == Some(id));
        let fields = fields.flat_map(|placed| placed.fields.iter().map(move |field| (placed, field)));
        let clash = fields.into_iter().find(|(_, field)| {
            masks(field).into_iter().any(|(place, mask)| place == u32::from(own.at) && mask & own.mask != 0)
        });
        if let Some((placed, field)) = clash {
            let message = format!("`{}` and {} share bits of byte {}", placed.name, own.what, own.at);
            out.push(
                Diagnostic::new(codes::FIELD_OVERLAP, field.span.clone(), message)
                    .label("overlaps")
                    .expected("bits beside it")
                    .related(own.span.clone(), "with this"),
            );
        }
    }
}
