//! Both sides of both initialisations: the shape of a five-baud address, the pulse of a fast one.

use core::time::Duration;

use crate::contract::Level;
use crate::time::Instant;

/// The service identifiers that belong to the line, not to the application (ISO 14230-2 5).
pub mod service {
    /// StartCommunication request; its positive answer carries the key bytes.
    pub const START_COMMUNICATION: u8 = 0x81;
    /// StopCommunication request.
    pub const STOP_COMMUNICATION: u8 = 0x82;
    /// AccessTimingParameters request.
    pub const ACCESS_TIMING: u8 = 0x83;
    /// Added to a request's identifier in a positive answer.
    pub const POSITIVE: u8 = 0x40;
    /// First byte of a negative answer.
    pub const NEGATIVE: u8 = 0x7F;
}

/// The byte by which a unit lets a tester measure its speed.
pub const SYNCHRONISATION: u8 = 0x55;

/// Bytes heard until so long after our own last edge are our own break (W1min is 60 ms). Common practice, no source.
pub const BREAK_ECHO: Duration = Duration::from_millis(20);

/// How far TiniL and TWup may be off (ISO 14230-2 table 5: 25 +-1 ms and 50 +-1 ms).
pub const PULSE_TOLERANCE: Duration = Duration::from_millis(1);

/// One bit at 5 Bd.
pub const ADDRESS_BIT: Duration = Duration::from_millis(200);
/// Bits of an address: start, eight data bits, stop.
pub const ADDRESS_BITS: u8 = 10;

/// The time of `bits` bits at 5 Bd.
pub(crate) const fn address_time(bits: u8) -> Duration {
    Duration::from_millis(ADDRESS_BIT.as_millis() as u64 * bits as u64)
}

/// The level during a bit of an address: 0 is the start bit, 1 to 8 the data from the least significant, then stop.
pub const fn address_level(address: u8, bit: u8) -> Level {
    match bit {
        0 => Level::Low,
        1..=8 if address >> (bit - 1) & 1 == 0 => Level::Low,
        _ => Level::High,
    }
}

/// How many bits from `bit` on have the same level.
pub(crate) fn address_run(address: u8, bit: u8) -> u8 {
    let level = address_level(address, bit);
    (bit..ADDRESS_BITS).take_while(|b| address_level(address, *b) == level).count() as u8
}

/// A unit's reading of an address at 5 Bd from edges of the line, each bit sampled in its middle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct AddressReader {
    start: Option<Instant>,
    level: Level,
    sampled: u8,
    bits: u16,
}

impl AddressReader {
    pub(crate) const IDLE: Self = Self { start: None, level: Level::High, sampled: 0, bits: 0 };

    /// An edge. A start bit of less than half its time is a disturbance and begins no address.
    pub(crate) fn edge(&mut self, at: Instant, level: Level) {
        match (self.start, level) {
            (None, Level::High) => return,
            (None, Level::Low) => self.start = Some(at),
            (Some(start), Level::High) if at.since(start) < ADDRESS_BIT / 2 => {
                *self = Self::IDLE;
                return;
            }
            (Some(_), _) => self.sample_until(at),
        }
        self.level = level;
    }

    /// When the address is over; `None` if none is coming in.
    pub(crate) fn end(&self) -> Option<Instant> {
        self.start.map(|start| start.after(address_time(ADDRESS_BITS)))
    }

    /// The address, once its time is over; `None` if start or stop bit are wrong.
    pub(crate) fn finish(&mut self) -> Option<u8> {
        let end = self.end()?;
        self.sample_until(end);
        let bits = self.bits;
        *self = Self::IDLE;
        (bits & 0x201 == 0x200).then_some((bits >> 1) as u8)
    }

    fn sample_until(&mut self, now: Instant) {
        let Some(start) = self.start else { return };
        while self.sampled < ADDRESS_BITS {
            let middle = start.after(address_time(self.sampled)).after(ADDRESS_BIT / 2);
            if middle >= now {
                break;
            }
            self.bits |= u16::from(self.level == Level::High) << self.sampled;
            self.sampled += 1;
        }
    }
}

/// A unit's view of a wake-up pattern.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum WakeUp {
    /// No pulse so far.
    None,
    /// Low since then.
    Low(Instant),
    /// A good pulse that fell then; StartCommunication is due TWup after it.
    Pulse(Instant),
}

impl WakeUp {
    /// An edge, judged against TiniL; `slack` is how late edges may be told.
    pub(crate) fn edge(self, at: Instant, level: Level, t_inil: Duration, slack: Duration) -> Self {
        match (self, level) {
            (_, Level::Low) => Self::Low(at),
            (Self::Low(fell), Level::High) if is_near(at.since(fell), t_inil, slack) => Self::Pulse(fell),
            _ => Self::None,
        }
    }

    /// Whether a request that started at `start` keeps TWup.
    pub(crate) fn allows(self, start: Instant, t_wup: Duration, slack: Duration) -> bool {
        match self {
            Self::Pulse(fell) => is_near(start.since(fell), t_wup, slack),
            Self::None | Self::Low(_) => false,
        }
    }
}

fn is_near(found: Duration, wanted: Duration, slack: Duration) -> bool {
    found.abs_diff(wanted) <= PULSE_TOLERANCE.saturating_add(slack)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From memory: an address goes out least significant bit first; 33 is 1100 1100 on the wire.
    #[test]
    fn an_address_is_sent_least_significant_bit_first() {
        let levels: std::vec::Vec<_> = (0..10).map(|bit| u8::from(address_level(0x33, bit) == Level::High)).collect();
        assert_eq!(levels, [0, 1, 1, 0, 0, 1, 1, 0, 0, 1]);
        assert_eq!(address_run(0x33, 1), 2);
        assert_eq!(address_run(0xFF, 1), 9);
        assert_eq!(address_run(0x00, 0), 9);
    }

    #[test]
    fn every_address_is_read_from_its_edges() {
        for address in 0..=255 {
            let mut reader = AddressReader::IDLE;
            let start = Instant::from_nanos(77);
            let mut level = Level::High;
            for bit in 0..ADDRESS_BITS {
                if address_level(address, bit) != level {
                    level = address_level(address, bit);
                    reader.edge(start.after(address_time(bit)), level);
                }
            }
            assert_eq!(reader.finish(), Some(address));
        }
    }

    #[test]
    fn a_spike_is_no_address() {
        let mut reader = AddressReader::IDLE;
        reader.edge(Instant::from_nanos(0), Level::Low);
        reader.edge(Instant::from_nanos(25_000_000), Level::High);
        assert_eq!(reader.finish(), None);
    }
}
