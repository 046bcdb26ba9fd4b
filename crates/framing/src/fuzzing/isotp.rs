//! Bodies of the fuzz targets for ISO 15765-2.

use core::time::Duration;
use std::boxed::Box;
use std::vec::Vec;

use crate::can::{Frame, Id};
use crate::contract::Chunk;
use crate::isotp::{Address, Fd, Flow, Frames, Line, Path, Pdu, Tester, Unit, UnitEvent};
use crate::script::{Pair, Told};
use crate::time::Instant;
use crate::transport::{Answers, Ask, Heard, Peer, Reach, Transport};

const PATHS: [Path; 3] = [
    Path { request: Address::Normal(Id::Standard(0x5A1)), response: Address::Normal(Id::Standard(0x5A9)) },
    Path {
        request: Address::NormalFixed { target: 0x1C, source: 0xF1, functional: false },
        response: Address::NormalFixed { target: 0xF1, source: 0x1C, functional: false },
    },
    Path {
        request: Address::Mixed11 { id: 0x5A1, extension: 0x42 },
        response: Address::Mixed11 { id: 0x5A9, extension: 0x42 },
    },
];

/// Takes an address and frames from the first byte and a PDU from the rest; writes what it could read and compares.
///
/// # Panics
/// If a PDU changes on its way.
pub fn pdu(bytes: &[u8]) {
    let Some((choice, bytes)) = bytes.split_first() else { return };
    let (address, frames) = (path(*choice).response, frames(choice >> 2));
    let (frame, _) = Chunk::split_from(bytes);
    let Ok(pdu) = Pdu::parse(frame.as_slice(), address, &frames) else { return };
    let Some(again) = pdu.emit(address, &frames) else { return };
    let read = Pdu::parse(again.data.as_slice(), address, &frames);
    let read = read.unwrap_or_else(|error| panic!("{pdu:?} was written and is not read: {error}"));
    match (pdu, read) {
        (Pdu::Consecutive { sequence, data }, Pdu::Consecutive { sequence: found, data: filled }) => {
            assert!(sequence == found && filled.starts_with(data), "{pdu:?} became {read:?}");
        }
        _ => assert_eq!(pdu, read),
    }
}

/// One request and its answer over a bus that loses, doubles and delays frames and lets others in, as the bytes say.
///
/// # Panics
/// If a request does not end exactly once, or if a message is delivered that was not sent although nobody else sent
/// on the path.
pub fn isotp_ends(bytes: &[u8]) {
    let Some((head, fates)) = bytes.split_first_chunk::<6>() else { return };
    let path = path(head[0]);
    let frames = frames(head[0] >> 2);
    let flow = |block_size, st_min| Flow { block_size, st_min, wait_max: 2 };
    let line = |flow| Line { frames, flow, ..Line::CLASSIC };
    let [request, response] = [head[1], head[2]].map(|length| counting(usize::from(length) + 1));
    let mut tester: Tester<1, 256> = Tester::new(line(flow(head[3], head[4] & 0x87)), Reach::IDEAL);
    tester.add_unit(path).unwrap_or_else(|error| panic!("{error}"));
    tester.connect(Instant::ORIGIN);
    let mut unit: Unit<256> = Unit::new(line(flow(head[4], head[3] & 0x87)), path, None, Reach::IDEAL);
    unit.set_waits(head[5] & 3, Duration::from_millis(u64::from(head[5])));

    let mut pair = Pair::new(tester, unit, Instant::ORIGIN);
    let strangers = fates.chunks(Fate::BYTES).any(|fate| matches!(Fate::of(fate), Fate::With(_)));
    let mut fates = fates.chunks(Fate::BYTES).map(Fate::of).collect::<Vec<_>>().into_iter();
    pair.on_frames(move |frame| fates.next().unwrap_or(Fate::Arrives).applied(frame));
    let ask = Ask { to: Peer::Address(path.request), answers: Answers::One, window: Duration::from_millis(50) };
    let mut ends = 0;
    pair.run(Instant::ORIGIN.after(Duration::from_secs(100)), |tester, unit, now, told| {
        match told {
            Told::A(Heard::Ready { .. }) => {
                let asked = tester.request(now, &request, ask);
                assert_eq!(asked, Ok(()));
            }
            Told::A(Heard::Message { .. }) => {
                ends += 1;
                assert!(strangers || tester.message() == response, "an answer that was not sent");
            }
            Told::A(Heard::Silence { .. }) => ends += 1,
            Told::B(UnitEvent::Request { .. }) => {
                assert!(strangers || unit.request() == request, "a request that was not sent");
                let _ = unit.respond(now, &response, Duration::from_millis(1));
            }
            _ => {}
        }
        false
    });
    assert_eq!(ends, 1, "a request ends exactly once");
}

/// What becomes of a frame.
enum Fate {
    Arrives,
    Lost,
    Twice,
    Late(Duration),
    /// Somebody else's data on the same identifier come first.
    With(Box<[u8]>),
}

impl Fate {
    const BYTES: usize = 4;

    fn of(bytes: &[u8]) -> Self {
        match *bytes {
            [1, ..] => Self::Lost,
            [2, ..] => Self::Twice,
            [3, late, ..] => Self::Late(Duration::from_micros(u64::from(late) * 40)),
            [4, ref data @ ..] => {
                let mut filled = [0xCC; 8];
                filled.iter_mut().zip(data).for_each(|(to, from)| *to = *from);
                Self::With(Box::new(filled))
            }
            _ => Self::Arrives,
        }
    }

    fn applied(self, frame: Frame) -> Vec<(Duration, Frame)> {
        match self {
            Self::Arrives => std::vec![(Duration::ZERO, frame)],
            Self::Lost => Vec::new(),
            Self::Twice => std::vec![(Duration::ZERO, frame), (Duration::from_nanos(1), frame)],
            Self::Late(late) => std::vec![(late, frame)],
            Self::With(data) => {
                let (data, _) = Chunk::split_from(&data);
                std::vec![(Duration::ZERO, Frame { data, ..frame }), (Duration::from_nanos(1), frame)]
            }
        }
    }
}

fn path(choice: u8) -> Path {
    PATHS.get(usize::from(choice & 3)).copied().unwrap_or(PATHS[0])
}

fn frames(choice: u8) -> Frames {
    let fd = Fd { tx_dl: [8, 12, 24, 64][usize::from(choice >> 2 & 3)], switch_rate: true };
    Frames { padding: (choice & 1 == 0).then_some(0xCC), fd: (choice & 2 != 0).then_some(fd) }
}

fn counting(length: usize) -> Vec<u8> {
    (0..length).map(|place| place as u8).collect()
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn seeds(target: &str) -> Vec<Vec<u8>> {
        let folder: PathBuf = [env!("CARGO_MANIFEST_DIR"), "../../fuzz/seeds", target].iter().collect();
        let files = std::fs::read_dir(folder).expect("the seeds of a target");
        files.map(|file| std::fs::read(file.expect("a seed").path()).expect("a seed's bytes")).collect()
    }

    #[test]
    fn seeds_hold() {
        let (pdus, ends) = (seeds("pdu"), seeds("isotp_ends"));
        assert!(pdus.len() >= 5 && ends.len() >= 5);
        pdus.iter().for_each(|seed| pdu(seed));
        ends.iter().for_each(|seed| isotp_ends(seed));
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_hold(
            head in proptest::prelude::any::<[u8; 6]>(),
            fates in proptest::collection::vec(0_u8..12, 0..200),
        ) {
            let bytes: Vec<u8> = head.into_iter().chain(fates).collect();
            isotp_ends(&bytes);
            pdu(&bytes);
        }
    }
}
