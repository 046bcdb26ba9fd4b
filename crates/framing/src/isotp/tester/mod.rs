//! The tester's end of conversations on CAN as a machine.

mod exchange;
mod machine;

use core::fmt;

use super::deadline::Deadline;
use super::receiver::Receiver;
use super::sender::Sender;
use super::settings::Settings;
use super::{Address, Flow, Line, Path};
use crate::can::Id;
use crate::contract::{Act, Lost, Speed, Tag};
use crate::events::Events;
use crate::time::Instant;
use crate::transport::{Answers, Ask, Heard, Peer, Reach};

/// The tester's end of conversations on CAN: asks one unit or all, receives `UNITS` answers at once, of up to `BYTES`
/// bytes (8 to 65535) each.
///
/// Commands come from [`Transport`](crate::transport::Transport); input and output from
/// [`Machine`](crate::contract::Machine). What it promises:
///
/// * [`connect`](crate::transport::Transport::connect) sets the line's speed and tells [`Heard::Ready`] or
///   [`Heard::NotMade`]; a line without a speed is ready at once.
/// * A [`request`](crate::transport::Transport::request) goes to a unit that was [added](Self::add_unit), by
///   [`Peer::Address`] with the address of its requests, or to all of them by [`Peer::Anyone`]. It is told as
///   [`Heard::Sent`] when its last frame is out, and ends in exactly one of: `Sent` ([`Answers::None`]),
///   [`Heard::Message`] ([`Answers::One`]), [`Heard::Silence`] (all others, and whenever a request is not sent or an
///   answer is missing).
/// * The window runs from the end of the request; an answer's first frame stops it, the answer's end opens the next
///   one. After "response pending" of several units it stays open until the last of them has answered or is late.
/// * [`Heard::Noise`] may come at any time between and ends nothing: an answer that breaks off opens a new window.
/// * Frames of others, and those that go to the units, are ignored.
///
/// ```
/// use tickover_framing::Instant;
/// use tickover_framing::can::Id;
/// use tickover_framing::contract::{Machine, Output};
/// use tickover_framing::isotp::{Address, Line, Path, Tester};
/// use tickover_framing::transport::{Heard, Reach, Transport};
///
/// let mut tester: Tester<1, 4095> = Tester::new(Line::CLASSIC, Reach::IDEAL);
/// let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
/// tester.add_unit(Path { request, response })?;
/// tester.connect(Instant::ORIGIN);
/// assert_eq!(tester.poll_output(), Output::Event(Heard::Ready { key_bytes: None }));
/// # Ok::<(), tickover_framing::isotp::PathError>(())
/// ```
#[derive(Clone)]
pub struct Tester<const UNITS: usize, const BYTES: usize> {
    settings: Settings,
    phase: Phase,
    units: [Option<Unit<BYTES>>; UNITS],
    functional: Option<Address>,
    sender: Sender<BYTES>,
    asked: Asked,
    ask: Ask,
    /// Of the answer waited for: the asked one, or longer after "response pending".
    window: core::time::Duration,
    /// End of the request.
    sent_end: Instant,
    /// End of the request or of the last answer.
    window_from: Instant,
    /// The window's end, unless an answer has begun.
    window_until: Instant,
    speed_act: bool,
    events: Events<Heard>,
    /// The unit whose message was told last.
    spoken: Option<usize>,
    next_tag: u8,
}

/// A unit that may answer.
#[derive(Clone, Debug)]
struct Unit<const BYTES: usize> {
    path: Path,
    receiver: Receiver<BYTES>,
    /// An answer has begun: the window waits for its end.
    answering: bool,
    /// After "response pending": until then the window stays open for this unit.
    pending_until: Option<Instant>,
}

/// Who may answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Asked {
    Unit(usize),
    All,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Phase {
    /// Before `connect`, or the speed could not be made.
    Off,
    /// The speed is being set.
    Connecting,
    Ready,
    /// The request is on its way.
    Asking,
    /// The request is out: the window runs.
    Waiting,
    Dead(Lost),
}

/// Why a unit cannot be added.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PathError {
    /// No room.
    #[error("this tester listens to at most {0} units at once")]
    Full(usize),
    /// Two units on one response address: their answers could not be told apart.
    #[error("another unit answers on {0} too; their answers could not be told apart")]
    ResponseTaken(Id),
    /// Requests would look like answers.
    #[error("requests and answers would both go by {0}; they could not be told apart")]
    OneWay(Id),
    /// An identifier larger than its width.
    #[error("{0} is too large: 11 bits end at 7FF, 29 bits at 1FFFFFFF")]
    Width(Id),
}

impl<const UNITS: usize, const BYTES: usize> Tester<UNITS, BYTES> {
    /// A tester for this line on a port of this reach, without units. Nothing happens before `connect`.
    pub const fn new(line: Line, reach: Reach) -> Self {
        const { assert!(UNITS >= 1 && UNITS <= 128 && BYTES >= 8 && BYTES <= u16::MAX as usize) };
        Self {
            settings: Settings::new(line, reach),
            phase: Phase::Off,
            units: [const { None }; UNITS],
            functional: None,
            sender: Sender::new(Address::Normal(Id::Standard(0))),
            asked: Asked::All,
            ask: Ask { to: Peer::Anyone, answers: Answers::None, window: core::time::Duration::ZERO },
            window: core::time::Duration::ZERO,
            sent_end: Instant::ORIGIN,
            window_from: Instant::ORIGIN,
            window_until: Instant::ORIGIN,
            speed_act: false,
            events: Events::new(),
            spoken: None,
            next_tag: 0,
        }
    }

    /// Adds a unit that may be asked and may answer.
    ///
    /// # Errors
    /// [`PathError`]: there is no room, or frames of this path could be taken for others. A unit whose path is
    /// there already is not added again.
    pub fn add_unit(&mut self, path: Path) -> Result<(), PathError> {
        if self.units.iter().flatten().any(|unit| unit.path == path) {
            return Ok(());
        }
        for address in [path.request, path.response] {
            if !address.id().is_in_width() {
                return Err(PathError::Width(address.id()));
            }
        }
        let others = || self.units.iter().flatten().map(|unit| unit.path);
        if others().any(|other| other.response.collides_with(path.response)) {
            return Err(PathError::ResponseTaken(path.response.id()));
        }
        let mut requests = others().map(|other| other.request).chain([path.request]).chain(self.functional);
        if requests.any(|request| request.collides_with(path.response)) {
            return Err(PathError::OneWay(path.response.id()));
        }
        let Some(free) = self.units.iter_mut().find(|unit| unit.is_none()) else {
            return Err(PathError::Full(UNITS));
        };
        *free = Some(Unit { path, receiver: Receiver::new(path.request), answering: false, pending_until: None });
        Ok(())
    }

    /// Where requests to [`Peer::Anyone`] go; without one there are none.
    pub fn set_functional(&mut self, address: Option<Address>) {
        self.functional = address;
    }

    /// What is asked of units that send to us, from the next block on, and how often they may say WAIT.
    pub fn set_flow(&mut self, flow: Flow) {
        self.settings.line.flow = flow;
    }

    /// The speed of a bus that its owner has set: frames have a start then, and windows hold to it.
    ///
    /// Without one, here or in the line, a frame counts as started when it ends.
    pub fn assume_speed(&mut self, speed: Speed) {
        self.settings.assume_speed(speed);
    }

    /// The line as it was given, with its flow as it is now.
    pub fn line(&self) -> &Line {
        &self.settings.line
    }

    fn tag(next: &mut u8) -> Tag {
        *next = next.wrapping_add(1);
        Tag(u16::from(*next))
    }

    fn switch_off(&mut self) {
        self.phase = Phase::Off;
        self.speed_act = false;
        self.spoken = None;
        self.sender.abort();
        for unit in self.units.iter_mut().flatten() {
            unit.receiver.abort();
            (unit.answering, unit.pending_until) = (false, None);
        }
    }

    fn next_act(&mut self) -> Option<Act> {
        if core::mem::take(&mut self.speed_act) {
            return self.settings.line.speed.map(Act::Speed);
        }
        let next = &mut self.next_tag;
        let mut tag = || Self::tag(next);
        let receivers = self.units.iter_mut().flatten();
        let (tag, frame) = match self.sender.take(&mut tag) {
            Some(taken) => taken,
            None => receivers.filter_map(|unit| unit.receiver.take(&mut tag)).next()?,
        };
        Some(Act::Transmit { tag, wire: crate::contract::Wire::Frame(frame) })
    }

    fn next_deadline(&self) -> Option<(Instant, Deadline)> {
        let window = self.window_end().map(|at| (at, Deadline::AnswerStart));
        let receivers = self.units.iter().flatten().map(|unit| unit.receiver.due());
        receivers.fold(super::deadline::sooner(self.sender.due(), window), super::deadline::sooner)
    }
}

impl<const UNITS: usize, const BYTES: usize> fmt::Debug for Tester<UNITS, BYTES> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tester").field("line", &self.settings.line).field("phase", &self.phase).finish_non_exhaustive()
    }
}
