//! Allocations are counted: a conversation on CAN makes none.

#[path = "bare/no-alloc/bus.rs"]
mod bus;

use core::time::Duration;

use bus::Bus;
use tickover_framing::can::Id;
use tickover_framing::drive::{Port, turn};
use tickover_framing::isotp::{Address, Line, Path, Tester};
use tickover_framing::transport::{Answers, Ask, Heard, Peer, Transport};

const LONGEST: [u8; 4095] = [0x5A; 4095];

#[test]
fn no_frame_and_no_message_allocates() {
    let [request, response] = [0x5A1, 0x5A9].map(|id| Address::Normal(Id::Standard(id)));
    let path = Path { request, response };
    let mut bus: Bus<4095> = Bus::new(Line::CLASSIC, path, (&LONGEST, &LONGEST));
    let mut tester: Tester<1, 4095> = Tester::new(Line::CLASSIC, bus.reach());
    tester.add_unit(path).expect("room for one");
    tester.connect(bus.now());
    let counted = allocation_counter::measure(|| exchange(&mut tester, &mut bus, 20));
    assert_eq!(counted.count_total, 0, "{counted:?}");
    // The counter counts.
    assert_eq!(allocation_counter::measure(|| drop(std::hint::black_box(Box::new(5)))).count_total, 1);
}

/// So many times 4095 bytes there and 4095 bytes back: 1174 frames each.
fn exchange(tester: &mut Tester<1, 4095>, bus: &mut Bus<4095>, mut left: u32) {
    let to = Peer::Address(Address::Normal(Id::Standard(0x5A1)));
    let ask = Ask { to, answers: Answers::One, window: Duration::from_millis(50) };
    while left > 0 {
        let now = bus.now();
        turn(tester, bus, |tester, heard| match heard {
            Heard::Ready { .. } => assert_eq!(tester.request(now, &LONGEST, ask), Ok(())),
            Heard::Message { end, .. } => {
                assert!(tester.message() == LONGEST);
                left -= 1;
                assert_eq!(tester.request(end, &LONGEST, ask), Ok(()));
            }
            Heard::Sent { .. } => {}
            other => panic!("{other:?}"),
        });
    }
}
