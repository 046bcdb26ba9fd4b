//! The command line.

use std::path::PathBuf;
use std::time::Duration;

use clap::Parser;

use crate::choice::Choice;
use crate::units::Source;

/// Logs channels of control units: value, unit, minimum, maximum, responses per second, and a CSV file.
///
/// Without --port it runs on the built-in bench: the unit is simulated, no hardware needed.
#[derive(Parser, Debug)]
#[command(name = "log", after_help = CAUTIONS)]
pub(crate) struct Options {
    /// What is known about the control unit. On CAN several units of one bus can be given, each with a name:
    /// `--definition engine=FILE --definition gearbox=FILE`; then `gearbox:oil_temperature` is a channel.
    #[arg(long = "definition", value_name = "[NAME=]FILE", default_value = "defs/bramble-40.toml")]
    pub(crate) definitions: Vec<Source>,

    /// The line: path of a serial port (/dev/ttyUSB0, COM3), can:NAME, slcan:PATH or socketcand:HOST:PORT/NAME
    /// [default: the built-in bench].
    #[arg(long, value_name = "PORT")]
    pub(crate) port: Option<String>,

    /// Channels, arrays or groups with the least rate wanted per second; without a rate as fast as possible
    /// [default: all].
    #[arg(long, value_name = "NAME@RATE,..", value_delimiter = ',')]
    pub(crate) channels: Vec<Choice>,

    /// Session of the definition to enter, for instance one with a faster baud rate; `UNIT:NAME` of several units.
    #[arg(long = "session", value_name = "NAME")]
    pub(crate) sessions: Vec<String>,

    /// How long, as in 60s or 5min [default: until Ctrl-C].
    #[arg(long = "for", value_name = "TIME", value_parser = humantime::parse_duration)]
    pub(crate) time: Option<Duration>,

    /// Writes the rows to this CSV file.
    #[arg(long, value_name = "FILE")]
    pub(crate) output: Option<PathBuf>,

    /// Prints each row as one line of JSON; everything else goes to the error output.
    #[arg(long)]
    pub(crate) json: bool,

    /// Response time (P2) that the prediction assumes and the built-in bench keeps [default: P2min of a K-line, 1 ms
    /// on CAN].
    #[arg(long, value_name = "TIME", value_parser = humantime::parse_duration)]
    pub(crate) p2: Option<Duration>,

    /// Accepts a port whose baud rate is off by so many parts per million [default: 5000].
    #[arg(long, value_name = "PPM")]
    pub(crate) baud_tolerance_ppm: Option<u32>,

    /// Writes what the built-in bench sent, to compare with.
    #[arg(long, value_name = "FILE", conflicts_with = "port")]
    pub(crate) truth: Option<PathBuf>,
}

/// Shown in the help and before a real port is opened.
pub(crate) const CAUTIONS: &str = "\
Cautions: keep clear of hot and moving parts of a running engine and run it only where its exhaust can leave. \
Watch the battery when the engine stands. While driving a passenger operates the program; the driver drives. \
Local law and licensed practice come first.";

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_consistent() {
        Options::command().debug_assert();
    }

    #[test]
    fn without_arguments_the_bench_runs_until_it_is_stopped() {
        let options = Options::parse_from(["log"]);
        assert_eq!((options.port, options.time, options.channels.len()), (None, None, 0));
    }

    #[test]
    fn channels_and_times_are_read() {
        let options = Options::parse_from(["log", "--channels", "engine_speed@20,coolant", "--for", "1min 5s"]);
        assert_eq!(options.channels, ["engine_speed@20".parse().unwrap(), "coolant".parse().unwrap()]);
        assert_eq!(options.time, Some(Duration::from_secs(65)));
    }

    #[test]
    fn a_truth_file_needs_the_built_in_bench() {
        let error = Options::try_parse_from(["log", "--port", "COM3", "--truth", "t"]).unwrap_err();
        assert_eq!(error.kind(), clap::error::ErrorKind::ArgumentConflict);
    }

    #[test]
    fn the_help_is_complete() {
        insta::assert_snapshot!(Options::command().render_long_help());
    }
}
