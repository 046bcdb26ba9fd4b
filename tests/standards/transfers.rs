//! Messages longer than a frame: every frame of both sides, byte for byte.

use tickover::framing::can::Id;
use tickover::framing::isotp::{Address, Flow, Frames, Line, Path, Timing};

use super::bytes;
use super::source::{Source, UDS, UDS_ON_CAN};
use crate::conversation::{Ends, converse};

/// A request or an answer, and the frames that carry it.
pub(crate) struct Transfer {
    pub(crate) source: Source,
    what: &'static str,
    request: fn() -> Vec<u8>,
    answer: fn() -> Vec<u8>,
    /// Filling of the sender's frames.
    padding: Option<u8>,
    /// BS and STmin of the receiver.
    flow: (u8, u8),
    /// The frames as printed; `..` stands for frames that are left out.
    frames: &'static [&'static str],
}

use Source::{Framed, Standard, Tutorial};

/// Request and answer 7E0 and 7E8, the first pair of ISO 15765-4:2005 table 3.
pub(crate) const TRANSFERS: &[Transfer] = &[
    Transfer {
        source: Standard(UDS_ON_CAN, "table 74"),
        what: "download of 0001FF bytes to 001B67",
        request: || bytes("34 00 33 00 1B 67 00 01 FF"),
        answer: Vec::new,
        padding: None,
        flow: (0, 0),
        frames: &["10 09 34 00 33 00 1B 67", "30 00 00", "21 00 01 FF"],
    },
    Transfer {
        source: Standard(UDS_ON_CAN, "table 70"),
        what: "255 bytes of a block: the sequence number goes from F to 0",
        request: || [0x36].into_iter().chain(1..=254).collect(),
        answer: || bytes("76 01"),
        padding: None,
        flow: (0, 0),
        frames: &[
            "10 FF 36 01 02 03 04 05",
            "30 00 00",
            "21 06 07 08 09 0A 0B 0C",
            "22 0D 0E 0F 10 11 12 13",
            "23 14 15 16 17 18 19 1A",
            "..",
            "2F 68 69 6A 6B 6C 6D 6E",
            "20 6F 70 71 72 73 74 75",
            "..",
            "23 F4 F5 F6 F7 F8 F9 FA",
            "24 FB FC FD FE",
            "02 76 01",
        ],
    },
    Transfer {
        source: Tutorial("blog.csdn.net article 135740572"),
        what: "15 bytes written, filled with 55, blocks of 10 and 10 ms",
        request: || bytes("2E F0 10 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F"),
        answer: Vec::new,
        padding: Some(0x55),
        flow: (0x0A, 0x0A),
        frames: &[
            "10 0F 2E F0 10 04 05 06",
            "30 0A 0A 55 55 55 55 55",
            "21 07 08 09 0A 0B 0C 0D",
            "22 0E 0F 55 55 55 55 55",
        ],
    },
    Transfer {
        source: Framed(UDS, "tables 295 and 296"),
        what: "fault codes by mask",
        request: || bytes("19 02 84"),
        answer: || bytes("59 02 7F 0A 9B 17 24 08 05 11 2F"),
        padding: Some(0xCC),
        flow: (0, 0),
        frames: &[
            "03 19 02 84 CC CC CC CC",
            "10 0B 59 02 7F 0A 9B 17",
            "30 00 00 CC CC CC CC CC",
            "21 24 08 05 11 2F CC CC",
        ],
    },
    Transfer {
        source: Framed(UDS, "10.2.5.2, tables 147 and 148"),
        what: "identification, in blocks of one frame",
        request: || bytes("22 F1 90"),
        answer: || bytes("62 F1 90 57 30 4C 30 30 30 30 34 33 4D 42 35 34 31 33 32 36"),
        padding: Some(0xCC),
        flow: (1, 0xF1),
        frames: &[
            "03 22 F1 90 CC CC CC CC",
            "10 14 62 F1 90 57 30 4C",
            "30 01 F1 CC CC CC CC CC",
            "21 30 30 30 30 34 33 4D",
            "30 01 F1 CC CC CC CC CC",
            "22 42 35 34 31 33 32 36",
        ],
    },
];

#[test]
fn every_transfer_takes_the_printed_frames() {
    let [request, response] = [0x7E0, 0x7E8].map(|id| Address::Normal(Id::Standard(id)));
    for transfer in TRANSFERS {
        let Transfer { source, what, padding, flow: (block_size, st_min), frames, .. } = transfer;
        let flow = Flow { block_size: *block_size, st_min: *st_min, wait_max: 0 };
        let line = Line { frames: Frames { padding: *padding, fd: None }, flow, ..Line::CLASSIC };
        let ends = Ends { path: Path { request, response }, functional: None, tester: line, unit: line };
        // An answer that is not printed still shows that the request came whole.
        let printed = (transfer.answer)();
        let stand_in = [(transfer.request)()[0] | 0x40].to_vec();
        let answer = if printed.is_empty() { stand_in } else { printed.clone() };
        let passed = converse(&ends, &[((transfer.request)(), answer)]);
        let mut seen: Vec<String> = passed.iter().map(|passed| hex(passed.frame.data.as_slice())).collect();
        if printed.is_empty() {
            seen.pop();
        }
        assert!(is_as_printed(&seen, frames), "{what} ({source}): {seen:#?}");
    }
}

/// ISO 15765-4:2005 table 6: N_As and N_Ar 25 ms, N_Bs 75 ms, N_Cr 150 ms; ISO 15765-2:2016 table 21: 1000 ms each.
#[test]
fn network_times_are_those_of_the_tables() {
    let of = |t: Timing| [t.n_as, t.n_ar, t.n_bs, t.n_cr].map(|time| time.as_millis());
    assert_eq!(of(Timing::ISO15765_4), [25, 25, 75, 150]);
    assert_eq!(of(Timing::ISO15765_2), [1000; 4]);
}

/// ISO 15765-4:2005 clause 7 and tables 3, 5: every frame of legislated diagnostics has 8 bytes; requests go to 7DF or
/// 18DB33F1, answers come from 7E8 or 18DAF1xx, flow control goes to the unit alone.
#[test]
fn legislated_requests_go_to_all_and_flow_control_to_one() {
    let fixed = |target, source, functional| Address::NormalFixed { target, source, functional };
    let normal = |id| Address::Normal(Id::Standard(id));
    let vin = [&bytes("49 02 01")[..], b"BRAMBLE62HILLCLMB"].concat();
    for (request, response, functional, ids) in [
        (normal(0x7E0), normal(0x7E8), normal(0x7DF), ["7DF", "7E8", "7E0", "7E8", "7E8"]),
        (
            fixed(0x10, 0xF1, false),
            fixed(0xF1, 0x10, false),
            fixed(0x33, 0xF1, true),
            ["18DB33F1", "18DAF110", "18DA10F1", "18DAF110", "18DAF110"],
        ),
    ] {
        let line = Line { timing: Timing::ISO15765_4, ..Line::CLASSIC };
        let ends = Ends { path: Path { request, response }, functional: Some(functional), tester: line, unit: line };
        let passed = converse(&ends, &[(bytes("09 02"), vin.clone())]);
        assert!(passed.iter().all(|passed| passed.frame.data.as_slice().len() == 8));
        assert_eq!(passed.iter().map(|passed| passed.frame.id.to_string()).collect::<Vec<_>>(), ids);
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

/// Frames in their order; `..` stands for any number of others.
fn is_as_printed(seen: &[String], printed: &[&str]) -> bool {
    let (mut seen, mut may_skip) = (seen.iter(), false);
    let all = printed.iter().all(|printed| {
        if *printed == ".." {
            may_skip = true;
            return true;
        }
        if may_skip { seen.any(|frame| frame == printed) } else { seen.next().is_some_and(|frame| frame == printed) }
    });
    all && seen.next().is_none()
}
