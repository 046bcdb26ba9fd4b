//! What a request of ISO 14230-3 does.

use super::{Effect, is_of_j1979, of_j1979};

/// What a request of ISO 14230 does, judged on the whole request; `None` if the standard does not say.
///
/// A request without a known effect is never sent by polling. The same service may read or actuate: the control
/// parameter of 30 and 2F decides, and a transmission mode of 21, 22 and 23 that makes the unit speak on its own
/// is a change of the conversation. Services below 10 are those of SAE J1979 (SSF 14230-3 issue 2 table 3.2.1).
///
/// ```
/// use tickover_services::{Effect, effect};
///
/// assert_eq!(effect::of_iso14230(&[0x21, 0x01]), Some(Effect::Reads));
/// assert_eq!(effect::of_iso14230(&[0x30, 0x12, 0x01]), Some(Effect::Reads)); // report the state
/// assert_eq!(effect::of_iso14230(&[0x30, 0x12, 0x07, 0x64]), Some(Effect::Actuates)); // short-term adjustment
/// assert_eq!(effect::of_iso14230(&[0xB1, 0x01]), None); // maker-specific
/// ```
pub fn of_iso14230(request: &[u8]) -> Option<Effect> {
    let (&service, parameters) = request.split_first()?;
    if is_of_j1979(service) {
        return of_j1979(request);
    }
    match rule(service)? {
        Rule::Always(effect) => Some(*effect),
        Rule::Identifiers => of_identifiers(parameters),
        Rule::Read { named_by } => of_transmission(parameters.get(*named_by..)?),
        Rule::Control { named_by } => of_control(parameters.get(*named_by..)?),
    }
}

/// Whether ISO 14230-3 defines this service, or leaves it to SAE J1979.
pub fn is_of_iso14230(service: u8) -> bool {
    is_of_j1979(service) || rule(service).is_some()
}

fn rule(service: u8) -> Option<&'static Rule> {
    RULES.iter().find(|(first, last, _)| (*first..=*last).contains(&service)).map(|(_, _, rule)| rule)
}

/// How the effect of a service is found.
enum Rule {
    /// Whatever the parameters.
    Always(Effect),
    /// Reads what so many bytes name, once or as a transmission mode says.
    Read { named_by: usize },
    /// Reads what two-byte identifiers name, once or as a transmission mode says.
    Identifiers,
    /// Input-output control of what so many bytes name: the parameter after them decides.
    Control { named_by: usize },
}

/// First and last service, and the rule. A service that is not here has no known effect.
/// Clauses are those of SSF 14230-3 issue 2 (2000-02-01).
#[rustfmt::skip]
const RULES: &[(u8, u8, Rule)] = &[
    (0x10, 0x10, Rule::Always(Effect::Session)),    // StartDiagnosticSession, 6.1
    (0x11, 0x11, Rule::Always(Effect::Actuates)),   // EcuReset, 6.5
    (0x12, 0x13, Rule::Always(Effect::Reads)),      // freeze frames, 8.4; fault codes, table 4.3
    (0x14, 0x14, Rule::Always(Effect::Clears)),     // ClearDiagnosticInformation, 8.5
    (0x17, 0x18, Rule::Always(Effect::Reads)),      // fault codes, 8.3 and 8.2
    (0x1A, 0x1A, Rule::Always(Effect::Reads)),      // ReadEcuIdentification, 6.6
    (0x20, 0x20, Rule::Always(Effect::Session)),    // StopDiagnosticSession, table 4.3
    (0x21, 0x21, Rule::Read { named_by: 1 }),       // local identifier, 7.1
    (0x22, 0x22, Rule::Identifiers),                // common identifier, 7.2
    (0x23, 0x23, Rule::Read { named_by: 4 }),       // three address bytes and a size, 7.3
    (0x25, 0x26, Rule::Always(Effect::Session)),    // repeated transmission and its rates, table 4.3
    (0x27, 0x27, Rule::Always(Effect::Session)),    // SecurityAccess, 6.3
    (0x2C, 0x2C, Rule::Always(Effect::Session)),    // DynamicallyDefineLocalIdentifier, 7.4
    (0x2E, 0x2E, Rule::Always(Effect::Writes)),     // WriteDataByCommonIdentifier, 7.6
    (0x2F, 0x2F, Rule::Control { named_by: 2 }),    // InputOutputControlByCommonIdentifier, 9.2
    (0x30, 0x30, Rule::Control { named_by: 1 }),    // InputOutputControlByLocalIdentifier, 9.1
    (0x31, 0x32, Rule::Always(Effect::Actuates)),   // start and stop a routine, clause 10
    (0x33, 0x33, Rule::Always(Effect::Reads)),      // results of a routine, 10.5
    (0x34, 0x37, Rule::Always(Effect::Writes)),     // down- and upload: 36 alone does not tell which, clause 11
    (0x38, 0x39, Rule::Always(Effect::Actuates)),   // start and stop a routine by address, 10.2 and 10.4
    (0x3A, 0x3A, Rule::Always(Effect::Reads)),      // results of a routine by address, 10.6
    (0x3B, 0x3B, Rule::Always(Effect::Writes)),     // WriteDataByLocalIdentifier, 7.5
    (0x3D, 0x3D, Rule::Always(Effect::Writes)),     // WriteMemoryByAddress, 7.7
    (0x3E, 0x3E, Rule::Always(Effect::Session)),    // TesterPresent, 6.4
    (0x81, 0x83, Rule::Always(Effect::Session)),    // SSF 14230-2 issue 1 clause 5
];

/// Transmission mode and most answers, where a read has them (ISO 14230-3, from memory): 01 once, 02 to 04
/// repeated until stopped, 05 stop.
fn of_transmission(mode: &[u8]) -> Option<Effect> {
    match mode {
        [] | [0x01] | [0x01, _] => Some(Effect::Reads),
        [0x02..=0x05] | [0x02..=0x05, _] => Some(Effect::Session),
        _ => None,
    }
}

/// ISO 14230-3 has one identifier; several can only be refused, unless the second looks like a transmission mode.
fn of_identifiers(parameters: &[u8]) -> Option<Effect> {
    let more = parameters.get(2..)?;
    of_transmission(more).or_else(|| more.len().is_multiple_of(2).then_some(Effect::Reads))
}

/// SSF 14230-3 issue 2 table 9.1.3.2: 01, 02, 03 and 09 report, without further bytes; all others take or return
/// control, or are not defined.
fn of_control(control: &[u8]) -> Option<Effect> {
    match control {
        [] => None,
        [0x01..=0x03 | 0x09] => Some(Effect::Reads),
        _ => Some(Effect::Actuates),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// SSF 14230-3 issue 2 clauses 6 to 11 (worked examples where there is one); transmission modes: from memory.
    #[test]
    fn the_whole_request_is_judged() {
        let table: &[(&[u8], Option<Effect>)] = &[
            (&[], None),
            (&[0x10, 0x86], Some(Effect::Session)),
            (&[0x10, 0x86, 0x03], Some(Effect::Session)),
            (&[0x11, 0x01], Some(Effect::Actuates)),
            (&[0x12, 0x00, 0x01, 0x07], Some(Effect::Reads)),
            (&[0x14, 0xFF, 0x00], Some(Effect::Clears)),
            (&[0x18, 0x02, 0x00, 0x00], Some(Effect::Reads)),
            (&[0x1A, 0x80], Some(Effect::Reads)),
            (&[0x21], None),
            (&[0x21, 0x0A], Some(Effect::Reads)),
            (&[0x21, 0x0A, 0x01], Some(Effect::Reads)),
            (&[0x21, 0x0A, 0x04], Some(Effect::Session)),
            (&[0x21, 0x0A, 0x04, 0x10], Some(Effect::Session)),
            (&[0x21, 0x0A, 0x06], None),
            (&[0x21, 0x0A, 0x01, 0x01, 0x01], None),
            (&[0x22, 0x00], None),
            (&[0x22, 0x00, 0x10], Some(Effect::Reads)),
            (&[0x22, 0x00, 0x10, 0x03], Some(Effect::Session)),
            (&[0x22, 0x00, 0x10, 0x07], None),
            (&[0x22, 0x00, 0x10, 0x03, 0x11], Some(Effect::Session)),
            (&[0x22, 0x00, 0x10, 0x20, 0x11], Some(Effect::Reads)),
            (&[0x23, 0x20, 0x48, 0x13], None),
            (&[0x23, 0x20, 0x48, 0x13, 0x03], Some(Effect::Reads)),
            (&[0x23, 0x20, 0x48, 0x13, 0x03, 0x02], Some(Effect::Session)),
            (&[0x27, 0x01], Some(Effect::Session)),
            (&[0x2C, 0xF2, 0x04], Some(Effect::Session)),
            (&[0x2E, 0x10, 0x01], Some(Effect::Writes)),
            (&[0x2F, 0x00, 0x32, 0x01], Some(Effect::Reads)),
            (&[0x2F, 0x00, 0x32, 0x07, 0x64], Some(Effect::Actuates)),
            (&[0x2F, 0x00, 0x32], None),
            (&[0x30, 0x32, 0x01], Some(Effect::Reads)),
            (&[0x30, 0x32, 0x01, 0x00], Some(Effect::Actuates)),
            (&[0x30, 0x32, 0x04], Some(Effect::Actuates)),
            (&[0x30, 0x32, 0x07, 0x64], Some(Effect::Actuates)),
            (&[0x30, 0x32, 0x00], Some(Effect::Actuates)),
            (&[0x30, 0x33, 0x09], Some(Effect::Reads)),
            (&[0x31, 0x01], Some(Effect::Actuates)),
            (&[0x33, 0x01], Some(Effect::Reads)),
            (&[0x34, 0x60, 0x20, 0x00, 0x11, 0x00, 0xFF, 0xFF], Some(Effect::Writes)),
            (&[0x3B, 0x10, 0x00], Some(Effect::Writes)),
            (&[0x3D, 0x30, 0xFF, 0x13, 0x01, 0x11], Some(Effect::Writes)),
            (&[0x3E], Some(Effect::Session)),
            (&[0x81], Some(Effect::Session)),
            (&[0x83, 0x03, 0x32, 0x02, 0x6E, 0x14, 0x0A], Some(Effect::Session)),
        ];
        for (request, effect) in table {
            assert_eq!(of_iso14230(request), *effect, "{:?}", crate::Hex(request));
        }
    }

    /// SSF 14230-3 issue 2 table 3.2.1: A0 to BF belong to makers and suppliers, bit 6 marks responses.
    #[test]
    fn no_effect_is_guessed_of_what_the_standard_does_not_define() {
        for service in (0x40..=0x80).chain(0x84..=0xFF) {
            assert_eq!(of_iso14230(&[service, 0x01, 0x02, 0x03]), None, "{service:02X}");
        }
    }

    #[test]
    fn rules_are_sorted_and_do_not_overlap() {
        assert!(RULES.iter().all(|(first, last, _)| first <= last));
        assert!(RULES.is_sorted_by(|a, b| a.1 < b.0));
    }

    proptest! {
        /// Of everything a request may be, only these services can read.
        #[test]
        fn only_reading_services_read(request in proptest::collection::vec(any::<u8>(), 0..8)) {
            const READING: [u8; 20] = [
                0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A, 0x12, 0x13, 0x17, 0x18, 0x1A, 0x21, 0x22, 0x23, 0x2F,
                0x30, 0x33, 0x3A,
            ];
            if of_iso14230(&request) == Some(Effect::Reads) {
                prop_assert!(READING.contains(&request[0]));
            }
        }
    }
}
