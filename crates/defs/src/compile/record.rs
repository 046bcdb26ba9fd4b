//! A record: request, answer, effect.

use std::borrow::Cow;
use std::format;
use std::vec::Vec;

use super::line::{Judged, Lines};
use crate::check;
use crate::compiled::{Every, FrameRules, Pattern, PatternByte, Read, Record, Template, TemplatePart};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::bytes::{exactly, fixed};
use crate::model::service::Services;
use crate::model::{self, Findings, TextAt};
use crate::source::Span;
use crate::value::RecordId;

/// Most data bytes of memory in one answer where nothing else is said: one length byte (ISO 14230-2 4.1.4)
/// without the service identifier.
const MEMORY_LONGEST: u16 = 254;
/// The last address of service 23 of ISO 14230-3: three bytes.
const LAST_ADDRESS: u32 = 0xFF_FFFF;

/// What a compiled record starts from.
pub(crate) struct Raw<'a> {
    pub(crate) id: RecordId,
    pub(crate) read: Asked<'a>,
    pub(crate) span: Span,
    pub(crate) length: (u16, u16),
    pub(crate) reserved: Vec<(u16, u16)>,
    pub(crate) every: Every,
    pub(crate) session: Option<&'a TextAt>,
    pub(crate) frame: Option<FrameRules>,
}

/// What is asked for.
pub(crate) enum Asked<'a> {
    Plain(&'a model::record::Read),
    Memory { address: u32, count: u16 },
}

/// Compiles a record; `None` if something is wrong with it.
pub(crate) fn compile(raw: Raw<'_>, lines: &Lines, services: &Services, out: &mut Findings<'_>) -> Option<Record> {
    let (read, request, answer) = match raw.read {
        Asked::Plain(model::record::Read::LocalIdentifier(id)) => {
            (Read::LocalIdentifier(*id), fixed(&[0x21, *id]), exactly(&[0x61, *id]))
        }
        Asked::Plain(model::record::Read::CommonIdentifier(id)) => {
            let [high, low] = id.to_be_bytes();
            (Read::CommonIdentifier(*id), fixed(&[0x22, high, low]), exactly(&[0x62, high, low]))
        }
        Asked::Plain(model::record::Read::Identification(id)) => {
            (Read::Identification(*id), fixed(&[0x1A, *id]), exactly(&[0x5A, *id]))
        }
        Asked::Plain(model::record::Read::DataIdentifier(id)) => {
            let [high, low] = id.to_be_bytes();
            (Read::DataIdentifier(*id), fixed(&[0x22, high, low]), exactly(&[0x62, high, low]))
        }
        Asked::Plain(model::record::Read::Pid(id)) => (Read::Pid(*id), fixed(&[0x01, *id]), exactly(&[0x41, *id])),
        Asked::Plain(model::record::Read::InfoType(id)) => {
            // On CAN the number of data items stands between echo and data (SAE J1979; from memory).
            let Pattern(echo) = exactly(&[0x49, *id]);
            let answer = echo.iter().copied().chain([PatternByte::Any]).collect();
            (Read::InfoType(*id), fixed(&[0x09, *id]), Pattern(answer))
        }
        Asked::Plain(model::record::Read::Request(request, answer)) => (Read::Request, request.clone(), answer.clone()),
        Asked::Plain(model::record::Read::Frame(id)) => (Read::Frame(*id), fixed(&[]), exactly(&[])),
        Asked::Plain(model::record::Read::Memory(..)) => return None,
        Asked::Memory { address, count } => {
            let (request, answer) = memory(address, count, &raw.span, services, out)?;
            (Read::Memory { address, count }, request, answer)
        }
    };
    if !check::asked::fits((&read, &request, &answer), raw.length.1, lines, &raw.span, out) {
        return None;
    }
    let session = match raw.session {
        None => None,
        Some(name) => match lines.session(&name.value) {
            Some(place) => Some(place),
            None => {
                out.push(super::sheet::unknown_name(
                    "session",
                    &name.value,
                    name.span.clone(),
                    lines.session_names(),
                    out,
                ));
                return None;
            }
        },
    };
    // What is put in later cannot change what a request does: it is judged with zeroes. A frame asks for nothing.
    let asks = raw.frame.is_none();
    let judged = request.fill(|_| Some(0)).filter(|_| asks).map(|bytes| lines.effect(&bytes));
    if judged.as_ref().is_some_and(|judged| *judged != Judged::NoLine) {
        let bytes = request.fill(|_| Some(0)).unwrap_or_default();
        if !check::effect::only_reads(&bytes, lines, &raw.span, out) {
            return None;
        }
    }
    Some(Record {
        id: raw.id,
        read,
        request,
        answer,
        length: raw.length,
        reserved: Cow::Owned(raw.reserved),
        every: raw.every,
        session,
        channels: Cow::Borrowed(&[]),
        frame: raw.frame,
    })
}

/// Most data bytes of memory that one answer may hold.
pub(crate) fn memory_longest(services: &Services) -> u16 {
    services.memory_longest.unwrap_or(MEMORY_LONGEST)
}

fn memory(
    address: u32,
    count: u16,
    span: &Span,
    services: &Services,
    out: &mut Findings<'_>,
) -> Option<(Template, Pattern)> {
    let value = |name: &str| match name {
        "address" => Some(u64::from(address)),
        "length" => Some(u64::from(count)),
        _ => None,
    };
    if let Some((request, answer)) = &services.memory {
        let Some(bytes) = request.fill(value) else {
            let message = format!("the address {address:#X} does not fit the request of [service.memory]");
            out.push(Diagnostic::new(codes::FIELD_OUTSIDE, span.clone(), message));
            return None;
        };
        return Some((fixed(&bytes), answer.clone()));
    }
    let [_, high, middle, low] = address.to_be_bytes();
    match u8::try_from(count) {
        Ok(count) if address <= LAST_ADDRESS => Some((fixed(&[0x23, high, middle, low, count]), exactly(&[0x63]))),
        _ => {
            let message = format!("service 23 cannot ask for {count} bytes at {address:#X}");
            out.push(
                Diagnostic::new(codes::FIELD_OUTSIDE, span.clone(), message)
                    .expected("an address of three bytes, up to 0xFFFFFF, and at most 255 bytes (ISO 14230-3)"),
            );
            None
        }
    }
}

/// Whether a request has a place for a fault code.
pub(crate) fn holds_code(request: &Template) -> bool {
    request.0.iter().any(|part| matches!(part, TemplatePart::Value(_)))
}
