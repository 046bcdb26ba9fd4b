//! Conversations on CAN in virtual time.

mod ends;
mod model;
mod properties;
mod receiving;
mod sending;
mod several;
mod vectors;
mod widths;

use core::time::Duration;
use std::string::String;
use std::vec::Vec;

use super::{Address, Line, Path, Tester, Unit};
use crate::can::Id;
use crate::contract::Speed;
use crate::script::{Script, ZERO};
use crate::time::Instant;
use crate::transport::{Answers, Ask, Heard, Noise, Peer, Reach, Transport};

const PATH: Path =
    Path { request: Address::Normal(Id::Standard(0x5A1)), response: Address::Normal(Id::Standard(0x5A9)) };
const OTHER: Path =
    Path { request: Address::Normal(Id::Standard(0x5A2)), response: Address::Normal(Id::Standard(0x5AA)) };
const GROUP: Address = Address::Normal(Id::Standard(0x5AF));
const SPEED: Speed = Speed::Can { bit_rate: 500_000, data_rate: Some(2_000_000), listen_only: false };

type TesterScript = Script<Tester<2, 4095>>;
type UnitScript = Script<Unit<4095>>;

fn tester(line: Line) -> TesterScript {
    Script::bus_tester(line, &[PATH, OTHER], Some(GROUP), Reach::IDEAL)
}

fn unit(line: Line) -> UnitScript {
    Script::bus_unit(line, PATH, Some(GROUP), Reach::IDEAL)
}

/// One answer in 50 ms.
fn ask(path: Path) -> Ask {
    Ask { to: Peer::Address(path.request), answers: Answers::One, window: Duration::from_millis(50) }
}

/// Everybody's answers, each in 50 ms.
const ASK_ALL: Ask = Ask { to: Peer::Anyone, answers: Answers::UntilSilence, window: Duration::from_millis(50) };

impl TesterScript {
    fn asks(&mut self, time: &str, data: &[u8], ask: Ask) {
        self.at(time).does(|tester, now| tester.request(now, data, ask)).unwrap();
    }
}

fn us(micros: u64) -> Instant {
    ZERO.after(Duration::from_micros(micros))
}

fn sent(start: u64, end: u64) -> Heard {
    Heard::Sent { start: us(start), end: us(end) }
}

fn message(path: Path, start: u64, end: u64, len: u16) -> Heard {
    Heard::Message { from: Peer::Address(path.response), start: us(start), end: us(end), len }
}

fn noise(at: u64, what: Noise) -> Heard {
    Heard::Noise { at: us(at), what }
}

fn silence(at: u64) -> Heard {
    Heard::Silence { at: us(at) }
}

/// 00 01 02 .. of this length.
fn counting(length: usize) -> Vec<u8> {
    (0..length).map(|place| place as u8).collect()
}

fn hex(bytes: &[u8]) -> String {
    std::format!("{}", crate::contract::Hex(bytes))
}
