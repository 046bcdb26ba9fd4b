//! A K-line in virtual time with a unit that knows a few answers by heart. No std, no allocator.

use core::time::Duration;

use tickover_framing::Instant;
use tickover_framing::contract::{Act, Input, Known, Lost, Speed, Wire as Bytes};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::CharTime;
use tickover_framing::transport::{Echo, Reach};

/// A request as a whole message, and the answer to it.
pub(crate) type Line = (&'static [u8], &'static [u8]);

/// The tester's end of the wire; it does not hear itself.
pub(crate) struct Wire {
    knows: &'static [Line],
    now: Instant,
    free: Instant,
    char_time: CharTime,
    heard: [u8; 32],
    len: usize,
    answer: Option<(Instant, &'static [u8])>,
}

impl Wire {
    /// Longer than P2min, shorter than P2max (ISO 14230-2 table 1a).
    const P2: Duration = Duration::from_millis(30);

    pub(crate) const fn new(knows: &'static [Line]) -> Self {
        let now = Instant::from_nanos(1_000_000_000);
        Self { knows, now, free: now, char_time: CharTime::new(10, 10_400), heard: [0; 32], len: 0, answer: None }
    }

    fn hear(&mut self, bytes: &[u8]) {
        for byte in bytes {
            if let Some(place) = self.heard.get_mut(self.len) {
                *place = *byte;
                self.len += 1;
            }
        }
        let heard = self.heard.get(..self.len).unwrap_or_default();
        if let Some((_, answer)) = self.knows.iter().find(|(request, _)| *request == heard) {
            let end = self.free.after(Self::P2).after(self.char_time.of(answer.len()));
            self.answer = Some((end, answer));
            self.len = 0;
        }
    }
}

impl Port for Wire {
    fn reach(&self) -> Reach {
        Reach { echo: Echo::Suppressed, ..Reach::IDEAL }
    }

    fn now(&self) -> Instant {
        self.now
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        Some(match *act {
            Act::Transmit { tag, wire: Bytes::Bytes(chunk) } => {
                let start = self.now.max(self.free);
                self.free = start.after(self.char_time.of(chunk.as_slice().len()));
                self.hear(chunk.as_slice());
                Input::Sent { tag, start, end: self.free, known: Known::Computed }
            }
            Act::Transmit { .. } => Input::Lost { at: self.now, cause: Lost::Refused },
            Act::Line { level, .. } => Input::LineIs { at: self.now, level },
            Act::Speed(speed) => {
                if let Speed::Serial { baud, .. } = speed {
                    self.char_time = CharTime::new(10, baud);
                }
                Input::SpeedIs { at: self.now, got: Some(speed) }
            }
        })
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        if let Some((end, answer)) = self.answer.filter(|(end, _)| until.is_none_or(|until| *end <= until)) {
            self.answer = None;
            self.now = self.now.max(end);
            let len = answer.len().min(buffer.len());
            if let (Some(to), Some(from)) = (buffer.get_mut(..len), answer.get(..len)) {
                to.copy_from_slice(from);
            }
            return Woke::Bytes { end, len };
        }
        match until {
            Some(until) => {
                self.now = self.now.max(until);
                Woke::Deadline { now: self.now }
            }
            None => Woke::Lost { at: self.now, cause: Lost::Stopped },
        }
    }
}
