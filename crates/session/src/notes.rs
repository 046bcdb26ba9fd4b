//! The sentences of notes: who is at fault, what was expected, what came, what to try.

use alloc::format;
use alloc::string::{String, ToString};

use tickover_defs::compiled::Pattern;
use tickover_framing::Instant;
use tickover_framing::can::Condition;
use tickover_framing::contract::{Hex, Lost, Speed};
use tickover_framing::transport::{Noise, Stage};

use crate::exchange::{Failure, Refusal};
use crate::{Fault, Note, NoteKind};

/// A note without advice.
pub(crate) fn note(at: Instant, kind: NoteKind, fault: Fault, text: String) -> Note {
    advise(at, kind, fault, text, "")
}

pub(crate) fn advise(at: Instant, kind: NoteKind, fault: Fault, text: String, advice: &'static str) -> Note {
    Note { at, unit: None, kind, fault, text, advice }
}

/// 1, 10, 100, ..: what happens often is said so often.
pub(crate) fn is_round(times: u64) -> bool {
    times.checked_ilog10().is_some_and(|digits| 10_u64.pow(digits) == times)
}

/// Initialisation failed.
pub(crate) fn not_ready(at: Instant, stage: Stage, pulse: bool) -> Note {
    let (text, advice) = match stage {
        Stage::NoAnswer if !pulse => (
            "nothing answered the initialisation; this port cannot send the wake-up pulse either".to_string(),
            "check ignition, wiring and the unit's address, or use a port with a real line",
        ),
        Stage::NoAnswer => (
            "nothing answered the initialisation".to_string(),
            "check that the ignition is on, the K-line is wired and the definition's address is this unit's",
        ),
        Stage::Synchronisation { found } => (
            format!("55 was expected after the address, {found:02X} came"),
            "check baud rate and format in the definition, and that nobody else speaks on the line",
        ),
        Stage::KeyBytes => (
            "two key bytes were expected after 55, fewer came in time".to_string(),
            "check the W times in the definition",
        ),
        Stage::OtherKeyBytes { found } => (
            format!("other key bytes than the definition expects came: {:02X} {:02X}", found.0, found.1),
            "this is another unit than the definition describes, or key_bytes in it are wrong",
        ),
        Stage::NoConfirmation => (
            "the inverted address was expected after the key bytes, nothing came".to_string(),
            "set unit_confirms = false if this unit does not return it",
        ),
        Stage::Confirmation { found, expected } => (
            format!("the inverted address {expected:02X} was expected, {found:02X} came"),
            "check the address in the definition",
        ),
        Stage::NeverIdle => (
            "the line was never idle long enough to begin the initialisation".to_string(),
            "find out who else speaks on the line, and check its wiring",
        ),
        Stage::Refused => (
            "the start of communication was answered, but not with consent".to_string(),
            "wait until the unit has ended its last conversation, or switch the ignition off and on",
        ),
        _ => ("the initialisation did not succeed".to_string(), "check wiring and definition"),
    };
    let fault = if stage == Stage::NeverIdle { Fault::Line } else { Fault::Unit };
    advise(at, NoteKind::NotReady, fault, format!("{text}; it is tried again"), advice)
}

/// Something unusable came while `what` was asked.
pub(crate) fn noise(at: Instant, noise: Noise, what: &str) -> Note {
    let (fault, text, advice) = noise_text(noise);
    advise(at, NoteKind::Noise, fault, format!("{what}: {text}"), advice)
}

fn noise_text(noise: Noise) -> (Fault, String, &'static str) {
    match noise {
        Noise::Checksum { found, expected } => (
            Fault::Line,
            format!("a message came with checksum {found:02X}, its bytes make {expected:02X}"),
            "if it happens often, check ground and wiring",
        ),
        Noise::Collision { at } => (
            Fault::Line,
            format!("the echo of our byte {at} differs from what was sent"),
            "take any second tester off the line",
        ),
        Noise::NoEcho => (
            Fault::Line,
            "our own bytes did not come back although this port returns them".to_string(),
            "check the adapter's supply and the K-line's wiring",
        ),
        Noise::Cut { bytes } => (
            Fault::Line,
            format!("a message stopped after {bytes} bytes"),
            "if it happens often, check ground and wiring",
        ),
        Noise::Header { byte } => (
            Fault::Line,
            format!("{byte:02X} came, which starts no message of this framing"),
            "check baud rate, format and framing in the definition",
        ),
        Noise::Foreign { target, source } => (
            Fault::Unit,
            format!("a message from {source:02X} to {target:02X} came, which is not the unit that was asked"),
            "check the addresses in the definition, and that one tester alone is on the line",
        ),
        Noise::Unasked { bytes } => (
            Fault::Unit,
            format!("a message of {bytes} data bytes came that nobody had asked for"),
            "check that one tester alone is on the line; a longer p2_max helps a slow unit",
        ),
        Noise::Early => (
            Fault::Unit,
            "an answer began before P2min was over; it was taken".to_string(),
            "declare a shorter p2_min in the definition",
        ),
        Noise::Sequence { found, expected } => (
            Fault::Line,
            format!("consecutive frame {found:X} came where {expected:X} was due: one was lost"),
            "if it happens often, ask for a separation time (st_min) in the definition, or use a faster adapter",
        ),
        Noise::Interrupted => (
            Fault::Unit,
            "a new message began before the last was complete".to_string(),
            "check that one tester alone is on the bus",
        ),
        Noise::Overflow => (
            Fault::Unit,
            "the unit has no room for a request of this length".to_string(),
            "shorten the request in the definition",
        ),
        Noise::FlowStatus { found } => (
            Fault::Unit,
            format!("flow control came with the reserved status {found:X}"),
            "check addressing and identifiers in the definition",
        ),
        Noise::Waits => (
            Fault::Unit,
            "the unit asked to wait more often than the definition allows".to_string(),
            "allow more waits in the definition if the unit is that slow",
        ),
        Noise::NoFlowControl => (
            Fault::Unit,
            "the first frame of the request was not answered with flow control".to_string(),
            "check addressing and identifiers in the definition",
        ),
        Noise::NoConsecutiveFrame => (
            Fault::Unit,
            "an answer stopped: its next consecutive frame did not come in time".to_string(),
            "if it happens often, check the adapter and how loaded the bus is",
        ),
        Noise::NotSent => (
            Fault::Line,
            "a frame of ours did not get out in time".to_string(),
            "nobody acknowledges, the bus is full, or the adapter does not answer: check ignition, wiring and bit rate",
        ),
        Noise::TooLong => (
            Fault::Line,
            "a message came that is longer than its framing allows, or than is taken here".to_string(),
            "check the framing in the definition",
        ),
        _ => (Fault::Line, "something unusable came".to_string(), "check the framing in the definition"),
    }
}

/// No answer to `what` after all repetitions.
pub(crate) fn failed(at: Instant, failure: Failure, what: &str) -> Note {
    match failure {
        Failure::Noise(noise) => {
            let (fault, text, advice) = noise_text(noise);
            advise(at, NoteKind::Noise, fault, format!("{what}: no good answer to three requests; {text}"), advice)
        }
        Failure::Silence => advise(
            at,
            NoteKind::Silence,
            Fault::Unit,
            format!("{what}: an answer within P2max was expected, nothing came to three requests"),
            "check that the ignition is on; a longer p2_max helps a slow unit",
        ),
        Failure::Pending => advise(
            at,
            NoteKind::Silence,
            Fault::Unit,
            format!("{what}: the unit said that its answer is pending, and none came"),
            "ask again later",
        ),
    }
}

/// The unit said no.
pub(crate) fn refused(at: Instant, kind: NoteKind, refusal: &Refusal, what: &str, after: &str) -> Note {
    let text = format!("{what}: the unit refused with {} (came {}){after}", refusal.meaning, Hex(&refusal.data));
    note(at, kind, Fault::Unit, text)
}

/// The answer is not what the definition says: `wrong` is a sentence.
pub(crate) fn misfit(at: Instant, what: &str, wrong: &str, came: &[u8]) -> Note {
    advise(
        at,
        NoteKind::Misfit,
        Fault::Unit,
        format!("{what}: {wrong} (came {}); it was not taken", Hex(came)),
        "check that the definition is for this unit",
    )
}

/// The port cannot run at a speed.
pub(crate) fn speed(at: Instant, wanted: Speed, got: Option<Speed>) -> Note {
    let text = match (wanted, got) {
        (Speed::Serial { baud: wanted, .. }, Some(Speed::Serial { baud, .. })) if baud != wanted => {
            let off = 100.0 * (f64::from(baud) - f64::from(wanted)) / f64::from(wanted.max(1));
            format!("{wanted} Bd were asked for, the port runs at {baud} Bd ({off:+.2} %)")
        }
        (Speed::Serial { baud, .. }, Some(_)) => {
            format!("the port does not take the character format asked for at {baud} Bd")
        }
        (Speed::Serial { baud, .. }, None) => format!("{baud} Bd were asked for, the port cannot be set to them"),
        (wanted @ Speed::Can { .. }, got) => {
            let runs = got.map_or_else(|| "at another".to_string(), |got| format!("at {}", say_speed(got)));
            format!("{} were asked for, the port's bus runs {runs}", say_speed(wanted))
        }
    };
    let advice = match wanted {
        Speed::Serial { .. } => "use another adapter, or name a wider baud tolerance if the unit stands it",
        Speed::Can { .. } => "set the interface to the definition's bit rate, or use the definition for this bus",
    };
    advise(at, NoteKind::Speed, Fault::Line, text, advice)
}

/// The port neither sets nor tells the bus's speed.
pub(crate) fn speed_not_told(at: Instant, wanted: Speed) -> Note {
    let text = format!("the port does not tell its bit rate; it must be {}", say_speed(wanted));
    advise(at, NoteKind::Speed, Fault::Nobody, text, "")
}

/// `10400 Bd`, `500000 bit/s`, `500000 bit/s (data 2000000 bit/s)`
fn say_speed(speed: Speed) -> String {
    match speed {
        Speed::Serial { baud, .. } => format!("{baud} Bd"),
        Speed::Can { bit_rate, data_rate: None, .. } => format!("{bit_rate} bit/s"),
        Speed::Can { bit_rate, data_rate: Some(data), .. } => format!("{bit_rate} bit/s (data {data} bit/s)"),
    }
}

/// What a CAN controller says; `times`: over all connections.
pub(crate) fn bus(at: Instant, condition: Condition, times: u64) -> Option<Note> {
    let (text, advice) = match condition {
        Condition::Error => (
            "a frame was destroyed on the bus",
            "check the bit rate, CAN-H and CAN-L, and that the bus has two terminating resistors",
        ),
        Condition::NoAcknowledge => (
            "nobody on the bus acknowledges our frames",
            "check that the ignition is on and the bus connected; all others may run at another bit rate",
        ),
        Condition::Passive => (
            "the controller counts so many errors that it only signals them passively",
            "check the bit rate, CAN-H and CAN-L, and that the bus has two terminating resistors",
        ),
        Condition::Off => (
            "the controller has switched itself off the bus; nothing is sent until it takes part again",
            "check bit rate and wiring; restart the interface if it does not restart by itself",
        ),
        Condition::Overrun => (
            "frames came faster than they were taken, and some are lost",
            "let the port filter, or give the program more time",
        ),
        Condition::Refused => (
            "the adapter refused to send a frame of ours",
            "its queue is full or its channel closed: ask for less per second, and let nobody else use it",
        ),
        _ => return None,
    };
    let text = if times == 1 { text.to_string() } else { format!("{text} ({times} times so far)") };
    Some(advise(at, NoteKind::Bus, Fault::Line, text, advice))
}

/// The line is gone.
pub(crate) fn lost(at: Instant, cause: Lost) -> Note {
    let (text, advice) = match cause {
        Lost::Gone => ("the port is gone", "plug the adapter in again"),
        Lost::Refused => ("the port refused what it was asked to do", "use another adapter"),
        Lost::Stopped => ("the port was closed by the program", ""),
    };
    advise(at, NoteKind::Lost, Fault::Line, text.to_string(), advice)
}

/// The sentence for an answer that starts otherwise.
pub(crate) fn starts_otherwise(expected: &Pattern) -> String {
    format!("an answer that starts with {expected} was expected")
}

/// Lists names: `a, b and c`.
pub(crate) fn list<'a>(names: impl ExactSizeIterator<Item = &'a str>) -> String {
    let last = names.len().saturating_sub(1);
    let mut out = String::new();
    for (i, name) in names.enumerate() {
        out.push_str(match i {
            0 => "",
            i if i == last => " and ",
            _ => ", ",
        });
        out.push_str(name);
    }
    out
}
