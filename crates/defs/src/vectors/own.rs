//! A channel's own bytes, or its inputs.

use std::format;
use std::vec::Vec;

use super::compare::compare;
use super::given::Values;
use super::{Count, sent};
use crate::compile::{Built, Catalog, Placed};
use crate::compiled::Channel;
use crate::decode;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::{self, Origin};
use crate::model::vector::Own;
use crate::source::Span;

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
    let Some(mut scope) = Values::given(&check.given, &built.layout, catalog, out) else { return Count::one(false) };
    let Some(readings) = readings(check, channel, placed, out) else { return Count::one(false) };
    // Whether it is there in a response is shown by a whole response; here it is the conversion that counts.
    let always = Channel { when: None, ..compiled.clone() };
    let mut last = None;
    for data in &readings {
        let Some(reading) = decode::channel(&built.layout, &always, data, &scope) else { return Count::one(false) };
        let before = scope.counted.get(&placed.id).copied();
        scope.counted.extend(decode::counted(compiled, before, &reading).map(|counted| (placed.id, counted)));
        last = Some((reading, data));
    }
    let Some((reading, data)) = last else { return Count::one(false) };
    let held = compare(compiled, &check.want, &reading.value, &check.span, out)
        && sent::written(check, compiled, &reading, data, built, out);
    Count::one(held)
}

/// Record data of each reading; `None` after a mistake, which is reported.
fn readings(check: &Own, channel: &channel::Channel, placed: &Placed, out: &mut Findings<'_>) -> Option<Vec<Vec<u8>>> {
    let shape = |span: &Span, message, expected: &str| {
        Diagnostic::new(codes::VECTOR_SHAPE, span.clone(), message).expected(expected)
    };
    match (&check.bytes, matches!(channel.origin, Origin::Derived)) {
        (None, true) => Some(Vec::from([Vec::new()])),
        (Some(several), false) if several.len() > 1 && channel.total.is_none() => {
            let message = format!("what `{}` gives does not depend on the reading before", placed.name);
            out.push(shape(&check.bytes_span, message, "the bytes of one reading; several for a `total`"));
            None
        }
        (Some(several), false) => {
            let mut all = Vec::new();
            for bytes in several {
                match data(bytes, channel, placed) {
                    Ok(data) => all.push(data),
                    Err(expected) => {
                        let message =
                            format!("the check gives {} bytes, `{}` has {expected}", bytes.len(), placed.name);
                        let bytes = "the bytes that `at` names, in the order that it names them";
                        out.push(shape(&check.bytes_span, message, bytes));
                        return None;
                    }
                }
            }
            Some(all)
        }
        (Some(_), true) => {
            let message = format!("`{}` comes from other channels and has no bytes", placed.name);
            out.push(shape(&check.bytes_span, message, "`given` with a value for each input"));
            None
        }
        (None, false) => {
            let message = format!("`{}` comes from a record: a check gives its bytes", placed.name);
            out.push(shape(&check.span, message, "`bytes`, and `given` for other channels that its formula reads"));
            None
        }
    }
}

/// Record data with the given bytes in their places; or how many bytes there should be.
fn data(bytes: &[u8], channel: &channel::Channel, placed: &Placed) -> Result<Vec<u8>, usize> {
    let places: Vec<u32> = match (&channel.origin, placed.fields.as_slice()) {
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
