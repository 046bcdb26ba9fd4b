//! An exchange takes the time that the model says, to the nanosecond.

use super::*;
use crate::isotp::{Fd, Flow, Frames, Timing, UnitEvent};
use crate::script::{Pair, Told};

/// Time from the request's first bit to the answer's last in virtual time.
fn exchange(line: Line, unit_line: Line, path: Path, request: usize, response: usize, p2: Duration) -> Duration {
    let mut tester: Tester<1, 5000> = Tester::new(line, Reach::IDEAL);
    tester.add_unit(path).unwrap();
    tester.connect(ZERO);
    let unit: Unit<5000> = Unit::new(unit_line, path, None, Reach::IDEAL);
    let mut pair = Pair::new(tester, unit, ZERO);
    let (mut first_bit, mut last_bit) = (ZERO, ZERO);
    pair.run(ZERO.after(Duration::from_secs(60)), |tester, unit, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) => {
                let ask = Ask { window: Duration::from_secs(1), ..ask(path) };
                tester.request(now, &counting(request), ask).unwrap();
            }
            Told::A(Heard::Sent { start, .. }) => first_bit = start,
            Told::A(Heard::Message { end, .. }) => {
                assert_eq!(tester.message(), counting(response));
                last_bit = end;
                return true;
            }
            Told::B(UnitEvent::Request { .. }) => {
                assert_eq!(unit.request(), counting(request));
                unit.respond(now, &counting(response), p2).unwrap();
            }
            Told::B(UnitEvent::Sent { .. }) => {}
            other => panic!("{other:?}"),
        }
        false
    });
    last_bit.since(first_bit)
}

/// Computed by hand: 4095 bytes are 1 + 585 frames and flow control of 270 us; 585 frames of which the last is full.
#[test]
fn the_longest_classic_message_takes_what_its_frames_take() {
    let time = Line::CLASSIC.message_time(SPEED, PATH.response, 4095, &Line::CLASSIC, PATH.request);
    assert_eq!(time, Duration::from_micros(270) * (1 + 1 + 585));
    let slow = Line { flow: Flow { st_min: 1, ..Line::CLASSIC.flow }, ..Line::CLASSIC };
    let slow_time = Line::CLASSIC.message_time(SPEED, PATH.response, 4095, &slow, PATH.request);
    assert_eq!(slow_time - time, Duration::from_millis(584));
}

#[test]
fn exchanges_take_the_time_of_the_model_to_the_nanosecond() {
    let times = Timing { n_br: Duration::from_micros(350), n_cs: Duration::from_micros(90), ..Timing::ISO15765_2 };
    let fd = Frames { padding: None, fd: Some(Fd { tx_dl: 64, switch_rate: true }) };
    let mixed = |id| Address::Mixed11 { id, extension: 7 };
    let flow = |block_size, st_min| Flow { block_size, st_min, wait_max: 0 };
    let lines = [
        Line::CLASSIC,
        Line { frames: Frames { padding: None, fd: None }, flow: flow(8, 0xF3), ..Line::CLASSIC },
        Line { frames: fd, flow: flow(1, 1), timing: times, ..Line::CLASSIC },
        Line { flow: flow(3, 0), timing: times, ..Line::CLASSIC },
    ];
    let p2 = Duration::from_micros(1_234);
    for path in [PATH, Path { request: mixed(0x5A1), response: mixed(0x5A9) }] {
        for (tester, unit) in lines.iter().zip(lines.iter().rev()).chain(lines.iter().zip(&lines)) {
            // The unit answers in frames that the tester takes.
            let unit = Line { frames: tester.frames, ..*unit };
            for (request, response) in [(1, 1), (2, 7), (7, 8), (8, 62), (20, 63), (255, 200), (4095, 4096)] {
                let model = tester.exchange_time(&unit, SPEED, path, request, response, p2);
                let run = exchange(*tester, unit, path, request, response, p2);
                assert_eq!(run, model, "{request} and {response} bytes, {tester:?}, {unit:?}");
            }
        }
    }
}
