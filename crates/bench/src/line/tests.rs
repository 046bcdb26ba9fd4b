//! The line by itself: who hears what, and when.

use core::convert::Infallible;
use core::time::Duration;

use tickover_framing::contract::{Act, Chunk, Input, Level, Output, Parity, Speed, Tag, Wire as OnWire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::Instant;
use tickover_framing::transport::{Echo, Reach};

use super::{Chances, Line, Planned, Station, Strike, Who};

/// Notes what it hears; sends what the test gives it.
#[derive(Default)]
struct Recorder {
    heard: Vec<(u64, Vec<u8>)>,
    edges: Vec<(u64, Level)>,
    sent: Vec<(u64, u64)>,
    acts: Vec<Act>,
    at: Option<Instant>,
}

impl Station for Recorder {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Bytes { end, bytes } => self.heard.push((end.as_nanos(), bytes.to_vec())),
            Input::Edge { at, level } => self.edges.push((at.as_nanos(), level)),
            Input::Sent { start, end, .. } => self.sent.push((start.as_nanos(), end.as_nanos())),
            Input::Timeout { .. } => self.at = None,
            _ => {}
        }
    }

    fn poll(&mut self) -> Output<Infallible> {
        if let Some(at) = self.at {
            let why = tickover_framing::contract::Why { name: "test", clause: "" };
            return Output::WaitUntil { at, why };
        }
        self.acts.pop().map_or(Output::Idle, Output::Act)
    }
}

const MS: u64 = 1_000_000;

fn serial(baud: u32, parity: Parity) -> Act {
    Act::Speed(Speed::Serial { baud, parity, stop_bits: 1 })
}

fn transmit(bytes: &[u8]) -> Act {
    Act::Transmit { tag: Tag(1), wire: OnWire::Bytes(Chunk::new(bytes).expect("few bytes")) }
}

fn at(nanos: u64) -> Instant {
    Instant::from_nanos(nanos)
}

/// A line with one recorder, both at 1000 8N1: a character takes 10 ms.
fn line() -> Line<Recorder> {
    line_at(1_000, Parity::None)
}

fn line_at(unit_baud: u32, parity: Parity) -> Line<Recorder> {
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Recorder { acts: vec![serial(unit_baud, parity)], ..Recorder::default() });
    line.act(&serial(1_000, parity));
    line
}

/// Everything the tester hears until `until`.
fn heard(line: &mut Line<Recorder>, until: u64) -> Vec<(u64, Vec<u8>)> {
    let (mut all, mut buffer) = (Vec::new(), [0; 16]);
    loop {
        match line.wait(Some(at(until)), &mut buffer) {
            Woke::Bytes { end, len } => all.push((end.as_nanos(), buffer[..len].to_vec())),
            Woke::Deadline { .. } => return all,
            _ => {}
        }
    }
}

fn unit(line: &Line<Recorder>) -> &Recorder {
    line.units().next().expect("one unit")
}

/// The unit sends `bytes` at `start`.
fn unit_sends(line: &mut Line<Recorder>, start: u64, bytes: &[u8]) {
    let unit = line.unit_mut(0).expect("one unit");
    (unit.acts, unit.at) = (vec![transmit(bytes)], Some(at(start)));
    line.nudge(0);
}

#[test]
fn each_character_is_heard_at_the_end_of_its_stop_bit() {
    let mut line = line();
    line.pass_until(at(5 * MS));
    let report = line.act(&transmit(&[1, 2]));
    assert!(matches!(report, Some(Input::Sent { start, end, .. }) if start == at(5 * MS) && end == at(25 * MS)));
    assert_eq!(heard(&mut line, 100 * MS), [(15 * MS, vec![1]), (25 * MS, vec![2])]);
    assert_eq!(unit(&line).heard, [(15 * MS, vec![1]), (25 * MS, vec![2])]);
}

#[test]
fn a_second_transmission_starts_when_the_first_has_ended() {
    let mut line = line();
    line.act(&transmit(&[1]));
    let report = line.act(&transmit(&[2]));
    assert!(matches!(report, Some(Input::Sent { start, end, .. }) if start == at(10 * MS) && end == at(20 * MS)));
    heard(&mut line, 100 * MS);
    assert_eq!(unit(&line).heard, [(10 * MS, vec![1]), (20 * MS, vec![2])]);
}

/// ISO 14230-2: ten bits at 10400 Bd; the end of n characters is n x 10 / 10400 s, rounded once.
#[test]
fn a_long_message_does_not_drift() {
    let mut line = line_at(10_400, Parity::None);
    line.act(&serial(10_400, Parity::None));
    line.act(&transmit(&[0x55; 52]));
    assert_eq!(heard(&mut line, 1_000 * MS).last().map(|(end, _)| *end), Some(50 * MS));
}

#[test]
fn a_suppressed_echo_does_not_come_back() {
    let mut line: Line<Recorder> = Line::new(Reach { echo: Echo::Suppressed, ..Reach::IDEAL });
    line.attach(Recorder::default());
    line.act(&transmit(&[1]));
    assert_eq!(heard(&mut line, 100 * MS), []);
    assert_eq!(unit(&line).heard.len(), 1);
}

#[test]
fn a_held_level_is_an_edge_for_the_others_unless_the_port_has_no_pulse() {
    for (pulse, edges) in [(true, vec![(0, Level::Low), (25 * MS, Level::High)]), (false, vec![])] {
        let mut line: Line<Recorder> = Line::new(Reach { pulse, ..Reach::IDEAL });
        line.attach(Recorder::default());
        line.act(&Act::Line { level: Level::Low, hold: Duration::from_millis(25) });
        assert_eq!(heard(&mut line, 25 * MS), []);
        line.act(&Act::Line { level: Level::High, hold: Duration::from_millis(25) });
        assert_eq!(heard(&mut line, 50 * MS), []);
        assert_eq!(unit(&line).edges, edges);
    }
}

/// linux-serial practice: an own break comes back as one 00.
#[test]
fn an_own_break_reads_as_00_where_the_port_is_so() {
    let mut line = line();
    line.breaks_read_as_bytes(true);
    line.act(&Act::Line { level: Level::Low, hold: Duration::from_millis(25) });
    heard(&mut line, 0);
    let first = heard(&mut line, 25 * MS);
    line.act(&Act::Line { level: Level::High, hold: Duration::from_millis(25) });
    assert_eq!((first, heard(&mut line, 200 * MS)), (vec![(10 * MS, vec![0])], vec![]));
    line.act(&transmit(&[7]));
    assert_eq!(heard(&mut line, 300 * MS), [(210 * MS, vec![7])]);
}

#[test]
fn two_who_start_together_are_heard_as_the_wired_and() {
    let mut line = line();
    unit_sends(&mut line, 3 * MS, &[0b1100_1010]);
    line.pass_until(at(3 * MS));
    line.act(&transmit(&[0b1010_0110]));
    assert_eq!(heard(&mut line, 100 * MS), [(13 * MS, vec![0b1000_0010])]);
    assert_eq!(line.counts().collided, 1);
    assert_eq!(unit(&line).heard, [(13 * MS, vec![0b1010_0110])], "a unit that does not hear itself");
}

#[test]
fn a_collision_in_the_middle_garbles_and_then_the_line_is_clean_again() {
    let mut line = line();
    unit_sends(&mut line, 4 * MS, &[0x00]);
    line.pass_until(at(4 * MS));
    unit_sends(&mut line, 8 * MS, &[]);
    line.pass_until(at(8 * MS));
    line.act(&transmit(&[0xFF]));
    // 00 from 4 ms to 14 ms, FF from 8 ms on: its start bit lies inside the low bits of the other.
    assert_eq!(heard(&mut line, 100 * MS), [(14 * MS, vec![0x00])]);
    line.act(&transmit(&[0x5A]));
    assert_eq!(heard(&mut line, 200 * MS), [(110 * MS, vec![0x5A])]);
}

/// Computed by hand: U (55) at 2000 Bd is low 0.5 ms, high 0.5 ms, ...; sampled at 1000 Bd at 1.5, 2.5 ... ms from
/// the falling edge, exactly on its edges, where the later bit counts: all high.
#[test]
fn another_speed_is_heard_garbled() {
    let mut line = line_at(2_000, Parity::None);
    unit_sends(&mut line, 0, &[0x0F]);
    // 0F at 2000 Bd: low to 0.5 ms, high to 2.5 ms, low to 4.5 ms, then high.
    // Sampled at 1.5 2.5 3.5 4.5 5.5 ... ms: 1 0 0 1 1 1 1 1.
    assert_eq!(heard(&mut line, 100 * MS), [(10 * MS, vec![0b1111_1001])]);
}

#[test]
fn a_speed_that_differs_by_two_percent_is_still_heard() {
    let mut line = line_at(1_020, Parity::None);
    unit_sends(&mut line, 0, &[0x31, 0x80]);
    let bytes: Vec<u8> = heard(&mut line, 100 * MS).into_iter().flat_map(|(_, bytes)| bytes).collect();
    assert_eq!(bytes, [0x31, 0x80]);
}

#[test]
fn wrong_parity_reads_as_00() {
    let mut line = line_at(1_000, Parity::Even);
    line.act(&serial(1_000, Parity::Odd));
    unit_sends(&mut line, 0, &[0x31]);
    assert_eq!(heard(&mut line, 100 * MS), [(11 * MS, vec![0])]);
}

#[test]
fn a_port_that_makes_another_speed_says_so_and_runs_at_it() {
    let mut line = line();
    line.tester_always_runs_at(Some(14_400));
    let report = line.act(&serial(10_400, Parity::None));
    let Some(Input::SpeedIs { got: Some(Speed::Serial { baud, .. }), .. }) = report else { panic!("{report:?}") };
    assert_eq!(baud, 14_400);
    let report = line.act(&transmit(&[1]));
    assert!(matches!(report, Some(Input::Sent { end, .. }) if end == at(694_444)));
}

#[test]
fn planned_faults_strike_once_and_are_logged() {
    let mut line = line();
    let plan = |at_ms: u64, who, strike| Planned { at: at(at_ms * MS), who, strike };
    line.plan(plan(0, Who::Unit(0), Strike::Flip(0x80)));
    line.plan(plan(20, Who::Unit(0), Strike::Lose));
    line.plan(plan(30, Who::Tester, Strike::Extra(0xEE)));
    line.plan(plan(40, Who::Tester, Strike::Late(Duration::from_millis(7))));
    line.act(&transmit(&[1, 2, 3, 4]));
    let tester = heard(&mut line, 40 * MS);
    assert_eq!(tester[2], (30 * MS, vec![3, 0xEE]));
    assert_eq!(unit(&line).heard, [(10 * MS, vec![0x81]), (30 * MS, vec![3]), (40 * MS, vec![4])]);
    let report = line.act(&transmit(&[5]));
    assert!(matches!(report, Some(Input::Sent { start, end, .. }) if start == at(47 * MS) && end == at(57 * MS)));
    let log = line.take_log();
    assert_eq!(log.iter().map(|struck| struck.at.as_nanos() / MS).collect::<Vec<_>>(), [10, 20, 30, 40]);
    assert_eq!((line.counts().flipped, line.counts().lost, line.counts().extra, line.counts().late), (1, 1, 1, 1));
}

#[test]
fn the_second_talker_is_heard_by_all() {
    let mut line = line();
    let talk = Strike::Talk(Chunk::split_from(&[0xAB]).0);
    line.plan(Planned { at: at(5 * MS), who: Who::Talker, strike: talk });
    assert_eq!(heard(&mut line, 100 * MS), [(15 * MS, vec![0xAB])]);
    assert_eq!(unit(&line).heard, [(15 * MS, vec![0xAB])]);
}

#[test]
fn chances_are_met_and_the_same_seed_gives_the_same_faults() {
    let run = |seed| {
        let mut line = line();
        line.set_chances(Chances { flipped: 10_000, lost: 10_000, ..Chances::default() }, seed);
        for _ in 0..1_000 {
            line.act(&transmit(&[0x55; 10]));
        }
        heard(&mut line, 200_000 * MS);
        (line.counts(), line.take_log())
    };
    let (counts, log) = run(3);
    // 20000 hearings (two listeners) at 1 %.
    assert!((150..=250).contains(&counts.flipped) && (150..=250).contains(&counts.lost), "{counts:?}");
    assert_eq!(log, run(3).1);
    assert_ne!(log, run(4).1);
}

#[test]
fn a_port_that_is_cut_is_gone_and_comes_back() {
    let mut line = line();
    line.cut_at(Some(at(5 * MS)));
    let mut buffer = [0; 4];
    assert!(matches!(line.wait(None, &mut buffer), Woke::Lost { at: when, .. } if when == at(5 * MS)));
    assert!(matches!(line.act(&transmit(&[1])), Some(Input::Lost { .. })));
    line.cut_at(None);
    assert!(matches!(line.act(&transmit(&[1])), Some(Input::Sent { .. })));
}
