//! A tester's machine on a virtual line or bus until something comes of it.

use std::cell::Cell;

use tickover_framing::contract::{Act, Input, Machine};
use tickover_framing::drive::{Port, Woke, turn};
use tickover_framing::time::{Instant, earliest};
use tickover_framing::transport::Reach;

use crate::bus::Bus;
use crate::line::Line;
use crate::station::Station;

impl<S: Station> Line<S> {
    /// Drives the tester's machine until `on` makes something of an event, which comes back before any more time
    /// passes. Further events of the same moment reach `on`, too; what it makes of them is dropped.
    ///
    /// `None` once `until` has passed, or when nothing is left to happen, as on a port that is gone.
    pub fn drive<M: Machine, T>(
        &mut self,
        machine: &mut M,
        until: Instant,
        on: impl FnMut(&mut M, M::Event) -> Option<T>,
    ) -> Option<T> {
        drive(self, machine, until, on)
    }
}

impl<S: Station> Bus<S> {
    /// Drives the tester's machine until `on` makes something of an event, which comes back before any more time
    /// passes. Further events of the same moment reach `on`, too; what it makes of them is dropped.
    ///
    /// `None` once `until` has passed, or when nothing is left to happen, as on a port that is gone.
    pub fn drive<M: Machine, T>(
        &mut self,
        machine: &mut M,
        until: Instant,
        on: impl FnMut(&mut M, M::Event) -> Option<T>,
    ) -> Option<T> {
        drive(self, machine, until, on)
    }
}

fn drive<P: Port, M: Machine, T>(
    port: &mut P,
    machine: &mut M,
    until: Instant,
    mut on: impl FnMut(&mut M, M::Event) -> Option<T>,
) -> Option<T> {
    let mut found = None;
    let done = Cell::new(false);
    let mut port = Until { port, until, done: &done };
    let mut lost = false;
    loop {
        let woke = turn(machine, &mut port, |machine, event| {
            let made = on(machine, event);
            found = found.take().or(made);
            done.set(found.is_some());
        });
        if done.get() || woke == Woke::Command {
            return found;
        }
        // Time stands still on a port that is gone; one turn more takes what the machine says to that.
        if matches!(woke, Woke::Lost { .. }) && std::mem::replace(&mut lost, true) {
            return found;
        }
    }
}

/// A port that stops in time.
struct Until<'a, P> {
    port: &'a mut P,
    until: Instant,
    done: &'a Cell<bool>,
}

impl<P: Port> Port for Until<'_, P> {
    fn reach(&self) -> Reach {
        self.port.reach()
    }

    fn now(&self) -> Instant {
        self.port.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        self.port.act(act)
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        if self.done.get() {
            return Woke::Command;
        }
        match self.port.wait(earliest(until, Some(self.until)), buffer) {
            Woke::Deadline { now } if until.is_none_or(|until| now < until) => Woke::Command,
            woke => woke,
        }
    }
}
