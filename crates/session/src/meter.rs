//! What was achieved: counts, intervals, response times.

use alloc::collections::{BTreeMap, VecDeque};
use core::time::Duration;

use tickover_framing::Instant;
use tickover_framing::time::earliest;

/// The window of the recent rate.
const RECENT: Duration = Duration::from_secs(5);
/// Responses that the recent window keeps at most.
const RECENT_MOST: usize = 4096;

/// Durations counted in steps of at most 3 %, so that percentiles of any number of them take little room.
#[derive(Clone, Debug, Default)]
pub(crate) struct Spread {
    counts: BTreeMap<u16, u32>,
    total: u64,
    sum_nanos: u128,
    longest: Duration,
}

impl Spread {
    pub(crate) fn add(&mut self, duration: Duration) {
        let count = self.counts.entry(step(duration)).or_insert(0);
        *count = count.saturating_add(1);
        self.total += 1;
        self.sum_nanos += duration.as_nanos();
        self.longest = self.longest.max(duration);
    }

    /// The duration that `share` of all do not exceed, up to 3 % too long.
    pub(crate) fn percentile(&self, share: f64) -> Duration {
        let rank = libm::ceil(self.total as f64 * share) as u64;
        let mut seen = 0;
        for (step, count) in &self.counts {
            seen += u64::from(*count);
            if seen >= rank {
                return upper(*step).min(self.longest);
            }
        }
        self.longest
    }

    /// Takes in what another has counted.
    fn join(&mut self, other: &Self) {
        for (step, count) in &other.counts {
            let known = self.counts.entry(*step).or_insert(0);
            *known = known.saturating_add(*count);
        }
        self.total += other.total;
        self.sum_nanos += other.sum_nanos;
        self.longest = self.longest.max(other.longest);
    }

    pub(crate) fn longest(&self) -> Duration {
        self.longest
    }

    pub(crate) fn mean(&self) -> Option<Duration> {
        let total = u128::from(self.total);
        (total > 0).then(|| Duration::from_nanos(u64::try_from(self.sum_nanos / total).unwrap_or(u64::MAX)))
    }
}

/// 32 steps to a doubling, from 32 ns up.
fn step(duration: Duration) -> u16 {
    let nanos = u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX).max(32);
    let octave = nanos.ilog2() - 5;
    (octave * 32 + (nanos >> octave) as u32 - 32) as u16
}

/// The longest duration of a step.
fn upper(step: u16) -> Duration {
    let (octave, within) = (u32::from(step) / 32, u64::from(step % 32) + 33);
    Duration::from_nanos(within.checked_shl(octave).unwrap_or(u64::MAX).saturating_sub(1))
}

/// Events that should come regularly: readings of a channel, responses of any kind.
#[derive(Clone, Debug, Default)]
pub(crate) struct Beat {
    pub(crate) count: u64,
    first: Option<Instant>,
    last: Option<Instant>,
    pub(crate) intervals: Spread,
}

impl Beat {
    pub(crate) fn add(&mut self, at: Instant) {
        if let Some(last) = self.last {
            self.intervals.add(at.since(last));
        }
        self.first.get_or_insert(at);
        self.last = Some(at);
        self.count += 1;
    }

    /// From the first to the last.
    pub(crate) fn span(&self) -> Duration {
        match (self.first, self.last) {
            (Some(first), Some(last)) => last.since(first),
            _ => Duration::ZERO,
        }
    }

    /// (N-1) / (t_N - t_1).
    pub(crate) fn per_second(&self) -> Option<f64> {
        let span = self.span().as_secs_f64();
        (self.count > 1 && span > 0.0).then(|| (self.count - 1) as f64 / span)
    }

    /// The longest interval, the one still open at `now` included.
    pub(crate) fn worst_gap(&self, now: Instant) -> Duration {
        let open = self.last.map_or(Duration::ZERO, |last| now.since(last));
        self.intervals.longest().max(open)
    }
}

/// Everything counted over all connections of a session.
#[derive(Clone, Debug, Default)]
pub(crate) struct Meter {
    pub(crate) responses: Beat,
    recent: VecDeque<Instant>,
    pub(crate) response_times: Spread,
    pub(crate) repeats: u64,
    pub(crate) silences: u64,
    pub(crate) noise: u64,
    pub(crate) refusals: u64,
    pub(crate) pending: u64,
    pub(crate) reconnections: u64,
    /// Time in which bytes passed, ours and the unit's.
    pub(crate) carried: Duration,
    /// First byte sent after the first connection.
    pub(crate) since: Option<Instant>,
}

impl Meter {
    pub(crate) fn response(&mut self, at: Instant, response_time: Duration) {
        self.responses.add(at);
        self.response_times.add(response_time);
        self.recent.push_back(at);
        while self.recent.len() > RECENT_MOST || self.recent.front().is_some_and(|first| at.since(*first) > RECENT) {
            self.recent.pop_front();
        }
    }

    /// Takes in the counts and response times of another unit on the same line; intervals are each unit's own.
    pub(crate) fn join(&mut self, other: &Self) {
        self.response_times.join(&other.response_times);
        self.repeats += other.repeats;
        self.silences += other.silences;
        self.noise += other.noise;
        self.refusals += other.refusals;
        self.pending += other.pending;
        self.reconnections += other.reconnections;
        self.carried += other.carried;
        self.since = earliest(self.since, other.since);
    }

    /// Responses per second over the last few seconds; zero when none came in them.
    pub(crate) fn recent(&self, now: Instant) -> Option<f64> {
        let (first, last) = (self.recent.front()?, self.recent.back()?);
        if now.since(*last) > RECENT {
            return Some(0.0);
        }
        let span = last.since(*first).as_secs_f64();
        (span > 0.0).then(|| (self.recent.len() - 1) as f64 / span)
    }

    /// Share of the time since the first request in which the line carried bytes.
    pub(crate) fn line_share(&self, now: Instant) -> f64 {
        let span = self.since.map_or(0.0, |since| now.since(since).as_secs_f64());
        if span > 0.0 { (self.carried.as_secs_f64() / span).min(1.0) } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Worked by hand: 20 readings at 0, 50, .. 950 ms are 19 intervals in 0.95 s.
    #[test]
    fn a_rate_counts_intervals_not_readings() {
        let mut beat = Beat::default();
        (0..20).for_each(|i| beat.add(Instant::from_nanos(i * 50_000_000)));
        assert_eq!(beat.per_second(), Some(20.0));
        assert_eq!(beat.worst_gap(Instant::from_nanos(950_000_000)), Duration::from_millis(50));
        assert_eq!(beat.worst_gap(Instant::from_nanos(2_950_000_000)), Duration::from_secs(2));
    }

    proptest! {
        /// The percentile of sorted samples is the oracle.
        #[test]
        fn a_percentile_is_at_most_three_per_cent_too_long(
            mut nanos in proptest::collection::vec(32_u64..100_000_000_000, 1..200),
            share in 0.01_f64..1.0,
        ) {
            let mut spread = Spread::default();
            nanos.iter().for_each(|n| spread.add(Duration::from_nanos(*n)));
            nanos.sort_unstable();
            let rank = (nanos.len() as f64 * share).ceil() as usize;
            let exact = nanos[rank.saturating_sub(1)] as f64;
            let told = spread.percentile(share).as_nanos() as f64;
            prop_assert!(told >= exact && told <= exact * 1.032, "{told} for {exact}");
        }
    }
}
