//! Fields: the bytes that `at` names, in the order that `data` names; bits numbered from the least significant.

use alloc::borrow::Cow;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::compiled::{Coding, Field};
use crate::value::{Invalid, Raw};

/// What a raw value is before codes, states and conversion.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Content {
    /// A whole number.
    Whole(i128),
    /// A finite float.
    Float(f64),
    /// Text, or the bytes as hex text.
    Text(String),
    /// Nothing valid, whatever the definition says.
    Bad(Invalid),
}

impl Content {
    /// The number that codes and states are looked up by; of a float its bit pattern.
    pub(crate) fn key(&self, raw: &Raw) -> Option<i128> {
        match (self, raw) {
            (Self::Whole(whole), _) => Some(*whole),
            (Self::Float(_) | Self::Bad(_), Raw::Unsigned(bits)) => Some(i128::from(*bits)),
            _ => None,
        }
    }
}

/// The raw value of a field; `None` if the data end before it.
pub fn raw(field: &Field, data: &[u8]) -> Option<Raw> {
    let mut bytes = field.bytes.iter().map(|offset| data.get(usize::from(*offset)).copied());
    match field.coding {
        Coding::Ascii | Coding::Bcd | Coding::Hex => {
            let bytes: Option<Vec<u8>> = bytes.collect();
            Some(Raw::Bytes(Cow::Owned(bytes?)))
        }
        Coding::Unsigned | Coding::Signed | Coding::Float => {
            let all = bytes.try_fold(0u64, |bits, byte| byte.map(|byte| bits << 8 | u64::from(byte)))?;
            let width = u32::from(field.width.clamp(1, 64));
            let bits = all.checked_shr(u32::from(field.low_bit)).unwrap_or(0) & (u64::MAX >> (64 - width));
            if field.coding == Coding::Signed {
                let unused = 64 - width;
                return Some(Raw::Signed((bits << unused) as i64 >> unused));
            }
            Some(Raw::Unsigned(bits))
        }
    }
}

/// What a raw value says in this field's coding.
pub(crate) fn content(field: &Field, raw: &Raw) -> Content {
    match (raw, field.coding) {
        (Raw::Unsigned(bits), Coding::Float) => float(*bits, field.width),
        (Raw::Unsigned(value), _) => Content::Whole(i128::from(*value)),
        (Raw::Signed(value), _) => Content::Whole(i128::from(*value)),
        (Raw::Bytes(bytes), Coding::Bcd) => digits(bytes),
        (Raw::Bytes(bytes), Coding::Hex) => Content::Text(hex(bytes)),
        (Raw::Bytes(bytes), _) => ascii(bytes),
    }
}

fn float(bits: u64, width: u8) -> Content {
    let float = if width <= 32 { f64::from(f32::from_bits(bits as u32)) } else { f64::from_bits(bits) };
    if float.is_finite() { Content::Float(float) } else { Content::Bad(Invalid::NotANumber) }
}

/// Two decimal digits a byte, the first the most significant.
fn digits(bytes: &[u8]) -> Content {
    let mut number = 0i128;
    for nibble in bytes.iter().flat_map(|byte| [byte >> 4, byte & 0x0F]) {
        if nibble > 9 {
            return Content::Bad(Invalid::NotADigit);
        }
        match number.checked_mul(10).and_then(|number| number.checked_add(i128::from(nibble))) {
            Some(more) => number = more,
            None => return Content::Bad(Invalid::Overflow),
        }
    }
    Content::Whole(number)
}

/// Printable ASCII; trailing 00, FF and blanks are padding.
fn ascii(bytes: &[u8]) -> Content {
    let used = bytes.iter().rposition(|byte| !matches!(byte, 0x00 | 0xFF | b' ')).map_or(0, |last| last + 1);
    let text = bytes.get(..used).unwrap_or(&[]);
    if text.iter().all(|byte| (0x20..=0x7E).contains(byte)) {
        Content::Text(text.iter().map(|byte| char::from(*byte)).collect())
    } else {
        Content::Bad(Invalid::NotText)
    }
}

/// Two hex digits a byte, with blanks between, as bytes are written everywhere.
fn hex(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 3);
    for byte in bytes {
        if !text.is_empty() {
            text.push(' ');
        }
        text.push_str(&format!("{byte:02X}"));
    }
    text
}
