//! Tables of the standards: key bytes, codings of time, default timing, fault codes.

use std::time::Duration;

use tickover::framing::kline::{AccessTiming, KeyBytes, Timing, TimingSet};

const fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// SSF 14230-2 issue 1 table 4: KB1, number, then length in the format byte, length byte, header without addresses,
/// header with addresses. The timing set follows from bits TP0 and TP1 of table 3.
#[rustfmt::skip]
const KEY_BYTES: [(u8, u16, [bool; 4], TimingSet); 18] = [
    (0xD5, 2005, [true,  false, true,  false], TimingSet::Extended),
    (0xD6, 2006, [false, true,  true,  false], TimingSet::Extended),
    (0x57, 2007, [true,  true,  true,  false], TimingSet::Extended),
    (0xD9, 2009, [true,  false, false, true ], TimingSet::Extended),
    (0xDA, 2010, [false, true,  false, true ], TimingSet::Extended),
    (0x5B, 2011, [true,  true,  false, true ], TimingSet::Extended),
    (0x5D, 2013, [true,  false, true,  true ], TimingSet::Extended),
    (0x5E, 2014, [false, true,  true,  true ], TimingSet::Extended),
    (0xDF, 2015, [true,  true,  true,  true ], TimingSet::Extended),
    (0xE5, 2021, [true,  false, true,  false], TimingSet::Normal),
    (0xE6, 2022, [false, true,  true,  false], TimingSet::Normal),
    (0x67, 2023, [true,  true,  true,  false], TimingSet::Normal),
    (0xE9, 2025, [true,  false, false, true ], TimingSet::Normal),
    (0xEA, 2026, [false, true,  false, true ], TimingSet::Normal),
    (0x6B, 2027, [true,  true,  false, true ], TimingSet::Normal),
    (0x6D, 2029, [true,  false, true,  true ], TimingSet::Normal),
    (0x6E, 2030, [false, true,  true,  true ], TimingSet::Normal),
    (0xEF, 2031, [true,  true,  true,  true ], TimingSet::Normal),
];

#[test]
fn key_bytes_announce_what_the_standards_table_says() {
    for (first, number, forms, timing) in KEY_BYTES {
        let key_bytes = KeyBytes(first, 0x8F);
        let headers = key_bytes.headers();
        let found = [headers.length_in_format, headers.length_byte, headers.without_addresses, headers.with_addresses];
        assert!(key_bytes.is_iso14230(), "{key_bytes}");
        assert_eq!((key_bytes.decimal(), found, key_bytes.timing_set()), (number, forms, Some(timing)), "{key_bytes}");
    }
    // The same table: D0 8F states no header.
    assert_eq!((KeyBytes(0xD0, 0x8F).decimal(), KeyBytes(0xD0, 0x8F).is_iso14230()), (2000, true));
}

/// SSF 14230-2 issue 1 table 1c, both parts, entry by entry where the step changes.
#[test]
fn p2_max_is_coded_in_two_ranges() {
    let code = |code| AccessTiming([0, code, 0, 0, 0]).p2_max();
    for n in 0x01..=0xF0 {
        assert_eq!(code(n), Some(ms(25 * u64::from(n))), "{n:02X}");
    }
    let coarse = [
        (0xF1, 6_400),
        (0xF2, 12_800),
        (0xF3, 19_200),
        (0xF4, 25_600),
        (0xF5, 32_000),
        (0xF6, 38_400),
        (0xF7, 44_800),
        (0xF8, 51_200),
        (0xF9, 57_600),
        (0xFA, 64_000),
        (0xFB, 70_400),
        (0xFC, 76_800),
        (0xFD, 83_200),
        (0xFE, 89_600),
    ];
    for (n, milliseconds) in coarse {
        assert_eq!(code(n), Some(ms(milliseconds)), "{n:02X}");
    }
    assert_eq!(code(0xFF), None, "no limit");
}

/// SSF 14230-3 issue 2 table 5.3.1.4.2 prints 18 850 ms for F2: a misprint, table 1c of part 2 holds.
#[test]
fn the_other_parts_misprint_of_p2_max_is_not_followed() {
    assert_ne!(AccessTiming([0, 0xF2, 0, 0, 0]).p2_max(), Some(ms(18_850)));
}

/// SSF 14230-2 issue 1 table 1b: 0.5 ms steps, 250 ms steps, FF without limit.
#[test]
fn other_timing_parameters_are_coded_in_one_range() {
    let read = |bytes| {
        let timing = AccessTiming(bytes);
        (timing.p2_min(), timing.p3_min(), timing.p3_max(), timing.p4_min())
    };
    assert_eq!(read([1, 0, 2, 0xFE, 3]), (ms(1) / 2, ms(1), Some(ms(63_500)), ms(3) / 2));
    assert_eq!(read([0xFF, 0, 0xFF, 0xFF, 0xFF]), (ms(255) / 2, ms(255) / 2, None, ms(255) / 2));
}

/// SSF 14230-2 issue 1 table 1a, and its coding by tables 1b and 1c: 32 02 6E 14 0A.
#[test]
fn the_normal_timing_is_the_standards_and_codes_as_computed() {
    let Timing { p1_max, p2_min, p2_max, p2_star_max, p3_min, p3_max, p4_min, p4_max, .. } = Timing::NORMAL;
    assert_eq!((p1_max, p2_min, p2_max, p2_star_max), (ms(20), ms(25), ms(50), ms(5000)));
    assert_eq!((p3_min, p3_max, p4_min, p4_max), (ms(55), Some(ms(5000)), ms(5), ms(20)));
    assert_eq!(AccessTiming::encode(&Timing::NORMAL), Ok(AccessTiming([0x32, 0x02, 0x6E, 0x14, 0x0A])));
}

/// SSF 14230-2 issue 1 table 5.
#[test]
fn the_wake_up_pattern_is_the_standards() {
    let Timing { t_inil, t_wup, t_idle, .. } = Timing::NORMAL;
    assert_eq!((t_inil, t_wup, t_idle), (ms(25), ms(50), ms(300)));
}
