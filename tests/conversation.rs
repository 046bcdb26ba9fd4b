//! A tester and one unit on the virtual bus: what they say to each other, and the frames that it takes.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::time::Duration;

use tickover::bench::bus::{Bus, Passed, Station};
use tickover::framing::Instant;
use tickover::framing::contract::{Input, Machine, Output};
use tickover::framing::isotp::{Address, Line, Path, Tester, Unit, UnitEvent};
use tickover::framing::transport::{Answers, Ask, Heard, Peer, Reach, Transport};

/// The longest message of ISO 15765-2 without the escape form.
const LONGEST: usize = 4095;
const WINDOW: Duration = Duration::from_secs(1);

/// A request and its answer; an empty answer is none.
pub(crate) type Exchange = (Vec<u8>, Vec<u8>);

/// A unit that knows what it will be asked, in which order, and what to answer.
struct Answering {
    unit: Unit<LONGEST>,
    exchanges: VecDeque<Exchange>,
}

impl Station for Answering {
    fn handle(&mut self, input: Input<'_>) {
        self.unit.handle(input);
    }

    fn poll(&mut self) -> Output<Infallible> {
        loop {
            match self.unit.poll_output() {
                Output::Event(UnitEvent::Request { end, .. }) => {
                    let (request, answer) = self.exchanges.pop_front().expect("no more requests than were sent");
                    assert_eq!(self.unit.request(), request, "what reached the unit");
                    if !answer.is_empty() {
                        self.unit.respond(end, &answer, Duration::from_millis(2)).expect("an idle unit");
                    }
                }
                Output::Event(UnitEvent::Sent { .. }) => {}
                Output::Event(event) => panic!("the unit saw {event:?}"),
                Output::Act(act) => return Output::Act(act),
                Output::WaitUntil { at, why } => return Output::WaitUntil { at, why },
                Output::Idle => return Output::Idle,
            }
        }
    }
}

/// Both ends of a conversation and how they send.
pub(crate) struct Ends {
    pub(crate) path: Path,
    /// `Some`: requests go to all.
    pub(crate) functional: Option<Address>,
    pub(crate) tester: Line,
    pub(crate) unit: Line,
}

/// Exchanges on a bus of 500 kbit/s, one after the other. Every request must reach the unit and every answer the tester
/// as they are. Gives the frames that were on the bus.
pub(crate) fn converse(ends: &Ends, exchanges: &[Exchange]) -> Vec<Passed> {
    let Ends { path, functional, tester, unit } = *ends;
    let mut bus = Bus::new(Reach::IDEAL, 500_000);
    bus.keep_passed(usize::MAX);
    let unit = Unit::new(unit, path, functional, Reach::IDEAL);
    bus.attach(Answering { unit, exchanges: exchanges.iter().cloned().collect() });
    let mut tester: Tester<1, LONGEST> = Tester::new(tester, Reach::IDEAL);
    tester.add_unit(path).expect("one unit");
    tester.set_functional(functional);
    tester.connect(Instant::ORIGIN);
    let to = if functional.is_some() { Peer::Anyone } else { Peer::Address(path.request) };
    let ready =
        bus.drive(&mut tester, within(Instant::ORIGIN), |_, heard| matches!(heard, Heard::Ready { .. }).then_some(()));
    assert_eq!(ready, Some(()), "the tester is ready");
    for (request, answer) in exchanges {
        let now = tickover::framing::drive::Port::now(&bus);
        let answers = if answer.is_empty() { Answers::None } else { Answers::One };
        tester.request(now, request, Ask { to, answers, window: WINDOW }).expect("an idle tester");
        let heard = bus.drive(&mut tester, within(now), |tester, heard| match heard {
            Heard::Message { .. } => Some(tester.message().to_vec()),
            Heard::Sent { .. } if answer.is_empty() => Some(Vec::new()),
            Heard::Sent { .. } => None,
            other => panic!("the tester heard {other:?}"),
        });
        assert_eq!(heard.as_ref(), Some(answer), "the answer to {request:02X?}");
    }
    let passed: Vec<Passed> = bus.passed().copied().collect();
    assert!(passed.iter().all(|frame| frame.arrived));
    passed
}

fn within(now: Instant) -> Instant {
    now.after(Duration::from_secs(60))
}
