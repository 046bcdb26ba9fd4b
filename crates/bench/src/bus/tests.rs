//! The bus by itself: who wins, who hears what and when, and what errors do.
//!
//! Times: at 500 kbit/s a frame of 8 bytes takes 135 bits (11-bit identifier) or 160 (29-bit), 270 and 320 us;
//! without data 55 and 80 bits (worst-case stuffing, intermission included: Davis, Burns, Bril and Lukkien 2007).

use core::convert::Infallible;
use core::time::Duration;

use tickover_framing::can::{Condition, Filter, Frame, Id};
use tickover_framing::contract::{Act, Chunk, Input, Lost, Output, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::Instant;
use tickover_framing::transport::Reach;

use super::{Background, Bus, Chances, Planned, Station, Strike, Who};

/// Notes what it hears; sends what the test gives it, at its time.
#[derive(Default)]
struct Recorder {
    heard: Vec<(u64, Frame)>,
    conditions: Vec<Condition>,
    sent: Vec<(u16, u64, u64)>,
    acts: std::collections::VecDeque<Act>,
    at: Option<Instant>,
}

impl Station for Recorder {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Frame { end, frame } => self.heard.push((us(end), *frame)),
            Input::Bus { condition, .. } => self.conditions.push(condition),
            Input::Sent { tag, start, end, .. } => self.sent.push((tag.0, us(start), us(end))),
            Input::Timeout { .. } => self.at = None,
            _ => {}
        }
    }

    fn poll(&mut self) -> Output<Infallible> {
        if let Some(at) = self.at {
            return Output::WaitUntil { at, why: tickover_framing::contract::Why { name: "test", clause: "" } };
        }
        self.acts.pop_front().map_or(Output::Idle, Output::Act)
    }
}

fn us(at: Instant) -> u64 {
    at.as_nanos() / 1_000
}

fn at(us: u64) -> Instant {
    Instant::from_nanos(us * 1_000)
}

fn full(id: u16) -> Frame {
    Frame::classic(Id::Standard(id), &[0; 8]).expect("an 11-bit identifier")
}

fn long(id: u32) -> Frame {
    Frame { id: Id::Extended(id), ..full(0) }
}

fn send(tag: u16, frame: Frame) -> Act {
    Act::Transmit { tag: Tag(tag), wire: Wire::Frame(frame) }
}

fn rate(bit_rate: u32) -> Act {
    Act::Speed(Speed::Can { bit_rate, data_rate: None, listen_only: false })
}

fn bus(units: usize) -> Bus<Recorder> {
    let mut bus = Bus::new(Reach::IDEAL, 500_000);
    for _ in 0..units {
        bus.attach(Recorder::default());
    }
    bus
}

fn unit(bus: &mut Bus<Recorder>, place: usize) -> &mut Recorder {
    bus.unit_mut(place).expect("it was attached")
}

/// The unit sends these at this time.
fn unit_sends(bus: &mut Bus<Recorder>, place: usize, when: u64, frames: &[Frame]) {
    let acts = frames.iter().enumerate().map(|(tag, frame)| send(tag as u16, *frame)).collect();
    let unit = unit(bus, place);
    (unit.at, unit.acts) = (Some(at(when)), acts);
    bus.nudge(place);
}

/// All that the tester notices until then, in us.
fn notices(bus: &mut Bus<Recorder>, until: u64) -> Vec<(u64, Woke)> {
    let mut all = Vec::new();
    loop {
        match bus.wait(Some(at(until)), &mut []) {
            Woke::Deadline { .. } => return all,
            woke => all.push((us(bus.now()), woke)),
        }
    }
}

fn frames(notices: &[(u64, Woke)]) -> Vec<(u64, Id)> {
    let frame = |(when, woke): &(u64, Woke)| match woke {
        Woke::Frame { frame, .. } => Some((*when, frame.id)),
        _ => None,
    };
    notices.iter().filter_map(frame).collect()
}

fn conditions(notices: &[(u64, Woke)]) -> Vec<Condition> {
    let condition = |(_, woke): &(u64, Woke)| match woke {
        Woke::Bus { condition, .. } => Some(*condition),
        _ => None,
    };
    notices.iter().filter_map(condition).collect()
}

fn sent(notices: &[(u64, Woke)]) -> Vec<(u16, u64, u64)> {
    let sent = |(_, woke): &(u64, Woke)| match woke {
        Woke::Sent { tag, start, end } => Some((tag.0, us(*start), us(*end))),
        _ => None,
    };
    notices.iter().filter_map(sent).collect()
}

#[test]
fn a_frame_is_reported_and_heard_at_its_end() {
    let mut bus = bus(2);
    assert!(bus.act(&send(7, full(0x7E0))).is_none(), "the report comes later");
    let notices = notices(&mut bus, 10_000);
    assert_eq!(sent(&notices), [(7, 0, 270)]);
    for place in 0..2 {
        assert_eq!(unit(&mut bus, place).heard, [(270, full(0x7E0))]);
    }
}

#[test]
fn the_smallest_identifier_wins_and_the_others_follow_without_a_gap() {
    let mut bus = bus(3);
    unit_sends(&mut bus, 0, 100, &[full(0x300)]);
    unit_sends(&mut bus, 1, 100, &[long(0x100 << 18), full(0x7FF)]);
    unit_sends(&mut bus, 2, 100, &[full(0x100)]);
    let heard = frames(&notices(&mut bus, 10_000));
    let order = [
        (370, Id::Standard(0x100)),
        (690, Id::Extended(0x100 << 18)),
        (960, Id::Standard(0x300)),
        (1_230, Id::Standard(0x7FF)),
    ];
    assert_eq!(heard, order);
}

#[test]
fn what_is_asked_for_at_a_deadline_takes_part_in_the_arbitration_of_its_instant() {
    let mut bus = bus(1);
    unit_sends(&mut bus, 0, 100, &[full(0x300)]);
    assert!(matches!(bus.wait(Some(at(100)), &mut []), Woke::Deadline { .. }));
    bus.act(&send(1, full(0x200)));
    assert_eq!(sent(&notices(&mut bus, 10_000)), [(1, 100, 370)]);
    assert_eq!(unit(&mut bus, 0).sent, [(0, 370, 640)]);
}

#[test]
fn no_frame_overtakes_another_of_its_sender() {
    let mut bus = bus(1);
    for (tag, id) in [0x700, 0x100, 0x400].into_iter().enumerate() {
        bus.act(&send(tag as u16, full(id)));
    }
    assert_eq!(sent(&notices(&mut bus, 10_000)), [(0, 0, 270), (1, 270, 540), (2, 540, 810)]);
    let heard: Vec<Id> = unit(&mut bus, 0).heard.iter().map(|(_, frame)| frame.id).collect();
    assert_eq!(heard, [0x700, 0x100, 0x400].map(Id::Standard));
}

#[test]
fn the_same_number_in_two_widths_is_two_identifiers() {
    let mut bus = bus(1);
    bus.act(&send(1, full(0x123)));
    bus.act(&send(2, long(0x123)));
    notices(&mut bus, 10_000);
    let heard = &unit(&mut bus, 0).heard;
    assert_eq!(heard.iter().map(|(_, frame)| frame.id).collect::<Vec<_>>(), [full(0x123).id, long(0x123).id]);
}

/// ISO 11898-1:2015 12.1.4.2 c: 8 up for each, passive at 128; exception 1: then no further.
#[test]
fn a_frame_that_nobody_acknowledges_is_repeated_until_the_sender_is_passive() {
    let mut bus = bus(0);
    bus.act(&send(1, full(0x7E0)));
    let alone = notices(&mut bus, 100_000);
    assert_eq!(conditions(&alone), [Condition::NoAcknowledge, Condition::Passive]);
    // 16 attempts of 135 + 20 bits.
    assert_eq!(alone.last().map(|(when, _)| *when), Some(15 * 310 + 270));
    let counters = bus.counters_of(Who::Tester).expect("it is there");
    assert_eq!((counters.sending, counters.is_passive(), counters.is_off()), (128, true, false));
    bus.attach(Recorder::default());
    let heard = notices(&mut bus, 200_000);
    assert_eq!(sent(&heard).len(), 1);
    assert_eq!(conditions(&heard), [Condition::Active]);
}

#[test]
fn a_listener_does_not_acknowledge_and_sends_nothing() {
    let mut bus = bus(0);
    bus.attach(Recorder::default());
    let listen = Act::Speed(Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: true });
    bus.act(&listen);
    bus.act(&send(1, full(0x7E0)));
    unit_sends(&mut bus, 0, 0, &[full(0x100)]);
    let alone = notices(&mut bus, 10_000);
    assert!(frames(&alone).is_empty() && sent(&alone).is_empty());
    assert_eq!(unit(&mut bus, 0).conditions, [Condition::NoAcknowledge, Condition::Passive]);
    bus.attach(Recorder::default());
    assert_eq!(frames(&notices(&mut bus, 20_000)).len(), 1, "now somebody acknowledges");
}

/// ISO 11898-1:2015 12.1.4.2 a, b: 1 and 8 up; passive from 128 on, and then it destroys no more.
#[test]
fn a_listener_at_another_rate_hears_errors_and_destroys_frames_until_it_is_passive() {
    let mut bus = bus(2);
    bus.act(&rate(250_000));
    unit_sends(&mut bus, 0, 0, &[full(0x100)]);
    let notices = notices(&mut bus, 100_000);
    let mut expected = vec![Condition::Error; 15];
    expected.extend([Condition::Passive, Condition::Error]);
    assert_eq!(conditions(&notices), expected);
    assert!(frames(&notices).is_empty());
    // 15 attempts of 155 bits are destroyed, the 16th arrives.
    assert_eq!(unit(&mut bus, 0).sent, [(0, 15 * 310, 15 * 310 + 270)]);
    let sender = bus.counters_of(Who::Unit(0)).expect("it is there");
    assert_eq!((sender.sending, sender.is_passive()), (15 * 8 - 1, false));
    assert_eq!(unit(&mut bus, 1).heard.len(), 1);
}

#[test]
fn a_sender_at_another_rate_goes_off_and_loses_what_it_had_to_send() {
    // Enough others that one after the other is passive only after the sender is off.
    let mut bus = bus(0);
    for _ in 0..2 {
        bus.attach(Recorder::default());
    }
    bus.act(&rate(250_000));
    bus.act(&send(1, full(0x7E0)));
    let first = notices(&mut bus, 100_000);
    // All others become passive at their 15th error; then nobody destroys, and nobody acknowledges.
    assert_eq!(conditions(&first).iter().filter(|c| **c == Condition::Error).count(), 15);
    assert_eq!(conditions(&first).last(), Some(&Condition::Passive));
    // Destroyed whatever the others do.
    for strike in 0..16 {
        bus.plan(Planned { at: at(100_000 + strike), who: Who::Tester, strike: Strike::Destroy });
    }
    let then = notices(&mut bus, 200_000);
    assert_eq!(conditions(&then).last(), Some(&Condition::Off));
    assert!(sent(&then).is_empty());
    bus.act(&send(2, full(0x7E0)));
    assert_eq!(notices(&mut bus, 300_000), [], "off");
    bus.act(&rate(500_000));
    bus.act(&send(3, full(0x7E0)));
    assert_eq!(sent(&notices(&mut bus, 400_000)), [(3, 300_000, 300_270)]);
}

/// ISO 11898-1:2015 12.1.4.4: 128 times 11 recessive bits.
#[test]
fn a_controller_that_is_off_comes_back_if_told_to() {
    let mut bus = bus(1);
    bus.restart_after(Who::Tester, Some(Duration::from_millis(10)));
    for _ in 0..32 {
        bus.plan(Planned { at: at(0), who: Who::Tester, strike: Strike::Destroy });
    }
    bus.act(&send(1, full(0x7E0)));
    let notices = notices(&mut bus, 100_000);
    let off = notices.iter().find(|(_, woke)| matches!(woke, Woke::Bus { condition: Condition::Off, .. }));
    let active = notices.iter().find(|(_, woke)| matches!(woke, Woke::Bus { condition: Condition::Active, .. }));
    let (Some((off, _)), Some((active, _))) = (off, active) else { panic!("{notices:?}") };
    assert_eq!(active - off, 10_000 + 128 * 11 * 2);
    assert!(sent(&notices).is_empty(), "what it had to send is gone");
}

#[test]
fn two_senders_of_one_identifier_destroy_each_other_unless_they_say_the_same() {
    let mut bus = bus(2);
    let other = Frame { data: Chunk::split_from(&[1; 8]).0, ..full(0x7E8) };
    unit_sends(&mut bus, 0, 0, &[full(0x7E8)]);
    unit_sends(&mut bus, 1, 0, &[other]);
    let both = notices(&mut bus, 100_000);
    assert!(frames(&both).is_empty() && conditions(&both).contains(&Condition::Error));
    for place in 0..2 {
        assert_eq!(unit(&mut bus, place).conditions.last(), Some(&Condition::Off));
    }
    let mut bus = self::bus(2);
    unit_sends(&mut bus, 0, 0, &[full(0x7E8)]);
    unit_sends(&mut bus, 1, 0, &[full(0x7E8)]);
    assert_eq!(frames(&notices(&mut bus, 100_000)), [(270, Id::Standard(0x7E8))]);
    let reports: Vec<_> = bus.units().map(|unit| unit.sent.clone()).collect();
    assert_eq!(reports, [[(0, 0, 270)], [(0, 0, 270)]]);
}

#[test]
fn planned_faults_strike_whom_they_are_meant_for() {
    let mut bus = bus(2);
    let plan = |at_us, strike| Planned { at: at(at_us), who: Who::Tester, strike };
    bus.plan(plan(0, Strike::Lose));
    bus.plan(plan(1_000, Strike::Repeat));
    bus.plan(plan(2_000, Strike::Overtake));
    bus.plan(plan(3_000, Strike::Late(Duration::from_millis(2))));
    bus.plan(plan(6_000, Strike::Overrun));
    let mut notices = Vec::new();
    for (when, ids) in [(0, &[1][..]), (1_000, &[2]), (2_000, &[3, 4]), (3_000, &[5, 6]), (6_000, &[7, 8])] {
        let sent: Vec<Frame> = ids.iter().map(|id| full(*id)).collect();
        unit_sends(&mut bus, 0, when, &sent);
        notices.extend(self::notices(&mut bus, when + 999));
        notices.extend(self::notices(&mut bus, if when == 3_000 { 5_999 } else { when + 999 }));
    }
    let heard: Vec<(u64, Id)> = frames(&notices);
    let expected = [(1_270, 2), (1_270, 2), (2_540, 4), (2_540, 3), (5_270, 5), (5_270, 6), (6_540, 8)];
    assert_eq!(heard, expected.map(|(when, id)| (when, Id::Standard(id))));
    assert_eq!(conditions(&notices), [Condition::Overrun]);
    let all: Vec<Id> = unit(&mut bus, 1).heard.iter().map(|(_, frame)| frame.id).collect();
    assert_eq!(all, [1, 2, 3, 4, 5, 6, 7, 8].map(Id::Standard));
    let counts = bus.counts();
    assert_eq!((counts.lost, counts.repeated, counts.overtaken, counts.late, counts.overrun), (1, 1, 1, 1, 1));
    assert_eq!(bus.take_log().len(), 5);
}

#[test]
fn a_frame_that_waits_to_be_overtaken_comes_by_itself() {
    let mut bus = bus(1);
    bus.plan(Planned { at: at(0), who: Who::Tester, strike: Strike::Overtake });
    unit_sends(&mut bus, 0, 0, &[full(1)]);
    assert_eq!(frames(&notices(&mut bus, 100_000)), [(20_270, Id::Standard(1))]);
}

#[test]
fn a_full_queue_reports_late_and_keeps_the_order() {
    let mut bus = bus(1);
    bus.plan(Planned { at: at(0), who: Who::Tester, strike: Strike::Full(Duration::from_millis(5)) });
    bus.act(&send(1, full(1)));
    bus.act(&send(2, full(2)));
    assert_eq!(sent(&notices(&mut bus, 100_000)), [(1, 5_000, 5_270), (2, 5_270, 5_540)]);
}

#[test]
fn the_load_is_measured_and_a_babbler_starves_the_others() {
    let mut bus = bus(1);
    // 135 bits of 2 us each every millisecond: 27 %.
    bus.set_background(&[Background { id: Id::Standard(0x500), bytes: 8, every: Duration::from_millis(1) }]);
    bus.pass_until(at(100_000));
    let load = bus.take_load();
    assert_eq!((load.frames, load.failed), (100, 0));
    assert!((load.share() - 0.27).abs() < 1e-9, "{load:?}");
    bus.set_background(&[Background { id: Id::Standard(0), bytes: 8, every: Duration::from_micros(100) }]);
    let asked = bus.now();
    bus.act(&send(1, full(0x7E0)));
    assert!(sent(&notices(&mut bus, 200_000)).is_empty(), "asked at {asked}");
    assert!(bus.take_load().share() > 0.99);
}

#[test]
fn an_adapter_that_runs_at_its_own_rate_says_so() {
    let mut bus = bus(1);
    let own = Speed::Can { bit_rate: 125_000, data_rate: None, listen_only: false };
    bus.tester_always_runs_at(Some(own));
    let report = bus.act(&rate(500_000));
    assert!(matches!(report, Some(Input::SpeedIs { got: Some(got), .. }) if got == own), "{report:?}");
}

#[test]
fn a_bystander_acknowledges_and_keeps_to_the_rate_of_the_bus() {
    let mut bus = bus(1);
    bus.set_bystander(true);
    bus.act(&Act::Speed(Speed::Can { bit_rate: 500_000, data_rate: None, listen_only: true }));
    unit_sends(&mut bus, 0, 0, &[full(0x100)]);
    assert_eq!(frames(&notices(&mut bus, 10_000)), [(270, Id::Standard(0x100))]);
    bus.act(&rate(250_000));
    bus.act(&send(1, full(0x7E0)));
    assert!(conditions(&notices(&mut bus, 20_000)).contains(&Condition::Error));
}

#[test]
fn a_filter_hides_frames_from_the_tester_alone() {
    let mut bus = bus(2);
    bus.tester_wants(Some(&[Filter::only(Id::Standard(0x123))]));
    unit_sends(&mut bus, 0, 0, &[full(0x122), full(0x123), long(0x123)]);
    assert_eq!(frames(&notices(&mut bus, 10_000)), [(540, Id::Standard(0x123))]);
    assert_eq!(unit(&mut bus, 1).heard.len(), 3);
}

#[test]
fn a_port_that_is_cut_is_gone_and_comes_back() {
    let mut bus = bus(1);
    bus.cut_at(Some(at(5_000)));
    assert!(matches!(bus.wait(None, &mut []), Woke::Lost { at: when, cause: Lost::Gone } if when == at(5_000)));
    assert!(matches!(bus.act(&send(1, full(1))), Some(Input::Lost { .. })));
    bus.cut_at(None);
    bus.act(&send(2, full(1)));
    assert_eq!(sent(&notices(&mut bus, 10_000)), [(2, 5_000, 5_270)]);
}

#[test]
fn driving_a_machine_on_a_port_that_is_gone_ends_when_it_has_said_so() {
    use tickover_framing::isotp::{Line, Tester};
    use tickover_framing::transport::{Heard, Transport};
    let mut bus = bus(1);
    bus.cut_at(Some(at(5_000)));
    let mut tester: Tester<1, 8> = Tester::new(Line::CLASSIC, Reach::IDEAL);
    tester.connect(bus.now());
    let mut told = Vec::new();
    let driven = bus.drive(&mut tester, at(1_000_000), |_, heard| {
        told.push(heard);
        None::<()>
    });
    assert_eq!((driven, bus.now()), (None, at(5_000)));
    assert_eq!(told, [Heard::Ready { key_bytes: None }, Heard::Down(Lost::Gone)]);
}

#[test]
fn waiting_for_what_cannot_come_ends() {
    let mut bus = bus(0);
    assert_eq!(bus.wait(None, &mut []), Woke::Command);
    bus.act(&send(1, full(1)));
    notices(&mut bus, 10_000);
    assert_eq!(bus.wait(None, &mut []), Woke::Command, "nobody will ever acknowledge it");
}

#[test]
fn chances_are_met_and_the_same_seed_gives_the_same_faults() {
    let run = |seed| {
        let mut bus = bus(1);
        bus.set_chances(Chances { lost: 10_000, destroyed: 10_000, ..Chances::default() }, seed);
        for _ in 0..10_000 {
            bus.act(&send(1, full(1)));
        }
        notices(&mut bus, 10_000_000);
        (bus.counts(), bus.take_log())
    };
    let (counts, log) = run(3);
    assert!((60..=140).contains(&counts.lost) && (60..=140).contains(&counts.destroyed), "{counts:?}");
    assert_eq!(log, run(3).1);
    assert_ne!(log, run(4).1);
}

#[test]
fn what_was_on_the_bus_is_kept_as_far_as_asked_for() {
    let mut bus = bus(1);
    bus.keep_passed(2);
    for id in 1..4 {
        bus.act(&send(1, full(id)));
    }
    notices(&mut bus, 10_000);
    let passed: Vec<_> = bus.passed().map(|p| (us(p.start), us(p.end), p.from, p.frame.id, p.arrived)).collect();
    let expected = [(270, 540, Who::Tester, Id::Standard(2), true), (540, 810, Who::Tester, Id::Standard(3), true)];
    assert_eq!(passed, expected);
}
