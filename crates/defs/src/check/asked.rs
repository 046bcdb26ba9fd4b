//! `services-needed`, `padding-needed`, `response-too-long`: a read is one that the line's services have, and fits its
//! messages.
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
use crate::compiled::{Line, Pattern, Read, Template, TemplatePart};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::line::padding_needed;
use crate::source::Span;

/// Most bytes of a message with a length byte (ISO 14230-2 4.1.4).
const LONGEST_K_LINE: usize = 255;
/// Most bytes of a message without the escape sequence (ISO 15765-2:2016 table 9).
const LONGEST_CAN: usize = 4095;

/// Whether the line can carry the request and its longest answer; what is against it is reported.
pub(crate) fn fits(
    (read, request, answer): (&Read, &Template, &Pattern),
    longest: u16,
    lines: &Lines,
    span: &Span,
    out: &mut Findings<'_>,
) -> bool {
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
    let first = request.0.first();
    if first.is_some_and(|part| matches!(part, TemplatePart::Byte(service) if J1979.contains(service)))
        && let Some(unit) = lines.can().and_then(|line| line.unit.as_ref())
        && unit.line.frames.padding.is_none()
    {
        // It is the line that is mistaken: said once.
        if !out.list.iter().any(|found| found.code == codes::PADDING_NEEDED) {
            out.push(padding_needed(span.clone(), "this read"));
        }
        return false;
    }
    of_services(read, lines, span, out)
}

/// The same number means different things in ISO 14230-3 and ISO 14229-1: the word says which is meant.
fn of_services(read: &Read, lines: &Lines, span: &Span, out: &mut Findings<'_>) -> bool {
    let Some(line) = lines.judge() else { return true };
    let (meant, instead) = match read {
        Read::DataIdentifier(_) => (Services::Iso14229, "common_identifier"),
        Read::CommonIdentifier(_) => (Services::Iso14230, "data_identifier"),
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
