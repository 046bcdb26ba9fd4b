//! Services of SAE J1979 on the K-line: ISO 14230-4 with fast initialisation, ISO 9141-2 with an address at five baud.

use core::time::Duration;
use std::borrow::Cow;

use tickover_defs::Definition;
use tickover_defs::compiled::{EmissionDtc, FaultRead, Faults, Line as DefinitionLine};
use tickover_framing::Instant;
use tickover_framing::drive::Port;
use tickover_framing::kline::Tester;
use tickover_framing::transport::{Answers, Ask, Heard, Peer, Reach, Transport};

use super::super::{Options, Simulated};
use crate::line::Line;

const ISO14230_4: &str = r#"
baud = 10400
format = "8N1"
init = "fast"
unit = 0x11
functional = 0x33
tester = 0xF1
framing = "iso14230"
keep_alive = "none"
[line.timing]
p2_max = "50 ms"
p3_min = "55 ms"
p4_min = "5 ms"
"#;

const ISO9141_2: &str = r#"
baud = 10400
format = "8N1"
init = "five-baud"
unit = 0x10
functional = 0x33
tester = 0xF1
framing = "iso9141"
keep_alive = "none"
[line.five_baud]
address = 0x33
key_bytes = "08 08"
unit_confirms = true
[line.timing]
p2_max = "50 ms"
p3_min = "55 ms"
p4_min = "5 ms"
"#;

fn definition(line: &str) -> Definition {
    let text = format!(
        "edition = 1\n[definition]\nid = \"teasel-2\"\ntitle = \"Teasel 2\"\nrevision = \"1\"\nsource = \"invented\"\n\
         [line]\ntype = \"k-line\"\n{line}\
         [channel.coolant]\nread = {{ pid = 0x05 }}\nat = 0\ndata = \"u8\"\nformula = \"raw - 40\"\nunit = \"Cel\"\n\
         [channel.engine_speed]\nread = {{ pid = 0x0C }}\nat = 0\ndata = \"u16be\"\nformula = \"raw / 4\"\nunit = \"/min\"\n"
    );
    let mut definition = Definition::parse(&text, "teasel-2.toml").unwrap_or_else(|report| panic!("{report}"));
    let read = Some(FaultRead::EmissionDtc(EmissionDtc::Stored));
    let (clear, known) = (Cow::Borrowed(&[][..]), Cow::Borrowed(&[][..]));
    definition.base.faults = Some(Faults { read, status: None, clear, freeze: None, known });
    definition
}

struct Bench {
    line: Line<Simulated>,
    tester: Tester,
}

impl Bench {
    fn new(line: &str) -> Self {
        let definition = definition(line);
        let Some(DefinitionLine::KLine(kline)) = &definition.line else { panic!("a K-line") };
        let codes = ["P0143", "P0196", "P0234", "P0443"].map(|code| (code.parse().expect("a code"), 0x28));
        let options = Options { faults: Some(codes.to_vec()), ..Options::default() };
        let mut line = Line::new(Reach::IDEAL);
        line.attach(Simulated::new(&definition, &options, Instant::ORIGIN).expect("a unit"));
        let mut tester = Tester::new(kline.line, Reach::IDEAL);
        tester.connect(line.now());
        let until = line.now().after(Duration::from_secs(20));
        let ready = line.drive(&mut tester, until, |_, heard| match heard {
            Heard::Ready { .. } => Some(true),
            Heard::NotReady { .. } => Some(false),
            _ => None,
        });
        assert_eq!(ready, Some(true));
        Self { line, tester }
    }

    /// All answers to a request that goes to all units.
    fn ask(&mut self, request: &[u8]) -> Vec<Vec<u8>> {
        let ask = Ask { to: Peer::Anyone, answers: Answers::UntilSilence, window: Duration::from_millis(60) };
        self.tester.request(self.line.now(), request, ask).expect("the line is free");
        let mut answers = Vec::new();
        loop {
            let until = self.line.now().after(Duration::from_secs(10));
            let came = self.line.drive(&mut self.tester, until, |_, heard| match heard {
                Heard::Message { .. } => Some(true),
                Heard::Silence { .. } => Some(false),
                _ => None,
            });
            if came != Some(true) {
                return answers;
            }
            answers.push(self.tester.message().to_vec());
        }
    }
}

/// SAE J1979 on the K-line: one PID a request; three codes a message, zero filled, and as many messages as it takes.
#[test]
fn values_masks_and_codes_come_in_messages_of_seven_bytes() {
    for line in [ISO14230_4, ISO9141_2] {
        let mut bench = Bench::new(line);
        assert_eq!(bench.ask(&[0x01, 0x00]), [[0x41, 0x00, 0x08, 0x10, 0x00, 0x00]]);
        let speed = bench.ask(&[0x01, 0x0C]);
        assert_eq!((speed.len(), speed[0].len(), &speed[0][..2]), (1, 4, &[0x41, 0x0C][..]));
        let truth = bench.line.unit_mut(0).and_then(|unit| unit.take_truths().pop()).expect("an answer");
        assert_eq!((&*truth.name, &truth.response), ("engine_speed", &speed[0]));
        let codes = [[0x43, 0x01, 0x43, 0x01, 0x96, 0x02, 0x34], [0x43, 0x04, 0x43, 0x00, 0x00, 0x00, 0x00]];
        assert_eq!(bench.ask(&[0x03]), codes);
        assert_eq!(bench.ask(&[0x04]), [[0x44]]);
        assert_eq!(bench.ask(&[0x03]), [[0x43, 0, 0, 0, 0, 0, 0]]);
    }
}

/// ISO 14230-4 5.5: a unit always answers, with a refusal if it must. From memory: ISO 9141-2 has no refusals.
#[test]
fn what_is_not_supported_is_refused_on_the_one_and_passed_over_on_the_other() {
    assert_eq!(Bench::new(ISO14230_4).ask(&[0x01, 0x0D]), [[0x7F, 0x01, 0x12]]);
    assert_eq!(Bench::new(ISO9141_2).ask(&[0x01, 0x0D]), Vec::<Vec<u8>>::new());
}
