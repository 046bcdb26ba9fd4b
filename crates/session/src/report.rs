//! What a session achieved, beside what was predicted.

use alloc::string::String;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::ChannelId;
use tickover_framing::Instant;

use crate::machine::Session;
use crate::schedule::Admission;

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
    /// What takes the most of an exchange and what a change would bring, in one sentence.
    pub binds: String,
    /// Watched channels in file order.
    pub channels: Vec<ChannelReport>,
}

/// The rate of one channel.
#[derive(Clone, PartialEq, Debug)]
pub struct ChannelReport {
    /// Which channel.
    pub channel: ChannelId,
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
    /// What was achieved until `now`, beside what the model says. Percentiles are up to 3 % too long.
    pub fn report(&self, now: Instant) -> Report {
        let meter = &self.meter;
        let p2_min = self.unit.line_in(self.unit.entered).map_or(Duration::ZERO, |line| line.line.timing.p2_min);
        let prediction = self.unit.predict(meter.response_times.mean().unwrap_or(p2_min));
        let channel = |(channel, rate): (ChannelId, crate::Rate)| {
            let beat = self.unit.beats.get(usize::from(channel.0))?;
            Some(ChannelReport {
                channel,
                readings: beat.count,
                wanted: rate.period().map(|period| 1.0 / period.as_secs_f64()),
                achieved: beat.per_second(),
                worst_gap: if self.unit.is_read_once(channel) { beat.intervals.longest() } else { beat.worst_gap(now) },
                interval_p50: beat.intervals.percentile(0.5),
                interval_p99: beat.intervals.percentile(0.99),
            })
        };
        Report {
            span: meter.responses.span(),
            responses: meter.responses.count,
            achieved: meter.responses.per_second(),
            recent: meter.recent(now),
            predicted: (prediction.per_second > 0.0).then_some(prediction.per_second),
            stretch: self.schedule.factor(),
            admission: self.schedule.admission(),
            worst_gap: meter.responses.worst_gap(now),
            repeats: meter.repeats,
            silences: meter.silences,
            noise: meter.noise,
            refusals: meter.refusals,
            pending: meter.pending,
            reconnections: meter.reconnections,
            line_share: meter.line_share(now),
            response_time_p50: meter.response_times.percentile(0.5),
            response_time_p99: meter.response_times.percentile(0.99),
            response_time_max: meter.response_times.longest(),
            binds: prediction.binds,
            channels: self.unit.wishes().into_iter().filter_map(channel).collect(),
        }
    }
}
