//! A CAN bus in virtual time with a unit that knows one answer by heart. No std, no allocator.

use core::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::Frame;
use tickover_framing::contract::{Act, Input, Known, Lost, Machine, Output, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::isotp::{Line, Path, Unit, UnitEvent};
use tickover_framing::time::earliest;
use tickover_framing::transport::Reach;

const BIT_RATE: u32 = 500_000;
const P2: Duration = Duration::from_millis(3);

/// The tester's end of the bus.
pub(crate) struct Bus<const BYTES: usize> {
    unit: Unit<BYTES>,
    knows: (&'static [u8], &'static [u8]),
    now: Instant,
    free: Instant,
    /// A frame is heard by one and confirmed to the other at the same instant.
    coming: [Option<(Instant, Coming)>; 8],
}

#[derive(Clone, Copy)]
enum Coming {
    ToTester(Frame),
    ToUnit(Frame),
    TesterSent(Tag, Instant),
    UnitSent(Tag, Instant),
}

impl<const BYTES: usize> Bus<BYTES> {
    pub(crate) fn new(line: Line, path: Path, knows: (&'static [u8], &'static [u8])) -> Self {
        let now = Instant::from_nanos(1_000_000_000);
        Self { unit: Unit::new(line, path, None, Reach::IDEAL), knows, now, free: now, coming: [None; 8] }
    }

    fn put(&mut self, frame: Frame, heard: Coming, sent: impl Fn(Instant) -> Coming) {
        let start = self.now.max(self.free);
        self.free = start.after(frame.time(BIT_RATE, None));
        for coming in [sent(start), heard] {
            if let Some(slot) = self.coming.iter_mut().find(|slot| slot.is_none()) {
                *slot = Some((self.free, coming));
            }
        }
    }

    /// Obeys the unit; gives its deadline.
    fn drain(&mut self) -> Option<Instant> {
        loop {
            match self.unit.poll_output() {
                Output::Act(Act::Transmit { tag, wire: Wire::Frame(frame) }) => {
                    self.put(frame, Coming::ToTester(frame), |start| Coming::UnitSent(tag, start));
                }
                Output::Event(UnitEvent::Request { .. }) if self.unit.request() == self.knows.0 => {
                    let _ = self.unit.respond(self.now, self.knows.1, P2); // refused: no answer, the proof fails
                }
                Output::Event(_) | Output::Act(_) => {}
                Output::WaitUntil { at, .. } => return Some(at),
                Output::Idle => return None,
            }
        }
    }

    fn take(&mut self, at: Instant) -> Option<Coming> {
        let slot = self.coming.iter_mut().find(|slot| slot.is_some_and(|(due, _)| due == at))?;
        slot.take().map(|(_, coming)| coming)
    }
}

impl<const BYTES: usize> Port for Bus<BYTES> {
    fn reach(&self) -> Reach {
        Reach::IDEAL
    }

    fn now(&self) -> Instant {
        self.now
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        match *act {
            Act::Transmit { tag, wire: Wire::Frame(frame) } => {
                self.put(frame, Coming::ToUnit(frame), |start| Coming::TesterSent(tag, start));
                None
            }
            Act::Speed(speed) => Some(Input::SpeedIs { at: self.now, got: Some(speed) }),
            Act::Transmit { .. } | Act::Line { .. } => Some(Input::Lost { at: self.now, cause: Lost::Refused }),
        }
    }

    fn wait(&mut self, until: Option<Instant>, _: &mut [u8]) -> Woke {
        loop {
            let deadline = self.drain();
            let input = self.coming.iter().flatten().map(|(at, _)| *at).min();
            let Some(at) = earliest(input, deadline).filter(|at| until.is_none_or(|until| *at <= until)) else {
                let Some(until) = until else { return Woke::Lost { at: self.now, cause: Lost::Stopped } };
                self.now = self.now.max(until);
                return Woke::Deadline { now: self.now };
            };
            self.now = self.now.max(at);
            match self.take(at) {
                Some(Coming::ToTester(frame)) => return Woke::Frame { end: at, frame },
                Some(Coming::TesterSent(tag, start)) => return Woke::Sent { tag, start, end: at },
                Some(Coming::ToUnit(frame)) => self.unit.handle(Input::Frame { end: at, frame: &frame }),
                Some(Coming::UnitSent(tag, start)) => {
                    self.unit.handle(Input::Sent { tag, start, end: at, known: Known::Measured });
                }
                None => self.unit.handle(Input::Timeout { now: self.now }),
            }
        }
    }
}
