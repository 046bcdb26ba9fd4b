//! A bus of one sentence each: what runs on it, and what the start makes of it.

use std::format;
use std::string::{String, ToString};
use std::vec::Vec;

use tickover_framing::can::Id;
use tickover_framing::contract::Hex;

use super::*;

/// A bus with units that answer 01 00.
#[derive(Clone, Default)]
struct World {
    bit_rate: u32,
    /// The port keeps its own rate, whatever it is asked for, and tells it or not.
    fixed: Option<Option<u32>>,
    /// Somebody sends every 10 ms.
    traffic: bool,
    /// Identifiers of answers, and how often each says that it is busy first.
    units: Vec<(Id, u8)>,
    log: Vec<String>,
    now: Instant,
    set: Option<u32>,
}

const MASK: [u8; 8] = [0x06, 0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x11, 0xAA];

impl World {
    fn run(&mut self, start: &mut Start) -> StartEvent {
        start.begin();
        let mut next_traffic = Instant::ORIGIN;
        loop {
            match start.poll_output() {
                Output::Act(act) => self.act(act, start),
                Output::Event(event) => return event,
                Output::WaitUntil { at, .. } => {
                    if self.traffic && next_traffic <= at {
                        next_traffic = next_traffic.after(Duration::from_millis(10));
                        self.now = next_traffic.max(self.now);
                        let right = self.on_air() == self.bit_rate;
                        let frame = frame(Id::Standard(0x1B4), &[0; 8]);
                        start.handle(match right {
                            true => Input::Frame { end: self.now, frame: &frame },
                            false => Input::Bus { at: self.now, condition: Condition::Error },
                        });
                        continue;
                    }
                    self.now = self.now.max(at);
                    start.handle(Input::Timeout { now: at });
                }
                Output::Idle => panic!("it waits for nothing: {:?}", self.log),
            }
        }
    }

    fn on_air(&self) -> u32 {
        match self.fixed {
            Some(_) => self.bit_rate,
            None => self.set.unwrap_or_default(),
        }
    }

    fn act(&mut self, act: Act, start: &mut Start) {
        match act {
            Act::Speed(Speed::Can { bit_rate, listen_only, .. }) => {
                self.set = Some(bit_rate);
                let got = self.fixed.unwrap_or(Some(bit_rate));
                let got = got.map(|bit_rate| Speed::Can { bit_rate, data_rate: None, listen_only });
                self.log.push(format!("{} at {bit_rate}", if listen_only { "listens" } else { "asks" }));
                start.handle(Input::SpeedIs { at: self.now, got });
            }
            Act::Transmit { tag, wire: Wire::Frame(sent) } => {
                self.log.push(format!("{} {}", sent.id, Hex(sent.data.as_slice())));
                if self.on_air() != self.bit_rate || (self.units.is_empty() && !self.traffic) {
                    return start.handle(Input::Bus { at: self.now, condition: Condition::NoAcknowledge });
                }
                let known = Known::Measured;
                start.handle(Input::Sent { tag, start: self.now, end: self.now, known });
                for (id, busy) in &mut self.units {
                    let asked = match id {
                        Id::Standard(_) => Id::Standard(0x7DF),
                        Id::Extended(_) => Id::Extended(0x18DB_33F1),
                    };
                    if sent.id != asked {
                        continue;
                    }
                    let answer = if *busy > 0 { [0x03, 0x7F, 0x01, 0x21, 0, 0, 0, 0] } else { MASK };
                    *busy = busy.saturating_sub(1);
                    start.handle(Input::Frame { end: self.now.after(P2_MAX), frame: &frame(*id, &answer) });
                }
            }
            other => panic!("not an act of a start: {other:?}"),
        }
    }
}

fn frame(id: Id, data: &[u8]) -> Frame {
    Frame { id, kind: FrameKind::Classic, data: Chunk::new(data).unwrap() }
}

fn start() -> Start {
    Start::new(500_000, Width::Bits11, Some(0x00), Duration::ZERO)
}

fn sentence(event: &StartEvent) -> String {
    match event {
        StartEvent::Started(started) => started.to_string(),
        StartEvent::NotStarted(not_started) => not_started.to_string(),
        StartEvent::Down(cause) => format!("{cause:?}"),
    }
}

const ENGINE: Id = Id::Standard(0x7E8);
const GEARBOX: Id = Id::Standard(0x7E9);
const WIDE: Id = Id::Extended(0x18DA_F128);

/// ISO 15765-4:2005 clause 4: 01 00 to 7DF; tables 3 and 5: who answers where. Listening first is ours.
#[test]
fn a_silent_bus_is_asked_at_the_first_rate_with_eleven_bits() {
    let mut world = World { bit_rate: 500_000, units: [(GEARBOX, 0), (ENGINE, 0)].into(), ..World::default() };
    let event = world.run(&mut start());
    assert_eq!(world.log, ["listens at 500000", "asks at 500000", "7DF 02 01 00 00 00 00 00 00"]);
    assert_eq!(
        sentence(&event),
        "the bus runs at 500 kbit/s with identifiers of 11 bits; 2 units answer 01 00: 7E8 7E9"
    );
    assert_eq!(world.now, Instant::ORIGIN.after(LISTEN).after(P2_MAX));
}

/// ISO 15765-4:2005 clause 4: no answer within P2CAN, and the wide identifiers are tried.
#[test]
fn a_unit_with_wide_identifiers_is_found_after_the_narrow_ones_were_silent() {
    let mut world = World { bit_rate: 500_000, units: [(WIDE, 0)].into(), ..World::default() };
    let event = world.run(&mut start());
    let StartEvent::Started(started) = event else { panic!("{event:?}") };
    assert_eq!(started.responders[0].request.id(), Id::Extended(0x18DA_28F1));
    assert_eq!(
        world.log[1..],
        ["asks at 500000", "7DF 02 01 00 00 00 00 00 00", "18DB33F1 02 01 00 00 00 00 00 00"].map(String::from)
    );
}

/// ISO 15765-4:2005 clause 4: an error means another bit rate.
#[test]
fn a_request_that_nobody_acknowledges_leads_to_the_next_rate() {
    let mut world = World { bit_rate: 250_000, units: [(ENGINE, 0)].into(), ..World::default() };
    let event = world.run(&mut start());
    assert_eq!(
        world.log,
        [
            "listens at 500000",
            "asks at 500000",
            "7DF 02 01 00 00 00 00 00 00",
            "asks at 250000",
            "7DF 02 01 00 00 00 00 00 00"
        ]
    );
    assert_eq!(sentence(&event), "the bus runs at 250 kbit/s with identifiers of 11 bits; 1 unit answers 01 00: 7E8");
}

#[test]
fn a_rate_that_is_heard_without_errors_is_kept_and_nothing_is_sent_at_another() {
    let mut world = World { bit_rate: 250_000, traffic: true, units: [(ENGINE, 0)].into(), ..World::default() };
    let event = world.run(&mut start());
    let StartEvent::Started(started) = &event else { panic!("{event:?}") };
    assert!(started.traffic && started.bit_rate == Some(250_000));
    assert_eq!(world.log[..3], ["listens at 500000", "listens at 250000", "asks at 250000"].map(String::from));
}

/// ISO 15765-4:2005 clause 4: busy (21) is asked again after at least 200 ms, at most six times.
#[test]
fn a_busy_unit_is_asked_again_six_times_at_most() {
    let mut patient = World { bit_rate: 500_000, units: [(ENGINE, 5)].into(), ..World::default() };
    assert!(matches!(patient.run(&mut start()), StartEvent::Started(_)));
    assert_eq!(patient.now, Instant::ORIGIN.after(LISTEN).after(P2_MAX * 6).after(BUSY * 5));
    let mut too_busy = World { bit_rate: 500_000, units: [(ENGINE, 6)].into(), ..World::default() };
    assert!(matches!(too_busy.run(&mut start()), StartEvent::NotStarted(_)));
    assert_eq!(too_busy.log.iter().filter(|line| line.starts_with("7DF")).count(), 6);
}

#[test]
fn a_port_with_a_rate_of_its_own_is_used_as_it_is_and_the_rate_is_named() {
    let known =
        World { bit_rate: 125_000, fixed: Some(Some(125_000)), units: [(ENGINE, 0)].into(), ..World::default() };
    let event = known.clone().run(&mut start());
    assert!(sentence(&event).starts_with("the bus runs at 125 kbit/s"), "{}", sentence(&event));
    let mut unknown = World { fixed: Some(None), ..known };
    let event = unknown.run(&mut start());
    assert!(sentence(&event).starts_with("the bus runs at the port's own bit rate"), "{}", sentence(&event));
    assert_eq!(unknown.log.iter().filter(|line| line.starts_with("7DF")).count(), 1);
}

#[test]
fn a_bus_on_which_nobody_is_ends_with_a_sentence_and_advice() {
    let mut empty = World { bit_rate: 500_000, ..World::default() };
    let StartEvent::NotStarted(failed) = empty.run(&mut start()) else { panic!() };
    assert!(!failed.errors && failed.advice().contains("ignition"));
    let mut deaf = World { bit_rate: 500_000, traffic: true, ..World::default() };
    let StartEvent::NotStarted(failed) = deaf.run(&mut start()) else { panic!() };
    assert_eq!(failed.to_string(), "others are there at 500 kbit/s, but nobody answers 01 00");
}

#[test]
fn an_answer_after_the_window_or_with_the_other_width_counts_for_nothing() {
    let mut start = start();
    start.phase = Phase::Answers {
        rate: None,
        width: Width::Bits11,
        tries: 1,
        until: Instant::ORIGIN.after(P2_MAX),
        busy: false,
    };
    let late = Instant::ORIGIN.after(P2_MAX).after(Duration::from_nanos(1));
    start.handle(Input::Frame { end: late, frame: &frame(ENGINE, &MASK) });
    start.handle(Input::Frame { end: Instant::ORIGIN, frame: &frame(Id::Extended(0x7E8), &MASK) });
    start.handle(Input::Frame { end: Instant::ORIGIN, frame: &frame(WIDE, &MASK) });
    assert!(start.responders.is_empty());
    start.handle(Input::Frame { end: Instant::ORIGIN.after(P2_MAX), frame: &frame(ENGINE, &MASK) });
    assert_eq!(start.responders.len(), 1);
}

#[test]
fn a_unit_keeps_its_written_path_and_others_take_those_who_answered() {
    let path = |id| Width::Bits11.path(Id::Standard(id)).unwrap();
    let started =
        Started { bit_rate: None, width: Width::Bits11, traffic: false, responders: [path(0x7E9), path(0x7EA)].into() };
    assert_eq!(started.paths(&[path(0x7E8), path(0x7E9)]), [Some(path(0x7EA)), Some(path(0x7E9))]);
    assert_eq!(started.paths(&[path(0x7E9), path(0x7EA), path(0x7EB)])[2], None);
}
