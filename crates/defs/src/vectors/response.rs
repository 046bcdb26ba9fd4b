//! A whole response, from the service byte on, or a whole frame.

use std::format;
use std::string::String;

use super::compare::compare;
use super::given::{Values, channel};
use super::{Count, sent};
use crate::compile::line::hex;
use crate::compile::{Built, Catalog};
use crate::compiled::{Channel, Direction, Field, Origin, Pattern, PatternByte, Record};
use crate::decode;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::vector::Response;

/// Runs one check of a record.
pub(super) fn run(
    check: &Response,
    record: &Record,
    built: &Built,
    catalog: &Catalog,
    out: &mut Findings<'_>,
) -> Count {
    if let Some(rules) = &record.frame {
        if rules.direction != Direction::Heard {
            return sent::run(check, record, built, catalog, out);
        }
        if let Err(wrong) = decode::frame(record, rules, &check.bytes, &mut None) {
            // A counter or checksum beyond the frame has been reported.
            if wrong.is_of_rules() {
                return Count::one(false);
            }
            out.push(
                Diagnostic::new(codes::VECTOR, check.span.clone(), format!("{wrong}"))
                    .label("a frame like this is not decoded"),
            );
            return Count::one(false);
        }
    }
    let Some(data) = record.answer.strip(&check.bytes) else {
        let got = check.bytes.get(..record.answer.0.len()).unwrap_or(&check.bytes);
        out.push(
            Diagnostic::new(codes::VECTOR, check.span.clone(), format!("no good response starts with {}", hex(got)))
                .label("the whole response, from the service byte on")
                .expected(format!("{}, then the data", pattern(&record.answer))),
        );
        return Count::one(false);
    };
    let readings = match decode::record(&built.layout, record, data, &decode::Nothing) {
        Ok(readings) => readings,
        Err(wrong) => {
            let at = match record.answer.0.len() {
                1 => String::from("the first byte"),
                len => format!("the first {len} bytes"),
            };
            out.push(
                Diagnostic::new(codes::VECTOR, check.span.clone(), format!("{wrong}"))
                    .label(format!("data begin after {at}")),
            );
            return Count::one(false);
        }
    };
    let mut values = Values::default();
    values.latest.extend(readings.into_iter().map(|reading| (reading.channel, reading.value)));
    values.derive(&built.layout);
    let mut count = Count::default();
    for named in &check.values {
        let Some(id) = channel(named, &built.layout, catalog, out) else {
            count += Count::one(false);
            continue;
        };
        let Some(compiled) = built.layout.channel(id) else { continue };
        let Some(came) = values.latest.get(&id) else {
            if beyond(compiled, record) {
                count += Count::one(false);
                continue;
            }
            let reason = match &compiled.origin {
                Origin::Derived => "it reads channels of other records",
                Origin::Field { record: of, .. } | Origin::Parts { record: of, .. } if *of == record.id => {
                    "its `when` does not hold, or the data end before it"
                }
                _ => "it is in another record",
            };
            let message = format!("this response has no `{}`: {reason}", named.name);
            out.push(Diagnostic::new(codes::VECTOR, named.name_span.clone(), message).label("no reading"));
            count += Count::one(false);
            continue;
        };
        count += Count::one(compare(compiled, &named.want, came, &named.span, out));
    }
    count
}

/// The field does not fit the record at all: that has been said.
fn beyond(channel: &Channel, record: &Record) -> bool {
    let outside = |field: &Field| field.bytes.iter().any(|place| *place >= record.length.1);
    match &channel.origin {
        Origin::Field { field, .. } => outside(field),
        Origin::Parts { parts, .. } => parts.iter().any(|part| outside(&part.field)),
        Origin::Derived => false,
    }
}

fn pattern(pattern: &Pattern) -> String {
    let mut out = String::new();
    for byte in pattern.0.iter() {
        match byte {
            PatternByte::Is(byte) => out += &format!("{byte:02X} "),
            PatternByte::Any => out += "?? ",
        }
    }
    out.trim_end().into()
}
