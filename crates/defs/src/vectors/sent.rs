//! Frames that we send: what is given must come out as the bytes.

use std::format;
use std::string::String;

use super::Count;
use super::given::Values;
use crate::compile::line::hex;
use crate::compile::{Built, Catalog};
use crate::compiled::{Channel, Origin, Record};
use crate::decode::{self, Nothing};
use crate::diagnostic::{Diagnostic, codes};
use crate::encode::{self, NotSent};
use crate::model::Findings;
use crate::model::vector::{Own, Response};
use crate::value::Reading;

/// Runs one check of a frame that we send.
///
/// A capture may come from anywhere in the count: the counter is taken as it stands in the bytes.
pub(super) fn run(
    check: &Response,
    record: &Record,
    built: &Built,
    catalog: &Catalog,
    out: &mut Findings<'_>,
) -> Count {
    let Some(mut values) = Values::given(&check.given, &built.layout, catalog, out) else { return Count::one(false) };
    values.derive(&built.layout);
    let counter = record.frame.and_then(|rules| rules.counter);
    let count = counter.and_then(|counter| counter.read(&check.bytes)).unwrap_or(0);
    match encode::frame(&built.layout, record, &values, count) {
        Ok(data) if data == check.bytes => Count::one(true),
        Ok(data) => {
            let message = format!("what is given makes {}, not {}", hex(&data), hex(&check.bytes));
            out.push(Diagnostic::new(codes::VECTOR, check.span.clone(), message).label(different(
                built,
                record,
                &data,
                &check.bytes,
            )));
            Count::one(false)
        }
        // What is wrong with a channel has been reported.
        Err(NotSent::Encode { .. } | NotSent::NotOurs) => Count::one(false),
        Err(why) => {
            let message = format!("this frame is not sent: {why}");
            out.push(
                Diagnostic::new(codes::VECTOR, check.span.clone(), message)
                    .expected("a value for each channel that the frame says, in `given`"),
            );
            Count::one(false)
        }
    }
}

/// Where the first difference lies.
fn different(built: &Built, record: &Record, made: &[u8], written: &[u8]) -> String {
    if made.len() != written.len() {
        return format!("the frame has {} bytes", made.len());
    }
    let Some(place) = made.iter().zip(written).position(|(made, written)| made != written) else {
        return String::from("the same");
    };
    let here = |channel: &&Channel| match &channel.origin {
        Origin::Field { field, .. } => field.bytes.iter().any(|byte| usize::from(*byte) == place),
        _ => false,
    };
    let channel = record.channels.iter().filter_map(|id| built.layout.channel(*id)).find(here);
    let checksum = record.frame.and_then(|rules| rules.checksum).is_some_and(|sum| usize::from(sum.at) == place);
    match channel {
        Some(channel) => format!("byte {place} holds `{}`", channel.name),
        None if checksum => format!("byte {place} is the checksum"),
        None => format!("byte {place} holds no channel"),
    }
}

/// Of a channel that we send: the way back gives the bytes that the check has.
pub(super) fn written(
    check: &Own,
    channel: &Channel,
    reading: &Reading,
    data: &[u8],
    built: &Built,
    out: &mut Findings<'_>,
) -> bool {
    let (Some(sent), Origin::Field { field, .. }) = (&channel.sent, &channel.origin) else { return true };
    let came = decode::raw(field, data);
    let made = match &reading.value {
        Ok(value) => encode::frame::meant(&built.layout, channel, field, value, sent.outside, &Nothing).ok(),
        Err(_) => encode::frame::code(channel, field),
    };
    if made == came {
        return true;
    }
    let message = format!("`{}` is not sent as these bytes", channel.name);
    out.push(
        Diagnostic::new(codes::VECTOR, check.bytes_span.clone(), message)
            .label("other bytes have the same meaning")
            .expected("the bytes that are sent for this value"),
    );
    false
}
