//! Our own bytes come back on a single-wire line: they are compared, never waited for.

use super::frame::Frame;
use super::receiver::Char;
use crate::time::Instant;
use crate::transport::Echo;

/// What a byte that came is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Verdict {
    /// Our own byte, unchanged.
    Own,
    /// Another byte where ours was expected: somebody else sent at the same time.
    Collision {
        /// Byte of our frame, from 0.
        at: u16,
    },
    /// Not ours: take it as received.
    Theirs,
    /// Not ours, and neither were the first bytes taken for an echo: this port returns none.
    TheirsSince {
        /// How many bytes of our frame had seemed to come back.
        count: usize,
        /// The first of them.
        first: Char,
        /// The last of them.
        last: Char,
    },
}

/// Compares what comes with what was sent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Comparison {
    echo: Echo,
    /// Bytes of the frame handed to the port, and those come back.
    sent: usize,
    back: usize,
    /// No echo can start before this.
    earliest: Instant,
    first: Char,
    last: Char,
}

impl Comparison {
    pub(crate) const fn new(echo: Echo) -> Self {
        let none = Char { byte: 0, start: Instant::ORIGIN, end: Instant::ORIGIN };
        Self { echo, sent: 0, back: 0, earliest: Instant::ORIGIN, first: none, last: none }
    }

    /// A new frame begins: no byte that started before `earliest` is its echo.
    pub(crate) fn begin(&mut self, earliest: Instant) {
        *self = Self { earliest, ..Self::new(self.echo) };
    }

    /// So many more bytes of the frame are on the wire.
    pub(crate) fn sent(&mut self, count: usize) {
        if self.echo != Echo::Suppressed {
            self.sent += count;
        }
    }

    /// Judges a byte against the frame being sent.
    pub(crate) fn judge(&mut self, frame: &Frame, char: Char) -> Verdict {
        if self.back >= self.sent || char.start < self.earliest {
            return Verdict::Theirs;
        }
        if frame.as_slice().get(self.back) == Some(&char.byte) {
            if self.back == 0 {
                self.first = char;
            }
            self.last = char;
            self.back += 1;
            if self.back == frame.as_slice().len() {
                self.echo = Echo::Returns;
            }
            return Verdict::Own;
        }
        let count = self.back;
        self.sent = self.back;
        if self.echo == Echo::FindOut {
            self.echo = Echo::Suppressed;
            return Verdict::TheirsSince { count, first: self.first, last: self.last };
        }
        Verdict::Collision { at: count as u16 }
    }

    /// Ends the comparison; whether an echo was due that did not come.
    pub(crate) fn settle(&mut self) -> bool {
        let missing = self.echo == Echo::Returns && self.back < self.sent;
        self.sent = self.back;
        missing
    }
}
