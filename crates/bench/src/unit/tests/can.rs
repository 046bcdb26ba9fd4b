//! Simulated units on the virtual bus, asked by the tester's machine.

mod mishaps;

use core::time::Duration;
use std::borrow::Cow;

use tickover_defs::compiled::{EmissionDtc, FaultRead, Faults, Line as DefinitionLine, Several, SeveralOf};
use tickover_defs::{Definition, Value};
use tickover_framing::Instant;
use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::{Act, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::isotp::{self, Address, Tester};
use tickover_framing::transport::{Answers, Ask, Heard, Noise, Peer, Reach, Transport};
use tickover_services::ResponseCode;

use super::super::{Mishap, Options, Simulated};
use crate::bus::{Bus, Who};

const HEAD: &str = r#"
edition = 1
[definition]
id = "yarrow-3"
title = "Yarrow 3"
revision = "1"
source = "invented"
[line]
type = "can"
bit_rate = 500000
addressing = "normal"
padding = 0xCC
"#;

/// A unit of ISO 14229-1.
const YARROW: &str = r#"
request_id = "6A1"
response_id = "6A9"
functional_id = "6DF"
services = "iso14229"
keep_alive = { send = "3E 80", every = "2 s" }
[session.extended]
enter = [{ send = "10 03", expect = "50 03" }]
[record.engine]
read = { data_identifier = 0x2101 }
length = 4
[channel.engine_speed]
record = "engine"
at = 0
data = "u16be"
formula = "raw / 4"
unit = "/min"
[channel.coolant]
record = "engine"
at = 2
data = "u8"
formula = "raw - 40"
unit = "Cel"
[channel.throttle]
record = "engine"
at = 3
data = "u8"
formula = "raw * 100 / 255"
unit = "%"
[record.trim]
read = { data_identifier = 0x2102 }
length = 2
session = "extended"
[channel.trim]
record = "trim"
at = 0
data = "u16be"
unit = "1"
[record.table]
read = { data_identifier = 0x2103 }
length = 40
reserved = ["0..39"]
"#;

/// A unit of SAE J1979 at the engine's place of ISO 15765-4.
const OBD: &str = r#"
request_id = "7E0"
response_id = "7E8"
functional_id = "7DF"
keep_alive = "none"
[record.monitors]
read = { pid = 0x01 }
length = 4
reserved = ["0..3"]
[channel.coolant]
read = { pid = 0x05 }
at = 0
data = "u8"
formula = "raw - 40"
unit = "Cel"
[channel.engine_speed]
read = { pid = 0x0C }
at = 0
data = "u16be"
formula = "raw / 4"
unit = "/min"
[channel.vehicle_speed]
read = { pid = 0x0D }
at = 0
data = "u8"
unit = "km/h"
[channel.oil]
read = { pid = 0x5C }
at = 0
data = "u8"
formula = "raw - 40"
unit = "Cel"
[channel.vin]
read = { info_type = 0x02 }
every = "once"
at = 0
length = 17
data = "ascii"
"#;

fn parse(rest: &str) -> Definition {
    Definition::parse(&format!("{HEAD}{rest}"), "yarrow-3.toml").unwrap_or_else(|report| panic!("{report}"))
}

fn faults(read: FaultRead) -> Faults {
    Faults { read: Some(read), status: None, clear: Cow::Borrowed(&[]), freeze: None, known: Cow::Borrowed(&[]) }
}

fn yarrow() -> Definition {
    let mut definition = parse(YARROW);
    let several = Several { of: SeveralOf::DataIdentifier, count: 3, longest: 60 };
    definition.base.several = Cow::Owned(vec![several]);
    definition.base.faults = Some(faults(FaultRead::DtcByStatusMask { mask: 0x09 }));
    definition
}

fn obd() -> Definition {
    let mut definition = parse(OBD);
    definition.base.faults = Some(faults(FaultRead::EmissionDtc(EmissionDtc::Stored)));
    definition
}

/// Two stored codes: the first confirmed and pending, the second pending.
fn with_faults() -> Options {
    let codes = [("P0143", 0x2F), ("P1193-11", 0x04)];
    let faults = codes.map(|(code, status)| (code.parse().expect("a fault code"), status)).to_vec();
    Options { faults: Some(faults), ..Options::default() }
}

struct Bench {
    bus: Bus<Simulated>,
    tester: Box<Tester<4, 4095>>,
    path: isotp::Path,
}

impl Bench {
    fn new(definition: &Definition, options: &Options) -> Self {
        Self::of(&[(definition, options)])
    }

    /// Several units on one bus; the first is the one that is asked alone.
    fn of(units: &[(&Definition, &Options)]) -> Self {
        let mut bus = Bus::new(Reach::IDEAL, 500_000);
        let mut tester = Box::new(Tester::new(isotp::Line::CLASSIC, Reach::IDEAL));
        let mut paths = Vec::new();
        for (definition, options) in units {
            let Some(DefinitionLine::Can(line)) = &definition.line else { panic!("a CAN line") };
            let unit = line.unit.expect("a unit that is asked");
            bus.attach(Simulated::new(definition, options, Instant::ORIGIN).expect("a unit"));
            tester.add_unit(unit.path).expect("room for it");
            tester.set_functional(unit.functional);
            paths.push(unit.path);
        }
        tester.connect(bus.now());
        let mut bench = Self { bus, tester, path: paths[0] };
        assert!(bench.next(|heard| matches!(heard, Heard::Ready { .. }).then_some(())).is_some());
        bench
    }

    fn next<T>(&mut self, mut on: impl FnMut(&Heard) -> Option<T>) -> Option<T> {
        let until = self.bus.now().after(Duration::from_secs(30));
        self.bus.drive(&mut *self.tester, until, |_, heard| on(&heard))
    }

    fn ask_peer(&mut self, to: Peer, answers: Answers, request: &[u8]) -> Vec<(Peer, Vec<u8>)> {
        let ask = Ask { to, answers, window: Duration::from_millis(60) };
        self.tester.request(self.bus.now(), request, ask).expect("the lane is free");
        let mut all = Vec::new();
        loop {
            let from = self.next(|heard| match heard {
                Heard::Message { from, .. } => Some(Some(*from)),
                Heard::Silence { .. } => Some(None),
                _ => None,
            });
            let Some(Some(from)) = from else { return all };
            let message = self.tester.message().to_vec();
            let pending = message.starts_with(&[0x7F]) && message.ends_with(&[0x78]);
            all.push((from, message));
            if pending {
                self.tester.keep_waiting(Duration::from_secs(5));
            } else if answers == Answers::One {
                return all;
            }
        }
    }

    fn asks(&mut self, request: &[u8]) -> Vec<Vec<u8>> {
        let answers = self.ask_peer(Peer::Address(self.path.request), Answers::One, request);
        answers.into_iter().map(|(_, answer)| answer).collect()
    }

    /// Nothing if it is silent.
    fn ask(&mut self, request: &[u8]) -> Vec<u8> {
        self.asks(request).pop().unwrap_or_default()
    }

    fn ask_all(&mut self, request: &[u8]) -> Vec<(Peer, Vec<u8>)> {
        self.ask_peer(Peer::Anyone, Answers::UntilSilence, request)
    }

    fn unit(&mut self) -> &mut Simulated {
        self.bus.unit_mut(0).expect("one unit")
    }
}

#[test]
fn a_record_is_answered_with_the_engines_values_and_the_truth_says_the_same() {
    let mut bench = Bench::new(&yarrow(), &Options { name: Some("engine".to_owned()), ..Options::default() });
    bench.bus.pass_until(Instant::from_nanos(4_000_000_000));
    let answer = bench.ask(&[0x22, 0x21, 0x01]);
    assert_eq!((&answer[..3], answer.len()), (&[0x62, 0x21, 0x01][..], 7));
    let truth = bench.unit().take_truths().pop().expect("an answer");
    assert_eq!((truth.number, &*truth.unit, &*truth.name, &truth.response), (1, "engine", "engine", &answer));
    let (name, speed) = &truth.values[0];
    let idle = f64::from(u16::from_be_bytes([answer[3], answer[4]])) / 4.0;
    assert_eq!((&**name, speed), ("engine_speed", &Ok(Value::Number(idle))));
    assert!((700.0..1_300.0).contains(&idle), "{idle}");
}

/// Request of three bytes and answer of seven are one frame each: the request ends 270 us after it was asked for, the
/// answer starts P2 after that and takes another 270 us.
#[test]
fn an_answer_starts_p2_after_the_request() {
    let p2 = Duration::from_millis(5);
    let mut bench = Bench::new(&yarrow(), &Options { p2: Some(p2), ..Options::default() });
    bench.ask(&[0x22, 0x21, 0x01]);
    assert_eq!(bench.bus.now().as_nanos(), 270_000 + 5_000_000 + 270_000);
    assert_eq!(bench.unit().take_truths()[0].at.as_nanos(), 5_270_000);
}

/// ISO 14229-1:2020 11.2: identifiers that are not supported are left out as long as one is; 13 length, 14 response
/// too long, 31 out of range.
#[test]
fn several_identifiers_are_answered_as_far_as_the_unit_has_them() {
    let mut bench = Bench::new(&yarrow(), &Options::default());
    let alone = bench.ask(&[0x22, 0x21, 0x03]);
    assert_eq!(alone.len(), 43);
    let both = bench.ask(&[0x22, 0x21, 0x03, 0x77, 0x77, 0x21, 0x01]);
    assert_eq!((&both[..3], &both[43..45], both.len()), (&[0x62, 0x21, 0x03][..], &[0x21, 0x01][..], 49));
    let names: Vec<String> = bench.unit().take_truths().into_iter().map(|truth| truth.name).collect();
    assert_eq!(names, ["table", "table", "engine"]);
    assert_eq!(bench.ask(&[0x22, 0x77, 0x77]), [0x7F, 0x22, 0x31]);
    assert_eq!(bench.ask(&[0x22, 0x21]), [0x7F, 0x22, 0x13]);
    assert_eq!(bench.ask(&[0x22]), [0x7F, 0x22, 0x13]);
    assert_eq!(bench.ask(&[0x22, 0x21, 0x01, 0x21, 0x01, 0x21, 0x01, 0x21, 0x01]), [0x7F, 0x22, 0x13]);
    assert_eq!(bench.ask(&[0x22, 0x21, 0x03, 0x21, 0x03]), [0x7F, 0x22, 0x14]);
}

/// ISO 14229-1:2020 9.2: the answer has P2 in milliseconds and P2* in units of 10 ms; a data identifier of another
/// session is out of range (11.2). S3 is 5 s (ISO 14229-2:2013 table 5).
#[test]
fn a_session_is_entered_kept_alive_and_left_when_s3_is_over() {
    let mut bench = Bench::new(&yarrow(), &Options::default());
    assert_eq!(bench.ask(&[0x22, 0x21, 0x02]), [0x7F, 0x22, 0x31]);
    assert_eq!(bench.ask(&[0x10, 0x03]), [0x50, 0x03, 0x00, 0x32, 0x01, 0xF4]);
    assert_eq!(bench.ask(&[0x22, 0x21, 0x02])[..3], [0x62, 0x21, 0x02]);
    for _ in 0..3 {
        let later = bench.bus.now().after(Duration::from_secs(4));
        bench.bus.pass_until(later);
        assert!(bench.ask(&[0x3E, 0x80]).is_empty(), "suppressed");
    }
    assert_eq!(bench.ask(&[0x22, 0x21, 0x02])[..3], [0x62, 0x21, 0x02]);
    let later = bench.bus.now().after(Duration::from_millis(5_300));
    bench.bus.pass_until(later);
    assert_eq!(bench.ask(&[0x22, 0x21, 0x02]), [0x7F, 0x22, 0x31]);
    assert_eq!(bench.unit().tally().timeouts, 1);
    assert!(bench.ask(&[0x10, 0x83]).is_empty(), "entered in silence");
    assert_eq!(bench.ask(&[0x22, 0x21, 0x02])[..3], [0x62, 0x21, 0x02]);
    assert_eq!(bench.ask(&[0x10, 0x01])[..2], [0x50, 0x01]);
    assert_eq!(bench.ask(&[0x22, 0x21, 0x02]), [0x7F, 0x22, 0x31]);
}

/// ISO 14229-1:2020 annex A: 11 service, 12 sub-function, 13 length.
#[test]
fn what_the_definition_does_not_name_is_refused_with_its_reason() {
    let mut bench = Bench::new(&yarrow(), &Options::default());
    for (request, code) in [
        (&[0x27, 0x01][..], 0x11),
        (&[0x10, 0x02], 0x12),
        (&[0x10], 0x13),
        (&[0x3E, 0x01], 0x12),
        (&[0x3E, 0x00, 0x00], 0x13),
        (&[0x19, 0x44], 0x12),
        (&[0x01, 0x00], 0x11),
    ] {
        assert_eq!(bench.ask(request), [0x7F, request[0], code], "{request:02X?}");
    }
    assert_eq!(bench.ask(&[0x3E, 0x00]), [0x7E, 0x00]);
    assert_eq!(bench.ask(&[0x10, 0x82]), [0x7F, 0x10, 0x12], "suppression hides no refusal");
    assert_eq!(bench.unit().tally().unknown, 8);
}

/// ISO 14229-1:2020 11.6: bytes are counted from 1; parts are added; 03 forgets.
#[test]
fn an_identifier_is_defined_read_and_forgotten() {
    let mut bench = Bench::new(&yarrow(), &Options::default());
    assert_eq!(bench.ask(&[0x22, 0xF3, 0x01]), [0x7F, 0x22, 0x31]);
    assert_eq!(bench.ask(&[0x2C, 0x01, 0xF3, 0x01, 0x21, 0x01, 3, 2]), [0x6C, 0x01, 0xF3, 0x01]);
    assert_eq!(bench.ask(&[0x2C, 0x01, 0xF3, 0x01, 0x21, 0x03, 40, 1]), [0x6C, 0x01, 0xF3, 0x01]);
    let parts = bench.ask(&[0x22, 0xF3, 0x01]);
    let truths = bench.unit().take_truths();
    assert_eq!((&parts[..3], parts.len()), (&[0x62, 0xF3, 0x01][..], 6));
    assert_eq!((&*truths[0].name, &truths[0].response[5..]), ("engine", &parts[3..5]));
    for wrong in [[0x21, 0x01, 0, 1], [0x21, 0x01, 4, 2], [0x21, 0x01, 1, 0], [0x77, 0x77, 1, 1]] {
        assert_eq!(bench.ask(&[&[0x2C, 0x01, 0xF3, 0x02][..], &wrong].concat()), [0x7F, 0x2C, 0x31], "{wrong:02X?}");
    }
    assert_eq!(bench.ask(&[0x2C, 0x01, 0x21, 0x05, 0x21, 0x01, 1, 1]), [0x7F, 0x2C, 0x31], "not an own identifier");
    assert_eq!(bench.ask(&[0x2C, 0x03, 0xF3, 0x01]), [0x6C, 0x03, 0xF3, 0x01]);
    assert_eq!(bench.ask(&[0x22, 0xF3, 0x01]), [0x7F, 0x22, 0x31]);
}

/// ISO 14229-1:2020 11.3: 01 counts, 02 lists those whose status meets the mask, 0A lists all.
#[test]
fn fault_codes_are_reported_by_status() {
    let mut bench = Bench::new(&yarrow(), &with_faults());
    let both = [0x01, 0x43, 0x00, 0x2F, 0x11, 0x93, 0x11, 0x04];
    assert_eq!(bench.ask(&[0x19, 0x02, 0x08]), [&[0x59, 0x02, 0x7F][..], &both[..4]].concat());
    assert_eq!(bench.ask(&[0x19, 0x02, 0x04]), [&[0x59, 0x02, 0x7F][..], &both].concat());
    assert_eq!(bench.ask(&[0x19, 0x01, 0x04]), [0x59, 0x01, 0x7F, 0x01, 0x00, 0x02]);
    assert_eq!(bench.ask(&[0x19, 0x0A]), [&[0x59, 0x0A, 0x7F][..], &both].concat());
}

/// SAE J1979, masks computed from the definition: PIDs 01 05 0C 0D, 20 to announce 40, 40 to announce 5C.
#[test]
fn support_masks_follow_from_the_definition() {
    let mut bench = Bench::new(&obd(), &Options::default());
    assert_eq!(bench.ask(&[0x01, 0x00]), [0x41, 0x00, 0x88, 0x18, 0x00, 0x01]);
    assert_eq!(bench.ask(&[0x01, 0x20]), [0x41, 0x20, 0x00, 0x00, 0x00, 0x01]);
    assert_eq!(bench.ask(&[0x01, 0x40]), [0x41, 0x40, 0x00, 0x00, 0x00, 0x10]);
    assert_eq!(bench.ask(&[0x09, 0x00]), [0x49, 0x00, 0x40, 0x00, 0x00, 0x00]);
    assert_eq!(bench.ask(&[0x01, 0x60]), [0x7F, 0x01, 0x12], "asked alone it says so");
    let fewer = Options { pids: Some(vec![0x0C]), ..Options::default() };
    let mut bench = Bench::new(&obd(), &fewer);
    assert_eq!(bench.ask(&[0x01, 0x00]), [0x41, 0x00, 0x00, 0x10, 0x00, 0x00]);
    assert_eq!(bench.ask_all(&[0x01, 0x0D]), [], "to all it says nothing");
}

/// SAE J1979 on CAN: up to six PIDs, those not supported left out; 43 with a count; three bytes of 49 and the VIN.
#[test]
fn values_faults_and_information_of_the_standard_are_answered() {
    let mut bench = Bench::new(&obd(), &with_faults());
    let answer = bench.ask(&[0x01, 0x0C, 0x0B, 0x05, 0x0D]);
    let order = (answer[0], answer[1], answer[4], answer[6], answer.len());
    assert_eq!(order, (0x41, 0x0C, 0x05, 0x0D, 8));
    let truths = bench.unit().take_truths();
    assert_eq!(
        truths.iter().map(|truth| &*truth.name).collect::<Vec<_>>(),
        ["engine_speed", "coolant", "vehicle_speed"]
    );
    assert_eq!(truths[0].response, [&[0x41][..], &answer[1..4]].concat());
    assert_eq!(bench.ask(&[0x01, 0x01])[2], 0x81, "lamp on, one code");
    assert_eq!(bench.ask(&[0x03]), [0x43, 0x01, 0x01, 0x43]);
    assert_eq!(bench.ask(&[0x07]), [0x47, 0x02, 0x01, 0x43, 0x11, 0x93]);
    assert_eq!(bench.ask(&[0x0A]), [0x4A, 0x01, 0x01, 0x43]);
    assert_eq!(bench.ask(&[0x02, 0x00, 0x00]), [0x42, 0x00, 0x00, 0x48, 0x18, 0x00, 0x01]);
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x01, 0x43]);
    let frozen = bench.ask(&[0x02, 0x0C, 0x00]);
    assert_eq!((&frozen[..3], frozen.len()), (&[0x42, 0x0C, 0x00][..], 5));
    assert_eq!(bench.ask(&[0x02, 0x0C, 0x00]), frozen, "it is frozen");
    let vin = bench.ask(&[0x09, 0x02]);
    assert_eq!((&vin[..3], vin.len()), (&[0x49, 0x02, 0x01][..], 20));
    assert!(vin[3..].iter().all(u8::is_ascii_graphic));
    assert_eq!(bench.ask(&[0x04]), [0x44]);
    assert_eq!(bench.ask(&[0x03]), [0x43, 0x00]);
    assert_eq!(bench.ask(&[0x02, 0x02, 0x00]), [0x42, 0x02, 0x00, 0x00, 0x00]);
    assert_eq!(bench.ask(&[0x01, 0x01])[2], 0x00);
}

/// ISO 15765-4: a request to all is answered by whoever has something to say.
#[test]
fn a_request_to_all_is_answered_by_those_who_support_it() {
    let engine = obd();
    let gearbox = parse(&OBD.replace("7E0", "7E1").replace("7E8", "7E9"));
    let few = Options { pids: Some(vec![0x0D]), ..Options::default() };
    let mut bench = Bench::of(&[(&engine, &Options::default()), (&gearbox, &few)]);
    let from = |id| Peer::Address(Address::Normal(Id::Standard(id)));
    let answers = bench.ask_all(&[0x01, 0x0D, 0x0C]);
    let who: Vec<(Peer, usize)> = answers.iter().map(|(peer, answer)| (*peer, answer.len())).collect();
    assert_eq!(who, [(from(0x7E8), 6), (from(0x7E9), 3)]);
    assert_eq!(bench.ask_all(&[0x01, 0x0C]).len(), 1);
    assert_eq!(bench.ask_all(&[0x22, 0x21, 0x01]), [], "11 is not said to all");
    let vins = bench.ask_all(&[0x09, 0x02]);
    assert_eq!(
        vins.iter().map(|(peer, vin)| (*peer, vin.len())).collect::<Vec<_>>(),
        [(from(0x7E8), 20), (from(0x7E9), 20)]
    );
}

/// A definition of this workspace.
fn load(name: &str) -> Definition {
    let path = format!("{}/../../defs/{name}", env!("CARGO_MANIFEST_DIR"));
    Definition::load(path).unwrap_or_else(|report| panic!("{report}"))
}

#[test]
fn every_plain_record_of_our_definitions_is_answered_as_the_truth_says() {
    for name in ["bramble-62.toml", "bramble-62-gearbox.toml", "obd-j1979-can.toml"] {
        let definition = load(name);
        let mut bench = Bench::new(&definition, &Options::default());
        let layout = definition.variants.first().map_or(&definition.base, |variant| &variant.layout);
        let mut answered = 0;
        for record in layout.records.iter().flatten().filter(|record| record.session.is_none()) {
            let Some(request) = record.request.constant().filter(|request| !request.is_empty()) else { continue };
            let answer = bench.ask(&request);
            let data =
                record.answer.strip(&answer).unwrap_or_else(|| panic!("{name}: {request:02X?} gave {answer:02X?}"));
            let length = usize::from(record.length.0)..=usize::from(record.length.1);
            assert!(length.contains(&data.len()), "{name}: {request:02X?} gave {answer:02X?}");
            let truths = bench.unit().take_truths();
            assert_eq!((truths.len(), &truths[0].response), (1, &answer), "{name}");
            let invalid: Vec<_> = truths[0].values.iter().filter(|(_, value)| value.is_err()).collect();
            assert!(invalid.is_empty(), "{name}: {invalid:?} of {answer:02X?}");
            answered += 1;
        }
        assert!(answered >= 3, "{name}: {answered} records");
    }
}
