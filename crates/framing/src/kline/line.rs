//! Everything a tester or a unit must know about a K-line before it speaks.

use core::time::Duration;

use super::{BlockFraming, HeaderForms, KeyBytes, Timing};
use crate::contract::{Chunk, Parity, Speed};
use crate::time::CharTime;

/// A K-line and the unit on it: speed, initialisation, addresses, framing, timing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Line {
    /// Bits per second after initialisation.
    pub baud: u32,
    /// Parity bit of a character; data bits are always eight.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// How communication starts.
    pub init: Init,
    /// Physical address of the control unit.
    pub unit: u8,
    /// Functional address for requests that the standard sends to all.
    pub functional: Option<u8>,
    /// The tester's own address.
    pub tester: u8,
    /// How messages are delimited and checked.
    pub framing: Framing,
    /// Limits that hold from the end of initialisation.
    pub timing: Timing,
}

impl Line {
    /// An ISO 14230 line: 10 400 Bd, fast initialisation, normal timing, no functional address.
    pub const fn iso14230(unit: u8, tester: u8) -> Self {
        Self {
            baud: 10_400,
            parity: Parity::None,
            stop_bits: 1,
            init: Init::Fast,
            unit,
            functional: None,
            tester,
            framing: Framing::Iso14230,
            timing: Timing::NORMAL,
        }
    }

    /// The speed as an act sets it.
    pub const fn speed(&self) -> Speed {
        Speed::Serial { baud: self.baud, parity: self.parity, stop_bits: self.stop_bits }
    }

    /// The time of characters at this speed: start, eight data, parity and stop bits.
    pub const fn char_time(&self) -> CharTime {
        let parity = !matches!(self.parity, Parity::None) as u8;
        CharTime::new(1 + 8 + parity + self.stop_bits, self.baud)
    }

    /// The headers that the unit is expected to announce; without expected key bytes, addresses and either length.
    pub fn expected_headers(&self) -> HeaderForms {
        match self.init {
            Init::FiveBaud(FiveBaud { key_bytes: Some(key_bytes), .. }) => key_bytes.headers(),
            _ => HeaderForms::NOT_STATED,
        }
    }

    /// The most data bytes that one message carries, service identifier included.
    pub fn longest(&self) -> usize {
        self.framing.longest(self.expected_headers())
    }

    /// Bytes on the wire of a request with `data` data bytes: header, data, checksum.
    pub fn request_len(&self, data: usize) -> usize {
        self.framing.wire_len(self.expected_headers(), data)
    }

    /// Bytes on the wire of an answer with `data` data bytes: header, data, checksum.
    pub fn response_len(&self, data: usize) -> usize {
        self.framing.wire_len(self.expected_headers(), data)
    }

    /// First start bit to last stop bit of a request with `data` data bytes, P4min between the bytes.
    pub fn request_time(&self, data: usize) -> Duration {
        self.paced(self.request_len(data), self.timing.p4_min)
    }

    /// First start bit to last stop bit of an answer with `data` data bytes, `p1` between the bytes.
    pub fn response_time(&self, data: usize, p1: Duration) -> Duration {
        self.paced(self.response_len(data), p1)
    }

    /// End of an answer to the earliest start of the next request: P3min, or the pause that ends an answer where
    /// nothing else does (P1max and the time of one character).
    pub fn next_request_after(&self) -> Duration {
        match self.framing.ends_by_pause() {
            true => self.timing.p3_min.max(self.timing.p1_max.saturating_add(self.char_time().one())),
            false => self.timing.p3_min,
        }
    }

    /// One exchange, from the first bit of a request to the earliest first bit of the next: `request` and `response`
    /// data bytes, the unit's `p2` and `p1`, then [`next_request_after`](Self::next_request_after).
    ///
    /// ```
    /// use core::time::Duration;
    /// use tickover_framing::kline::Line;
    /// let line = Line::iso14230(0x1C, 0xF1);
    /// let exchange = line.exchange_time(2, 10, Duration::from_millis(25), Duration::ZERO);
    /// assert_eq!(exchange, line.request_time(2) + line.response_time(10, Duration::ZERO) + Duration::from_millis(80));
    /// ```
    pub fn exchange_time(&self, request: usize, response: usize, p2: Duration, p1: Duration) -> Duration {
        [p2, self.response_time(response, p1), self.next_request_after()]
            .into_iter()
            .fold(self.request_time(request), Duration::saturating_add)
    }

    /// As the machines send: byte by byte with a gap, else in chunks without one.
    fn paced(&self, count: usize, gap: Duration) -> Duration {
        let char_time = self.char_time();
        if gap.is_zero() {
            let full = count / Chunk::CAPACITY;
            return char_time
                .of(Chunk::CAPACITY)
                .saturating_mul(full as u32)
                .saturating_add(char_time.of(count % Chunk::CAPACITY));
        }
        let bytes = count.min(u32::MAX as usize) as u32;
        char_time.one().saturating_mul(bytes).saturating_add(gap.saturating_mul(bytes.saturating_sub(1)))
    }
}

/// How communication starts (ISO 14230-2 5.1, ISO 9141-2).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Init {
    /// No pattern: the unit answers at once.
    None,
    /// TiniL low, TWup, StartCommunication.
    Fast,
    /// An address at 5 Bd, then key bytes.
    FiveBaud(FiveBaud),
}

/// A five-baud initialisation.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FiveBaud {
    /// The byte as it goes over the line, least significant bit first.
    pub address: u8,
    /// Key bytes expected; others end the attempt. `None`: any are taken.
    pub key_bytes: Option<KeyBytes>,
    /// Whether the unit returns its inverted address.
    pub unit_confirms: bool,
}

/// How messages are delimited and checked.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Framing {
    /// ISO 14230-2: format byte, addresses, length, sum.
    Iso14230,
    /// ISO 9141-2: three header bytes, no length, sum; a message ends by silence.
    Iso9141,
    /// Blocks of a unit before the standards, declared field by field.
    Declared(BlockFraming),
}
