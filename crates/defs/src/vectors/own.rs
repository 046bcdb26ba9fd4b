//! A channel's own bytes, or its inputs.

use std::format;

use super::Count;
use super::compare::compare;
use super::given::Values;
use crate::compile::{Built, Catalog, Placed};
use crate::compiled::Channel;
use crate::decode;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::{self, Origin};
use crate::model::vector::Own;

/// Runs one check of a channel; of an array it is the first element that is asked.
pub(super) fn run(
    check: &Own,
    channel: &channel::Channel,
    placed: &Placed,
    built: &Built,
    catalog: &Catalog,
    out: &mut Findings<'_>,
) -> Count {
    let Some(compiled) = built.layout.channel(placed.id) else { return Count::default() };
    let Some(scope) = Values::given(&check.given, &built.layout, catalog, out) else { return Count::one(false) };
    let derived = matches!(channel.origin, Origin::Derived);
    let data = match (&check.bytes, derived) {
        (None, true) => std::vec::Vec::new(),
        (Some(bytes), false) => match data(bytes, channel, placed) {
            Ok(data) => data,
            Err(expected) => {
                let message = format!("the check gives {} bytes, `{}` has {expected}", bytes.len(), placed.name);
                out.push(
                    Diagnostic::new(codes::VECTOR_SHAPE, check.bytes_span.clone(), message)
                        .expected("the bytes that `at` names, in the order that it names them"),
                );
                return Count::one(false);
            }
        },
        (Some(_), true) => {
            let message = format!("`{}` comes from other channels and has no bytes", placed.name);
            out.push(
                Diagnostic::new(codes::VECTOR_SHAPE, check.bytes_span.clone(), message)
                    .expected("`given` with a value for each input"),
            );
            return Count::one(false);
        }
        (None, false) => {
            let message = format!("`{}` comes from a record: a check gives its bytes", placed.name);
            out.push(
                Diagnostic::new(codes::VECTOR_SHAPE, check.span.clone(), message)
                    .expected("`bytes`, and `given` for other channels that its formula reads"),
            );
            return Count::one(false);
        }
    };
    // Whether it is there in a response is shown by a whole response; here it is the conversion that counts.
    let always = Channel { when: None, ..compiled.clone() };
    let Some(reading) = decode::channel(&built.layout, &always, &data, &scope) else { return Count::one(false) };
    Count::one(compare(compiled, &check.want, &reading.value, &check.span, out))
}

/// Record data with the given bytes in their places; or how many bytes there should be.
fn data(bytes: &[u8], channel: &channel::Channel, placed: &Placed) -> Result<std::vec::Vec<u8>, usize> {
    let places: std::vec::Vec<u32> = match (&channel.origin, placed.fields.as_slice()) {
        (Origin::Field { .. }, [field]) => field.named.clone(),
        _ => {
            let all = placed.fields.iter().flat_map(|field| field.named.iter().copied());
            let (first, last) = (all.clone().min().unwrap_or(0), all.max().unwrap_or(0));
            (first..=last).collect()
        }
    };
    if places.len() != bytes.len() {
        return Err(places.len());
    }
    let len = places.iter().max().map_or(0, |last| *last as usize + 1);
    let mut data = std::vec![0; len];
    for (place, byte) in places.iter().zip(bytes) {
        if let Some(slot) = data.get_mut(*place as usize) {
            *slot = *byte;
        }
    }
    Ok(data)
}
