//! `field-outside`, `reserved-used`: a field lies within its record's data, and not in reserved bytes.
//!
//! ```toml
//! [record.engine]
//! length = 22                # bytes 0..21
//! [channel.speed]
//! at = 21
//! data = "u16be"             # bytes 21 and 22
//! ```

use std::format;

use crate::compile::{Built, Catalog, Placed, Sheet};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;

pub(crate) fn check(sheet: &Sheet, built: &Built, catalog: &Catalog, out: &mut Findings<'_>) {
    for named in &sheet.records {
        let Some(record) = &named.value else { continue };
        let (Some(id), Some(length)) = (catalog.record(&named.name), &record.length) else { continue };
        let (_, most) = length.value;
        for reserved in record.reserved.iter().filter(|reserved| reserved.value.1 >= most) {
            let message = format!("reserved byte {} is outside the record's {most} data bytes", reserved.value.1);
            out.push(
                Diagnostic::new(codes::FIELD_OUTSIDE, reserved.span.clone(), message)
                    .related(length.span.clone(), "the record's length"),
            );
        }
        for placed in built.placed.iter().filter(|placed| placed.record == Some(id)) {
            for field in &placed.fields {
                if let Some(place) = field.named.iter().find(|place| **place >= u32::from(most)) {
                    out.push(
                        Diagnostic::new(
                            codes::FIELD_OUTSIDE,
                            field.span.clone(),
                            format!("byte {place} of `{}` is outside the record's {most} data bytes", placed.name),
                        )
                        .label("the field does not fit")
                        .expected(format!("bytes from 0 to {}", most - 1))
                        .related(length.span.clone(), "the record's length"),
                    );
                    continue;
                }
                let inside = |range: &(u16, u16)| {
                    field.named.iter().any(|place| (u32::from(range.0)..=u32::from(range.1)).contains(place))
                };
                if let Some(reserved) = record.reserved.iter().find(|reserved| inside(&reserved.value)) {
                    out.push(used(placed, field.span.clone()).related(reserved.span.clone(), "reserved here"));
                }
            }
        }
    }
}

fn used(placed: &Placed, span: crate::source::Span) -> Diagnostic {
    let message = format!("`{}` uses a byte that the record calls reserved", placed.name);
    Diagnostic::new(codes::RESERVED_USED, span, message).label("not both")
}
