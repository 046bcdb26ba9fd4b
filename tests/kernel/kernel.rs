//! Sockets of the kernel's ISO 15765-2. Numbers and layouts are those of Linux' `can/isotp.h`.

use std::io::{self, Read, Write};
use std::os::fd::{AsRawFd, RawFd};

use socket2::{Domain, Protocol, Socket, Type};
use socketcan::{CanAddr, SocketOptions, StandardId};

use crate::bus::{BUS, LONG};

const AF_CAN: i32 = 29;
const CAN_ISOTP: i32 = 6;
const SOL_CAN_ISOTP: i32 = 106;
const OPTIONS: i32 = 1;
const FLOW_CONTROL: i32 = 2;
const TX_PADDING: u32 = 0x004;
const WAIT_TX_DONE: u32 = 0x400;

/// What such a socket asks of those that send to it.
#[derive(Clone, Copy)]
pub(crate) struct Receives {
    pub(crate) block_size: u8,
    pub(crate) st_min: u8,
}

impl Receives {
    pub(crate) const ALL_AT_ONCE: Self = Self { block_size: 0, st_min: 0 };
}

/// One end of a conversation: whole messages are written and read. A write returns when its last frame is out.
pub(crate) struct Kernel(Socket);

impl Kernel {
    /// Frames are filled with CC.
    pub(crate) fn new(hears: u16, says: u16, receives: Receives) -> Self {
        let kind = Some(Protocol::from(CAN_ISOTP));
        let this = Self(Socket::new(Domain::from(AF_CAN), Type::DGRAM, kind).unwrap());
        let mut options = [0; 12];
        options[..4].copy_from_slice(&(TX_PADDING | WAIT_TX_DONE).to_ne_bytes());
        options[9] = 0xCC;
        this.set_socket_option_bytes(SOL_CAN_ISOTP, OPTIONS, &options).unwrap();
        let flow = [receives.block_size, receives.st_min, 0];
        this.set_socket_option_bytes(SOL_CAN_ISOTP, FLOW_CONTROL, &flow).unwrap();
        let [hears, says] = [hears, says].map(|id| StandardId::new(id).unwrap());
        let address = CanAddr::from_iface_isotp(BUS, hears, says).unwrap();
        this.0.bind(&address.into_sock_addr()).unwrap();
        this.0.set_read_timeout(Some(LONG)).unwrap();
        this
    }

    pub(crate) fn reads(&self) -> io::Result<Vec<u8>> {
        let mut message = vec![0; 4096];
        let len = (&self.0).read(&mut message)?;
        message.truncate(len);
        Ok(message)
    }

    pub(crate) fn writes(&self, message: &[u8]) -> io::Result<()> {
        let written = (&self.0).write(message)?;
        assert_eq!(written, message.len());
        Ok(())
    }
}

impl AsRawFd for Kernel {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_raw_fd()
    }
}

impl SocketOptions for Kernel {}
