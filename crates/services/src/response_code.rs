//! Negative response codes: why a unit refused.

use core::fmt;

/// Negative response code: why a unit refused (ISO 14230-3 4.4; SSF 14230-3 issue 2 tables 4.4.0 to 4.4.29).
///
/// ```
/// use tickover_services::ResponseCode;
///
/// assert_eq!(ResponseCode(0x31).to_string(), "31 request out of range");
/// assert_eq!(ResponseCode(0x9C).to_string(), "9C");
/// assert_eq!(ResponseCode(0x9C).meaning(), None);
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ResponseCode(pub u8);

impl ResponseCode {
    /// Refused, no reason given.
    pub const GENERAL_REJECT: Self = Self(0x10);
    /// The unit does not have this service.
    pub const SERVICE_NOT_SUPPORTED: Self = Self(0x11);
    /// The unit has the service but not this form of it; in ISO 14230-3 also a wrong length.
    pub const SUB_FUNCTION_NOT_SUPPORTED: Self = Self(0x12);
    /// The unit is busy and did nothing: send the request again.
    pub const BUSY_REPEAT_REQUEST: Self = Self(0x21);
    /// Not under these conditions, or not in this order.
    pub const CONDITIONS_NOT_CORRECT: Self = Self(0x22);
    /// The unit has begun: the request, sent again, brings the result (ISO 14230-3 5.3.1.3).
    pub const ROUTINE_NOT_COMPLETE: Self = Self(0x23);
    /// The unit does not have what was asked for.
    pub const REQUEST_OUT_OF_RANGE: Self = Self(0x31);
    /// Locked: SecurityAccess comes first.
    pub const SECURITY_ACCESS_DENIED: Self = Self(0x33);
    /// The key does not fit the seed.
    pub const INVALID_KEY: Self = Self(0x35);
    /// The unit has the request and answers later; keep waiting, do not repeat.
    pub const RESPONSE_PENDING: Self = Self(0x78);
    /// The unit has this service in another diagnostic session.
    pub const NOT_SUPPORTED_IN_ACTIVE_SESSION: Self = Self(0x80);

    /// The standard's wording, shortened; `None` for reserved and maker-specific codes.
    pub fn meaning(self) -> Option<&'static str> {
        MEANINGS.iter().find(|(code, _)| *code == self.0).map(|(_, meaning)| *meaning)
    }

    /// Whether the final answer is still to come without another request (ISO 14230-3 5.3.1.4).
    pub const fn is_pending(self) -> bool {
        self.0 == Self::RESPONSE_PENDING.0
    }

    /// Whether the same request, sent again later, may bring the answer: `21` and `23` (ISO 14230-3 5.3.1.3).
    pub const fn is_busy(self) -> bool {
        self.0 == Self::BUSY_REPEAT_REQUEST.0 || self.0 == Self::ROUTINE_NOT_COMPLETE.0
    }
}

/// Two hex digits, then the meaning if there is one: `31 request out of range`.
impl fmt::Display for ResponseCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.meaning() {
            Some(meaning) => write!(f, "{:02X} {meaning}", self.0),
            None => write!(f, "{:02X}", self.0),
        }
    }
}

/// Sorted by code.
const MEANINGS: &[(u8, &str)] = &[
    (0x10, "general reject"),
    (0x11, "service not supported"),
    (0x12, "sub-function not supported or invalid format"),
    (0x13, "incorrect length or invalid format"), // ISO 14229-1 only
    (0x14, "response too long"),                  // ISO 14229-1 only
    (0x21, "busy, repeat the request"),
    (0x22, "conditions not correct or request sequence error"),
    (0x23, "routine not complete or service in progress"),
    (0x24, "request sequence error"), // ISO 14229-1 only
    (0x31, "request out of range"),
    (0x33, "security access denied"),
    (0x35, "invalid key"),
    (0x36, "too many attempts"),
    (0x37, "required time delay not expired"),
    (0x40, "download not accepted"),
    (0x41, "improper download type"),
    (0x42, "cannot download to this address"),
    (0x43, "cannot download this many bytes"),
    (0x50, "upload not accepted"),
    (0x51, "improper upload type"),
    (0x52, "cannot upload from this address"),
    (0x53, "cannot upload this many bytes"),
    (0x71, "transfer suspended"),
    (0x72, "transfer aborted"),
    (0x74, "illegal address in block transfer"),
    (0x75, "illegal byte count in block transfer"),
    (0x76, "illegal block transfer type"),
    (0x77, "block transfer checksum error"),
    (0x78, "request received, response pending"),
    (0x79, "incorrect byte count during block transfer"),
    (0x7E, "sub-function not supported in active session"), // ISO 14229-1 only
    (0x7F, "service not supported in active session"),      // ISO 14229-1 only
    (0x80, "service not supported in active session"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_sorted_and_names_each_code_once() {
        assert!(MEANINGS.is_sorted_by(|a, b| a.0 < b.0));
    }

    /// SSF 14230-3 issue 2 5.3.1.3 and 5.3.1.4: 21 and 23 ask for a repeat, 78 forbids it, all else is final.
    #[test]
    fn only_three_codes_are_not_final() {
        let busy: std::vec::Vec<u8> = (0..=0xFF).filter(|c| ResponseCode(*c).is_busy()).collect();
        let pending: std::vec::Vec<u8> = (0..=0xFF).filter(|c| ResponseCode(*c).is_pending()).collect();
        assert_eq!((busy.as_slice(), pending.as_slice()), (&[0x21, 0x23][..], &[0x78][..]));
    }

    /// SSF 14230-3 issue 2 table 4.4: 00 and FF unused, 81 to 8F reserved, 90 to FE the makers' and suppliers'.
    #[test]
    fn reserved_and_maker_specific_codes_have_no_meaning() {
        for code in [0x00, 0xFF].into_iter().chain(0x81..=0xFE) {
            assert_eq!(ResponseCode(code).meaning(), None, "{code:02X}");
        }
    }
}
