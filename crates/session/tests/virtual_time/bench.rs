//! A unit and a line in virtual time: independent of the crate's own simulated unit.

use std::collections::BTreeMap;
use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::contract::{Act, Input, Known, Level, Lost, Machine, Output, Speed, Wire};
use tickover_framing::time::CharTime;
use tickover_framing::transport::Reach;
use tickover_session::{Event, Note, NoteKind, Row, Session};

use crate::build::{TESTER, UNIT};

/// What the unit sends, and how long after the end of the request (or of its last answer).
#[derive(Clone, Debug)]
pub(crate) struct Reply {
    pub(crate) after: Duration,
    pub(crate) bytes: Vec<u8>,
}

/// A whole message of the unit with these data, 25 ms after the request.
pub(crate) fn reply(data: &[u8]) -> Vec<Reply> {
    vec![late(25, data)]
}

pub(crate) fn late(ms: u64, data: &[u8]) -> Reply {
    Reply { after: Duration::from_millis(ms), bytes: message(TESTER, UNIT, data) }
}

/// ISO 14230-2 4.1: format byte with addresses and length, data, sum.
pub(crate) fn message(target: u8, source: u8, data: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0x80 | data.len() as u8, target, source];
    if data.len() > 63 {
        bytes = vec![0x80, target, source, data.len() as u8];
    }
    bytes.extend_from_slice(data);
    bytes.push(bytes.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
    bytes
}

type Answering = Box<dyn FnMut(Instant, &[u8]) -> Vec<Reply>>;

/// A session, a unit, and the wire between them.
pub(crate) struct World {
    pub(crate) session: Session,
    pub(crate) now: Instant,
    pub(crate) events: Vec<Event>,
    /// Requests that reached the unit: end and data.
    pub(crate) heard: Vec<(Instant, Vec<u8>)>,
    pub(crate) speeds: Vec<Speed>,
    pub(crate) level: Level,
    /// What the port runs at, if not at what is asked.
    pub(crate) port_baud: fn(u32) -> u32,
    answering: Answering,
    arriving: BTreeMap<(Instant, u64), u8>,
    received: Vec<u8>,
    last_received: Instant,
    serial: u64,
    char_time: CharTime,
}

impl World {
    /// Connects at once. StartCommunication, StopCommunication and TesterPresent are answered by themselves.
    pub(crate) fn new(session: Session, mut answering: impl FnMut(Instant, &[u8]) -> Vec<Reply> + 'static) -> Self {
        let mut world = Self::silent(session);
        world.answering = Box::new(move |at, data| match answering(at, data) {
            replies if !replies.is_empty() => replies,
            _ => match data {
                [0x81] => reply(&[0xC1, 0xE9, 0x8F]),
                [0x82] => reply(&[0xC2]),
                [0x3E] => reply(&[0x7E]),
                _ => Vec::new(),
            },
        });
        world.session.connect(Instant::ORIGIN, Reach::IDEAL);
        world
    }

    /// Not connected, and nobody answers.
    pub(crate) fn silent(session: Session) -> Self {
        Self {
            session,
            now: Instant::ORIGIN,
            events: Vec::new(),
            heard: Vec::new(),
            speeds: Vec::new(),
            level: Level::High,
            port_baud: |asked| asked,
            answering: Box::new(|_, _| Vec::new()),
            arriving: BTreeMap::new(),
            received: Vec::new(),
            last_received: Instant::ORIGIN,
            serial: 0,
            char_time: CharTime::new(10, 10_400),
        }
    }

    pub(crate) fn set_answering(&mut self, answering: impl FnMut(Instant, &[u8]) -> Vec<Reply> + 'static) {
        self.answering = Box::new(answering);
    }

    pub(crate) fn run_for(&mut self, duration: Duration) {
        let end = self.now.after(duration);
        while self.now < end && self.turn(end) {}
        self.now = end;
    }

    pub(crate) fn run_ms(&mut self, ms: u64) {
        self.run_for(Duration::from_millis(ms));
    }

    /// The line is lost now.
    pub(crate) fn unplug(&mut self) {
        self.arriving.clear();
        self.session.handle(Input::Lost { at: self.now, cause: Lost::Gone });
        self.drain();
    }

    /// Somebody sends this byte from now on, without a pause.
    pub(crate) fn babble(&mut self, byte: u8, duration: Duration) {
        let count = duration.as_nanos() / self.char_time.one().as_nanos();
        self.put(self.now, &vec![byte; count as usize]);
    }

    /// One wait; false when nothing more happens before `end`.
    fn turn(&mut self, end: Instant) -> bool {
        let until = self.drain().unwrap_or(end).min(end);
        let arrival = self.arriving.keys().next().copied().filter(|(at, _)| *at <= until);
        match arrival {
            Some(key) => {
                self.now = self.now.max(key.0);
                if let Some(byte) = self.arriving.remove(&key) {
                    self.session.handle(Input::Bytes { end: key.0, bytes: &[byte] });
                }
            }
            None => {
                self.now = self.now.max(until);
                if until == end {
                    return false;
                }
                self.session.handle(Input::Timeout { now: self.now });
            }
        }
        true
    }

    fn drain(&mut self) -> Option<Instant> {
        for _ in 0..100_000 {
            match self.session.poll_output() {
                Output::Act(act) => self.act(act),
                Output::Event(event) => self.events.push(event),
                Output::WaitUntil { at, .. } => return Some(at),
                Output::Idle => return None,
            }
        }
        panic!("poll_output never waits");
    }

    fn act(&mut self, act: Act) {
        match act {
            Act::Speed(speed) => {
                self.speeds.push(speed);
                let Speed::Serial { baud, parity, stop_bits } = speed else { panic!("{speed:?} on a K-line") };
                let baud = (self.port_baud)(baud);
                self.char_time = CharTime::new(10, baud);
                let got = Some(Speed::Serial { baud, parity, stop_bits });
                self.session.handle(Input::SpeedIs { at: self.now, got });
            }
            Act::Line { level, .. } => {
                self.level = level;
                self.session.handle(Input::LineIs { at: self.now, level });
            }
            Act::Transmit { tag, wire: Wire::Bytes(chunk) } => {
                let start = self.now;
                let end = start.after(self.char_time.of(chunk.as_slice().len()));
                self.put(start, chunk.as_slice());
                self.session.handle(Input::Sent { tag, start, end, known: Known::Computed });
                self.unit_hears(end, chunk.as_slice());
            }
            Act::Transmit { wire: Wire::Frame(frame), .. } => panic!("{frame:?} on a K-line"),
        }
    }

    /// Puts bytes on the line, back to back; gives the end of the last.
    fn put(&mut self, start: Instant, bytes: &[u8]) -> Instant {
        for (i, byte) in bytes.iter().enumerate() {
            self.serial += 1;
            self.arriving.insert((start.after(self.char_time.of(i + 1)), self.serial), *byte);
        }
        start.after(self.char_time.of(bytes.len()))
    }

    fn unit_hears(&mut self, end: Instant, bytes: &[u8]) {
        // ISO 14230-2 table 1a: P4max of 20 ms between the bytes of a request.
        if end.since(self.last_received) > Duration::from_millis(20) + self.char_time.of(bytes.len()) {
            self.received.clear();
        }
        self.last_received = end;
        self.received.extend_from_slice(bytes);
        let Some(format) = self.received.first() else { return };
        let length = usize::from(format & 0x3F);
        if self.received.len() < 4 + length {
            return;
        }
        let data = self.received[3..3 + length].to_vec();
        self.received.clear();
        self.heard.push((end, data.clone()));
        let mut free = end;
        for reply in (self.answering)(end, &data) {
            free = self.put(free.after(reply.after), &reply.bytes);
        }
    }

    pub(crate) fn rows(&self) -> impl Iterator<Item = &Row> {
        self.events.iter().filter_map(|event| match event {
            Event::Row(row) => Some(row),
            _ => None,
        })
    }

    pub(crate) fn notes(&self) -> impl Iterator<Item = &Note> {
        self.events.iter().filter_map(|event| match event {
            Event::Note(note) => Some(note),
            _ => None,
        })
    }

    pub(crate) fn count(&self, kind: NoteKind) -> usize {
        self.notes().filter(|note| note.kind == kind).count()
    }

    /// The only note of this kind, as people read it.
    pub(crate) fn said(&self, kind: NoteKind) -> String {
        let said: Vec<String> = self.notes().filter(|note| note.kind == kind).map(ToString::to_string).collect();
        assert_eq!(said.len(), 1, "{kind:?}: {said:#?}");
        said[0].clone()
    }

    /// How often the unit heard this request.
    pub(crate) fn asked(&self, request: &[u8]) -> usize {
        self.heard.iter().filter(|(_, data)| data == request).count()
    }
}
