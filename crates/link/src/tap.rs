//! The port as the I/O thread sees it: tapped, and patient while the line is gone.

use std::thread;
use std::time::Duration;

use tickover_framing::Instant;
use tickover_framing::can::Filter;
use tickover_framing::contract::{Act, Input, Level, Lost};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::Reach;

use crate::{LivePort, OpenError};

/// What passed between the machine and the port, in the order in which it did.
#[derive(Clone, Copy, Debug)]
pub enum Seen<'a> {
    /// The machine asked for this.
    Act {
        /// When.
        at: Instant,
        /// What.
        act: &'a Act,
    },
    /// The machine was told this: reports of its acts, bytes, deadlines, the loss of the line.
    Input(&'a Input<'a>),
}

/// Takes everything that passes between the machine and the port: a raw capture is this stream.
///
/// It is called in the I/O thread and must not wait. Any `FnMut(Seen<'_>) + Send` is one.
pub trait Tap: Send {
    /// Takes one act or input.
    fn see(&mut self, seen: Seen<'_>);
}

impl<F: FnMut(Seen<'_>) + Send> Tap for F {
    fn see(&mut self, seen: Seen<'_>) {
        self(seen);
    }
}

/// A port with a tap on it that remembers whether the line is gone, and lets go of the line in the end.
pub(crate) struct Tapped<P: LivePort> {
    port: P,
    tap: Option<Box<dyn Tap>>,
    lost: Option<Loss>,
    holds_low: bool,
}

/// Since when the line is gone, why, and when to try it again (`None`: the thread has not yet decided).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Loss {
    pub(crate) at: Instant,
    pub(crate) cause: Lost,
    pub(crate) retry: Option<Instant>,
}

impl<P: LivePort> Tapped<P> {
    pub(crate) fn new(port: P, tap: Option<Box<dyn Tap>>) -> Self {
        Self { port, tap, lost: None, holds_low: false }
    }

    pub(crate) fn port(&self) -> &P {
        &self.port
    }

    pub(crate) fn loss(&self) -> Option<Loss> {
        self.lost
    }

    pub(crate) fn retry_at(&mut self, at: Instant) {
        if let Some(loss) = &mut self.lost {
            loss.retry = Some(at);
        }
    }

    /// Tries to get the line back.
    pub(crate) fn reopen(&mut self) -> Result<(), OpenError> {
        self.port.reopen()?;
        (self.lost, self.holds_low) = (None, false);
        Ok(())
    }

    pub(crate) fn filter(&mut self, filters: &[Filter]) {
        self.port.filter(filters);
    }

    fn see(&mut self, input: &Input<'_>) {
        if let Input::Lost { at, cause } = *input {
            self.lost.get_or_insert(Loss { at, cause, retry: None });
        }
        if let Input::LineIs { level, .. } = *input {
            self.holds_low = level == Level::Low;
        }
        if let Some(tap) = &mut self.tap {
            tap.see(Seen::Input(input));
        }
    }

    /// Sleeps until a command, the machine's deadline or the next attempt; whoever commands unparks us.
    fn wait_without_line(&self, loss: Loss, until: Option<Instant>) -> Woke {
        let Some(retry) = loss.retry else { return Woke::Command };
        let wake = until.map_or(retry, |until| until.min(retry));
        thread::park_timeout(wake.since(self.port.now()));
        let now = self.port.now();
        if until.is_some_and(|until| until <= now) { Woke::Deadline { now } } else { Woke::Command }
    }
}

/// A machine that is stopped in the middle of an initialisation would leave the line to nobody.
impl<P: LivePort> Drop for Tapped<P> {
    fn drop(&mut self) {
        if self.holds_low && self.lost.is_none() {
            self.act(&Act::Line { level: Level::High, hold: Duration::ZERO });
        }
    }
}

impl<P: LivePort> Port for Tapped<P> {
    fn reach(&self) -> Reach {
        self.port.reach()
    }

    fn now(&self) -> Instant {
        self.port.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        let at = self.port.now();
        if let Some(tap) = &mut self.tap {
            tap.see(Seen::Act { at, act });
        }
        let report = match self.lost {
            Some(Loss { cause, .. }) => Some(Input::Lost { at, cause }),
            None => self.port.act(act),
        };
        if let Some(input) = &report {
            self.see(input);
        }
        report
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        let woke = match self.lost {
            Some(loss) => self.wait_without_line(loss, until),
            None => self.port.wait(until, buffer),
        };
        if let Some(input) = woke.input(buffer) {
            self.see(&input);
        }
        woke
    }
}
