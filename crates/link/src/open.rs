//! A line by its name: which sort of port, and where.

use crate::can::{Slcan, SocketCand};
use crate::{Clock, LivePort, OpenError, Serial};

/// Opens the line that `text` names.
///
/// | text | port |
/// |---|---|
/// | `/dev/ttyUSB0`, `COM3` | a serial port with a K-line adapter: [`Serial`] |
/// | `can:can0` | a CAN interface of this computer: [`SocketCan`](crate::can::SocketCan), on Linux |
/// | `slcan:/dev/ttyACM0` | a CAN adapter that speaks slcan: [`Slcan`] |
/// | `socketcand:HOST:PORT/can0` | a CAN bus on another computer: [`SocketCand`] |
///
/// ```no_run
/// # fn f(session: tickover_session::Session) -> Result<(), tickover_link::OpenError> {
/// use tickover_link::Connection;
///
/// let connection = Connection::open(session, tickover_link::open("can:can0")?)?;
/// # Ok(())
/// # }
/// ```
///
/// # Errors
/// [`OpenError::Address`] if a scheme is unknown or incomplete; otherwise as the port's own `open`.
pub fn open(text: &str) -> Result<Box<dyn LivePort>, OpenError> {
    open_at(text, Clock::start())
}

/// The same with a clock that others share.
///
/// # Errors
/// As [`open`].
pub fn open_at(text: &str, clock: Clock) -> Result<Box<dyn LivePort>, OpenError> {
    Ok(match Address::parse(text)? {
        Address::Serial(path) => Box::new(Serial::open_at(path, clock)?),
        Address::Can(name) => can(name, clock)?,
        Address::Slcan(path) => Box::new(Slcan::new(Serial::open_at(path, clock)?)?),
        Address::Socketcand { host, bus } => Box::new(SocketCand::open_at(host, bus, clock)?),
    })
}

#[cfg(target_os = "linux")]
fn can(name: &str, clock: Clock) -> Result<Box<dyn LivePort>, OpenError> {
    Ok(Box::new(crate::can::SocketCan::open_at(name, clock)?))
}

#[cfg(not(target_os = "linux"))]
fn can(name: &str, _: Clock) -> Result<Box<dyn LivePort>, OpenError> {
    Err(OpenError::NoCan { name: name.to_owned() })
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Address<'a> {
    Serial(&'a str),
    Can(&'a str),
    Slcan(&'a str),
    Socketcand { host: &'a str, bus: &'a str },
}

impl<'a> Address<'a> {
    fn parse(text: &'a str) -> Result<Self, OpenError> {
        let Some((scheme, rest)) = text.split_once(':').filter(|(scheme, _)| is_scheme(scheme)) else {
            return if text.is_empty() { Err(expected(text, "a name of a port")) } else { Ok(Self::Serial(text)) };
        };
        match scheme {
            "can" if !rest.is_empty() => Ok(Self::Can(rest)),
            "slcan" if !rest.is_empty() => Ok(Self::Slcan(rest)),
            "socketcand" => {
                let parts = rest.rsplit_once('/').filter(|(host, bus)| is_host(host) && !bus.is_empty());
                let (host, bus) = parts.ok_or_else(|| expected(text, "socketcand:HOST:PORT/NAME"))?;
                Ok(Self::Socketcand { host, bus })
            }
            "can" => Err(expected(text, "can:NAME, as can:can0")),
            "slcan" => Err(expected(text, "slcan:PATH, as slcan:/dev/ttyACM0")),
            _ => Err(expected(text, "can:NAME, slcan:PATH, socketcand:HOST:PORT/NAME, or the path of a serial port")),
        }
    }
}

/// A word of letters in front of a colon; a single one is a drive, and a path is no word.
fn is_scheme(text: &str) -> bool {
    text.len() > 1 && text.bytes().all(|byte| byte.is_ascii_alphabetic())
}

/// `HOST:PORT`; an address of IPv6 stands in brackets.
fn is_host(text: &str) -> bool {
    text.rsplit_once(':').is_some_and(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok())
}

fn expected(text: &str, expected: &'static str) -> OpenError {
    OpenError::Address { text: text.to_owned(), expected }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_scheme_names_its_port() {
        let remote = Address::Socketcand { host: "bench.example:29536", bus: "can0" };
        for (text, address) in [
            ("/dev/ttyUSB0", Address::Serial("/dev/ttyUSB0")),
            ("COM3", Address::Serial("COM3")),
            ("/dev/serial/by-path/pci-0000:00:14.0", Address::Serial("/dev/serial/by-path/pci-0000:00:14.0")),
            ("can:can0", Address::Can("can0")),
            ("slcan:/dev/ttyACM0", Address::Slcan("/dev/ttyACM0")),
            ("socketcand:bench.example:29536/can0", remote),
            ("socketcand:[::1]:29536/can0", Address::Socketcand { host: "[::1]:29536", bus: "can0" }),
        ] {
            assert_eq!(Address::parse(text).unwrap(), address);
        }
    }

    #[test]
    fn a_name_that_is_not_understood_is_told_with_what_was_expected() {
        for (text, expected) in [
            ("", "a name of a port"),
            ("can:", "can:NAME, as can:can0"),
            ("slcan:", "slcan:PATH, as slcan:/dev/ttyACM0"),
            ("socketcand:bench.example/can0", "socketcand:HOST:PORT/NAME"),
            ("socketcand:bench.example:29536", "socketcand:HOST:PORT/NAME"),
            ("socketcand:bench.example:port/can0", "socketcand:HOST:PORT/NAME"),
            ("tcp:bench.example:1", "can:NAME, slcan:PATH, socketcand:HOST:PORT/NAME, or the path of a serial port"),
        ] {
            let error = open(text).err().expect("nothing like it can be opened").to_string();
            assert_eq!(error, format!("{text:?} names no port: {expected} was expected"));
        }
    }
}
