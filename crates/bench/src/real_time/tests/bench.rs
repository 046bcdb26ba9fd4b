//! The built-in bench behind each of its doors: values and order, never speed.

use core::time::Duration;
use std::io::Write;
use std::sync::{Arc, Mutex};

use tickover_defs::Definition;
use tickover_defs::compiled::{CanUnit, Line as DefinitionLine};
use tickover_framing::contract::{Act, Machine, Output, Speed};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::isotp::{self, Tester};
use tickover_framing::kline;
use tickover_framing::transport::{Answers, Ask, Heard, Peer, Reach, Transport};
use tickover_link::can::{Slcan, SocketCand};
use tickover_link::{Clock, LivePort};

use crate::bus::Bus;
use crate::line::Line;
use crate::real_time::{Bench, BenchError, BenchUnit, Door, PtyLine, SocketcandBus};
use crate::unit::{Options, Simulated};

macro_rules! definition {
    ($name:literal) => {
        Definition::load(concat!(env!("CARGO_MANIFEST_DIR"), "/../../defs/", $name))
            .unwrap_or_else(|report| panic!("{report}"))
    };
}

/// A sink that the test reads.
#[derive(Clone, Default)]
struct Written(Arc<Mutex<Vec<u8>>>);

impl Write for Written {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().expect("nobody panics").extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Written {
    fn lines(&self) -> Vec<serde_json::Value> {
        let text = String::from_utf8(self.0.lock().expect("nobody panics").clone()).expect("JSON is UTF-8");
        text.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect()
    }
}

fn unit_of(definition: &Definition) -> (CanUnit, Speed) {
    let Some(DefinitionLine::Can(line)) = &definition.line else { panic!("a CAN line") };
    let speed = Speed::Can { bit_rate: line.bit_rate, data_rate: line.data_rate, listen_only: false };
    (line.unit.expect("a unit that is asked"), speed)
}

/// Drives a machine until `on` has what it waits for; nothing is waited for after that.
fn drive<M: Machine, T>(machine: &mut M, port: &mut dyn LivePort, mut on: impl FnMut(M::Event) -> Option<T>) -> T {
    let end = port.now().after(Duration::from_secs(60));
    loop {
        let until = match machine.poll_output() {
            Output::Event(event) => match on(event) {
                Some(found) => return found,
                None => continue,
            },
            Output::Act(act) => {
                if let Some(report) = port.act(&act) {
                    machine.handle(report);
                }
                continue;
            }
            Output::WaitUntil { at, .. } => at.min(end),
            Output::Idle => end,
        };
        let mut buffer = [0; 256];
        let woke = port.wait(Some(until), &mut buffer);
        assert!(!matches!(woke, Woke::Lost { .. }) && port.now() < end, "{woke:?}");
        if let Some(input) = woke.input(&buffer) {
            machine.handle(input);
        }
    }
}

/// Asks each unit for these, one after the other; all answers.
fn ask(port: &mut dyn LivePort, units: &[CanUnit], speed: Speed, requests: &[&[u8]]) -> Vec<Vec<u8>> {
    port.act(&Act::Speed(speed));
    let mut tester: Box<Tester<2, 4095>> = Box::new(Tester::new(isotp::Line::CLASSIC, port.reach()));
    for unit in units {
        tester.add_unit(unit.path).expect("room for it");
    }
    tester.connect(port.now());
    drive(&mut *tester, port, |heard| matches!(heard, Heard::Ready { .. }).then_some(()));
    let mut answers = Vec::new();
    for unit in units {
        for request in requests {
            let to = Peer::Address(unit.path.request);
            let ask = Ask { to, answers: Answers::One, window: Duration::from_secs(5) };
            tester.request(port.now(), request, ask).expect("the lane is free");
            drive(&mut *tester, port, |heard| match heard {
                Heard::Message { .. } => Some(()),
                Heard::Silence { .. } => panic!("no answer to {request:02X?}"),
                _ => None,
            });
            answers.push(tester.message().to_vec());
        }
    }
    answers
}

/// What the truth says of answers, in their order.
fn responses(written: &Written) -> Vec<(String, String)> {
    let text = |line: &serde_json::Value, key: &str| line[key].as_str().unwrap_or_default().to_owned();
    written.lines().iter().map(|line| (text(line, "unit"), text(line, "response"))).collect()
}

fn hex(bytes: &[u8]) -> String {
    tickover_framing::contract::Hex(bytes).to_string()
}

/// The engine's and the gearbox's identification, asked over a port; the truth has both.
fn both_are_reached(open: impl FnOnce(&str) -> Box<dyn LivePort>, door: Option<Door<'_>>) {
    let (engine, gearbox) = (definition!("bramble-62.toml"), definition!("bramble-62-gearbox.toml"));
    let named = |name: &str| Options { name: Some(name.to_owned()), ..Options::default() };
    let units = [
        BenchUnit { definition: &engine, options: named("engine") },
        BenchUnit { definition: &gearbox, options: named("gearbox") },
    ];
    let ((first, speed), (second, _)) = (unit_of(&engine), unit_of(&gearbox));
    let written = Written::default();
    let sink = Some(Box::new(written.clone()) as crate::real_time::TruthSink);
    let requests: [&[u8]; 1] = [&[0x22, 0xF1, 0x87]];
    let (answers, tally) = match door {
        Some(door) => {
            let bench = Bench::start_all(&units, door, Clock::start(), sink).expect("a bench");
            let mut port = open(bench.path());
            let answers = ask(&mut *port, &[first, second], speed, &requests);
            drop(port);
            (answers, bench.stop().expect("it ran"))
        }
        None => {
            let (mut port, ledger) = Bench::in_process(&units, Clock::start(), sink).expect("a bench");
            let answers = ask(&mut port, &[first, second], speed, &requests);
            (answers, ledger.close().expect("a vector takes everything"))
        }
    };
    let expected = [("engine".to_owned(), hex(&answers[0])), ("gearbox".to_owned(), hex(&answers[1]))];
    assert_eq!(responses(&written), expected);
    assert!(answers.iter().all(|answer| answer.starts_with(&[0x62, 0xF1, 0x87])), "{answers:02X?}");
    assert_eq!((tally.answers, tally.requests), (2, 2));
}

#[test]
fn two_units_answer_behind_an_slcan_adapter() {
    let open = |path: &str| -> Box<dyn LivePort> {
        Box::new(Slcan::open(path.strip_prefix("slcan:").expect("a scheme")).expect("an adapter"))
    };
    both_are_reached(open, Some(Door::Terminal));
}

#[test]
fn two_units_answer_behind_a_socketcand_server() {
    let open = |path: &str| -> Box<dyn LivePort> {
        let (host, bus) = path.strip_prefix("socketcand:").and_then(|rest| rest.split_once('/')).expect("a scheme");
        Box::new(SocketCand::open(host, bus).expect("a server"))
    };
    both_are_reached(open, Some(Door::Socketcand));
}

#[test]
fn two_units_answer_in_process() {
    both_are_reached(|_| unreachable!("nothing is opened"), None);
}

#[test]
fn a_unit_that_is_woken_at_five_baud_answers_in_process_and_is_refused_behind_a_terminal() {
    let definition = definition!("obd-j1979-9141.toml");
    let unit = || [BenchUnit { definition: &definition, options: Options::default() }];
    let refused = Bench::start_all(&unit(), Door::Terminal, Clock::start(), None).expect_err("no pulse gets through");
    assert!(matches!(refused, BenchError::FiveBaud { .. }), "{refused}");
    let (mut port, ledger) = Bench::in_process(&unit(), Clock::start(), None).expect("a bench");
    let Some(DefinitionLine::KLine(line)) = &definition.line else { panic!("a K-line") };
    let mut tester = kline::Tester::new(line.line, port.reach());
    tester.connect(port.now());
    drive(&mut tester, &mut port, |heard| match heard {
        Heard::Ready { .. } => Some(()),
        Heard::NotReady { stage, .. } => panic!("{stage:?}"),
        _ => None,
    });
    let ask = Ask { to: Peer::Anyone, answers: Answers::One, window: Duration::from_secs(1) };
    tester.request(port.now(), &[0x01, 0x0C], ask).expect("the line is free");
    drive(&mut tester, &mut port, |heard| matches!(heard, Heard::Message { .. }).then_some(()));
    assert_eq!(tester.message()[..2], [0x41, 0x0C]);
    assert_eq!(ledger.tally().starts, 1);
}

#[test]
fn units_of_different_lines_are_told_apart() {
    let (bus, line) = (definition!("bramble-62.toml"), definition!("bramble-40.toml"));
    let unit = |definition| BenchUnit { definition, options: Options::default() };
    let error = Bench::start_all(&[unit(&bus), unit(&line)], Door::Terminal, Clock::start(), None).expect_err("no");
    assert!(error.to_string().contains("'bramble-62' and 'bramble-40' do not share a line"), "{error}");
    let error = Bench::start_all(&[unit(&line)], Door::Socketcand, Clock::start(), None).expect_err("no");
    assert!(error.to_string().contains("K-line"), "{error}");
    assert!(Bench::start_all(&[], Door::Terminal, Clock::start(), None).is_err());
}

/// A bus that is there already: a socketcand server with nobody on it but its clients, the bench and a tester.
#[test]
fn two_units_answer_on_a_bus_that_is_there_already() {
    let mut server = SocketcandBus::open(Bus::<Simulated>::new(Reach::IDEAL, 500_000), "bus0", Clock::start()).unwrap();
    server.bus_mut().set_bystander(true);
    let (path, stopper) = (format!("socketcand:{}/bus0", server.address()), server.stopper());
    let thread = std::thread::spawn(move || server.run(|_, _| {}));
    let open = |named: &str| {
        assert_eq!(named, path);
        tickover_link::open(named).expect("the server takes several clients")
    };
    both_are_reached(open, Some(Door::Bus(&path)));
    stopper.stop();
    thread.join().expect("no panic").expect("it was stopped");
}

#[test]
fn a_bus_that_is_not_there_or_no_bus_is_told() {
    let (bus, line) = (definition!("bramble-62.toml"), definition!("bramble-40.toml"));
    let refused = |definition, name| {
        let unit = BenchUnit { definition, options: Options::default() };
        Bench::start_all(&[unit], Door::Bus(name), Clock::start(), None).expect_err(name).to_string()
    };
    assert!(refused(&bus, "can:no-such-bus").contains("no-such-bus"));
    assert!(refused(&bus, "tcp:bench:1").contains("names no port"));
    assert!(refused(&line, "can:vcan0").contains("a K-line is not reached as a CAN bus is"));
    let terminal = PtyLine::open(Line::<Simulated>::new(Reach::IDEAL), Clock::start()).unwrap();
    assert!(refused(&bus, terminal.path()).contains("a serial port is no CAN bus"));
}
