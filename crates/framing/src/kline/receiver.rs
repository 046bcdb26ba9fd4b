//! Bytes that came become frames.

use super::Framing;
use super::frame::{Content, FRAME_MAX, Progress, Way};
use crate::time::{CharTime, Instant};
use crate::transport::Noise;

/// One byte that came.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Char {
    pub(crate) byte: u8,
    /// Edge of its start bit.
    pub(crate) start: Instant,
    /// End of its stop bit.
    pub(crate) end: Instant,
}

/// Deliveries not yet looked at: a machine tells one event before it takes the next byte.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Backlog {
    bytes: [u8; Self::CAPACITY],
    len: usize,
    at: usize,
    end: Instant,
}

impl Backlog {
    /// More than a driver hands in at once.
    const CAPACITY: usize = 512;
    pub(crate) const EMPTY: Self = Self { bytes: [0; Self::CAPACITY], len: 0, at: 0, end: Instant::ORIGIN };

    /// Takes one delivery whose last byte ended at `end` and returns the bytes that do not fit, its last ones.
    pub(crate) fn put<'a>(&mut self, end: Instant, bytes: &'a [u8], char_time: CharTime) -> &'a [u8] {
        let (taken, rest) = bytes.split_at(bytes.len().min(Self::CAPACITY));
        for (to, from) in self.bytes.iter_mut().zip(taken) {
            *to = *from;
        }
        self.len = taken.len();
        self.at = 0;
        self.end = end.before(char_time.of(rest.len()));
        rest
    }

    /// The next byte. Times count back from the end of the delivery, so that rounding does not add up.
    pub(crate) fn take(&mut self, char_time: CharTime) -> Option<Char> {
        if self.is_empty() {
            return None;
        }
        let byte = *self.bytes.get(self.at)?;
        let start = self.end.before(char_time.of(self.len - self.at));
        self.at += 1;
        Some(Char { byte, start, end: self.end.before(char_time.of(self.len - self.at)) })
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.at >= self.len
    }
}

/// What a byte did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Step {
    /// The frame goes on.
    More,
    /// The frame is complete: [`Receiver::open`] reads it.
    Whole,
    /// The bytes are no frame; what follows is skipped until a pause.
    Noise(Noise),
    /// The pause after skipped bytes.
    Skipped,
}

/// The frame that is coming in.
#[derive(Clone, Copy)]
pub(crate) struct Receiver {
    bytes: [u8; FRAME_MAX],
    len: usize,
    start: Instant,
    end: Instant,
    state: State,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    Free,
    Gathering,
    Skipping,
}

impl Receiver {
    pub(crate) const EMPTY: Self =
        Self { bytes: [0; FRAME_MAX], len: 0, start: Instant::ORIGIN, end: Instant::ORIGIN, state: State::Free };

    /// Whether a frame, or something that is none, is coming in.
    pub(crate) fn is_busy(&self) -> bool {
        self.state != State::Free
    }

    /// Start of the first byte.
    pub(crate) fn start(&self) -> Instant {
        self.start
    }

    /// End of the last byte so far.
    pub(crate) fn end(&self) -> Instant {
        self.end
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or_default()
    }

    pub(crate) fn clear(&mut self) {
        self.len = 0;
        self.state = State::Free;
    }

    /// What comes until the next pause is not looked at.
    pub(crate) fn skip(&mut self, end: Instant) {
        self.state = State::Skipping;
        self.end = end;
    }

    pub(crate) fn push(&mut self, framing: &Framing, char: Char) -> Step {
        if self.state == State::Free {
            self.start = char.start;
            self.len = 0;
            self.state = State::Gathering;
        }
        self.end = char.end;
        if self.state == State::Skipping {
            return Step::More;
        }
        let Some(slot) = self.bytes.get_mut(self.len) else {
            return self.unusable(Noise::TooLong);
        };
        *slot = char.byte;
        self.len += 1;
        match framing.progress(self.bytes()) {
            Progress::More | Progress::UntilSilence => Step::More,
            Progress::Whole => Step::Whole,
            Progress::Unusable(noise) => self.unusable(noise),
        }
    }

    fn unusable(&mut self, noise: Noise) -> Step {
        self.state = State::Skipping;
        Step::Noise(noise)
    }

    /// No byte came in time: what was gathered is a frame if only a pause can end one, else it was cut.
    pub(crate) fn pause(&mut self, framing: &Framing) -> Step {
        match self.state {
            State::Free => Step::More,
            State::Skipping => Step::Skipped,
            State::Gathering => match framing.progress(self.bytes()) {
                Progress::UntilSilence => Step::Whole,
                _ => Step::Noise(Noise::Cut { bytes: self.len as u16 }),
            },
        }
    }

    /// Reads the complete frame.
    pub(crate) fn open(&self, framing: &Framing, way: Way) -> Result<Content, Noise> {
        framing.open(way, self.bytes())
    }
}
