//! The CAN interfaces of this computer as the kernel lists them: name, sort, state, bit rate. Reading only.
//!
//! Numbers are those of Linux' `rtnetlink.h`, `if_link.h`, `if_arp.h` and `can/netlink.h`.

use std::io;

use rustix::net::netlink::SocketAddrNetlink;
use rustix::net::{AddressFamily, RecvFlags, SendFlags, SocketFlags, SocketType, bind, recv, send, socket_with};
use tickover_framing::contract::Speed;

/// A network interface, and what the kernel says of its CAN side.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub(super) struct Interface {
    pub(super) name: String,
    pub(super) is_can: bool,
    pub(super) is_up: bool,
    /// A bus inside the kernel: `vcan`, `vxcan`.
    pub(super) is_virtual: bool,
    bit_rate: Option<u32>,
    data_rate: Option<u32>,
    listen_only: bool,
}

impl Interface {
    /// What it runs at, if it has a rate and the kernel knows it.
    pub(super) fn speed(&self) -> Option<Speed> {
        let (data_rate, listen_only) = (self.data_rate, self.listen_only);
        self.bit_rate.map(|bit_rate| Speed::Can { bit_rate, data_rate, listen_only })
    }
}

/// All network interfaces, sorted by name.
pub(super) fn all() -> io::Result<Vec<Interface>> {
    let socket = socket_with(AddressFamily::NETLINK, SocketType::RAW, SocketFlags::CLOEXEC, None)?;
    bind(&socket, &SocketAddrNetlink::new(0, 0))?;
    send(&socket, &request(), SendFlags::empty())?;
    let mut interfaces = Vec::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        let (len, _) = recv(&socket, &mut *buffer, RecvFlags::empty())?;
        match read(buffer.get(..len).unwrap_or_default(), &mut interfaces) {
            Told::More if len > 0 => {}
            Told::More | Told::All => break,
            Told::Refused => return Err(io::ErrorKind::PermissionDenied.into()),
        }
    }
    interfaces.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(interfaces)
}

const NLMSG_ERROR: u16 = 2;
const NLMSG_DONE: u16 = 3;
const RTM_NEWLINK: u16 = 16;
const RTM_GETLINK: u16 = 18;
/// `NLM_F_REQUEST` and `NLM_F_DUMP`.
const REQUEST_DUMP: u16 = 0x301;
const ARPHRD_CAN: u16 = 280;
const IFF_UP: u32 = 1;
const IFLA_IFNAME: u16 = 3;
const IFLA_LINKINFO: u16 = 18;
const IFLA_INFO_KIND: u16 = 1;
const IFLA_INFO_DATA: u16 = 2;
const IFLA_CAN_BITTIMING: u16 = 1;
const IFLA_CAN_CTRLMODE: u16 = 5;
const IFLA_CAN_DATA_BITTIMING: u16 = 9;
const CAN_CTRLMODE_LISTENONLY: u32 = 2;

/// A header of 16 bytes and an `ifinfomsg` of 16.
fn request() -> [u8; 32] {
    let mut request = [0; 32];
    request[..4].copy_from_slice(&32_u32.to_ne_bytes());
    request[4..6].copy_from_slice(&RTM_GETLINK.to_ne_bytes());
    request[6..8].copy_from_slice(&REQUEST_DUMP.to_ne_bytes());
    request
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Told {
    More,
    All,
    Refused,
}

/// One delivery of messages.
fn read(mut bytes: &[u8], into: &mut Vec<Interface>) -> Told {
    while let (Some(len), Some(kind)) = (u32_at(bytes, 0), u16_at(bytes, 4)) {
        let len = len as usize;
        let Some(body) = bytes.get(16..len) else { break };
        match kind {
            NLMSG_DONE => return Told::All,
            NLMSG_ERROR => return Told::Refused,
            RTM_NEWLINK => into.extend(interface(body)),
            _ => {}
        }
        bytes = bytes.get(len.next_multiple_of(4)..).unwrap_or_default();
    }
    Told::More
}

/// `ifinfomsg`, then attributes.
fn interface(body: &[u8]) -> Option<Interface> {
    let mut found = Interface {
        is_can: u16_at(body, 2)? == ARPHRD_CAN,
        is_up: u32_at(body, 8)? & IFF_UP != 0,
        ..Interface::default()
    };
    for (kind, value) in attributes(body.get(16..)?) {
        match kind {
            IFLA_IFNAME => found.name = text(value),
            IFLA_LINKINFO => attributes(value).for_each(|(kind, value)| match kind {
                IFLA_INFO_KIND => found.is_virtual = matches!(&*text(value), "vcan" | "vxcan"),
                IFLA_INFO_DATA => bus(value, &mut found),
                _ => {}
            }),
            _ => {}
        }
    }
    Some(found)
}

/// What a CAN driver adds. A rate of 0 is none.
fn bus(data: &[u8], found: &mut Interface) {
    for (kind, value) in attributes(data) {
        match kind {
            IFLA_CAN_BITTIMING => found.bit_rate = u32_at(value, 0).filter(|rate| *rate > 0),
            IFLA_CAN_DATA_BITTIMING => found.data_rate = u32_at(value, 0).filter(|rate| *rate > 0),
            IFLA_CAN_CTRLMODE => {
                found.listen_only = u32_at(value, 4).is_some_and(|flags| flags & CAN_CTRLMODE_LISTENONLY != 0);
            }
            _ => {}
        }
    }
}

/// Length and kind of two bytes each, the value, filled up to four.
fn attributes(mut bytes: &[u8]) -> impl Iterator<Item = (u16, &[u8])> {
    std::iter::from_fn(move || {
        let (len, kind) = (usize::from(u16_at(bytes, 0)?), u16_at(bytes, 2)?);
        let value = bytes.get(4..len)?;
        bytes = bytes.get(len.next_multiple_of(4)..).unwrap_or_default();
        // The upper two bits are flags.
        Some((kind & 0x3FFF, value))
    })
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).trim_end_matches('\0').to_owned()
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    bytes.get(at..)?.first_chunk().map(|bytes| u16::from_ne_bytes(*bytes))
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..)?.first_chunk().map(|bytes| u32::from_ne_bytes(*bytes))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn attribute(kind: u16, value: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::new();
        bytes.extend(((value.len() + 4) as u16).to_ne_bytes());
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(value);
        bytes.resize(bytes.len().next_multiple_of(4), 0);
        bytes
    }

    fn message(kind: u16, body: &[u8]) -> Vec<u8> {
        let mut bytes = ((body.len() + 16) as u32).to_ne_bytes().to_vec();
        bytes.extend(kind.to_ne_bytes());
        bytes.extend([0; 10]);
        bytes.extend(body);
        bytes
    }

    fn link(kind: u16, up: bool, attributes: &[Vec<u8>]) -> Vec<u8> {
        let mut body = vec![0; 16];
        body[2..4].copy_from_slice(&kind.to_ne_bytes());
        body[8..12].copy_from_slice(&u32::from(up).to_ne_bytes());
        body.extend(attributes.concat());
        message(RTM_NEWLINK, &body)
    }

    /// Linux uapi: struct can_bittiming begins with the bit rate, struct can_ctrlmode is mask and flags.
    #[test]
    fn an_interface_with_its_rates_is_read() {
        let rates = [
            attribute(IFLA_CAN_BITTIMING, &[500_000_u32.to_ne_bytes(), [0; 4]].concat()),
            attribute(IFLA_CAN_CTRLMODE, &[[0xFF; 4], 2_u32.to_ne_bytes()].concat()),
            attribute(IFLA_CAN_DATA_BITTIMING, &2_000_000_u32.to_ne_bytes()),
        ];
        let info = [attribute(IFLA_INFO_KIND, b"can\0"), attribute(IFLA_INFO_DATA, &rates.concat())].concat();
        let can = link(ARPHRD_CAN, true, &[attribute(IFLA_IFNAME, b"can0\0"), attribute(IFLA_LINKINFO, &info)]);
        let virtual_can = link(
            ARPHRD_CAN,
            false,
            &[attribute(IFLA_IFNAME, b"vcan0\0"), attribute(IFLA_LINKINFO, &attribute(IFLA_INFO_KIND, b"vcan"))],
        );
        let mut found = Vec::new();
        assert_eq!(read(&[can, virtual_can].concat(), &mut found), Told::More);
        assert_eq!(read(&message(NLMSG_DONE, &[0; 4]), &mut found), Told::All);
        let [can, virtual_can] = &found[..] else { panic!("{found:?}") };
        let speed = Speed::Can { bit_rate: 500_000, data_rate: Some(2_000_000), listen_only: true };
        assert_eq!((&*can.name, can.is_can, can.is_up, can.is_virtual), ("can0", true, true, false));
        assert_eq!(can.speed(), Some(speed));
        assert_eq!((&*virtual_can.name, virtual_can.is_up, virtual_can.is_virtual), ("vcan0", false, true));
        assert_eq!(virtual_can.speed(), None);
    }

    #[test]
    fn this_computers_interfaces_are_listed() {
        let all = all().expect("every Linux lists its interfaces");
        assert!(all.iter().any(|interface| interface.name == "lo" && !interface.is_can), "{all:?}");
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            read(&bytes, &mut Vec::new());
            let _ = interface(&bytes);
        }
    }
}
