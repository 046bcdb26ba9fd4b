//! A port that does not run at the speed it was asked for.

use std::task::Waker;

use tickover::framing::Instant;
use tickover::framing::contract::{Act, Input, Speed};
use tickover::framing::drive::{Port, Woke};
use tickover::framing::transport::Reach;
use tickover::link::{Connection, Description, Down, LivePort, OpenError};
use tickover::session::NoteKind;

use super::*;

/// Runs at what it was asked for and says that it runs at 14 400 Bd, as some converters do when asked for
/// 10 400 (they really run at it; here the line still works, so that acceptance shows).
struct ReadsBack14400<P>(P);

impl<P: LivePort> Port for ReadsBack14400<P> {
    fn reach(&self) -> Reach {
        self.0.reach()
    }

    fn now(&self) -> Instant {
        self.0.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        match self.0.act(act) {
            Some(Input::SpeedIs { at, got: Some(Speed::Serial { baud: 10_400, parity, stop_bits }) }) => {
                Some(Input::SpeedIs { at, got: Some(Speed::Serial { baud: 14_400, parity, stop_bits }) })
            }
            report => report,
        }
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        self.0.wait(until, buffer)
    }
}

impl<P: LivePort> LivePort for ReadsBack14400<P> {
    fn clock(&self) -> Clock {
        self.0.clock()
    }

    fn waker(&self) -> Waker {
        self.0.waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        self.0.reopen()
    }

    fn description(&self) -> Description {
        self.0.description()
    }
}

#[test]
fn a_port_that_reads_back_another_speed_is_refused_with_a_clear_sentence() {
    let (session, _) = watching();
    let connection = Connection::open(session, ReadsBack14400(in_process())).expect("a thread");
    let mut items = connection.items();
    let note = next_note(&mut items);
    assert_eq!(note.kind, NoteKind::Speed);
    assert_eq!(
        note.to_string(),
        "line: 10400 Bd were asked for, the port runs at 14400 Bd (+38.46 %); \
         use another adapter, or name a wider baud tolerance if the unit stands it"
    );
    let down = items.next().expect("an end").expect_err("it cannot go on");
    assert_eq!(down, Down::GaveUp { port: "workshop".to_owned() });
    assert!(items.next().is_none());
}

#[test]
fn a_wider_tolerance_accepts_it() {
    let (session, speed) = watching();
    let session = session.baud_tolerance_ppm(400_000);
    let connection = Connection::open(session, ReadsBack14400(in_process())).expect("a thread");
    let mut notes = Vec::new();
    let row = next_row(&mut connection.items(), &mut notes);
    assert!(row.get(speed).is_some());
    assert!(notes.iter().all(|note| note.kind != NoteKind::Speed), "{notes:#?}");
}
