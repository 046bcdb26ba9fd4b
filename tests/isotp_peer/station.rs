//! The unit of ours that the Python peer speaks with: it sends every request back.

use std::convert::Infallible;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tickover::bench::bus::Station;
use tickover::framing::can::{Frame, Id};
use tickover::framing::contract::{Act, Chunk, Input, Machine, Output, Tag, Wire};
use tickover::framing::isotp::{Address, Flow, Line, Path, Timing, Unit, UnitEvent};
use tickover::framing::transport::{Noise, Reach};

/// Tells the station what to be like: number of the case, mode, BS, STmin.
const SETTINGS: Id = Id::Standard(0x6F0);
/// Frames to be sent as they stand.
const RELAY: Id = Id::Standard(0x6F1);
const PATH: Path =
    Path { request: Address::Normal(Id::Standard(0x5A1)), response: Address::Normal(Id::Standard(0x5A9)) };

/// What the unit made of each case.
pub(crate) type Log = Arc<Mutex<Vec<(u8, Noise)>>>;

pub(crate) struct Echo {
    unit: Unit<4095>,
    case: u8,
    mode: u8,
    /// Frames of the unit's answer so far.
    sent: usize,
    relay: Option<Frame>,
    log: Log,
}

impl Echo {
    const DEAF: u8 = 1;
    const WAITING: u8 = 2;
    const LOSING: u8 = 3;
    const SWAPPING: u8 = 4;

    pub(crate) fn new(log: Log) -> Self {
        Self { unit: unit(), case: 0, mode: 0, sent: 0, relay: None, log }
    }

    fn set(&mut self, settings: &[u8]) {
        let &[case, mode, block_size, st_min] = settings else { return };
        (self.case, self.mode, self.sent) = (case, mode, 0);
        self.unit = unit();
        self.unit.set_flow(Flow { block_size, st_min, wait_max: 0 });
        match mode {
            Self::DEAF => {
                self.unit.set_timing(Timing { n_br: Duration::from_secs(5), ..Timing::ISO15765_2 });
            }
            Self::WAITING => self.unit.set_waits(5, Duration::from_millis(20)),
            _ => {}
        }
    }

    /// Frames of the unit's own that do not reach the bus as they should.
    fn spoiled(&mut self, act: Act) -> Act {
        let Act::Transmit { tag, wire: Wire::Frame(frame) } = act else { return act };
        if frame.data.as_slice().first().is_none_or(|first| first >> 4 != 2) {
            return act;
        }
        self.sent += 1;
        let other = |sequence: u8, data: &[u8]| {
            let mut data = data.to_vec();
            data[0] = 0x20 | sequence;
            let data = Chunk::split_from(&data).0;
            Act::Transmit { tag, wire: Wire::Frame(Frame { data, ..frame }) }
        };
        match (self.mode, self.sent) {
            // Lost: something that nobody listens to is sent in its place.
            (Self::LOSING, 2) => Act::Transmit { tag, wire: Wire::Frame(Frame { id: Id::Standard(0x7F0), ..frame }) },
            (Self::SWAPPING, 2) => other(3, frame.data.as_slice()),
            (Self::SWAPPING, 3) => other(2, frame.data.as_slice()),
            _ => act,
        }
    }
}

fn unit() -> Unit<4095> {
    Unit::new(Line::CLASSIC, PATH, None, Reach::IDEAL)
}

impl Station for Echo {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Frame { frame, .. } if frame.id == SETTINGS => self.set(frame.data.as_slice()),
            Input::Frame { frame, .. } if frame.id == RELAY => {
                self.relay = Some(Frame { id: PATH.response.id(), ..*frame });
            }
            input => self.unit.handle(input),
        }
    }

    fn poll(&mut self) -> Output<Infallible> {
        if let Some(frame) = self.relay.take() {
            // A tag that the unit has no frame under way with.
            return Output::Act(Act::Transmit { tag: Tag(0x100), wire: Wire::Frame(frame) });
        }
        loop {
            return match self.unit.poll_output() {
                Output::Event(UnitEvent::Request { end, .. }) => {
                    let data = self.unit.request().to_vec();
                    let _ = self.unit.respond(end, &data, Duration::ZERO); // busy: the peer misses its answer
                    continue;
                }
                Output::Event(UnitEvent::Noise { what, .. }) => {
                    self.log.lock().unwrap_or_else(|poisoned| poisoned.into_inner()).push((self.case, what));
                    continue;
                }
                Output::Event(_) => continue,
                Output::Act(act) => Output::Act(self.spoiled(act)),
                Output::WaitUntil { at, why } => Output::WaitUntil { at, why },
                Output::Idle => Output::Idle,
            };
        }
    }
}
