//! What a request of ISO 14229-1 does.

use super::{Effect, is_of_j1979, of_j1979};

/// What a request of ISO 14229-1 does, judged on the whole request; `None` if the standard does not say.
///
/// Not every service that looks like reading reads: 2A makes the unit speak on its own, and every control parameter of
/// 2F moves something or gives it back. 31 with 03 only asks for a routine's results. Services below 10 are those of
/// SAE J1979.
///
/// ```
/// use tickover_services::{Effect, effect};
///
/// assert_eq!(effect::of_iso14229(&[0x22, 0xF1, 0x90]), Some(Effect::Reads));
/// assert_eq!(effect::of_iso14229(&[0x2F, 0x9B, 0x00, 0x00]), Some(Effect::Actuates)); // returns control
/// assert_eq!(effect::of_iso14229(&[0x2A, 0x03, 0x01]), Some(Effect::Session)); // periodic transmission
/// assert_eq!(effect::of_iso14229(&[0x31, 0x03, 0xFF, 0x01]), Some(Effect::Reads)); // results of a routine
/// ```
pub fn of_iso14229(request: &[u8]) -> Option<Effect> {
    let (&service, parameters) = request.split_first()?;
    if is_of_j1979(service) {
        return of_j1979(request);
    }
    let (_, least, rule) = RULES.iter().find(|(known, ..)| *known == service)?;
    if parameters.len() < *least {
        return None;
    }
    match rule {
        Rule::Always(effect) => Some(*effect),
        Rule::Identifiers => parameters.len().is_multiple_of(2).then_some(Effect::Reads),
        Rule::Memory => of_memory(parameters),
        Rule::Routine => of_routine(parameters),
    }
}

/// Whether ISO 14229-1 defines this service, or leaves it to SAE J1979.
pub fn is_of_iso14229(service: u8) -> bool {
    is_of_j1979(service) || RULES.iter().any(|(known, ..)| *known == service)
}

/// How the effect of a service is found.
enum Rule {
    /// Whatever the parameters.
    Always(Effect),
    /// Reads what two-byte identifiers name.
    Identifiers,
    /// Reads memory, if address and size are as long as the format byte says.
    Memory,
    /// The sub-function decides.
    Routine,
}

/// Service, least number of parameters, rule. A service that is not here has no known effect: 84 carries another one in
/// disguise. Notes on ISO 14229-1:2013 and :2020 that cite clause and table; 24, 29, 38, 86 and 87 from memory.
#[rustfmt::skip]
const RULES: &[(u8, usize, Rule)] = &[
    (0x10, 1, Rule::Always(Effect::Session)),   // DiagnosticSessionControl
    (0x11, 1, Rule::Always(Effect::Actuates)),  // ECUReset
    (0x14, 3, Rule::Always(Effect::Clears)),    // ClearDiagnosticInformation
    (0x19, 1, Rule::Always(Effect::Reads)),     // ReadDTCInformation, every sub-function
    (0x22, 2, Rule::Identifiers),               // ReadDataByIdentifier
    (0x23, 3, Rule::Memory),                    // ReadMemoryByAddress
    (0x24, 2, Rule::Always(Effect::Reads)),     // ReadScalingDataByIdentifier
    (0x27, 1, Rule::Always(Effect::Session)),   // SecurityAccess
    (0x28, 2, Rule::Always(Effect::Actuates)),  // CommunicationControl: silences what other units live on
    (0x29, 1, Rule::Always(Effect::Session)),   // Authentication
    (0x2A, 1, Rule::Always(Effect::Session)),   // ReadDataByPeriodicIdentifier: the unit then speaks on its own
    (0x2C, 1, Rule::Always(Effect::Session)),   // DynamicallyDefineDataIdentifier
    (0x2E, 3, Rule::Always(Effect::Writes)),    // WriteDataByIdentifier
    (0x2F, 3, Rule::Always(Effect::Actuates)),  // InputOutputControlByIdentifier, 00 gives control back
    (0x31, 3, Rule::Routine),                   // RoutineControl
    (0x34, 3, Rule::Always(Effect::Writes)),    // RequestDownload
    (0x35, 3, Rule::Always(Effect::Writes)),    // RequestUpload: ends in 36, which alone does not tell which
    (0x36, 1, Rule::Always(Effect::Writes)),    // TransferData
    (0x37, 0, Rule::Always(Effect::Writes)),    // RequestTransferExit
    (0x38, 1, Rule::Always(Effect::Writes)),    // RequestFileTransfer
    (0x3D, 4, Rule::Always(Effect::Writes)),    // WriteMemoryByAddress
    (0x3E, 1, Rule::Always(Effect::Session)),   // TesterPresent
    (0x83, 1, Rule::Always(Effect::Session)),   // AccessTimingParameter
    (0x85, 1, Rule::Always(Effect::Actuates)),  // ControlDTCSetting: the unit no longer keeps faults
    (0x86, 1, Rule::Always(Effect::Session)),   // ResponseOnEvent
    (0x87, 1, Rule::Always(Effect::Session)),   // LinkControl
];

/// addressAndLengthFormatIdentifier: address bytes in the low nibble, size bytes in the high one (ISO 14229-1 annex H,
/// as a tutorial gives it).
fn of_memory(parameters: &[u8]) -> Option<Effect> {
    let (format, place) = parameters.split_first()?;
    let (size, address) = (usize::from(format >> 4), usize::from(format & 0x0F));
    (size > 0 && address > 0 && place.len() == size + address).then_some(Effect::Reads)
}

/// Notes on ISO 14229-1:2020 tables 425 and 426: 01 starts, 02 stops, 03 asks for results; bit 7 only suppresses the
/// answer.
fn of_routine(parameters: &[u8]) -> Option<Effect> {
    match parameters.first()? & 0x7F {
        0x01 | 0x02 => Some(Effect::Actuates),
        0x03 => Some(Effect::Reads),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Notes on ISO 14229-1:2013 and :2020 that cite clause and table, and ISO/DIS 15765-3.5 (2002-10-01); 35, 36, 84
    /// from memory.
    #[test]
    fn the_whole_request_is_judged() {
        let table: &[(&[u8], Option<Effect>)] = &[
            (&[], None),
            (&[0x10, 0x03], Some(Effect::Session)),
            (&[0x10, 0x83], Some(Effect::Session)),
            (&[0x10], None),
            (&[0x11, 0x01], Some(Effect::Actuates)),
            (&[0x14, 0xFF, 0xFF, 0x33], Some(Effect::Clears)),
            (&[0x14, 0xFF], None),
            (&[0x19, 0x02, 0x84], Some(Effect::Reads)),
            (&[0x19], None),
            (&[0x21, 0x01], None),
            (&[0x22, 0xF1, 0x90], Some(Effect::Reads)),
            (&[0x22, 0x01, 0x0A, 0x01, 0x10], Some(Effect::Reads)),
            (&[0x22, 0x01, 0x0A, 0x01], None),
            (&[0x22], None),
            (&[0x23, 0x24, 0x20, 0x48, 0x13, 0x92, 0x01, 0x03], Some(Effect::Reads)),
            (&[0x23, 0x24, 0x20, 0x48, 0x13, 0x92, 0x01], None),
            (&[0x23, 0x20, 0x48, 0x13], None),
            (&[0x23, 0x00], None),
            (&[0x27, 0x01], Some(Effect::Session)),
            (&[0x28, 0x03, 0x03], Some(Effect::Actuates)),
            (&[0x2A, 0x01, 0x01], Some(Effect::Session)),
            (&[0x2A, 0x04], Some(Effect::Session)),
            (&[0x2C, 0x01, 0xF3, 0x01, 0x12, 0x34, 0x01, 0x02], Some(Effect::Session)),
            (&[0x2C, 0x03], Some(Effect::Session)),
            (&[0x2E, 0xF1, 0x90, 0x57], Some(Effect::Writes)),
            (&[0x2F, 0x9B, 0x00, 0x00], Some(Effect::Actuates)),
            (&[0x2F, 0x9B, 0x00, 0x01], Some(Effect::Actuates)),
            (&[0x2F, 0x9B, 0x00, 0x03, 0x3C], Some(Effect::Actuates)),
            (&[0x2F, 0x9B, 0x00], None),
            (&[0x31, 0x01, 0xFF, 0x00], Some(Effect::Actuates)),
            (&[0x31, 0x81, 0xFF, 0x00], Some(Effect::Actuates)),
            (&[0x31, 0x02, 0xFF, 0x00], Some(Effect::Actuates)),
            (&[0x31, 0x03, 0xFF, 0x00], Some(Effect::Reads)),
            (&[0x31, 0x83, 0xFF, 0x00], Some(Effect::Reads)),
            (&[0x31, 0x04, 0xFF, 0x00], None),
            (&[0x31, 0x03], None),
            (&[0x35, 0x00, 0x11, 0x20, 0x01], Some(Effect::Writes)),
            (&[0x36, 0x01], Some(Effect::Writes)),
            (&[0x3E, 0x80], Some(Effect::Session)),
            (&[0x3E], None),
            (&[0x84, 0x22], None),
            (&[0x85, 0x02], Some(Effect::Actuates)),
        ];
        for (request, effect) in table {
            assert_eq!(of_iso14229(request), *effect, "{:?}", crate::Hex(request));
        }
    }

    #[test]
    fn the_table_is_sorted_and_names_each_service_once() {
        assert!(RULES.is_sorted_by(|a, b| a.0 < b.0));
    }

    proptest! {
        /// Of everything a request may be, only these services can read.
        #[test]
        fn only_reading_services_read(request in proptest::collection::vec(any::<u8>(), 0..9)) {
            if of_iso14229(&request) == Some(Effect::Reads) {
                prop_assert!([1, 2, 3, 5, 6, 7, 9, 0x0A, 0x19, 0x22, 0x23, 0x24, 0x31].contains(&request[0]));
            }
        }
    }
}
