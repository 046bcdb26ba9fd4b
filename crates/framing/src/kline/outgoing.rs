//! A frame on its way out: in chunks without gaps, or byte by byte with them; its echo.

use core::time::Duration;

use super::echo::{Comparison, Verdict};
use super::frame::Frame;
use super::receiver::Char;
use crate::contract::{Act, Chunk, Tag, Wire};
use crate::time::Instant;
use crate::transport::Echo;

/// What a report `Sent` leads to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum SentStep {
    /// Hand over the next piece now: the port sends it without a gap.
    Go,
    /// The next byte starts here.
    At(Instant),
    /// All of the frame is on the wire.
    Out {
        /// Start of its first bit.
        start: Instant,
        /// End of its last bit.
        end: Instant,
    },
    /// Nothing was being sent.
    Idle,
}

/// The frame being sent, or the last one.
#[derive(Clone, Copy)]
pub(crate) struct Outgoing {
    frame: Frame,
    gap: Duration,
    /// Bytes handed to the port, and how many of them the report is still due for.
    handed: usize,
    reported: usize,
    sending: bool,
    start: Instant,
    end: Option<Instant>,
    echo: Comparison,
    tag: u16,
}

impl Outgoing {
    pub(crate) const fn new(echo: Echo) -> Self {
        Self {
            frame: Frame::EMPTY,
            gap: Duration::ZERO,
            handed: 0,
            reported: 0,
            sending: false,
            start: Instant::ORIGIN,
            end: None,
            echo: Comparison::new(echo),
            tag: 0,
        }
    }

    /// Starts a frame with `gap` between its bytes and gives its first piece.
    pub(crate) fn begin(&mut self, frame: Frame, gap: Duration) -> Option<Act> {
        self.frame = frame;
        self.gap = gap;
        self.handed = 0;
        self.reported = 0;
        self.sending = true;
        self.piece()
    }

    /// The next piece.
    pub(crate) fn piece(&mut self) -> Option<Act> {
        let rest = self.frame.as_slice().get(self.handed..).filter(|rest| self.sending && !rest.is_empty())?;
        let most = if self.gap.is_zero() { rest.len() } else { 1 };
        let (chunk, _) = Chunk::split_from(rest.get(..most)?);
        self.handed += chunk.as_slice().len();
        self.tag = self.tag.wrapping_add(1);
        Some(Act::Transmit { tag: Tag(self.tag), wire: Wire::Bytes(chunk) })
    }

    /// The port has the last piece on the wire.
    pub(crate) fn sent(&mut self, start: Instant, end: Instant) -> SentStep {
        if !self.sending || self.handed == self.reported {
            return SentStep::Idle;
        }
        if self.reported == 0 {
            self.start = start;
            self.echo.begin(start);
        }
        self.echo.sent(self.handed - self.reported);
        self.reported = self.handed;
        self.end = Some(end);
        if self.handed == self.frame.as_slice().len() {
            self.sending = false;
            return SentStep::Out { start: self.start, end };
        }
        if self.gap.is_zero() { SentStep::Go } else { SentStep::At(end.after(self.gap)) }
    }

    /// Gives up the rest of the frame. What is on the wire already still comes back.
    pub(crate) fn abort(&mut self) {
        self.sending = false;
    }

    pub(crate) fn is_sending(&self) -> bool {
        self.sending
    }

    /// End of the last bit sent so far; may lie ahead.
    pub(crate) fn end(&self) -> Option<Instant> {
        self.end
    }

    /// Whether a byte that came is the echo of this frame.
    pub(crate) fn judge(&mut self, char: Char) -> Verdict {
        self.echo.judge(&self.frame, char)
    }

    /// The bytes that had seemed to be an echo: the first and the last with their own times.
    pub(crate) fn seeming_echo(&self, count: usize, first: Char, last: Char) -> impl Iterator<Item = Char> + use<> {
        let frame = self.frame;
        (0..count).filter_map(move |at| {
            let time = if at == 0 { first } else { last };
            frame.as_slice().get(at).map(|byte| Char { byte: *byte, ..time })
        })
    }

    /// Whether an echo was due that did not come.
    pub(crate) fn settle_echo(&mut self) -> bool {
        self.echo.settle()
    }
}
