//! Body of the session's fuzz target: any sequence of inputs, decoded from bytes.

use alloc::borrow::Cow;
use alloc::vec;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::line::Services;
use tickover_defs::compiled::{
    Binary, Channel, Coding, Conversion, Every, Expr, Field, KLine, KeepAlive, Layout, Line, Node, NodeId, Origin,
    Pattern, PatternByte, Read, Record, SessionState, Step, Template, TemplatePart, Variant,
};
use tickover_defs::{ChannelId, Definition, RecordId};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Input, Known, Lost, Machine, Output, Wire};
use tickover_framing::kline;
use tickover_framing::transport::Reach;
use tickover_services::Effect;

use crate::{Event, Permit, Rate, Session};

mod can;

pub use can::session_frames;

const UNIT: u8 = 0x1C;
const TESTER: u8 = 0xF1;
/// Outputs between two inputs at most.
const OUTPUTS: usize = 10_000;

/// Feeds a session whatever the bytes say: time, good and bad answers, silence, commands, lost lines.
///
/// # Panics
/// If the outputs never end, a deadline that has passed is kept, or a row comes from bytes that are no good
/// message.
pub fn session_input(bytes: &[u8]) {
    let Some((choice, steps)) = bytes.split_first() else { return };
    let mut world = World {
        session: session(*choice),
        now: Instant::ORIGIN,
        deadline: None,
        request: Vec::new(),
        on_line: Vec::new(),
    };
    world.session.connect(world.now, Reach::IDEAL);
    world.drain();
    let mut steps = steps.iter().copied();
    while let Some(step) = steps.next() {
        world.step(step, &mut steps);
    }
    world.session.report(world.now);
    world.session.close(world.now);
    world.drain();
}

struct World {
    session: Session,
    now: Instant,
    deadline: Option<Instant>,
    /// The request being sent.
    request: Vec<u8>,
    /// Everything delivered to the session.
    on_line: Vec<u8>,
}

impl World {
    fn step(&mut self, step: u8, more: &mut impl Iterator<Item = u8>) {
        match step % 16 {
            // The next deadline passes.
            0..=4 => self.time_passes(),
            // The unit answers well.
            5..=8 => {
                let mut answer = well(&self.settle());
                if let (Some(byte), true) = (more.next(), step % 16 == 8) {
                    answer.push(byte);
                }
                self.deliver(&message(&answer));
            }
            9 => {
                let service = self.settle().get(3).copied().unwrap_or(0);
                let code = more.next().unwrap_or(0x78);
                self.deliver(&message(&[0x7F, service, code]));
            }
            // A good message with a bit turned over.
            10 => {
                let mut bytes = message(&well(&self.settle()));
                let place = usize::from(more.next().unwrap_or(0)) % bytes.len();
                bytes[place] ^= 1 << (step / 16 % 8);
                self.deliver(&bytes);
            }
            11 => {
                let count = usize::from(step / 16) + 1;
                let bytes: Vec<u8> = more.take(count).collect();
                self.deliver(&bytes);
            }
            12 => {
                let channel = ChannelId(u16::from(step / 16));
                let rate = more.next().map(|rate| if rate == 0 { Rate::Fastest } else { Rate::per_second(rate) });
                self.session.set_rate(self.now, channel, rate);
            }
            13 => {
                let request: Vec<u8> = more.take(usize::from(step / 16)).collect();
                let permit = [None, Some(Effect::Clears), Some(Effect::Session), Some(Effect::Writes)];
                let permit = permit[usize::from(step / 16 % 4)].map(Permit::to);
                // A refusal is one of the outcomes.
                let _ = self.session.request(self.now, &request, permit);
            }
            14 => self.session.handle(Input::Lost { at: self.now, cause: Lost::Gone }),
            _ if step < 128 => self.session.connect(self.now, Reach { pulse: step & 16 == 0, ..Reach::IDEAL }),
            _ => self.session.close(self.now),
        }
        self.drain();
    }

    /// Lets time pass until a request is out, then P2min; gives the request.
    fn settle(&mut self) -> Vec<u8> {
        for _ in 0..100 {
            if self.is_whole() {
                break;
            }
            self.time_passes();
        }
        self.now = self.now.after(Duration::from_millis(25));
        core::mem::take(&mut self.request)
    }

    fn is_whole(&self) -> bool {
        self.request.first().is_some_and(|format| self.request.len() == usize::from(format & 0x3F) + 4)
    }

    fn time_passes(&mut self) {
        let Some(deadline) = self.deadline else { return };
        self.now = self.now.max(deadline);
        // What becomes allowed at once may be armed for now; it must not stay so.
        for _ in 0..8 {
            let before = self.now;
            self.session.handle(Input::Timeout { now: self.now });
            self.drain();
            if self.now > before || self.deadline.is_none_or(|deadline| deadline > before) {
                return;
            }
        }
        panic!("a deadline that has passed is kept: {:?} at {:?}", self.deadline, self.now);
    }

    fn deliver(&mut self, bytes: &[u8]) {
        self.on_line.extend_from_slice(bytes);
        self.now = self.now.after(Duration::from_nanos(961_538 * bytes.len() as u64));
        if !bytes.is_empty() {
            self.session.handle(Input::Bytes { end: self.now, bytes });
        }
    }

    fn drain(&mut self) {
        for _ in 0..OUTPUTS {
            match self.session.poll_output() {
                Output::Act(act) => self.act(act),
                Output::Event(Event::Row(row)) => {
                    assert!(was_good(&self.on_line, &row.response), "a row from bytes that are no good message");
                }
                Output::Event(_) => {}
                Output::WaitUntil { at, .. } => {
                    self.deadline = Some(at);
                    return;
                }
                Output::Idle => {
                    self.deadline = None;
                    return;
                }
            }
        }
        panic!("the outputs never end");
    }

    fn act(&mut self, act: Act) {
        match act {
            Act::Speed(speed) => self.session.handle(Input::SpeedIs { at: self.now, got: Some(speed) }),
            Act::Line { level, .. } => self.session.handle(Input::LineIs { at: self.now, level }),
            Act::Transmit { tag, wire } => {
                let Wire::Bytes(chunk) = wire else { panic!("a frame on a K-line") };
                let start = self.now;
                let end = start.after(Duration::from_nanos(961_538 * chunk.as_slice().len() as u64));
                self.session.handle(Input::Sent { tag, start, end, known: Known::Computed });
                self.deliver(chunk.as_slice());
                self.keep_request(chunk.as_slice());
            }
        }
    }

    /// Bytes come one by one; a whole message begins a new request.
    fn keep_request(&mut self, bytes: &[u8]) {
        if self.is_whole() {
            self.request.clear();
        }
        self.request.extend_from_slice(bytes);
    }
}

/// Whether `data` stood on the line inside a good message: its header before, its sum after (ISO 14230-2 4.1).
fn was_good(on_line: &[u8], data: &[u8]) -> bool {
    let length = data.len();
    let mut header = vec![0x80 | length as u8, TESTER, UNIT];
    let with_length = vec![0x80, TESTER, UNIT, length as u8];
    let short = vec![length as u8];
    let short_with_length = vec![0, length as u8];
    if length > 63 {
        header = with_length.clone();
    }
    [header, with_length, short, short_with_length].into_iter().any(|header| {
        let mut whole = [&header[..], data].concat();
        whole.push(whole.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
        on_line.windows(whole.len()).any(|window| window == whole)
    })
}

fn message(data: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0x80 | data.len() as u8, TESTER, UNIT];
    bytes.extend_from_slice(data);
    bytes.push(bytes.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
    bytes
}

/// What a good unit answers to a message of ours.
fn well(request: &[u8]) -> Vec<u8> {
    match request.get(3..).unwrap_or_default() {
        [0x81, ..] => vec![0xC1, 0xE9, 0x8F],
        [0x1A, 0x94, ..] => vec![0x5A, 0x94, b'B'],
        [0x21, id, ..] => vec![0x61, *id, 1, 2],
        [0x10, kind, ..] => vec![0x50, *kind],
        [service, ..] => vec![service.wrapping_add(0x40)],
        [] => vec![0],
    }
}

fn session(choice: u8) -> Session {
    let session =
        Session::new(definition(choice)).watch(ChannelId(0), Rate::per_second(1)).watch(ChannelId(1), Rate::Fastest);
    let session = session.watch(ChannelId(2), Rate::per_second(5)).watch(ChannelId(3), Rate::per_second(20));
    match session.enter("fast") {
        Ok(session) => session,
        Err(error) => panic!("{error}"),
    }
}

/// Three records, a derived channel, a session at another speed, and by choice variants and keep-alive.
fn definition(choice: u8) -> Definition {
    let names: Vec<Cow<'static, str>> = vec!["part".into(), "speed".into(), "flow".into(), "sum".into()];
    let (part, speed, flow) = (ChannelId(0), ChannelId(1), ChannelId(2));
    let records = vec![
        Some(record(0, &[0x1A, 0x94], &[0x5A, 0x94], 1, part, Every::Once)),
        Some(record(1, &[0x21, 1], &[0x61, 1], 2, speed, Every::Wanted)),
        Some(record(2, &[0x21, 2], &[0x61, 2], 2, flow, Every::Wanted)),
    ];
    let sum = vec![Node::Channel(speed), Node::Channel(flow), Node::Binary(Binary::Add, NodeId(0), NodeId(1))];
    let derived = Channel {
        conversion: Conversion::Expr(Expr { nodes: sum.into() }),
        inputs: vec![speed, flow].into(),
        ..channel(3, "sum", Origin::Derived)
    };
    let channels = vec![
        Some(field(0, "part", Coding::Ascii)),
        Some(field(1, "speed", Coding::Unsigned)),
        Some(field(2, "flow", Coding::Unsigned)),
        Some(derived),
    ];
    let base = Layout {
        records: records.into(),
        channels: channels.into(),
        curves: Cow::Borrowed(&[]),
        groups: Cow::Borrowed(&[]),
        faults: None,
        procedures: Cow::Borrowed(&[]),
        several: Cow::Borrowed(&[]),
    };
    let when = vec![Node::Channel(part), Node::Text("B".into()), Node::Binary(Binary::Equal, NodeId(0), NodeId(1))];
    let variant = Variant { name: "b".into(), when: Expr { nodes: when.into() }, layout: base.clone() };
    let keep_alive =
        KeepAlive { send: vec![0x3E].into(), expect: Some(pattern(&[0x7E])), every: Duration::from_secs(2) };
    let line = KLine {
        line: kline::Line::iso14230(UNIT, TESTER),
        services: Some(Services::Iso14230),
        keep_alive: (choice & 1 != 0).then_some(keep_alive),
        effects: Cow::Borrowed(&[]),
        refusal: None,
    };
    let mut fast = line.clone();
    fast.line.baud = 38_400;
    let step = Step::Send { send: vec![0x10, 0x86].into(), expect: pattern(&[0x50, 0x86]), within: None };
    Definition {
        id: "fuzz".into(),
        title: "Fuzz".into(),
        revision: "1".into(),
        source: "invented".into(),
        line: Some(Line::KLine(line)),
        sessions: vec![SessionState { name: "fast".into(), enter: vec![step].into(), line: Line::KLine(fast) }].into(),
        channels: names.into(),
        arrays: Cow::Borrowed(&[]),
        records: vec!["identification".into(), "engine".into(), "air".into()].into(),
        base,
        variants: if choice & 2 != 0 { vec![variant].into() } else { Cow::Borrowed(&[]) },
    }
}

fn record(id: u16, request: &[u8], answer: &[u8], length: u16, channel: ChannelId, every: Every) -> Record {
    Record {
        id: RecordId(id),
        read: Read::Request,
        request: Template(request.iter().map(|byte| TemplatePart::Byte(*byte)).collect()),
        answer: pattern(answer),
        length: (length, length),
        reserved: Cow::Borrowed(&[]),
        every,
        session: None,
        channels: vec![channel].into(),
        frame: None,
    }
}

fn field(id: u16, name: &'static str, coding: Coding) -> Channel {
    let text = coding == Coding::Ascii;
    let field = Field { bytes: vec![0].into(), coding, low_bit: 0, width: if text { 0 } else { 8 } };
    let conversion = if text { Conversion::None } else { Conversion::Identity };
    Channel { conversion, ..channel(id, name, Origin::Field { record: RecordId(id), field }) }
}

fn channel(id: u16, name: &'static str, origin: Origin) -> Channel {
    Channel {
        id: ChannelId(id),
        name: name.into(),
        label: name.into(),
        origin,
        when: None,
        invalid: Cow::Borrowed(&[]),
        states: Cow::Borrowed(&[]),
        conversion: Conversion::Identity,
        unit: None,
        quantity: None,
        reference: None,
        range: None,
        decimals: 0,
        max_age: None,
        inputs: Cow::Borrowed(&[]),
        total: None,
        sent: None,
    }
}

fn pattern(bytes: &[u8]) -> Pattern {
    Pattern(bytes.iter().map(|byte| PatternByte::Is(*byte)).collect())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A well-behaved run reaches rows: the fuzz target is no empty gesture.
    #[test]
    fn good_answers_make_rows() {
        let mut world = World {
            session: session(3),
            now: Instant::ORIGIN,
            deadline: None,
            request: Vec::new(),
            on_line: Vec::new(),
        };
        world.session.connect(world.now, Reach::IDEAL);
        world.drain();
        (0..200).for_each(|_| world.step(5, &mut core::iter::empty()));
        assert!(world.session.report(world.now).responses > 100, "{:?}", world.session.report(world.now));
    }

    /// The same on a bus, packed and one by one, from both units.
    #[test]
    fn good_frames_make_rows() {
        for choice in [0, 1] {
            let mut world = can::World::new(choice);
            (0..400).for_each(|i| world.step([3, 5, 3, 21, 0][i % 5], &mut core::iter::empty()));
            let report = world.session.report(world.now);
            assert!(report.units.iter().all(|unit| unit.responses > 50), "{choice}: {report:?}");
        }
    }

    proptest! {
        #[test]
        fn any_frames_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            session_frames(&bytes);
        }

        #[test]
        fn any_inputs_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            session_input(&bytes);
        }
    }
}
