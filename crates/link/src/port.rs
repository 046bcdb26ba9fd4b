//! A line's end in real time: what every port of the I/O thread can do beyond the machine's [`Port`].

use std::fmt;
use std::io;
use std::task::Waker;

use tickover_framing::Instant;
use tickover_framing::can::Filter;
use tickover_framing::contract::{Act, Input};
use tickover_framing::drive::{Port, Woke};
use tickover_framing::transport::Reach;

use crate::Clock;

/// A port on the real clock that the I/O thread can drive.
///
/// Two promises beyond [`Port`]:
/// * [`wait`](Port::wait) comes back with [`Woke::Command`] after
///   each [`waker`](Self::waker) call, also if the call came before the wait began; several calls may count
///   as one;
/// * after a `Lost` it stays lost, and answers at once, until [`reopen`](Self::reopen) succeeds.
pub trait LivePort: Port + Send {
    /// The clock that this port's times are taken from.
    fn clock(&self) -> Clock;

    /// Wakes a thread that waits in [`wait`](Port::wait), from any thread. Valid across [`reopen`](Self::reopen).
    fn waker(&self) -> Waker;

    /// Opens the same line again after it was lost. Nothing received before is handed in after it.
    ///
    /// # Errors
    /// [`OpenError`], as when it was opened first.
    fn reopen(&mut self) -> Result<(), OpenError>;

    /// What this port is called and what it cannot carry.
    fn description(&self) -> Description;

    /// Which frames are wanted from now on; the others need not be handed in. Valid across [`reopen`](Self::reopen).
    ///
    /// A port that carries no frames, or cannot choose among them, does nothing.
    fn filter(&mut self, _filters: &[Filter]) {}
}

/// Any port at all, where the choice is made at run time.
impl Port for Box<dyn LivePort> {
    fn reach(&self) -> Reach {
        (**self).reach()
    }

    fn now(&self) -> Instant {
        (**self).now()
    }

    fn act(&mut self, act: &Act) -> Option<Input<'static>> {
        (**self).act(act)
    }

    fn wait(&mut self, until: Option<Instant>, buffer: &mut [u8]) -> Woke {
        (**self).wait(until, buffer)
    }
}

impl LivePort for Box<dyn LivePort> {
    fn clock(&self) -> Clock {
        (**self).clock()
    }

    fn waker(&self) -> Waker {
        (**self).waker()
    }

    fn reopen(&mut self) -> Result<(), OpenError> {
        (**self).reopen()
    }

    fn description(&self) -> Description {
        (**self).description()
    }

    fn filter(&mut self, filters: &[Filter]) {
        (**self).filter(filters);
    }
}

/// What a port is called and what it is. Displayed: `pseudo-terminal /dev/pts/3 (carries no pulse, parity or pace)`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Description {
    /// The path, or what stands for one.
    pub name: String,
    /// What sort of port.
    pub kind: Kind,
}

/// What sort of port.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Kind {
    /// A serial port of the system, with an adapter behind it.
    Device,
    /// A pseudo-terminal: bytes pass at once and whole, whatever the speed.
    PseudoTerminal,
    /// A line inside this program.
    InProcess,
    /// A CAN interface of the kernel, with a controller behind it.
    CanInterface,
    /// A CAN bus inside the kernel.
    VirtualCan,
    /// A CAN adapter on a serial port.
    SlcanAdapter,
    /// A pseudo-terminal with somebody behind it who speaks as such an adapter.
    SlcanPseudoTerminal,
    /// A CAN bus on another computer.
    RemoteBus,
}

impl Kind {
    /// What does not reach the other side of such a port, as one clause; empty if all does.
    pub const fn cannot_carry(self) -> &'static str {
        match self {
            Self::Device | Self::InProcess | Self::CanInterface | Self::SlcanAdapter => "",
            Self::PseudoTerminal => "carries no pulse, parity or pace",
            Self::VirtualCan => "has no bit rate and no errors of a bus",
            Self::SlcanPseudoTerminal => "carries no pace",
            Self::RemoteBus => "tells neither its bit rate nor when a frame was sent",
        }
    }
}

impl Kind {
    /// Whether frames pass, not bytes; `None` if both may.
    pub const fn is_for_can(self) -> Option<bool> {
        match self {
            Self::Device | Self::PseudoTerminal => Some(false),
            Self::InProcess => None,
            Self::CanInterface
            | Self::VirtualCan
            | Self::SlcanAdapter
            | Self::SlcanPseudoTerminal
            | Self::RemoteBus => Some(true),
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Device => "serial port",
            Self::PseudoTerminal => "pseudo-terminal",
            Self::InProcess => "in-process line",
            Self::CanInterface => "CAN interface",
            Self::VirtualCan => "virtual CAN interface",
            Self::SlcanAdapter => "CAN adapter (slcan)",
            Self::SlcanPseudoTerminal => "CAN adapter (slcan) behind pseudo-terminal",
            Self::RemoteBus => "remote CAN bus",
        })
    }
}

impl fmt::Display for Description {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.kind, self.name)?;
        match self.kind.cannot_carry() {
            "" => Ok(()),
            clause => write!(f, " ({clause})"),
        }
    }
}

/// Why a port could not be opened. Each sentence says what was found and what to try.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// Nothing has this name.
    #[error("there is no port {name}; {}", ThereAre(existing))]
    NoSuchPort {
        /// The name asked for.
        name: String,
        /// The serial ports that this system has.
        existing: Vec<String>,
    },
    /// Another program, or this one, holds it.
    #[error("port {name} is in use by another connection; close that one, or choose another port")]
    InUse {
        /// The name asked for.
        name: String,
    },
    /// The system does not let this user open it.
    #[error("this user may not open port {name}; on most systems membership of the group that owns it helps")]
    NoPermission {
        /// The name asked for.
        name: String,
    },
    /// It exists but is no serial port.
    #[error("{name} is not a serial port ({found}); give the path of a serial port")]
    NotSerial {
        /// The name asked for.
        name: String,
        /// What it is instead.
        found: String,
    },
    /// The text names no port.
    #[error("{text:?} names no port: {expected} was expected")]
    Address {
        /// What was given.
        text: String,
        /// What would be one.
        expected: &'static str,
    },
    /// The definition is for CAN, and bytes pass here.
    #[error(
        "{name} is opened as a {kind} for a K-line, and definition '{definition}' is for CAN; an adapter that speaks \
         slcan opens as slcan:{name}, a CAN interface as can:NAME"
    )]
    NotForCan {
        /// The port's name.
        name: String,
        /// What it is.
        kind: Kind,
        /// The definition's id.
        definition: String,
    },
    /// The definition is for a K-line, and frames pass here.
    #[error(
        "{name} is a {kind}, and definition '{definition}' is for a K-line; give the path of a serial port, or a \
         definition for CAN"
    )]
    NotForKLine {
        /// The port's name.
        name: String,
        /// What it is.
        kind: Kind,
        /// The definition's id.
        definition: String,
    },
    /// Nothing answers on this serial port.
    #[error(
        "the adapter on {name} answers nothing: CR, BEL or a version were expected after V; look whether it speaks \
         slcan, at {baud} Bd, and nothing else holds it"
    )]
    Silent {
        /// The port's name.
        name: String,
        /// At which speed it was asked.
        baud: u32,
    },
    /// No CAN interface has this name.
    #[error("there is no CAN interface {name}; {}", Interfaces(existing))]
    NoSuchInterface {
        /// The name asked for.
        name: String,
        /// Those that this computer has.
        existing: Vec<String>,
    },
    /// The interface exists and is switched off.
    #[error("CAN interface {name} is down; bring it up: ip link set {name} up type can bitrate RATE")]
    InterfaceDown {
        /// The name asked for.
        name: String,
    },
    /// The interface exists and is for something else.
    #[error("{name} is a network interface, but not for CAN; {}", Interfaces(existing))]
    NotCan {
        /// The name asked for.
        name: String,
        /// The CAN interfaces that this computer has.
        existing: Vec<String>,
    },
    /// This system's kernel knows no CAN.
    #[error(
        "{name} cannot be opened: this system has no CAN of its own; an adapter that speaks slcan opens as \
         slcan:PATH, a bus elsewhere as socketcand:HOST:PORT/NAME"
    )]
    NoCan {
        /// The name asked for.
        name: String,
    },
    /// The other computer is not found, or accepts no connection.
    #[error("no connection to {host}: {source}; look whether the server runs there and the port is right")]
    Host {
        /// Name and port.
        host: String,
        /// What the system said.
        source: io::Error,
    },
    /// Something else than a socketcand server answers there, or nothing.
    #[error("{host} does not answer as a socketcand server: < hi > or < ok > was expected, {} came", Came(found))]
    NotSocketcand {
        /// Name and port.
        host: String,
        /// The first of what came.
        found: String,
    },
    /// The server has no such bus, or does not give it out.
    #[error("{host} does not open bus {bus}: {}; ask there which buses it serves", Came(answer))]
    NoSuchBus {
        /// Name and port.
        host: String,
        /// The bus asked for.
        bus: String,
        /// The server's words.
        answer: String,
    },
    /// The system said something else.
    #[error("port {name} cannot be opened: {source}; unplug and replug the adapter, then try again")]
    System {
        /// The name asked for.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// No thread could be started for it.
    #[error("no I/O thread could be started for port {name}: {source}; the system is out of threads or memory")]
    Thread {
        /// The port's name.
        name: String,
        /// What the system said.
        source: io::Error,
    },
}

/// `the ports are /dev/ttyUSB0 and /dev/ttyS0`.
struct ThereAre<'a>(&'a [String]);

impl fmt::Display for ThereAre<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            [] => f.write_str("this system shows no serial port at all: plug the adapter in and try again"),
            [one] => write!(f, "the only serial port here is {one}"),
            [most @ .., last] => write!(f, "the serial ports here are {} and {last}", most.join(", ")),
        }
    }
}

/// `the CAN interfaces are can0 and can1`.
struct Interfaces<'a>(&'a [String]);

impl fmt::Display for Interfaces<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            [] => f.write_str(
                "this system shows no CAN interface: plug the adapter in; one that speaks slcan opens as slcan:PATH",
            ),
            [one] => write!(f, "the only CAN interface here is {one}"),
            [most @ .., last] => write!(f, "the CAN interfaces here are {} and {last}", most.join(", ")),
        }
    }
}

/// Words of somebody else, or that there were none.
struct Came<'a>(&'a str);

impl fmt::Display for Came<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() { f.write_str("nothing") } else { write!(f, "\"{}\"", self.0) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sentence(existing: &[&str]) -> String {
        let existing = existing.iter().map(|name| (*name).to_owned()).collect();
        OpenError::NoSuchPort { name: "/dev/ttyUSB7".to_owned(), existing }.to_string()
    }

    #[test]
    fn a_missing_port_is_told_with_those_that_exist() {
        assert_eq!(
            sentence(&["/dev/ttyS0", "/dev/ttyUSB0", "/dev/ttyUSB1"]),
            "there is no port /dev/ttyUSB7; the serial ports here are /dev/ttyS0, /dev/ttyUSB0 and /dev/ttyUSB1"
        );
        assert_eq!(sentence(&["COM3"]), "there is no port /dev/ttyUSB7; the only serial port here is COM3");
        assert!(sentence(&[]).ends_with("plug the adapter in and try again"));
    }

    #[test]
    fn a_description_says_what_the_port_cannot_carry() {
        let pty = Description { name: "/dev/pts/3".to_owned(), kind: Kind::PseudoTerminal };
        assert_eq!(pty.to_string(), "pseudo-terminal /dev/pts/3 (carries no pulse, parity or pace)");
        let device = Description { name: "/dev/ttyUSB0".to_owned(), kind: Kind::Device };
        assert_eq!(device.to_string(), "serial port /dev/ttyUSB0");
    }
}
