//! The fault campaign on CAN: an engine, a gearbox and a bus that is listened to, on a bus that keeps failing.
//!
//! Frames are lost, repeated, overtaken, late and destroyed, queues are full, the tester's controller switches itself
//! off, its port goes away and comes back; the units are busy, slow, deaf, reset, and send frames in a wrong order. The
//! truth of the simulated units judges every row.
//!
//! The ordinary test run takes a few minutes of virtual time. For a campaign:
//!
//! ```text
//! TICKOVER_CAMPAIGN_HOURS=10 cargo test --release -p tickover-tests bus_campaign -- --nocapture
//! ```
//!
//! `TICKOVER_CAMPAIGN_SEED=7` makes it another campaign.

use core::time::Duration;
use std::collections::{BTreeMap, VecDeque};

use tickover::bench::bus::{Bus, Chances, Planned, Strike, Who};
use tickover::bench::unit::{Mishap, Trouble};
use tickover::bench::{Options, Simulated, Truth};
use tickover::defs::Definition;
use tickover::defs::compiled::{Channel, Every, Origin, Read};
use tickover::framing::Instant;
use tickover::framing::contract::Hex;
use tickover::framing::drive::Port;
use tickover::framing::transport::Reach;
use tickover::session::{Event, NoteKind, Rate, Row, Session, UnitId};

use crate::campaign::given;
use crate::virtual_line::definition;

/// Faults of the bus: of a million frames.
const CHANCES: Chances = Chances {
    lost: 300,
    repeated: 300,
    overtaken: 200,
    late: 300,
    late_by: Duration::from_millis(40),
    overrun: 100,
    destroyed: 300,
    full: 200,
    full_for: Duration::from_millis(30),
};

/// Faults of the units: of a million requests.
const TROUBLE: Trouble = Trouble {
    pending: 2_000,
    busy: 1_000,
    reset: 50,
    silent: 50,
    silent_for: Duration::from_secs(5),
    slow: 500,
    slow_by: Duration::from_millis(80),
    hasty: 500,
    miscounted: 500,
    swapped: 500,
    no_flow_control: 500,
};

/// How long a reset unit is deaf.
const BOOT: Duration = Duration::from_millis(500);
/// From one time that the tester's controller is driven off the bus to the next.
const OFF_EVERY: Duration = Duration::from_secs(47);
/// From one loss of the tester's port to the next, and how long it is gone.
const CUT_EVERY: Duration = Duration::from_secs(61);
const CUT_FOR: Duration = Duration::from_millis(700);
/// The longest that a frame is heard late, a full queue included: a row may be so much later than the truth.
const LATEST: Duration = Duration::from_millis(150);

/// What became of one record.
#[derive(Debug, Default)]
struct Heard {
    rows: u64,
    last: Option<Instant>,
    /// The longest time between two rows in which the unit listened and the port was there.
    longest: Duration,
    said: Vec<String>,
}

#[derive(Debug, Default)]
struct Found {
    records: BTreeMap<(UnitId, u16), Heard>,
    /// Rows with bytes that no answer or frame of that time had: these must not be.
    wrong: Vec<String>,
    /// When somebody could not listen: the unit, or everybody.
    deaf: Vec<(Option<UnitId>, Instant, Instant)>,
    said: VecDeque<String>,
    kinds: BTreeMap<String, u64>,
}

impl Found {
    fn judge(&mut self, row: &Row, truths: &mut VecDeque<Truth>, frame: bool) {
        let fits = |truth: &Truth| {
            truth.record == row.record
                && truth.response == row.response
                && truth.at <= row.at
                && row.at.since(truth.at) <= LATEST
        };
        match truths.iter().position(fits) {
            None => self.wrong.push(format!("{} unit {} {}", row.at, row.unit.0, Hex(&row.response))),
            // A frame may be handed in twice, and then says the same twice.
            Some(_) if frame => {}
            Some(place) => {
                truths.remove(place);
            }
        }
        while truths.front().is_some_and(|truth| row.at.since(truth.at) > 2 * LATEST) {
            truths.pop_front();
        }
        let deaf = &self.deaf;
        let heard = self.records.entry((row.unit, row.record.0)).or_default();
        heard.rows += 1;
        if let Some(last) = heard.last.replace(row.at) {
            let concerns = |of: &Option<UnitId>| of.is_none_or(|unit| unit == row.unit);
            let excused: Duration = deaf
                .iter()
                .filter(|(of, ..)| concerns(of))
                .map(|(_, from, to)| row.at.min(*to).since(last.max(*from)))
                .sum();
            let gap = row.at.since(last).saturating_sub(excused);
            if gap > heard.longest {
                heard.longest = gap;
                heard.said = self.said.iter().cloned().collect();
            }
        }
    }

    fn note(&mut self, at: Instant, text: String, kind: NoteKind) {
        *self.kinds.entry(format!("{kind:?}")).or_default() += 1;
        if self.said.len() >= 30 {
            self.said.pop_front();
        }
        self.said.push_back(format!("{at} {text}"));
    }
}

/// Watches everything that can be polled, twenty times a second, and everything that is heard.
fn watch(mut session: Session, unit: UnitId, definition: &Definition) -> Session {
    let layout = definition.variants.first().map_or(&definition.base, |variant| &variant.layout);
    let comes = |channel: &&Channel| match &channel.origin {
        Origin::Field { record, .. } | Origin::Parts { record, .. } => layout
            .record(*record)
            .is_some_and(|record| matches!(record.read, Read::Frame(_)) || record.request.constant().is_some()),
        Origin::Derived => true,
    };
    for channel in layout.channels.iter().flatten().filter(comes) {
        let key = tickover::session::ChannelKey { unit, channel: channel.id };
        session = session.watch(key, Rate::per_second(20));
    }
    session
}

/// Lets a session and three units live through `hours` of faults, then a quiet minute.
fn campaign(hours: f64, seed: u64) -> Found {
    let passive = Definition::load(format!("{}/defs_ok/tansy-bus.toml", env!("CARGO_MANIFEST_DIR"))).expect("reads");
    let definitions = [definition("bramble-62"), definition("bramble-62-gearbox"), passive];
    let [engine, gearbox, dash] = &definitions;
    let session = Session::new(engine.clone()).with_unit("gearbox", gearbox.clone()).expect("a unit of its own");
    let mut session = session.with_unit("dash", dash.clone()).expect("a bus of the same rate");
    for (place, definition) in definitions.iter().enumerate() {
        session = watch(session, UnitId(place as u8), definition);
    }
    let mut bus: Bus<Simulated> = Bus::new(Reach::IDEAL, 500_000);
    for (place, definition) in definitions.iter().enumerate() {
        let looks_every = Duration::from_millis(500);
        let seed = seed + place as u64;
        let options = Options { trouble: TROUBLE, seed, note_values: false, looks_every, ..Options::default() };
        bus.attach(Simulated::new(definition, &options, Instant::ORIGIN).expect("a unit"));
    }
    bus.set_chances(CHANCES, seed);
    bus.set_bystander(true);
    bus.restart_after(Who::Tester, Some(Duration::from_millis(100)));
    (0..3).for_each(|place| bus.restart_after(Who::Unit(place), Some(Duration::from_millis(100))));
    session.connect(bus.now(), bus.reach());

    let mut found = Found::default();
    let once = |unit: UnitId, record| {
        let layout = &definitions[usize::from(unit.0)].base;
        layout.record(record).is_some_and(|record| record.every == Every::Once)
    };
    let mut truths: [VecDeque<Truth>; 3] = Default::default();
    let noisy_until = Instant::from_nanos((hours * 3.6e12) as u64);
    let end = noisy_until.after(Duration::from_secs(60));
    let (mut next_off, mut next_cut) = (Instant::ORIGIN.after(OFF_EVERY), Instant::ORIGIN.after(CUT_EVERY));
    let (mut quiet, mut quiet_rows, mut losses) = (false, 0_u64, 0_u64);
    while bus.now() < end {
        let until = if quiet { end } else { noisy_until.min(next_off).min(next_cut.after(CUT_FOR)) };
        if !quiet {
            bus.cut_at(Some(next_cut));
        }
        // Several identifiers in one request make several rows at once.
        let mut rows = Vec::new();
        bus.drive(&mut session, until, |_, event| match event {
            Event::Row(row) => {
                rows.push(row);
                Some(())
            }
            Event::Note(note) => {
                found.note(note.at, note.to_string(), note.kind);
                None
            }
            _ => None,
        });
        for (place, unit) in bus.units_mut().enumerate() {
            truths[place].extend(unit.take_truths());
            for (at, mishap) in unit.take_mishaps() {
                let deaf = match mishap {
                    Mishap::Silent(period) => period,
                    Mishap::Reset => BOOT,
                    _ => continue,
                };
                found.deaf.push((Some(UnitId(place as u8)), at, at.after(deaf)));
            }
        }
        bus.take_log();
        let now = bus.now();
        if !rows.is_empty() {
            for row in rows {
                // What is read once comes again with a new connection only.
                if once(row.unit, row.record) {
                    continue;
                }
                let frame = row.unit == UnitId(2);
                found.judge(&row, &mut truths[usize::from(row.unit.0)], frame);
                quiet_rows += u64::from(row.at > noisy_until);
            }
            found.deaf.retain(|(_, _, to)| now.since(*to) < Duration::from_secs(120));
        } else if !session.is_connected() {
            losses += 1;
            bus.cut_at(None);
            bus.pass_until(now.after(CUT_FOR));
            found.deaf.push((None, now, bus.now()));
            next_cut = bus.now().after(CUT_EVERY);
            session.connect(bus.now(), bus.reach());
        } else if quiet {
            break;
        } else if now >= noisy_until {
            quiet = true;
            bus.cut_at(None);
            bus.set_chances(Chances::default(), seed);
            bus.units_mut().for_each(|unit| unit.set_trouble(Trouble::NONE));
        } else if now >= next_off {
            next_off = now.after(OFF_EVERY);
            (0..32).for_each(|_| bus.plan(Planned { at: now, who: Who::Tester, strike: Strike::Destroy }));
        }
    }
    let report = session.report(bus.now());
    println!("on CAN: {hours} simulated hours, seed {seed}");
    println!("  bus:     {:?}", bus.counts());
    for unit in bus.units() {
        println!("  unit:    {:?}", unit.tally());
    }
    let rows: u64 = found.records.values().map(|heard| heard.rows).sum();
    println!(
        "  session: {rows} rows; {} garbled, {} silences, {} repeats, {} reconnections, off {}, port lost {losses}",
        report.noise, report.silences, report.repeats, report.reconnections, report.bus.off
    );
    println!("  notes:   {:?}", found.kinds);
    println!("  wrong or never sent: {}", found.wrong.len());
    for ((unit, record), heard) in &found.records {
        let name = definitions[usize::from(unit.0)].records.get(usize::from(*record)).map_or("?", |name| name);
        println!("  {}:{name}: {} rows, longest recovery {:.3} s", unit.0, heard.rows, heard.longest.as_secs_f64());
    }
    assert!(quiet_rows > 5_000, "{quiet_rows} rows in a quiet minute");
    assert!(report.bus.off > 0 && losses > 0, "off {}, lost {losses}", report.bus.off);
    found
}

#[test]
fn no_value_is_wrong_and_no_unit_is_left_behind_on_a_failing_bus() {
    let hours = given("TICKOVER_CAMPAIGN_HOURS", 0.1);
    let found = campaign(hours, given("TICKOVER_CAMPAIGN_SEED", 21));
    assert!(found.wrong.is_empty(), "{} rows that nobody sent: {:#?}", found.wrong.len(), found.wrong.first());
    for (record, heard) in &found.records {
        assert!(heard.longest < Duration::from_secs(12), "{record:?} {:?}: {:#?}", heard.longest, heard.said);
    }
}
