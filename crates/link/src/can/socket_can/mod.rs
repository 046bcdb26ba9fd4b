//! A CAN interface of the Linux kernel, by a raw socket.

mod error_frame;
mod interface;
mod outgoing;
#[cfg(test)]
mod tests;

use std::io;
use std::task::Waker;
use std::time::{Duration, SystemTime};

use rustix::io::Errno;
use socketcan::{
    CanAnyFrame, CanDataFrame, CanFdFrame, CanFdSocket, CanRemoteFrame, EmbeddedFrame, ExtendedId, Socket,
    SocketOptions, StandardId, id::FdFlags,
};
use tickover_framing::Instant;
use tickover_framing::can::{Filter, Frame, FrameKind, Id};
use tickover_framing::contract::{Act, Input, Lost, Speed, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::{Echo, Reach};

use super::{LOOKS, Wanted, fruitless, time_on_wire};
use crate::wait::{self, Bell, Ready};
use crate::{Clock, Description, Kind, LivePort, OpenError};
use interface::Interface;
use outgoing::{Given, Ours, Outgoing};

/// A CAN interface of this computer: `can0`, `vcan0`.
///
/// It runs at the bit rate that the system's owner has set (`ip link set can0 up type can bitrate 500000`): that
/// takes privilege, so `Act::Speed` changes nothing and tells the rate, if the kernel knows it. Frames bear the
/// kernel's time of reception. A frame counts as sent when the controller confirms it; while the interface's queue
/// is full, frames wait in their order.
///
/// ```no_run
/// # fn main() -> Result<(), tickover_link::OpenError> {
/// let port = tickover_link::can::SocketCan::open("can0")?;
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct SocketCan {
    name: String,
    clock: Clock,
    bell: Bell,
    socket: Option<CanFdSocket>,
    is_virtual: bool,
    speed: Option<Speed>,
    wanted: Wanted,
    ours: Ours,
    outgoing: Outgoing,
    /// When frames that wait for room are tried again.
    retry: Instant,
    /// The last look at the socket found something: there may be more.
    more: bool,
    /// What is read next ended after this: the socket was empty then, or the last frame ended.
    not_before: Instant,
}

impl SocketCan {
    /// The latest that a frame is reported after its end: the kernel's time is exact, a loaded computer is late.
    pub const LATE_IN: Duration = Duration::from_millis(20);

    /// The latest that a frame starts after it was handed over, on a bus that is free.
    pub const LATE_OUT: Duration = Duration::from_millis(5);

    /// How soon a full queue is tried again: it gives no sign when it has room.
    const RETRY: Duration = Duration::from_millis(1);

    /// What the kernel lets one socket filter (`CAN_RAW_FILTER_MAX`).
    const FILTERS: usize = 512;

    /// Room for about 20 ms of the densest traffic, as far as the system grants it.
    const BUFFER: usize = 1 << 20;

    /// Opens an interface by its name.
    ///
    /// # Errors
    /// [`OpenError`] says whether there is no such interface (with those that exist), it is down, it is not for
    /// CAN, or this kernel has no CAN at all.
    pub fn open(name: impl Into<String>) -> Result<Self, OpenError> {
        Self::open_at(name, Clock::start())
    }

    /// As [`open`](Self::open), with times taken from `clock`.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub fn open_at(name: impl Into<String>, clock: Clock) -> Result<Self, OpenError> {
        let name = name.into();
        let bell = Bell::new().map_err(|source| OpenError::System { name: name.clone(), source })?;
        let mut port = Self::closed(name, clock, bell);
        port.reopen()?;
        Ok(port)
    }

    /// The names of the CAN interfaces that this computer has, sorted.
    pub fn interfaces() -> Vec<String> {
        let all = interface::all().unwrap_or_default();
        all.into_iter().filter(|interface| interface.is_can).map(|interface| interface.name).collect()
    }

    fn closed(name: String, clock: Clock, bell: Bell) -> Self {
        Self {
            name,
            clock,
            bell,
            socket: None,
            is_virtual: false,
            speed: None,
            wanted: Wanted::default(),
            ours: Ours::default(),
            outgoing: Outgoing::default(),
            retry: Instant::ORIGIN,
            more: false,
            not_before: clock.now(),
        }
    }

    /// Begins on an open socket. What it cannot do is done without: filters here, arrival for reception.
    fn begin(&mut self, socket: CanFdSocket) -> io::Result<()> {
        socket.set_nonblocking(true)?;
        let _ = socket.set_recv_own_msgs(true);
        let _ = socket.set_error_filter(error_frame::CLASSES);
        socket.set_recv_timestamp(true)?;
        if rustix::net::sockopt::set_socket_recv_buffer_size_force(&socket, Self::BUFFER).is_err() {
            let _ = rustix::net::sockopt::set_socket_recv_buffer_size(&socket, Self::BUFFER);
        }
        self.outgoing.clear();
        self.more = true;
        self.not_before = self.clock.now();
        self.socket = Some(socket);
        self.set_filters();
        Ok(())
    }

    /// Has the kernel pass what is wanted, and our own frames back.
    fn set_filters(&self) {
        let (Some(socket), Wanted(Some(wanted))) = (&self.socket, &self.wanted) else { return };
        let ours = self.ours.ids().iter().map(|id| Filter::only(*id));
        let filters: Vec<_> = wanted.iter().copied().chain(ours).map(kernel_filter).collect();
        // What the kernel does not filter, `hear` does.
        let _ = match filters.len() {
            0 => socket.set_filter_drop_all(),
            1..=Self::FILTERS => socket.set_filters(&filters),
            _ => socket.set_filter_accept_all(),
        };
    }

    fn transmit(&mut self, tag: Tag, wire: &Wire) -> Option<Input<'static>> {
        let at = self.clock.now();
        let Wire::Frame(frame) = wire else { return self.lost(Lost::Refused) };
        if self.socket.is_none() {
            return self.lost(Lost::Gone);
        }
        if to_kernel(frame).is_none() {
            return self.lost(Lost::Refused);
        }
        self.outgoing.give(Given { tag, frame: *frame, at });
        if self.ours.ids().len() < Self::FILTERS && self.ours.insert(frame.id) && !self.wanted.takes(frame.id) {
            self.set_filters();
        }
        match self.write_waiting() {
            Ok(()) => None,
            Err(cause) => self.lost(cause),
        }
    }

    /// Writes what waits, until the queue is full.
    fn write_waiting(&mut self) -> Result<(), Lost> {
        let Some(socket) = &self.socket else { return Err(Lost::Gone) };
        self.outgoing.forget_stale(self.clock.now());
        while let Some(frame) = self.outgoing.next().and_then(to_kernel) {
            match socket.write_frame(&frame) {
                Ok(()) => self.outgoing.wrote(self.clock.now()),
                Err(error) => match outcome(&error) {
                    Outcome::Later => {
                        self.retry = self.clock.now().after(Self::RETRY);
                        break;
                    }
                    Outcome::Lost(cause) => return Err(cause),
                },
            }
        }
        Ok(())
    }

    /// Reads one frame; `None`: nothing there, or nothing wanted.
    fn read(&mut self) -> Option<Woke> {
        let socket = self.socket.as_ref()?;
        match socket.read_frame_with_timestamps() {
            Ok((frame, times)) => {
                let end = self.end_of(times.socket);
                self.hear(end, frame)
            }
            Err(error) => match outcome(&error) {
                Outcome::Later => {
                    (self.more, self.not_before) = (false, self.clock.now());
                    None
                }
                Outcome::Lost(cause) => {
                    self.let_go();
                    Some(Woke::Lost { at: self.clock.now(), cause })
                }
            },
        }
    }

    fn hear(&mut self, end: Instant, frame: CanAnyFrame) -> Option<Woke> {
        if let CanAnyFrame::Error(error) = &frame {
            let condition = error_frame::condition(error.error_bits(), error.data())?;
            return Some(Woke::Bus { at: end, condition });
        }
        let frame = from_kernel(&frame)?;
        if let Some(Given { tag, at, .. }) = self.outgoing.confirm(&frame) {
            // Without a known rate the start is the hand-over: an earliest.
            let start = match time_on_wire(&frame, self.speed) {
                Duration::ZERO => at.min(end),
                time => end.before(time),
            };
            self.retry = self.clock.now();
            return Some(Woke::Sent { tag, start, end });
        }
        self.wanted.takes(frame.id).then_some(Woke::Frame { end, frame })
    }

    /// The kernel stamps with the wall clock: its distance from ours is looked at now, and what comes of it lies
    /// between the last look at an empty socket and now, so that a step of the wall clock moves nothing far.
    fn end_of(&mut self, stamp: Option<SystemTime>) -> Instant {
        // In this order a pause between the two makes the frame later, never earlier: STmin runs from its end.
        let wall = SystemTime::now();
        let now = self.clock.now();
        let age = stamp.and_then(|stamp| wall.duration_since(stamp).ok()).unwrap_or_default();
        let end = now.before(age).max(self.not_before).min(now);
        self.not_before = end;
        end
    }

    fn let_go(&mut self) {
        (self.socket, self.more) = (None, false);
    }

    fn lost(&mut self, cause: Lost) -> Option<Input<'static>> {
        self.let_go();
        Some(Input::Lost { at: self.clock.now(), cause })
    }

    fn gone(&self) -> Woke {
        Woke::Lost { at: self.clock.now(), cause: Lost::Gone }
    }
}

impl Port for SocketCan {
    fn reach(&self) -> Reach {
        Reach { echo: Echo::Suppressed, late_in: Self::LATE_IN, late_out: Self::LATE_OUT, pulse: false, parity: false }
    }

    fn now(&self) -> Instant {
        self.clock.now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        match act {
            Act::Transmit { tag, wire } => self.transmit(*tag, wire),
            Act::Speed(_) => Some(Input::SpeedIs { at: self.clock.now(), got: self.speed }),
            Act::Line { .. } => self.lost(Lost::Refused),
        }
    }

    fn wait(&mut self, until: Option<Instant>, _buffer: &mut [u8]) -> Woke {
        let mut looks = 0;
        loop {
            if self.outgoing.is_waiting()
                && self.clock.now() >= self.retry
                && let Err(cause) = self.write_waiting()
            {
                self.let_go();
                return Woke::Lost { at: self.clock.now(), cause };
            }
            while self.more {
                if let Some(woke) = self.read() {
                    return woke;
                }
                looks += 1;
                if looks >= LOOKS {
                    return fruitless(self.clock.now(), until);
                }
            }
            let Some(socket) = &self.socket else { return self.gone() };
            let retry = self.outgoing.is_waiting().then_some(self.retry);
            let wake = until.into_iter().chain(retry).min();
            match wait::ready(socket, &self.bell, &self.clock, wake) {
                Ok(Ready::Port) => self.more = true,
                Ok(Ready::Command) => return Woke::Command,
                Ok(Ready::Deadline) => {
                    let now = self.clock.now();
                    if until.is_some_and(|until| until <= now) {
                        return Woke::Deadline { now };
                    }
                }
                Err(_) => {
                    self.let_go();
                    return self.gone();
                }
            }
        }
    }
}

impl LivePort for SocketCan {
    fn clock(&self) -> Clock {
        self.clock
    }

    fn waker(&self) -> Waker {
        self.bell.waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        self.let_go();
        let name = self.name.clone();
        if let Ok(all) = interface::all() {
            let found = usable(&name, &all)?;
            (self.speed, self.is_virtual) = (found.speed(), found.is_virtual);
        }
        let opened = CanFdSocket::open(&name).and_then(|socket| self.begin(socket));
        opened.map_err(|source| match Errno::from_io_error(&source) {
            Some(Errno::AFNOSUPPORT | Errno::PROTONOSUPPORT) => OpenError::NoCan { name },
            Some(Errno::NODEV) => OpenError::NoSuchInterface { name, existing: Self::interfaces() },
            Some(Errno::NETDOWN) => OpenError::InterfaceDown { name },
            Some(Errno::PERM | Errno::ACCESS) => OpenError::NoPermission { name },
            _ => OpenError::System { name, source },
        })
    }

    fn description(&self) -> Description {
        let kind = if self.is_virtual { Kind::VirtualCan } else { Kind::CanInterface };
        Description { name: self.name.clone(), kind }
    }

    fn filter(&mut self, filters: &[Filter]) {
        self.wanted = Wanted::only(filters);
        self.set_filters();
    }
}

/// The interface of this name, if it is up and for CAN.
fn usable<'a>(name: &str, all: &'a [Interface]) -> Result<&'a Interface, OpenError> {
    let name = name.to_owned();
    let existing = || all.iter().filter(|interface| interface.is_can).map(|interface| interface.name.clone()).collect();
    match all.iter().find(|interface| interface.name == name) {
        None => Err(OpenError::NoSuchInterface { name, existing: existing() }),
        Some(Interface { is_can: false, .. }) => Err(OpenError::NotCan { name, existing: existing() }),
        Some(Interface { is_up: false, .. }) => Err(OpenError::InterfaceDown { name }),
        Some(found) => Ok(found),
    }
}

/// What an error of reading or writing means.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Outcome {
    /// Nothing there, or no room.
    Later,
    Lost(Lost),
}

/// A read of no length that a frame has is the end of the socket.
fn outcome(error: &io::Error) -> Outcome {
    match Errno::from_io_error(error) {
        Some(Errno::AGAIN | Errno::INTR | Errno::NOBUFS) => Outcome::Later,
        // A frame that this interface has no way to carry, as FD on a classic one.
        Some(Errno::INVAL | Errno::MSGSIZE | Errno::PERM | Errno::ACCESS | Errno::OPNOTSUPP) => {
            Outcome::Lost(Lost::Refused)
        }
        _ => Outcome::Lost(Lost::Gone),
    }
}

/// Linux `can.h`: bit 31 of an identifier says 29 bits; in a mask it makes the width count.
fn kernel_filter(filter: Filter) -> (u32, u32) {
    const EXTENDED: u32 = 1 << 31;
    match filter.id {
        Id::Standard(id) => (id.into(), filter.mask & 0x7FF | EXTENDED),
        Id::Extended(id) => (id | EXTENDED, filter.mask & 0x1FFF_FFFF | EXTENDED),
    }
}

fn to_kernel(frame: &Frame) -> Option<CanAnyFrame> {
    let id = match frame.id {
        Id::Standard(id) => socketcan::Id::from(StandardId::new(id)?),
        Id::Extended(id) => ExtendedId::new(id)?.into(),
    };
    let data = frame.data.as_slice();
    Some(match frame.kind {
        FrameKind::Classic => CanDataFrame::new(id, data)?.into(),
        FrameKind::Remote => CanRemoteFrame::new_remote(id, data.len())?.into(),
        FrameKind::Fd { switch_rate } => {
            let flags = if switch_rate { FdFlags::BRS } else { FdFlags::empty() };
            CanFdFrame::with_flags(id, data, flags)?.into()
        }
    })
}

fn from_kernel(frame: &CanAnyFrame) -> Option<Frame> {
    let id = match frame.id() {
        socketcan::Id::Standard(id) => Id::standard(id.as_raw())?,
        socketcan::Id::Extended(id) => Id::extended(id.as_raw())?,
    };
    match frame {
        CanAnyFrame::Normal(frame) => Frame::classic(id, frame.data()),
        CanAnyFrame::Remote(_) => Frame::remote(id),
        CanAnyFrame::Fd(frame) => Frame::fd(id, frame.data(), frame.is_brs()),
        CanAnyFrame::Error(_) => None,
    }
}
