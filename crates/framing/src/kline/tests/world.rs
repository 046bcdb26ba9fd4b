//! Lines of invented units, and short words for what their tests say.

use core::time::Duration;
use std::format;
use std::string::String;
use std::vec::Vec;

use crate::Instant;
use crate::kline::{
    BlockField, BlockFraming, Checksum, FiveBaud, Framing, Init, KeyBytes, LengthCounts, Line, Timing, UnitEvent,
};
use crate::script::{Script, ZERO};
use crate::transport::{Answers, Ask, Heard, Misuse, Peer, Transport};

pub(super) const fn ms(count: u64) -> Duration {
    Duration::from_millis(count)
}

pub(super) const NS: Duration = Duration::from_nanos(1);

pub(super) fn at(nanos: u64) -> Instant {
    ZERO.after(Duration::from_nanos(nanos))
}

/// The Bramble 40: ISO 14230, fast initialisation.
pub(super) fn bramble() -> Line {
    Line { functional: Some(0x33), ..Line::iso14230(0x1C, 0xF1) }
}

/// The same without initialisation and without gaps in requests.
pub(super) fn plain() -> Line {
    Line { init: Init::None, timing: Timing { p4_min: Duration::ZERO, ..Timing::NORMAL }, ..bramble() }
}

/// A unit with ISO 9141-2 headers and a five-baud initialisation.
pub(super) fn iso9141() -> Line {
    let init = Init::FiveBaud(FiveBaud { address: 0x33, key_bytes: Some(KeyBytes::ISO9141), unit_confirms: true });
    Line { init, framing: Framing::Iso9141, unit: 0x10, ..bramble() }
}

/// The Thistle 9: declared blocks.
pub(super) fn thistle() -> Line {
    use BlockField::{Checksum as Sum, Data, Length, Unit};
    let block = BlockFraming::new(&[Unit, Length, Data, Sum], LengthCounts::WholeFrame, Checksum::Xor8).unwrap();
    Line {
        baud: 9600,
        parity: crate::contract::Parity::Even,
        init: Init::None,
        unit: 0x31,
        framing: Framing::Declared(block),
        ..bramble()
    }
}

pub(super) fn one(unit: u8) -> Ask {
    Ask { to: Peer::Unit(unit), answers: Answers::One, window: ms(50) }
}

pub(super) fn all() -> Ask {
    Ask { to: Peer::Anyone, answers: Answers::UntilSilence, window: ms(50) }
}

/// Asks a connected tester at zero.
pub(super) fn ask(t: &mut Script<crate::kline::Tester>, data: &[u8], ask: Ask) {
    let asked: Result<(), Misuse> = t.at("0 ms").does(|tester, now| tester.request(now, data, ask));
    asked.unwrap();
}

/// Events in a word each.
pub(super) fn heard(events: &[(Duration, Heard)]) -> String {
    let words: Vec<String> = events.iter().filter_map(|(_, event)| word(event)).collect();
    words.join(", ")
}

fn word(event: &Heard) -> Option<String> {
    Some(match event {
        Heard::Sent { .. } => return None,
        Heard::Ready { .. } => "ready".into(),
        Heard::Message { len, .. } => format!("message of {len}"),
        Heard::Silence { .. } => "silence".into(),
        Heard::Noise { what, .. } => format!("{what:?}"),
        Heard::NotReady { stage, .. } => format!("not ready: {stage:?}"),
        Heard::NotMade { .. } => "speed not made".into(),
        Heard::Down(cause) => format!("down: {cause:?}"),
    })
}

/// Events of a unit in a word each.
pub(super) fn told(events: &[(Duration, UnitEvent)]) -> String {
    let words: Vec<String> = events.iter().map(|(_, event)| unit_word(event)).collect();
    words.join(", ")
}

fn unit_word(event: &UnitEvent) -> String {
    match event {
        UnitEvent::Started { .. } => "started".into(),
        UnitEvent::Request { functional: true, .. } => "functional request".into(),
        UnitEvent::Request { .. } => "request".into(),
        UnitEvent::Ignored { why, .. } => format!("ignored: {why:?}"),
        UnitEvent::Noise { what, .. } => format!("{what:?}"),
        UnitEvent::TimedOut { .. } => "timed out".into(),
        UnitEvent::Stopped { .. } => "stopped".into(),
        other => format!("{other:?}"),
    }
}
