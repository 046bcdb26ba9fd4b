//! What a request of SAE J1979 does.

use super::Effect;

/// What a request of SAE J1979 does, judged on the whole request; `None` if the standard does not define it.
///
/// The same on CAN and on the K-line, where ISO 14230-3 and ISO 14229-1 leave these services to SAE J1979. A request
/// with more or other parameters than either line allows has no known effect.
///
/// ```
/// use tickover_services::{Effect, effect};
///
/// assert_eq!(effect::of_j1979(&[0x01, 0x0C, 0x0D]), Some(Effect::Reads));
/// assert_eq!(effect::of_j1979(&[0x02, 0x0C, 0x00]), Some(Effect::Reads));
/// assert_eq!(effect::of_j1979(&[0x04]), Some(Effect::Clears));
/// assert_eq!(effect::of_j1979(&[0x01]), None); // which one?
/// ```
pub fn of_j1979(request: &[u8]) -> Option<Effect> {
    let (service, parameters) = request.split_first()?;
    let (_, counts, effect) = RULES.iter().find(|(known, ..)| known == service)?;
    counts.contains(&parameters.len()).then_some(*effect)
}

/// Whether SAE J1979 defines this service: 01 to 0A.
pub fn is_of_j1979(service: u8) -> bool {
    RULES.iter().any(|(known, ..)| *known == service)
}

/// Service, possible numbers of parameters, effect. SAE J1979, from memory; what the services are for and their layout
/// on CAN agree with published tables of identifiers.
#[rustfmt::skip]
const RULES: &[(u8, &[usize], Effect)] = &[
    (0x01, &[1, 2, 3, 4, 5, 6], Effect::Reads),     // current data: one identifier, on CAN up to six
    (0x02, &[2, 4, 6],          Effect::Reads),     // freeze frame: identifier and frame, on CAN up to three pairs
    (0x03, &[0],                Effect::Reads),     // confirmed fault codes
    (0x04, &[0],                Effect::Clears),    // clears codes, freeze frames, test results, readiness
    (0x05, &[2],                Effect::Reads),     // oxygen sensor test results: test and sensor; not on CAN
    (0x06, &[1, 2, 3, 4, 5, 6], Effect::Reads),     // monitor test results; several only for support masks
    (0x07, &[0],                Effect::Reads),     // pending fault codes
    (0x08, &[1, 2, 3, 4, 5, 6], Effect::Actuates),  // control of a system: test and up to five bytes
    (0x09, &[1, 2, 3, 4, 5, 6], Effect::Reads),     // vehicle information; several only for support masks
    (0x0A, &[0],                Effect::Reads),     // permanent fault codes
];

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// SAE J1979 (layouts as tutorials after ISO 15031-5:2015 give them; the rest from memory).
    #[test]
    fn the_whole_request_is_judged() {
        let table: &[(&[u8], Option<Effect>)] = &[
            (&[], None),
            (&[0x00], None),
            (&[0x01], None),
            (&[0x01, 0x00], Some(Effect::Reads)),
            (&[0x01, 0x00, 0x20, 0x40, 0x60, 0x80, 0xA0], Some(Effect::Reads)),
            (&[0x01, 0x00, 0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0], None),
            (&[0x02, 0x0C], None),
            (&[0x02, 0x0C, 0x00], Some(Effect::Reads)),
            (&[0x02, 0x0C, 0x00, 0x0D], None),
            (&[0x02, 0x0C, 0x00, 0x0D, 0x00], Some(Effect::Reads)),
            (&[0x03], Some(Effect::Reads)),
            (&[0x03, 0x00], None),
            (&[0x04], Some(Effect::Clears)),
            (&[0x04, 0xFF], None),
            (&[0x05, 0x01, 0x01], Some(Effect::Reads)),
            (&[0x05, 0x01], None),
            (&[0x06, 0x01], Some(Effect::Reads)),
            (&[0x07], Some(Effect::Reads)),
            (&[0x08, 0x01, 0, 0, 0, 0, 0], Some(Effect::Actuates)),
            (&[0x08, 0x01], Some(Effect::Actuates)),
            (&[0x08], None),
            (&[0x09, 0x02], Some(Effect::Reads)),
            (&[0x0A], Some(Effect::Reads)),
            (&[0x0B], None),
        ];
        for (request, effect) in table {
            assert_eq!(of_j1979(request), *effect, "{:?}", crate::Hex(request));
        }
    }

    proptest! {
        #[test]
        fn only_reading_services_read(request in proptest::collection::vec(any::<u8>(), 0..9)) {
            if of_j1979(&request) == Some(Effect::Reads) {
                prop_assert!([0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A].contains(&request[0]));
            }
        }
    }
}
