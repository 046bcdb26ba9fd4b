//! Why a serial port did not open, found out by looking at what the path is.

use crate::OpenError;

/// The names of the serial ports that this system has, sorted.
pub(super) fn existing() -> Vec<String> {
    let mut names: Vec<_> =
        serialport::available_ports().unwrap_or_default().into_iter().map(|port| port.port_name).collect();
    names.sort();
    names
}

/// `serialport` tells most failures apart only by their texts: the path itself says more.
#[cfg(unix)]
pub(super) fn diagnose(name: &str, error: serialport::Error) -> OpenError {
    use std::io::ErrorKind;

    let name = name.to_owned();
    let source = || std::io::Error::from(error);
    let found = match std::fs::metadata(&name) {
        Ok(found) => found,
        Err(e) if e.kind() == ErrorKind::NotFound => return OpenError::NoSuchPort { name, existing: existing() },
        Err(e) if e.kind() == ErrorKind::PermissionDenied => return OpenError::NoPermission { name },
        Err(source) => return OpenError::System { name, source },
    };
    if let Some(found) = not_a_device(found.file_type()) {
        return OpenError::NotSerial { name, found: found.to_owned() };
    }
    look_inside(name, source)
}

#[cfg(unix)]
fn not_a_device(file_type: std::fs::FileType) -> Option<&'static str> {
    use std::os::unix::fs::FileTypeExt;

    if file_type.is_char_device() {
        None
    } else if file_type.is_dir() {
        Some("a directory")
    } else if file_type.is_file() {
        Some("an ordinary file")
    } else if file_type.is_socket() {
        Some("a socket")
    } else {
        Some("neither a file nor a terminal")
    }
}

#[cfg(unix)]
fn look_inside(name: String, source: impl FnOnce() -> std::io::Error) -> OpenError {
    use rustix::fs::{FlockOperation, Mode, OFlags, flock};
    use rustix::io::Errno;

    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    match rustix::fs::open(&name, flags, Mode::empty()) {
        Err(Errno::ACCESS | Errno::PERM) => OpenError::NoPermission { name },
        Err(Errno::BUSY) => OpenError::InUse { name },
        Err(_) => OpenError::System { name, source: source() },
        Ok(port) if !rustix::termios::isatty(&port) => {
            OpenError::NotSerial { name, found: "a device, but no terminal".to_owned() }
        }
        // TIOCEXCL does not stop root; the lock does.
        Ok(port) if flock(&port, FlockOperation::NonBlockingLockShared) == Err(Errno::WOULDBLOCK) => {
            OpenError::InUse { name }
        }
        Ok(_) => OpenError::System { name, source: source() },
    }
}

/// Elsewhere the kind of the error is all there is; "access denied" is how such systems say "in use".
#[cfg(not(unix))]
pub(super) fn diagnose(name: &str, error: serialport::Error) -> OpenError {
    use serialport::ErrorKind;
    use std::io::ErrorKind as Io;

    let name = name.to_owned();
    match error.kind {
        ErrorKind::Io(Io::PermissionDenied) => OpenError::InUse { name },
        ErrorKind::NoDevice | ErrorKind::Io(Io::NotFound) => OpenError::NoSuchPort { name, existing: existing() },
        ErrorKind::InvalidInput => OpenError::NotSerial { name, found: error.description },
        _ => OpenError::System { name, source: error.into() },
    }
}
