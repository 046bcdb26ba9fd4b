//! The unit's side of an initialisation: edges, then the unit's bytes.

use core::time::Duration;

use super::answer::Answer;
use super::{Phase, Unit};
use crate::contract::Level;
use crate::deadline::Deadline;
use crate::kline::frame::Frame;
use crate::kline::init::{AddressReader, SYNCHRONISATION, WakeUp};
use crate::kline::receiver::Char;
use crate::kline::{FiveBaud, Init};
use crate::time::Instant;

/// Where a five-baud initialisation stands.
#[derive(Clone, Copy, Debug)]
pub(super) enum Waking {
    Idle,
    /// An address is coming in.
    Address(AddressReader),
    /// The unit's bytes are being sent.
    Sending(Byte),
    /// Both key bytes are out; the inverse of the second is waited for.
    Inverse {
        from: Instant,
    },
}

/// Which byte of the unit comes next, or is on its way.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Byte {
    Synchronisation,
    FirstKey,
    SecondKey,
    InvertedAddress,
}

impl Waking {
    pub(super) fn takes_single_bytes(&self) -> bool {
        !matches!(self, Self::Idle)
    }
}

impl Unit {
    /// Waits for an initialisation with the line that it was made with.
    pub(super) fn fall_asleep(&mut self, now: Instant) {
        self.line = self.declared;
        self.deadlines = crate::deadline::Deadlines::NONE;
        self.queued = None;
        self.outgoing.abort();
        self.act = None;
        self.receiver.clear();
        self.wake_up = WakeUp::None;
        self.waking = Waking::Idle;
        self.phase = Phase::Asleep;
        self.speed_due(now);
        if self.line.init == Init::None {
            self.started(now);
            self.free_from = None;
        }
    }

    /// Whether somebody holds the line low.
    pub(super) fn is_low(&self) -> bool {
        matches!(self.wake_up, WakeUp::Low(_))
    }

    pub(super) fn edge(&mut self, at: Instant, level: Level) {
        match self.line.init {
            Init::None => {}
            Init::Fast => {
                self.wake_up = self.wake_up.edge(at, level, self.line.timing.t_inil, self.reach.late_in);
                if self.phase == Phase::Asleep {
                    self.receiver.clear();
                    self.deadlines.disarm(Deadline::NextByte);
                }
            }
            Init::FiveBaud(_) => {
                let mut reader = match self.waking {
                    Waking::Address(reader) => reader,
                    _ => AddressReader::IDLE,
                };
                reader.edge(at, level);
                match (reader.end(), self.waking) {
                    (Some(end), _) => {
                        self.deadlines.arm(Deadline::Bit, end);
                        self.waking = Waking::Address(reader);
                    }
                    (None, Waking::Address(_)) => {
                        self.deadlines.disarm(Deadline::Bit);
                        self.waking = Waking::Idle;
                    }
                    (None, _) => {}
                }
            }
        }
    }

    pub(super) fn waking_deadline(&mut self, deadline: Deadline, at: Instant) {
        let Init::FiveBaud(FiveBaud { address, .. }) = self.line.init else { return };
        match (deadline, self.waking) {
            (Deadline::Bit, Waking::Address(mut reader)) => {
                self.waking = Waking::Idle;
                if reader.finish() == Some(address) {
                    self.fall_asleep(at);
                    self.byte_due(Byte::Synchronisation, at, self.line.timing.w1_min);
                }
            }
            (Deadline::InvertedKeyByte, Waking::Inverse { .. }) => self.waking = Waking::Idle,
            _ => {}
        }
    }

    fn byte_due(&mut self, byte: Byte, from: Instant, delay: Duration) {
        let value = match (byte, self.line.init) {
            (Byte::Synchronisation, _) => SYNCHRONISATION,
            (Byte::FirstKey, _) => self.key_bytes.0,
            (Byte::SecondKey, _) => self.key_bytes.1,
            (Byte::InvertedAddress, Init::FiveBaud(FiveBaud { address, .. })) => !address,
            (Byte::InvertedAddress, _) => return,
        };
        self.waking = Waking::Sending(byte);
        self.free_from = Some(from);
        self.answer_at(from, delay, Frame::raw(&[value]), Answer::Waking);
    }

    pub(super) fn waking_sent(&mut self, end: Instant) {
        let timing = self.line.timing;
        match self.waking {
            Waking::Sending(Byte::Synchronisation) => self.byte_due(Byte::FirstKey, end, timing.w2_min),
            Waking::Sending(Byte::FirstKey) => self.byte_due(Byte::SecondKey, end, timing.w3_min),
            Waking::Sending(Byte::SecondKey) => {
                self.waking = Waking::Inverse { from: end };
                self.deadlines.arm(Deadline::InvertedKeyByte, self.limit(end, timing.w4_max));
            }
            Waking::Sending(Byte::InvertedAddress) => {
                self.waking = Waking::Idle;
                self.started(end);
            }
            Waking::Idle | Waking::Address(_) | Waking::Inverse { .. } => {}
        }
    }

    /// A byte of the tester during the initialisation: only the inverted second key byte counts, and not too early.
    pub(super) fn waking_byte(&mut self, char: Char) {
        let Waking::Inverse { from } = self.waking else { return };
        let timing = self.line.timing;
        self.deadlines.disarm(Deadline::InvertedKeyByte);
        self.waking = Waking::Idle;
        if char.byte != !self.key_bytes.1 || char.start < from.after(timing.w4_min) {
            return;
        }
        match self.line.init {
            Init::FiveBaud(FiveBaud { unit_confirms: true, .. }) => {
                self.byte_due(Byte::InvertedAddress, char.end, timing.w4_min);
            }
            _ => self.started(char.end),
        }
    }
}
