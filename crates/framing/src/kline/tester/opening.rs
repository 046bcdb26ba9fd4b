//! The tester's side of an initialisation: fast, five-baud, or none.

use core::time::Duration;

use super::{Edges, Ended, Phase, Tester};
use crate::contract::{Act, Level};
use crate::deadline::Deadline;
use crate::kline::frame::Frame;
use crate::kline::init::{ADDRESS_BITS, SYNCHRONISATION, address_level, address_run, address_time, service};
use crate::kline::message::{Addressing, LengthForm};
use crate::kline::receiver::Char;
use crate::kline::{FiveBaud, Framing, Init, KeyBytes};
use crate::time::Instant;
use crate::transport::{Noise, Stage};

/// Where an initialisation stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Opening {
    /// The port's speed is being set.
    Speed,
    /// The line must be idle.
    Idle,
    /// TiniL: the line goes low and is kept there.
    Low,
    /// TWup: released since the pulse that fell then.
    Released {
        fell: Instant,
    },
    /// StartCommunication is on its way.
    Start,
    /// The answer to StartCommunication is waited for.
    Answer {
        stage: Stage,
    },
    /// The address: the bit that begins with the next edge; `None` before the first edge.
    Address {
        first: Option<Instant>,
        bit: u8,
    },
    /// The address is over; the synchronisation byte is waited for.
    Synchronisation {
        from: Instant,
    },
    FirstKeyByte {
        from: Instant,
    },
    SecondKeyByte {
        from: Instant,
        first: u8,
    },
    /// Both key bytes came; the inverse of the second is sent after W4min.
    Inverse {
        key_bytes: KeyBytes,
    },
    /// The inverted address is waited for.
    Confirmation {
        from: Instant,
        key_bytes: KeyBytes,
    },
}

impl Tester {
    /// The speed is made: waits until the line has been idle long enough.
    pub(super) fn begin_opening(&mut self, now: Instant) {
        if self.line.init == Init::None {
            return self.ready(now, None);
        }
        let since = match (self.ended, self.last_byte) {
            (Ended::Never, _) | (_, None) => self.opening_since,
            (_, Some(last)) => last,
        };
        self.phase = Phase::Opening(Opening::Idle);
        self.deadlines.arm(Deadline::Idle, since.after(self.idle_time()).max(now));
        self.deadlines.arm(Deadline::Quiet, self.give_up_at(now, self.idle_time()));
    }

    /// How long the line must be idle before the pattern (ISO 14230-2 5.1.2.2; W0 and W5 from memory).
    fn idle_time(&self) -> Duration {
        let timing = self.line.timing;
        match (self.line.init, self.ended) {
            (Init::None, _) => Duration::ZERO,
            (Init::Fast, Ended::Orderly) => timing.p3_min,
            (Init::Fast, Ended::Never | Ended::Otherwise) => timing.t_idle,
            (Init::FiveBaud(_), Ended::Never) => timing.w0_min,
            (Init::FiveBaud(_), Ended::Orderly | Ended::Otherwise) => timing.w5_min,
        }
    }

    pub(super) fn opening_deadline(&mut self, deadline: Deadline, at: Instant, now: Instant) {
        let Phase::Opening(opening) = self.phase else { return };
        match (deadline, opening) {
            (Deadline::Idle, Opening::Idle) => self.first_edge(now),
            (Deadline::PulseEnd, Opening::Low) => {
                let rest = self.line.timing.t_wup.saturating_sub(self.line.timing.t_inil);
                self.act = Some(Act::Line { level: Level::High, hold: rest });
            }
            (Deadline::WakeUp, Opening::Released { .. }) => self.start_communication(now),
            (Deadline::Bit, Opening::Address { first: Some(_), bit }) => self.address_edge(bit),
            (Deadline::InvertedKeyByte, Opening::Inverse { key_bytes }) => {
                self.act = self.outgoing.begin(Frame::raw(&[!key_bytes.1]), Duration::ZERO);
            }
            (Deadline::Synchronisation, _) => self.not_ready(at, Stage::NoAnswer),
            (Deadline::FirstKeyByte | Deadline::SecondKeyByte, _) => self.not_ready(at, Stage::KeyBytes),
            (Deadline::InvertedAddress, _) => self.not_ready(at, Stage::NoConfirmation),
            _ => {}
        }
    }

    fn first_edge(&mut self, now: Instant) {
        self.deadlines.disarm(Deadline::Quiet);
        let timing = self.line.timing;
        match self.line.init {
            Init::None => self.ready(now, None),
            Init::Fast => {
                self.phase = Phase::Opening(Opening::Low);
                self.act = Some(Act::Line { level: Level::Low, hold: timing.t_inil });
            }
            Init::FiveBaud(_) => {
                self.phase = Phase::Opening(Opening::Address { first: None, bit: 0 });
                self.address_edge(0);
            }
        }
        self.last_edge = Edges::Moving;
    }

    /// Whether a pattern of ours has begun and its last edge has not come.
    pub(super) fn may_hold_the_line(&self) -> bool {
        self.last_edge == Edges::Moving
    }

    /// Lets go of the line in the middle of a pattern.
    pub(super) fn release(&mut self) {
        self.last_edge = Edges::Moving;
        self.act = Some(Act::Line { level: Level::High, hold: Duration::ZERO });
    }

    fn address_edge(&mut self, bit: u8) {
        let Init::FiveBaud(FiveBaud { address, .. }) = self.line.init else { return };
        let hold = address_time(address_run(address, bit));
        self.act = Some(Act::Line { level: address_level(address, bit), hold });
    }

    pub(super) fn line_is(&mut self, at: Instant, level: Level) {
        let timing = self.line.timing;
        match (self.phase, level) {
            (Phase::Opening(Opening::Speed), Level::High) => {
                self.last_edge = Edges::Last(at);
                self.speed_due(at);
            }
            (Phase::Opening(Opening::Low), Level::Low) => {
                self.deadlines.arm(Deadline::PulseEnd, at.after(timing.t_inil));
                self.opening_since = at;
            }
            (Phase::Opening(Opening::Low), Level::High) => {
                let fell = self.opening_since;
                self.last_edge = Edges::Last(at);
                self.phase = Phase::Opening(Opening::Released { fell });
                self.deadlines.arm(Deadline::WakeUp, fell.after(timing.t_wup));
            }
            (Phase::Opening(Opening::Address { first, bit }), _) => {
                let Init::FiveBaud(FiveBaud { address, .. }) = self.line.init else { return };
                let first = first.unwrap_or(at);
                let next = bit + address_run(address, bit);
                if next < ADDRESS_BITS {
                    self.phase = Phase::Opening(Opening::Address { first: Some(first), bit: next });
                    self.deadlines.arm(Deadline::Bit, first.after(address_time(next)));
                } else {
                    let from = first.after(address_time(ADDRESS_BITS));
                    self.last_edge = Edges::Last(at);
                    self.phase = Phase::Opening(Opening::Synchronisation { from });
                    self.deadlines.arm(Deadline::Synchronisation, self.limit(from, timing.w1_max));
                }
            }
            _ => {}
        }
    }

    fn start_communication(&mut self, now: Instant) {
        if self.line.framing != Framing::Iso14230 {
            return self.ready(now, None);
        }
        let addressing = Addressing::Physical { target: self.line.unit, source: self.line.tester };
        let frame = Frame::iso14230(addressing, LengthForm::InFormat, &[service::START_COMMUNICATION]);
        self.phase = Phase::Opening(Opening::Start);
        if let Some(frame) = frame {
            self.act = self.outgoing.begin(frame, self.line.timing.p4_min);
        }
    }

    pub(super) fn opening_sent(&mut self, opening: Opening, end: Instant) {
        let timing = self.line.timing;
        match opening {
            Opening::Start => {
                self.window_from = end;
                self.phase = Phase::Opening(Opening::Answer { stage: Stage::NoAnswer });
                self.deadlines.arm(Deadline::AnswerStart, self.limit(self.out_for_sure(end), timing.p2_max));
                self.deadlines.arm(Deadline::Quiet, self.give_up_at(self.out_for_sure(end), timing.p2_max));
            }
            Opening::Inverse { key_bytes } => match self.line.init {
                Init::FiveBaud(FiveBaud { unit_confirms: true, .. }) => {
                    self.phase = Phase::Opening(Opening::Confirmation { from: end, key_bytes });
                    self.deadlines.arm(Deadline::InvertedAddress, self.limit(self.out_for_sure(end), timing.w4_max));
                }
                _ => self.ready(end, Some(key_bytes)),
            },
            _ => {}
        }
    }

    /// A good message from the unit while StartCommunication is open; P2min is not judged here (ISO 14230-2 6.1.1).
    pub(super) fn opening_message(&mut self, end: Instant) {
        const STARTED: u8 = service::START_COMMUNICATION + service::POSITIVE;
        match *crate::transport::Transport::message(self) {
            [STARTED, first, second] => self.ready(end, Some(KeyBytes(first, second))),
            _ => {
                self.window_from = end;
                self.phase = Phase::Opening(Opening::Answer { stage: Stage::Refused });
                self.deadlines.arm(Deadline::AnswerStart, self.limit(end, self.line.timing.p2_max));
            }
        }
    }

    pub(super) fn opening_closed(&mut self, opening: Opening, at: Instant) {
        match opening {
            Opening::Answer { stage } => self.not_ready(at, stage),
            Opening::Idle => self.not_ready(at, Stage::NeverIdle),
            _ => {}
        }
    }

    /// A byte while no answer is open: one of the unit's in a five-baud initialisation, or a disturbance.
    pub(super) fn opening_byte(&mut self, opening: Opening, char: Char) {
        let Char { byte, start, end } = char;
        let timing = self.line.timing;
        if opening == Opening::Idle {
            // The line was not idle: the time starts again.
            self.deadlines.arm(Deadline::Idle, end.after(self.idle_time()));
        }
        let Init::FiveBaud(FiveBaud { address, key_bytes: expected, .. }) = self.line.init else { return };
        match opening {
            Opening::Synchronisation { from } => {
                self.deadlines.disarm(Deadline::Synchronisation);
                self.note_early(start, from.after(timing.w1_min));
                if byte != SYNCHRONISATION {
                    return self.not_ready(end, Stage::Synchronisation { found: byte });
                }
                self.phase = Phase::Opening(Opening::FirstKeyByte { from: end });
                self.deadlines.arm(Deadline::FirstKeyByte, self.limit(end, timing.w2_max));
            }
            Opening::FirstKeyByte { from } => {
                self.deadlines.disarm(Deadline::FirstKeyByte);
                self.note_early(start, from.after(timing.w2_min));
                self.phase = Phase::Opening(Opening::SecondKeyByte { from: end, first: byte });
                self.deadlines.arm(Deadline::SecondKeyByte, self.limit(end, timing.w3_max));
            }
            Opening::SecondKeyByte { from, first } => {
                self.deadlines.disarm(Deadline::SecondKeyByte);
                self.note_early(start, from.after(timing.w3_min));
                let key_bytes = KeyBytes(first, byte);
                if expected.is_some_and(|expected| expected != key_bytes) {
                    return self.not_ready(end, Stage::OtherKeyBytes { found: (first, byte) });
                }
                self.phase = Phase::Opening(Opening::Inverse { key_bytes });
                self.deadlines.arm(Deadline::InvertedKeyByte, end.after(timing.w4_min));
            }
            Opening::Confirmation { from, key_bytes } => {
                self.deadlines.disarm(Deadline::InvertedAddress);
                self.note_early(start, from.after(timing.w4_min));
                if byte != !address {
                    return self.not_ready(end, Stage::Confirmation { found: byte, expected: !address });
                }
                self.ready(end, Some(key_bytes));
            }
            // More than two key bytes: the unit speaks another initialisation; what it waits for still comes.
            _ => {}
        }
    }

    fn note_early(&mut self, start: Instant, least: Instant) {
        if start < least {
            self.noise(start, Noise::Early);
        }
    }
}
