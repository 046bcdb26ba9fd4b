//! Worked examples of the published standards, and their tables, against framing and services.
//!
//! On the K-line: ISO 14230, ISO 9141-2. On CAN: ISO 15765-2 and -3, ISO 14229-1, SAE J1979.
//!
//! The ISO texts themselves are sold; SSF 14230 is a profile of ISO 14230 that was published free of charge.
//! Examples known only from tutorials or from memory say so; they were checked for sums and lengths alone.

mod can_exchanges;
mod can_frames;
mod conversions;
mod exchanges;
mod frames;
mod segments;
mod service_01;
mod source;
mod tables;
mod transfers;
mod typed;

use source::Source;

/// Worked examples that run as tests: exchanges, whole frames and transfers, one answer in segments. On CAN some stand
/// twice, as an exchange and as the frames that carry it.
const WORKED_EXAMPLES: usize = 135;
/// Of these, printed in the text of a standard.
const PRINTED_IN_A_STANDARD: usize = 71;
/// Of these, with a misprint that a test pins down.
const MISPRINTS: usize = 10;

#[test]
fn the_examples_are_as_many_as_we_say() {
    let exchanges = exchanges::EXCHANGES.iter().map(|e| (e.source, e.misprint.is_some()));
    let frames = frames::FRAMES.iter().map(|f| (f.source, false));
    let misprinted = frames::MISPRINTED.iter().map(|f| (f.source, true));
    let on_can = can_exchanges::EXCHANGES.iter().map(|e| (e.source, false));
    let requests = can_exchanges::REQUESTS.iter().map(|r| (r.source, false));
    let can_frames = can_frames::FRAMES.iter().map(|f| (f.source, f.misprint.is_some()));
    let transfers = transfers::TRANSFERS.iter().map(|t| (t.source, false));
    let all: Vec<(Source, bool)> = exchanges
        .chain(frames)
        .chain(misprinted)
        .chain([(segments::SOURCE, false)])
        .chain(on_can)
        .chain(requests)
        .chain(can_frames)
        .chain(transfers)
        .collect();
    let printed = all.iter().filter(|(source, _)| matches!(source, Source::Standard(..))).count();
    let misprints = all.iter().filter(|(_, misprint)| *misprint).count();
    assert_eq!((all.len(), printed, misprints), (WORKED_EXAMPLES, PRINTED_IN_A_STANDARD, MISPRINTS));
}

/// `"21 0A"` as bytes.
fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|digits| u8::from_str_radix(digits, 16).expect("two hex digits a byte")).collect()
}
