//! Adapters that are pulled out, and put in again, under a session.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use tickover::link::{Connection, Down, Options, Reopen, Serial, Unanswered};
use tickover::session::{NoteKind, RequestError};

use super::*;

/// A name of our own that can point to one pseudo-terminal after another, as an adapter's name does.
pub(super) struct Name(PathBuf);

impl Name {
    pub(super) fn of(what: &str) -> Self {
        Self(std::env::temp_dir().join(format!("tickover-{what}-{}", std::process::id())))
    }

    pub(super) fn point_to(&self, path: &str) {
        let _ = fs::remove_file(&self.0);
        std::os::unix::fs::symlink(path, &self.0).expect("a link in the temporary folder");
    }

    /// Before a bench is dropped: the system gives its number to the next one, which may be another test's.
    pub(super) fn point_nowhere(&self) {
        let _ = fs::remove_file(&self.0);
    }

    pub(super) fn path(&self) -> &str {
        self.0.to_str().expect("the temporary folder has a name in UTF-8")
    }
}

impl Drop for Name {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

#[test]
fn a_terminal_closed_under_a_session_is_lost_missed_and_taken_up_again() {
    let (first, name) = (bench(), Name::of("replugged"));
    name.point_to(first.path());
    let (session, _) = watching();
    let port = Serial::open(name.path()).expect("the bench's terminal");
    let connection =
        Options::default().reopen(Reopen::Every(Duration::from_millis(50))).open(session, port).expect("a thread");
    let (mut items, mut notes) = (connection.items(), Vec::new());
    let before = next_row(&mut items, &mut notes);

    name.point_nowhere();
    drop(first);
    let lost = next_note(&mut items);
    assert_eq!((lost.kind, lost.text.as_str()), (NoteKind::Lost, "the port is gone"), "{lost}");
    let missing = next_note(&mut items);
    assert_eq!(missing.kind, NoteKind::Lost);
    let start = format!("line: there is no port {}; ", name.path());
    assert!(missing.to_string().starts_with(&start), "{missing}");

    let second = bench();
    name.point_to(second.path());
    let back = next_note(&mut items);
    assert_eq!(back.kind, NoteKind::Reconnecting, "{back}");
    let start = format!("port {} is open again after ", name.path());
    assert!(back.text.starts_with(&start), "{back}");
    notes.clear();
    let after = next_row(&mut items, &mut notes);
    assert!(after.at > before.at);
    let report = connection.report().expect("it runs");
    assert!(report.responses >= 2, "statistics go on: {report:?}");
    assert_eq!(report.reconnections, 1, "{report:?}");
    connection.close().expect("the second unit answers");
}

#[test]
fn a_terminal_closed_under_a_session_ends_it_if_nobody_asked_to_reopen() {
    let bench = bench();
    let (session, _) = watching();
    let port = Serial::open(bench.path()).expect("the bench's terminal");
    let connection = Options::default().reopen(Reopen::Never).open(session, port).expect("a thread");
    let (mut items, mut notes) = (connection.items(), Vec::new());
    next_row(&mut items, &mut notes);
    let path = bench.path().to_owned();
    drop(bench);
    let ends: Vec<_> = items.by_ref().filter(Result::is_err).collect();
    assert_eq!(ends, [Err(Down::Gone { port: path.clone() })]);
    assert_eq!(
        connection.close().expect_err("there is nobody to say goodbye to").to_string(),
        format!("port {path} is gone (unplugged or hung up); plug the adapter in again and open a new connection")
    );
}

#[test]
fn a_request_under_way_when_the_line_goes_is_answered_with_the_loss() {
    let (bench, name) = (bench(), Name::of("asked"));
    name.point_to(bench.path());
    let (session, _) = watching();
    let connection =
        Connection::open(session, Serial::open(name.path()).expect("the bench's terminal")).expect("a thread");
    next_row(&mut connection.items(), &mut Vec::new());
    let asking = connection.clone();
    let asked = std::thread::spawn(move || {
        // Until the loss: answers before it are as good as any.
        loop {
            if let Err(unanswered) = asking.request([0x1A, 0x9B], None) {
                return unanswered;
            }
        }
    });
    name.point_nowhere();
    drop(bench);
    let unanswered = asked.join().expect("no panic");
    let told_of_the_loss = match &unanswered {
        Unanswered::NoAnswer(note) => note.kind == NoteKind::Lost,
        // The loss came between two requests.
        Unanswered::NotSent(mistake) => matches!(mistake, RequestError::NotConnected { .. }),
        Unanswered::Down(_) => false,
    };
    assert!(told_of_the_loss, "{unanswered}");
}
