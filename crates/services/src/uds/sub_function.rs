//! The sub-function byte: seven bits of value, and one that suppresses the positive answer.

/// suppressPosRspMsgIndicationBit.
const SUPPRESS: u8 = 0x80;

/// Services whose first parameter is a sub-function (notes on ISO 14229-1:2020; 83 of the 2013 edition). Of all others
/// bit 7 is data.
const WITH_SUB_FUNCTION: [u8; 13] = [0x10, 0x11, 0x19, 0x27, 0x28, 0x29, 0x2C, 0x31, 0x3E, 0x83, 0x85, 0x86, 0x87];

/// Whether a request asks the unit not to answer if all goes well. A refusal always comes, and so does the answer after
/// "response pending" (notes on ISO 14229-1:2020).
///
/// ```
/// use tickover_services::uds;
///
/// assert!(uds::is_suppressed(&[0x3E, 0x80]));
/// assert!(!uds::is_suppressed(&[0x3E, 0x00]));
/// assert!(!uds::is_suppressed(&[0x22, 0xF1, 0x90])); // F1 is no sub-function
/// ```
pub fn is_suppressed(request: &[u8]) -> bool {
    matches!(request, [service, byte, ..] if has_sub_function(*service) && byte & SUPPRESS != 0)
}

/// Whether the first parameter of a service is a sub-function.
pub(crate) fn has_sub_function(service: u8) -> bool {
    WITH_SUB_FUNCTION.contains(&service)
}

/// Value and bit as one byte.
pub(crate) const fn byte(value: u8, suppress: bool) -> u8 {
    value & !SUPPRESS | if suppress { SUPPRESS } else { 0 }
}

/// The value alone, as a response repeats it.
pub(crate) const fn value(byte: u8) -> u8 {
    byte & !SUPPRESS
}

/// Value and bit of one byte.
pub(crate) const fn parts(byte: u8) -> (u8, bool) {
    (value(byte), byte & SUPPRESS != 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sub_function_is_put_together_and_taken_apart() {
        for all in 0..=0xFF {
            let (value, suppress) = parts(all);
            assert_eq!(byte(value, suppress), all);
        }
    }

    /// Notes on ISO 14229-1:2020: 10 11 19 27 28 29 2C 31 3E 85 86 87 have sub-functions, all others have none.
    #[test]
    fn only_services_with_a_sub_function_suppress() {
        assert!(is_suppressed(&[0x10, 0x83]) && is_suppressed(&[0x31, 0x81, 0xFF, 0x00]));
        assert!(!is_suppressed(&[0x2E, 0xF1, 0x90, 0x41]) && !is_suppressed(&[0x14, 0xFF, 0xFF, 0xFF]));
        assert!(!is_suppressed(&[0x3E]) && !is_suppressed(&[]));
    }
}
