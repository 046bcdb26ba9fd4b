//! Frames of a bus in a session, in virtual time: heard and decoded, counted and missed; sent by a permit.

use core::convert::Infallible;
use core::time::Duration;
use std::collections::VecDeque;
use std::path::Path;

use tickover::bench::bus::{Bus, Station};
use tickover::defs::{Definition, Invalid};
use tickover::framing::Instant;
use tickover::framing::can::{Filter, Frame, Id};
use tickover::framing::contract::{Act, Input, Known, Machine, Output, Tag, Why, Wire};
use tickover::framing::drive::{Port, Woke, turn};
use tickover::framing::transport::Reach;
use tickover::services::Effect;
use tickover::session::{Event, Note, NoteKind, Permit, Rate, Row, SendError, Session};

const BIT_RATE: u32 = 500_000;

/// Sends frames by a list and writes down those of others.
#[derive(Debug, Default)]
struct Talker {
    now: Instant,
    list: VecDeque<(Instant, Frame)>,
    heard: Vec<(Instant, Frame)>,
}

impl Station for Talker {
    fn handle(&mut self, input: Input<'_>) {
        match input {
            Input::Frame { end, frame } => {
                self.now = end;
                self.heard.push((end, *frame));
            }
            Input::Sent { end: now, .. } | Input::Timeout { now } => self.now = now,
            _ => {}
        }
    }

    fn poll(&mut self) -> Output<Infallible> {
        match self.list.front() {
            Some((at, _)) if *at > self.now => Output::WaitUntil { at: *at, why: Why { name: "list", clause: "" } },
            Some(_) => {
                let frame = self.list.pop_front().map(|(_, frame)| frame).expect("there is one");
                Output::Act(Act::Transmit { tag: Tag(1), wire: Wire::Frame(frame) })
            }
            None => Output::Idle,
        }
    }
}

struct World {
    session: Session,
    bus: Bus<Talker>,
    rows: Vec<Row>,
    notes: Vec<Note>,
}

impl World {
    /// `list`: milliseconds, identifier, data.
    fn new(session: Session, list: impl IntoIterator<Item = (u64, Id, Vec<u8>)>) -> Self {
        let frame = |(at, id, data): (u64, Id, Vec<u8>)| (ms(at), Frame::classic(id, &data).expect("a frame"));
        let mut bus = Bus::new(Reach::IDEAL, BIT_RATE);
        bus.attach(Talker { list: list.into_iter().map(frame).collect(), ..Talker::default() });
        let mut world = Self { session, bus, rows: Vec::new(), notes: Vec::new() };
        world.session.connect(world.bus.now(), world.bus.reach());
        world
    }

    fn run(&mut self, until: u64) {
        let Self { session, bus, rows, notes } = self;
        while bus.now() < ms(until) {
            turn(session, &mut Until { bus, end: ms(until) }, |_, event| match event {
                Event::Row(row) => rows.push(row),
                Event::Note(note) => notes.push(note),
                _ => {}
            });
        }
    }

    fn said(&self, kind: NoteKind) -> Vec<String> {
        self.notes.iter().filter(|note| note.kind == kind).map(ToString::to_string).collect()
    }

    /// Each reading of a channel, in order.
    fn readings(&self, channel: &str) -> Vec<Result<f64, Invalid>> {
        let key = self.session.channel(channel).unwrap();
        let of = |row: &Row| {
            let reading = row.get(key)?;
            Some(reading.value.clone().map(|_| reading.number().unwrap_or(f64::NAN)))
        };
        self.rows.iter().filter_map(of).collect()
    }

    fn heard(&mut self) -> Vec<(Instant, Vec<u8>)> {
        let talker = self.bus.unit_mut(0).expect("it was attached");
        talker.heard.iter().map(|(end, frame)| (*end, frame.data.as_slice().to_vec())).collect()
    }
}

struct Until<'a> {
    bus: &'a mut Bus<Talker>,
    end: Instant,
}

impl Port for Until<'_> {
    fn reach(&self) -> Reach {
        self.bus.reach()
    }

    fn now(&self) -> Instant {
        self.bus.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        self.bus.act(act)
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        self.bus.wait(Some(until.map_or(self.end, |until| until.min(self.end))), buffer)
    }
}

fn ms(ms: u64) -> Instant {
    Instant::from_nanos(ms * 1_000_000)
}

fn tansy() -> Definition {
    Definition::load(Path::new(env!("CARGO_MANIFEST_DIR")).join("defs_ok/tansy-bus.toml")).unwrap()
}

fn watching(channels: &[&str]) -> Session {
    let session = Session::new(tansy());
    channels.iter().fold(session, |session, name| {
        let key = session.channel(name).unwrap();
        session.watch(key, Rate::per_second(10))
    })
}

const DRIVE: Id = Id::Standard(0x1B4);
const TORQUE: Id = Id::Standard(0x2C6);
const PAGED: Id = Id::Standard(0x5A3);

/// Frame 1B4 as the definition has it, with this count; 2000 /min and the brake off.
fn drive(count: u8) -> Vec<u8> {
    let mut data = vec![0x40, 0x5E, 0x8F, 0x02, 0, 0, 0x40 | count];
    data.push(data.iter().fold(0x5C, |sum, byte| sum ^ byte));
    data
}

/// Frame 2C6 with this raw count of fuel.
fn torque(fuel: u16) -> Vec<u8> {
    let [high, low] = fuel.to_be_bytes();
    vec![0x03, 0xE8, 0xFC, 0x00, low, 0x00, high]
}

#[test]
fn a_bus_that_is_listened_to_gives_a_row_for_each_frame_and_nothing_is_sent() {
    let list = (0..50_u64).map(|i| (10 * i + 1, DRIVE, drive(i as u8 & 15)));
    let mut world = World::new(watching(&["engine_speed", "brake"]), list);
    world.run(495);
    assert_eq!(world.readings("engine_speed"), vec![Ok(2000.0); 50]);
    assert_eq!(world.rows[0].response, drive(0));
    // 135 bits at most for 8 bytes and 11 bits (as ISO 11898-1 stuffs), 270 us; the real one is shorter.
    let start = world.rows[1].at.since(ms(11));
    assert!(
        world.rows[1].at <= ms(11).after(Duration::from_micros(1)) && start < Duration::from_micros(2),
        "{start:?}"
    );
    assert!(world.heard().is_empty());
    let report = world.session.report(world.bus.now());
    let [frames] = report.frames.as_slice() else { panic!("{report:?}") };
    assert_eq!((frames.id, frames.frames, frames.expected), (DRIVE, 50, Some(100.0)));
    assert!((frames.achieved.unwrap() - 100.0).abs() < 0.1, "{frames:?}");
}

#[test]
fn only_the_frames_that_are_wanted_are_asked_of_the_port() {
    let mut world = World::new(watching(&["engine_speed", "fuel_rate"]), []);
    world.run(10);
    let filters = world.session.take_filters().expect("they have changed");
    assert_eq!(filters, [DRIVE, TORQUE].map(Filter::only));
    assert_eq!(world.session.take_filters(), None);
    let coolant = world.session.channel("coolant").unwrap();
    world.session.set_rate(world.bus.now(), coolant, Some(Rate::per_second(1)));
    assert_eq!(world.session.take_filters().unwrap(), [DRIVE, TORQUE, PAGED].map(Filter::only));
}

#[test]
fn a_wrong_checksum_or_count_is_counted_and_not_decoded() {
    let mut broken = drive(1);
    broken[0] ^= 0x80;
    let list = [(1, drive(0)), (11, broken), (21, drive(2)), (31, drive(5)), (41, drive(5)), (51, drive(6))];
    let list = list.map(|(at, data)| (at, DRIVE, data));
    let mut world = World::new(watching(&["engine_speed"]), list);
    world.run(60);
    assert_eq!(world.readings("engine_speed"), vec![Ok(2000.0); 3], "counts 0, 2 and 6");
    let frames = world.session.report(world.bus.now()).frames[0];
    assert_eq!((frames.wrong_checksum, frames.wrong_counter, frames.wrong_length), (1, 2, 0));
    let said = world.said(NoteKind::Misfit);
    assert_eq!(said.len(), 2, "each kind once: {said:?}");
    assert!(said[0].contains("checksum") && said[1].contains("counter stands at 5, it had to be 3"), "{said:?}");
}

#[test]
fn a_frame_that_does_not_come_any_more_is_told_once_and_so_is_its_return() {
    let list = (0..10_u64).map(|i| (10 * i + 1, DRIVE, drive(i as u8))).chain([(2001, DRIVE, drive(10))]);
    let mut world = World::new(watching(&["engine_speed"]), list);
    world.run(2100);
    let said = world.said(NoteKind::FrameMissed);
    assert_eq!(said.len(), 2, "{said:?}");
    assert!(said[0].contains("frame 1B4 does not come any more") && said[1].contains("comes again"), "{said:?}");
    let report = world.session.report(world.bus.now());
    assert!(report.frames[0].worst_gap > Duration::from_millis(1900), "{report:?}");
}

/// Adapters and units begin in their own time: the first frame is given half a second.
#[test]
fn a_frame_that_begins_a_little_later_is_not_missed() {
    let list = |from: u64| (0..10_u64).map(move |i| (from + 10 * i, DRIVE, drive(i as u8)));
    for (from, told) in [(300, 0), (700, 2)] {
        let mut world = World::new(watching(&["engine_speed"]), list(from));
        world.run(from + 100);
        let said = world.said(NoteKind::FrameMissed);
        assert_eq!(said.len(), told, "{said:?}");
        assert!(said.iter().take(1).all(|said| said.contains("nothing for 0.5 s, expected every 10 ms")), "{said:?}");
    }
}

#[test]
fn a_total_goes_over_its_wrap_and_a_step_too_large_is_told() {
    let fuels = [0xFFE0, 0xFFEF, 0x0010, 0x2010, 0x2020];
    let list = (0..).zip(fuels).map(|(i, fuel)| (20 * i + 1, TORQUE, torque(fuel)));
    let mut world = World::new(watching(&["fuel_used", "fuel_rate"]), list);
    world.run(100);
    // 15, then 17 more over FFEF; 2000 (hex) more are not believed; 16 from there.
    let (of, too_large) = (|raw: f64| Ok(raw / 1000.0), Err(Invalid::StepTooLarge));
    assert_eq!(world.readings("fuel_used"), [of(0.0), of(15.0), of(32.0), too_large, of(48.0)]);
    let rates = world.readings("fuel_rate");
    assert_eq!(rates[0], Err(Invalid::NoRate));
    // 0.015 mL in 20 ms are 0.75 mL/s: 2.7 L/h.
    assert!(rates[1].as_ref().is_ok_and(|rate| (rate - 2.7).abs() < 0.01), "{rates:?}");
    assert!(rates[3].is_err() && rates[4].is_err(), "there is no change between a number and none: {rates:?}");
}

#[test]
fn a_total_lives_over_a_connection_unless_the_counter_may_have_gone_round() {
    let list = [(1, TORQUE, torque(100)), (21, TORQUE, torque(110)), (241, TORQUE, torque(120))];
    let late = [(2001, TORQUE, torque(130)), (2021, TORQUE, torque(140))];
    let mut world = World::new(watching(&["fuel_used"]), list.into_iter().chain(late));
    world.run(30);
    let (now, reach) = (world.bus.now(), world.bus.reach());
    world.session.connect(now, reach);
    world.run(2100);
    // Eleven periods of at most 4000 do not go round; ninety may.
    let of = |raw: f64| Ok(raw / 1000.0);
    assert_eq!(world.readings("fuel_used"), [of(0.0), of(10.0), of(20.0), Err(Invalid::StepTooLarge), of(30.0)]);
}

#[test]
fn pages_of_one_frame_leave_the_others_readings_alone() {
    let hot = vec![0, 0x82, 0x96, 0x50, 0, 0, 0, 0];
    let supply = vec![1, 0x36, 0xB0, 0x7D, 0, 0, 0, 0];
    let mut world = World::new(watching(&["coolant", "supply"]), [(1, PAGED, hot), (51, PAGED, supply)]);
    world.run(100);
    assert_eq!((world.readings("coolant"), world.readings("supply")), (vec![Ok(90.0)], vec![Ok(14.0)]));
}

#[test]
fn a_frame_is_sent_by_permit_alone_on_the_grid_of_its_period() {
    // The example's check: 2000 /min, 90 Cel and the brake on make these bytes, with the first count.
    let mut on = drive(0);
    on[6] = 0x10;
    on[7] = on[..7].iter().fold(0x5C, |sum, byte| sum ^ byte);
    let frames = (0..40_u64).flat_map(|i| {
        let mut data = on.clone();
        data[6] = 0x10 | (i as u8 & 15);
        data[7] = data[..7].iter().fold(0x5C, |sum, byte| sum ^ byte);
        let paged = (i % 5 == 0).then(|| (10 * i + 2, PAGED, vec![0, 0x82, 0x96, 0x50, 0, 0, 0, 0]));
        [Some((10 * i + 1, DRIVE, data)), paged].into_iter().flatten()
    });
    let mut world = World::new(Session::new(tansy()), frames);
    world.run(5);
    let refused = world.session.send_frame(ms(5), "display", Permit::to(Effect::Clears));
    assert_eq!(refused, Err(SendError::WrongPermit { permitted: Effect::Clears }));
    let refused = world.session.send_frame(ms(5), "drive", Permit::to(Effect::Actuates));
    assert!(refused.unwrap_err().to_string().contains("no frame to send"));
    world.session.send_frame(ms(5), "display", Permit::to(Effect::Actuates)).unwrap();
    assert!(world.said(NoteKind::Sending).is_empty(), "told when it is drained");
    world.run(390);
    let heard = world.heard();
    assert!(world.said(NoteKind::Sending)[0].contains(Session::SEND_CAUTION));
    let ends: Vec<u64> = heard.iter().map(|(end, _)| (end.as_nanos() - 5_000_000) / 100_000_000).collect();
    assert_eq!(ends, [0, 1, 2, 3], "{heard:?}");
    // The first goes out before anything has come: each channel says that it is not available.
    assert_eq!(heard[0].1[..6], [0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]);
    assert_eq!(heard[1].1[..7], [0x1F, 0x40, 0x82, 0xFD, 0xFF, 0xFF, 0xF1]);
    assert_eq!(heard[3].1[6..], [0xF3, 0xA8], "the count and the sum go on");
    assert!(world.rows.is_empty(), "what only goes into the frame was not asked to be seen");
    // What is older than its period allows is not shown as fresh.
    world.run(1000);
    assert_eq!(world.heard().last().unwrap().1[..3], [0xFF, 0xFF, 0xFF]);
    let now = world.bus.now();
    assert!(world.session.stop_frame(now, "display"));
    let before = world.heard().len();
    world.run(1500);
    assert_eq!(world.heard().len(), before);
}

/// ISO 15765-2:2016 table 21: N_As, 1000 ms.
#[test]
fn frames_that_nobody_acknowledges_do_not_pile_up() {
    let handed_over = |confirmed: bool| {
        let mut session = Session::new(tansy());
        session.connect(ms(0), Reach::IDEAL);
        session.send_frame(ms(0), "display", Permit::to(Effect::Actuates)).unwrap();
        let mut count = 0;
        for now in (0..=10_000).step_by(10).map(ms) {
            session.handle(Input::Timeout { now });
            loop {
                match session.poll_output() {
                    Output::Act(Act::Speed(speed)) => session.handle(Input::SpeedIs { at: now, got: Some(speed) }),
                    Output::Act(Act::Transmit { tag, .. }) => {
                        count += 1;
                        if confirmed {
                            session.handle(Input::Sent { tag, start: now, end: now, known: Known::Measured });
                        }
                    }
                    Output::WaitUntil { .. } | Output::Idle => break,
                    _ => {}
                }
            }
        }
        count
    };
    assert_eq!((handed_over(true), handed_over(false)), (101, 11));
}

#[test]
fn a_frame_that_another_unit_of_the_session_uses_is_not_sent() {
    let text = "edition = 1\n[definition]\nid = \"hawthorn-3\"\ntitle = \"A unit\"\nrevision = \"1.0.0\"\n\
        source = \"invented\"\n[line]\ntype = \"can\"\nbit_rate = 500000\naddressing = \"normal\"\n\
        request_id = \"3D1\"\nresponse_id = \"3D9\"\npadding = 0xCC\nkeep_alive = \"none\"\n";
    let other = Definition::parse(text, "hawthorn-3.toml").unwrap_or_else(|report| panic!("{report:?}"));
    let mut session = Session::new(tansy()).with_unit("hawthorn", other).unwrap();
    let refused = session.send_frame(ms(0), "tansy-bus:display", Permit::to(Effect::Actuates)).unwrap_err();
    assert!(matches!(&refused, SendError::Taken { id, .. } if id == "3D9"), "{refused}");
    assert!(refused.to_string().contains("unit 'hawthorn'"), "{refused}");
}
