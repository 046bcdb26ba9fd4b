//! One `ppoll` on the port and a wake-up pipe, until an absolute deadline.

use std::io::{self, PipeReader, PipeWriter};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::task::{Wake, Waker};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use tickover_framing::Instant;

use super::Ready;
use crate::Clock;

/// Wakes a wait: a pipe that stays readable until the wait has seen it.
#[derive(Debug)]
pub(crate) struct Bell {
    heard: PipeReader,
    rope: Arc<Rope>,
}

#[derive(Debug)]
struct Rope(PipeWriter);

impl Wake for Rope {
    fn wake(self: Arc<Self>) {
        self.wake_by_ref();
    }

    fn wake_by_ref(self: &Arc<Self>) {
        // A full pipe is a rung bell.
        let _ = rustix::io::retry_on_intr(|| rustix::io::write(&self.0, &[1]));
    }
}

impl Bell {
    pub(crate) fn new() -> io::Result<Self> {
        let (heard, rope) = io::pipe()?;
        rustix::io::ioctl_fionbio(&heard, true)?;
        rustix::io::ioctl_fionbio(&rope, true)?;
        Ok(Self { heard, rope: Arc::new(Rope(rope)) })
    }

    pub(crate) fn waker(&self) -> Waker {
        Waker::from(Arc::clone(&self.rope))
    }

    fn silence(&self) {
        let mut rings = [0; 64];
        while matches!(rustix::io::read(&self.heard, &mut rings), Ok(1..)) {}
    }
}

/// Waits until the port is readable or hung up, the bell is rung, or `until` has passed, in this order.
///
/// The last 0.2 ms are polled without sleeping, so that neither a byte nor the deadline is noticed late.
pub(crate) fn ready(port: impl AsFd, bell: &Bell, clock: &Clock, until: Option<Instant>) -> io::Result<Ready> {
    loop {
        let now = clock.now();
        let left = until.map(|until| until.since(now));
        let sleep = left.map(|left| timespec(left.saturating_sub(Clock::SPIN)));
        let mut fds = [PollFd::new(&port, PollFlags::IN), PollFd::new(&bell.heard, PollFlags::IN)];
        match poll(&mut fds, sleep.as_ref()) {
            Ok(_) => {}
            Err(Errno::INTR) => continue,
            Err(error) => return Err(error.into()),
        }
        if !fds[0].revents().is_empty() {
            return Ok(Ready::Port);
        }
        if !fds[1].revents().is_empty() {
            bell.silence();
            return Ok(Ready::Command);
        }
        if left.is_some_and(|left| left.is_zero()) {
            return Ok(Ready::Deadline);
        }
    }
}

pub(crate) fn timespec(duration: Duration) -> Timespec {
    Timespec { tv_sec: duration.as_secs().min(i32::MAX as u64) as _, tv_nsec: duration.subsec_nanos() as _ }
}
