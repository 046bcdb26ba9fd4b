//! A serial port of the system with a K-line adapter behind it, or a pseudo-terminal in its place.

use std::fmt;
use std::io;
use std::task::Waker;
use std::time::Duration;

use serialport::{SerialPort, StopBits};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Input, Known, Level, Lost, Parity, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::CharTime;
use tickover_framing::transport::{Echo, Reach};

use crate::wait::{Bell, Ready};
use crate::{Clock, Description, Kind, LivePort, OpenError};

#[cfg(unix)]
mod descriptor;
mod diagnose;
#[cfg(not(unix))]
#[path = "elsewhere.rs"]
mod system;
#[cfg(unix)]
#[path = "unix.rs"]
mod system;
#[cfg(all(test, unix))]
mod tests;

/// A serial port, held alone, whose speed is set and read back by the machine that it carries.
///
/// No handshake line is touched at opening beyond what the system does by itself; see [`dtr`](Self::dtr).
/// Bytes sent are known by computation: they start when they are handed over or when those before them
/// are out, and take their characters' time. Nothing is ever drained.
///
/// ```no_run
/// # fn main() -> Result<(), tickover_link::OpenError> {
/// use tickover_link::Serial;
///
/// let port = Serial::open("/dev/ttyUSB0")?;
/// # Ok(())
/// # }
/// ```
pub struct Serial {
    name: String,
    clock: Clock,
    bell: Bell,
    port: Option<system::Native>,
    pseudo_terminal: bool,
    dtr: Option<bool>,
    reach: Reach,
    characters: CharTime,
    /// When the last byte handed over is out.
    free: Instant,
}

impl Serial {
    /// The latest that a byte is reported after its end.
    ///
    /// A latency timer of a USB converter holds bytes for up to 16 ms unless it is shortened; on a loaded
    /// computer the system passes them on up to 20 ms late, whatever the program does (measured).
    pub const LATE_IN: Duration = Duration::from_millis(20);

    /// The latest that a byte starts after it was handed over: a few USB frames (common practice, no source).
    pub const LATE_OUT: Duration = Duration::from_millis(5);

    /// What a port is opened with; the first act of every connection sets the real speed.
    const PLACEHOLDER: u32 = 9_600;

    /// How long the system may refuse bytes before the port counts as stuck.
    const PATIENCE: Duration = Duration::from_millis(500);

    /// Opens a serial port by its path or name, for this connection alone.
    ///
    /// # Errors
    /// [`OpenError`] says whether there is no such port (with those that exist), it is in use, this user may
    /// not open it, or it is not a serial port.
    pub fn open(name: impl Into<String>) -> Result<Self, OpenError> {
        Self::open_at(name, Clock::start())
    }

    /// As [`open`](Self::open), with times taken from `clock`.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn open_at(name: impl Into<String>, clock: Clock) -> Result<Self, OpenError> {
        let name = name.into();
        let bell = Bell::new().map_err(|source| OpenError::System { name: name.clone(), source })?;
        let mut serial = Self {
            name,
            clock,
            bell,
            port: None,
            pseudo_terminal: false,
            dtr: None,
            reach: Reach {
                echo: Echo::FindOut,
                late_in: Self::LATE_IN,
                late_out: Self::LATE_OUT,
                pulse: true,
                parity: true,
            },
            characters: CharTime::new(10, Self::PLACEHOLDER),
            free: Instant::ORIGIN,
        };
        serial.reopen()?;
        Ok(serial)
    }

    /// The names of the serial ports that this system has, sorted.
    pub fn ports() -> Vec<String> {
        diagnose::existing()
    }

    /// Sets the DTR line now and after every reopening: some level shifters are powered from it.
    ///
    /// # Errors
    /// [`OpenError::System`] if the port has no such line, as a pseudo-terminal has none.
    pub fn dtr(mut self, level: bool) -> Result<Self, OpenError> {
        self.dtr = Some(level);
        if let Some(port) = &mut self.port {
            let set = port.write_data_terminal_ready(level);
            set.map_err(|error| OpenError::System { name: self.name.clone(), source: error.into() })?;
        }
        Ok(self)
    }

    /// Says whether the adapter returns what is sent, if that is known; otherwise it is found out.
    pub fn echo(mut self, echo: Echo) -> Self {
        self.reach.echo = echo;
        self
    }

    /// Says how late this adapter is, if it is known better than [`LATE_IN`](Self::LATE_IN) and
    /// [`LATE_OUT`](Self::LATE_OUT).
    pub fn late(mut self, late_in: Duration, late_out: Duration) -> Self {
        self.reach.late_in = late_in;
        self.reach.late_out = late_out;
        self
    }

    fn transmit(&mut self, tag: Tag, wire: &Wire) -> Input<'static> {
        let Wire::Bytes(chunk) = wire else { return self.lost(Lost::Refused) };
        let Some(port) = &mut self.port else { return self.lost(Lost::Gone) };
        let start = self.clock.now().max(self.free);
        if let Err(error) = system::write_all(port, chunk.as_slice(), Self::PATIENCE) {
            // A port that takes nothing for so long is stuck: opening it again may help.
            let cause = system::cause(&error).unwrap_or(Lost::Gone);
            return self.lost(cause);
        }
        self.free = start.after(self.characters.of(chunk.as_slice().len()));
        Input::Sent { tag, start, end: self.free, known: Known::Computed }
    }

    fn hold(&mut self, level: Level) -> Input<'static> {
        let Some(port) = &self.port else { return self.lost(Lost::Gone) };
        let held = match level {
            Level::Low => port.set_break(),
            Level::High => port.clear_break(),
        };
        match held {
            Ok(()) => Input::LineIs { at: self.clock.now(), level },
            Err(_) => self.lost(Lost::Refused),
        }
    }

    fn set_speed(&mut self, speed: &Speed) -> Input<'static> {
        let Some(port) = &mut self.port else { return self.lost(Lost::Gone) };
        let Speed::Serial { baud, parity, stop_bits } = *speed else {
            return Input::SpeedIs { at: self.clock.now(), got: None };
        };
        let got = set_and_read_back(port, baud, parity, stop_bits);
        if got.is_err() && system::hung_up(port) {
            return self.lost(Lost::Gone);
        }
        if let Ok(Speed::Serial { baud, .. }) = got {
            let bits = 1 + 8 + u8::from(parity != Parity::None) + stop_bits;
            self.characters = CharTime::new(bits, baud);
        }
        Input::SpeedIs { at: self.clock.now(), got: got.ok() }
    }

    /// Lets go of the port, so that its name becomes free for the adapter's return. A refusal by a port
    /// that has hung up is a hang-up.
    fn lost(&mut self, cause: Lost) -> Input<'static> {
        let hung_up = self.port.take().is_none_or(|port| system::hung_up(&port));
        Input::Lost { at: self.clock.now(), cause: if hung_up { Lost::Gone } else { cause } }
    }
}

impl Port for Serial {
    fn reach(&self) -> Reach {
        self.reach
    }

    fn now(&self) -> Instant {
        self.clock.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        Some(match act {
            Act::Transmit { tag, wire } => self.transmit(*tag, wire),
            Act::Line { level, .. } => self.hold(*level),
            Act::Speed(speed) => self.set_speed(speed),
        })
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        loop {
            let gone = Woke::Lost { at: self.clock.now(), cause: Lost::Gone };
            let Some(port) = &mut self.port else { return gone };
            let read = match system::ready(port, &self.bell, &self.clock, until) {
                Ok(Ready::Command) => return Woke::Command,
                Ok(Ready::Deadline) => return Woke::Deadline { now: self.clock.now() },
                Ok(Ready::Port) => {
                    let end = self.clock.now();
                    system::read(port, buffer).map(|len| (end, len))
                }
                Err(error) => Err(error),
            };
            match outcome(read) {
                Read::Bytes { end, len } => return Woke::Bytes { end, len },
                Read::Nothing => {}
                Read::Lost(cause) => {
                    self.port = None;
                    return Woke::Lost { at: self.clock.now(), cause };
                }
            }
        }
    }
}

impl LivePort for Serial {
    fn clock(&self) -> Clock {
        self.clock
    }

    fn waker(&self) -> Waker {
        self.bell.waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        // Closed first: while we hold the old descriptor, a replugged adapter comes back under another name.
        self.port = None;
        let builder = serialport::new(&self.name, Self::PLACEHOLDER);
        let mut port = system::open(&builder).map_err(|error| diagnose::diagnose(&self.name, error))?;
        // What an earlier user of a pseudo-terminal was sent is read by the next opener.
        let _ = port.clear(serialport::ClearBuffer::Input);
        if let Some(level) = self.dtr {
            let _ = port.write_data_terminal_ready(level);
        }
        self.pseudo_terminal = system::is_pseudo_terminal(&mut port);
        self.reach.pulse = !self.pseudo_terminal;
        self.reach.parity = !self.pseudo_terminal;
        self.free = self.clock.now();
        self.port = Some(port);
        Ok(())
    }

    fn description(&self) -> Description {
        let kind = if self.pseudo_terminal { Kind::PseudoTerminal } else { Kind::Device };
        Description { name: self.name.clone(), kind }
    }
}

impl fmt::Debug for Serial {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Serial")
            .field("name", &self.name)
            .field("open", &self.port.is_some())
            .field("reach", &self.reach)
            .finish_non_exhaustive()
    }
}

/// Sets what differs and tells what the port then runs at. A refused setting shows in what is read back:
/// a pseudo-terminal keeps parity off, some with an error and some without.
fn set_and_read_back(port: &mut system::Native, baud: u32, parity: Parity, stop_bits: u8) -> serialport::Result<Speed> {
    let wanted_parity = match parity {
        Parity::None => serialport::Parity::None,
        Parity::Even => serialport::Parity::Even,
        Parity::Odd => serialport::Parity::Odd,
    };
    let wanted_stop = if stop_bits == 2 { StopBits::Two } else { StopBits::One };
    if port.parity()? != wanted_parity {
        let _ = port.set_parity(wanted_parity);
    }
    if port.stop_bits()? != wanted_stop {
        let _ = port.set_stop_bits(wanted_stop);
    }
    if port.baud_rate()? != baud {
        let _ = port.set_baud_rate(baud);
    }
    Ok(Speed::Serial {
        baud: port.baud_rate()?,
        parity: match port.parity()? {
            serialport::Parity::None => Parity::None,
            serialport::Parity::Even => Parity::Even,
            serialport::Parity::Odd => Parity::Odd,
        },
        stop_bits: match port.stop_bits()? {
            StopBits::One => 1,
            StopBits::Two => 2,
        },
    })
}

/// What one read means for the line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Read {
    Bytes { end: Instant, len: usize },
    Nothing,
    Lost(Lost),
}

/// A readable port that has nothing to read has hung up: it would say so for ever.
fn outcome(read: io::Result<(Instant, usize)>) -> Read {
    match read {
        Ok((_, 0)) => Read::Lost(Lost::Gone),
        Ok((end, len)) => Read::Bytes { end, len },
        Err(error) => system::cause(&error).map_or(Read::Nothing, Read::Lost),
    }
}

fn cause_by_kind(error: &io::Error) -> Option<Lost> {
    match error.kind() {
        io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => None,
        io::ErrorKind::BrokenPipe
        | io::ErrorKind::UnexpectedEof
        | io::ErrorKind::NotFound
        | io::ErrorKind::PermissionDenied
        | io::ErrorKind::NotConnected => Some(Lost::Gone),
        _ => Some(Lost::Refused),
    }
}
