//! `total`: what counts and wraps is a whole number of one field, and its limits fit it.
//!
//! ```toml
//! [channel.fuel_used]
//! data = "u8"
//! total = { last = 0xFFFF, largest_step = 4000 }     # a u8 ends at 255
//! ```

use std::format;

use crate::compile::Sheet;
use crate::compiled::Coding;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::Origin;

pub(crate) fn check(sheet: &Sheet, out: &mut Findings<'_>) {
    for channel in sheet.channels.iter().filter_map(|named| named.value.as_ref()) {
        let Some(total) = &channel.total else { continue };
        let wrong = |message| Diagnostic::new(codes::TOTAL, total.span.clone(), message);
        let field = match &channel.origin {
            Origin::Field { field, .. } if field.coding == Coding::Unsigned => field,
            _ => {
                let message = "a total counts one unsigned field".into();
                out.push(wrong(message).expected("a `u` type, or a formula without `total`"));
                continue;
            }
        };
        if let Some(state) = channel.states.first() {
            let message = "what counts has no states".into();
            out.push(wrong(message).related(state.span.clone(), "the states"));
        }
        let (_, most) = field.raw_range().unwrap_or_default();
        let (last, largest_step) = (total.value.last, total.value.largest_step);
        if i128::from(last) > most {
            let message = format!("the field ends at {most}, before {last}");
            out.push(wrong(message).expected("the raw value after which it starts from 0 again"));
        } else if largest_step > last {
            let message = format!("no step is larger than {largest_step}: the counter has only {last} before it wraps");
            out.push(wrong(message).expected("the largest step from one reading to the next that can be true"));
        }
    }
}
