//! The adapter's side of slcan, the ASCII protocol of the Linux kernel's serial CAN driver.
//!
//! Commands: `S0` to `S8` set the bit rate, `O` opens the channel, `L` opens it to listen only, `C` closes it, `t`,
//! `T`, `r` and `R` send a frame, `V`, `N` and `F` ask who is there. CR answers, BEL refuses. A closed channel
//! neither hears nor acknowledges.

use tickover_framing::can::{Condition, Frame};
use tickover_framing::contract::{Act, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_link::can::slcan::line::{BEL, CR, FRAME_MAX, LINE_MAX, RATES, Said, emit, parse};

use crate::bus::{Bus, Station, Who};

/// Frames that the adapter takes before it refuses more.
const QUEUE: usize = 64;

/// An adapter at the tester's place on a bus.
#[derive(Debug)]
pub(super) struct Adapter {
    line: Vec<u8>,
    bit_rate: Option<u32>,
    is_open: bool,
    /// Frames taken and not yet sent.
    waiting: usize,
}

impl Adapter {
    pub(super) const fn new() -> Self {
        Self { line: Vec::new(), bit_rate: None, is_open: false, waiting: 0 }
    }

    /// Takes one byte of the tester's; what is answered goes to `out`.
    pub(super) fn take<S: Station>(&mut self, byte: u8, bus: &mut Bus<S>, out: &mut Vec<u8>) {
        if byte != CR {
            // A line that is too long is no command: its end is refused.
            if self.line.len() <= LINE_MAX {
                self.line.push(byte);
            }
            return;
        }
        let line = std::mem::take(&mut self.line);
        let answer = self.command(line.strip_prefix(b"\n").unwrap_or(&line), bus);
        out.extend_from_slice(answer.unwrap_or(&[BEL]));
    }

    /// What the tester is told of something on the bus.
    pub(super) fn tell<S: Station>(&mut self, woke: &Woke, bus: &Bus<S>, out: &mut Vec<u8>) {
        match woke {
            Woke::Sent { .. } => self.waiting = self.waiting.saturating_sub(1),
            Woke::Frame { frame, .. } if self.is_open => {
                out.extend_from_slice(emit(frame, &mut [0; FRAME_MAX]).unwrap_or_default());
            }
            Woke::Bus { condition, .. } if self.is_open => {
                if *condition == Condition::Off {
                    self.waiting = 0;
                }
                out.extend_from_slice(report(*condition, bus).as_bytes());
            }
            _ => {}
        }
    }

    /// The answer to a command; `None`: it is refused.
    fn command<S: Station>(&mut self, line: &[u8], bus: &mut Bus<S>) -> Option<&'static [u8]> {
        match line {
            [] => {}
            [b'S', _] if !self.is_open => {
                let (rate, _) = RATES.iter().find(|(_, command)| command.as_slice() == line)?;
                self.bit_rate = Some(*rate);
            }
            [b'O'] => self.open(bus, false)?,
            [b'L'] => self.open(bus, true)?,
            [b'C'] => self.close(bus),
            // No times are stamped on frames, nothing is filtered.
            [b'Z', b'0'] | [b'M' | b'm', ..] => {}
            [b'V'] => return Some(b"V0100\r"),
            [b'N'] => return Some(b"NBNCH\r"),
            [b'F'] => return Some(b"F00\r"),
            [kind @ (b't' | b'T' | b'r' | b'R'), ..] => {
                let Said::Frame(frame) = parse(line) else { return None };
                self.send(bus, frame)?;
                return Some(if kind.is_ascii_lowercase() { b"z\r" } else { b"Z\r" });
            }
            _ => return None,
        }
        Some(&[CR])
    }

    fn open<S: Station>(&mut self, bus: &mut Bus<S>, listen_only: bool) -> Option<()> {
        let bit_rate = self.bit_rate.filter(|_| !self.is_open)?;
        bus.act(&Act::Speed(Speed::Can { bit_rate, data_rate: None, listen_only }));
        (self.is_open, self.waiting) = (true, 0);
        Some(())
    }

    /// Off the bus: it may neither acknowledge nor destroy anything.
    pub(super) fn close<S: Station>(&mut self, bus: &mut Bus<S>) {
        if let Some(Speed::Can { bit_rate, data_rate, .. }) = bus.speed_of(Who::Tester) {
            bus.act(&Act::Speed(Speed::Can { bit_rate, data_rate, listen_only: true }));
        }
        self.is_open = false;
    }

    fn send<S: Station>(&mut self, bus: &mut Bus<S>, frame: Frame) -> Option<()> {
        let listens = matches!(bus.speed_of(Who::Tester), Some(Speed::Can { listen_only: true, .. }));
        if !self.is_open || listens || self.waiting >= QUEUE {
            return None;
        }
        self.waiting += 1;
        bus.act(&Act::Transmit { tag: Tag(0), wire: Wire::Frame(frame) });
        Some(())
    }
}

/// As the Linux kernel's driver reads it: a state with both counters, or one error with its letter.
fn report<S: Station>(condition: Condition, bus: &Bus<S>) -> String {
    let counters = bus.counters_of(Who::Tester).unwrap_or_default();
    let state = |letter: char| format!("s{letter}{:03}{:03}\r", counters.receiving.min(255), counters.sending.min(255));
    match condition {
        Condition::Active => state('a'),
        Condition::Passive => state('p'),
        Condition::Off => state('b'),
        Condition::NoAcknowledge => "e1a\r".to_owned(),
        Condition::Overrun => "e1o\r".to_owned(),
        _ => "e1b\r".to_owned(),
    }
}
