//! Frames in a script: a CAN bus on which nobody else disturbs.

use core::fmt::Debug;
use core::time::Duration;

use super::{At, Coming, Said, Script, ZERO};
use crate::can::{Frame, FrameKind, Id};
use crate::contract::{Chunk, Input, Known, Machine, Speed, Tag};
use crate::isotp::{Address, Line, Path, Tester, Unit};
use crate::time::{CharTime, Instant};
use crate::transport::{Heard, Reach, Transport};

/// How a script's port tells that a frame is out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Confirms {
    /// When it is out.
    Measured,
    /// At once, with its end computed.
    Computed,
    /// Not at all: nobody acknowledges.
    Never,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Bus {
    free: Instant,
    confirms: Confirms,
}

impl Bus {
    pub(super) const IDLE: Self = Self { free: Instant::ORIGIN, confirms: Confirms::Measured };
    const BIT_RATE: u32 = 500_000;
    const DATA_RATE: u32 = 2_000_000;
    const SPEED: Speed = Speed::Can { bit_rate: Self::BIT_RATE, data_rate: Some(Self::DATA_RATE), listen_only: false };

    fn time(frame: &Frame) -> Duration {
        frame.time(Self::BIT_RATE, Some(Self::DATA_RATE))
    }
}

impl<const UNITS: usize, const BYTES: usize> Script<Tester<UNITS, BYTES>> {
    /// A tester of these units that was ready at zero, on a bus of 500 kbit/s (FD: 2 Mbit/s).
    ///
    /// ```
    /// use core::time::Duration;
    /// use tickover_framing::can::Id;
    /// use tickover_framing::isotp::{Address, Line, Path, Tester};
    /// use tickover_framing::script::{Script, ZERO};
    /// use tickover_framing::transport::{Answers, Ask, Heard, Peer, Reach, Transport};
    ///
    /// let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
    /// let path = Path { request, response };
    /// let mut t = Script::<Tester<1, 64>>::bus_tester(Line::CLASSIC, &[path], None, Reach::IDEAL);
    /// let ask = Ask { to: Peer::Address(request), answers: Answers::One, window: Duration::from_millis(50) };
    /// t.at("0 ms").does(|tester, now| tester.request(now, &[0x3E, 0x00], ask)).unwrap();
    /// t.at("0 ms").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    /// let at = |micros| ZERO.after(Duration::from_micros(micros));
    /// t.at("0.27 ms").event(Heard::Sent { start: at(0), end: at(270) });
    /// t.at("10 ms").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    /// let answer = Heard::Message { from: Peer::Address(response), start: at(10_000), end: at(10_270), len: 2 };
    /// t.at("10.27 ms").event(answer);
    /// ```
    pub fn bus_tester(line: Line, paths: &[Path], functional: Option<Address>, reach: Reach) -> Self {
        let mut tester = Tester::new(line, reach);
        for path in paths {
            tester.add_unit(*path).unwrap_or_else(|error| panic!("{error}"));
        }
        tester.set_functional(functional);
        tester.assume_speed(Bus::SPEED);
        tester.connect(ZERO);
        let mut script = Self::new(tester, CharTime::new(10, Bus::BIT_RATE), ZERO);
        if let Some(speed) = line.speed {
            script.at("0 ms").speed(speed);
        }
        script.at("0 ms").event(Heard::Ready { key_bytes: None });
        script
    }
}

impl<const BYTES: usize> Script<Unit<BYTES>> {
    /// A unit on a bus of 500 kbit/s (FD: 2 Mbit/s).
    pub fn bus_unit(line: Line, path: Path, functional: Option<Address>, reach: Reach) -> Self {
        let mut unit = Unit::new(line, path, functional, reach);
        unit.assume_speed(Bus::SPEED);
        let mut script = Self::new(unit, CharTime::new(10, Bus::BIT_RATE), ZERO);
        if let Some(speed) = line.speed {
            script.at("0 ms").speed(speed);
        }
        script
    }
}

impl<M: Machine> Script<M>
where
    M::Event: Clone + PartialEq + Debug,
{
    /// How the port tells from now on that a frame is out; measured without this call.
    pub fn confirms(&mut self, confirms: Confirms) {
        self.bus.confirms = confirms;
    }

    pub(super) fn put(&mut self, tag: Tag, frame: Frame) {
        let start = self.now.max(self.bus.free);
        let end = start.after(Bus::time(&frame));
        self.bus.free = end;
        self.said.push_back((start, Said::Frame(frame)));
        match self.bus.confirms {
            Confirms::Measured => self.coming.push((end, Coming::Sent(tag, start))),
            Confirms::Computed => self.machine.handle(Input::Sent { tag, start, end, known: Known::Computed }),
            Confirms::Never => {}
        }
    }
}

impl<M: Machine> At<'_, M>
where
    M::Event: Clone + PartialEq + Debug,
{
    /// The machine sends this frame; its first bit is now. `"7E0 02 10 03"`, `"18DA10F1 .."`; `"7E0/fd .."` for FD.
    #[track_caller]
    pub fn sends_frame(self, frame: &str) {
        self.script.turn_until(self.moment.latest());
        self.script.expect(self.moment, &Said::Frame(frame_of(frame)));
    }

    /// This frame comes; its first bit is now.
    #[track_caller]
    pub fn hears_frame(self, frame: &str) {
        let frame = frame_of(frame);
        let end = self.moment.instant().after(Bus::time(&frame));
        self.script.coming.push((end, Coming::Frame(frame)));
    }

    /// Until now others hold the bus: what the machine sends waits.
    pub fn frees_the_bus(self) {
        self.script.bus.free = self.moment.instant();
    }
}

/// A frame as a script writes it.
#[track_caller]
fn frame_of(text: &str) -> Frame {
    let (head, data) = text.split_once(' ').unwrap_or((text, ""));
    let (id, kind) = match head.strip_suffix("/fd") {
        Some(id) => (id, FrameKind::Fd { switch_rate: true }),
        None => (head, FrameKind::Classic),
    };
    let id: Id = id.parse().unwrap_or_else(|error| panic!("{text:?}: {error}"));
    let Some(data) = Chunk::new(&super::bytes(data)) else { panic!("{text:?} is no frame") };
    Frame { id, kind, data }
}
