//! Proof that framing and services need neither `std` nor an allocator: this program links without both.
//!
//! ```sh
//! cargo build -p tickover-bare --profile bare && target/bare/no-alloc && size target/bare/no-alloc
//! ```
//!
//! Always with `-p`: a build of the whole workspace unites the features of all members. Exit status 0 means that the
//! tester's machines have initialised a K-line and asked for a record there, have sent a request of several frames on
//! CAN, and have read both answers. Under any other profile it is an ordinary program that does the same, so that
//! whole-workspace commands keep working.
#![cfg_attr(panic = "abort", no_std, no_main)]

#[cfg(panic = "abort")]
#[path = "../shell.rs"]
mod shell;
#[path = "../wire.rs"]
mod wire;

mod bus;

use core::time::Duration;

use bus::Bus;
use tickover_framing::can::Id;
use tickover_framing::drive::{Port, turn};
use tickover_framing::isotp::{self, Address, Path};
use tickover_framing::kline::{Line, Tester};
use tickover_framing::transport::{Answers, Ask, Heard, Peer, Transport};
use tickover_services::kwp::{LocalIdentifier, ReadDataByLocalIdentifier};
use tickover_services::{Effect, Emit, effect};
use wire::Wire;

#[cfg(not(panic = "abort"))]
fn main() -> std::process::ExitCode {
    if proof(1) { std::process::ExitCode::SUCCESS } else { std::process::ExitCode::FAILURE }
}

/// StartCommunication with key bytes 2025, then local identifier 0A; sums: ISO 14230-2 4.3.
const UNIT: &[wire::Line] = &[
    (&[0x81, 0x1C, 0xF1, 0x81, 0x0F], &[0x83, 0xF1, 0x1C, 0xC1, 0xE9, 0x8F, 0xC9]),
    (&[0x82, 0x1C, 0xF1, 0x21, 0x0A, 0xBA], &[0x84, 0xF1, 0x1C, 0x61, 0x0A, 0x8C, 0xA6, 0x2E]),
];

/// Whether a record was read on either line; `one` is 1.
fn proof(one: u8) -> bool {
    record_on_k_line(one) && record_on_can(one)
}

fn record_on_k_line(one: u8) -> bool {
    let read = ReadDataByLocalIdentifier { id: LocalIdentifier(0x09 + one) };
    let mut wire = Wire::new(UNIT);
    let mut tester = Tester::new(Line::iso14230(0x1C, 0xF1), wire.reach());
    tester.connect(wire.now());
    let mut now = wire.now();
    let mut found = None;
    for _ in 0..100 {
        turn(&mut tester, &mut wire, |tester, heard| match heard {
            Heard::Ready { .. } => {
                let mut request = [0; 8];
                let Ok(request) = read.emit(&mut request) else { return };
                let ask = Ask { to: Peer::Unit(0x1C), answers: Answers::One, window: Duration::from_millis(50) };
                if effect::of_iso14230(request) == Some(Effect::Reads) {
                    let _ = tester.request(now, request, ask); // refused: nothing is found, the proof fails
                }
            }
            Heard::Message { .. } => found = read.data(tester.message()).ok().and_then(|data| data.try_into().ok()),
            _ => {}
        });
        now = wire.now();
        if found.is_some() {
            break;
        }
    }
    found == Some([0x8C, 0xA6])
}

/// Defines a record of two sources and is answered (ISO 14229-1 10.6); both messages take more than one frame.
const DEFINE: (&[u8], &[u8]) = (
    &[0x2C, 0x01, 0xF3, 0x01, 0x12, 0x34, 0x01, 0x02, 0x56, 0x78, 0x01, 0x01],
    &[0x6C, 0x01, 0xF3, 0x01, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66],
);

fn record_on_can(one: u8) -> bool {
    let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
    let path = Path { request, response };
    let flow = isotp::Flow { block_size: one, st_min: one, wait_max: 0 };
    let line = isotp::Line { flow, ..isotp::Line::CLASSIC };
    let mut bus: Bus<64> = Bus::new(line, path, DEFINE);
    let mut tester: isotp::Tester<1, 64> = isotp::Tester::new(line, bus.reach());
    if tester.add_unit(path).is_err() {
        return false;
    }
    tester.connect(bus.now());
    let (mut now, mut found) = (bus.now(), false);
    for _ in 0..100 {
        turn(&mut tester, &mut bus, |tester, heard| match heard {
            Heard::Ready { .. } => {
                let ask = Ask { to: Peer::Address(request), answers: Answers::One, window: Duration::from_millis(50) };
                let _ = tester.request(now, DEFINE.0, ask); // refused: nothing is found, the proof fails
            }
            Heard::Message { .. } => found = tester.message() == DEFINE.1,
            _ => {}
        });
        now = bus.now();
        if found {
            break;
        }
    }
    found
}
