//! Frames that come by themselves: checked, decoded, and missed when they stop.

use alloc::format;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::RecordId;
use tickover_defs::compiled::{Can, Direction, Every, Line, Read};
use tickover_defs::decode::{self, FrameMistake};
use tickover_framing::Instant;
use tickover_framing::can::{Filter, Frame, FrameKind, Id};
use tickover_framing::contract::Why;

use crate::connect::Phase;
use crate::conversation::Conversation;
use crate::derive::{Response, age_limit};
use crate::meter::Beat;
use crate::notes::{advise, is_round, note};
use crate::report::FrameReport;
use crate::unit::layout_of;
use crate::{Event, Fault, NoteKind, Row};

/// A frame that has not come for so many of its periods is missed.
const MISSED_PERIODS: u32 = 5;
/// But not before this: buses hesitate.
const MISSED_AFTER: Duration = Duration::from_millis(100);
/// The first on a connection is given longer: adapters and units begin in their own time (common practice, no source).
const FIRST_WITHIN: Duration = Duration::from_millis(500);

/// One frame that is listened to, over all connections.
#[derive(Debug)]
pub(crate) struct Ear {
    record: RecordId,
    id: Id,
    period: Option<Duration>,
    /// The count of the frame before.
    count: Option<u8>,
    /// When the last one came, or listening began.
    since: Instant,
    /// It has come on this connection.
    heard: bool,
    /// It does not come, and that has been said.
    missed: bool,
    beat: Beat,
    lengths: u64,
    checksums: u64,
    counters: u64,
}

impl Ear {
    fn missed_at(&self, late_in: Duration) -> Option<Instant> {
        let period = self.period.filter(|_| !self.missed)?;
        let least = if self.heard { MISSED_AFTER } else { FIRST_WITHIN };
        Some(self.since.after(period.saturating_mul(MISSED_PERIODS).max(least).saturating_add(late_in)))
    }

    /// Counts a frame that is not decoded: how often that has happened.
    fn spoilt(&mut self, mistake: FrameMistake) -> u64 {
        let count = match mistake {
            FrameMistake::Checksum { .. } => &mut self.checksums,
            FrameMistake::Counter { .. } => &mut self.counters,
            _ => &mut self.lengths,
        };
        *count += 1;
        *count
    }
}

impl Conversation {
    /// Nobody is asked on this bus: what comes by itself is decoded.
    pub(crate) fn begin_listening(&mut self, now: Instant) {
        let again = self.history.down_since.take().filter(|_| self.history.connected_before);
        if self.history.connected_before {
            self.meter.reconnections += 1;
        }
        self.history.connected_before = true;
        let again = again
            .map_or_else(Default::default, |since| format!(" again after {:.1} s", now.since(since).as_secs_f64()));
        self.note(note(now, NoteKind::Connected, Fault::Nobody, format!("the bus is listened to{again}")));
        self.unit.forget();
        self.phase = Phase::Listening;
        self.unit.store.fit(layout_of(&self.unit.definition, self.unit.variant));
        self.replan();
        self.say_missing(|_| true);
    }

    /// Listens to the frames of the plan; what was counted of them goes on.
    pub(crate) fn set_ears(&mut self) {
        let mut ears = core::mem::take(&mut self.ears);
        let mut wanted: Vec<Ear> = Vec::new();
        for record in self.unit.plan.heard.iter().filter_map(|id| self.unit.record(*id)) {
            let Read::Frame(id) = record.read else { continue };
            let period = if let Every::Period(period) = record.every { Some(period) } else { None };
            let known = ears.iter().position(|ear| ear.record == record.id).map(|place| ears.swap_remove(place));
            wanted.push(match known {
                Some(ear) => Ear { id, period, ..ear },
                None => Ear {
                    record: record.id,
                    id,
                    period,
                    count: None,
                    since: self.now,
                    heard: false,
                    missed: false,
                    beat: Beat::default(),
                    lengths: 0,
                    checksums: 0,
                    counters: 0,
                },
            });
        }
        let ids = |ears: &[Ear]| ears.iter().map(|ear| ear.id).collect::<Vec<_>>();
        self.filters_changed |= !ears.is_empty() || ids(&wanted) != self.heard_ids;
        self.heard_ids = ids(&wanted);
        // Frames that are not wanted any more keep their counts.
        ears.iter_mut().for_each(|ear| (ear.period, ear.missed) = (None, false));
        self.ears = wanted.into_iter().chain(ears).collect();
    }

    /// A new connection: counts may have gone on, and nothing is missed yet.
    pub(crate) fn prick_ears(&mut self, now: Instant) {
        self.ears.iter_mut().for_each(|ear| {
            (ear.count, ear.since, ear.heard, ear.missed) = (None, now, false, false);
        });
    }

    /// Identifiers of frames that are wanted.
    pub(crate) fn heard_filters(&self) -> impl Iterator<Item = Filter> {
        self.heard_ids.iter().map(|id| Filter::only(*id))
    }

    /// A frame of the bus: a row, if it is one that is listened to and a good one.
    pub(crate) fn overhear(&mut self, end: Instant, frame: &Frame) {
        if !self.heard_ids.contains(&frame.id) || !self.phase.polls() || frame.kind == FrameKind::Remote {
            return;
        }
        let Some(Line::Can(Can { bit_rate, data_rate, .. })) = self.unit.base_line() else { return };
        let at = end.before(frame.time(*bit_rate, *data_rate));
        let Some(ear) = self.ears.iter_mut().find(|ear| ear.id == frame.id) else { return };
        let (id, since) = (ear.record, core::mem::replace(&mut ear.since, end));
        let missed = core::mem::replace(&mut ear.missed, false);
        ear.heard = true;
        let Some(record) = layout_of(&self.unit.definition, self.unit.variant).record(id) else { return };
        let Some(rules) = record.frame.filter(|rules| rules.direction == Direction::Heard) else { return };
        let data = frame.data.as_slice();
        if let Err(mistake) = decode::frame(record, &rules, data, &mut ear.count) {
            let times = ear.spoilt(mistake);
            if is_round(times) {
                let again = if times > 1 { format!(" ({times} times so far)") } else { Default::default() };
                let text = format!("frame {} is not decoded: {mistake}{again}", frame.id);
                let advice = "compare the rules of the frame in the definition with a capture; frames may be lost, too";
                self.note(advise(end, NoteKind::Misfit, Fault::Unit, text, advice));
            }
            return;
        }
        ear.beat.add(at);
        if missed {
            let text = format!("frame {} comes again after {:.1} s", frame.id, end.since(since).as_secs_f64());
            self.note(note(end, NoteKind::FrameMissed, Fault::Nobody, text));
        }
        self.make_heard_row(id, at, data);
    }

    fn make_heard_row(&mut self, id: RecordId, at: Instant, data: &[u8]) {
        let unit = &mut self.unit;
        let layout = layout_of(&unit.definition, unit.variant);
        let Some(record) = layout.record(id) else { return };
        let schedule = &self.schedule;
        let interval = |id: RecordId| interval(layout, id, &|id| schedule.interval(id));
        let limit = |channel| age_limit(layout, channel, &interval);
        let response = Response { data, at, interval: interval(id) };
        let derived = unit.plan.derived.clone();
        // A frame of another length has been refused.
        let Ok(readings) = unit.store.take(layout, record, response, &derived, &limit) else { return };
        let readings: Vec<_> = readings.into_iter().filter(|reading| unit.watched(reading.channel)).collect();
        for reading in &readings {
            unit.beats.iter_mut().skip(usize::from(reading.channel.0)).take(1).for_each(|beat| beat.add(at));
        }
        if !readings.is_empty() {
            let (response, response_time) = (data.to_vec(), Duration::ZERO);
            self.events.push_back(Event::Row(Row { at, unit: self.id, record: id, response, response_time, readings }));
        }
    }

    /// When the next frame would be missed.
    pub(crate) fn misses_at(&self) -> Option<(Instant, Why)> {
        let listens = self.phase.polls();
        let next = self.ears.iter().filter(|_| listens).filter_map(|ear| ear.missed_at(self.reach.late_in)).min()?;
        Some((next, Why { name: "frame period", clause: "" }))
    }

    /// Says which frames do not come any more.
    pub(crate) fn miss_frames(&mut self) {
        let (now, late_in) = (self.now, self.reach.late_in);
        if !self.phase.polls() {
            return;
        }
        for place in 0..self.ears.len() {
            let Some(ear) = self.ears.get_mut(place) else { continue };
            let (Some(period), Some(at)) = (ear.period, ear.missed_at(late_in)) else { continue };
            if now < at {
                continue;
            }
            ear.missed = true;
            let (id, ever) = (ear.id, ear.beat.count > 0);
            let any_more = if ever { " any more" } else { "" };
            let text = format!(
                "frame {id} does not come{any_more}: nothing for {:.1} s, expected every {} ms",
                now.since(ear.since).as_secs_f64(),
                period.as_secs_f64() * 1e3
            );
            let advice = "check that its sender is switched on, and identifier and bit rate in the definition";
            self.note(advise(now, NoteKind::FrameMissed, Fault::Line, text, advice));
        }
    }

    /// What became of each frame that was listened to.
    pub(crate) fn frame_reports(&self, now: Instant) -> impl Iterator<Item = FrameReport> {
        self.ears.iter().map(move |ear| FrameReport {
            unit: self.id,
            record: ear.record,
            id: ear.id,
            frames: ear.beat.count,
            achieved: ear.beat.per_second(),
            expected: ear.period.map(|period| 1.0 / period.as_secs_f64()),
            worst_gap: ear.beat.worst_gap(now),
            wrong_length: ear.lengths,
            wrong_checksum: ear.checksums,
            wrong_counter: ear.counters,
        })
    }
}

/// The time from one reading of a record to the next that is to be expected.
pub(crate) fn interval(
    layout: &tickover_defs::compiled::Layout,
    id: RecordId,
    polled: &dyn Fn(RecordId) -> Option<Duration>,
) -> Option<Duration> {
    match layout.record(id)?.every {
        Every::Period(period) => Some(period),
        _ => polled(id),
    }
}
