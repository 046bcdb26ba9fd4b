//! Whole lines into a writer that may fail, with count of what is safe.

use std::collections::VecDeque;
use std::io::{self, Write};
use std::num::NonZeroU32;
use std::time::Duration;

use tickover_framing::Instant;

/// When lines are handed to the writer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Flush {
    /// After this many rows.
    Rows(NonZeroU32),
    /// With the first row that is this much later than the last flush, by the rows' own time.
    Every(Duration),
}

impl Flush {
    /// After every row: nothing is lost but the row under way.
    pub const EVERY_ROW: Self = Self::Rows(NonZeroU32::MIN);
}

/// What the writer has taken for good.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub struct Safe {
    /// Rows, without the header.
    pub rows: u64,
    /// Bytes up to the end of the last safe line: cut a file here, and it holds whole lines only.
    pub bytes: u64,
}

/// More than this never waits, whatever the policy.
const MOST_WAITING: usize = 64 * 1024;

#[derive(Debug)]
pub(super) struct Lines<W: Write> {
    writer: W,
    policy: Flush,
    /// Bytes that the writer has not taken.
    waiting: Vec<u8>,
    /// Line ends not yet safe, as offsets from the start of the file; the header is the first line.
    ends: VecDeque<u64>,
    /// Bytes that the writer has taken.
    taken: u64,
    safe: Safe,
    lines_safe: u64,
    rows_since_flush: u32,
    last_flush: Option<Instant>,
    failed: bool,
}

impl<W: Write> Lines<W> {
    pub(super) fn new(writer: W, policy: Flush) -> Self {
        Self {
            writer,
            policy,
            waiting: Vec::new(),
            ends: VecDeque::new(),
            taken: 0,
            safe: Safe::default(),
            lines_safe: 0,
            rows_since_flush: 0,
            last_flush: None,
            failed: false,
        }
    }

    pub(super) fn begin(&mut self, header: &[u8]) -> io::Result<()> {
        self.append(header);
        self.flush()
    }

    pub(super) fn push(&mut self, line: &[u8], now: Instant) -> io::Result<()> {
        self.append(line);
        self.rows_since_flush += 1;
        let last = *self.last_flush.get_or_insert(now);
        let due = match self.policy {
            Flush::Rows(rows) => self.rows_since_flush >= rows.get(),
            Flush::Every(period) => now.since(last) >= period,
        };
        if due || self.waiting.len() > MOST_WAITING {
            self.last_flush = Some(now);
            self.flush()?;
        }
        Ok(())
    }

    /// Writes what an earlier failure left waiting.
    pub(super) fn retry(&mut self) -> io::Result<()> {
        if self.failed { self.flush() } else { Ok(()) }
    }

    pub(super) fn flush(&mut self) -> io::Result<()> {
        let mut done = 0;
        let mut result = Ok(());
        while let Some(rest) = self.waiting.get(done..).filter(|rest| !rest.is_empty()) {
            match self.writer.write(rest) {
                Ok(0) => result = Err(io::ErrorKind::WriteZero.into()),
                Ok(count) => done += count.min(rest.len()),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => result = Err(error),
            }
            if result.is_err() {
                break;
            }
        }
        self.waiting.drain(..done);
        self.taken += done as u64;
        // A buffering writer takes bytes and fails later: they are safe only after its own flush.
        let flushed = self.writer.flush();
        if flushed.is_ok() {
            self.count_safe();
        }
        let result = result.and(flushed);
        self.failed = result.is_err();
        if result.is_ok() {
            self.rows_since_flush = 0;
        }
        result
    }

    pub(super) fn safe(&self) -> Safe {
        self.safe
    }

    fn append(&mut self, line: &[u8]) {
        self.waiting.extend_from_slice(line);
        self.ends.push_back(self.taken + self.waiting.len() as u64);
    }

    fn count_safe(&mut self) {
        while let Some(end) = self.ends.front().copied().filter(|end| *end <= self.taken) {
            self.ends.pop_front();
            self.lines_safe += 1;
            self.safe = Safe { rows: self.lines_safe - 1, bytes: end };
        }
    }
}

impl<W: Write> Drop for Lines<W> {
    fn drop(&mut self) {
        // Nobody is left to be told; `finish` is the way that tells.
        let _ = self.flush();
    }
}
