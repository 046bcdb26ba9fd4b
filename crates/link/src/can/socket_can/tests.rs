//! The port on one end of a pair of sockets; the test is the kernel on the other. A pair takes no filters and keeps
//! few datagrams: a full queue and a filter that the kernel refuses are seen here.

use std::os::fd::OwnedFd;
use std::os::unix::net::UnixDatagram;

use socketcan::CanErrorFrame;
use tickover_framing::can::Condition;

use super::*;

const LONG: Duration = Duration::from_secs(20);

fn pair() -> (SocketCan, CanFdSocket) {
    let (ours, theirs) = UnixDatagram::pair().unwrap();
    let [ours, theirs] = [ours, theirs].map(|socket| CanFdSocket::from(OwnedFd::from(socket)));
    theirs.set_read_timeout(LONG).unwrap();
    let mut port = SocketCan::closed("test".to_owned(), Clock::start(), Bell::new().unwrap());
    port.begin(ours).unwrap();
    (port, theirs)
}

fn frame(id: u16, data: &[u8]) -> Frame {
    Frame::classic(Id::Standard(id), data).unwrap()
}

fn transmit(tag: u16, frame: Frame) -> Act {
    Act::Transmit { tag: Tag(tag), wire: Wire::Frame(frame) }
}

fn next(port: &mut SocketCan) -> Woke {
    let until = port.now().after(LONG);
    port.wait(Some(until), &mut [0; 256])
}

fn says(kernel: &CanFdSocket, frame: &Frame) {
    kernel.write_frame(&to_kernel(frame).unwrap()).unwrap();
}

fn hears(kernel: &CanFdSocket) -> Frame {
    from_kernel(&kernel.read_frame().unwrap()).unwrap()
}

#[test]
fn every_kind_of_frame_crosses_unchanged() {
    let (mut port, kernel) = pair();
    let frames = [
        frame(0x123, &[1, 2, 3]),
        Frame::classic(Id::Extended(0x123), &[]).unwrap(),
        Frame::remote(Id::Standard(0x123)).unwrap(),
        Frame::fd(Id::Extended(0x18DA_F110), &[0x55; 64], true).unwrap(),
        Frame::fd(Id::Standard(0x7E8), &[], false).unwrap(),
    ];
    for frame in frames {
        says(&kernel, &frame);
        assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame), "{frame}");
        assert!(port.act(&transmit(1, frame)).is_none());
        assert_eq!(hears(&kernel), frame);
        says(&kernel, &frame);
        assert!(matches!(next(&mut port), Woke::Sent { tag: Tag(1), .. }), "{frame}");
    }
}

#[test]
fn a_full_queue_makes_frames_wait_and_none_is_lost_or_reordered() {
    const MANY: u16 = 1000;
    let (mut port, kernel) = pair();
    let mut taken = 0_u16;
    for number in 0..MANY {
        assert!(port.act(&transmit(number, frame(0x7E0, &number.to_be_bytes()))).is_none());
    }
    assert!(port.outgoing.is_waiting(), "the pair keeps fewer than {MANY} datagrams");
    let mut confirmed = 0;
    while confirmed < MANY {
        // One frame at a time leaves, and is confirmed.
        let sent = hears(&kernel);
        assert_eq!(sent.data.as_slice(), taken.to_be_bytes(), "in order");
        taken += 1;
        says(&kernel, &sent);
        match next(&mut port) {
            Woke::Sent { tag, start, end } => {
                assert_eq!(tag, Tag(confirmed));
                assert!(start <= end);
                confirmed += 1;
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(!port.outgoing.is_waiting());
}

/// Nobody on the bus acknowledges: that is no loss of the line.
#[test]
fn more_frames_than_any_controller_holds_are_neither_memory_nor_a_loss() {
    let (mut port, _kernel) = pair();
    assert!((0..u16::MAX).all(|tag| port.act(&transmit(tag, frame(1, &[]))).is_none()));
    assert!(port.outgoing.is_waiting());
}

#[test]
fn error_frames_are_conditions_of_the_bus() {
    let (mut port, kernel) = pair();
    for (class, byte, condition) in [
        (0x004, 0x10, Condition::Passive),
        (0x040, 0, Condition::Off),
        (0x100, 0, Condition::Active),
        (0x020, 0, Condition::NoAcknowledge),
    ] {
        let error = CanErrorFrame::new_error(class, &[0, byte, 0, 0, 0, 0, 0, 0]).unwrap();
        kernel.write_frame(&CanAnyFrame::Error(error)).unwrap();
        assert!(matches!(next(&mut port), Woke::Bus { condition: told, .. } if told == condition), "{condition:?}");
    }
}

#[test]
fn unwanted_frames_are_dropped_here_where_the_kernel_filters_nothing() {
    let (mut port, kernel) = pair();
    port.filter(&[Filter::only(Id::Standard(0x123))]);
    says(&kernel, &frame(0x124, &[]));
    says(&kernel, &Frame::classic(Id::Extended(0x123), &[]).unwrap());
    says(&kernel, &frame(0x123, &[1]));
    assert!(matches!(next(&mut port), Woke::Frame { frame: heard, .. } if heard == frame(0x123, &[1])));
}

/// Linux `can.h`: bit 31 says 29 bits, bits 28 to 0 the identifier.
#[test]
fn a_filter_of_the_kernel_names_the_width() {
    assert_eq!(kernel_filter(Filter::only(Id::Standard(0x123))), (0x123, 0x8000_07FF));
    assert_eq!(kernel_filter(Filter::only(Id::Extended(0x123))), (0x8000_0123, 0x9FFF_FFFF));
    assert_eq!(kernel_filter(Filter::all(Id::Standard(0))), (0, 0x8000_0000));
}

#[test]
fn the_time_of_a_frame_lies_between_the_last_empty_look_and_now_whatever_the_wall_clock_says() {
    let (mut port, _kernel) = pair();
    port.not_before = port.now();
    let empty = port.not_before;
    let hour = Duration::from_secs(3600);
    for stamp in [SystemTime::now() - hour, SystemTime::now() + hour, SystemTime::UNIX_EPOCH] {
        let end = port.end_of(Some(stamp));
        assert!(empty <= end && end <= port.now(), "{stamp:?} gave {end}");
    }
}

#[test]
fn errors_of_the_system_are_no_room_a_refusal_or_a_loss() {
    let of = |errno: Errno| outcome(&errno.into());
    assert_eq!([Errno::NOBUFS, Errno::AGAIN, Errno::INTR].map(of), [Outcome::Later; 3]);
    assert_eq!([Errno::NETDOWN, Errno::NODEV, Errno::NXIO].map(of), [Outcome::Lost(Lost::Gone); 3]);
    assert_eq!([Errno::INVAL, Errno::MSGSIZE].map(of), [Outcome::Lost(Lost::Refused); 2]);
}
