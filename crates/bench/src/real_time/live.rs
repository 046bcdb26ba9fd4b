//! A line or a bus inside this program as a port for the I/O thread.

use core::time::Duration;
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Wake, Waker};
use std::thread::Thread;

use tickover_framing::Instant;
use tickover_framing::can::Filter;
use tickover_framing::contract::{Act, Input};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::time::earliest;
use tickover_framing::transport::Reach;
use tickover_link::{Clock, Description, Kind, LivePort, OpenError};

use super::Medium;
use crate::bus::Bus;
use crate::line::Line;

/// A virtual [`Line`] or [`Bus`] in real time: whatever is due happens when the clock says so.
///
/// Everything reaches the units as on a real line: pulses and parity, errors and acknowledgements. [`Line::cut_at`] or
/// [`Bus::cut_at`] unplugs it; [`reopen`](LivePort::reopen) plugs it in again.
#[derive(Debug)]
pub struct Live<M> {
    medium: M,
    clock: Clock,
    name: String,
    bell: Arc<Bell>,
    /// What the tester noticed while it was acting.
    heard: VecDeque<(Woke, [u8; 2])>,
}

/// A virtual K-line in real time.
pub type LiveLine<S> = Live<Line<S>>;

/// A virtual CAN bus in real time.
pub type LiveBus<S> = Live<Bus<S>>;

/// A call that may come before the wait.
#[derive(Debug, Default)]
struct Bell {
    rung: AtomicBool,
    waiter: std::sync::Mutex<Option<Thread>>,
}

impl Wake for Bell {
    fn wake(self: Arc<Self>) {
        self.rung.store(true, Ordering::Release);
        if let Ok(waiter) = self.waiter.lock()
            && let Some(thread) = waiter.as_ref()
        {
            thread.unpark();
        }
    }
}

/// What a port in process can do: all that a real line carries; its thread may be 20 ms late on a loaded computer.
pub const LIVE_REACH: Reach =
    Reach { late_in: Duration::from_millis(20), late_out: Duration::from_millis(20), ..Reach::IDEAL };

impl<S> Live<Line<S>> {
    /// The line, to look at its units or plan faults.
    pub const fn line_mut(&mut self) -> &mut Line<S> {
        &mut self.medium
    }
}

impl<S> Live<Bus<S>> {
    /// The bus, to look at its units or plan faults.
    pub const fn bus_mut(&mut self) -> &mut Bus<S> {
        &mut self.medium
    }
}

impl<M: Medium> Live<M> {
    /// Paces a line or a bus by `clock`. Its instants become those of the clock.
    ///
    /// Make it with [`LIVE_REACH`], so that the tester's machine allows for late wake-ups.
    pub fn new(medium: M, clock: Clock, name: &str) -> Self {
        Self { medium, clock, name: name.to_owned(), bell: Arc::default(), heard: VecDeque::new() }
    }

    /// Sleeps until `at` or until somebody rings; true if rung.
    fn sleep_until(&self, at: Option<Instant>) -> bool {
        loop {
            if self.bell.rung.swap(false, Ordering::AcqRel) {
                return true;
            }
            let now = self.clock.now();
            match at {
                None => std::thread::park(),
                Some(at) if at <= now => return false,
                Some(at) if at.since(now) <= Clock::SPIN => self.clock.sleep_until(at),
                Some(at) => std::thread::park_timeout(at.since(now).saturating_sub(Clock::SPIN)),
            }
        }
    }
}

impl<M: Medium> Port for Live<M> {
    fn reach(&self) -> Reach {
        self.medium.reach()
    }

    fn now(&self) -> Instant {
        self.clock.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        let (now, mut bytes) = (self.clock.now(), [0; 2]);
        loop {
            match self.medium.wait(Some(now), &mut bytes) {
                Woke::Deadline { .. } | Woke::Lost { .. } | Woke::Command => return self.medium.act(act),
                woke => self.heard.push_back((woke, bytes)),
            }
        }
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        if let Ok(mut waiter) = self.bell.waiter.lock() {
            *waiter = Some(std::thread::current());
        }
        if let Some((woke, bytes)) = self.heard.pop_front() {
            buffer.iter_mut().zip(bytes).for_each(|(place, byte)| *place = byte);
            return woke;
        }
        loop {
            match self.medium.wait(Some(self.clock.now()), buffer) {
                Woke::Deadline { now } if until.is_none_or(|until| now < until) => {}
                woke => return woke,
            }
            if self.sleep_until(earliest(self.medium.next_due(), until)) {
                return Woke::Command;
            }
        }
    }
}

impl<M: Medium + Send> LivePort for Live<M> {
    fn clock(&self) -> Clock {
        self.clock
    }

    fn waker(&self) -> Waker {
        Waker::from(Arc::clone(&self.bell))
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        self.medium.plug_in();
        self.medium.pass_until(self.clock.now());
        self.heard.clear();
        Ok(())
    }

    fn filter(&mut self, filters: &[Filter]) {
        self.medium.filter(filters);
    }

    fn description(&self) -> Description {
        Description { name: self.name.clone(), kind: Kind::InProcess }
    }
}
