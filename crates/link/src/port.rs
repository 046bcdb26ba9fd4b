//! A line's end in real time: what every port of the I/O thread can do beyond the machine's [`Port`].

use std::fmt;
use std::io;
use std::task::Waker;

use tickover_framing::Instant;
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
}

impl Kind {
    /// What does not reach the other side of such a port, as one clause; empty if all does.
    pub const fn cannot_carry(self) -> &'static str {
        match self {
            Self::Device | Self::InProcess => "",
            Self::PseudoTerminal => "carries no pulse, parity or pace",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Device => "serial port",
            Self::PseudoTerminal => "pseudo-terminal",
            Self::InProcess => "in-process line",
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
