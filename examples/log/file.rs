//! The CSV file: columns from the definition, whole lines whatever happens.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tickover::record::{Column, Csv, CsvError, Flush, Hold, Start};
use tickover::session::{ChannelKey, Prediction, Row, Session};

use crate::choice::{Wish, read_once};
use crate::units::Units;

pub(crate) struct Output {
    path: PathBuf,
    csv: Csv<File>,
}

/// At most this much is lost if the power fails.
const FLUSH: Flush = Flush::Every(Duration::from_millis(500));

impl Output {
    /// Begins the file.
    pub(crate) fn create(path: &Path, columns: Vec<Column>, start: Start) -> Result<Self, String> {
        let csv = Csv::new(create(path)?, columns, start, FLUSH).map_err(|error| of_file(path, &error))?;
        Ok(Self { path: path.to_owned(), csv })
    }

    pub(crate) fn write(&mut self, row: &Row) -> Result<(), CsvError> {
        self.csv.write(row)
    }

    /// Ends the file: what is safe in it, in words, or the sentence that says what is not.
    pub(crate) fn finish(self) -> Result<String, String> {
        let path = self.path.display().to_string();
        match self.csv.finish() {
            Ok(safe) => Ok(format!("{path}: {} rows safe", safe.rows)),
            Err(error) => {
                if let CsvError::Write { safe, .. } = &error {
                    // The last line may be cut: better none than half of one. A device cannot be shortened.
                    let _ = OpenOptions::new().write(true).open(&self.path).and_then(|file| file.set_len(safe.bytes));
                }
                Err(of_file(&self.path, &error))
            }
        }
    }
}

/// The sentence with the file's name in it.
fn of_file(path: &Path, error: &CsvError) -> String {
    format!("file {}: {}", path.display(), error.to_string().trim_start_matches("file: "))
}

/// Opens a file to write, empty.
pub(crate) fn create(path: &Path) -> Result<File, String> {
    File::create(path)
        .map_err(|error| format!("file {}: cannot be written ({error}); choose another place", path.display()))
}

/// One column per chosen channel.
pub(crate) fn columns(session: &Session, chosen: &[Wish], holds: &BTreeMap<ChannelKey, Hold>) -> Vec<Column> {
    let hold = |key: &ChannelKey| holds.get(key).copied().unwrap_or(Hold::Forever);
    chosen.iter().filter_map(|(key, _)| Column::in_session(session, *key, hold(key))).collect()
}

/// How long each channel's value stands: two wanted periods, or two of the periods that it is predicted to reach.
pub(crate) fn holds(units: &Units, chosen: &[Wish], prediction: &Prediction) -> BTreeMap<ChannelKey, Hold> {
    let predicted: BTreeMap<ChannelKey, f64> = prediction.channels.iter().copied().collect();
    let hold = |(key, rate): &Wish| {
        if read_once(units, *key) {
            return (*key, Hold::Forever);
        }
        let times = predicted.get(key).copied().filter(|times| *times > 1e-3).unwrap_or(1.0);
        (*key, Hold::two_periods(*rate, Duration::from_secs_f64(1.0 / times)))
    };
    chosen.iter().map(hold).collect()
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use tickover::framing::Instant;

    use super::*;

    /// full(4) of the Linux manual: every write to /dev/full fails with ENOSPC.
    #[test]
    fn a_full_disk_is_told_with_the_name_of_the_file() {
        let start = Start { at: Instant::ORIGIN, utc: None };
        let ended = Output::create(Path::new("/dev/full"), vec![], start).and_then(Output::finish);
        let sentence = ended.expect_err("nothing fits");
        assert!(sentence.starts_with("file /dev/full: the rows after row 0 were not written"), "{sentence}");
    }
}
