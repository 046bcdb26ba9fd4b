//! The tester's end of a K-line as a machine.

mod exchange;
mod machine;
mod opening;
mod state;

use core::fmt;
use core::time::Duration;

use super::access_timing::{AccessTiming, TimingIdentifier};
use super::echo::Verdict;
use super::frame::{FRAME_MAX, Frame};
use super::init::{BREAK_ECHO, service};
use super::message::DATA_MAX;
use super::outgoing::{Outgoing, SentStep};
use super::receiver::{Backlog, Char, Receiver};
use super::{Framing, HeaderForms, KeyBytes, Line, Timing};
use crate::contract::{Act, Lost, Speed};
use crate::deadline::{Deadline, Deadlines};
use crate::events::Events;
use crate::time::{CharTime, Instant};
use crate::transport::{Answers, Ask, Heard, Misuse, Noise, Peer, Reach, Stage, Transport};
use opening::Opening;
use state::{Consequence, Edges, Ended, Phase, SpeedState};

/// How far a port's speed may be off unless the caller says otherwise: 0.5 % (ISO 14230-1 8.2.3), in parts per million.
pub const SPEED_TOLERANCE_PPM: u32 = 5_000;

/// The tester's end of a K-line: initialises, asks, paces its bytes, cancels its echo, runs the answer's window.
///
/// Commands come from [`Transport`]; input and output from
/// [`Machine`](crate::contract::Machine). What it promises:
///
/// * [`connect`](Transport::connect) ends in [`Heard::Ready`], [`Heard::NotReady`] or [`Heard::NotMade`]. It begins
///   with the act `Speed`, keeps the line idle (Tidle, W0, W5), then initialises as [`Line::init`] says. Afterwards
///   headers and timing follow the key bytes.
/// * A [`request`](Transport::request) goes out at P3min after the last message, its bytes P4min apart, and is told
///   as [`Heard::Sent`]. It ends in exactly one of: `Sent` ([`Answers::None`]), [`Heard::Message`]
///   ([`Answers::One`]), [`Heard::Silence`] (all others, and whenever an answer is missing). A line that is never
///   quiet delays an end by the time of the longest message at P1max.
/// * [`Heard::Noise`] may come at any time between and ends nothing: a garbled answer opens a new window
///   (ISO 14230-2 6), which then closes with `Silence` if nothing better comes. Only [`Noise::Early`] goes with a good
///   message, which follows it.
/// * The bytes of a message stand in [`message`](Transport::message) until the next call of `handle` or
///   `poll_output`; [`keep_waiting`](Transport::keep_waiting) is called in that time too.
/// * Timing parameters that the unit grants (83 03, 83 01) hold by themselves from its answer on; a new speed and all
///   else that an answer changes are told by [`change_line`](Self::change_line).
///
/// ```
/// use tickover_framing::Instant;
/// use tickover_framing::contract::{Act, Machine, Output};
/// use tickover_framing::kline::{Line, Tester};
/// use tickover_framing::transport::{Reach, Transport};
///
/// let line = Line::iso14230(0x1C, 0xF1);
/// let mut tester = Tester::new(line, Reach::IDEAL);
/// tester.connect(Instant::ORIGIN);
/// assert_eq!(tester.poll_output(), Output::Act(Act::Speed(line.speed())));
/// ```
#[derive(Clone)]
pub struct Tester {
    /// As the caller gave it, and as it is now.
    declared: Line,
    line: Line,
    /// The timing that the key bytes announced: what 83 01 goes back to.
    announced: Timing,
    headers: HeaderForms,
    key_bytes: Option<KeyBytes>,
    reach: Reach,
    tolerance_ppm: u32,
    phase: Phase,
    act: Option<Act>,
    deadlines: Deadlines,
    events: Events<Heard>,
    backlog: Backlog,
    receiver: Receiver,
    outgoing: Outgoing,
    ask: Ask,
    /// Of the answer waited for: the asked one, or longer after "response pending".
    window: Duration,
    /// What the request under way changes once it is answered.
    consequence: Consequence,
    /// P2 runs from here: end of the request or of the last answer.
    window_from: Instant,
    /// P3 runs from here: end of the last message of anybody.
    free_from: Option<Instant>,
    /// End of the last byte of anybody.
    last_byte: Option<Instant>,
    ended: Ended,
    speed: SpeedState,
    /// The last thing told was a message: its window may be opened again.
    answered: bool,
    opening_since: Instant,
    last_edge: Edges,
    queued: Option<Frame>,
    message: [u8; DATA_MAX],
    message_len: usize,
}

/// How [`Tester::stop`] ends a connection.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stopping {
    /// StopCommunication goes out; its answer, or silence, comes as for any request and ends the connection.
    Asked,
    /// There is nothing to send: no connection yet, or a framing without such a request. The unit notices at P3max.
    Over,
}

impl Tester {
    /// A tester for this line on a port of this reach. Nothing happens before [`connect`](Transport::connect).
    pub const fn new(line: Line, reach: Reach) -> Self {
        Self {
            declared: line,
            line,
            announced: line.timing,
            headers: HeaderForms::NOT_STATED,
            key_bytes: None,
            reach,
            tolerance_ppm: SPEED_TOLERANCE_PPM,
            phase: Phase::Off,
            act: None,
            deadlines: Deadlines::NONE,
            events: Events::new(),
            backlog: Backlog::EMPTY,
            receiver: Receiver::EMPTY,
            outgoing: Outgoing::new(reach.echo),
            ask: Ask { to: Peer::Anyone, answers: Answers::None, window: Duration::ZERO },
            window: Duration::ZERO,
            consequence: Consequence::None,
            window_from: Instant::ORIGIN,
            free_from: None,
            last_byte: None,
            ended: Ended::Never,
            speed: SpeedState::Made,
            answered: false,
            opening_since: Instant::ORIGIN,
            last_edge: Edges::None,
            queued: None,
            message: [0; DATA_MAX],
            message_len: 0,
        }
    }

    /// Accepts a port whose speed, read back, is off by so many parts per million; 5000 (0.5 %) without this call.
    pub fn set_speed_tolerance_ppm(&mut self, parts_per_million: u32) {
        self.tolerance_ppm = parts_per_million;
    }

    /// The line as it is now: what the key bytes and granted timing parameters made of it.
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// The headers that this tester now sends.
    pub fn headers(&self) -> HeaderForms {
        self.headers
    }

    /// From now on the line is this: after an answer that changes speed or timing.
    ///
    /// A limit with its normal value still follows the key bytes, as after initialisation. The speed is set as soon
    /// as our own bytes are out; requests wait for it. A speed that the port cannot make is told as
    /// [`Heard::NotMade`] and ends the connection. The next `connect` begins with the first line again.
    ///
    /// # Errors
    /// [`Misuse::NotConnected`] without a connection, [`Misuse::Busy`] while a request is under way.
    pub fn change_line(&mut self, now: Instant, line: Line) -> Result<(), Misuse> {
        self.must_be_ready()?;
        let speed_changes = line.speed() != self.line.speed();
        self.line = line;
        if let Some(key_bytes) = self.key_bytes {
            key_bytes.apply_to(&mut self.line.timing);
        }
        if speed_changes {
            self.speed_due(now);
        }
        self.advance(now);
        Ok(())
    }

    /// Ends the connection in order: StopCommunication (ISO 14230-2 5.2) where the framing has it.
    ///
    /// During an initialisation it gives that up at once and lets go of the line.
    ///
    /// # Errors
    /// [`Misuse::NotConnected`] without a connection, [`Misuse::Busy`] while a request is under way.
    pub fn stop(&mut self, now: Instant) -> Result<Stopping, Misuse> {
        if let Phase::Opening(_) = self.phase {
            let held_low = self.may_hold_the_line();
            self.switch_off(Ended::Otherwise);
            if held_low {
                self.release();
            }
            return Ok(Stopping::Over);
        }
        self.must_be_ready()?;
        if self.line.framing != Framing::Iso14230 {
            self.switch_off(Ended::Otherwise);
            return Ok(Stopping::Over);
        }
        let ask = Ask { to: Peer::Unit(self.line.unit), answers: Answers::One, window: self.line.timing.p2_max };
        self.request(now, &[service::STOP_COMMUNICATION], ask)?;
        self.consequence = Consequence::Stop;
        Ok(Stopping::Asked)
    }

    fn must_be_ready(&self) -> Result<(), Misuse> {
        match self.phase {
            Phase::Ready => Ok(()),
            Phase::Asking | Phase::Waiting => Err(Misuse::Busy),
            Phase::Off | Phase::Dead(_) | Phase::Opening(_) => Err(Misuse::NotConnected),
        }
    }

    fn char_time(&self) -> CharTime {
        self.line.char_time()
    }

    /// When a limit on a start is broken for sure: the byte would have been told by then.
    fn limit(&self, from: Instant, limit: Duration) -> Instant {
        from.after(limit).after(self.char_time().one()).after(self.reach.late_in)
    }

    /// When a wait from `from` on is over although the line is never quiet: no message that keeps P1max takes longer.
    fn give_up_at(&self, from: Instant, limit: Duration) -> Instant {
        let slowest = self.char_time().one().saturating_add(self.line.timing.p1_max).saturating_mul(FRAME_MAX as u32);
        self.limit(from, limit.saturating_add(slowest))
    }

    /// When a byte that ended at `end` by computation has left the port for sure.
    fn out_for_sure(&self, end: Instant) -> Instant {
        end.after(self.reach.late_out)
    }

    /// Sets the speed now, or as soon as our own bytes are out.
    fn speed_due(&mut self, now: Instant) {
        let out = self.outgoing.end().map_or(now, |end| self.out_for_sure(end));
        if out <= now {
            self.ask_for_speed();
        } else {
            self.speed = SpeedState::Due;
            self.deadlines.arm(Deadline::SpeedChange, out);
        }
    }

    fn ask_for_speed(&mut self) {
        self.speed = SpeedState::Asked;
        self.act = Some(Act::Speed(self.line.speed()));
    }

    fn noise(&mut self, at: Instant, what: Noise) {
        self.events.push(Heard::Noise { at, what });
    }

    fn switch_off(&mut self, ended: Ended) {
        self.phase = Phase::Off;
        self.ended = ended;
        self.act = None;
        self.deadlines = Deadlines::NONE;
        self.receiver.clear();
        self.outgoing.abort();
        self.speed = SpeedState::Made;
        self.last_edge = Edges::None;
        self.queued = None;
        self.answered = false;
        self.consequence = Consequence::None;
    }

    /// Tells every deadline that was over before something else happened at `now`.
    fn expire_before(&mut self, now: Instant) {
        while let Some((at, deadline)) = self.deadlines.take_before(now) {
            self.on_deadline(deadline, at, now);
        }
    }

    fn on_deadline(&mut self, deadline: Deadline, at: Instant, now: Instant) {
        match deadline {
            Deadline::SpeedChange => self.ask_for_speed(),
            Deadline::MayRequest => self.advance(now),
            Deadline::OwnByte => self.act = self.outgoing.piece(),
            Deadline::NextByte => self.paused(),
            Deadline::AnswerStart | Deadline::Quiet => self.window_closed(at),
            _ => self.opening_deadline(deadline, at, now),
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
        if matches!(self.phase, Phase::Dead(_)) {
            return;
        }
        self.last_byte = Some(char.end);
        if matches!(self.phase, Phase::Off) || self.is_own_break(char) {
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
        self.advance(char.end);
    }

    fn theirs(&mut self, char: Char) {
        match self.phase {
            Phase::Opening(Opening::Answer { .. }) => self.answer_byte(char),
            Phase::Opening(opening) => self.opening_byte(opening, char),
            _ => self.answer_byte(char),
        }
    }

    fn speed_is(&mut self, at: Instant, got: Option<Speed>) {
        let wanted = self.line.speed();
        if !is_made(wanted, got, self.tolerance_ppm) {
            self.switch_off(Ended::Otherwise);
            self.events.push(Heard::NotMade { wanted, got });
            return;
        }
        self.speed = SpeedState::Made;
        if matches!(self.phase, Phase::Opening(Opening::Speed)) {
            self.begin_opening(at);
        }
        self.advance(at);
    }

    fn sent(&mut self, start: Instant, end: Instant) {
        self.last_byte = Some(end);
        match self.outgoing.sent(start, end) {
            SentStep::Go => self.act = self.outgoing.piece(),
            SentStep::At(at) => self.deadlines.arm(Deadline::OwnByte, at),
            SentStep::Out { start, end } => match self.phase {
                Phase::Opening(opening) => self.opening_sent(opening, end),
                _ => self.request_is_out(start, end),
            },
            SentStep::Idle => {}
        }
    }

    fn lost(&mut self, cause: Lost) {
        if matches!(self.phase, Phase::Dead(_)) {
            return;
        }
        self.switch_off(Ended::Otherwise);
        self.phase = Phase::Dead(cause);
        self.events.push(Heard::Down(cause));
    }
}

/// Whether the port runs at the wanted speed. Only the rate is judged: parity and stop bits read back as asked.
pub(crate) fn is_made(wanted: Speed, got: Option<Speed>, tolerance_ppm: u32) -> bool {
    let (Speed::Serial { baud: wanted, .. }, Some(Speed::Serial { baud: got, .. })) = (wanted, got) else {
        return false;
    };
    u64::from(wanted.abs_diff(got)) * 1_000_000 <= u64::from(wanted) * u64::from(tolerance_ppm)
}

impl Tester {
    fn consequence_of(&self, kind: u8, values: &[u8]) -> Consequence {
        match (TimingIdentifier(kind), values) {
            (TimingIdentifier::SET, &[a, b, c, d, e]) => Consequence::SetTiming(AccessTiming([a, b, c, d, e])),
            (TimingIdentifier::SET_DEFAULT, []) => Consequence::DefaultTiming,
            _ => Consequence::None,
        }
    }

    /// Whether a byte is our own break, come back.
    fn is_own_break(&self, Char { byte, end, .. }: Char) -> bool {
        match self.last_edge {
            Edges::None => false,
            Edges::Moving => true,
            Edges::Last(at) => {
                let over = at.after(BREAK_ECHO);
                end <= over || (byte == 0 && end <= over.after(self.reach.late_in))
            }
        }
    }

    fn ready(&mut self, at: Instant, key_bytes: Option<KeyBytes>) {
        if let Some(key_bytes) = key_bytes {
            key_bytes.apply_to(&mut self.line.timing);
            self.announced = self.line.timing;
            if key_bytes.is_iso14230() {
                self.headers = key_bytes.headers();
            }
            self.free_from = Some(at);
        }
        self.deadlines.disarm(Deadline::Quiet);
        self.key_bytes = key_bytes;
        self.window_from = at;
        self.phase = Phase::Ready;
        self.events.push(Heard::Ready { key_bytes: key_bytes.map(|k| (k.0, k.1)) });
    }

    fn not_ready(&mut self, at: Instant, stage: Stage) {
        self.switch_off(Ended::Orderly);
        self.events.push(Heard::NotReady { at, stage });
    }
}

impl fmt::Debug for Tester {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tester").field("line", &self.line).field("phase", &self.phase).finish_non_exhaustive()
    }
}
