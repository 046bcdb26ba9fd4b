//! The line behind a pseudo-terminal: another program opens the path as if it were an adapter.
//!
//! A pseudo-terminal has no line: no pulse, no parity, no pace, no echo. Here the pace and the echo are made: what
//! the tester writes goes over the virtual line at the tester's speed, comes back character by character, and the
//! units answer on it. The tester's speed is read from the terminal's settings; where it differs from the unit's,
//! the characters are garbled as on a real line, and a note says so.

use core::time::Duration;
use std::io;

use tickover_framing::contract::{Act, Chunk, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_link::Clock;

use super::terminal::{PtyNote, Ready, Stop, Stopper, Terminal};
use crate::line::{Line, Station, Who};

/// So much of what a tester writes is taken ahead of the line; the rest stays in the terminal, which holds it up.
const AHEAD: Duration = Duration::from_secs(1);

/// A virtual line whose tester is whoever opens [`path`](Self::path).
#[derive(Debug)]
pub struct PtyLine<S> {
    line: Line<S>,
    clock: Clock,
    terminal: Terminal,
    stop: Stop,
    told: Option<(u32, u32)>,
    out: Vec<u8>,
}

impl<S: Station> PtyLine<S> {
    /// Opens a pseudo-terminal for `line`.
    ///
    /// # Errors
    /// What the system says if it has no pseudo-terminal to give.
    pub fn open(line: Line<S>, clock: Clock) -> io::Result<Self> {
        let (terminal, stop) = (Terminal::open()?, Stop::new()?);
        Ok(Self { line, clock, terminal, stop, told: None, out: Vec::with_capacity(256) })
    }

    /// The path that a tester opens.
    pub fn path(&self) -> &str {
        self.terminal.path()
    }

    /// Ends [`run`](Self::run) from elsewhere.
    pub fn stopper(&self) -> Stopper {
        self.stop.stopper()
    }

    /// The line, to look at its units or plan faults.
    pub const fn line_mut(&mut self) -> &mut Line<S> {
        &mut self.line
    }

    /// Serves one tester after the other until it is stopped. `on` is called after every turn with the line, and
    /// with what happened to the terminal.
    ///
    /// # Errors
    /// What the system says if the pseudo-terminal breaks.
    pub fn run(&mut self, mut on: impl FnMut(&mut Line<S>, Option<PtyNote>)) -> io::Result<()> {
        loop {
            self.catch_up()?;
            on(&mut self.line, None);
            let now = self.clock.now();
            let ahead = self.line.tester_sends_until().since(now) > AHEAD;
            let Ready { tester, terminal, stop } = self.terminal.wait(&self.stop, now, self.line.next_due(), ahead)?;
            if terminal {
                for note in self.terminal.changes()? {
                    on(&mut self.line, Some(note));
                }
            }
            if tester && let Some(note) = self.take_from_tester()? {
                on(&mut self.line, Some(note));
            }
            if stop {
                return self.catch_up();
            }
        }
    }

    /// Lets everything happen that is due, and writes what the tester hears of it.
    fn catch_up(&mut self) -> io::Result<()> {
        let now = self.clock.now();
        let mut buffer = [0; 64];
        self.out.clear();
        loop {
            match self.line.wait(Some(now), &mut buffer) {
                Woke::Bytes { len, .. } => self.out.extend_from_slice(buffer.get(..len).unwrap_or_default()),
                Woke::Deadline { .. } | Woke::Lost { .. } | Woke::Command => break,
                Woke::Edge { .. } | Woke::Frame { .. } | Woke::Bus { .. } | Woke::Sent { .. } => {}
            }
        }
        self.terminal.write(&self.out)
    }

    /// What the tester wrote goes on the line now.
    fn take_from_tester(&mut self) -> io::Result<Option<PtyNote>> {
        let mut buffer = [0; 256];
        let bytes = self.terminal.read(&mut buffer)?;
        if bytes.is_empty() {
            return Ok(None);
        }
        self.catch_up()?;
        let note = self.follow_speed()?;
        for piece in bytes.chunks(Chunk::CAPACITY) {
            let wire = Wire::Bytes(Chunk::split_from(piece).0);
            self.line.act(&Act::Transmit { tag: Tag(0), wire });
        }
        Ok(note)
    }

    /// The tester's end of the line runs at what the terminal is set to. Parity does not get through a
    /// pseudo-terminal: the unit's is taken.
    fn follow_speed(&mut self) -> io::Result<Option<PtyNote>> {
        let Some(Speed::Serial { baud: unit, parity, stop_bits }) = self.line.speed_of(Who::Unit(0)) else {
            return Ok(None);
        };
        let tester = self.terminal.speed()?;
        let speed = Speed::Serial { baud: tester, parity, stop_bits };
        if self.line.speed_of(Who::Tester) != Some(speed) {
            self.line.act(&Act::Speed(speed));
        }
        let differs = (tester != unit).then_some((tester, unit));
        let news = differs.filter(|_| differs != self.told);
        self.told = differs;
        Ok(news.map(|(tester, unit)| PtyNote::SpeedDiffers { tester, unit }))
    }
}
