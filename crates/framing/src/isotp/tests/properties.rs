//! Any message, any flow control, any losses: delivered whole or reported, never wrong.

use std::cell::RefCell;
use std::rc::Rc;

use proptest::prelude::*;

use super::*;
use crate::can::{Frame, FrameKind};
use crate::contract::Chunk;
use crate::isotp::{Fd, Flow, Frames, Pdu, UnitEvent};
use crate::script::{Pair, Told};

fn addresses() -> impl Strategy<Value = Path> {
    let normal = |id| Address::Normal(id);
    let fixed = |target, source| Address::NormalFixed { target, source, functional: false };
    let extended = |id, target| Address::Extended { id: Id::Extended(id), target };
    let mixed11 = |id| Address::Mixed11 { id, extension: 0x42 };
    let mixed29 = |target, source| Address::Mixed29 { target, source, extension: 0x42, functional: false };
    prop::sample::select(std::vec![
        PATH,
        Path { request: normal(Id::Extended(0x5A1)), response: normal(Id::Extended(0x5A9)) },
        Path { request: fixed(0x1C, 0xF1), response: fixed(0xF1, 0x1C) },
        Path { request: extended(0x6F1, 0x1C), response: extended(0x61C, 0xF1) },
        Path { request: mixed11(0x5A1), response: mixed11(0x5A9) },
        Path { request: mixed29(0x1C, 0xF1), response: mixed29(0xF1, 0x1C) },
    ])
}

fn frames() -> impl Strategy<Value = Frames> {
    let tx_dl = prop::sample::select(std::vec![8_u8, 12, 16, 20, 24, 32, 48, 64]);
    let fd = prop::option::of((tx_dl, any::<bool>()).prop_map(|(tx_dl, switch_rate)| Fd { tx_dl, switch_rate }));
    (prop::option::of(any::<u8>()), fd).prop_map(|(padding, fd)| Frames { padding, fd })
}

/// Every legal BS, every STmin of the standard's table, reserved ones too.
fn flow() -> impl Strategy<Value = Flow> {
    let st_min = prop_oneof![Just(0_u8), 0xF1_u8..=0xF9, 0_u8..=5, any::<u8>()];
    (any::<u8>(), st_min).prop_map(|(block_size, st_min)| Flow { block_size, st_min, wait_max: 10 })
}

fn lines() -> impl Strategy<Value = (Line, Line)> {
    (frames(), flow(), flow()).prop_map(|(frames, tester, unit)| {
        (Line { frames, flow: tester, ..Line::CLASSIC }, Line { frames, flow: unit, ..Line::CLASSIC })
    })
}

/// What becomes of a frame.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Fate {
    Arrives,
    Lost,
    Twice,
    /// Behind the ones that follow.
    Late(u16),
    /// A bit of its first bytes is another one.
    Spoiled(u8),
}

fn fate() -> impl Strategy<Value = Fate> {
    prop_oneof![
        12 => Just(Fate::Arrives),
        1 => Just(Fate::Lost),
        1 => Just(Fate::Twice),
        1 => (0_u16..3000).prop_map(Fate::Late),
    ]
}

fn apply(fate: Fate, frame: Frame) -> Vec<(Duration, Frame)> {
    let late = |micros| (Duration::from_micros(micros), frame);
    match fate {
        Fate::Arrives => std::vec![late(0)],
        Fate::Lost => std::vec![],
        Fate::Twice => std::vec![late(0), late(1)],
        Fate::Late(micros) => std::vec![late(u64::from(micros))],
        Fate::Spoiled(bit) => {
            let mut data = frame.data.as_slice().to_vec();
            if let Some(byte) = data.get_mut(usize::from(bit / 8)) {
                *byte ^= 1 << (bit % 8);
            }
            std::vec![(Duration::ZERO, Frame { data: Chunk::split_from(&data).0, ..frame })]
        }
    }
}

/// What both ends told of one request and its answer.
#[derive(Default)]
struct Outcome {
    sent: bool,
    messages: Vec<Vec<u8>>,
    requests: Vec<Vec<u8>>,
    silence: bool,
    answered: bool,
    noises: Vec<Noise>,
}

/// Asks once and answers once over a bus that treats frames as `fates` says, then well.
fn run(lines: (Line, Line), path: Path, request: &[u8], response: &[u8], fates: Vec<Fate>) -> Outcome {
    let mut tester: Tester<1, 4500> = Tester::new(lines.0, Reach::IDEAL);
    tester.add_unit(path).unwrap();
    tester.connect(ZERO);
    let mut unit: Unit<4500> = Unit::new(lines.1, path, None, Reach::IDEAL);
    unit.set_waits(lines.1.flow.block_size % 3, Duration::from_millis(1));
    let mut pair = Pair::new(tester, unit, ZERO);
    let fates = RefCell::new(fates.into_iter());
    pair.on_frames(move |frame| apply(fates.borrow_mut().next().unwrap_or(Fate::Arrives), frame));
    let outcome = Rc::new(RefCell::new(Outcome::default()));
    pair.run(ZERO.after(Duration::from_secs(600)), |tester, unit, now, told| {
        let mut seen = outcome.borrow_mut();
        match told {
            Told::A(Heard::Ready { .. }) => tester.request(now, request, ask(path)).unwrap(),
            Told::A(Heard::Sent { .. }) => seen.sent = true,
            Told::A(Heard::Message { .. }) => seen.messages.push(tester.message().to_vec()),
            Told::A(Heard::Silence { .. }) => seen.silence = true,
            Told::A(Heard::Noise { what, .. }) => seen.noises.push(what),
            Told::B(UnitEvent::Request { .. }) => {
                seen.requests.push(unit.request().to_vec());
                let _ = unit.respond(now, response, Duration::from_millis(2));
            }
            Told::B(UnitEvent::Sent { .. }) => seen.answered = true,
            Told::B(UnitEvent::Noise { what, .. }) => seen.noises.push(what),
            other => panic!("{other:?}"),
        }
        false
    });
    outcome.take()
}

fn message_of(most: usize) -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        prop::collection::vec(any::<u8>(), 1..80),
        prop::collection::vec(any::<u8>(), 1..=most),
        prop::sample::select(std::vec![7_usize, 8, 62, 63, 4095, 4096, 4500]).prop_map(counting),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 256, ..ProptestConfig::default() })]

    #[test]
    fn any_message_arrives_whole_over_a_good_bus(
        lines in lines(), path in addresses(), request in message_of(600), response in message_of(4500),
    ) {
        let outcome = run(lines, path, &request, &response, Vec::new());
        prop_assert_eq!(&outcome.noises, &[]);
        prop_assert_eq!(&outcome.requests, &[request]);
        prop_assert_eq!(&outcome.messages, &[response]);
        prop_assert!(outcome.sent && outcome.answered && !outcome.silence);
    }

    /// Frames lost, doubled, late: what is delivered is what was sent; what is not delivered is reported.
    #[test]
    fn a_bad_bus_loses_messages_and_never_changes_them(
        lines in lines(), path in addresses(), request in message_of(300), response in message_of(2000),
        fates in prop::collection::vec(fate(), 0..120),
    ) {
        let harmless = fates.iter().all(|fate| *fate == Fate::Arrives);
        let outcome = run(lines, path, &request, &response, fates);
        for found in &outcome.requests {
            prop_assert_eq!(found, &request);
        }
        for found in &outcome.messages {
            prop_assert_eq!(found, &response);
        }
        // A request ends in an answer or in silence, never in both and never in neither.
        prop_assert_eq!(outcome.messages.len() + usize::from(outcome.silence), 1);
        prop_assert!(!harmless || outcome.messages.len() == 1);
        if outcome.requests.is_empty() && request.len() > lines.0.frames.single_max(path.request) {
            prop_assert!(!outcome.noises.is_empty(), "nothing was reported");
        }
    }

    /// Bits that the checksum of the bus let through: nothing panics, nothing hangs, a request ends once.
    #[test]
    fn spoiled_frames_end_in_an_answer_or_in_silence(
        lines in lines(), path in addresses(), request in message_of(100), response in message_of(300),
        spoiled in prop::collection::vec(prop_oneof![3 => Just(Fate::Arrives), 1 => (0_u8..40).prop_map(Fate::Spoiled)], 0..60),
    ) {
        let outcome = run(lines, path, &request, &response, spoiled);
        prop_assert_eq!(outcome.messages.len() + usize::from(outcome.silence), 1);
    }

    #[test]
    fn a_pdu_put_into_a_frame_reads_back(
        frames in frames(), path in addresses(), data in prop::collection::vec(any::<u8>(), 1..=64),
        sequence in 0_u8..16, length in 1_u32.., flow in any::<[u8; 3]>(),
    ) {
        let address = path.response;
        let flow = crate::isotp::FlowControl {
            status: crate::isotp::FlowStatus(flow[0] & 0x0F),
            block_size: flow[1],
            st_min: crate::isotp::SeparationTime(flow[2]),
        };
        for pdu in [
            Pdu::Single { data: &data[..] },
            Pdu::First { length, data: &data[..] },
            Pdu::Consecutive { sequence, data: &data[..] },
            Pdu::FlowControl(flow),
        ] {
            let Some(frame) = pdu.emit(address, &frames) else { continue };
            prop_assert!(address.matches(&frame));
            let read = Pdu::parse(frame.data.as_slice(), address, &frames);
            match (pdu, read) {
                (Pdu::Consecutive { data, .. }, Ok(Pdu::Consecutive { sequence: found, data: filled })) => {
                    prop_assert_eq!(found, sequence);
                    prop_assert!(filled.starts_with(data));
                }
                (Pdu::First { length, .. }, Err(error)) => {
                    let too_short = matches!(error, crate::isotp::PduError::FirstLength { found, .. } if found == length);
                    prop_assert!(too_short, "{:?}", error);
                }
                (pdu, read) => prop_assert_eq!(read, Ok(pdu)),
            }
        }
    }

    #[test]
    fn any_bytes_read_as_a_pdu_or_not_at_all(
        data in prop::collection::vec(any::<u8>(), 0..=64), path in addresses(), frames in frames(),
    ) {
        let frame = Frame { id: path.response.id(), kind: FrameKind::Classic, data: Chunk::split_from(&data).0 };
        let _ = path.response.matches(&frame);
        if let Ok(Pdu::Single { data: read }) = Pdu::parse(&data, path.response, &frames) {
            prop_assert!(!read.is_empty() && read.len() < data.len());
        }
    }

    /// The same number in another width is another identifier, whatever the format.
    #[test]
    fn widths_never_mix(number in 0_u16..0x800, byte in any::<u8>()) {
        let (short, long) = (Id::Standard(number), Id::Extended(u32::from(number)));
        let formats: [fn(Id, u8) -> Address; 2] =
            [|id, _| Address::Normal(id), |id, target| Address::Extended { id, target }];
        for format in formats {
            for (one, other) in [(short, long), (long, short)] {
                let frame = Frame::classic(other, &[byte; 8]).unwrap();
                prop_assert!(!format(one, byte).matches(&frame));
                prop_assert!(format(other, byte).matches(&frame));
                prop_assert!(!format(one, byte).collides_with(format(other, byte)));
            }
        }
        let mixed = Address::Mixed11 { id: number, extension: byte };
        prop_assert!(!mixed.matches(&Frame::classic(long, &[byte; 8]).unwrap()));
    }
}
