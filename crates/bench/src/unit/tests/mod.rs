//! The simulated unit against the tester's machine, in virtual time.

mod can;
mod obd_k_line;
mod passive;
mod untaken;

use core::time::Duration;

use tickover_defs::{Definition, Value, decode};
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Chunk, Tag, Wire};
use tickover_framing::drive::Port;
use tickover_framing::kline::Tester;
use tickover_framing::transport::{Answers, Ask, Heard, Peer, Reach, Transport};

use super::{Mishap, Options, Simulated};
use crate::engine::{Engine, Quantity};
use crate::line::Line;

fn bramble() -> Definition {
    Definition::parse(include_str!("../../../../../defs/bramble-40.toml"), "bramble-40.toml").expect("it is checked")
}

fn thistle() -> Definition {
    Definition::parse(include_str!("../../../../../defs/thistle-9.toml"), "thistle-9.toml").expect("it is checked")
}

/// A tester on a line with one unit.
struct Bench {
    line: Line<Simulated>,
    tester: Tester,
}

impl Bench {
    fn new(definition: &Definition, options: &Options) -> Self {
        let Some(tickover_defs::compiled::Line::KLine(kline)) = &definition.line else { panic!("a K-line") };
        let mut line = Line::new(Reach::IDEAL);
        line.attach(Simulated::new(definition, options, Instant::ORIGIN).expect("a unit"));
        let mut bench = Self { line, tester: Tester::new(kline.line, Reach::IDEAL) };
        bench.connect();
        bench
    }

    fn connect(&mut self) {
        self.tester.connect(self.line.now());
        let ready = self.run(|heard| match heard {
            Heard::Ready { .. } => Some(true),
            Heard::NotReady { .. } => Some(false),
            _ => None,
        });
        assert!(ready, "the unit did not answer the initialisation");
    }

    /// Until `on` has what it waits for.
    fn run<T>(&mut self, mut on: impl FnMut(&Heard) -> Option<T>) -> T {
        let until = self.line.now().after(Duration::from_secs(60));
        let found = self.line.drive(&mut self.tester, until, |_, heard| on(&heard));
        found.unwrap_or_else(|| panic!("nothing came of it until {}", self.line.now()))
    }

    /// The answers to a request, until the one that is not "response pending".
    fn asks(&mut self, request: &[u8]) -> Vec<Vec<u8>> {
        let ask = Ask { to: Peer::Anyone, answers: Answers::One, window: Duration::from_millis(60) };
        let ask = Ask { to: Peer::Unit(self.tester.line().unit), ..ask };
        self.tester.request(self.line.now(), request, ask).expect("the line is free");
        let mut answers: Vec<Vec<u8>> = Vec::new();
        loop {
            let came = self.run(|heard| match heard {
                Heard::Message { .. } => Some(true),
                Heard::Silence { .. } => Some(false),
                _ => None,
            });
            if !came {
                return answers;
            }
            let answer = self.tester.message().to_vec();
            let pending = answer.starts_with(&[0x7F]) && answer.ends_with(&[0x78]);
            answers.push(answer);
            if !pending {
                return answers;
            }
            self.tester.keep_waiting(Duration::from_secs(5));
        }
    }

    fn ask(&mut self, request: &[u8]) -> Vec<u8> {
        self.asks(request).pop().unwrap_or_default()
    }

    fn unit(&mut self) -> &mut Simulated {
        self.line.unit_mut(0).expect("one unit")
    }
}

#[test]
fn every_plain_record_is_answered_in_its_length_and_as_the_truth_says() {
    for definition in [bramble(), thistle()] {
        for variant in &*definition.variants {
            let options = Options { variant: Some(variant.name.to_string()), ..Options::default() };
            let mut bench = Bench::new(&definition, &options);
            let mut answered = 0;
            for record in variant.layout.records.iter().flatten() {
                let Some(request) = record.request.constant() else { continue };
                let answer = bench.ask(&request);
                let data = record.answer.strip(&answer).unwrap_or_else(|| panic!("{request:02X?} gave {answer:02X?}"));
                let readings = decode::record(&variant.layout, record, data, &decode::Nothing).expect("its length");
                let truths = bench.unit().take_truths();
                assert_eq!((truths.len(), &truths[0].response), (1, &answer));
                let read: Vec<_> = readings.iter().map(|reading| &reading.value).collect();
                assert_eq!(read, truths[0].values.iter().map(|(_, value)| value).collect::<Vec<_>>());
                assert!(read.iter().all(|value| value.is_ok()), "{}: {read:?}", truths[0].name);
                answered += 1;
            }
            assert!(answered >= 3, "{}: {answered} records", definition.id);
        }
    }
}

#[test]
fn the_variant_asked_for_is_the_one_that_answers() {
    let definition = bramble();
    for variant in ["early", "late"] {
        let options = Options { variant: Some(variant.to_owned()), ..Options::default() };
        let mut bench = Bench::new(&definition, &options);
        let identification = bench.ask(&[0x1A, 0x9B]);
        let expected = if variant == "early" { b"B40-1" } else { b"B40-2" };
        assert_eq!(&identification[2..7], expected);
        let length = if variant == "early" { 2 + 17 } else { 2 + 19 };
        assert_eq!(bench.ask(&[0x21, 0x01]).len(), length);
    }
    let unknown = Options { variant: Some("lte".to_owned()), ..Options::default() };
    let error = Simulated::new(&definition, &unknown, Instant::ORIGIN).expect_err("there is none");
    assert!(error.to_string().contains("'late'"), "{error}");
}

#[test]
fn the_values_are_those_of_the_engine_at_the_request() {
    let mut bench = Bench::new(&bramble(), &Options::default());
    bench.line.pass_until(Instant::from_nanos(4_000_000_000));
    bench.connect();
    bench.ask(&[0x21, 0x01]);
    let truth = bench.unit().take_truths().pop().expect("an answer");
    let state = Engine::cranked_at(Instant::ORIGIN).at(truth.at);
    let (_, speed) = &truth.values[0];
    let Ok(Value::Number(speed)) = speed else { panic!("{speed:?}") };
    let crate::engine::Amount::Number(wanted, _) = state.amount(Quantity::EngineSpeed, 0) else { panic!() };
    assert!((speed - wanted).abs() < 3.0, "{speed} and {wanted}");
}

#[test]
fn a_session_changes_the_speed_after_its_answer() {
    let definition = bramble();
    let mut bench = Bench::new(&definition, &Options::default());
    assert_eq!(bench.ask(&[0x10, 0x86, 0x03]), [0x50, 0x86]);
    let tickover_defs::compiled::Line::KLine(fast) = &definition.sessions[0].line else { panic!("a K-line") };
    let now = bench.line.now();
    bench.tester.change_line(now, fast.line).expect("between requests");
    assert_eq!(bench.ask(&[0x21, 0x02])[..2], [0x61, 0x02]);
    let Some(tickover_framing::contract::Speed::Serial { baud, .. }) = bench.line.speed_of(crate::line::Who::Unit(0))
    else {
        panic!("a serial speed")
    };
    assert_eq!(baud, 38_400);
}

/// ISO 14230-3:1999 4.4: 11 service not supported, 31 request out of range.
#[test]
fn what_the_definition_does_not_name_is_refused() {
    let mut bench = Bench::new(&bramble(), &Options::default());
    assert_eq!(bench.ask(&[0x21, 0x77]), [0x7F, 0x21, 0x31]);
    assert_eq!(bench.ask(&[0x27, 0x01]), [0x7F, 0x27, 0x11]);
    assert_eq!(bench.unit().tally().unknown, 2);
    assert_eq!(bench.ask(&[0x3E, 0x01]), [0x7E]);
    let mut bench = Bench::new(&thistle(), &Options::default());
    assert_eq!(bench.ask(&[0xA4, 0x09]), [0xBF, 0x01]);
    assert_eq!(bench.ask(&[0xA0]), [0xB0]);
}

#[test]
fn faults_are_read_and_cleared() {
    let mut bench = Bench::new(&bramble(), &Options::default());
    assert_eq!(bench.ask(&[0x18, 0x02, 0xFF, 0x00]), [0x58, 2, 0x01, 0x02, 0x61, 0x01, 0x15, 0x21]);
    assert_eq!(bench.ask(&[0x12, 0x00, 0x04, 0x01, 0x02])[..2], [0x52, 0x00]);
    assert_eq!(bench.ask(&[0x14, 0xFF, 0x00]), [0x54, 0xFF, 0x00]);
    assert_eq!(bench.ask(&[0x18, 0x02, 0xFF, 0x00]), [0x58, 0]);
}

#[test]
fn a_procedure_resets_what_was_learned_once_its_routine_has_run() {
    let mut bench = Bench::new(&bramble(), &Options::default());
    let before = bench.ask(&[0x21, 0x05]);
    assert_eq!(bench.ask(&[0x31, 0x51]), [0x71, 0x51]);
    assert_eq!(bench.ask(&[0x33, 0x51]), [0x7F, 0x33, 0x23]);
    let mut result = Vec::new();
    for _ in 0..20 {
        result = bench.ask(&[0x33, 0x51]);
        if result[0] == 0x73 {
            break;
        }
    }
    assert_eq!(result, [0x73, 0x51, 0x00]);
    let after = bench.ask(&[0x21, 0x05]);
    assert_ne!(before, after);
    assert_eq!(after, [0x61, 0x05, 0, 0, 0x9C, 0x40, 0, 0, 0, 0, 0], "zero, the factor one");
}

#[test]
fn planned_mishaps_come_in_order() {
    let mut bench = Bench::new(&bramble(), &Options::default());
    let mishaps = [Mishap::Pending(2), Mishap::Busy, Mishap::Silent(Duration::from_millis(1_000)), Mishap::Reset];
    for (place, mishap) in mishaps.into_iter().enumerate() {
        bench.unit().plan(Instant::from_nanos(place as u64), mishap);
    }
    let request = [0x21, 0x02];
    let answers = bench.asks(&request);
    assert_eq!(answers[..2], [[0x7F, 0x21, 0x78], [0x7F, 0x21, 0x78]]);
    assert_eq!((answers.len(), &answers[2][..2]), (3, &[0x61, 0x02][..]));
    assert_eq!(bench.ask(&request), [0x7F, 0x21, 0x21]);
    assert_eq!(bench.asks(&request), Vec::<Vec<u8>>::new(), "deaf");
    let later = bench.line.now().after(Duration::from_secs(1));
    bench.line.pass_until(later);
    assert_eq!(bench.asks(&request), Vec::<Vec<u8>>::new(), "reset");
    assert_eq!(bench.asks(&request), Vec::<Vec<u8>>::new(), "not started");
    let booted = bench.line.now().after(super::BOOT);
    bench.line.pass_until(booted);
    bench.connect();
    assert_eq!(bench.ask(&request)[..2], [0x61, 0x02]);
    assert_eq!(bench.unit().take_mishaps().len(), 4);
    let truths = bench.unit().take_truths();
    assert_eq!(truths.len(), 2, "only complete answers are true");
    assert_eq!(truths.iter().map(|truth| truth.number).collect::<Vec<_>>(), [1, 2]);
}

#[test]
fn a_unit_that_hears_nothing_for_p3max_waits_for_the_next_tester() {
    let mut bench = Bench::new(&bramble(), &Options::default());
    let later = bench.line.now().after(Duration::from_secs(6));
    bench.line.pass_until(later);
    assert_eq!(bench.unit().tally().timeouts, 1);
    bench.connect();
    assert_eq!(bench.ask(&[0x21, 0x02])[..2], [0x61, 0x02]);
    assert_eq!(bench.unit().tally().starts, 2);
}

#[test]
fn fixed_values_are_kept() {
    let fixed = vec![("battery".to_owned(), Value::Number(12.0)), ("coolant".to_owned(), Value::Number(80.0))];
    let mut bench = Bench::new(&bramble(), &Options { fixed, ..Options::default() });
    let answer = bench.ask(&[0x21, 0x01]);
    assert_eq!((answer[2 + 12], answer[2 + 3]), (0x96, 0x5F));
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]

    /// Whatever comes over the line, a unit neither panics nor stops answering the next tester.
    #[test]
    fn a_unit_survives_any_bytes_and_any_request(
        noise in proptest::collection::vec(proptest::collection::vec(proptest::prelude::any::<u8>(), 1..40), 0..8),
        requests in proptest::collection::vec(proptest::collection::vec(proptest::prelude::any::<u8>(), 1..12), 0..8),
        declared in proptest::prelude::any::<bool>(),
    ) {
        let definition = if declared { thistle() } else { bramble() };
        let mut bench = Bench::new(&definition, &Options::default());
        for request in &requests {
            // StartCommunication, StopCommunication and AccessTimingParameters would end or bend the connection.
            if !matches!(request[0], 0x81..=0x83) {
                let answers = bench.asks(request);
                proptest::prop_assert!(answers.iter().all(|answer| !answer.is_empty()));
            }
        }
        for bytes in &noise {
            bench.line.act(&Act::Transmit { tag: Tag(9), wire: Wire::Bytes(Chunk::split_from(bytes).0) });
            let later = bench.line.now().after(Duration::from_millis(300));
            bench.line.pass_until(later);
        }
        let later = bench.line.now().after(Duration::from_secs(6));
        bench.line.pass_until(later);
        bench.connect();
        let plain = if declared { [0xA4, 0x01] } else { [0x21, 0x02] };
        proptest::prop_assert!(bench.ask(&plain).len() > 4);
    }
}
