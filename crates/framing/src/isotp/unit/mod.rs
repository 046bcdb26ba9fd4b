//! The control unit's end of a conversation on CAN as a machine.

mod event;
mod machine;

use core::fmt;
use core::time::Duration;

use super::receiver::Receiver;
use super::sender::Sender;
use super::settings::Settings;
use super::{Address, Flow, Line, Path, Timing};
use crate::contract::{Chunk, Lost, Speed};
use crate::events::Events;
use crate::time::Instant;
use crate::transport::{Misuse, Reach};
pub use event::UnitEvent;

/// The control unit's end of a conversation on CAN: receives requests of up to `BYTES` bytes (8 to 65535), answers
/// when it is told.
///
/// Every request comes up as [`UnitEvent::Request`] and is answered by [`respond`](Self::respond), once or several
/// times ("response pending" first, then the answer). Requests to a group are single frames and are taken also while
/// an answer is sent; a request to this unit alone is then ignored ([`Noise::Unasked`](crate::transport::Noise)).
///
/// ```
/// use core::time::Duration;
/// use tickover_framing::Instant;
/// use tickover_framing::can::{Frame, Id};
/// use tickover_framing::contract::{Input, Machine, Output};
/// use tickover_framing::isotp::{Address, Line, Path, Unit, UnitEvent};
/// use tickover_framing::transport::Reach;
///
/// let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
/// let mut unit: Unit<64> = Unit::new(Line::CLASSIC, Path { request, response }, None, Reach::IDEAL);
/// let frame = Frame::classic(request.id(), &[0x02, 0x3E, 0x00, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]).unwrap();
/// let end = Instant::from_nanos(270_000);
/// unit.handle(Input::Frame { end, frame: &frame });
/// assert_eq!(unit.poll_output(), Output::Event(UnitEvent::Request { functional: false, start: end, end }));
/// assert_eq!(unit.request(), [0x3E, 0x00]);
/// unit.respond(end, &[0x7E, 0x00], Duration::from_millis(2))?;
/// # Ok::<(), tickover_framing::transport::Misuse>(())
/// ```
#[derive(Clone)]
pub struct Unit<const BYTES: usize> {
    settings: Settings,
    path: Path,
    functional: Option<Address>,
    phase: Phase,
    speed_act: bool,
    receiver: Receiver<BYTES>,
    group_request: Chunk,
    /// The request told last went to a group.
    told: Told,
    sender: Sender<BYTES>,
    /// End of the last request or answer.
    free_from: Option<Instant>,
    events: Events<UnitEvent>,
    next_tag: u8,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Phase {
    /// The speed is not made.
    Off,
    On,
    Dead(Lost),
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Told {
    Nothing,
    Physical,
    Group,
}

impl<const BYTES: usize> Unit<BYTES> {
    /// A unit on this line and path, with the address of requests to its group, on a port of this reach.
    ///
    /// With a speed in the line its first act sets it; without one it takes part at once.
    pub const fn new(line: Line, path: Path, functional: Option<Address>, reach: Reach) -> Self {
        const { assert!(BYTES >= 8 && BYTES <= u16::MAX as usize) };
        let phase = if line.speed.is_some() { Phase::Off } else { Phase::On };
        Self {
            settings: Settings::new(line, reach),
            path,
            functional,
            phase,
            speed_act: line.speed.is_some(),
            receiver: Receiver::new(path.response),
            group_request: Chunk::EMPTY,
            told: Told::Nothing,
            sender: Sender::new(path.response),
            free_from: None,
            events: Events::new(),
            next_tag: 0,
        }
    }

    /// Sends an answer `after` the end of the last request or answer, or at once if that is over.
    ///
    /// # Errors
    /// [`Misuse::NotConnected`] while the speed is not made, [`Misuse::Busy`] while an answer waits or is sent,
    /// [`Misuse::Length`] if there are no data or more than `BYTES`.
    pub fn respond(&mut self, now: Instant, data: &[u8], after: Duration) -> Result<(), Misuse> {
        if self.phase != Phase::On {
            return Err(Misuse::NotConnected);
        }
        if self.sender.is_busy() {
            return Err(Misuse::Busy);
        }
        if data.is_empty() || data.len() > BYTES {
            return Err(Misuse::Length { length: data.len(), limit: BYTES as u16 });
        }
        let at = self.free_from.map_or(now, |from| from.after(after));
        self.sender.begin(&self.settings, now, at, self.path.response, data);
        Ok(())
    }

    /// The data of the request told last: service identifier and parameters.
    pub fn request(&self) -> &[u8] {
        match self.told {
            Told::Nothing => &[],
            Told::Physical => self.receiver.message(),
            Told::Group => self.group_request.as_slice(),
        }
    }

    /// Whether an answer waits for its time or is being sent.
    pub fn is_answering(&self) -> bool {
        self.sender.is_busy()
    }

    /// What is asked of the tester when it sends, from the next block on, and how often it may say WAIT.
    pub fn set_flow(&mut self, flow: Flow) {
        self.settings.line.flow = flow;
    }

    /// The times that this unit takes and grants.
    pub fn set_timing(&mut self, timing: Timing) {
        self.settings.line.timing = timing;
    }

    /// Says WAIT so often before every other flow control, and takes this time before each of the next ones.
    pub fn set_waits(&mut self, count: u8, every: Duration) {
        (self.settings.waits, self.settings.wait_every) = (count, every);
    }

    /// Keeps this STmin instead of the one that the tester asks for: a unit that is too fast, or slower than asked.
    pub fn set_separation(&mut self, separation: Option<Duration>) {
        self.settings.separation = separation;
    }

    /// The speed of a bus that its owner has set: frames have a start then.
    pub fn assume_speed(&mut self, speed: Speed) {
        self.settings.assume_speed(speed);
    }

    /// The line as it was given, with what was set since.
    pub fn line(&self) -> &Line {
        &self.settings.line
    }

    /// Both directions of the conversation.
    pub fn path(&self) -> Path {
        self.path
    }
}

impl<const BYTES: usize> fmt::Debug for Unit<BYTES> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Unit").field("line", &self.settings.line).field("path", &self.path).finish_non_exhaustive()
    }
}
