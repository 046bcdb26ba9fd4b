//! Raw values into bytes.

use alloc::borrow::Cow;
use alloc::vec;
use alloc::vec::Vec;

use super::EncodeError;
use crate::compiled::{Coding, Field};
use crate::value::Raw;

/// Writes a raw value into a record's data; bits beside the field stay as they are.
///
/// # Errors
/// [`EncodeError::TooShort`] if the data end before the field, [`EncodeError::DoesNotFit`] if the raw value is not one
/// that the field can hold. Nothing is written then.
pub fn raw(field: &Field, raw: &Raw, data: &mut [u8]) -> Result<(), EncodeError> {
    let needed = field.bytes.iter().map(|offset| usize::from(*offset) + 1).max().unwrap_or(0);
    if needed > data.len() {
        return Err(EncodeError::TooShort { needed, came: data.len() });
    }
    match raw {
        Raw::Bytes(bytes) if is_bytes(field.coding) && bytes.len() == field.bytes.len() => {
            for (offset, byte) in field.bytes.iter().zip(bytes.iter()) {
                put(data, *offset, *byte, 0xFF);
            }
            Ok(())
        }
        Raw::Unsigned(value) if !is_bytes(field.coding) && fits(field, i128::from(*value)) => {
            bits(field, *value, data);
            Ok(())
        }
        Raw::Signed(value) if field.coding == Coding::Signed && fits(field, i128::from(*value)) => {
            bits(field, *value as u64, data);
            Ok(())
        }
        _ => Err(EncodeError::DoesNotFit),
    }
}

/// The raw value of a whole number in this field's coding, if the field can hold it.
pub(crate) fn raw_of(field: &Field, whole: i128) -> Option<Raw> {
    if !fits(field, whole) {
        return None;
    }
    match field.coding {
        Coding::Unsigned | Coding::Float => Some(Raw::Unsigned(u64::try_from(whole).ok()?)),
        Coding::Signed => Some(Raw::Signed(i64::try_from(whole).ok()?)),
        Coding::Bcd => Some(Raw::Bytes(Cow::Owned(digits(field.bytes.len(), whole)))),
        Coding::Ascii | Coding::Hex => None,
    }
}

/// Least and greatest whole number of the field; `None` for text.
pub(crate) fn limits(field: &Field) -> Option<(i128, i128)> {
    let width = u32::from(field.width.clamp(1, 64));
    match field.coding {
        Coding::Unsigned | Coding::Float => Some((0, (1 << width) - 1)),
        Coding::Signed => Some((-(1 << (width - 1)), (1 << (width - 1)) - 1)),
        Coding::Bcd => {
            // 38 digits fit the arithmetic; a longer field is never full.
            let digits = u32::try_from(field.bytes.len().min(19) * 2).ok()?;
            Some((0, 10i128.checked_pow(digits)? - 1))
        }
        Coding::Ascii | Coding::Hex => None,
    }
}

pub(super) fn ascii(field: &Field, text: &str) -> Result<Raw, EncodeError> {
    let length = field.bytes.len();
    if !text.bytes().all(|byte| (0x20..=0x7E).contains(&byte)) {
        return Err(EncodeError::NotText);
    }
    if text.len() > length {
        return Err(EncodeError::TextLength { field: length, text: text.len() });
    }
    let mut bytes = text.as_bytes().to_vec();
    bytes.resize(length, b' ');
    Ok(Raw::Bytes(Cow::Owned(bytes)))
}

pub(super) fn hex(field: &Field, text: &str) -> Result<Raw, EncodeError> {
    let byte = |pair: &str| if pair.len() == 2 { u8::from_str_radix(pair, 16).ok() } else { None };
    let bytes: Option<Vec<u8>> = text.split(' ').map(byte).collect();
    let bytes = bytes.ok_or(EncodeError::NotText)?;
    match bytes.len() == field.bytes.len() {
        true => Ok(Raw::Bytes(Cow::Owned(bytes))),
        false => Err(EncodeError::TextLength { field: field.bytes.len(), text: bytes.len() }),
    }
}

fn is_bytes(coding: Coding) -> bool {
    matches!(coding, Coding::Ascii | Coding::Bcd | Coding::Hex)
}

fn fits(field: &Field, whole: i128) -> bool {
    limits(field).is_some_and(|(least, greatest)| (least..=greatest).contains(&whole))
}

fn digits(length: usize, whole: i128) -> Vec<u8> {
    let mut rest = whole.unsigned_abs();
    let mut bytes = vec![0; length];
    for byte in bytes.iter_mut().rev() {
        let pair = (rest % 100) as u8;
        *byte = ((pair / 10) << 4) | (pair % 10);
        rest /= 100;
    }
    bytes
}

/// The field's bits, byte by byte from the least significant.
fn bits(field: &Field, value: u64, data: &mut [u8]) {
    let width = u32::from(field.width.clamp(1, 64));
    let mask = u128::from(u64::MAX >> (64 - width)) << field.low_bit.min(64);
    let value = (u128::from(value) << field.low_bit.min(64)) & mask;
    for (place, offset) in field.bytes.iter().rev().enumerate().take(16) {
        let byte = |bits: u128| (bits >> (8 * place)) as u8;
        put(data, *offset, byte(value), byte(mask));
    }
}

fn put(data: &mut [u8], offset: u16, byte: u8, mask: u8) {
    if let Some(place) = data.get_mut(usize::from(offset)) {
        *place = (*place & !mask) | (byte & mask);
    }
}
