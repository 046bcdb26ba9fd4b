//! What a session achieved, beside what was predicted.

use alloc::string::String;
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::ChannelId;

/// The rates so far. A rate is never given without its worst gap.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Report {
    /// Time from the first to the last response.
    pub span: Duration,
    /// Responses decoded.
    pub responses: u64,
    /// Responses per second since the first: (N-1) / (t_N - t_1).
    pub achieved: Option<f64>,
    /// Responses per second over the last few seconds.
    pub recent: Option<f64>,
    /// Responses per second that the model predicts for this choice of channels.
    pub predicted: Option<f64>,
    /// All wanted periods are stretched by this factor (1: every wish is met).
    pub stretch: f64,
    /// Longest time between two responses of any kind.
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
    /// Share of the time in which the line carried bytes, 0 to 1.
    pub line_share: f64,
    /// Response time: half of them are at most this.
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
    /// Longest time between two readings.
    pub worst_gap: Duration,
    /// Interval between readings: half are at most this.
    pub interval_p50: Duration,
    /// Interval between readings: 99 of 100 are at most this.
    pub interval_p99: Duration,
}
