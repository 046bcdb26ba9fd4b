//! What a session achieved, beside what was predicted.

use alloc::string::String;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::{ChannelId, RecordId};
use tickover_framing::Instant;
use tickover_framing::can::Id;

use crate::contention::{Outlook, predict_together};
use crate::conversation::Conversation;
use crate::machine::Session;
use crate::meter::Meter;
use crate::rate::Prediction;
use crate::schedule::Admission;
use crate::unit::fastest_answer;
use crate::{ChannelKey, UnitId};

/// The rates so far, over all connections. A rate is never given without its worst gap.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Report {
    /// Time from the first to the last response.
    pub span: Duration,
    /// Responses decoded.
    pub responses: u64,
    /// Responses per second since the first: (N-1) / (t_N - t_1).
    pub achieved: Option<f64>,
    /// Responses per second over the last five seconds.
    pub recent: Option<f64>,
    /// Responses per second by the model for this choice of channels and the mean P2 measured so far (before the
    /// first response: P2min). What was predicted without measuring is [`Session::predict`].
    pub predicted: Option<f64>,
    /// All wanted periods are stretched by this factor (1: every wish is met).
    pub stretch: f64,
    /// What can be promised for the wanted periods.
    pub admission: Admission,
    /// Longest time between two responses of any kind, the one since the last included.
    pub worst_gap: Duration,
    /// Requests sent again.
    pub repeats: u64,
    /// Requests that were not answered in time.
    pub silences: u64,
    /// Garbled messages.
    pub noise: u64,
    /// Refusals.
    pub refusals: u64,
    /// "Response pending" answers.
    pub pending: u64,
    /// Connections after the first.
    pub reconnections: u64,
    /// Share of the time since the first request in which the line carried bytes, 0 to 1.
    pub line_share: f64,
    /// Response time (measured P2): half of them are at most this.
    pub response_time_p50: Duration,
    /// Response time: 99 of 100 are at most this.
    pub response_time_p99: Duration,
    /// Longest response time.
    pub response_time_max: Duration,
    /// What the controller of a CAN bus said; on a K-line, and in what is one unit's of several, all zero.
    pub bus: BusCounts,
    /// What takes the most of an exchange and what a change would bring, in one sentence.
    pub binds: String,
    /// Watched channels, unit by unit in file order.
    pub channels: Vec<ChannelReport>,
    /// Frames that were listened to, unit by unit.
    pub frames: Vec<FrameReport>,
    /// Of several units each one's own, in order; empty if there is one.
    pub units: Vec<Self>,
}

/// What a CAN controller said about its bus, over all connections of a session.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct BusCounts {
    /// Frames destroyed.
    pub errors: u64,
    /// Frames of ours that nobody acknowledged.
    pub unacknowledged: u64,
    /// Times that the controller became passive.
    pub passive: u64,
    /// Times that it switched itself off.
    pub off: u64,
    /// Times that frames came faster than they were taken.
    pub overruns: u64,
    /// Frames of ours that the adapter refused to send.
    pub refused: u64,
}

/// What became of one frame that was listened to, over all connections.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FrameReport {
    /// Whose definition names it.
    pub unit: UnitId,
    /// Its record.
    pub record: RecordId,
    /// Its identifier.
    pub id: Id,
    /// Frames decoded.
    pub frames: u64,
    /// Decoded per second since the first.
    pub achieved: Option<f64>,
    /// Per second, as the definition says; `None`: it comes when something happens, or is not listened to any more.
    pub expected: Option<f64>,
    /// Longest time between two, the one since the last included.
    pub worst_gap: Duration,
    /// Not decoded: another length.
    pub wrong_length: u64,
    /// Not decoded: the checksum did not fit.
    pub wrong_checksum: u64,
    /// Not decoded: the counter stood still or jumped.
    pub wrong_counter: u64,
}

/// The rate of one channel.
#[derive(Clone, PartialEq, Debug)]
pub struct ChannelReport {
    /// Which channel.
    pub channel: ChannelKey,
    /// Readings, valid or not.
    pub readings: u64,
    /// Wanted per second; `None`: as fast as possible.
    pub wanted: Option<f64>,
    /// Achieved per second since the first reading.
    pub achieved: Option<f64>,
    /// Longest time between two readings, the one since the last included unless the channel is read once.
    pub worst_gap: Duration,
    /// Interval between readings: half are at most this.
    pub interval_p50: Duration,
    /// Interval between readings: 99 of 100 are at most this.
    pub interval_p99: Duration,
}

impl Session {
    /// What this choice of channels will bring from units that answer after `p2` (end of a request to the start of
    /// the answer). It comes from definitions, wishes and `p2` alone: nothing in it is measured.
    pub fn predict(&self, p2: Duration) -> Prediction {
        match self.others.is_empty() {
            true => self.first.outlook(p2).alone(),
            false => predict_together(&self.conversations().map(|unit| unit.outlook(p2)).collect::<Vec<_>>()),
        }
    }

    /// What was achieved until `now`, beside what the model says. Percentiles are up to 3 % too long.
    ///
    /// Of several units rates and counts are sums, response times are of all together, and `stretch`, `admission`,
    /// `worst_gap` and `binds` are those of the unit that fares worst.
    pub fn report(&self, now: Instant) -> Report {
        if self.others.is_empty() {
            return Report { bus: self.said, ..self.first.report(now) };
        }
        let units: Vec<Report> = self.conversations().map(|unit| unit.report(now)).collect();
        let mut meter = Meter::default();
        self.conversations().for_each(|unit| meter.join(&unit.meter));
        let whole = meter.report(now);
        let sum = |of: fn(&Report) -> Option<f64>| units.iter().filter_map(of).reduce(|a, b| a + b);
        Report {
            span: units.iter().map(|unit| unit.span).max().unwrap_or_default(),
            responses: units.iter().map(|unit| unit.responses).sum(),
            worst_gap: units.iter().map(|unit| unit.worst_gap).max().unwrap_or_default(),
            achieved: sum(|unit| unit.achieved),
            recent: sum(|unit| unit.recent),
            predicted: sum(|unit| unit.predicted),
            stretch: units.iter().map(|unit| unit.stretch).fold(1.0, f64::max),
            admission: units.iter().map(|unit| unit.admission).fold(Admission::Guaranteed, Admission::weaker),
            binds: slowest(&units).map_or_else(String::new, |unit| unit.binds.clone()),
            channels: units.iter().flat_map(|unit| unit.channels.iter().cloned()).collect(),
            frames: units.iter().flat_map(|unit| unit.frames.iter().copied()).collect(),
            units,
            bus: self.said,
            ..whole
        }
    }
}

/// The unit whose wishes are met least.
fn slowest(units: &[Report]) -> Option<&Report> {
    units.iter().reduce(|a, b| if a.admission.weaker(b.admission) == a.admission { a } else { b })
}

impl Conversation {
    fn outlook(&self, p2: Duration) -> Outlook<'_> {
        self.unit.outlook(self.id, p2)
    }

    pub(crate) fn report(&self, now: Instant) -> Report {
        let fastest = self.unit.line_in(self.unit.entered).map_or(Duration::ZERO, fastest_answer);
        let prediction = self.outlook(self.meter.response_times.mean().unwrap_or(fastest)).alone();
        let channel = |(channel, rate): (ChannelId, crate::Rate)| {
            let beat = self.unit.beats.get(usize::from(channel.0))?;
            Some(ChannelReport {
                channel: ChannelKey { unit: self.id, channel },
                readings: beat.count,
                wanted: rate.period().map(|period| 1.0 / period.as_secs_f64()),
                achieved: beat.per_second(),
                worst_gap: if self.unit.is_read_once(channel) { beat.intervals.longest() } else { beat.worst_gap(now) },
                interval_p50: beat.intervals.percentile(0.5),
                interval_p99: beat.intervals.percentile(0.99),
            })
        };
        Report {
            predicted: (prediction.per_second > 0.0).then_some(prediction.per_second),
            stretch: self.schedule.factor(),
            admission: self.schedule.admission(),
            binds: prediction.binds,
            channels: self.unit.wishes().into_iter().filter_map(channel).collect(),
            frames: self.frame_reports(now).collect(),
            ..self.meter.report(now)
        }
    }
}

impl Meter {
    /// What was counted; rates of channels and what was predicted are left open.
    fn report(&self, now: Instant) -> Report {
        Report {
            span: self.responses.span(),
            responses: self.responses.count,
            achieved: self.responses.per_second(),
            recent: self.recent(now),
            worst_gap: self.responses.worst_gap(now),
            repeats: self.repeats,
            silences: self.silences,
            noise: self.noise,
            refusals: self.refusals,
            pending: self.pending,
            reconnections: self.reconnections,
            line_share: self.line_share(now),
            response_time_p50: self.response_times.percentile(0.5),
            response_time_p99: self.response_times.percentile(0.99),
            response_time_max: self.response_times.longest(),
            ..Report::default()
        }
    }
}
