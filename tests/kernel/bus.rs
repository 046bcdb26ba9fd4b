//! What the tests stand on: the guest's virtual bus, a raw socket on it, our port.

use std::process::Command;
use std::time::Duration;

use socketcan::{CanAnyFrame, CanFdSocket, EmbeddedFrame, ExtendedId, Frame as _, Socket, StandardId};
use tickover_framing::Instant;
use tickover_framing::can::{Frame, FrameKind, Id};
use tickover_framing::contract::{Act, Input, Tag, Wire};
use tickover_framing::drive::{Port, Woke};
use tickover_link::can::SocketCan;

pub(crate) const BUS: &str = "vcan0";

/// Longer than any answer takes, also on a busy computer.
pub(crate) const LONG: Duration = Duration::from_secs(10);

/// Runs `ip` with these words.
pub(crate) fn ip(words: &str) {
    let status = Command::new("ip").args(words.split(' ')).status().expect("the guest has ip");
    assert!(status.success(), "ip {words}");
}

pub(crate) fn standard(id: u16, data: &[u8]) -> Frame {
    Frame::classic(Id::Standard(id), data).unwrap()
}

pub(crate) fn extended(id: u32, data: &[u8]) -> Frame {
    Frame::classic(Id::Extended(id), data).unwrap()
}

/// Somebody else on the bus, with nothing of ours in it.
pub(crate) struct Other(pub(crate) CanFdSocket);

impl Other {
    pub(crate) fn on(interface: &str) -> Self {
        let socket = CanFdSocket::open(interface).unwrap();
        socket.set_read_timeout(LONG).unwrap();
        Self(socket)
    }

    pub(crate) fn sends(&self, id: u32, data: &[u8]) {
        let frame = socketcan::CanDataFrame::new(kernel_id(id), data).unwrap();
        self.0.write_frame(&CanAnyFrame::from(frame)).unwrap();
    }

    pub(crate) fn sends_fd(&self, id: u32, data: &[u8]) {
        let frame = socketcan::CanFdFrame::new(kernel_id(id), data).unwrap();
        self.0.write_frame(&CanAnyFrame::from(frame)).unwrap();
    }

    /// Identifier word and data of the next frame.
    pub(crate) fn hears(&self) -> (u32, Vec<u8>) {
        let frame = self.0.read_frame().unwrap();
        (frame.id_word(), frame.data().to_vec())
    }
}

/// Linux `can.h`: bit 31 says 29 bits.
pub(crate) const EXTENDED: u32 = 1 << 31;

fn kernel_id(word: u32) -> socketcan::Id {
    match word & EXTENDED {
        0 => StandardId::new(word as u16).unwrap().into(),
        _ => ExtendedId::new(word & !EXTENDED).unwrap().into(),
    }
}

pub(crate) fn port() -> SocketCan {
    SocketCan::open(BUS).unwrap()
}

pub(crate) fn transmit(tag: u16, frame: Frame) -> Act {
    Act::Transmit { tag: Tag(tag), wire: Wire::Frame(frame) }
}

/// What the port tells next; commands aside.
pub(crate) fn next(port: &mut impl Port) -> Woke {
    let until = port.now().after(LONG);
    port.wait(Some(until), &mut [0; 256])
}

pub(crate) fn next_frame(port: &mut impl Port) -> (Instant, Frame) {
    match next(port) {
        Woke::Frame { end, frame } => (end, frame),
        other => panic!("a frame was expected, not {other:?}"),
    }
}

/// Hands a frame over and waits for its confirmation.
pub(crate) fn send(port: &mut impl Port, tag: u16, frame: Frame) -> (Instant, Instant) {
    assert!(port.act(&transmit(tag, frame)).is_none(), "the report comes later");
    match next(port) {
        Woke::Sent { tag: told, start, end } => {
            assert_eq!(told, Tag(tag));
            (start, end)
        }
        other => panic!("a confirmation was expected, not {other:?}"),
    }
}

/// Whether nothing comes within 50 ms.
pub(crate) fn is_quiet(port: &mut impl Port) -> bool {
    let until = port.now().after(Duration::from_millis(50));
    matches!(port.wait(Some(until), &mut [0; 256]), Woke::Deadline { .. })
}

pub(crate) fn is_fd(frame: &Frame) -> bool {
    matches!(frame.kind, FrameKind::Fd { .. })
}

/// The report of an act that is answered at once.
pub(crate) fn report(port: &mut impl Port, act: &Act) -> Input<'static> {
    port.act(act).expect("this act is answered at once")
}
