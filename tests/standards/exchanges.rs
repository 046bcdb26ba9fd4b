//! Requests and answers without their frames: effect, refusal, repeated parameters, data.

use tickover::framing::kline::{Addressing, LengthForm, Message, MessageView};
use tickover::services::kwp::{PositiveResponse, ReadEcuIdentification, ReadStatusOfDtc};
use tickover::services::{Effect, Emit, LayoutError, ResponseError, effect};

use super::bytes;
use super::source::{APPLICATION, LINK, Source};

/// One request and its answer.
pub(crate) struct Exchange {
    pub(crate) source: Source,
    pub(crate) what: &'static str,
    pub(crate) request: &'static str,
    pub(crate) effect: Effect,
    pub(crate) answer: &'static str,
    /// Behind the service and the repeated parameters; of a refusal its code.
    pub(crate) data: &'static str,
    /// What is wrong with the example as printed.
    pub(crate) misprint: Option<&'static str>,
}

const fn link(
    clause: &'static str,
    what: &'static str,
    request: &'static str,
    effect: Effect,
    answer: &'static str,
    data: &'static str,
) -> Exchange {
    Exchange { source: Source::Standard(LINK, clause), what, request, effect, answer, data, misprint: None }
}

const fn app(
    clause: &'static str,
    what: &'static str,
    request: &'static str,
    effect: Effect,
    answer: &'static str,
    data: &'static str,
) -> Exchange {
    Exchange { source: Source::Standard(APPLICATION, clause), ..link(clause, what, request, effect, answer, data) }
}

const fn wrong(misprint: &'static str, exchange: Exchange) -> Exchange {
    Exchange { misprint: Some(misprint), ..exchange }
}

use Effect::{Actuates, Clears, Reads, Session, Writes};

#[rustfmt::skip]
pub(crate) const EXCHANGES: &[Exchange] = &[
    link("5.1.2.2.2", "StartCommunication, key bytes 2026", "81", Session, "C1 EA 8F", "EA 8F"),
    link("5.2.2", "StopCommunication", "82", Session, "C2", ""),
    link("5.2.2", "StopCommunication refused", "82", Session, "7F 82 10", "10"),
    link("appendix C-4", "periodic transmission begins", "10 82", Session, "50 82", ""),
    link("appendix C-5", "StopDiagnosticSession ends it", "20", Session, "60", ""),
    link("appendix C-6", "AccessTimingParameters sets; values left out in print", "83 03", Session, "C3 03", ""),
    app("6.3.5.2.1", "seed", "27 01", Session, "67 01 36 75", "36 75"),
    app("6.3.5.2.1", "key, the seed's two's complement", "27 02 C9 8B", Session, "67 02 34", "34"),
    app("6.3.5.2.2", "seed of an unlocked unit", "27 01", Session, "67 01 00 00", "00 00"),
    app("6.5.5.2", "EcuReset", "11 01", Actuates, "51", ""),
    app("6.6.5.2 step 1", "identification scaling table", "1A 81", Reads,
        "5A 81 04 90 6F 62 03 91 6B 03 92 02 06 94 64 02 66 02 03 95 6E 03 96 66 03 97 66 03 98 03 03 99 44 FF",
        "04 90 6F 62 03 91 6B 03 92 02 06 94 64 02 66 02 03 95 6E 03 96 66 03 97 66 03 98 03 03 99 44 FF"),
    wrong("digits printed as binary (02 for 32, 00 01 for 30 31), 6359984 printed as 61 06 60 instead of 61 0B B0",
    app("6.6.5.2 step 2", "identification data table", "1A 80", Reads,
        "5A 80 57 30 4C 30 30 30 30 34 33 4D 42 35 34 31 33 32 36 39 30 32 35 34 38 36 31 20 47 44 28 C1 55 50 31 20 \
         82 B0 20 20 55 50 02 20 CF 89 55 50 31 20 00 01 20 20 55 50 02 20 00 03 42 39 34 30 30 31 58 32 30 58 45 56 \
         61 06 60 19 94 09 11",
        "57 30 4C 30 30 30 30 34 33 4D 42 35 34 31 33 32 36 39 30 32 35 34 38 36 31 20 47 44 28 C1 55 50 31 20 \
         82 B0 20 20 55 50 02 20 CF 89 55 50 31 20 00 01 20 20 55 50 02 20 00 03 42 39 34 30 30 31 58 32 30 58 45 56 \
         61 06 60 19 94 09 11")),
    app("7.1.5.2.1", "local identifier; further values left out in print", "21 0A", Reads, "61 0A 8C A6 66 A0", "8C A6 66 A0"),
    app("7.2.5.2", "common identifier: 13.8 V at 0.1 V a step", "22 00 10", Reads, "62 00 10 8A", "8A"),
    app("7.3.5.2", "three bytes of memory", "23 20 48 13 03", Reads, "63 00 46 FB", "00 46 FB"),
    app("7.4.5.2.2", "a dynamic record of 1 + 3 + 1 bytes", "21 F0", Reads, "61 F0 8C 00 60 FE 30", "8C 00 60 FE 30"),
    app("7.4.5.4.1", "a record defined from common identifiers",
        "2C F1 02 01 01 01 08 01 02 02 01 01 05 01 02 03 03 01 02 01", Session, "6C F1", ""),
    app("7.4.5.4.2", "that record: 1 + 1 + 3 bytes", "21 F1", Reads, "61 F1 8C 22 00 60 FE", "8C 22 00 60 FE"),
    app("7.4.5.6.2", "a record of 1 + 1 bytes", "21 F2", Reads, "61 F2 45 A7", "45 A7"),
    app("7.4.5.6.3", "that record cleared", "2C F2 04", Session, "6C F2", ""),
    wrong("no record value, although table 7.5.2.1 makes the first one mandatory",
    app("7.5.5.2", "WriteDataByLocalIdentifier", "3B 10", Writes, "7B 10", "")),
    wrong("no record value",
    app("7.6.5.2", "WriteDataByCommonIdentifier", "2E 10 01", Writes, "6E 10 01", "")),
    app("7.7.5.2", "seven bytes written to memory", "3D 30 FF 13 07 11 22 33 44 55 66 77", Writes, "7D 30 FF 13", ""),
    app("8.2.5.2.1", "stored powertrain codes", "18 02 00 00", Reads, "58 02 01 30 A7 01 20 E7", "02 01 30 A7 01 20 E7"),
    wrong("status E2 where its own table has E7; 46 is 70, the text says 75 km/h",
    app("8.3.5.2", "status of P0120", "17 01 20", Reads, "57 01 01 20 E2 07 26 48 46", "01 01 20 E2 07 26 48 46")),
    app("8.4.5.2.3", "freeze frame by local identifier", "12 00 01 07", Reads, "52 00 8F 01 07", "8F 01 07"),
    app("8.4.5.2.4.3", "no freeze frame stored", "12 FF 00", Reads, "52 FF 00 00 00", "00 00 00"),
    app("8.4.5.2.5", "structure of a freeze frame", "12 FF 83 01 30", Reads,
        "52 FF 01 03 01 04 01 05 01 06 01 07 01 0A 01 0B 01 0C 01 0D 83 01 30",
        "01 03 01 04 01 05 01 06 01 07 01 0A 01 0B 01 0C 01 0D 83 01 30"),
    app("8.5.5.2.2", "P0120 cleared", "14 01 20", Clears, "54 01 20", ""),
    app("9.1.5.1.2", "idle speed back to default: 750 /min", "30 32 04", Actuates, "70 32 04 4B", "4B"),
    app("9.1.5.2.2", "idle speed reported: 800 /min", "30 32 01", Reads, "70 32 01 50", "50"),
    app("9.1.5.2.2", "idle speed adjusted to 1000 /min, now 820", "30 32 07 64", Actuates, "70 32 07 52", "52"),
    app("9.1.5.2.2", "control returned", "30 32 00", Actuates, "70 32 00", ""),
    app("9.1.5.3.2", "calibration reported", "30 33 09", Reads, "70 33 09 00 96 32 00 32", "00 96 32 00 32"),
    app("9.1.5.3.2", "idle speed reported: 850 /min", "30 32 01", Reads, "70 32 01 55", "55"),
    app("10.1.5.2", "routine started", "31 01", Actuates, "71 01", ""),
    app("10.2.5.2", "routine started by address: 78 is no response code here", "38 60 47 20", Actuates, "78 60 47 20", ""),
    app("10.4.5.2", "routine stopped by address", "39 60 47 20", Actuates, "79 60 47 20", ""),
    app("10.5.5.2", "results of a routine; the middle left out in print", "33 01", Reads, "73 01 57 33 8F", "57 33 8F"),
    wrong("address 204720, where 10.2 and 10.4 have 604720 for the same routine",
    app("10.6.5.2", "results by address; the middle left out in print", "3A 20 47 20", Reads, "7A 20 47 20 57 33 8F", "57 33 8F")),
    wrong("00FFFF is 65535 bytes, the text says 64 Kbytes",
    app("11.4.5.1.2", "download of at most 129 bytes a block", "34 60 20 00 11 00 FF FF", Writes, "74 81", "81")),
    wrong("000F00 is 3840 bytes, the text says 511",
    app("11.4.5.2.2", "upload of at most 129 bytes a block", "35 20 10 00 11 00 0F 00", Writes, "75 81", "81")),
    app("11.4.5.1.2", "RequestTransferExit", "37", Writes, "77", ""),
];

#[test]
fn every_request_has_the_effect_that_its_service_is_said_to_have() {
    for Exchange { source, what, request, effect, .. } in EXCHANGES {
        assert_eq!(effect::of_iso14230(&bytes(request)), Some(*effect), "{what} ({source})");
    }
}

#[test]
fn every_answer_is_recognised_and_lends_its_data() {
    for Exchange { source, what, request, answer, data, .. } in EXCHANGES {
        let found = match PositiveResponse::parse(&bytes(request), &bytes(answer)) {
            Ok(response) => response.data.to_vec(),
            Err(ResponseError::Refused(refusal)) => vec![refusal.code.0],
            Err(error) => panic!("{what} ({source}): {error}"),
        };
        assert_eq!(found, bytes(data), "{what} ({source})");
    }
}

#[test]
fn a_unit_builds_every_positive_answer_as_printed() {
    for Exchange { source, what, request, answer, data, .. } in EXCHANGES {
        if answer.starts_with("7F") {
            continue; // the refusal: built in `typed`
        }
        let (request, data) = (bytes(request), bytes(data));
        let built = PositiveResponse::to(&request, &data).expect("the request is complete");
        assert_eq!(built.emit(&mut [0; 128]), Ok(&bytes(answer)[..]), "{what} ({source})");
    }
}

/// SSF 14230-2 4.1.4: with key bytes 2026 every message has a length byte, except the StartCommunication request.
#[test]
fn requests_and_answers_go_through_frames_and_come_back() {
    for Exchange { source, what, request, answer, .. } in EXCHANGES {
        for (data, target, origin) in [(bytes(request), 0x11, 0xF1), (bytes(answer), 0xF1, 0x11)] {
            let form = if data == [0x81] { LengthForm::InFormat } else { LengthForm::LengthByte };
            let addressing = Addressing::Physical { target, source: origin };
            let message = Message::new(addressing, form, &data).expect("1 to 255 bytes");
            let mut wire = [0; 260];
            let length = message.emit(&mut wire).expect("a message has at most 260 bytes");
            let (view, rest) = MessageView::parse(&wire[..length]).unwrap_or_else(|e| panic!("{what} ({source}): {e}"));
            assert_eq!((view.data(), view.addressing(), view.length_form()), (&data[..], addressing, form));
            assert!(rest.is_empty());
        }
    }
}

/// SSF 14230-3 6.6.5.2: each scaling byte's low digit counts the bytes of one value. The misprints keep the length.
#[test]
fn the_identification_data_are_as_long_as_their_scaling_table_says() {
    let of =
        |request: &str| EXCHANGES.iter().find(|e| e.request == request).map(|e| (bytes(e.request), bytes(e.answer)));
    let ((asked, table), (_, values)) = of("1A 81").zip(of("1A 80")).expect("both rows");
    let table = ReadEcuIdentification::parse(&asked).unwrap().data(&table).unwrap();
    let values = ReadEcuIdentification::parse(&bytes("1A 80")).unwrap().data(&values).unwrap();
    let mut entry = table;
    let mut total = 0;
    // Offset to the next entry, identifier, scaling bytes; FF ends the list.
    while let [offset @ 0..=0xFE, _identifier, rest @ ..] = entry {
        let scaling = usize::from(*offset) - 2;
        total += rest[..scaling].iter().map(|byte| usize::from(byte & 0x0F)).sum::<usize>();
        entry = &entry[usize::from(*offset)..];
    }
    assert_eq!(entry, [0xFF]);
    assert_eq!((total, values.len()), (77, 77));
}

/// What is printed is what we read, mistakes included: the product corrects nobody's bytes.
#[test]
fn misprints_are_read_as_printed() {
    let answers =
        |request: &str| EXCHANGES.iter().filter(|e| e.request == request).map(|e| bytes(e.answer)).collect::<Vec<_>>();
    let identification = &answers("1A 80")[0][2..];
    let count = |digits: &str| identification.windows(4).filter(|four| *four == bytes(digits)).count();
    assert_eq!((count("55 50 02 20"), count("55 50 32 20")), (2, 0), "a digit as a number");
    assert_eq!(u32::from_be_bytes([0, identification[70], identification[71], identification[72]]), 6_358_624);

    let status = &answers("17 01 20")[0];
    let status = ReadStatusOfDtc::parse(&bytes("17 01 20")).unwrap().status(status).unwrap().expect("one code");
    assert_eq!((status.fault.status, status.details), (0xE2, &bytes("07 26 48 46")[..]), "E7 in the table, 70 not 75");

    for (request, printed) in [("34 60 20 00 11 00 FF FF", 65_535), ("35 20 10 00 11 00 0F 00", 3_840)] {
        let row = EXCHANGES.iter().find(|e| e.request == request).expect("in the table");
        let asked = bytes(row.request);
        assert_eq!(
            u32::from_be_bytes([0, asked[5], asked[6], asked[7]]),
            printed,
            "{}",
            row.misprint.unwrap_or_default()
        );
    }
}

/// SSF 14230-2 issue 1 appendix C prints the refusal of `10 82` with service 21: a refusal names the service that it
/// refuses (SSF 14230-3 issue 2 4.1.2.3), so this one answers nobody. Its code is left out in print; 10 stands in.
#[test]
fn a_refusal_printed_with_another_service_is_no_answer() {
    let (request, printed) = (bytes("10 82"), bytes("7F 21 10"));
    let error = PositiveResponse::parse(&request, &printed);
    assert_eq!(error, Err(LayoutError::Byte { offset: 1, expected: 0x10, found: 0x21 }.into()));
}
