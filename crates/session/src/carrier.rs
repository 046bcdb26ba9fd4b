//! What carries requests and answers: a K-line's tester, or a conversation on a CAN bus.

use alloc::boxed::Box;
use core::time::Duration;

use tickover_defs::compiled::{Can, CanUnit, Line};
use tickover_framing::Instant;
use tickover_framing::contract::{Input, Machine, Output, Speed};
use tickover_framing::isotp::{self, PathError};
use tickover_framing::kline::{self, Stopping};
use tickover_framing::transport::{Answers, Ask, Heard, Misuse, Peer, Reach, Transport};

use crate::frames::{Bus, answer_on, request_on};

/// The longest answer taken on CAN: what a first frame announces without the escape form.
const MESSAGE_MOST: usize = 4095;

/// One of the two transports.
#[derive(Debug)]
pub(crate) enum Carrier {
    KLine(Box<kline::Tester>),
    Can(Box<OnCan>),
}

/// One unit's conversation on a bus whose speed the session has set.
#[derive(Debug)]
pub(crate) struct OnCan {
    tester: isotp::Tester<1, MESSAGE_MOST>,
    bus: Bus,
    unit: CanUnit,
    /// In a session of the definition: the unit falls out of it after S3.
    in_session: bool,
}

/// How long things take on the line as it is now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Limits {
    /// End of a request to the start of its answer, at most.
    pub(crate) p2_max: Duration,
    /// The same after "response pending".
    pub(crate) p2_star_max: Duration,
    /// End of the last message to the next request, at least.
    pub(crate) p3_min: Duration,
    /// Quiet for longer, and the unit has ended the conversation, or its session.
    pub(crate) p3_max: Option<Duration>,
}

impl Carrier {
    /// `None`: nobody is asked on this line.
    ///
    /// # Errors
    /// Frames of the definition's addresses could be taken for others.
    pub(crate) fn of(line: &Line, reach: Reach, tolerance_ppm: Option<u32>) -> Result<Option<Self>, PathError> {
        Ok(match line {
            Line::KLine(line) => {
                let mut tester = kline::Tester::new(line.line, reach);
                tolerance_ppm.into_iter().for_each(|ppm| tester.set_speed_tolerance_ppm(ppm));
                Some(Self::KLine(Box::new(tester)))
            }
            Line::Can(can) => match can.unit {
                Some(unit) => Some(Self::Can(Box::new(OnCan::new(can, unit, reach)?))),
                None => None,
            },
            _ => None,
        })
    }

    pub(crate) fn connect(&mut self, now: Instant) {
        match self {
            Self::KLine(tester) => tester.connect(now),
            Self::Can(can) => {
                can.in_session = false;
                can.tester.connect(now);
            }
        }
    }

    pub(crate) fn handle(&mut self, input: Input<'_>) {
        match self {
            Self::KLine(tester) => tester.handle(input),
            Self::Can(can) => can.tester.handle(input),
        }
    }

    pub(crate) fn poll_output(&mut self) -> Output<Heard> {
        match self {
            Self::KLine(tester) => tester.poll_output(),
            Self::Can(can) => can.tester.poll_output(),
        }
    }

    pub(crate) fn request(&mut self, now: Instant, data: &[u8], ask: Ask) -> Result<(), Misuse> {
        match self {
            Self::KLine(tester) => tester.request(now, data, ask),
            Self::Can(can) => can.tester.request(now, data, ask),
        }
    }

    pub(crate) fn keep_waiting(&mut self, window: Duration) {
        match self {
            Self::KLine(tester) => tester.keep_waiting(window),
            Self::Can(can) => can.tester.keep_waiting(window),
        }
    }

    pub(crate) fn message(&self) -> &[u8] {
        match self {
            Self::KLine(tester) => tester.message(),
            Self::Can(can) => can.tester.message(),
        }
    }

    /// Ends the connection in order. On CAN there is none to end: `leave` takes the unit out of a session, if it is in
    /// one.
    pub(crate) fn stop(&mut self, now: Instant, leave: Option<&[u8]>) -> Result<Stopping, Misuse> {
        match self {
            Self::KLine(tester) => tester.stop(now),
            Self::Can(can) => match leave.filter(|_| can.in_session) {
                Some(request) => {
                    let to = Peer::Address(can.unit.path.request);
                    let ask = Ask { to, answers: Answers::One, window: can.unit.p2_max };
                    can.tester.request(now, request, ask).map(|()| Stopping::Asked)
                }
                None => Ok(Stopping::Over),
            },
        }
    }

    /// From now on the line is this, in a session of the definition; false: it cannot become so.
    pub(crate) fn change_line(&mut self, now: Instant, line: &Line) -> bool {
        match (self, line) {
            (Self::KLine(tester), Line::KLine(line)) => tester.change_line(now, line.line).is_ok(),
            (Self::Can(can), Line::Can(Can { unit: Some(unit), .. })) => can.change_to(*unit),
            _ => false,
        }
    }

    /// The unit that is asked.
    pub(crate) fn unit(&self) -> Peer {
        match self {
            Self::KLine(tester) => Peer::Unit(tester.line().unit),
            Self::Can(can) => Peer::Address(can.unit.path.request),
        }
    }

    /// Granted and announced values included.
    pub(crate) fn limits(&self) -> Limits {
        match self {
            Self::KLine(tester) => {
                let timing = &tester.line().timing;
                Limits {
                    p2_max: timing.p2_max,
                    p2_star_max: timing.p2_star_max,
                    p3_min: timing.p3_min,
                    p3_max: timing.p3_max,
                }
            }
            Self::Can(can) => Limits {
                p2_max: can.unit.p2_max,
                p2_star_max: can.unit.p2_star_max,
                p3_min: Duration::ZERO,
                p3_max: can.unit.s3.filter(|_| can.in_session),
            },
        }
    }

    /// What the port runs at because of this conversation; `None`: that is not its own.
    pub(crate) fn speed(&self) -> Option<Speed> {
        match self {
            Self::KLine(tester) => Some(tester.line().speed()),
            Self::Can(_) => None,
        }
    }

    /// How long a request occupies the line, of the time that it took.
    pub(crate) fn request_occupies(&self, data: usize, took: Duration) -> Duration {
        match self {
            Self::KLine(tester) => tester.line().char_time().of(tester.line().request_len(data)).min(took),
            Self::Can(can) => request_on(can.bus, &can.unit, data).on_the_bus(),
        }
    }

    /// How long an answer occupies the line, of the time that it took.
    pub(crate) fn answer_occupies(&self, data: usize, took: Duration) -> Duration {
        match self {
            Self::KLine(_) => took,
            Self::Can(can) => answer_on(can.bus, &can.unit, data).on_the_bus(),
        }
    }
}

impl OnCan {
    fn new(can: &Can, unit: CanUnit, reach: Reach) -> Result<Self, PathError> {
        let bus = Bus::of(can);
        let mut tester = isotp::Tester::new(isotp::Line { speed: None, ..unit.line }, reach);
        tester.assume_speed(Speed::Can { bit_rate: bus.bit_rate, data_rate: bus.data_rate, listen_only: false });
        tester.set_functional(unit.functional);
        tester.add_unit(unit.path)?;
        Ok(Self { tester, bus, unit, in_session: false })
    }

    fn change_to(&mut self, unit: CanUnit) -> bool {
        let (old, new) = (&self.unit, &unit);
        let same = (old.path, old.functional) == (new.path, new.functional)
            && (old.line.frames, old.line.timing) == (new.line.frames, new.line.timing);
        if same {
            self.tester.set_flow(unit.line.flow);
            (self.unit, self.in_session) = (unit, true);
        }
        same
    }
}
