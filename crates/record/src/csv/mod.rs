//! Rows as a CSV file by RFC 4180: a table that any program reads.
//!
//! `time [s]`, `clock`, one column per channel (`engine_speed [/min]`), then the ages. A line is one response;
//! channels of other responses hold their latest value for a while, and the age columns say how old it is.
//! An invalid reading is an empty cell: no number stands for "none". Numbers are written so that reading them
//! gives the same `f64` back.

mod columns;
mod lines;

use std::io::{self, Write};
use std::time::{Duration, SystemTime};

use tickover_framing::Instant;
use tickover_session::Row;

use columns::Table;
pub use columns::{Column, Hold};
use lines::Lines;
pub use lines::{Flush, Safe};

/// When the file begins.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Start {
    /// `time` counts from here.
    pub at: Instant,
    /// The UTC time then; `None`: the `clock` column stays out.
    pub utc: Option<SystemTime>,
}

/// Why a file was not written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CsvError {
    /// The file took no more. What it took before is whole up to [`Safe::bytes`].
    #[error(
        "file: the rows after row {} were not written ({source}); the {} rows before are safe; \
         make room or write to another place",
        safe.rows, safe.rows
    )]
    Write {
        /// What is safe.
        safe: Safe,
        /// What the system said.
        source: io::Error,
    },
    /// A reading came in another unit than its column's header says.
    #[error(
        "caller: channel {channel} came in [{came}] where its column says [{expected}]; \
         make the columns from the variant that was identified"
    )]
    OtherUnit {
        /// The channel.
        channel: String,
        /// UCUM code of the header; empty: none.
        expected: &'static str,
        /// UCUM code of the reading; empty: none.
        came: &'static str,
    },
    /// A line could not be put together.
    #[error("file: a line could not be put together ({0})")]
    Line(#[from] ::csv::Error),
}

/// Writes rows as CSV (RFC 4180: CRLF line ends, a header line, quotes where needed).
///
/// ```
/// use tickover_record::{Column, Csv, Flush, Hold, Start};
/// # use std::time::{Duration, SystemTime};
/// # use tickover_defs::{ChannelId, RecordId, Raw, Reading, Value};
/// # use tickover_framing::Instant;
/// # use tickover_session::{Row, UnitId};
/// # let row = Row { at: Instant::from_nanos(1_500_000_000), unit: UnitId::FIRST, record: RecordId(0), response: vec![0x61, 1, 0x0D, 0x48],
/// #     response_time: Duration::from_millis(25), readings: vec![Reading { channel: ChannelId(0), raw: Some(Raw::Unsigned(3400)),
/// #     value: Ok(Value::Number(850.0)), unit: None, decimals: 2, age: Duration::ZERO }] };
/// let speed = Column {
///     channel: ChannelId(0).into(),
///     name: "engine_speed".into(),
///     unit: None,
///     record: Some((RecordId(0), "engine".into())),
///     hold: Hold::For(Duration::from_millis(100)),
/// };
/// let start = Start { at: Instant::ORIGIN, utc: Some(SystemTime::UNIX_EPOCH) };
/// let mut file = Vec::new();
/// let mut csv = Csv::new(&mut file, vec![speed], start, Flush::EVERY_ROW)?;
/// csv.write(&row)?;
/// csv.finish()?;
/// assert_eq!(
///     String::from_utf8(file).unwrap(),
///     "time [s],clock,engine_speed,engine age [s]\r\n\
///      1.500000,1970-01-01T00:00:01.500000Z,850,0.000000\r\n"
/// );
/// # Ok::<(), tickover_record::CsvError>(())
/// ```
#[derive(Debug)]
pub struct Csv<W: Write> {
    lines: Lines<W>,
    table: Table,
    start: Start,
}

impl<W: Write> Csv<W> {
    /// Begins a file: writes the header.
    ///
    /// # Errors
    /// [`CsvError::Write`] if the writer takes no header.
    pub fn new(writer: W, columns: Vec<Column>, start: Start, flush: Flush) -> Result<Self, CsvError> {
        let table = Table::new(columns);
        let mut header = vec!["time [s]".to_owned()];
        header.extend(start.utc.map(|_| "clock".to_owned()));
        header.extend(table.header());
        let mut lines = Lines::new(writer, flush);
        lines.begin(&line(&header)?).map_err(|source| CsvError::Write { safe: lines.safe(), source })?;
        Ok(Self { lines, table, start })
    }

    /// Writes one row as one line. The file has it once the flush policy says so.
    ///
    /// After an error the next call first writes what is still waiting: if there is room again, nothing is missing.
    ///
    /// # Errors
    /// [`CsvError::Write`] if the writer takes no more; the row is kept waiting, unless rows were waiting already,
    /// when it is not taken. [`CsvError::OtherUnit`] if a reading does not fit its column; the row is not taken.
    pub fn write(&mut self, row: &Row) -> Result<(), CsvError> {
        self.lines.retry().map_err(|source| CsvError::Write { safe: self.lines.safe(), source })?;
        let since = row.at.since(self.start.at);
        let mut fields = vec![seconds(since)];
        fields.extend(self.start.utc.map(|utc| {
            utc.checked_add(since).map(|now| humantime::format_rfc3339_micros(now).to_string()).unwrap_or_default()
        }));
        self.table.line(row, &mut fields)?;
        let line = line(&fields)?;
        self.lines.push(&line, row.at).map_err(|source| CsvError::Write { safe: self.lines.safe(), source })
    }

    /// Hands what is waiting to the writer now. Call it when rows stop coming: there is no clock in here.
    ///
    /// # Errors
    /// [`CsvError::Write`] if the writer takes no more.
    pub fn flush(&mut self) -> Result<Safe, CsvError> {
        self.lines.flush().map_err(|source| CsvError::Write { safe: self.lines.safe(), source })?;
        Ok(self.lines.safe())
    }

    /// Ends the file. Dropping does the same, but cannot tell of an error.
    ///
    /// # Errors
    /// [`CsvError::Write`] if the writer takes no more.
    pub fn finish(mut self) -> Result<Safe, CsvError> {
        self.flush()
    }

    /// Rows and bytes that the writer has taken for good.
    pub fn safe(&self) -> Safe {
        self.lines.safe()
    }
}

fn line(fields: &[String]) -> Result<Vec<u8>, ::csv::Error> {
    let mut writer =
        ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).buffer_capacity(512).from_writer(Vec::new());
    writer.write_record(fields)?;
    writer.into_inner().map_err(|error| io::Error::other(error.to_string()).into())
}

/// `12.480000`: whole microseconds, the rest cut off.
fn seconds(duration: Duration) -> String {
    format!("{}.{:06}", duration.as_secs(), duration.subsec_micros())
}

#[cfg(test)]
mod tests;
