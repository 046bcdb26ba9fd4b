//! A session with its lanes on the virtual CAN bus: several units at once, requests to all, the bus's own conditions.

mod condition;
mod discovery;
mod functional;
mod many;
mod packing;
mod prediction;
mod starting;
mod together;
mod units;

use core::convert::Infallible;
use core::time::Duration;
use std::collections::VecDeque;

use tickover::bench::bus::{Bus, Station};
use tickover::defs::Definition;
use tickover::defs::compiled::{Can, Line};
use tickover::framing::Instant;
use tickover::framing::can::Id;
use tickover::framing::contract::{Input, Machine, Output, Speed};
use tickover::framing::drive::{Port, turn};
use tickover::framing::isotp::{self, Address, Path};
use tickover::framing::transport::Reach;
use tickover::session::{Event, Note, NoteKind, Row, Session};

/// Identifiers of the units here; invented, except those of ISO 15765-4.
pub(crate) const ENGINE: (u16, u16) = (0x5A1, 0x5A9);
pub(crate) const GEARBOX: (u16, u16) = (0x5B2, 0x5BA);
pub(crate) const BIT_RATE: u32 = 500_000;

/// An answer: how long after the request's end, and its data.
pub(crate) type Reply = (Duration, Vec<u8>);
type Answering = Box<dyn FnMut(&[u8]) -> Vec<Reply>>;

/// A unit on the bus: the transport's own machine with answers by hand.
pub(crate) struct Unit {
    machine: isotp::Unit<4095>,
    answering: Answering,
    now: Instant,
    /// Answers that follow the one under way.
    waiting: VecDeque<Reply>,
    /// Requests that came: end, whether to all, data.
    pub(crate) asked: Vec<(Instant, bool, Vec<u8>)>,
}

impl Unit {
    pub(crate) fn new(ids: (u16, u16), answering: impl FnMut(&[u8]) -> Vec<Reply> + 'static) -> Self {
        Self::on(path(ids), isotp::Line::CLASSIC, answering)
    }

    pub(crate) fn on(path: Path, line: isotp::Line, answering: impl FnMut(&[u8]) -> Vec<Reply> + 'static) -> Self {
        let functional = Address::Normal(Id::Standard(0x7DF));
        let mut machine = isotp::Unit::new(line, path, Some(functional), Reach::IDEAL);
        machine.assume_speed(Speed::Can { bit_rate: BIT_RATE, data_rate: None, listen_only: false });
        Self {
            machine,
            answering: Box::new(answering),
            now: Instant::ORIGIN,
            waiting: VecDeque::new(),
            asked: Vec::new(),
        }
    }

    fn answer(&mut self) {
        if let Some((after, data)) = self.waiting.pop_front() {
            self.machine.respond(self.now, &data, after).expect("the unit may answer");
        }
    }

    /// How often this request came.
    pub(crate) fn count(&self, request: &[u8]) -> usize {
        self.asked.iter().filter(|(_, _, data)| data == request).count()
    }
}

impl Station for Unit {
    fn handle(&mut self, input: Input<'_>) {
        if let Input::Frame { end, .. } | Input::Sent { end, .. } | Input::Timeout { now: end } = input {
            self.now = end;
        }
        self.machine.handle(input);
    }

    fn poll(&mut self) -> Output<Infallible> {
        loop {
            return match self.machine.poll_output() {
                Output::Event(isotp::UnitEvent::Request { functional, end, .. }) => {
                    let request = self.machine.request().to_vec();
                    self.waiting = (self.answering)(&request).into();
                    self.answer();
                    self.asked.push((end, functional, request));
                    continue;
                }
                Output::Event(isotp::UnitEvent::Sent { .. }) => {
                    self.answer();
                    continue;
                }
                Output::Event(_) => continue,
                Output::Act(act) => Output::Act(act),
                Output::WaitUntil { at, why } => Output::WaitUntil { at, why },
                Output::Idle => Output::Idle,
            };
        }
    }
}

pub(crate) fn path((request, response): (u16, u16)) -> Path {
    let [request, response] = [request, response].map(|id| Address::Normal(Id::Standard(id)));
    Path { request, response }
}

pub(crate) fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// A session on a bus with units, and all that it told.
pub(crate) struct World {
    pub(crate) session: Session,
    pub(crate) bus: Bus<Unit>,
    pub(crate) rows: Vec<Row>,
    pub(crate) notes: Vec<Note>,
    pub(crate) closed: bool,
}

impl World {
    /// Connects at once.
    pub(crate) fn new(session: Session, units: impl IntoIterator<Item = Unit>) -> Self {
        let mut world = Self::silent(session, units);
        world.session.connect(world.bus.now(), world.bus.reach());
        world
    }

    pub(crate) fn silent(session: Session, units: impl IntoIterator<Item = Unit>) -> Self {
        let mut bus = Bus::new(Reach::IDEAL, BIT_RATE);
        units.into_iter().for_each(|unit| {
            bus.attach(unit);
        });
        bus.keep_passed(100_000);
        Self { session, bus, rows: Vec::new(), notes: Vec::new(), closed: false }
    }

    pub(crate) fn run(&mut self, duration: Duration) {
        let end = self.bus.now().after(duration);
        let Self { session, bus, rows, notes, closed } = self;
        while bus.now() < end {
            let mut until = Until { bus, end };
            turn(session, &mut until, |_, event| match event {
                Event::Row(row) => rows.push(row),
                Event::Note(note) => notes.push(note),
                Event::Closed => *closed = true,
                _ => {}
            });
        }
    }

    pub(crate) fn unit(&mut self, place: usize) -> &mut Unit {
        self.bus.unit_mut(place).expect("it was attached")
    }

    pub(crate) fn said(&self, kind: NoteKind) -> Vec<String> {
        self.notes.iter().filter(|note| note.kind == kind).map(ToString::to_string).collect()
    }
}

/// The bus, on which no wait goes beyond an end.
struct Until<'a> {
    bus: &'a mut Bus<Unit>,
    end: Instant,
}

impl Port for Until<'_> {
    fn reach(&self) -> Reach {
        self.bus.reach()
    }

    fn now(&self) -> Instant {
        self.bus.now()
    }

    fn act(&mut self, act: &tickover::framing::contract::Act) -> Option<Input<'static>> {
        self.bus.act(act)
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> tickover::framing::drive::Woke {
        self.bus.wait(Some(until.map_or(self.end, |until| until.min(self.end))), buffer)
    }
}

/// A unit with identifiers of its own; `rest`: records and channels.
pub(crate) fn definition(id: &str, (request, response): (u16, u16), rest: &str) -> Definition {
    let text = format!(
        "edition = 1\n[definition]\nid = \"{id}\"\ntitle = \"A unit\"\nrevision = \"1.0.0\"\nsource = \"invented\"\n\
         [line]\ntype = \"can\"\nbit_rate = {BIT_RATE}\naddressing = \"normal\"\nrequest_id = \"{request:03X}\"\n\
         response_id = \"{response:03X}\"\nfunctional_id = \"7DF\"\npadding = 0xCC\nservices = \"iso14229\"\n\
         keep_alive = \"none\"\n{rest}"
    );
    Definition::parse(&text, id).unwrap_or_else(|report| panic!("{report:?}"))
}

/// Has units pause so long between consecutive frames (STmin, as its byte).
pub(crate) fn pausing(mut definition: Definition, st_min: u8) -> Definition {
    if let Some(Line::Can(Can { unit: Some(unit), .. })) = &mut definition.line {
        unit.line.flow.st_min = st_min;
    }
    definition
}

/// A record of one byte under a data identifier, and its channel.
pub(crate) fn byte(channel: &str, identifier: u16) -> String {
    record(channel, identifier, 1)
}

/// A record of so many bytes; the channel is the first of them.
pub(crate) fn record(channel: &str, identifier: u16, length: u16) -> String {
    let (high, low) = (identifier >> 8, identifier & 0xFF);
    let data = vec!["07"; usize::from(length)].join(" ");
    let reserved = if length > 1 { format!("reserved = [\"1..{}\"]\n", length - 1) } else { String::new() };
    format!(
        "[record.{channel}_record]\nread = {{ data_identifier = 0x{identifier:04X} }}\nlength = {length}\n{reserved}\
         source = \"invented\"\n[[record.{channel}_record.check]]\nbytes = \"62 {high:02X} {low:02X} {data}\"\n\
         source = \"invented\"\n[record.{channel}_record.check.values]\n{channel} = 7\n\
         [channel.{channel}]\nrecord = \"{channel}_record\"\nat = 0\ndata = \"u8\"\nunit = \"1\"\n"
    )
}
