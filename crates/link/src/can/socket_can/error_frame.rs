//! Error frames of the kernel: what a CAN controller says about its bus.
//!
//! Bits and bytes are those of Linux' `can/error.h`.

use tickover_framing::can::Condition;

const TX_TIMEOUT: u32 = 0x001;
const CONTROLLER: u32 = 0x004;
const PROTOCOL: u32 = 0x008;
const TRANSCEIVER: u32 = 0x010;
const NO_ACKNOWLEDGE: u32 = 0x020;
const BUS_OFF: u32 = 0x040;
const BUS_ERROR: u32 = 0x080;
const RESTARTED: u32 = 0x100;

/// All classes that mean something for the bus. Lost arbitration is daily life.
pub(super) const CLASSES: u32 =
    TX_TIMEOUT | CONTROLLER | PROTOCOL | TRANSCEIVER | NO_ACKNOWLEDGE | BUS_OFF | BUS_ERROR | RESTARTED;

/// Bits of the second byte, for the class of the controller.
const OVERFLOW_IN: u8 = 0x01;
const PASSIVE: u8 = 0x10 | 0x20;
const ACTIVE: u8 = 0x40;

/// The gravest thing that an error frame says; `None` if it says nothing about the bus.
pub(super) fn condition(class: u32, data: &[u8]) -> Option<Condition> {
    let controller = if class & CONTROLLER != 0 { data.get(1).copied().unwrap_or(0) } else { 0 };
    let is = |mask: u32| class & mask != 0;
    let says = [
        (is(BUS_OFF), Condition::Off),
        (is(RESTARTED), Condition::Active),
        (controller & OVERFLOW_IN != 0, Condition::Overrun),
        (controller & PASSIVE != 0, Condition::Passive),
        (controller & ACTIVE != 0, Condition::Active),
        (is(NO_ACKNOWLEDGE), Condition::NoAcknowledge),
        (is(PROTOCOL | BUS_ERROR | TRANSCEIVER | TX_TIMEOUT), Condition::Error),
    ];
    says.into_iter().find_map(|(said, condition)| said.then_some(condition))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linux `can/error.h`, the classes in the identifier and the controller's byte 1.
    #[test]
    fn the_gravest_is_told() {
        let told = |class, byte| condition(class, &[0, byte, 0, 0, 0, 0, 0, 0]);
        assert_eq!(told(0x040, 0), Some(Condition::Off));
        assert_eq!(told(0x100, 0), Some(Condition::Active));
        assert_eq!(told(0x004, 0x01), Some(Condition::Overrun));
        assert_eq!(told(0x004, 0x20), Some(Condition::Passive));
        assert_eq!(told(0x004, 0x40), Some(Condition::Active));
        assert_eq!(told(0x0A8, 0), Some(Condition::NoAcknowledge), "bus error, protocol, no acknowledgement");
        assert_eq!(told(0x088, 0), Some(Condition::Error));
        assert_eq!(told(0x004, 0x08), None, "a warning level is no condition");
        assert_eq!(told(0x002, 0), None, "lost arbitration is daily life");
    }

    #[test]
    fn an_error_frame_without_data_is_read() {
        assert_eq!(condition(0x004, &[]), None);
        assert_eq!(condition(0x040, &[]), Some(Condition::Off));
    }
}
