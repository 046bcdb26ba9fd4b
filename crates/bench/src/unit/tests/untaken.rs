//! Answers that nobody takes.

use tickover_defs::Definition;
use tickover_framing::Instant;
use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::{Act, Input, Known, Output, Wire};

use super::super::{Options, Simulated};
use crate::station::Station;

/// ISO 15765-2:2016 table 22: N_TIMEOUT_Bs ends the answer, not the unit.
#[test]
fn a_unit_whose_answer_nobody_took_answers_the_next_request_to_all() {
    let path = format!("{}/../../defs/obd-j1979-can.toml", env!("CARGO_MANIFEST_DIR"));
    let definition = Definition::load(path).expect("a shipped definition");
    let mut unit = Simulated::new(&definition, &Options::default(), Instant::ORIGIN).expect("a unit");
    let all = Id::Standard(0x7DF);
    let several = Frame::classic(all, &[7, 1, 1, 4, 5, 6, 7, 8]).expect("a frame");
    let mask = Frame::classic(all, &[2, 1, 0, 0, 0, 0, 0, 0]).expect("a frame");
    let mut script = [(10, several), (300, mask)].into_iter();
    let (mut now, mut sent) = (Instant::ORIGIN, Vec::new());
    loop {
        match unit.poll() {
            Output::Act(Act::Speed(speed)) => unit.handle(Input::SpeedIs { at: now, got: Some(speed) }),
            Output::Act(Act::Transmit { tag, wire: Wire::Frame(frame) }) => {
                sent.push(frame.data.as_slice()[..3].to_vec());
                unit.handle(Input::Sent { tag, start: now, end: now, known: Known::Measured });
            }
            Output::WaitUntil { at, .. } => {
                now = at;
                unit.handle(Input::Timeout { now });
            }
            _ => match script.next() {
                Some((ms, frame)) => {
                    now = Instant::from_nanos(ms * 1_000_000);
                    unit.handle(Input::Frame { end: now, frame: &frame });
                }
                None => break,
            },
        }
    }
    assert_eq!(sent.len(), 2, "{sent:?}");
    assert_eq!(sent[1], [0x06, 0x41, 0x00]);
}
