//! A bus on another computer, over TCP in the text protocol of socketcand.

#[cfg(test)]
mod tests;
pub mod text;

use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::task::Waker;
use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::Filter;
use tickover_framing::contract::{Act, Input, Known, Lost, Speed, Tag as ActTag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::{Echo, Reach};

use super::{Computed, LOOKS, Wanted, fruitless};
use crate::wait::{self, Bell, Ready};
use crate::{Clock, Description, Kind, LivePort, OpenError};
use text::{Tag, Tags};

/// A CAN bus behind a socketcand server.
///
/// The server's bus runs at the server's bit rate: it is neither set nor known here. Frames bear the time of their
/// arrival here; when a frame was sent is computed from the rate that the definition's line has. Classic frames
/// only.
///
/// ```no_run
/// # fn main() -> Result<(), tickover_link::OpenError> {
/// let port = tickover_link::can::SocketCand::open("bench.example:29536", "can0")?;
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct SocketCand {
    host: String,
    bus: String,
    clock: Clock,
    bell: Bell,
    stream: Option<TcpStream>,
    tags: Tags,
    /// Frames read and not yet handed in; no more than one delivery holds.
    heard: VecDeque<Woke>,
    wanted: Wanted,
    sent: Computed,
}

impl SocketCand {
    /// The latest that a frame is reported after its end: a quiet local network and a loaded computer.
    pub const LATE_IN: Duration = Duration::from_millis(50);

    /// The latest that a frame starts after it was handed over, on a bus that is free.
    pub const LATE_OUT: Duration = Duration::from_millis(50);

    /// How long the host may take to accept, and for each answer.
    const PATIENCE: Duration = Duration::from_secs(2);

    /// Connects to a host, `NAME:PORT`, and opens a bus there by its name.
    ///
    /// # Errors
    /// [`OpenError`]: the host is not found or does not accept, is no socketcand server, or has no such bus.
    pub fn open(host: impl Into<String>, bus: impl Into<String>) -> Result<Self, OpenError> {
        Self::open_at(host, bus, Clock::start())
    }

    /// As [`open`](Self::open), with times taken from `clock`.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn open_at(host: impl Into<String>, bus: impl Into<String>, clock: Clock) -> Result<Self, OpenError> {
        let (host, bus) = (host.into(), bus.into());
        let bell = Bell::new().map_err(|source| OpenError::System { name: host.clone(), source })?;
        let mut port = Self {
            host,
            bus,
            clock,
            bell,
            stream: None,
            tags: Tags::default(),
            heard: VecDeque::new(),
            wanted: Wanted::default(),
            sent: Computed::default(),
        };
        port.reopen()?;
        Ok(port)
    }

    fn connect(&self) -> io::Result<TcpStream> {
        let mut last = io::ErrorKind::NotFound.into();
        for address in self.host.to_socket_addrs()? {
            match TcpStream::connect_timeout(&address, Self::PATIENCE) {
                Ok(stream) => {
                    stream.set_nodelay(true)?;
                    stream.set_write_timeout(Some(Self::PATIENCE))?;
                    return Ok(stream);
                }
                Err(error) => last = error,
            }
        }
        Err(last)
    }

    /// Waits for a tag that `decides`; frames that come after it in the same delivery are kept.
    fn await_tag(&mut self, decides: impl Fn(&Tag) -> bool) -> Result<Tag, OpenError> {
        let until = self.clock.now().after(Self::PATIENCE);
        let mut seen = Vec::new();
        while self.clock.now() < until {
            let mut buffer = [0; 256];
            let left = until.since(self.clock.now()).max(Duration::from_millis(1));
            let read = match &mut self.stream {
                Some(stream) => stream.set_read_timeout(Some(left)).and_then(|()| stream.read(&mut buffer)),
                None => Ok(0),
            };
            let len = match read {
                Ok(0) => break,
                Ok(len) => len,
                Err(error) if is_nothing(&error) => continue,
                Err(_) => break,
            };
            let bytes = buffer.get(..len).unwrap_or_default();
            seen.extend_from_slice(bytes.get(..len.min(40_usize.saturating_sub(seen.len()))).unwrap_or_default());
            let mut found = None;
            for byte in bytes {
                match self.tags.take(*byte) {
                    Some(tag) if found.is_none() && decides(&tag) => found = Some(tag),
                    Some(Tag::Frame(frame)) if found.is_some() => self.note(frame),
                    _ => {}
                }
            }
            if let Some(tag) = found {
                return Ok(tag);
            }
        }
        self.stream = None;
        let found = String::from_utf8_lossy(&seen).escape_debug().to_string();
        Err(OpenError::NotSocketcand { host: self.host.clone(), found })
    }

    fn say(&mut self, text: &str) -> Result<(), OpenError> {
        let said = match &mut self.stream {
            Some(stream) => stream.write_all(text.as_bytes()),
            None => Err(io::ErrorKind::NotConnected.into()),
        };
        said.map_err(|source| OpenError::Host { host: self.host.clone(), source })
    }

    fn agree(&mut self, command: &str) -> Result<(), OpenError> {
        self.say(command)?;
        match self.await_tag(|tag| matches!(tag, Tag::Ok | Tag::Error(_)))? {
            Tag::Error(answer) => {
                self.stream = None;
                Err(OpenError::NoSuchBus { host: self.host.clone(), bus: self.bus.clone(), answer })
            }
            _ => Ok(()),
        }
    }

    fn note(&mut self, frame: tickover_framing::can::Frame) {
        if self.wanted.takes(frame.id) {
            self.heard.push_back(Woke::Frame { end: self.clock.now(), frame });
        }
    }

    fn transmit(&mut self, tag: ActTag, wire: &Wire) -> Input<'static> {
        let at = self.clock.now();
        let text = match wire {
            Wire::Frame(frame) => text::send(frame).map(|text| (frame, text)),
            Wire::Bytes(_) => None,
        };
        let Some((frame, text)) = text else { return Input::Lost { at, cause: Lost::Refused } };
        if self.say(&text).is_err() {
            // Half a command may be out: only a new connection is in order again.
            self.stream = None;
            return Input::Lost { at, cause: Lost::Gone };
        }
        let (start, end) = self.sent.send(at, frame);
        Input::Sent { tag, start, end, known: Known::Computed }
    }

    /// Takes one delivery of text, if there is one.
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<()> {
        let Some(stream) = &mut self.stream else { return Err(io::ErrorKind::NotConnected.into()) };
        let len = match stream.read(buffer) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(len) => len,
            Err(error) if is_nothing(&error) => return Ok(()),
            Err(error) => return Err(error),
        };
        for byte in buffer.iter().take(len) {
            if let Some(Tag::Frame(frame)) = self.tags.take(*byte) {
                self.note(frame);
            }
        }
        Ok(())
    }
}

fn is_nothing(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted)
}

#[cfg(unix)]
fn ready(stream: &TcpStream, bell: &Bell, clock: &Clock, until: Option<Instant>) -> io::Result<Ready> {
    wait::ready(stream, bell, clock, until)
}

/// Whether something can be read is found out by looking at the first byte.
#[cfg(not(unix))]
fn ready(stream: &TcpStream, bell: &Bell, clock: &Clock, until: Option<Instant>) -> io::Result<Ready> {
    stream.set_read_timeout(Some(Duration::from_millis(1)))?;
    let readable = || match stream.peek(&mut [0]) {
        Ok(_) => Ok(true),
        Err(error) if is_nothing(&error) => Ok(false),
        Err(error) => Err(error),
    };
    wait::ready(readable, bell, clock, until)
}

impl Port for SocketCand {
    fn reach(&self) -> Reach {
        Reach { echo: Echo::Suppressed, late_in: Self::LATE_IN, late_out: Self::LATE_OUT, pulse: false, parity: false }
    }

    fn now(&self) -> Instant {
        self.clock.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        let at = self.clock.now();
        Some(match act {
            Act::Transmit { tag, wire } => self.transmit(*tag, wire),
            Act::Speed(speed) => {
                self.sent.speed = Some(*speed).filter(|speed| matches!(speed, Speed::Can { .. }));
                Input::SpeedIs { at, got: None }
            }
            Act::Line { .. } => Input::Lost { at, cause: Lost::Refused },
        })
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        for _ in 0..LOOKS {
            if let Some(woke) = self.heard.pop_front() {
                return woke;
            }
            let gone = Woke::Lost { at: self.clock.now(), cause: Lost::Gone };
            let Some(stream) = &self.stream else { return gone };
            let read = match ready(stream, &self.bell, &self.clock, until) {
                Ok(Ready::Command) => return Woke::Command,
                Ok(Ready::Deadline) => return Woke::Deadline { now: self.clock.now() },
                Ok(Ready::Port) => self.read(buffer),
                Err(error) => Err(error),
            };
            if read.is_err() {
                self.stream = None;
                // What had come before is handed in first; the loss after it.
            }
        }
        self.heard.pop_front().unwrap_or_else(|| fruitless(self.clock.now(), until))
    }
}

impl LivePort for SocketCand {
    fn clock(&self) -> Clock {
        self.clock
    }

    fn waker(&self) -> Waker {
        self.bell.waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        (self.stream, self.tags) = (None, Tags::default());
        self.heard.clear();
        let stream = self.connect().map_err(|source| OpenError::Host { host: self.host.clone(), source })?;
        self.stream = Some(stream);
        self.await_tag(|tag| *tag == Tag::Hi)?;
        self.agree(&format!("< open {} >", self.bus))?;
        self.agree("< rawmode >")?;
        self.sent.free = self.clock.now();
        if let Some(stream) = &self.stream {
            let patient = stream.set_read_timeout(Some(Duration::from_millis(1)));
            patient.map_err(|source| OpenError::Host { host: self.host.clone(), source })?;
        }
        Ok(())
    }

    fn description(&self) -> Description {
        Description { name: format!("{} at {}", self.bus, self.host), kind: Kind::RemoteBus }
    }

    fn filter(&mut self, filters: &[Filter]) {
        self.wanted = Wanted::only(filters);
    }
}
