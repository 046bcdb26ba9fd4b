//! The clock: monotonic instants for the machines, their pair in UTC for files.
//!
//! No other place of the workspace reads a clock or sleeps; a lint in the other crates says so.

use std::time::{Duration, SystemTime};

use tickover_framing::Instant;

/// A monotonic clock, with the UTC time of its origin.
///
/// Copies share the origin: instants of one are instants of the other, in any thread. Hand one clock to
/// everything whose times are to be compared.
///
/// UTC is read once, when the clock is made: a step of the wall clock moves no row.
///
/// ```
/// use std::time::Duration;
/// use tickover_link::Clock;
///
/// let clock = Clock::start();
/// let at = clock.now().after(Duration::from_millis(2));
/// clock.sleep_until(at);
/// assert!(clock.now() >= at);
/// assert_eq!(clock.utc_of(at).duration_since(clock.utc_of(clock.origin())).unwrap(), at.since(clock.origin()));
/// ```
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    /// The system's monotonic nanoseconds at our origin.
    origin: u64,
    utc: SystemTime,
}

impl Clock {
    /// How long before its end a wait turns into spinning: wake-ups come about 0.1 ms late, this hides it.
    pub const SPIN: Duration = Duration::from_micros(200);

    /// A clock whose origin is now.
    pub fn start() -> Self {
        let (origin, utc) = (0..5)
            .map(|_| pair())
            .min_by_key(|(width, ..)| *width)
            .map_or_else(|| (system::nanos(), SystemTime::now()), |(_, monotonic, utc)| (monotonic, utc));
        Self { origin, utc }
    }

    /// The instant at which the clock was made.
    pub const fn origin(&self) -> Instant {
        Instant::ORIGIN
    }

    /// The time now.
    pub fn now(&self) -> Instant {
        Instant::from_nanos(system::nanos().saturating_sub(self.origin))
    }

    /// The UTC time of an instant of this clock.
    ///
    /// The wall clock as it stood when this clock was made, plus the monotonic time since: it does not
    /// follow later corrections of the wall clock.
    pub fn utc_of(&self, at: Instant) -> SystemTime {
        self.utc.checked_add(Duration::from_nanos(at.as_nanos())).unwrap_or(self.utc)
    }

    /// Sleeps until `at`, spinning for the last 0.2 ms; returns at once if `at` has passed. Never early.
    pub fn sleep_until(&self, at: Instant) {
        let nanos = self.origin.saturating_add(at.as_nanos());
        system::sleep_until(nanos.saturating_sub(Self::SPIN.as_nanos() as u64));
        while self.now() < at {
            std::hint::spin_loop();
        }
    }
}

/// One reading of both clocks: how far apart its two monotonic readings are, their middle, the UTC between.
fn pair() -> (u64, u64, SystemTime) {
    let before = system::nanos();
    let utc = SystemTime::now();
    let width = system::nanos().saturating_sub(before);
    (width, before.saturating_add(width / 2), utc)
}

/// `CLOCK_MONOTONIC`, slept on with absolute deadlines: a preemption between reading the clock and falling
/// asleep makes no wait longer.
#[cfg(any(target_os = "linux", target_os = "android"))]
mod system {
    use rustix::io::Errno;
    use rustix::thread::clock_nanosleep_absolute;
    use rustix::time::{ClockId, Timespec, clock_gettime};

    pub(super) fn nanos() -> u64 {
        let time = clock_gettime(ClockId::Monotonic);
        (time.tv_sec as u64).saturating_mul(1_000_000_000).saturating_add(time.tv_nsec as u64)
    }

    pub(super) fn sleep_until(nanos: u64) {
        let until = Timespec { tv_sec: (nanos / 1_000_000_000) as _, tv_nsec: (nanos % 1_000_000_000) as _ };
        while nanos > self::nanos() {
            match clock_nanosleep_absolute(ClockId::Monotonic, &until) {
                Ok(()) | Err(Errno::INTR) => {}
                Err(_) => std::thread::yield_now(),
            }
        }
    }
}

/// What the standard library offers everywhere: relative sleeps, repeated until the time has come.
#[cfg(not(any(target_os = "linux", target_os = "android")))]
mod system {
    use std::sync::OnceLock;
    use std::time::{Duration, Instant};

    static START: OnceLock<Instant> = OnceLock::new();

    pub(super) fn nanos() -> u64 {
        START.get_or_init(Instant::now).elapsed().as_nanos() as u64
    }

    pub(super) fn sleep_until(nanos: u64) {
        while let Some(left) = nanos.checked_sub(self::nanos()).filter(|left| *left > 0) {
            std::thread::sleep(Duration::from_nanos(left));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wait_is_never_early_and_waits_keep_their_order() {
        let clock = Clock::start();
        let mut last = clock.now();
        for micros in [0, 50, 150, 300, 2_000] {
            let at = clock.now().after(Duration::from_micros(micros));
            clock.sleep_until(at);
            let woke = clock.now();
            assert!(woke >= at, "woke {woke:?} before {at:?}");
            assert!(woke >= last);
            last = woke;
        }
    }

    #[test]
    fn a_deadline_in_the_past_does_not_wait_for_ever() {
        let clock = Clock::start();
        clock.sleep_until(clock.origin());
        clock.sleep_until(clock.now().before(Duration::from_secs(60)));
    }

    #[test]
    fn copies_share_their_origin_across_threads() {
        let clock = Clock::start();
        let before = clock.now();
        let other = std::thread::spawn(move || clock.now()).join().expect("the thread only reads the clock");
        assert!(before <= other && other <= clock.now());
    }

    #[test]
    fn utc_lies_between_two_readings_of_the_wall_clock() {
        let before = SystemTime::now();
        let clock = Clock::start();
        let after = SystemTime::now();
        let origin = clock.utc_of(clock.origin());
        assert!(before <= origin + Duration::from_millis(1) && origin <= after + Duration::from_millis(1));
    }

    #[test]
    fn the_end_of_time_has_a_utc_time_too() {
        let clock = Clock::start();
        assert!(clock.utc_of(Instant::from_nanos(u64::MAX)) >= clock.utc_of(clock.origin()));
    }
}
