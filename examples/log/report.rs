//! The closing report: what was predicted, what was achieved, what was lost, what binds the rate.

use std::fmt::Write;
use std::time::Duration;

use tickover::session::{ChannelReport, FrameReport, Report};

use crate::choice::read_once;
use crate::units::Units;

/// What the session does not know itself.
#[derive(Clone, Debug)]
pub(crate) struct Surroundings {
    /// Unit and port.
    pub(crate) title: String,
    /// Responses per second that were predicted before the port was opened.
    pub(crate) predicted: f64,
    /// The same of each unit, where there are several.
    pub(crate) each_predicted: Vec<f64>,
    /// Class that the I/O thread got from the system.
    pub(crate) scheduling: String,
    /// Times that the program took rows too slowly and lost some; notes say how many.
    pub(crate) dropped: u64,
    /// File and rows safe in it.
    pub(crate) file: Option<String>,
}

/// Channels without a reading that are named.
const NAMED: usize = 12;

/// The report as text, with a line feed after every line.
pub(crate) fn closing(report: &Report, units: &Units, around: &Surroundings) -> String {
    let mut out = String::new();
    let mut say = |what: &str, text: String| {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{what:<15}{text}");
    };
    say("unit", around.title.clone());
    let only_heard = report.responses == 0 && around.predicted <= 0.0 && !report.frames.is_empty();
    if only_heard {
        say("frames", "listened to; nobody is asked on this bus".to_owned());
    } else {
        say(
            "responses",
            format!(
                "{} in {}: {} achieved, {} predicted{}",
                report.responses,
                seconds(report.span),
                per_second(report.achieved),
                per_second(Some(around.predicted)),
                ratio(report.achieved, around.predicted)
            ),
        );
    }
    if report.responses > 1 {
        say("worst gap", format!("{} between two responses", millis(report.worst_gap)));
    }
    if !only_heard {
        say(
            "repeats",
            format!(
                "{} ({} silences, {} garbled, {} refusals, {} pending, {} reconnections)",
                report.repeats, report.silences, report.noise, report.refusals, report.pending, report.reconnections
            ),
        );
    }
    if report.responses > 0 {
        say(
            "response time",
            format!(
                "half within {}, 99 of 100 within {}, longest {}",
                millis(report.response_time_p50),
                millis(report.response_time_p99),
                millis(report.response_time_max)
            ),
        );
        if let Some(measured) = report.predicted {
            say("", format!("{measured:.2}/s is what the model gives with the response time as measured"));
        }
        say("line", format!("carried bytes {:.0} % of the time", report.line_share * 100.0));
    }
    if report.stretch > 1.0 {
        say("wishes", format!("not all can be met: every wanted period is stretched {:.2} times", report.stretch));
    }
    if !report.binds.is_empty() && !only_heard {
        say("binds", report.binds.clone());
    }
    say("scheduling", around.scheduling.clone());
    if around.dropped > 0 {
        say(
            "lost",
            format!("rows, {} times, because this program took them too slowly (see the notes)", around.dropped),
        );
    }
    if let Some(file) = &around.file {
        say("file", file.clone());
    }
    each_unit(&mut out, report, units, around);
    frames(&mut out, report, units);
    channels(&mut out, report, units);
    out
}

/// What each of several units brought.
fn each_unit(out: &mut String, report: &Report, units: &Units, around: &Surroundings) {
    for (place, ((_, unit), report)) in units.iter().zip(&report.units).enumerate() {
        let predicted = around.each_predicted.get(place).copied().unwrap_or_default();
        let _ = writeln!(
            out,
            "{}{:<15}{} responses: {} achieved, {} predicted{}; worst gap {}",
            if place == 0 { "\n" } else { "" },
            unit.name,
            report.responses,
            per_second(report.achieved),
            per_second(Some(predicted)),
            ratio(report.achieved, predicted),
            if report.responses > 1 { millis(report.worst_gap) } else { "-".to_owned() }
        );
    }
}

/// What became of each frame that was listened to.
fn frames(out: &mut String, report: &Report, units: &Units) {
    if report.frames.is_empty() {
        return;
    }
    let name = |line: &FrameReport| {
        let record = units.get(line.unit).map_or("?", |unit| unit.definition.record_name(line.record));
        match units.only() {
            Some(_) => record.to_owned(),
            None => format!("{}:{record}", units.get(line.unit).map_or("?", |unit| &unit.name)),
        }
    };
    let width = report.frames.iter().map(|line| name(line).len()).max().unwrap_or(0).max(6);
    let _ = writeln!(
        out,
        "\n{:8}  {:width$}  {:>8}  {:>10}  {:>8}  {:>9}  not decoded: length, checksum, counter",
        "frame", "record", "decoded", "expected/s", "got/s", "worst gap"
    );
    for line in &report.frames {
        let expected = line.expected.map_or_else(|| "on event".to_owned(), |times| format!("{times:.2}"));
        let got = line.achieved.map_or_else(|| "-".to_owned(), |times| format!("{times:.2}"));
        let gap = if line.frames > 1 { millis(line.worst_gap) } else { "-".to_owned() };
        let _ = writeln!(
            out,
            "{:8}  {:width$}  {:>8}  {expected:>10}  {got:>8}  {gap:>9}  {}, {}, {}",
            line.id.to_string(),
            name(line),
            line.frames,
            line.wrong_length,
            line.wrong_checksum,
            line.wrong_counter
        );
    }
}

fn channels(out: &mut String, report: &Report, units: &Units) {
    let (read, silent): (Vec<_>, Vec<_>) = report.channels.iter().partition(|line| line.readings > 0);
    let name = |line: &&ChannelReport| units.channel_name(line.channel);
    if !read.is_empty() {
        let width = read.iter().map(|line| name(line).len()).max().unwrap_or(0).max(7);
        let _ = writeln!(
            out,
            "\n{:width$}  {:>8}  {:>8}  {:>8}  {:>9}  {:>9}",
            "channel", "readings", "wanted/s", "got/s", "p99 gap", "worst gap"
        );
        for line in read {
            let wanted = match line.wanted {
                _ if read_once(units, line.channel) => "once".to_owned(),
                Some(times) => format!("{times:.2}"),
                None => "fastest".to_owned(),
            };
            let got = line.achieved.map_or_else(|| "-".to_owned(), |times| format!("{times:.2}"));
            let gap = |gap: Duration| if line.readings > 1 { millis(gap) } else { "-".to_owned() };
            let _ = writeln!(
                out,
                "{:width$}  {:>8}  {wanted:>8}  {got:>8}  {:>9}  {:>9}",
                name(&line),
                line.readings,
                gap(line.interval_p99),
                gap(line.worst_gap)
            );
        }
    }
    if !silent.is_empty() {
        let more = silent.len().saturating_sub(NAMED);
        let mut names = silent.iter().take(NAMED).map(name).collect::<Vec<_>>().join(", ");
        if more > 0 {
            let _ = write!(names, " and {more} more");
        }
        let why = match report.responses {
            0 => "the unit did not answer",
            _ => "the unit that answered does not have them, or is a variant without them",
        };
        let _ = writeln!(out, "\nno reading of {names}: {why}; see the notes");
    }
}

/// `12.57/s`; a rate that is not known yet is a dash.
pub(crate) fn per_second(times: Option<f64>) -> String {
    times.map_or_else(|| "-".to_owned(), |times| format!("{times:.2}/s"))
}

/// `98.2 ms`.
pub(crate) fn millis(time: Duration) -> String {
    format!("{:.1} ms", time.as_secs_f64() * 1e3)
}

/// `60.0 s`.
pub(crate) fn seconds(time: Duration) -> String {
    format!("{:.1} s", time.as_secs_f64())
}

fn ratio(achieved: Option<f64>, predicted: f64) -> String {
    match achieved {
        Some(achieved) if predicted > 0.0 => format!(" ({:.3} of it)", achieved / predicted),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use tickover::defs::ChannelId;

    use super::*;

    fn units() -> Units {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/bramble-40.toml");
        Units::load(&[path.parse().unwrap()]).expect("the shipped definition is right")
    }

    fn around() -> Surroundings {
        Surroundings {
            title: "Bramble 40 engine control unit on serial port /dev/ttyUSB0".into(),
            predicted: 12.61,
            each_predicted: vec![],
            scheduling: "real-time".into(),
            dropped: 2,
            file: Some("run.csv: 754 rows safe".into()),
        }
    }

    #[test]
    fn a_report_gives_every_rate_with_its_worst_gap() {
        let units = units();
        let session = units.session().unwrap();
        let channel = |name: &str, wanted, achieved| ChannelReport {
            channel: session.channel(name).unwrap(),
            readings: 377,
            wanted,
            achieved,
            worst_gap: Duration::from_micros(261_400),
            interval_p50: Duration::from_millis(158),
            interval_p99: Duration::from_micros(161_200),
        };
        let report = Report {
            span: Duration::from_millis(60_012),
            responses: 754,
            achieved: Some(12.55),
            recent: Some(12.6),
            predicted: Some(12.58),
            stretch: 1.25,
            worst_gap: Duration::from_micros(98_210),
            repeats: 1,
            silences: 1,
            line_share: 0.463,
            response_time_p50: Duration::from_micros(25_060),
            response_time_p99: Duration::from_micros(25_480),
            response_time_max: Duration::from_micros(26_900),
            binds: "P3 is 61 % of an exchange".into(),
            channels: vec![channel("engine_speed", None, Some(6.25)), channel("knock_retard.1", Some(1.0), None)],
            ..Report::default()
        };
        insta::assert_snapshot!(closing(&report, &units, &around()));
    }

    #[test]
    fn frames_that_were_listened_to_have_lines_of_their_own() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/defs_ok/tansy-bus.toml");
        let units = Units::load(&[path.parse().unwrap()]).expect("the definition is right");
        let frame = |record, id, expected| FrameReport {
            unit: tickover::session::UnitId::FIRST,
            record: tickover::defs::RecordId(record),
            id: tickover::framing::can::Id::Standard(id),
            frames: 288,
            achieved: Some(99.98),
            expected,
            worst_gap: Duration::from_micros(12_300),
            wrong_length: 0,
            wrong_checksum: 1,
            wrong_counter: 2,
        };
        let frames = vec![frame(0, 0x1C2, Some(100.0)), frame(1, 0x1C3, None)];
        let around = Surroundings { predicted: 0.0, dropped: 0, file: None, ..around() };
        let report = Report { frames, ..Report::default() };
        insta::assert_snapshot!(closing(&report, &units, &around));
    }

    #[test]
    fn a_run_without_any_response_has_a_report_too() {
        let silent = ChannelReport {
            channel: ChannelId(9999).into(),
            readings: 0,
            wanted: None,
            achieved: None,
            worst_gap: Duration::ZERO,
            interval_p50: Duration::ZERO,
            interval_p99: Duration::ZERO,
        };
        let report = Report { silences: 3, channels: vec![silent], ..Report::default() };
        insta::assert_snapshot!(closing(&report, &units(), &around()));
    }
}
