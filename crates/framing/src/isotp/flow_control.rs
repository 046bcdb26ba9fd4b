//! Flow control: what a receiver tells the sender (ISO 15765-2 9.6.5).

use core::fmt;
use core::time::Duration;

/// FS: whether the sender may go on (ISO 15765-2:2016 table 18).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct FlowStatus(pub u8);

impl FlowStatus {
    /// The next block may come.
    pub const CONTINUE: Self = Self(0);
    /// Another flow control follows; its wait starts anew.
    pub const WAIT: Self = Self(1);
    /// The message is longer than the receiver holds.
    pub const OVERFLOW: Self = Self(2);
}

/// STmin: least time from the end of a consecutive frame to the request to send the next, as its byte.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct SeparationTime(pub u8);

impl SeparationTime {
    /// The time; reserved values mean 127 ms (ISO 15765-2:2016 table 20, 9.6.5.5).
    ///
    /// ```
    /// use core::time::Duration;
    /// use tickover_framing::isotp::SeparationTime;
    /// assert_eq!(SeparationTime(0x14).duration(), Duration::from_millis(20));
    /// assert_eq!(SeparationTime(0xF3).duration(), Duration::from_micros(300));
    /// assert_eq!(SeparationTime(0x80).duration(), Duration::from_millis(127));
    /// ```
    pub const fn duration(self) -> Duration {
        match self.0 {
            milliseconds @ 0..=0x7F => Duration::from_millis(milliseconds as u64),
            hundreds @ 0xF1..=0xF9 => Duration::from_micros((hundreds as u64 - 0xF0) * 100),
            0x80..=0xF0 | 0xFA..=0xFF => Duration::from_millis(127),
        }
    }

    /// The shortest time that is not less than `least`; `None` above 127 ms.
    pub fn at_least(least: Duration) -> Option<Self> {
        let micros = least.as_nanos().div_ceil(1_000);
        match micros {
            0 => Some(Self(0)),
            1..=900 => Some(Self(0xF0 + micros.div_ceil(100) as u8)),
            _ => u8::try_from(micros.div_ceil(1_000)).ok().filter(|ms| *ms <= 0x7F).map(Self),
        }
    }
}

/// `20 ms`, `300 us`, `127 ms (reserved 80)`.
impl fmt::Display for SeparationTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            0..=0x7F => write!(f, "{} ms", self.0),
            0xF1..=0xF9 => write!(f, "{} us", self.duration().as_micros()),
            reserved => write!(f, "127 ms (reserved {reserved:02X})"),
        }
    }
}

/// A flow control's parameters.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct FlowControl {
    /// FS.
    pub status: FlowStatus,
    /// BS: consecutive frames up to the next flow control; 0: all.
    pub block_size: u8,
    /// STmin.
    pub st_min: SeparationTime,
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::string::ToString;

    /// ISO 15765-2:2016 table 20; 9.6.5.5 for reserved values.
    #[test]
    fn separation_times_are_those_of_the_standard() {
        let micros = |byte| SeparationTime(byte).duration().as_micros();
        assert_eq!([micros(0), micros(1), micros(0x7F)], [0, 1_000, 127_000]);
        assert_eq!([micros(0xF1), micros(0xF9)], [100, 900]);
        for reserved in (0x80..=0xF0).chain(0xFA..=0xFF) {
            assert_eq!(micros(reserved), 127_000, "{reserved:02X}");
        }
        assert_eq!(SeparationTime(0xF3).to_string(), "300 us");
        assert_eq!(SeparationTime(0xFF).to_string(), "127 ms (reserved FF)");
    }

    #[test]
    fn the_shortest_time_that_is_long_enough_is_found() {
        let at_least = |micros| SeparationTime::at_least(Duration::from_micros(micros)).map(|time| time.0);
        assert_eq!(
            [at_least(0), at_least(1), at_least(300), at_least(301)],
            [Some(0), Some(0xF1), Some(0xF3), Some(0xF4)]
        );
        assert_eq!([at_least(901), at_least(1_000), at_least(1_001)], [Some(1), Some(1), Some(2)]);
        assert_eq!([at_least(127_000), at_least(127_001)], [Some(0x7F), None]);
    }
}
