//! The control unit's end of a K-line as a machine.

mod answer;
mod event;
mod listen;
mod machine;
mod service;
mod wake;

use core::fmt;
use core::time::Duration;

use super::access_timing::AccessTiming;
use super::echo::Verdict;
use super::frame::Frame;
use super::init::WakeUp;
use super::message::DATA_MAX;
use super::outgoing::{Outgoing, SentStep};
use super::receiver::{Backlog, Char, Receiver};
use super::tester::{SPEED_TOLERANCE_PPM, is_made};
use super::{FiveBaud, Framing, Init, KeyBytes, Line};
use crate::contract::{Act, Lost, Speed};
use crate::deadline::{Deadline, Deadlines};
use crate::events::Events;
use crate::time::{CharTime, Instant};
use crate::transport::{Misuse, Noise, Reach};
use answer::{Answer, Reply};
pub use event::{Ignored, UnitEvent};
use wake::Waking;

/// The control unit's end of a K-line: wakes up, judges requests, answers when it is told.
///
/// It speaks StartCommunication, StopCommunication and AccessTimingParameters itself (ISO 14230-2 5); every other
/// request comes up as [`UnitEvent::Request`] and is answered by [`respond`](Self::respond), once or several times
/// ("response pending" first, then the answer).
///
/// * It sees a fast initialisation as two edges 25 +-1 ms apart and a request 50 +-1 ms after the first, a five-baud
///   address as edges. On a port without pulses ([`Reach::pulse`]) it takes StartCommunication without one; a
///   five-baud address cannot reach it there. With [`Init::None`] it is always started.
/// * What breaks P3min (physical addressing), P4max or a checksum, and what is for somebody else, is ignored on the
///   line and told as [`UnitEvent::Ignored`] or [`UnitEvent::Noise`].
/// * When P3max passes without a request it ends communication silently, goes back to the line it was made with and
///   waits for a new initialisation.
///
/// ```
/// use core::time::Duration;
/// use tickover_framing::Instant;
/// use tickover_framing::contract::{Act, Machine, Output};
/// use tickover_framing::kline::{Line, Unit};
/// use tickover_framing::transport::Reach;
///
/// let line = Line::iso14230(0x1C, 0xF1);
/// let mut unit = Unit::new(line, Reach::IDEAL);
/// unit.set_p2(Duration::from_millis(25)); // of the answers it gives by itself
/// assert_eq!(unit.poll_output(), Output::Act(Act::Speed(line.speed())));
/// ```
#[derive(Clone)]
pub struct Unit {
    declared: Line,
    line: Line,
    reach: Reach,
    tolerance_ppm: u32,
    key_bytes: KeyBytes,
    limits: Option<AccessTiming>,
    p2: Duration,
    p1: Duration,
    phase: Phase,
    wake_up: WakeUp,
    waking: Waking,
    act: Option<Act>,
    deadlines: Deadlines,
    events: Events<UnitEvent>,
    backlog: Backlog,
    receiver: Receiver,
    outgoing: Outgoing,
    /// The answer that waits for P2, and what it does when it is out.
    queued: Option<(Frame, Answer)>,
    sending: Answer,
    reply: Reply,
    /// P2 and P3 run from here: end of the last request or answer.
    free_from: Option<Instant>,
    speed: Option<Speed>,
    request: [u8; DATA_MAX],
    request_len: usize,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Phase {
    Dead,
    /// The speed is not made.
    Off,
    /// Waits for an initialisation.
    Asleep,
    /// Communication stands.
    Started,
}

impl Unit {
    /// A unit with this line on a port of this reach. Its first act sets the speed.
    ///
    /// Its key bytes are those that the line expects, else [`KeyBytes::ISO14230`] or [`KeyBytes::ISO9141`].
    pub const fn new(line: Line, reach: Reach) -> Self {
        let key_bytes = match (line.init, line.framing) {
            (Init::FiveBaud(FiveBaud { key_bytes: Some(key_bytes), .. }), _) => key_bytes,
            (_, Framing::Iso9141) => KeyBytes::ISO9141,
            _ => KeyBytes::ISO14230,
        };
        Self {
            declared: line,
            line,
            reach,
            tolerance_ppm: SPEED_TOLERANCE_PPM,
            key_bytes,
            limits: Some(AccessTiming::WIDEST),
            p2: line.timing.p2_min,
            p1: Duration::ZERO,
            phase: Phase::Off,
            wake_up: WakeUp::None,
            waking: Waking::Idle,
            act: Some(Act::Speed(line.speed())),
            deadlines: Deadlines::NONE,
            events: Events::new(),
            backlog: Backlog::EMPTY,
            receiver: Receiver::EMPTY,
            outgoing: Outgoing::new(reach.echo),
            queued: None,
            sending: Answer::Application,
            reply: Reply::UNKNOWN,
            free_from: None,
            speed: None,
            request: [0; DATA_MAX],
            request_len: 0,
        }
    }

    /// Announces these key bytes at the next initialisation, and keeps to the headers that they name.
    pub fn set_key_bytes(&mut self, key_bytes: KeyBytes) {
        self.key_bytes = key_bytes;
    }

    /// P2 of the answers that the unit gives by itself, and W times excepted; P2min without this call.
    pub fn set_p2(&mut self, p2: Duration) {
        self.p2 = p2;
    }

    /// Gap between the bytes of answers; none without this call.
    pub fn set_p1(&mut self, p1: Duration) {
        self.p1 = p1;
    }

    /// What AccessTimingParameters may set; `None`: the service is refused. Without this call, anything.
    pub fn set_timing_limits(&mut self, limits: Option<AccessTiming>) {
        self.limits = limits;
    }

    /// Accepts a port whose speed, read back, is off by so many parts per million; 5000 (0.5 %) without this call.
    pub fn set_speed_tolerance_ppm(&mut self, parts_per_million: u32) {
        self.tolerance_ppm = parts_per_million;
    }

    /// The line as it is now.
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// The data of the last request: service identifier and parameters.
    pub fn request(&self) -> &[u8] {
        self.request.get(..self.request_len).unwrap_or_default()
    }

    /// From now on the line is this: after an answer that changes speed or timing.
    ///
    /// The speed is set as soon as our own bytes are out. The next initialisation begins with the first line again.
    pub fn change_line(&mut self, now: Instant, line: Line) {
        self.line = line;
        self.key_bytes.apply_to(&mut self.line.timing);
        self.speed_due(now);
    }

    /// The tester's initialisation is over for the application's own reasons (a reset): waits for the next.
    pub fn reset(&mut self, now: Instant) {
        if matches!(self.phase, Phase::Started | Phase::Asleep) {
            self.fall_asleep(now);
        }
    }

    fn char_time(&self) -> CharTime {
        self.line.char_time()
    }

    /// When a limit on a start is broken for sure: the byte would have been told by then.
    fn limit(&self, from: Instant, limit: Duration) -> Instant {
        from.after(limit).after(self.char_time().one()).after(self.reach.late_in)
    }

    fn noise(&mut self, at: Instant, what: Noise) {
        self.events.push(UnitEvent::Noise { at, what });
    }

    /// Sets the speed once our own bytes are out.
    fn speed_due(&mut self, now: Instant) {
        if self.speed != Some(self.line.speed()) {
            let out = self.outgoing.end().map_or(now, |end| end.after(self.reach.late_out));
            self.deadlines.arm(Deadline::SpeedChange, out.max(now));
        }
    }

    fn speed_is(&mut self, at: Instant, got: Option<Speed>) {
        let wanted = self.line.speed();
        if !is_made(wanted, got, self.tolerance_ppm) {
            self.phase = Phase::Off;
            self.deadlines = Deadlines::NONE;
            self.events.push(UnitEvent::NotMade { wanted, got });
            return;
        }
        self.speed = Some(wanted);
        if self.phase == Phase::Off {
            self.fall_asleep(at);
        }
    }

    fn on_deadline(&mut self, deadline: Deadline, at: Instant, now: Instant) {
        match deadline {
            Deadline::SpeedChange => self.act = Some(Act::Speed(self.line.speed())),
            Deadline::OwnByte => self.act = self.outgoing.piece(),
            Deadline::NextByte => self.paused(),
            Deadline::Answer => self.send_queued(),
            Deadline::NextRequest => {
                self.fall_asleep(now);
                self.events.push(UnitEvent::TimedOut { at });
            }
            _ => self.waking_deadline(deadline, at),
        }
    }

    /// Tells every deadline that was over before something else happened at `now`.
    fn expire_before(&mut self, now: Instant) {
        while let Some((at, deadline)) = self.deadlines.take_before(now) {
            self.on_deadline(deadline, at, now);
        }
    }

    /// Looks at bytes until one of them makes an event.
    fn pump(&mut self) {
        while self.events.is_empty() {
            let Some(char) = self.backlog.take(self.char_time()) else { return };
            self.byte(char);
        }
    }

    fn byte(&mut self, char: Char) {
        self.expire_before(char.start.after(self.char_time().one()));
        if matches!(self.phase, Phase::Dead | Phase::Off) {
            return;
        }
        match self.outgoing.judge(char) {
            Verdict::Own => {}
            Verdict::Collision { at } => self.collision(at, char.end),
            Verdict::Theirs => self.theirs(char),
            Verdict::TheirsSince { count, first, last } => {
                for char in self.outgoing.seeming_echo(count, first, last) {
                    self.theirs(char);
                }
                self.theirs(char);
            }
        }
    }

    fn theirs(&mut self, char: Char) {
        if self.waking.takes_single_bytes() { self.waking_byte(char) } else { self.request_byte(char) }
    }

    fn sent(&mut self, start: Instant, end: Instant) {
        match self.outgoing.sent(start, end) {
            SentStep::Go => self.act = self.outgoing.piece(),
            SentStep::At(at) => self.deadlines.arm(Deadline::OwnByte, at),
            SentStep::Out { start, end } => self.answer_is_out(start, end),
            SentStep::Idle => {}
        }
    }

    fn lost(&mut self, cause: Lost) {
        if self.phase != Phase::Dead {
            self.phase = Phase::Dead;
            self.act = None;
            self.deadlines = Deadlines::NONE;
            self.events.push(UnitEvent::Down(cause));
        }
    }
}

impl Unit {
    /// Answers the last request `p2` after its end, or `p2` after the answer given before: service identifier and
    /// parameters. May be called again once the answer is out ([`UnitEvent::Sent`]).
    ///
    /// # Errors
    /// [`Misuse::NotConnected`] if no tester has started communication, [`Misuse::Busy`] while an answer waits or is
    /// being sent, [`Misuse::Length`] if the data do not fit a message of this framing and these key bytes.
    pub fn respond(&mut self, now: Instant, data: &[u8], p2: Duration) -> Result<(), Misuse> {
        if self.phase != Phase::Started {
            return Err(Misuse::NotConnected);
        }
        if self.is_answering() {
            return Err(Misuse::Busy);
        }
        let limit = self.line.framing.longest(self.key_bytes.headers()) as u16;
        let frame = self.reply.frame(&self.line, self.key_bytes.headers(), data);
        let frame = frame.ok_or(Misuse::Length { length: data.len(), limit })?;
        self.answer_at(now, p2, frame, Answer::Application);
        Ok(())
    }
}

impl fmt::Debug for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Unit").field("line", &self.line).field("phase", &self.phase).finish_non_exhaustive()
    }
}
