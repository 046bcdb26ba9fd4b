//! The thread's own rules, with a machine that turns bytes into rows and a port that the test moves.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex};
use std::task::Wake;

use tickover_framing::can::Id;
use tickover_framing::contract::{Act, Hex, Input, Level, Output, Parity, Speed};
use tickover_framing::drive::Woke;
use tickover_session::Row;

use super::*;
use crate::{Clock, Description, Kind, Next, Seen};

const SOON: Duration = Duration::from_millis(1);
const SPEED: Speed = Speed::Serial { baud: 10_400, parity: Parity::None, stop_bits: 1 };

/// Sets the speed on connect, tells when it runs, turns each delivery into a row, and closes at once.
///
/// 00 has it pull the line low, EE has it panic, F1 want other frames, FF give up.
#[derive(Default)]
struct Recorder {
    outputs: VecDeque<Output<Event>>,
    filters: Option<Vec<Filter>>,
    rows: u64,
    gave_up: bool,
}

impl Recorder {
    fn note(&mut self, at: Instant, kind: NoteKind) {
        let note = Note { at, unit: None, kind, fault: Fault::Nobody, text: format!("{kind:?}"), advice: "" };
        self.outputs.push_back(Output::Event(Event::Note(note)));
    }
}

impl Machine for Recorder {
    type Event = Event;

    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::SpeedIs { at, got: Some(_) } => self.note(at, NoteKind::Connected),
            Input::Lost { at, .. } => self.note(at, NoteKind::Lost),
            Input::LineIs { at, .. } => self.note(at, NoteKind::NotReady),
            Input::Bytes { bytes: [0x00, ..], .. } => {
                let hold = Duration::from_millis(25);
                self.outputs.push_back(Output::Act(Act::Line { level: Level::Low, hold }));
            }
            Input::Bytes { bytes: [0xF1, id], .. } => {
                self.filters = Some(vec![Filter::only(Id::Standard((*id).into()))]);
            }
            Input::Bytes { bytes: [0xEE, ..], .. } => panic!("a machine with a mistake"),
            Input::Bytes { end, bytes: [0xFF, ..] } => {
                self.gave_up = true;
                self.note(end, NoteKind::Speed);
            }
            Input::Bytes { end, bytes } => {
                self.rows += 1;
                let row = Row {
                    at: end,
                    unit: tickover_session::UnitId::FIRST,
                    record: tickover_defs::RecordId(0),
                    response: bytes.to_vec(),
                    response_time: Duration::ZERO,
                    readings: Vec::new(),
                };
                self.outputs.push_back(Output::Event(Event::Row(row)));
            }
            _ => {}
        }
    }

    fn poll_output(&mut self) -> Output<Event> {
        self.outputs.pop_front().unwrap_or(Output::Idle)
    }
}

/// What the test does to the line.
#[derive(Default)]
struct Wire {
    state: Mutex<WireState>,
    moved: Condvar,
}

#[derive(Default)]
struct WireState {
    deliveries: VecDeque<Vec<u8>>,
    rung: bool,
    low: bool,
    lost: Option<Lost>,
    /// How often reopening fails before it succeeds.
    absent: u32,
    reopened: u32,
    wanted: Vec<Filter>,
}

impl Wire {
    fn change(&self, change: impl FnOnce(&mut WireState)) {
        change(&mut self.state.lock().unwrap());
        self.moved.notify_all();
    }

    fn deliver(&self, bytes: &[u8]) {
        self.change(|wire| wire.deliveries.push_back(bytes.to_vec()));
    }
}

impl Wake for Wire {
    fn wake(self: Arc<Self>) {
        self.change(|wire| wire.rung = true);
    }
}

struct TestPort {
    clock: Clock,
    wire: Arc<Wire>,
}

impl Port for TestPort {
    fn reach(&self) -> Reach {
        Reach::IDEAL
    }

    fn now(&self) -> Instant {
        self.clock.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        let at = self.now();
        let mut wire = self.wire.state.lock().unwrap();
        Some(match (wire.lost, act) {
            (Some(cause), _) => Input::Lost { at, cause },
            (None, Act::Speed(speed)) => Input::SpeedIs { at, got: Some(*speed) },
            (None, Act::Line { level, .. }) => {
                wire.low = *level == Level::Low;
                Input::LineIs { at, level: *level }
            }
            (None, other) => panic!("the machine sends nothing, not {other:?}"),
        })
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        assert_eq!(until, None, "this machine has no deadlines");
        let quiet = |wire: &mut WireState| wire.deliveries.is_empty() && wire.lost.is_none() && !wire.rung;
        let mut wire = self.wire.moved.wait_while(self.wire.state.lock().unwrap(), quiet).unwrap();
        if let Some(bytes) = wire.deliveries.pop_front() {
            buffer[..bytes.len()].copy_from_slice(&bytes);
            return Woke::Bytes { end: self.clock.now(), len: bytes.len() };
        }
        if let Some(cause) = wire.lost {
            return Woke::Lost { at: self.clock.now(), cause };
        }
        wire.rung = false;
        Woke::Command
    }
}

impl LivePort for TestPort {
    fn clock(&self) -> Clock {
        self.clock
    }

    fn waker(&self) -> Waker {
        Waker::from(Arc::clone(&self.wire))
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        let mut wire = self.wire.state.lock().unwrap();
        wire.reopened += 1;
        if wire.absent > 0 {
            wire.absent -= 1;
            return Err(OpenError::NoSuchPort { name: "test".to_owned(), existing: Vec::new() });
        }
        wire.lost = None;
        Ok(())
    }

    fn description(&self) -> Description {
        Description { name: "test".to_owned(), kind: Kind::InProcess }
    }

    fn filter(&mut self, filters: &[Filter]) {
        self.wire.state.lock().unwrap().wanted = filters.to_vec();
    }
}

struct Bench {
    wire: Arc<Wire>,
    queue: Arc<Queue>,
    running: Running<Recorder>,
    finished: Receiver<u64>,
}

fn bench(reopen: Reopen, tap: Option<Box<dyn Tap>>) -> Bench {
    let wire = Arc::new(Wire::default());
    let queue = Arc::new(Queue::new(64));
    let (finish, finished) = mpsc::channel();
    let running = Running::start(Start {
        machine: Recorder::default(),
        port: TestPort { clock: Clock::start(), wire: Arc::clone(&wire) },
        filters: |machine| machine.filters.take(),
        goes_on: |machine| !machine.gave_up,
        connect: |machine, _, _| machine.outputs.push_back(Output::Act(Act::Speed(SPEED))),
        finish: Box::new(move |machine, _, _| finish.send(machine.rows).unwrap()),
        queue: Arc::clone(&queue),
        reopen,
        real_time: false,
        tap,
    })
    .unwrap();
    Bench { wire, queue, running, finished }
}

impl Bench {
    fn command(&self, command: impl FnOnce(&mut Recorder, &mut Desk, Instant) + Send + 'static) -> bool {
        self.running.command(command)
    }

    /// The next items in words; the same length as `count` unless the queue ended before.
    fn words(&self, count: usize) -> Vec<String> {
        (0..count)
            .map(|_| match self.queue.next(Some(Duration::from_secs(20))) {
                Next::Item(Ok(Item::Row(row))) => Hex(&row.response).to_string(),
                Next::Item(Ok(Item::Note(note))) => note.to_string(),
                Next::Item(Err(down)) => format!("down: {down}"),
                Next::NotYet => "nothing in 20 s".to_owned(),
                Next::End => "end".to_owned(),
            })
            .collect()
    }

    fn close(&self) -> Result<(), Down> {
        let (told, closed) = mpsc::channel();
        self.command(move |machine, desk, _| {
            machine.outputs.push_back(Output::Event(Event::Closed));
            desk.await_close(Box::new(move |outcome| told.send(outcome).unwrap()));
        });
        closed.recv().unwrap()
    }
}

#[test]
fn the_port_is_told_which_frames_are_wanted_before_it_waits_again() {
    let bench = bench(Reopen::Never, None);
    bench.wire.deliver(&[0xF1, 0x23]);
    bench.wire.deliver(&[0x61, 0x01]);
    assert_eq!(bench.words(2), ["Connected", "61 01"]);
    assert_eq!(bench.wire.state.lock().unwrap().wanted, [Filter::only(Id::Standard(0x23))]);
}

#[test]
fn rows_come_in_the_order_of_the_line_until_the_machine_is_closed() {
    let bench = bench(Reopen::Never, None);
    bench.wire.deliver(&[0x61, 0x01]);
    bench.wire.deliver(&[0x61, 0x02]);
    assert_eq!(bench.words(3), ["Connected", "61 01", "61 02"]);
    assert_eq!(bench.close(), Ok(()));
    assert_eq!(bench.words(1), ["end"]);
    assert_eq!(bench.finished.recv(), Ok(2));
}

#[test]
fn a_command_wakes_the_thread_and_is_carried_out_there() {
    let bench = bench(Reopen::Never, None);
    let (told, answer) = mpsc::channel();
    assert!(bench.command(move |_, _, _| told.send(thread::current().name().map(str::to_owned)).unwrap()));
    assert_eq!(answer.recv().unwrap().as_deref(), Some("line test"));
}

#[test]
fn an_answer_goes_to_the_one_who_asked() {
    let bench = bench(Reopen::Never, None);
    let (told, answers) = mpsc::channel();
    bench.command(move |machine, desk, _| {
        for ticket in [3, 4] {
            let told = told.clone();
            desk.await_answer(ticket, Box::new(move |answer| told.send((ticket, answer)).unwrap()));
        }
        for ticket in [4, 5, 3] {
            machine.outputs.push_back(Output::Event(Event::Answer { ticket, answer: Ok(vec![ticket as u8]) }));
        }
    });
    let answers: Vec<_> = answers.iter().take(2).collect();
    assert_eq!(answers, [(4, Ok(vec![4])), (3, Ok(vec![3]))]);
}

#[test]
fn dropping_stops_without_closing() {
    let Bench { queue, running, finished, .. } = bench(Reopen::Never, None);
    drop(running);
    assert_eq!(finished.recv(), Ok(0));
    // Connected may or may not have been told before the stop.
    while let Next::Item(item) = queue.next(None) {
        item.expect("a stop is no loss");
    }
}

#[test]
fn a_thread_that_ends_in_an_initialisation_lets_go_of_the_line() {
    for last in [None, Some(0xEE), Some(0xFF)] {
        let bench = bench(Reopen::Never, None);
        bench.wire.deliver(&[0x00]);
        assert_eq!(bench.words(2), ["Connected", "NotReady"]);
        assert!(bench.wire.state.lock().unwrap().low);
        last.into_iter().for_each(|byte| bench.wire.deliver(&[byte]));
        let Bench { wire, queue, running, .. } = bench;
        if last.is_some() {
            while queue.next(None) != Next::End {}
        }
        drop(running);
        assert!(!wire.state.lock().unwrap().low, "{last:?}");
    }
}

#[test]
fn a_lost_line_ends_the_connection_that_is_not_to_be_reopened() {
    let bench = bench(Reopen::Never, None);
    assert_eq!(bench.words(1), ["Connected"]);
    bench.wire.change(|wire| wire.lost = Some(Lost::Gone));
    assert_eq!(
        bench.words(3),
        [
            "Lost",
            "down: port test is gone (unplugged or hung up); plug the adapter in again and open a new connection",
            "end"
        ]
    );
    assert_eq!(bench.finished.recv(), Ok(0));
    assert!(!bench.command(|_, _, _| {}), "the thread has ended");
}

#[test]
fn a_lost_line_is_tried_again_until_it_is_back_and_the_machine_goes_on() {
    let bench = bench(Reopen::Every(SOON), None);
    bench.wire.deliver(&[0x61, 0x01]);
    assert_eq!(bench.words(2), ["Connected", "61 01"]);
    bench.wire.change(|wire| {
        wire.absent = 3;
        wire.lost = Some(Lost::Gone);
    });
    let words = bench.words(4);
    assert_eq!(words[0], "Lost");
    assert!(words[1].starts_with("line: there is no port test; "), "{words:?}");
    assert!(words[2].starts_with("port test is open again after "), "one note for three attempts: {words:?}");
    assert_eq!(words[3], "Connected");
    assert_eq!(bench.wire.state.lock().unwrap().reopened, 4);
    bench.wire.deliver(&[0x61, 0x02]);
    assert_eq!(bench.words(1), ["61 02"]);
    assert_eq!(bench.close(), Ok(()));
    assert_eq!(bench.finished.recv(), Ok(2), "the machine is the same");
}

#[test]
fn a_port_that_refused_is_not_tried_again() {
    let bench = bench(Reopen::Every(SOON), None);
    assert_eq!(bench.words(1), ["Connected"]);
    bench.wire.change(|wire| wire.lost = Some(Lost::Refused));
    let words = bench.words(2);
    assert!(words[1].starts_with("down: port test refused what it was asked to do; "), "{words:?}");
    assert_eq!(bench.wire.state.lock().unwrap().reopened, 0);
}

#[test]
fn commands_are_carried_out_while_the_line_is_gone_and_closing_says_so() {
    let bench = bench(Reopen::Every(Duration::from_secs(3_600)), None);
    assert_eq!(bench.words(1), ["Connected"]);
    bench.wire.change(|wire| wire.lost = Some(Lost::Gone));
    assert_eq!(bench.words(1), ["Lost"]);
    let (told, rows) = mpsc::channel();
    bench.command(move |machine, _, _| told.send(machine.rows).unwrap());
    assert_eq!(rows.recv(), Ok(0));
    let (told, closed) = mpsc::channel();
    bench.command(move |_, desk, _| desk.await_close(Box::new(move |outcome| told.send(outcome).unwrap())));
    assert_eq!(closed.recv().unwrap(), Err(Down::Gone { port: "test".to_owned() }));
    assert!(bench.words(1)[0].starts_with("down: "));
}

#[test]
fn a_machine_that_gives_up_ends_the_connection_with_its_reason_told() {
    let bench = bench(Reopen::Every(SOON), None);
    assert_eq!(bench.words(1), ["Connected"]);
    bench.wire.deliver(&[0xFF]);
    assert_eq!(
        bench.words(3),
        [
            "Speed",
            "down: the session on port test cannot go on, for the reason in its last note; mend that and open a new \
             connection",
            "end"
        ]
    );
}

#[test]
fn a_machine_that_panics_leaves_nobody_waiting() {
    let bench = bench(Reopen::Never, None);
    assert_eq!(bench.words(1), ["Connected"]);
    bench.wire.deliver(&[0xEE]);
    assert_eq!(
        bench.words(2),
        ["down: port test is no longer driven: its thread has ended; open a new connection", "end"]
    );
}

#[test]
fn the_tap_sees_every_act_and_input_in_order() {
    let (told, seen) = mpsc::channel();
    let tap = move |what: Seen<'_>| {
        let word = match what {
            Seen::Act { act, .. } => format!("act {act:?}"),
            Seen::Input(Input::Bytes { bytes, .. }) => format!("bytes {}", Hex(bytes)),
            Seen::Input(Input::SpeedIs { got, .. }) => format!("got {got:?}"),
            Seen::Input(Input::Lost { cause, .. }) => format!("lost {cause:?}"),
            Seen::Input(other) => format!("{other:?}"),
        };
        told.send(word).unwrap();
    };
    let bench = bench(Reopen::Never, Some(Box::new(tap)));
    assert_eq!(bench.words(1), ["Connected"]);
    bench.wire.deliver(&[0xC1, 0x8F]);
    bench.wire.change(|wire| wire.lost = Some(Lost::Gone));
    let seen: Vec<_> = seen.iter().collect();
    assert_eq!(
        seen,
        [
            format!("act {:?}", Act::Speed(SPEED)),
            format!("got {:?}", Some(SPEED)),
            "bytes C1 8F".to_owned(),
            "lost Gone".to_owned()
        ]
    );
}

#[test]
fn real_time_that_is_not_asked_for_is_not_granted() {
    let bench = bench(Reopen::Never, None);
    assert_eq!(bench.running.scheduling.to_string(), "ordinary (real time was not asked for)");
}

#[test]
fn asking_for_real_time_tells_what_came_of_it() {
    let outcome = thread::spawn(|| schedule(true)).join().unwrap();
    match outcome {
        Scheduling::RealTime { priority } => assert_eq!(priority, 50),
        Scheduling::Ordinary { why } => assert!(why.contains("real time"), "{why}"),
    }
}
