//! Bodies of the fuzz targets. Each has an oracle: what was read is written and read again, and must be the same.

mod isotp;

use core::time::Duration;

pub use isotp::{isotp_ends, pdu};

use crate::contract::{Input, Known, Level, Machine, Output};
use crate::kline::block::{self, BlockField, BlockFraming, Checksum, LengthCounts};
use crate::kline::message::MESSAGE_MAX;
use crate::kline::{FiveBaud, Framing, Init, Line, Message, MessageError, MessageView, Tester, Unit, iso9141};
use crate::time::Instant;
use crate::transport::{Answers, Ask, Peer, Reach, Transport};

/// Reads messages of ISO 14230-2 and ISO 9141-2; writes what it could read and compares.
///
/// # Panics
/// If a message changes on its way, or if "so many bytes are missing" is not true.
pub fn message(bytes: &[u8]) {
    match MessageView::parse(bytes) {
        Ok((view, rest)) => {
            let mut out = [0; MESSAGE_MAX];
            let len = Message::from(view).emit(&mut out);
            let len = len.expect("a message that was read can be written");
            assert_eq!(&out[..len], &bytes[..bytes.len() - rest.len()]);
            assert_eq!(MessageView::parse(&out[..len]), Ok((view, &[][..])));
        }
        Err(MessageError::Incomplete(missing)) => {
            assert!(missing > 0 && bytes.len() + missing <= MESSAGE_MAX);
        }
        Err(MessageError::Checksum { found, expected }) => assert_ne!(found, expected),
        Err(_) => {}
    }
    if let Ok(view) = iso9141::View::parse(bytes) {
        let mut out = [0; iso9141::MESSAGE_MAX];
        let len = iso9141::emit(view.header(), view.data(), &mut out).expect("a message that was read can be written");
        assert_eq!(&out[..len], bytes);
    }
}

/// Takes a framing from the first bytes and a frame from the rest; writes what it could read and compares.
///
/// # Panics
/// If a frame changes on its way.
pub fn block(bytes: &[u8]) {
    let Some((choice, rest)) = bytes.split_first_chunk::<3>() else { return };
    let Some((fields, frame)) = rest.split_at_checked(usize::from(choice[0] % 9)) else { return };
    let mut declared = [BlockField::Constant(0); BlockFraming::FIELDS];
    for (field, byte) in declared.iter_mut().zip(fields) {
        *field = match byte % 6 {
            0 => BlockField::Unit,
            1 => BlockField::Tester,
            2 => BlockField::Length,
            3 => BlockField::Data,
            4 => BlockField::Checksum,
            _ => BlockField::Constant(*byte),
        };
    }
    let counts = [LengthCounts::WholeFrame, LengthCounts::AfterLength, LengthCounts::Data];
    let checks = [Checksum::Xor8, Checksum::Sum8, Checksum::NegatedSum8];
    let length_counts = counts[usize::from(choice[1] % 3)];
    let checksum = checks[usize::from(choice[2] % 3)];
    // Also framings that `check` refuses must not panic.
    let framing = BlockFraming { fields: declared, count: fields.len() as u8, length_counts, checksum };
    let read = framing.parse(frame);
    let (Ok((view, rest)), Ok(())) = (read, framing.check()) else { return };
    if view.data().len() > framing.longest() {
        return; // A frame without a length may be longer than any that is written.
    }
    let mut out = [0; block::FRAME_MAX];
    let (unit, tester) = (view.unit().unwrap_or(0), view.tester().unwrap_or(0));
    let len = framing.emit(unit, tester, view.data(), &mut out).expect("a frame that was read can be written");
    let fields_twice = declared.iter().take(fields.len()).filter(|f| **f == BlockField::Unit).count() > 1
        || declared.iter().take(fields.len()).filter(|f| **f == BlockField::Tester).count() > 1;
    if !fields_twice {
        assert_eq!(&out[..len], &frame[..frame.len() - rest.len()]);
    }
}

/// Hands arbitrary inputs to both ends of a line: nothing panics, and neither end talks for ever.
///
/// # Panics
/// If a machine gives more outputs than any input can lead to.
pub fn ends(bytes: &[u8]) {
    let Some((choice, bytes)) = bytes.split_first() else { return };
    let line = line(*choice);
    let mut tester = Tester::new(line, Reach::IDEAL);
    tester.connect(Instant::ORIGIN);
    feed(&mut tester, bytes, |tester, now| {
        let ask = Ask { to: Peer::Unit(0x1C), answers: Answers::UntilSilence, window: Duration::from_millis(50) };
        let _ = tester.request(now, &[0x21, 0x01], ask);
    });
    let pulse = choice & 0x10 != 0;
    feed(&mut Unit::new(line, Reach { pulse, ..Reach::IDEAL }), bytes, |unit, now| {
        let _ = unit.respond(now, &[0x61, 0x01, 0x00], Duration::from_millis(25));
    });
}

/// One of the framings, one of the initialisations.
fn line(choice: u8) -> Line {
    use BlockField::{Checksum as Sum, Data, Length, Unit};
    let block = BlockFraming::new(&[Unit, Length, Data, Sum], LengthCounts::WholeFrame, Checksum::Xor8);
    let framings = [Framing::Iso14230, Framing::Iso9141, block.map_or(Framing::Iso14230, Framing::Declared)];
    let five_baud = FiveBaud { address: 0x33, key_bytes: None, unit_confirms: choice & 0x20 == 0 };
    let inits = [Init::None, Init::Fast, Init::FiveBaud(five_baud)];
    let framing = framings[usize::from(choice % 3)];
    let init = inits[usize::from(choice / 3 % 3)];
    Line { functional: Some(0x33), framing, init, ..Line::iso14230(0x1C, 0xF1) }
}

fn feed<M: Machine>(machine: &mut M, bytes: &[u8], call: impl Fn(&mut M, Instant)) {
    let mut now = Instant::ORIGIN;
    for chunk in bytes.chunks(4) {
        let (kind, rest) = chunk.split_first().map_or((0, &[][..]), |(kind, rest)| (*kind, rest));
        now = now.after(Duration::from_micros(u64::from(kind) * 97));
        let deadline = obey(machine, now);
        match kind % 5 {
            0 => call(machine, now),
            1 => machine.handle(Input::Edge { at: now, level: if kind & 8 == 0 { Level::Low } else { Level::High } }),
            2 => {
                now = now.max(deadline.unwrap_or(now));
                machine.handle(Input::Timeout { now });
            }
            _ if rest.is_empty() => {}
            3 if rest[0] == 0 => machine.handle(Input::Lost { at: now, cause: crate::contract::Lost::Gone }),
            _ => machine.handle(Input::Bytes { end: now, bytes: rest }),
        }
        obey(machine, now);
    }
}

fn obey<M: Machine>(machine: &mut M, now: Instant) -> Option<Instant> {
    for _ in 0..64 {
        match machine.poll_output() {
            Output::Event(_) => {}
            Output::Act(act) => machine.handle(report(act, now)),
            Output::WaitUntil { at, .. } => return Some(at),
            Output::Idle => return None,
        }
    }
    panic!("a machine that talks for ever");
}

fn report(act: crate::contract::Act, now: Instant) -> Input<'static> {
    use crate::contract::Act;
    match act {
        Act::Speed(speed) => Input::SpeedIs { at: now, got: Some(speed) },
        Act::Line { level, .. } => Input::LineIs { at: now, level },
        Act::Transmit { tag, .. } => {
            Input::Sent { tag, start: now, end: now.after(Duration::from_millis(1)), known: Known::Computed }
        }
    }
}
