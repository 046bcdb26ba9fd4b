//! `services-needed`, `padding-needed`, `response-too-long`, `line-keys`: the line asks, a read is one that its services
//! have, and fits its messages.
//!
//! ```toml
//! [line]
//! type = "can"
//! padding = "none"
//! [record.speed]
//! read = { pid = 0x0C }      # units ignore shorter frames
//! ```

use std::format;

use crate::compile::Lines;
use crate::compiled::line::{J1979, Services};
use crate::compiled::{EmissionDtc, FaultRead, Line, Pattern, Read, Several, SeveralOf, Template, TemplatePart};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::line::padding_needed;
use crate::model::{self, At, Findings};
use crate::source::Span;

/// Most bytes of a message with a length byte (ISO 14230-2 4.1.4).
const LONGEST_K_LINE: usize = 255;
/// Every so many identifiers one says which of the next there are (SAE J1979; from memory).
const MASK: u8 = 0x20;
/// Most bytes of a message without the escape sequence (ISO 15765-2:2016 table 9).
const LONGEST_CAN: usize = 4095;

/// Whether the line asks at all; a bus that is only listened to is reported.
pub(crate) fn can_be(lines: &Lines, span: &Span, out: &mut Findings<'_>) -> bool {
    if lines.only_listens() {
        let message = "nothing is asked on a line that is only listened to";
        out.push(Diagnostic::new(codes::LINE_KEYS, span.clone(), message).expected(
            "what comes by itself, like `read = { frame = \"1B4\" }`; or `addressing`, identifiers, `padding` and \
             `keep_alive` in [line]",
        ));
    }
    !lines.only_listens()
}

/// Whether the line can carry the request and its longest answer; what is against it is reported.
pub(crate) fn fits(
    (read, request, answer): (&Read, &Template, &Pattern),
    longest: u16,
    lines: &Lines,
    span: &Span,
    out: &mut Findings<'_>,
) -> bool {
    let comes_by_itself = request.0.is_empty();
    if !comes_by_itself && !can_be(lines, span, out) {
        return false;
    }
    let (bus, most) = match lines.judge() {
        Some(Line::KLine(_)) => ("a K-line", LONGEST_K_LINE),
        Some(Line::Can(_)) => ("a CAN line", LONGEST_CAN),
        // A base serves any line: whoever extends it is told.
        None => ("any line", LONGEST_CAN),
    };
    let whole = usize::from(longest).saturating_add(answer.0.len());
    if whole > most || request.0.len() > most {
        let message = format!("a response of {whole} bytes does not fit a message of {bus}");
        out.push(
            Diagnostic::new(codes::RESPONSE_TOO_LONG, span.clone(), message)
                .expected(format!("at most {most} bytes with the service byte and the echo")),
        );
        return false;
    }
    let service = match request.0.first() {
        Some(TemplatePart::Byte(service)) => Some(*service),
        _ => None,
    };
    full_frames(service, lines, span, out) && of_services(read, lines, span, out)
}

/// Whether the line's services take several identifiers; what is against it is reported.
pub(crate) fn several(services: &model::service::Services, lines: &Lines, out: &mut Findings<'_>) {
    for At { value: Several { of, .. }, span } in &services.several {
        let read = match of {
            SeveralOf::DataIdentifier => Read::DataIdentifier(0),
            SeveralOf::CommonIdentifier => Read::CommonIdentifier(0),
            SeveralOf::LocalIdentifier => Read::LocalIdentifier(0),
            SeveralOf::Pid => Read::Pid(0),
        };
        if can_be(lines, span, out)
            && of_services(&read, lines, span, out)
            && *of == SeveralOf::Pid
            && matches!(lines.judge(), Some(Line::KLine(_)))
        {
            let message = "on a K-line a request of SAE J1979 has one PID";
            out.push(Diagnostic::new(codes::LINE_KEYS, span.clone(), message).expected("no `several`, or a CAN line"));
        }
    }
}

/// Whether fault codes can be read so on this line; what is against it is reported.
pub(crate) fn faults(read: &At<FaultRead>, lines: &Lines, out: &mut Findings<'_>) {
    let At { value, span } = read;
    if !can_be(lines, span, out) {
        return;
    }
    let request: &[u8] = match value {
        FaultRead::DtcByStatus { status, group } => {
            let [high, low] = group.to_be_bytes();
            &[0x18, *status, high, low]
        }
        FaultRead::DtcByStatusMask { mask } => &[0x19, 0x02, *mask],
        FaultRead::EmissionDtc(EmissionDtc::Stored) => &[0x03],
        FaultRead::EmissionDtc(EmissionDtc::Pending) => &[0x07],
        FaultRead::EmissionDtc(EmissionDtc::Permanent) => &[0x0A],
    };
    let line = lines.judge();
    if matches!(value, FaultRead::DtcByStatusMask { .. })
        && line.is_some_and(|line| line.services() != Some(Services::Iso14229))
    {
        let message = "`dtc_by_status_mask` is of ISO 14229-1, and [line] does not name its services";
        out.push(
            Diagnostic::new(codes::SERVICES_NEEDED, span.clone(), message)
                .expected("`services = \"iso14229\"` in [line], or `dtc_by_status`"),
        );
        return;
    }
    if matches!(value, FaultRead::EmissionDtc(EmissionDtc::Permanent)) && matches!(line, Some(Line::KLine(_))) {
        let message = "permanent codes (service 0A) are read on CAN only";
        out.push(Diagnostic::new(codes::LINE_KEYS, span.clone(), message).expected("\"stored\" or \"pending\""));
        return;
    }
    if full_frames(request.first().copied(), lines, span, out) {
        super::effect::only_reads(request, lines, span, out);
    }
}

/// Whether frames are as long as SAE J1979 wants them, if the service is one of its.
fn full_frames(service: Option<u8>, lines: &Lines, span: &Span, out: &mut Findings<'_>) -> bool {
    let short = lines.can().and_then(|line| line.unit.as_ref()).is_some_and(|unit| unit.line.frames.padding.is_none());
    if !short || !service.is_some_and(|service| J1979.contains(&service)) {
        return true;
    }
    // It is the line that is mistaken: said once.
    if !out.list.iter().any(|found| found.code == codes::PADDING_NEEDED) {
        out.push(padding_needed(span.clone(), "this read"));
    }
    false
}

/// The same number means different things in ISO 14230-3 and ISO 14229-1: the word says which is meant.
fn of_services(read: &Read, lines: &Lines, span: &Span, out: &mut Findings<'_>) -> bool {
    let Some(line) = lines.judge() else { return true };
    let (meant, instead) = match read {
        Read::DataIdentifier(_) => (Services::Iso14229, "common_identifier"),
        Read::CommonIdentifier(_) => (Services::Iso14230, "data_identifier"),
        Read::InfoType(id) if id % MASK == 0 => {
            let message = format!("info type {id:02X} says which others there are, and has no count before its data");
            out.push(
                Diagnostic::new(codes::NOT_IN_VERSION, span.clone(), message)
                    .expected("a type that carries data, like 0x02 for the vehicle identification number"),
            );
            return false;
        }
        Read::InfoType(_) if matches!(line, Line::KLine(_)) => {
            let message = "an `info_type` on a K-line is not in this version: its answer comes in several messages";
            out.push(Diagnostic::new(codes::NOT_IN_VERSION, span.clone(), message).expected("a line of type \"can\""));
            return false;
        }
        _ => return true,
    };
    let (word, services) = match meant {
        Services::Iso14229 => ("data_identifier", "iso14229"),
        Services::Iso14230 => ("common_identifier", "iso14230"),
    };
    let found = match line.services() {
        Some(found) if found == meant => return true,
        // The bytes are the same as long as it is one identifier.
        None if meant == Services::Iso14230 => return true,
        None => Diagnostic::new(
            codes::SERVICES_NEEDED,
            span.clone(),
            format!("`{word}` is of ISO 14229-1, and [line] does not say whose services hold"),
        )
        .expected(format!("`services = \"{services}\"` in [line]")),
        Some(_) => Diagnostic::new(
            codes::SERVICES_NEEDED,
            span.clone(),
            format!("`{word}` is not of the services that [line] names"),
        )
        .expected(format!("`{instead}` here, or `services = \"{services}\"` in [line]")),
    };
    out.push(found);
    false
}
