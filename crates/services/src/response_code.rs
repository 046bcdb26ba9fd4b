//! Negative response codes: why a unit refused.

use core::fmt;

/// Negative response code: why a unit refused (ISO 14230-3 4.4: SSF 14230-3 issue 2 tables 4.4.0 to 4.4.29; ISO 14229-1
/// annex A, as a published dissector and notes on the 2020 edition give it).
///
/// One table serves both standards. A code that they understand differently has both meanings; one that is the maker's
/// in ISO 14230-3 says that its meaning is ISO 14229-1's.
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
    /// The request has another length than it should (ISO 14229-1).
    pub const INCORRECT_LENGTH: Self = Self(0x13);
    /// The answer does not fit into a message: ask for less (ISO 14229-1).
    pub const RESPONSE_TOO_LONG: Self = Self(0x14);
    /// The key does not fit the seed.
    pub const INVALID_KEY: Self = Self(0x35);
    /// The unit has the request and answers later; keep waiting, do not repeat.
    pub const RESPONSE_PENDING: Self = Self(0x78);
    /// The unit has this form of the service in another diagnostic session (ISO 14229-1).
    pub const SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION: Self = Self(0x7E);
    /// The unit has this service in another diagnostic session (ISO 14229-1).
    pub const SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION: Self = Self(0x7F);
    /// The unit has this service in another diagnostic session (ISO 14230-3).
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

/// Sorted by code. ISO 14229-1 uses 50 to 5D for certificates, which nothing here deals with.
const MEANINGS: &[(u8, &str)] = &[
    (0x10, "general reject"),
    (0x11, "service not supported"),
    (0x12, "sub-function not supported or invalid format"),
    (0x13, "incorrect length or invalid format"), // ISO 14229-1 only
    (0x14, "response too long"),                  // ISO 14229-1 only
    (0x21, "busy, repeat the request"),
    (0x22, "conditions not correct or request sequence error"),
    (0x23, "routine not complete or service in progress"), // ISO 14230-3 only
    (0x24, "request sequence error"),                      // from here to 26: ISO 14229-1 only
    (0x25, "no response from a sub-net component"),
    (0x26, "failure prevents execution of the requested action"),
    (0x31, "request out of range"),
    (0x33, "security access denied"),
    (0x34, "authentication required"), // ISO 14229-1 only
    (0x35, "invalid key"),
    (0x36, "too many attempts"),
    (0x37, "required time delay not expired"),
    (0x38, "secure data transmission required"), // from here to 3A: ISO 14229-1 only
    (0x39, "secure data transmission not allowed"),
    (0x3A, "secure data verification failed"),
    (0x40, "download not accepted"), // from here to 53: ISO 14230-3 only
    (0x41, "improper download type"),
    (0x42, "cannot download to this address"),
    (0x43, "cannot download this many bytes"),
    (0x50, "upload not accepted"),
    (0x51, "improper upload type"),
    (0x52, "cannot upload from this address"),
    (0x53, "cannot upload this many bytes"),
    (0x70, "upload or download not accepted"), // ISO 14229-1 only
    (0x71, "transfer suspended"),
    (0x72, "transfer aborted or general programming failure"),
    (0x73, "wrong block sequence counter"),      // ISO 14229-1 only
    (0x74, "illegal address in block transfer"), // from here to 77: ISO 14230-3 only
    (0x75, "illegal byte count in block transfer"),
    (0x76, "illegal block transfer type"),
    (0x77, "block transfer checksum error"),
    (0x78, "request received, response pending"),
    (0x79, "incorrect byte count during block transfer"), // ISO 14230-3 only
    (0x7E, "sub-function not supported in active session"), // ISO 14229-1 only
    (0x7F, "service not supported in active session"),    // ISO 14229-1 only
    (0x80, "service not supported in active session"),    // ISO 14230-3 only
    (0x81, "engine speed too high"),                      // from here to 8F: reserved in ISO 14230-3
    (0x82, "engine speed too low"),
    (0x83, "engine is running"),
    (0x84, "engine is not running"),
    (0x85, "engine has not run long enough"),
    (0x86, "temperature too high"),
    (0x87, "temperature too low"),
    (0x88, "vehicle speed too high"),
    (0x89, "vehicle speed too low"),
    (0x8A, "throttle or pedal too high"),
    (0x8B, "throttle or pedal too low"),
    (0x8C, "transmission not in neutral"),
    (0x8D, "transmission not in gear"),
    (0x8F, "brake not applied"),
    (0x90, "shift lever not in park, in ISO 14229-1"), // from here on the maker's in ISO 14230-3
    (0x91, "torque converter clutch locked, in ISO 14229-1"),
    (0x92, "voltage too high, in ISO 14229-1"),
    (0x93, "voltage too low, in ISO 14229-1"),
    (0x94, "resource temporarily not available, in ISO 14229-1"),
];

#[cfg(test)]
mod tests {
    use std::string::ToString;

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

    /// SSF 14230-3 issue 2 table 4.4: 00 and FF unused, 90 to FE the makers' and suppliers'. ISO 14229-1 annex A, as
    /// notes on the 2020 edition give it: nothing between 95 and EF.
    #[test]
    fn reserved_and_maker_specific_codes_have_no_meaning() {
        for code in [0x00, 0x8E, 0xFF].into_iter().chain(0x95..=0xFE) {
            assert_eq!(ResponseCode(code).meaning(), None, "{code:02X}");
        }
        for code in 0x90..=0x94 {
            assert!(ResponseCode(code).meaning().unwrap().ends_with("in ISO 14229-1"), "{code:02X}");
        }
    }

    /// ISO 14229-1 annex A, as a published dissector gives it, two by two.
    #[test]
    fn conditions_of_the_engine_are_told_apart() {
        let table = [
            (0x81, "81 engine speed too high"),
            (0x83, "83 engine is running"),
            (0x86, "86 temperature too high"),
            (0x88, "88 vehicle speed too high"),
            (0x8C, "8C transmission not in neutral"),
            (0x26, "26 failure prevents execution of the requested action"),
            (0x72, "72 transfer aborted or general programming failure"),
            (0x73, "73 wrong block sequence counter"),
        ];
        for (code, text) in table {
            assert_eq!(ResponseCode(code).to_string(), text);
        }
    }
}
