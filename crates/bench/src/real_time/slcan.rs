//! A bus behind a pseudo-terminal: another program opens the path as if it were an adapter that speaks slcan.

use std::io;

use tickover_framing::drive::{Port, Woke};
use tickover_link::Clock;

use super::adapter::Adapter;
use super::terminal::{PtyNote, Ready, Stop, Stopper, Terminal};
use crate::bus::{Bus, Station};

/// A virtual bus whose tester is whoever opens [`path`](Self::path) and speaks slcan.
///
/// The serial speed is of no account. The channel is closed until the tester opens it, and again once he has gone.
#[derive(Debug)]
pub struct SlcanBus<S> {
    bus: Bus<S>,
    clock: Clock,
    terminal: Terminal,
    stop: Stop,
    adapter: Adapter,
    out: Vec<u8>,
}

impl<S: Station> SlcanBus<S> {
    /// Opens a pseudo-terminal for `bus`.
    ///
    /// # Errors
    /// What the system says if it has no pseudo-terminal to give.
    pub fn open(mut bus: Bus<S>, clock: Clock) -> io::Result<Self> {
        let (terminal, stop, mut adapter) = (Terminal::open()?, Stop::new()?, Adapter::new());
        adapter.close(&mut bus);
        Ok(Self { bus, clock, terminal, stop, adapter, out: Vec::new() })
    }

    /// The path that a tester opens.
    pub fn path(&self) -> &str {
        self.terminal.path()
    }

    /// Ends [`run`](Self::run) from elsewhere.
    pub fn stopper(&self) -> Stopper {
        self.stop.stopper()
    }

    /// The bus, to look at its units or plan faults.
    pub const fn bus_mut(&mut self) -> &mut Bus<S> {
        &mut self.bus
    }

    /// Serves one tester after the other until it is stopped. `on` is called after every turn with the bus, and with
    /// what happened to the terminal.
    ///
    /// # Errors
    /// What the system says if the pseudo-terminal breaks.
    pub fn run(&mut self, mut on: impl FnMut(&mut Bus<S>, Option<PtyNote>)) -> io::Result<()> {
        loop {
            self.catch_up()?;
            on(&mut self.bus, None);
            let Ready { tester, terminal, stop } =
                self.terminal.wait(&self.stop, self.clock.now(), self.bus.next_due(), false)?;
            if terminal {
                for note in self.terminal.changes()? {
                    if note == PtyNote::Closed {
                        self.adapter = Adapter::new();
                        self.adapter.close(&mut self.bus);
                    }
                    on(&mut self.bus, Some(note));
                }
            }
            if tester {
                self.take_from_tester()?;
            }
            if stop {
                return self.catch_up();
            }
        }
    }

    /// Lets everything happen that is due, and writes what the tester hears of it.
    fn catch_up(&mut self) -> io::Result<()> {
        let now = self.clock.now();
        loop {
            match self.bus.wait(Some(now), &mut []) {
                Woke::Deadline { .. } | Woke::Lost { .. } | Woke::Command => break,
                woke => self.adapter.tell(&woke, &self.bus, &mut self.out),
            }
        }
        self.terminal.write(&self.out)?;
        self.out.clear();
        Ok(())
    }

    fn take_from_tester(&mut self) -> io::Result<()> {
        let mut buffer = [0; 256];
        let bytes = self.terminal.read(&mut buffer)?;
        self.catch_up()?;
        for byte in bytes {
            self.adapter.take(*byte, &mut self.bus, &mut self.out);
        }
        self.terminal.write(&self.out)?;
        self.out.clear();
        Ok(())
    }
}
