//! Where there is no `ppoll`: waits of at most 10 ms, a flag looked at in between.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Wake, Waker};
use std::time::Duration;

use tickover_framing::Instant;

use super::Ready;
use crate::Clock;

/// The longest that a command waits to be noticed.
const SLICE: Duration = Duration::from_millis(10);

/// Wakes a wait: a flag that stays set until the wait has seen it.
#[derive(Debug)]
pub(crate) struct Bell(Arc<Flag>);

#[derive(Debug)]
struct Flag(AtomicBool);

impl Wake for Flag {
    fn wake(self: Arc<Self>) {
        self.0.store(true, Ordering::Release);
    }
}

impl Bell {
    pub(crate) fn new() -> io::Result<Self> {
        Ok(Self(Arc::new(Flag(AtomicBool::new(false)))))
    }

    pub(crate) fn waker(&self) -> Waker {
        Waker::from(Arc::clone(&self.0))
    }
}

/// Waits until the port is `readable`, the bell is rung, or `until` has passed, in this order.
pub(crate) fn ready(
    mut readable: impl FnMut() -> io::Result<bool>,
    bell: &Bell,
    clock: &Clock,
    until: Option<Instant>,
) -> io::Result<Ready> {
    let asked = clock.now();
    loop {
        let now = clock.now();
        if readable()? {
            return Ok(Ready::Port);
        }
        if bell.0.0.swap(false, Ordering::Acquire) {
            return Ok(Ready::Command);
        }
        let left = until.map_or(SLICE, |until| until.since(now));
        if left.is_zero() {
            return Ok(Ready::Deadline);
        }
        // Fine steps while an answer may be on its way, slices when the line is quiet for long.
        let step = left.min(SLICE).min(Duration::from_millis(1).max(now.since(asked) / 10));
        if step == left { clock.sleep_until(now.after(step)) } else { std::thread::sleep(step) }
    }
}
