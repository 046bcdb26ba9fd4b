//! The same on a CAN bus: two units, frames instead of bytes.

use alloc::borrow::Cow;
use alloc::collections::VecDeque;
use alloc::vec;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::line::Services;
use tickover_defs::compiled::{Can, CanUnit, Line, Read, Several, SeveralOf};
use tickover_defs::{ChannelId, Definition};
use tickover_framing::Instant;
use tickover_framing::can::{Condition, Frame, Id};
use tickover_framing::contract::{Act, Input, Known, Lost, Machine, Output, Tag, Wire};
use tickover_framing::isotp::{self, Address, Path};
use tickover_framing::transport::Reach;
use tickover_services::Effect;

use super::OUTPUTS;
use crate::{ChannelKey, Event, Permit, Rate, Row, Session, UnitId};

const UNITS: [(u16, u16); 2] = [(0x5A1, 0x5A9), (0x5B2, 0x5BA)];
const FRAME: Duration = Duration::from_micros(270);

/// Feeds a session with two units whatever the bytes say: time, frames good and bad, conditions, commands, lost lines.
///
/// # Panics
/// If the outputs never end, a deadline that has passed is kept, or a row comes from bytes that no frame of its unit
/// brought.
pub fn session_frames(bytes: &[u8]) {
    let Some((choice, steps)) = bytes.split_first() else { return };
    let mut world = World::new(*choice);
    let mut steps = steps.iter().copied();
    while let Some(step) = steps.next() {
        world.step(step, &mut steps);
    }
    world.session.report(world.now);
    world.session.close(world.now);
    world.drain();
}

pub(super) struct World {
    pub(super) session: Session,
    pub(super) now: Instant,
    deadline: Option<Instant>,
    /// Frames of ours that are not confirmed yet.
    sending: VecDeque<(Tag, Frame)>,
    /// The last request of each unit that came whole.
    requests: [Vec<u8>; 2],
    /// Everything delivered to the session.
    delivered: Vec<(Id, Vec<u8>)>,
}

impl World {
    pub(super) fn new(choice: u8) -> Self {
        let mut world = Self {
            session: session(choice),
            now: Instant::ORIGIN,
            deadline: None,
            sending: VecDeque::new(),
            requests: [Vec::new(), Vec::new()],
            delivered: Vec::new(),
        };
        world.session.connect(world.now, Reach::IDEAL);
        world.drain();
        world
    }

    pub(super) fn step(&mut self, step: u8, more: &mut impl Iterator<Item = u8>) {
        let unit = usize::from(step / 16 % 2);
        match step % 16 {
            0..=2 => self.time_passes(),
            // Our frames get out.
            3 | 4 => self.confirm(),
            // A unit answers well.
            5..=8 => {
                self.confirm();
                let mut answer = well(&core::mem::take(&mut self.requests[unit]));
                answer.extend(more.next().filter(|_| step % 16 == 8));
                self.answer(unit, &answer);
            }
            9 => {
                let service = self.requests[unit].first().copied().unwrap_or(0);
                self.answer(unit, &[0x7F, service, more.next().unwrap_or(0x78)]);
            }
            // Flow control, of whatever kind.
            10 => {
                let status = 0x30 | more.next().unwrap_or(0) & 0x0F;
                self.deliver(Id::Standard(UNITS[unit].1), &[status, more.next().unwrap_or(0), 0]);
            }
            11 => {
                let id = match more.next() {
                    Some(byte) if byte & 1 == 0 => Id::Standard(UNITS[unit].1),
                    Some(byte) => Id::Extended(u32::from(byte)),
                    None => Id::Standard(0),
                };
                let data: Vec<u8> = more.take(usize::from(step / 16) % 9).collect();
                self.deliver(id, &data);
            }
            12 => {
                let key = ChannelKey { unit: UnitId(unit as u8), channel: ChannelId(u16::from(step / 32)) };
                let rate = more.next().map(|rate| if rate == 0 { Rate::Fastest } else { Rate::per_second(rate) });
                self.session.set_rate(self.now, key, rate);
            }
            13 => {
                let request: Vec<u8> = more.take(usize::from(step / 16)).collect();
                let permit = Some(Permit::to(Effect::Session)).filter(|_| step >= 128);
                // A refusal is one of the outcomes.
                let _ = self.session.request_to(self.now, UnitId(unit as u8), &request, permit);
            }
            14 => {
                let condition = [
                    Condition::Error,
                    Condition::NoAcknowledge,
                    Condition::Passive,
                    Condition::Off,
                    Condition::Active,
                    Condition::Overrun,
                    Condition::Refused,
                ];
                let condition = condition[usize::from(more.next().unwrap_or(0)) % condition.len()];
                self.session.handle(Input::Bus { at: self.now, condition });
            }
            _ if step < 64 => {
                self.sending.clear();
                self.session.connect(self.now, Reach::IDEAL);
            }
            _ if step < 128 => self.session.handle(Input::Lost { at: self.now, cause: Lost::Gone }),
            _ if step < 192 => self.session.close(self.now),
            _ => drop(self.session.take_filters()),
        }
        self.drain();
    }

    /// A message of a unit, frame by frame, without waiting for flow control.
    fn answer(&mut self, unit: usize, data: &[u8]) {
        let id = Id::Standard(UNITS[unit].1);
        if data.len() <= 7 {
            return self.deliver(id, &[&[data.len() as u8], data].concat());
        }
        let (first, rest) = data.split_at(6);
        self.deliver(id, &[&[0x10, data.len() as u8], first].concat());
        self.confirm();
        for (i, piece) in rest.chunks(7).enumerate() {
            self.deliver(id, &[&[0x20 | (i as u8 + 1) & 0x0F], piece].concat());
        }
    }

    fn deliver(&mut self, id: Id, data: &[u8]) {
        self.now = self.now.after(FRAME);
        let mut filled = [0xCC; 8];
        filled[..data.len()].copy_from_slice(data);
        self.delivered.push((id, filled.to_vec()));
        let frame = Frame::classic(id, &filled).unwrap();
        self.session.handle(Input::Frame { end: self.now, frame: &frame });
        self.drain();
    }

    /// All frames of ours get out; a request in one frame has reached its unit.
    fn confirm(&mut self) {
        for _ in 0..64 {
            let Some((tag, frame)) = self.sending.pop_front() else { return };
            let start = self.now;
            self.now = start.after(FRAME);
            let unit = UNITS.iter().position(|(request, _)| frame.id == Id::Standard(*request));
            if let (Some(unit), Some((length @ 1..=7, data))) = (unit, frame.data.as_slice().split_first()) {
                self.requests[unit] = data[..usize::from(*length)].to_vec();
            }
            self.session.handle(Input::Sent { tag, start, end: self.now, known: Known::Measured });
            self.drain();
        }
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

    fn drain(&mut self) {
        for _ in 0..OUTPUTS {
            match self.session.poll_output() {
                Output::Act(Act::Speed(speed)) => {
                    self.session.handle(Input::SpeedIs { at: self.now, got: Some(speed) });
                }
                Output::Act(Act::Transmit { tag, wire: Wire::Frame(frame) }) => self.sending.push_back((tag, frame)),
                Output::Act(act) => panic!("{act:?} on a CAN bus"),
                Output::Event(Event::Row(row)) => {
                    assert!(self.was_brought(&row), "a row from bytes that no frame brought: {row:?}");
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

    /// Whether the row's bytes stand together in what its unit's frames carried (ISO 15765-2 table 9).
    fn was_brought(&self, row: &Row) -> bool {
        let id = Id::Standard(UNITS[row.unit.place()].1);
        let frames = self.delivered.iter().filter(|(from, _)| *from == id);
        let carried: Vec<u8> = frames
            .flat_map(|(_, data)| match data[0] >> 4 {
                0 | 2 => &data[1..],
                1 => &data[2..],
                _ => &[],
            })
            .copied()
            .collect();
        let data = &row.response[1..];
        carried.windows(data.len()).any(|window| window == data)
    }
}

/// What a good unit answers.
fn well(request: &[u8]) -> Vec<u8> {
    match request {
        [0x22, identifiers @ ..] => {
            let mut answer = vec![0x62];
            identifiers.chunks_exact(2).for_each(|pair| answer.extend([pair[0], pair[1], 1, 2]));
            answer
        }
        [service, ..] => vec![service.wrapping_add(0x40)],
        [] => vec![0],
    }
}

fn session(choice: u8) -> Session {
    let session = Session::new(definition(choice, UNITS[0])).with_unit("second", definition(choice, UNITS[1])).unwrap();
    let keys = (0..2).flat_map(|unit| (0..4).map(move |channel| (unit, channel)));
    keys.fold(session, |session, (unit, channel)| {
        let rate = if channel == 1 { Rate::Fastest } else { Rate::per_second(5) };
        session.watch(ChannelKey { unit: UnitId(unit), channel: ChannelId(channel) }, rate)
    })
}

/// The K-line's definition on a bus: its records by data identifier, by choice several in one request.
fn definition(choice: u8, (request, response): (u16, u16)) -> Definition {
    let mut definition = super::definition(choice & 2);
    let [request, response] = [request, response].map(|id| Address::Normal(Id::Standard(id)));
    let unit = CanUnit {
        path: Path { request, response },
        functional: Some(Address::Normal(Id::Standard(0x7DF))),
        line: isotp::Line::CLASSIC,
        p2_max: Duration::from_millis(50),
        p2_star_max: Duration::from_secs(5),
        s3: Some(Duration::from_secs(5)),
    };
    let can = Can {
        bit_rate: 500_000,
        data_rate: None,
        start: None,
        unit: Some(unit),
        services: Some(Services::Iso14229),
        keep_alive: None,
        effects: Cow::Borrowed(&[]),
    };
    definition.line = Some(Line::Can(can));
    definition.sessions = Cow::Borrowed(&[]);
    let variants = definition.variants.to_mut().iter_mut().map(|variant| &mut variant.layout);
    for layout in core::iter::once(&mut definition.base).chain(variants) {
        for (place, record) in layout.records.to_mut().iter_mut().flatten().enumerate() {
            let low = place as u8 + 1;
            let made = super::record(
                record.id.0,
                &[0x22, 0x40, low],
                &[0x62, 0x40, low],
                2,
                ChannelId(record.id.0),
                record.every,
            );
            *record = made;
            record.read = Read::DataIdentifier(0x4000 | u16::from(low));
        }
        if choice & 1 != 0 {
            layout.several = vec![Several { of: SeveralOf::DataIdentifier, count: 3, longest: 64 }].into();
        }
    }
    definition
}
