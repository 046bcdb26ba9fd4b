//! An adapter on a serial port that speaks slcan, the ASCII protocol of the Linux kernel's serial CAN driver.

pub mod line;
#[cfg(all(test, unix))]
mod tests;

use std::collections::VecDeque;
use std::task::Waker;
use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::{Condition, Filter};
use tickover_framing::contract::{Act, Chunk, Input, Known, Lost, Parity, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::{Echo, Reach};

use super::{Computed, LOOKS, Wanted, fruitless};
use crate::{Clock, Description, Kind, LivePort, OpenError, Serial};
use line::{CR, FRAME_MAX, Lines, RATES, Said};

/// A CAN adapter behind a serial port, in the slcan protocol.
///
/// `Act::Speed` closes its channel, sets the bit rate and opens it again; the rates are those of the protocol, 10
/// kbit/s to 1 Mbit/s, and another one, or one that the adapter refuses, is [`Lost::Refused`]. It comes back when the
/// adapter has answered these three commands, after 750 ms if it answers none, and nothing else is done meanwhile; a
/// session asks for it only while nobody is being asked anything. When a frame was sent is computed: it starts when it
/// is handed over, or when the one before it is out. One that the adapter refuses after that is told as
/// [`Condition::Refused`]. Classic frames only.
///
/// ```no_run
/// # fn main() -> Result<(), tickover_link::OpenError> {
/// let port = tickover_link::can::Slcan::open("/dev/ttyACM0")?;
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct Slcan {
    serial: Serial,
    baud: u32,
    answers: bool,
    lines: Lines,
    /// Frames and conditions read and not yet handed in.
    heard: VecDeque<Woke>,
    wanted: Wanted,
    /// The channel is open, at this speed.
    sent: Option<Computed>,
    count: Count,
}

/// What came beside good lines since the port was opened first.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub struct Count {
    /// Lines that are none of this protocol.
    pub noise: u64,
    /// Frames that the adapter refused to send: its buffer was full, or somebody closed its channel.
    pub refused: u64,
}

impl Slcan {
    /// The baud rate of adapters with a real serial line behind them, unless told otherwise; the others take any.
    pub const BAUD: u32 = 115_200;

    /// How long an adapter may take for an answer.
    const PATIENCE: Duration = Duration::from_millis(500);

    /// After so much silence no more answers are under way.
    const SETTLED: Duration = Duration::from_millis(50);

    /// Frames and conditions held at most: a second of the densest traffic.
    const HELD: usize = 10_000;
    /// How long a command waits for its answer; some adapters do some commands in silence.
    const COMMAND: Duration = Duration::from_millis(250);

    /// Opens an adapter by the path of its serial port, for this connection alone.
    ///
    /// # Errors
    /// As [`Serial::open`]; [`OpenError::Silent`] if nothing answers there.
    pub fn open(path: impl Into<String>) -> Result<Self, OpenError> {
        Self::new(Serial::open(path)?)
    }

    /// An adapter on a serial port that is open.
    ///
    /// # Errors
    /// [`OpenError::Silent`] if nothing answers there.
    pub fn new(serial: Serial) -> Result<Self, OpenError> {
        Self::begin(serial, Self::BAUD, true)
    }

    /// An adapter on a serial port that is open, at another baud rate.
    ///
    /// # Errors
    /// [`OpenError::Silent`] if nothing answers there.
    pub fn at_baud(serial: Serial, baud: u32) -> Result<Self, OpenError> {
        Self::begin(serial, baud, true)
    }

    /// An adapter that answers no command and is not asked for any answer, as the line discipline of Linux.
    ///
    /// # Errors
    /// [`OpenError`] if the port hangs up.
    pub fn unanswering(serial: Serial) -> Result<Self, OpenError> {
        Self::begin(serial, Self::BAUD, false)
    }

    /// What came beside good lines.
    pub fn count(&self) -> Count {
        self.count
    }

    fn begin(serial: Serial, baud: u32, answers: bool) -> Result<Self, OpenError> {
        let mut port = Self {
            serial,
            baud,
            answers,
            lines: Lines::default(),
            heard: VecDeque::new(),
            wanted: Wanted::default(),
            sent: None,
            count: Count::default(),
        };
        port.greet()?;
        Ok(port)
    }

    /// Sets the serial speed, closes the channel that an earlier user left open, and asks for a sign of life.
    fn greet(&mut self) -> Result<(), OpenError> {
        (self.sent, self.lines) = (None, Lines::default());
        self.heard.clear();
        let speed = Speed::Serial { baud: self.baud, parity: Parity::None, stop_bits: 1 };
        let set = self.serial.act(&Act::Speed(speed));
        // The first CR ends what an earlier user left unfinished.
        let asked = [&b"\r"[..], b"C\r", b"V\r"].into_iter().try_for_each(|text| self.write(text));
        if !matches!(set, Some(Input::SpeedIs { .. })) || asked.is_err() {
            return Err(self.gone());
        }
        if self.answers && !self.any_answer()? {
            let Description { name, .. } = self.serial.description();
            return Err(OpenError::Silent { name, baud: self.baud });
        }
        Ok(())
    }

    /// Waits for the first answer, then until no more come: a late one would be taken for that of a later command.
    fn any_answer(&mut self) -> Result<bool, OpenError> {
        let until = self.serial.now().after(Self::PATIENCE);
        let mut patience = Self::PATIENCE;
        let mut any = false;
        while self.serial.now() < until {
            match self.listen(patience, |said| *said != Said::Noise) {
                Ok(Some(_)) => (any, patience) = (true, Self::SETTLED),
                Ok(None) => break,
                Err(_) => return Err(self.gone()),
            }
        }
        Ok(any)
    }

    fn gone(&self) -> OpenError {
        let Description { name, .. } = self.serial.description();
        OpenError::System { name, source: std::io::ErrorKind::NotConnected.into() }
    }

    /// Hands text to the serial port; `Err` is the loss of the line.
    fn write(&mut self, text: &[u8]) -> Result<(), Input<'static>> {
        let (chunk, _) = Chunk::split_from(text);
        match self.serial.act(&Act::Transmit { tag: Tag(0), wire: Wire::Bytes(chunk) }) {
            Some(lost @ Input::Lost { .. }) => Err(lost),
            _ => Ok(()),
        }
    }

    /// Reads for at most `patience` until a line is `enough`; frames that come meanwhile are kept.
    fn listen(&mut self, patience: Duration, enough: impl Fn(&Said) -> bool) -> Result<Option<Said>, Input<'static>> {
        let until = self.serial.now().after(patience);
        let mut rung = false;
        let found = loop {
            let mut buffer = [0; 64];
            match self.serial.wait(Some(until), &mut buffer) {
                Woke::Bytes { end, len } => {
                    let mut found = None;
                    for byte in buffer.iter().take(len) {
                        let Some(said) = self.lines.take(*byte) else { continue };
                        if found.is_none() && enough(&said) {
                            found = Some(said);
                        } else {
                            self.note(end, said);
                        }
                    }
                    if found.is_some() || end >= until {
                        break Ok(found);
                    }
                }
                Woke::Command => rung = true,
                Woke::Lost { at, cause } => break Err(Input::Lost { at, cause }),
                _ => break Ok(None),
            }
        };
        if rung {
            // The next wait must still be told.
            self.serial.waker().wake_by_ref();
        }
        found
    }

    /// Gives one command and waits for its answer: `false` if it was refused. Silence is no refusal.
    fn command(&mut self, text: &[u8]) -> Result<bool, Input<'static>> {
        self.write(text)?;
        if !self.answers {
            return Ok(true);
        }
        let answer = self.listen(Self::COMMAND, |said| matches!(said, Said::Done | Said::Refused))?;
        Ok(answer != Some(Said::Refused))
    }

    fn set_speed(&mut self, speed: Speed) -> Input<'static> {
        match (self.try_speed(speed), speed) {
            // Its channel is closed then: a bus at an unknown rate is something else.
            (Ok(None), Speed::Can { .. }) => Input::Lost { at: self.now(), cause: Lost::Refused },
            (Ok(got), _) => Input::SpeedIs { at: self.now(), got },
            (Err(lost), _) => lost,
        }
    }

    fn try_speed(&mut self, speed: Speed) -> Result<Option<Speed>, Input<'static>> {
        let Speed::Can { bit_rate, listen_only, .. } = speed else { return Ok(None) };
        let Some((_, rate)) = RATES.iter().find(|(rate, _)| *rate == bit_rate) else { return Ok(None) };
        self.sent = None;
        // A channel that is not open refuses to be closed.
        self.command(b"C\r")?;
        if !self.command(&[rate[0], rate[1], CR])? {
            return Ok(None);
        }
        // What was heard at another rate is not of this connection.
        self.heard.clear();
        if !self.command(if listen_only { b"L\r" } else { b"O\r" })? {
            return Ok(None);
        }
        let got = Speed::Can { bit_rate, data_rate: None, listen_only };
        self.sent = Some(Computed { speed: Some(got), free: self.now() });
        Ok(Some(got))
    }

    fn transmit(&mut self, tag: Tag, wire: &Wire) -> Input<'static> {
        let refused = Input::Lost { at: self.now(), cause: Lost::Refused };
        let (Wire::Frame(frame), Some(mut sent)) = (wire, self.sent) else { return refused };
        let mut out = [0; FRAME_MAX];
        let Some(text) = line::emit(frame, &mut out) else { return refused };
        let now = self.now();
        if let Err(lost) = self.write(text) {
            return lost;
        }
        let (start, end) = sent.send(now, frame);
        self.sent = Some(sent);
        Input::Sent { tag, start, end, known: Known::Computed }
    }

    fn note(&mut self, end: Instant, said: Said) {
        match said {
            Said::Frame(frame) if self.wanted.takes(frame.id) => self.hold(Woke::Frame { end, frame }),
            Said::Bus(condition) => self.hold(Woke::Bus { at: end, condition }),
            Said::Noise => self.count.noise += 1,
            // Of a closed channel it answers a command.
            Said::Refused if self.sent.is_some() => {
                self.count.refused += 1;
                self.hold(Woke::Bus { at: end, condition: Condition::Refused });
            }
            Said::Frame(_) | Said::Refused | Said::Done | Said::Answer => {}
        }
    }

    /// Keeps what came until it is handed in. While a command waits for its answer nothing is: then there may be more
    /// than room for it.
    fn hold(&mut self, woke: Woke) {
        match (self.heard.len(), &woke) {
            (..Self::HELD, _) => self.heard.push_back(woke),
            (Self::HELD, Woke::Frame { end: at, .. } | Woke::Bus { at, .. }) => {
                self.heard.push_back(Woke::Bus { at: *at, condition: Condition::Overrun });
            }
            _ => {}
        }
    }
}

impl Port for Slcan {
    fn reach(&self) -> Reach {
        Reach { echo: Echo::Suppressed, pulse: false, parity: false, ..self.serial.reach() }
    }

    fn now(&self) -> Instant {
        self.serial.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        Some(match act {
            Act::Transmit { tag, wire } => self.transmit(*tag, wire),
            Act::Speed(speed) => self.set_speed(*speed),
            Act::Line { .. } => Input::Lost { at: self.now(), cause: Lost::Refused },
        })
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        for _ in 0..LOOKS {
            if let Some(woke) = self.heard.pop_front() {
                return woke;
            }
            match self.serial.wait(until, buffer) {
                Woke::Bytes { end, len } => {
                    for byte in buffer.iter().take(len) {
                        if let Some(said) = self.lines.take(*byte) {
                            self.note(end, said);
                        }
                    }
                }
                other => return other,
            }
        }
        self.heard.pop_front().unwrap_or_else(|| fruitless(self.now(), until))
    }
}

impl LivePort for Slcan {
    fn clock(&self) -> Clock {
        self.serial.clock()
    }

    fn waker(&self) -> Waker {
        self.serial.waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        self.serial.reopen()?;
        self.greet()
    }

    fn description(&self) -> Description {
        let Description { name, kind } = self.serial.description();
        let kind = if kind == Kind::PseudoTerminal { Kind::SlcanPseudoTerminal } else { Kind::SlcanAdapter };
        Description { name, kind }
    }

    fn filter(&mut self, filters: &[Filter]) {
        self.wanted = Wanted::only(filters);
    }
}

/// Leaves the adapter with a closed channel: an open one fills buffers that nobody reads.
impl Drop for Slcan {
    fn drop(&mut self) {
        if self.sent.is_some() {
            let _ = self.write(b"C\r");
        }
    }
}
