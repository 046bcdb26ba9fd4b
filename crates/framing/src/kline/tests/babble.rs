//! A line that is never quiet holds nothing up for ever.

use core::time::Duration;
use std::vec::Vec;

use super::world::{bramble, ms, one, plain};
use crate::contract::{Act, Input, Known, Machine, Output};
use crate::kline::{Line, Tester};
use crate::time::Instant;
use crate::transport::{Heard, Reach, Stage, Transport};

/// No message of 280 bytes takes longer, 20 ms between them (P1max of SSF 14230-2 issue 1, table 1a).
const LONGEST: Duration = Duration::from_millis(6_000);

/// A tester on a line on which somebody sends this pattern without a pause.
struct Babbled {
    tester: Tester,
    now: Instant,
    told: Vec<(Instant, Heard)>,
}

impl Babbled {
    fn new(line: Line) -> Self {
        let mut tester = Tester::new(line, Reach { echo: crate::transport::Echo::Suppressed, ..Reach::IDEAL });
        tester.connect(Instant::ORIGIN);
        let mut babbled = Self { tester, now: Instant::ORIGIN, told: Vec::new() };
        babbled.obey();
        babbled
    }

    fn run(&mut self, pattern: &[u8], duration: Duration) {
        let time = self.tester.line().char_time();
        let end = self.now.after(duration);
        let bytes = pattern.iter().cycle();
        for byte in bytes {
            let next = self.now.after(time.one());
            if next > end {
                return;
            }
            while let Some(at) = self.obey().filter(|at| *at < next) {
                self.now = self.now.max(at);
                self.tester.handle(Input::Timeout { now: self.now });
            }
            self.now = next;
            self.tester.handle(Input::Bytes { end: next, bytes: &[*byte] });
        }
    }

    fn obey(&mut self) -> Option<Instant> {
        loop {
            let at = self.now;
            match self.tester.poll_output() {
                Output::Act(Act::Speed(speed)) => self.tester.handle(Input::SpeedIs { at, got: Some(speed) }),
                Output::Act(Act::Line { level, .. }) => self.tester.handle(Input::LineIs { at, level }),
                Output::Act(Act::Transmit { tag, .. }) => {
                    let end = at.after(ms(1));
                    self.tester.handle(Input::Sent { tag, start: at, end, known: Known::Computed });
                }
                Output::Event(event) => self.told.push((at, event)),
                Output::WaitUntil { at, .. } => return Some(at),
                Output::Idle => return None,
            }
        }
    }

    fn silences(&self) -> usize {
        self.told.iter().filter(|(_, event)| matches!(event, Heard::Silence { .. })).count()
    }
}

/// One that starts no message, one that starts a new message of a wrong sum every five bytes, one good message.
const PATTERNS: [&[u8]; 3] = [&[0x00], &[0x81, 0xF1, 0x1C, 0x61, 0x00], &[0x81, 0xF1, 0x2D, 0x61, 0x00]];

#[test]
fn a_request_ends_although_somebody_never_stops_talking() {
    for pattern in PATTERNS {
        let mut line = Babbled::new(plain());
        line.tester.request(line.now, &[0x21, 0x01], one(0x1C)).unwrap();
        line.run(pattern, LONGEST + ms(60));
        assert_eq!(line.silences(), 1, "{pattern:02X?}");
        // The next one does not even find the line free.
        line.tester.request(line.now, &[0x21, 0x01], one(0x1C)).unwrap();
        line.run(pattern, LONGEST + ms(120));
        assert_eq!(line.silences(), 2, "{pattern:02X?}");
    }
}

#[test]
fn an_initialisation_ends_although_the_line_is_never_idle() {
    for pattern in PATTERNS {
        let mut line = Babbled::new(bramble());
        line.run(pattern, LONGEST + ms(300));
        let not_ready = |event: &Heard| matches!(event, Heard::NotReady { stage: Stage::NeverIdle, .. });
        assert!(line.told.iter().any(|(_, event)| not_ready(event)), "{pattern:02X?}: {:?}", line.told.last());
    }
}
