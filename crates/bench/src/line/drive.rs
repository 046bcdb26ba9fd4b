//! A tester's machine on the line until something comes of it.

use std::cell::Cell;

use tickover_framing::contract::{Act, Input, Machine};
use tickover_framing::drive::{Port, Woke, turn};
use tickover_framing::time::{Instant, earliest};
use tickover_framing::transport::Reach;

use super::{Line, Station};

impl<S: Station> Line<S> {
    /// Drives the tester's machine until `on` makes something of an event, which comes back before any more time
    /// passes. Further events of the same moment reach `on`, too; what it makes of them is dropped.
    ///
    /// `None` once `until` has passed, or when nothing is left to happen.
    pub fn drive<M: Machine, T>(
        &mut self,
        machine: &mut M,
        until: Instant,
        mut on: impl FnMut(&mut M, M::Event) -> Option<T>,
    ) -> Option<T> {
        let mut found = None;
        let done = Cell::new(false);
        let mut port = Until { line: self, until, done: &done };
        loop {
            let woke = turn(machine, &mut port, |machine, event| {
                let made = on(machine, event);
                found = found.take().or(made);
                done.set(found.is_some());
            });
            if done.get() || woke == Woke::Command {
                return found;
            }
        }
    }
}

/// The line's port that stops in time.
struct Until<'a, S> {
    line: &'a mut Line<S>,
    until: Instant,
    done: &'a Cell<bool>,
}

impl<S: Station> Port for Until<'_, S> {
    fn reach(&self) -> Reach {
        self.line.reach()
    }

    fn now(&self) -> Instant {
        self.line.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        self.line.act(act)
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        if self.done.get() {
            return Woke::Command;
        }
        match self.line.wait(earliest(until, Some(self.until)), buffer) {
            Woke::Deadline { now } if until.is_none_or(|until| now < until) => Woke::Command,
            woke => woke,
        }
    }
}
