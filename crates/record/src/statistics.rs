//! Minimum, maximum and mean of every channel so far.

use std::collections::BTreeMap;

use tickover_session::{ChannelKey, Row};

/// Running figures of every channel that had a valid number. Invalid readings and states do not count.
///
/// ```
/// # use tickover_record::Statistics;
/// # use tickover_defs::ChannelId;
/// let mut statistics = Statistics::new();
/// for speed in [850.0, 900.0, 800.0] {
///     statistics.add(ChannelId(0), speed);       // or `add_row`, for all channels of a row
/// }
/// let speed = statistics.get(ChannelId(0)).unwrap();
/// assert_eq!((speed.min, speed.max, speed.mean, speed.count), (800.0, 900.0, 850.0, 3));
/// ```
#[derive(Clone, PartialEq, Default, Debug)]
pub struct Statistics {
    channels: BTreeMap<ChannelKey, ChannelStatistics>,
}

/// Running figures of one channel, in its unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ChannelStatistics {
    /// Valid numbers.
    pub count: u64,
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
    /// The arithmetic mean.
    pub mean: f64,
}

impl Statistics {
    /// Nothing counted yet.
    pub const fn new() -> Self {
        Self { channels: BTreeMap::new() }
    }

    /// Counts every valid number of a row.
    pub fn add_row(&mut self, row: &Row) {
        for reading in &row.readings {
            if let Some(number) = reading.number() {
                self.add(ChannelKey { unit: row.unit, channel: reading.channel }, number);
            }
        }
    }

    /// Counts one number. A number that is not finite is no measurement and does not count.
    pub fn add(&mut self, channel: impl Into<ChannelKey>, number: f64) {
        if !number.is_finite() {
            return;
        }
        let first = ChannelStatistics { count: 0, min: number, max: number, mean: number };
        let so_far = self.channels.entry(channel.into()).or_insert(first);
        so_far.count += 1;
        so_far.min = so_far.min.min(number);
        so_far.max = so_far.max.max(number);
        // Welford's step: no sum that grows; the mean stays between least and greatest, which rounding could leave.
        let step = number / so_far.count as f64 - so_far.mean / so_far.count as f64;
        so_far.mean = (so_far.mean + step).clamp(so_far.min, so_far.max);
    }

    /// The figures of a channel; `None`: no valid number so far.
    pub fn get(&self, channel: impl Into<ChannelKey>) -> Option<&ChannelStatistics> {
        self.channels.get(&channel.into())
    }

    /// Begins again for one channel.
    pub fn reset(&mut self, channel: impl Into<ChannelKey>) {
        self.channels.remove(&channel.into());
    }

    /// Begins again for all.
    pub fn reset_all(&mut self) {
        self.channels.clear();
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use proptest::prelude::*;
    use tickover_defs::{ChannelId, Invalid, Reading, RecordId, Value};
    use tickover_framing::Instant;

    use super::*;

    const SPEED: ChannelId = ChannelId(0);
    const LOOP: ChannelId = ChannelId(1);

    fn of(numbers: impl IntoIterator<Item = f64>) -> ChannelStatistics {
        let mut statistics = Statistics::new();
        numbers.into_iter().for_each(|number| statistics.add(SPEED, number));
        *statistics.get(SPEED).unwrap()
    }

    fn reading(channel: ChannelId, value: Result<Value, Invalid>) -> Reading {
        Reading { channel, raw: None, value, unit: None, decimals: 0, age: Duration::ZERO }
    }

    #[test]
    fn only_valid_numbers_count() {
        let mut statistics = Statistics::new();
        for value in [Ok(Value::Number(3.0)), Err(Invalid::Unlisted), Ok(Value::Number(5.0))] {
            statistics.add_row(&Row {
                at: Instant::ORIGIN,
                unit: tickover_session::UnitId::FIRST,
                record: RecordId(0),
                response: vec![],
                response_time: Duration::ZERO,
                readings: vec![reading(SPEED, value), reading(LOOP, Ok(Value::Text("yes".into())))],
            });
        }
        statistics.add(SPEED, f64::NAN);
        let speed = ChannelStatistics { count: 2, min: 3.0, max: 5.0, mean: 4.0 };
        assert_eq!((statistics.get(SPEED), statistics.get(LOOP)), (Some(&speed), None));
    }

    #[test]
    fn reset_begins_again_for_one_channel_or_for_all() {
        let mut statistics = Statistics::new();
        statistics.add(SPEED, 1.0);
        statistics.add(LOOP, 2.0);
        statistics.reset(SPEED);
        assert_eq!((statistics.get(SPEED), statistics.get(LOOP).unwrap().count), (None, 1));
        statistics.reset_all();
        assert_eq!(statistics, Statistics::new());
    }

    /// NIST Statistical Reference Datasets, univariate, NumAcc1 to NumAcc4 (data and certified means from memory).
    #[test]
    fn the_mean_of_the_nist_reference_data_is_right() {
        let alternating = |centre: f64| {
            let pairs = (0..1000).map(move |i| if i % 2 == 0 { centre - 0.1 } else { centre + 0.1 });
            std::iter::once(centre).chain(pairs)
        };
        assert_eq!(of([10_000_001.0, 10_000_003.0, 10_000_002.0]).mean, 10_000_002.0);
        for centre in [1.2, 1_000_000.2, 10_000_000.2] {
            let mean = of(alternating(centre)).mean;
            assert!((mean / centre - 1.0).abs() < 1e-14, "{mean} for {centre}");
        }
    }

    proptest! {
        /// Oracle: exact sums of whole numbers.
        #[test]
        fn the_mean_agrees_with_exact_arithmetic(numbers in proptest::collection::vec(-1_000_000_000_i64..1_000_000_000, 1..200)) {
            let exact = numbers.iter().sum::<i64>() as f64 / numbers.len() as f64;
            let found = of(numbers.iter().map(|n| *n as f64));
            prop_assert!((found.mean - exact).abs() <= 1e-5, "{} {}", found.mean, exact);
            prop_assert_eq!(found.min, *numbers.iter().min().unwrap() as f64);
            prop_assert_eq!(found.max, *numbers.iter().max().unwrap() as f64);
        }

        #[test]
        fn no_number_makes_the_mean_leave_its_bounds(numbers in proptest::collection::vec(any::<f64>(), 1..50)) {
            prop_assume!(numbers.iter().any(|number| number.is_finite()));
            let found = of(numbers);
            prop_assert!(found.min <= found.mean && found.mean <= found.max);
        }
    }
}
