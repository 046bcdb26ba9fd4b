//! What carries requests and answers: a K-line's tester, or a conversation on a CAN bus.

use core::time::Duration;

use tickover_defs::compiled::Line;
use tickover_framing::Instant;
use tickover_framing::contract::{Input, Machine, Output, Speed};
use tickover_framing::kline::{self, Stopping};
use tickover_framing::transport::{Ask, Heard, Misuse, Peer, Reach, Transport};

/// One of the two transports.
#[derive(Debug)]
pub(crate) enum Carrier {
    KLine(kline::Tester),
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
    /// Quiet for longer, and the unit has ended the conversation.
    pub(crate) p3_max: Option<Duration>,
}

impl Carrier {
    /// `None`: nobody is asked on this line.
    pub(crate) fn of(line: &Line, reach: Reach, tolerance_ppm: Option<u32>) -> Option<Self> {
        match line {
            Line::KLine(line) => {
                let mut tester = kline::Tester::new(line.line, reach);
                tolerance_ppm.into_iter().for_each(|ppm| tester.set_speed_tolerance_ppm(ppm));
                Some(Self::KLine(tester))
            }
            _ => None,
        }
    }

    pub(crate) fn connect(&mut self, now: Instant) {
        match self {
            Self::KLine(tester) => tester.connect(now),
        }
    }

    pub(crate) fn handle(&mut self, input: Input<'_>) {
        match self {
            Self::KLine(tester) => tester.handle(input),
        }
    }

    pub(crate) fn poll_output(&mut self) -> Output<Heard> {
        match self {
            Self::KLine(tester) => tester.poll_output(),
        }
    }

    pub(crate) fn request(&mut self, now: Instant, data: &[u8], ask: Ask) -> Result<(), Misuse> {
        match self {
            Self::KLine(tester) => tester.request(now, data, ask),
        }
    }

    pub(crate) fn keep_waiting(&mut self, window: Duration) {
        match self {
            Self::KLine(tester) => tester.keep_waiting(window),
        }
    }

    pub(crate) fn message(&self) -> &[u8] {
        match self {
            Self::KLine(tester) => tester.message(),
        }
    }

    /// Ends the connection in order.
    pub(crate) fn stop(&mut self, now: Instant) -> Result<Stopping, Misuse> {
        match self {
            Self::KLine(tester) => tester.stop(now),
        }
    }

    /// From now on the line is this; false: it cannot become so.
    pub(crate) fn change_line(&mut self, now: Instant, line: &Line) -> bool {
        match (self, line) {
            (Self::KLine(tester), Line::KLine(line)) => tester.change_line(now, line.line).is_ok(),
            _ => false,
        }
    }

    /// The unit that is asked.
    pub(crate) fn unit(&self) -> Peer {
        match self {
            Self::KLine(tester) => Peer::Unit(tester.line().unit),
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
        }
    }

    /// What the port runs at because of this conversation; `None`: that is not its own.
    pub(crate) fn speed(&self) -> Option<Speed> {
        match self {
            Self::KLine(tester) => Some(tester.line().speed()),
        }
    }

    /// How long the bytes of a request occupy the line.
    pub(crate) fn request_occupies(&self, data: usize) -> Duration {
        match self {
            Self::KLine(tester) => tester.line().char_time().of(tester.line().request_len(data)),
        }
    }
}
