//! What the live table shows: the latest reading of every channel, minimum and maximum so far, notes.

use std::collections::BTreeMap;

use tickover::defs::{Reading, Value};
use tickover::framing::Instant;
use tickover::record::{Hold, Statistics};
use tickover::session::{ChannelKey, Report, Row};

use crate::report::{millis, per_second, seconds};
use crate::table::{Shown, View};

pub(crate) struct Live {
    title: String,
    /// Nothing was chosen: what the unit does not have needs no line.
    all: bool,
    start: Instant,
    predicted: f64,
    channels: Vec<Channel>,
    latest: BTreeMap<ChannelKey, (Instant, Reading)>,
    statistics: Statistics,
    notes: Vec<String>,
    first: usize,
}

/// A channel as the table names it.
#[derive(Clone, Debug)]
pub(crate) struct Channel {
    pub(crate) key: ChannelKey,
    pub(crate) name: String,
    /// For people: `°C`.
    pub(crate) unit: String,
    pub(crate) decimals: u8,
    pub(crate) hold: Hold,
}

const NOTES: usize = 20;
/// Channels named in a line of plain progress.
const BRIEF: usize = 4;

impl Live {
    /// `predicted`: responses per second.
    pub(crate) fn new(title: String, start: Instant, predicted: f64, channels: Vec<Channel>, all: bool) -> Self {
        let (latest, statistics) = (BTreeMap::new(), Statistics::new());
        Self { title, all, start, predicted, channels, latest, statistics, notes: Vec::new(), first: 0 }
    }

    pub(crate) fn row(&mut self, row: &Row) {
        self.statistics.add_row(row);
        for reading in &row.readings {
            let key = ChannelKey { unit: row.unit, channel: reading.channel };
            self.latest.insert(key, (row.at, reading.clone()));
        }
    }

    pub(crate) fn note(&mut self, note: String) {
        if self.notes.len() == NOTES {
            self.notes.remove(0);
        }
        self.notes.push(note);
    }

    pub(crate) fn reset(&mut self) {
        self.statistics.reset_all();
    }

    pub(crate) fn scroll(&mut self, lines: isize) {
        self.first = self.first.saturating_add_signed(lines).min(self.lines().count().saturating_sub(1));
    }

    /// The channels that have a line: of all, those that have been read, once there are some.
    fn lines(&self) -> impl Iterator<Item = &Channel> {
        let select = self.all && !self.latest.is_empty();
        self.channels.iter().filter(move |channel| !select || self.latest.contains_key(&channel.key))
    }

    pub(crate) fn view(&self, report: &Report, now: Instant) -> View {
        View {
            title: self.title.clone(),
            state: self.state(report, now),
            channels: self.lines().map(|channel| self.shown(channel, report, now)).collect(),
            first: self.first,
            notes: self.notes.clone(),
        }
    }

    /// One line for people: the rate is never given without its worst gap.
    pub(crate) fn state(&self, report: &Report, now: Instant) -> String {
        let frames: u64 = report.frames.iter().map(|frame| frame.frames).sum();
        let heard = if report.frames.is_empty() { String::new() } else { format!("   {frames} frames heard") };
        let since = seconds(now.since(self.start));
        if self.predicted <= 0.0 && report.responses == 0 && !report.frames.is_empty() {
            return format!("{since}{heard}");
        }
        format!(
            "{since}   {} responses   {} of {} predicted   worst gap {}   {} repeats{heard}",
            report.responses,
            per_second(report.recent.or(report.achieved)),
            per_second(Some(self.predicted)),
            if report.responses > 1 { millis(report.worst_gap) } else { "-".to_owned() },
            report.repeats
        )
    }

    /// The first channels that move, always the same ones: `engine_speed 850.0 /min, coolant 80.0 °C`.
    pub(crate) fn brief(&self, now: Instant) -> String {
        let moving = self.channels.iter().filter(|channel| matches!(channel.hold, Hold::For(_)));
        let named = moving.filter_map(|channel| {
            let (at, reading) = self.latest.get(&channel.key)?;
            let shown = value(*at, reading, channel, now);
            // An age or a reason has no unit.
            let unit = if shown.parse::<f64>().is_ok() { &*channel.unit } else { "" };
            Some(format!("{} {shown} {unit}", channel.name).trim_end().to_owned())
        });
        named.take(BRIEF).collect::<Vec<_>>().join(", ")
    }

    fn shown(&self, channel: &Channel, report: &Report, now: Instant) -> Shown {
        let decimals = usize::from(channel.decimals);
        let number = |number: f64| format!("{number:.decimals$}");
        let figures = self.statistics.get(channel.key);
        let rate = report.channels.iter().find(|line| line.channel == channel.key);
        Shown {
            name: channel.name.clone(),
            value: self
                .latest
                .get(&channel.key)
                .map(|(at, reading)| value(*at, reading, channel, now))
                .unwrap_or_default(),
            unit: channel.unit.clone(),
            min: figures.map(|figures| number(figures.min)).unwrap_or_default(),
            max: figures.map(|figures| number(figures.max)).unwrap_or_default(),
            rate: rate.and_then(|line| line.achieved).map(|times| format!("{times:.2}")).unwrap_or_default(),
            gap: rate.filter(|line| line.readings > 1).map(|line| millis(line.worst_gap)).unwrap_or_default(),
        }
    }
}

/// A value that is too old to stand for now is not shown, only its age.
fn value(at: Instant, reading: &Reading, channel: &Channel, now: Instant) -> String {
    let age = now.since(at.before(reading.age));
    match (channel.hold, reading_text(reading)) {
        (Hold::For(hold), _) if age > hold.max(std::time::Duration::from_secs(1)) => format!("{} old", seconds(age)),
        (_, text) => text,
    }
}

/// The value with the decimals worth showing, or the reason why there is none.
pub(crate) fn reading_text(reading: &Reading) -> String {
    let decimals = usize::from(reading.decimals);
    match &reading.value {
        Ok(Value::Number(number)) => format!("{number:.decimals$}"),
        Ok(Value::Text(text)) => text.to_string(),
        Err(reason) => format!("({reason})"),
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use tickover::defs::{ChannelId, Invalid, RecordId};

    use super::*;

    fn live() -> Live {
        let channel = |id, name: &str| Channel {
            key: ChannelId(id).into(),
            name: name.into(),
            unit: "/min".into(),
            decimals: 1,
            hold: Hold::For(Duration::from_secs(2)),
        };
        Live::new(
            "Bramble 40".into(),
            Instant::ORIGIN,
            12.6,
            vec![channel(0, "engine_speed"), channel(1, "coolant")],
            false,
        )
    }

    fn row(seconds: u64, value: Result<Value, Invalid>) -> Row {
        let reading = Reading { channel: ChannelId(0), raw: None, value, unit: None, decimals: 1, age: Duration::ZERO };
        Row {
            at: Instant::from_nanos(seconds * 1_000_000_000),
            unit: tickover::session::UnitId::FIRST,
            record: RecordId(0),
            response: vec![],
            response_time: Duration::ZERO,
            readings: vec![reading],
        }
    }

    fn speed(live: &Live, at: u64) -> Shown {
        live.view(&Report::default(), Instant::from_nanos(at * 1_000_000_000)).channels[0].clone()
    }

    #[test]
    fn a_value_is_shown_with_its_extremes_until_they_are_reset() {
        let mut live = live();
        live.row(&row(0, Ok(Value::Number(900.0))));
        live.row(&row(1, Ok(Value::Number(850.0))));
        let shown = speed(&live, 1);
        assert_eq!((&*shown.value, &*shown.min, &*shown.max), ("850.0", "850.0", "900.0"));
        live.reset();
        assert_eq!(speed(&live, 1).max, "");
    }

    #[test]
    fn an_old_value_is_not_passed_as_fresh() {
        let mut live = live();
        live.row(&row(0, Ok(Value::Number(900.0))));
        assert_eq!(speed(&live, 2).value, "900.0");
        assert_eq!(speed(&live, 3).value, "3.0 s old");
    }

    #[test]
    fn an_invalid_reading_shows_its_reason() {
        let mut live = live();
        live.row(&row(0, Err(Invalid::Declared("sensor open".into()))));
        assert_eq!(speed(&live, 0).value, "(sensor open)");
    }

    #[test]
    fn a_line_of_progress_names_the_first_channels_whatever_came_last() {
        let mut live = live();
        live.row(&row(0, Ok(Value::Number(900.0))));
        let mut other = row(0, Ok(Value::Number(80.0)));
        other.readings[0].channel = ChannelId(1);
        live.row(&other);
        assert_eq!(live.brief(Instant::ORIGIN), "engine_speed 900.0 /min, coolant 80.0 /min");
        let later = Instant::from_nanos(9_000_000_000);
        assert_eq!(live.brief(later), "engine_speed 9.0 s old, coolant 9.0 s old");
    }

    #[test]
    fn of_all_channels_those_that_were_read_are_shown() {
        let mut live = Live { all: true, ..live() };
        let lines = |live: &Live| live.view(&Report::default(), Instant::ORIGIN).channels.len();
        assert_eq!(lines(&live), 2);
        live.row(&row(0, Ok(Value::Number(900.0))));
        assert_eq!(lines(&live), 1);
    }

    #[test]
    fn scrolling_stays_inside_the_list() {
        let mut live = live();
        live.scroll(-5);
        assert_eq!(live.view(&Report::default(), Instant::ORIGIN).first, 0);
        live.scroll(99);
        assert_eq!(live.view(&Report::default(), Instant::ORIGIN).first, 1);
    }
}
