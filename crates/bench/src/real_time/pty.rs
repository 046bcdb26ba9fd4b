//! The line behind a pseudo-terminal: another program opens the path as if it were an adapter.
//!
//! A pseudo-terminal has no line: no pulse, no parity, no pace, no echo. Here the pace and the echo are made: what
//! the tester writes goes over the virtual line at the tester's speed, comes back character by character, and the
//! units answer on it. The tester's speed is read from the terminal's settings; where it differs from the unit's,
//! the characters are garbled as on a real line, and a note says so.

use core::time::Duration;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;

use rustix::event::{PollFd, PollFlags, poll};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, ioctl_tiocnxcl, tcflush, tcgetattr, tcsetattr};
use rustix::time::Timespec;
use tickover_framing::Instant;
use tickover_framing::contract::{Act, Chunk, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_link::Clock;

use crate::line::{Line, Station, Who};

/// So much of what a tester writes is taken ahead of the line; the rest stays in the terminal, which holds it up.
const AHEAD: Duration = Duration::from_secs(1);

/// A virtual line whose tester is whoever opens [`path`](Self::path).
#[derive(Debug)]
pub struct PtyLine<S> {
    line: Line<S>,
    clock: Clock,
    path: String,
    master: OwnedFd,
    /// Kept open: without any open slave the master would only ever read "hung up".
    slave: OwnedFd,
    watch: Option<Watch>,
    stop: OwnedFd,
    stopper: Arc<OwnedFd>,
    told: Option<(u32, u32)>,
    out: Vec<u8>,
}

/// Something to know about the other side of the pseudo-terminal.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum PtyNote {
    /// A tester opened the path; bytes that the one before had not read were discarded.
    Opened,
    /// A tester closed it.
    Closed,
    /// The tester sent at another speed than the unit listens at: it hears garbage.
    SpeedDiffers {
        /// The tester's, in bits per second.
        tester: u32,
        /// The unit's.
        unit: u32,
    },
}

impl std::fmt::Display for PtyNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Opened => f.write_str("a tester opened the port"),
            Self::Closed => f.write_str("a tester closed the port"),
            Self::SpeedDiffers { tester, unit } => {
                write!(f, "the tester runs at {tester} Bd where the unit listens at {unit} Bd: it hears garbage")
            }
        }
    }
}

/// Ends [`PtyLine::run`] from any thread.
#[derive(Clone, Debug)]
pub struct Stopper(Arc<OwnedFd>);

impl Stopper {
    /// Ends it; the bytes due by then have been written.
    pub fn stop(&self) {
        // A full pipe has been told already.
        let _ = rustix::io::write(&*self.0, &[0]);
    }
}

impl<S: Station> PtyLine<S> {
    /// Opens a pseudo-terminal for `line`.
    ///
    /// # Errors
    /// What the system says if it has no pseudo-terminal to give.
    pub fn open(line: Line<S>, clock: Clock) -> io::Result<Self> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY;
        let master = openpt(flags)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let path = ptsname(&master, Vec::new())?.into_string().map_err(io::Error::other)?;
        let slave = rustix::fs::open(
            path.as_str(),
            rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY | rustix::fs::OFlags::CLOEXEC,
            rustix::fs::Mode::empty(),
        )?;
        let mut settings = tcgetattr(&slave)?;
        settings.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &settings)?;
        for end in [&master, &slave] {
            let flags = rustix::fs::fcntl_getfl(end)?;
            rustix::fs::fcntl_setfl(end, flags | rustix::fs::OFlags::NONBLOCK)?;
        }
        let (stop, stopper) = rustix::pipe::pipe()?;
        let watch = Watch::on(&path);
        let out = Vec::with_capacity(256);
        Ok(Self { line, clock, path, master, slave, watch, stop, stopper: Arc::new(stopper), told: None, out })
    }

    /// The path that a tester opens.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// Ends [`run`](Self::run) from elsewhere.
    pub fn stopper(&self) -> Stopper {
        Stopper(Arc::clone(&self.stopper))
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
            let Ready { tester, terminal, stop } = self.wait()?;
            if terminal {
                for note in self.terminal_changes()? {
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
        if self.out.is_empty() {
            return Ok(());
        }
        match rustix::io::write(&self.master, &self.out) {
            // Nobody reads and the terminal is full: on a line the bytes would be gone, too.
            Ok(_) | Err(Errno::AGAIN | Errno::INTR) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    fn wait(&self) -> io::Result<Ready> {
        let now = self.clock.now();
        let timeout = self.line.next_due().map(|due| timespec(due, now));
        let ahead = self.line.tester_sends_until().since(now) > AHEAD;
        let wanted = if ahead { PollFlags::empty() } else { PollFlags::IN };
        let mut fds = vec![PollFd::new(&self.master, wanted), PollFd::new(&self.stop, PollFlags::IN)];
        if let Some(watch) = &self.watch {
            fds.push(PollFd::from_borrowed_fd(watch.as_fd(), PollFlags::IN));
        }
        match poll(&mut fds, timeout.as_ref()) {
            Ok(_) | Err(Errno::INTR) => {}
            Err(error) => return Err(error.into()),
        }
        let ready = |place: usize| fds.get(place).is_some_and(|fd| !fd.revents().is_empty());
        Ok(Ready { tester: ready(0), stop: ready(1), terminal: ready(2) })
    }

    /// What the tester wrote goes on the line now.
    fn take_from_tester(&mut self) -> io::Result<Option<PtyNote>> {
        let mut buffer = [0; 256];
        let read = match rustix::io::read(&self.master, &mut buffer) {
            Ok(read) => read,
            Err(Errno::AGAIN | Errno::INTR | Errno::IO) => return Ok(None),
            Err(error) => return Err(error.into()),
        };
        self.catch_up()?;
        let note = self.follow_speed()?;
        for piece in buffer.get(..read).unwrap_or_default().chunks(Chunk::CAPACITY) {
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
        let tester = tcgetattr(&self.slave)?.output_speed();
        let speed = Speed::Serial { baud: tester, parity, stop_bits };
        if self.line.speed_of(Who::Tester) != Some(speed) {
            self.line.act(&Act::Speed(speed));
        }
        let differs = (tester != unit).then_some((tester, unit));
        let news = differs.filter(|_| differs != self.told);
        self.told = differs;
        Ok(news.map(|(tester, unit)| PtyNote::SpeedDiffers { tester, unit }))
    }

    fn terminal_changes(&mut self) -> io::Result<Vec<PtyNote>> {
        let notes = self.watch.as_mut().map(Watch::read).transpose()?.unwrap_or_default();
        for note in &notes {
            match note {
                PtyNote::Opened => tcflush(&self.slave, QueueSelector::IFlush)?,
                // A tester that was killed leaves the terminal exclusive while we hold it open.
                PtyNote::Closed => ioctl_tiocnxcl(&self.slave)?,
                PtyNote::SpeedDiffers { .. } => {}
            }
        }
        Ok(notes)
    }
}

/// What woke us; none of them: something is due.
struct Ready {
    tester: bool,
    terminal: bool,
    stop: bool,
}

fn timespec(due: Instant, now: Instant) -> Timespec {
    let left = due.since(now);
    Timespec { tv_sec: left.as_secs() as _, tv_nsec: left.subsec_nanos() as _ }
}

/// Tells when a tester opens or closes the terminal.
#[cfg(any(target_os = "linux", target_os = "android"))]
#[derive(Debug)]
struct Watch(OwnedFd);

#[cfg(any(target_os = "linux", target_os = "android"))]
impl Watch {
    fn on(path: &str) -> Option<Self> {
        use rustix::fs::inotify::{CreateFlags, WatchFlags, add_watch, init};
        let watch = init(CreateFlags::CLOEXEC | CreateFlags::NONBLOCK).ok()?;
        add_watch(&watch, path, WatchFlags::OPEN | WatchFlags::CLOSE).ok()?;
        Some(Self(watch))
    }

    fn as_fd(&self) -> std::os::fd::BorrowedFd<'_> {
        self.0.as_fd()
    }

    fn read(&mut self) -> io::Result<Vec<PtyNote>> {
        use rustix::fs::inotify::{ReadFlags, Reader};
        let mut buffer = [core::mem::MaybeUninit::uninit(); 512];
        let mut reader = Reader::new(&self.0, &mut buffer);
        let mut notes = Vec::new();
        loop {
            match reader.next() {
                Ok(event) if event.events().contains(ReadFlags::OPEN) => notes.push(PtyNote::Opened),
                Ok(event) if event.events().intersects(ReadFlags::CLOSE_WRITE | ReadFlags::CLOSE_NOWRITE) => {
                    notes.push(PtyNote::Closed);
                }
                Ok(_) => {}
                Err(Errno::AGAIN | Errno::INTR) => return Ok(notes),
                Err(error) => return Err(error.into()),
            }
        }
    }
}

/// Other systems do not tell.
#[cfg(not(any(target_os = "linux", target_os = "android")))]
#[derive(Debug)]
struct Watch(OwnedFd);

#[cfg(not(any(target_os = "linux", target_os = "android")))]
impl Watch {
    const fn on(_path: &str) -> Option<Self> {
        None
    }

    fn as_fd(&self) -> std::os::fd::BorrowedFd<'_> {
        self.0.as_fd()
    }

    fn read(&mut self) -> io::Result<Vec<PtyNote>> {
        Ok(Vec::new())
    }
}
