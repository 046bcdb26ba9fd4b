//! A pseudo-terminal that another program opens as if it were an adapter, and how to wait for it.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::Waker;

use rustix::event::{PollFd, PollFlags, poll};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, ioctl_tiocnxcl, tcflush, tcgetattr, tcsetattr};
use rustix::time::Timespec;
use tickover_framing::Instant;

/// Something to know about the other side of a pseudo-terminal.
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

/// Ends the run of whatever it came from, from any thread.
#[derive(Clone, Debug)]
pub struct Stopper(Stops);

#[derive(Clone, Debug)]
enum Stops {
    /// Whoever waits reads the other end.
    Pipe(Arc<OwnedFd>),
    /// Whoever waits is woken and looks.
    Bell(Arc<AtomicBool>, Waker),
}

impl Stopper {
    pub(super) const fn ringing(stopped: Arc<AtomicBool>, waker: Waker) -> Self {
        Self(Stops::Bell(stopped, waker))
    }

    /// Ends it; what was due by then has been written.
    pub fn stop(&self) {
        match &self.0 {
            // A full pipe has been told already.
            Stops::Pipe(pipe) => drop(rustix::io::write(pipe, &[0])),
            Stops::Bell(stopped, waker) => {
                stopped.store(true, Ordering::Release);
                waker.wake_by_ref();
            }
        }
    }
}

/// A pipe that a [`Stopper`] writes to.
#[derive(Debug)]
pub(super) struct Stop {
    reader: OwnedFd,
    stopper: Arc<OwnedFd>,
}

impl Stop {
    pub(super) fn new() -> io::Result<Self> {
        let (reader, stopper) = rustix::pipe::pipe()?;
        Ok(Self { reader, stopper: Arc::new(stopper) })
    }

    pub(super) fn stopper(&self) -> Stopper {
        Stopper(Stops::Pipe(Arc::clone(&self.stopper)))
    }
}

impl AsFd for Stop {
    fn as_fd(&self) -> std::os::fd::BorrowedFd<'_> {
        self.reader.as_fd()
    }
}

/// Waits until one of these can be read, or until `due`; which can be.
pub(super) fn readable(fds: &mut [PollFd<'_>], now: Instant, due: Option<Instant>) -> io::Result<Vec<bool>> {
    let timeout = due.map(|due| {
        let left = due.since(now);
        Timespec { tv_sec: left.as_secs() as _, tv_nsec: left.subsec_nanos() as _ }
    });
    match poll(fds, timeout.as_ref()) {
        Ok(_) | Err(Errno::INTR) => Ok(fds.iter().map(|fd| !fd.revents().is_empty()).collect()),
        Err(error) => Err(error.into()),
    }
}

/// The master's end of a pseudo-terminal.
#[derive(Debug)]
pub(super) struct Terminal {
    path: String,
    master: OwnedFd,
    /// Kept open: without any open slave the master would only ever read "hung up".
    slave: OwnedFd,
    watch: Option<Watch>,
}

impl Terminal {
    pub(super) fn open() -> io::Result<Self> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
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
        let watch = Watch::on(&path);
        Ok(Self { path, master, slave, watch })
    }

    pub(super) fn path(&self) -> &str {
        &self.path
    }

    /// The speed that the tester has set, in bits per second.
    pub(super) fn speed(&self) -> io::Result<u32> {
        Ok(tcgetattr(&self.slave)?.output_speed())
    }

    pub(super) fn write(&self, bytes: &[u8]) -> io::Result<()> {
        if bytes.is_empty() {
            return Ok(());
        }
        match rustix::io::write(&self.master, bytes) {
            // Nobody reads and the terminal is full: on a line the bytes would be gone, too.
            Ok(_) | Err(Errno::AGAIN | Errno::INTR) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// What the tester wrote, as far as it fits; nothing if there is nothing.
    pub(super) fn read<'a>(&self, buffer: &'a mut [u8]) -> io::Result<&'a [u8]> {
        match rustix::io::read(&self.master, &mut *buffer) {
            Ok(read) => Ok(buffer.get(..read).unwrap_or_default()),
            Err(Errno::AGAIN | Errno::INTR | Errno::IO) => Ok(&[]),
            Err(error) => Err(error.into()),
        }
    }

    /// Waits for the tester (unless he is to be held up), for news of the terminal, or to be stopped.
    pub(super) fn wait(&self, stop: &Stop, now: Instant, due: Option<Instant>, held_up: bool) -> io::Result<Ready> {
        let wanted = if held_up { PollFlags::empty() } else { PollFlags::IN };
        let mut fds = vec![PollFd::new(&self.master, wanted), PollFd::new(stop, PollFlags::IN)];
        if let Some(watch) = &self.watch {
            fds.push(PollFd::from_borrowed_fd(watch.as_fd(), PollFlags::IN));
        }
        let ready = readable(&mut fds, now, due)?;
        let is = |place: usize| ready.get(place).copied().unwrap_or(false);
        Ok(Ready { tester: is(0), stop: is(1), terminal: is(2) })
    }

    /// Who came and went.
    pub(super) fn changes(&mut self) -> io::Result<Vec<PtyNote>> {
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
pub(super) struct Ready {
    pub(super) tester: bool,
    pub(super) terminal: bool,
    pub(super) stop: bool,
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
