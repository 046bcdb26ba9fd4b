//! `code-range`, `code-overlap`: each key of `invalid` and `states` is a raw value that the field can hold, and
//! has one meaning.
//!
//! ```toml
//! data = "i8"
//! invalid = { 0x80 = "open" }        # an i8 holds -128..127: -128
//! ```

use std::format;
use std::vec::Vec;

use crate::compile::Sheet;
use crate::compiled::Coding;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::channel::{Channel, Code, Origin};

pub(crate) fn check(sheet: &Sheet, out: &mut Findings<'_>) {
    for channel in sheet.channels.iter().filter_map(|named| named.value.as_ref()) {
        let all: Vec<&Code> = channel.invalid.iter().chain(&channel.states).collect();
        held(channel, &all, out);
        overlaps(&all, out);
    }
}

/// Among codes by their first value, one that begins before the furthest of those before it has ended overlaps.
fn overlaps(all: &[&Code], out: &mut Findings<'_>) {
    let mut sorted: Vec<&Code> = all.to_vec();
    sorted.sort_by_key(|code| code.first);
    let mut furthest: Option<&Code> = None;
    for code in sorted {
        if let Some(other) = furthest.filter(|other| other.last >= code.first) {
            // Told at the one that stands later in the file.
            let (before, code) = if other.span.start < code.span.start { (other, code) } else { (code, other) };
            let message = format!("raw value {} has two meanings: {} and {}", key(code), before.text, code.text);
            out.push(
                Diagnostic::new(codes::CODE_OVERLAP, code.span.clone(), message)
                    .label("overlaps")
                    .related(before.span.clone(), "with this"),
            );
        }
        if furthest.is_none_or(|other| other.last < code.last) {
            furthest = Some(code);
        }
    }
}

fn held(channel: &Channel, all: &[&Code], out: &mut Findings<'_>) {
    let Origin::Field { field, .. } = &channel.origin else { return };
    let Some((first, last)) = field.raw_range() else {
        if let Some(code) = all.first() {
            let message = "a text has no raw number to look up";
            out.push(Diagnostic::new(codes::CODE_RANGE, code.span.clone(), message));
        }
        return;
    };
    if let (Coding::Float, Some(code)) = (field.coding, all.iter().find(|code| !in_hex(code, out.text))) {
        let message = format!("{} is no bit pattern: codes of a float are its bits, in hex", key(code));
        out.push(
            Diagnostic::new(codes::CODE_RANGE, code.span.clone(), message)
                .expected("bits like 0x7FC00000, or a formula: `if raw == 9999 then invalid 'open' else raw`"),
        );
        return;
    }
    for code in all.iter().filter(|code| code.first < first || code.last > last) {
        let message = format!("the field cannot hold {}", key(code));
        let mut found = Diagnostic::new(codes::CODE_RANGE, code.span.clone(), message)
            .expected(format!("raw values from {first} to {last}"));
        // 0x80 of an i8 is written -128.
        let wrapped = code.first.checked_sub(last - first + 1).filter(|wrapped| (first..0).contains(wrapped));
        if let Some(wrapped) = wrapped.filter(|_| code.first == code.last) {
            found = found.suggest(code.span.clone(), format!("{wrapped}"), "the same bits as the signed number");
        }
        out.push(found);
    }
}

/// A number in decimal would be taken for the float's value, which it is not.
fn in_hex(code: &Code, text: &str) -> bool {
    let literal = text.get(code.span.clone()).unwrap_or_default().trim_matches(['"', '\'']);
    literal.split("..").all(|number| number.trim().to_ascii_lowercase().starts_with("0x"))
}

fn key(code: &Code) -> std::string::String {
    if code.first == code.last { format!("{}", code.first) } else { format!("{}..{}", code.first, code.last) }
}
