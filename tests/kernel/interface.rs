//! Interfaces that are missing, down, for something else, or go away and come back.

use tickover_framing::can::{Frame, Id};
use tickover_framing::contract::{Input, Lost};
use tickover_framing::drive::Woke;
use tickover_link::can::SocketCan;
use tickover_link::{LivePort, OpenError};

use crate::bus::{BUS, Other, ip, next, next_frame, report, send, standard, transmit};

/// An interface of the test's own, gone when dropped.
struct Own(&'static str);

impl Own {
    fn new(name: &'static str, mtu: &str) -> Self {
        ip(&format!("link add dev {name} type vcan"));
        ip(&format!("link set {name} mtu {mtu} up"));
        Self(name)
    }

    fn set(&self, state: &str) {
        ip(&format!("link set {} {state}", self.0));
    }
}

impl Drop for Own {
    fn drop(&mut self) {
        ip(&format!("link del {}", self.0));
    }
}

fn is_gone(woke: &Woke) -> bool {
    matches!(woke, Woke::Lost { cause: Lost::Gone, .. })
}

#[test]
fn an_interface_that_does_not_exist_is_told_with_those_that_do() {
    let error = SocketCan::open("can7").unwrap_err().to_string();
    assert_eq!(error, "there is no CAN interface can7; the only CAN interface here is vcan0");
    let _second = Own::new("vcan1", "16");
    let error = tickover_link::open("can:can7").err().unwrap().to_string();
    assert_eq!(error, "there is no CAN interface can7; the CAN interfaces here are vcan0 and vcan1");
}

#[test]
fn an_interface_for_something_else_is_refused() {
    let error = SocketCan::open("lo").unwrap_err().to_string();
    assert_eq!(error, "lo is a network interface, but not for CAN; the only CAN interface here is vcan0");
}

#[test]
fn an_interface_that_is_down_is_told_with_what_brings_it_up() {
    let own = Own::new("vcan1", "72");
    own.set("down");
    let error = SocketCan::open("vcan1").unwrap_err();
    assert!(matches!(error, OpenError::InterfaceDown { .. }));
    assert_eq!(
        error.to_string(),
        "CAN interface vcan1 is down; bring it up: ip link set vcan1 up type can bitrate RATE"
    );
}

#[test]
fn an_interface_that_goes_down_is_lost_and_the_same_port_comes_back_with_it() {
    let own = Own::new("vcan1", "72");
    let mut port = SocketCan::open("vcan1").unwrap();
    let waker = port.waker();
    own.set("down");
    assert!(is_gone(&next(&mut port)));
    assert!(is_gone(&next(&mut port)), "it stays lost");
    let act = transmit(1, standard(0x7E0, &[1]));
    assert!(matches!(report(&mut port, &act), Input::Lost { cause: Lost::Gone, .. }));
    assert!(matches!(port.reopen(), Err(OpenError::InterfaceDown { .. })));

    own.set("up");
    port.reopen().unwrap();
    let other = Other::on("vcan1");
    other.sends(0x123, &[1]);
    assert_eq!(next_frame(&mut port).1, standard(0x123, &[1]));
    send(&mut port, 2, standard(0x7E0, &[2]));
    waker.wake();
    assert_eq!(next(&mut port), Woke::Command, "the waker still wakes");
}

#[test]
fn an_interface_that_is_unplugged_is_lost_and_comes_back_under_its_name() {
    let own = Own::new("vcan1", "72");
    let mut port = SocketCan::open("vcan1").unwrap();
    drop(own);
    assert!(is_gone(&next(&mut port)));
    assert!(matches!(port.reopen(), Err(OpenError::NoSuchInterface { .. })));
    let _again = Own::new("vcan1", "72");
    port.reopen().unwrap();
    Other::on("vcan1").sends(0x123, &[1]);
    assert_eq!(next_frame(&mut port).1, standard(0x123, &[1]));
}

/// Linux: an interface for classic frames has an MTU of 16 bytes, one for FD 72.
#[test]
fn an_fd_frame_on_an_interface_without_fd_is_a_refusal() {
    let _own = Own::new("vcan1", "16");
    let mut port = SocketCan::open("vcan1").unwrap();
    let act = transmit(1, Frame::fd(Id::Standard(0x7E0), &[0; 12], false).unwrap());
    assert!(matches!(report(&mut port, &act), Input::Lost { cause: Lost::Refused, .. }));
}

#[test]
fn a_line_is_opened_by_its_name() {
    let mut port = tickover_link::open("can:vcan0").unwrap();
    Other::on(BUS).sends(0x123, &[1]);
    assert_eq!(next_frame(&mut port).1, standard(0x123, &[1]));
}
