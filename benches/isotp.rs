//! What the transport logic of ISO 15765-2 costs alone: 4095 bytes in classic frames, BS 0, STmin 0.
//!
//! `cargo bench -p tickover-benches --bench isotp`. After the benchmark the same message goes through can-isotp's logic
//! (Python, both ends in one thread) and through ours, and both figures are printed. Nothing is asserted about speed.
#![allow(missing_docs)] // criterion's macros make public items

#[path = "../tests/isotp_peer/python.rs"]
mod python;

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group};
use tickover::framing::Instant;
use tickover::framing::can::{Frame, Id};
use tickover::framing::contract::{Act, Input, Known, Machine, Output, Wire};
use tickover::framing::isotp::{Address, Line, Path, Tester, Unit, UnitEvent};
use tickover::framing::transport::{Answers, Ask, Peer, Reach, Transport};

const PATH: Path =
    Path { request: Address::Normal(Id::Standard(0x5A1)), response: Address::Normal(Id::Standard(0x5A9)) };
const DATA: [u8; 4095] = [0x5A; 4095];
/// A first frame, flow control, 585 consecutive frames.
const FRAMES: u64 = 587;

struct Ends {
    tester: Tester<1, 4095>,
    unit: Unit<4095>,
    now: Instant,
}

impl Ends {
    fn new() -> Self {
        let mut tester = Tester::new(Line::CLASSIC, Reach::IDEAL);
        tester.add_unit(PATH).unwrap_or_else(|error| panic!("{error}"));
        tester.connect(Instant::ORIGIN);
        let unit = Unit::new(Line::CLASSIC, PATH, None, Reach::IDEAL);
        Self { tester, unit, now: Instant::ORIGIN }
    }

    /// One request there; the frames that it took.
    fn message(&mut self, data: &[u8]) -> u64 {
        let ask = Ask { to: Peer::Address(PATH.request), answers: Answers::None, window: Duration::ZERO };
        let (mut frames, mut whole) = (0, false);
        while let Output::Event(_) = self.tester.poll_output() {}
        self.tester.request(self.now, data, ask).unwrap_or_else(|error| panic!("{error}"));
        while !whole {
            while let Some(frame) = next(&mut self.tester, &mut self.now, |_, _| ()) {
                frames += 1;
                self.unit.handle(Input::Frame { end: self.now, frame: &frame });
                let request = |unit: &mut Unit<4095>, event| {
                    if let UnitEvent::Request { .. } = event {
                        whole = black_box(unit.request()).len() == data.len();
                    }
                };
                if let Some(frame) = next(&mut self.unit, &mut self.now, request) {
                    frames += 1;
                    self.tester.handle(Input::Frame { end: self.now, frame: &frame });
                }
            }
        }
        frames
    }
}

/// The next frame that a machine sends, confirmed at once.
fn next<M: Machine>(machine: &mut M, now: &mut Instant, mut on: impl FnMut(&mut M, M::Event)) -> Option<Frame> {
    loop {
        match machine.poll_output() {
            Output::Event(event) => on(machine, event),
            Output::Act(Act::Transmit { tag, wire: Wire::Frame(frame) }) => {
                let start = *now;
                *now = now.after(Duration::from_micros(270));
                machine.handle(Input::Sent { tag, start, end: *now, known: Known::Measured });
                return Some(frame);
            }
            Output::Act(_) | Output::WaitUntil { .. } | Output::Idle => return None,
        }
    }
}

fn logic(c: &mut Criterion) {
    let mut ends = Ends::new();
    let mut group = c.benchmark_group("ISO 15765-2");
    group.throughput(Throughput::Elements(FRAMES));
    group.bench_function("4095 bytes, both ends, in frames", |b| b.iter(|| ends.message(black_box(&DATA))));
    group.finish();
}

/// Both in the same run, two seconds each.
fn compare() {
    let mut ends = Ends::new();
    let (start, mut frames) = (std::time::Instant::now(), 0);
    while start.elapsed() < Duration::from_secs(2) {
        frames += ends.message(black_box(&DATA));
    }
    let ours = frames as f64 / start.elapsed().as_secs_f64();
    let said = python::says("isotp_logic.py", &[]);
    let figure = |name: &str| said.first().and_then(|line| line[name].as_f64()).unwrap_or(f64::NAN);
    let theirs = figure("frames") / figure("seconds");
    println!(
        "transport logic, both ends: ours {ours:.0} frames/s, can-isotp {theirs:.0} frames/s: {:.0} times",
        ours / theirs
    );
}

criterion_group!(isotp, logic);

fn main() {
    isotp();
    Criterion::default().configure_from_args().final_summary();
    compare();
}
