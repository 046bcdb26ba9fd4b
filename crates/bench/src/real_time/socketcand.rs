//! A bus on a TCP port of this computer: other programs open it in the text protocol of socketcand.
//!
//! A client is greeted with `< hi >`, opens the bus by its name, asks for `rawmode`, and from then on hears every frame
//! and sends with `< send .. >`. Several clients share one place on the bus, as programs on one interface do: each
//! hears what the others have sent.

use std::collections::VecDeque;
use std::io::{self, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};

use rustix::event::{PollFd, PollFlags};
use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::{Act, Tag as ActTag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_link::Clock;
use tickover_link::can::socketcand::text::{Tag, Tags, frame as frame_text};

use super::terminal::{Stop, Stopper, readable};
use crate::bus::{Bus, Station};

/// Frames whose senders are remembered; those of a bus that is off never leave.
const REMEMBERED: usize = 4096;

/// A client that does not read is dropped once so much waits for it.
const BACKLOG: usize = 1 << 20;

/// A virtual bus whose testers are whoever connects to [`address`](Self::address).
#[derive(Debug)]
pub struct SocketcandBus<S> {
    bus: Bus<S>,
    name: String,
    clock: Clock,
    listener: TcpListener,
    address: SocketAddr,
    stop: Stop,
    clients: Vec<Client>,
    next_client: u64,
    /// What was asked for and has not been sent, by whom: the last frames of all.
    waiting: VecDeque<(ActTag, u64, Frame)>,
    next_tag: u16,
}

/// Something to know about the clients.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[non_exhaustive]
pub enum ClientNote {
    /// A client connected; it is the n-th one.
    Connected(u64),
    /// The n-th client has gone.
    Gone(u64),
}

impl std::fmt::Display for ClientNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Connected(number) => write!(f, "client {number} connected"),
            Self::Gone(number) => write!(f, "client {number} has gone"),
        }
    }
}

#[derive(Debug)]
struct Client {
    number: u64,
    stream: TcpStream,
    tags: Tags,
    is_open: bool,
    hears: bool,
    out: Vec<u8>,
}

impl Client {
    fn say(&mut self, text: &str) {
        self.out.extend_from_slice(text.as_bytes());
    }

    /// Writes what it takes; `Err` once it is gone or too far behind.
    fn flush(&mut self) -> io::Result<()> {
        while !self.out.is_empty() {
            match self.stream.write(&self.out) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(written) => drop(self.out.drain(..written)),
                Err(error) if is_nothing(&error) => break,
                Err(error) => return Err(error),
            }
        }
        if self.out.len() > BACKLOG { Err(io::ErrorKind::OutOfMemory.into()) } else { Ok(()) }
    }

    /// The commands that have come; `Err` once it is gone.
    fn read(&mut self) -> io::Result<Vec<Tag>> {
        let mut buffer = [0; 1024];
        match self.stream.read(&mut buffer) {
            Ok(0) => Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(read) => {
                Ok(buffer.get(..read).unwrap_or_default().iter().filter_map(|byte| self.tags.take(*byte)).collect())
            }
            Err(error) if is_nothing(&error) => Ok(Vec::new()),
            Err(error) => Err(error),
        }
    }
}

fn is_nothing(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}

impl<S: Station> SocketcandBus<S> {
    /// Listens on a free port of the loopback interface; clients open the bus as `name`.
    ///
    /// # Errors
    /// What the system says if it has no port to give.
    pub fn open(bus: Bus<S>, name: &str, clock: Clock) -> io::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
        listener.set_nonblocking(true)?;
        let (address, stop) = (listener.local_addr()?, Stop::new()?);
        let name = name.to_owned();
        let (clients, waiting) = (Vec::new(), VecDeque::new());
        Ok(Self { bus, name, clock, listener, address, stop, clients, next_client: 1, waiting, next_tag: 0 })
    }

    /// Where clients connect.
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// Ends [`run`](Self::run) from elsewhere.
    pub fn stopper(&self) -> Stopper {
        self.stop.stopper()
    }

    /// The bus, to look at its units or plan faults.
    pub const fn bus_mut(&mut self) -> &mut Bus<S> {
        &mut self.bus
    }

    /// Serves all clients until it is stopped. `on` is called after every turn with the bus, and with who came and
    /// went.
    ///
    /// # Errors
    /// What the system says if it cannot wait for clients any more.
    pub fn run(&mut self, mut on: impl FnMut(&mut Bus<S>, Option<ClientNote>)) -> io::Result<()> {
        loop {
            self.catch_up();
            for gone in self.flush() {
                on(&mut self.bus, Some(ClientNote::Gone(gone)));
            }
            on(&mut self.bus, None);
            let ready = self.wait()?;
            if ready.first() == Some(&true) {
                return Ok(());
            }
            let with_news: Vec<u64> =
                self.clients.iter().zip(ready.iter().skip(2)).filter(|(_, is)| **is).map(|(c, _)| c.number).collect();
            self.catch_up();
            for number in with_news {
                if !self.serve(number) {
                    on(&mut self.bus, Some(ClientNote::Gone(number)));
                }
            }
            if let Some(number) = self.accept() {
                on(&mut self.bus, Some(ClientNote::Connected(number)));
            }
        }
    }

    fn wait(&self) -> io::Result<Vec<bool>> {
        let mut fds = vec![PollFd::new(&self.stop, PollFlags::IN), PollFd::new(&self.listener, PollFlags::IN)];
        fds.extend(self.clients.iter().map(|client| {
            let wants_out = if client.out.is_empty() { PollFlags::empty() } else { PollFlags::OUT };
            PollFd::new(&client.stream, PollFlags::IN | wants_out)
        }));
        readable(&mut fds, self.clock.now(), self.bus.next_due())
    }

    fn accept(&mut self) -> Option<u64> {
        let (stream, _) = self.listener.accept().ok()?;
        // A client whose socket cannot be set up is not served.
        stream.set_nonblocking(true).and_then(|()| stream.set_nodelay(true)).ok()?;
        let number = self.next_client;
        self.next_client += 1;
        let mut client =
            Client { number, stream, tags: Tags::default(), is_open: false, hears: false, out: Vec::new() };
        client.say("< hi >");
        self.clients.push(client);
        Some(number)
    }

    /// Does what a client asks for; `false` once it is gone.
    fn serve(&mut self, number: u64) -> bool {
        let Some(place) = self.clients.iter().position(|client| client.number == number) else { return true };
        let Some(client) = self.clients.get_mut(place) else { return true };
        let Ok(tags) = client.read() else {
            self.clients.remove(place);
            return false;
        };
        for tag in tags {
            let Tag::Other(text) = tag else { continue };
            let words: Vec<&str> = text.split_ascii_whitespace().collect();
            match words.as_slice() {
                ["open", name] if *name == self.name => {
                    client.is_open = true;
                    client.say("< ok >");
                }
                ["open", ..] => client.say("< error could not open bus >"),
                ["rawmode"] if client.is_open => {
                    client.hears = true;
                    client.say("< ok >");
                }
                ["echo"] => client.say("< echo >"),
                ["send", words @ ..] if client.hears => match sent(words) {
                    Some(frame) => {
                        let tag = ActTag(self.next_tag);
                        self.next_tag = self.next_tag.wrapping_add(1);
                        self.waiting.truncate(REMEMBERED);
                        self.waiting.push_front((tag, number, frame));
                        self.bus.act(&Act::Transmit { tag, wire: Wire::Frame(frame) });
                    }
                    None => client.say("< error syntax error in send command >"),
                },
                _ => client.say("< error unknown command >"),
            }
        }
        true
    }

    /// Lets everything happen that is due; clients hear of it.
    fn catch_up(&mut self) {
        let now = self.clock.now();
        loop {
            match self.bus.wait(Some(now), &mut []) {
                Woke::Frame { frame, .. } => self.spread(&frame, None),
                Woke::Sent { tag, .. } => {
                    let place = self.waiting.iter().position(|(waiting, ..)| *waiting == tag);
                    if let Some((_, by, frame)) = place.and_then(|place| self.waiting.remove(place)) {
                        self.spread(&frame, Some(by));
                    }
                }
                Woke::Deadline { .. } | Woke::Lost { .. } | Woke::Command => return,
                Woke::Bus { .. } | Woke::Bytes { .. } | Woke::Edge { .. } => {}
            }
        }
    }

    fn spread(&mut self, frame: &Frame, but: Option<u64>) {
        let Some(text) = frame_text(frame) else { return };
        for client in self.clients.iter_mut().filter(|client| client.hears && Some(client.number) != but) {
            client.say(&text);
        }
    }

    /// Writes to all; the numbers of those that are gone.
    fn flush(&mut self) -> Vec<u64> {
        let mut gone = Vec::new();
        self.clients.retain_mut(|client| match client.flush() {
            Ok(()) => true,
            Err(_) => {
                gone.push(client.number);
                false
            }
        });
        gone
    }
}

/// Identifier, length, bytes in hex: three digits of identifier are 11 bits, more are 29.
fn sent(words: &[&str]) -> Option<Frame> {
    let [id, length, bytes @ ..] = words else { return None };
    let number = u32::from_str_radix(id, 16).ok()?;
    let id = if id.len() > 3 { Id::extended(number)? } else { Id::standard(number as u16)? };
    let data: Vec<u8> = bytes.iter().map(|byte| u8::from_str_radix(byte, 16)).collect::<Result<_, _>>().ok()?;
    (length.parse() == Ok(data.len())).then_some(())?;
    Frame::classic(id, &data)
}
