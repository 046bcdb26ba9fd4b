//! The same examples through the types of each service: built as printed, read as meant.

use tickover::services::kwp::{
    Access, Address, ClearDiagnosticInformation, CommonIdentifier, Definition, DiagnosticMode,
    DynamicallyDefineLocalIdentifier, FaultEntry, FaultReport, FrameNumber, Group, IdentificationOption,
    LocalIdentifier, Piece, ReadDataByCommonIdentifier, ReadDataByLocalIdentifier, ReadDtcByStatus,
    ReadEcuIdentification, ReadFreezeFrameData, ReadMemoryByAddress, ReadStatusOfDtc, Source as From,
    StartDiagnosticSession, StatusRequest, StopDiagnosticSession, TesterPresent,
};
use tickover::services::{Emit, FaultCode, NegativeResponse, ResponseCode, ServiceId, Status, StatusCoding};

use super::bytes;

/// SSF 14230-3 issue 2 7.4.5.4.1.
const FROM_COMMON: &[Piece] = &[
    Piece { position: 1, size: 1, source: From::Common { id: CommonIdentifier(0x0108), first: 1 } },
    Piece { position: 2, size: 1, source: From::Common { id: CommonIdentifier(0x0105), first: 1 } },
    Piece { position: 3, size: 3, source: From::Common { id: CommonIdentifier(0x0102), first: 1 } },
];

/// SSF 14230-3 issue 2 7.4.5.2.1.
const FROM_LOCAL: &[Piece] = &[
    Piece { position: 1, size: 1, source: From::Local { id: LocalIdentifier(0x01), first: 7 } },
    Piece { position: 2, size: 3, source: From::Local { id: LocalIdentifier(0x01), first: 15 } },
    Piece { position: 3, size: 1, source: From::Local { id: LocalIdentifier(0x01), first: 21 } },
];

/// SSF 14230-3 issue 2 8.2.5.2.1.
const STORED: &[FaultEntry] = &[
    FaultEntry { code: FaultCode { code: 0x0130, failure_type: None }, status: 0xA7 },
    FaultEntry { code: FaultCode { code: 0x0120, failure_type: None }, status: 0xE7 },
];

/// Each line: SSF 14230-2 issue 1 or SSF 14230-3 issue 2, the clause, the bytes as printed.
#[test]
fn builders_write_the_bytes_that_the_standard_prints() {
    let dynamic = |id, definition| DynamicallyDefineLocalIdentifier { id: LocalIdentifier(id), definition };
    let report = FaultReport::new(STORED).expect("two codes");
    let built: &[(&str, &dyn Emit, &str)] = &[
        ("appendix C-4", &StartDiagnosticSession { mode: DiagnosticMode::PERIODIC, baud: None }, "10 82"),
        ("appendix C-5", &StopDiagnosticSession, "20"),
        ("6.4", &TesterPresent::Answered, "3E"),
        ("6.6.5.2", &ReadEcuIdentification { option: IdentificationOption::SCALING_TABLE }, "1A 81"),
        ("6.6.5.2", &ReadEcuIdentification { option: IdentificationOption::DATA_TABLE }, "1A 80"),
        ("7.1.5.2.1", &ReadDataByLocalIdentifier { id: LocalIdentifier(0x0A) }, "21 0A"),
        ("7.2.5.2", &ReadDataByCommonIdentifier { id: CommonIdentifier(0x0010) }, "22 00 10"),
        ("7.3.5.2", &ReadMemoryByAddress { address: address(0x204813), size: 3 }, "23 20 48 13 03"),
        (
            "7.4.5.2.1",
            &dynamic(0xF0, Definition::Pieces(FROM_LOCAL)),
            "2C F0 01 01 01 01 07 01 02 03 01 0F 01 03 01 01 15",
        ),
        (
            "7.4.5.4.1",
            &dynamic(0xF1, Definition::Pieces(FROM_COMMON)),
            "2C F1 02 01 01 01 08 01 02 02 01 01 05 01 02 03 03 01 02 01",
        ),
        ("7.4.5.6.3", &dynamic(0xF2, Definition::Cleared), "2C F2 04"),
        ("8.2.5.2.1", &ReadDtcByStatus { status: StatusRequest::STORED, group: Group::POWERTRAIN }, "18 02 00 00"),
        ("8.2.5.2.1", &report, "58 02 01 30 A7 01 20 E7"),
        ("8.3.5.2", &ReadStatusOfDtc { group: Group::of(code("P0120")) }, "17 01 20"),
        ("8.4.5.2.3", &freeze(0x00, Access::LOCAL_IDENTIFIER, &[0x07]), "12 00 01 07"),
        ("8.4.5.2.3", &freeze(0x00, Access::LOCAL_IDENTIFIER, &[0x07]).answer(&[0x8F]), "52 00 8F 01 07"),
        ("8.4.5.2.4.3", &freeze(0xFF, Access::ALL, &[]), "12 FF 00"),
        ("8.4.5.2.5", &freeze(0xFF, Access::STRUCTURE, &[0x01, 0x30]), "12 FF 83 01 30"),
        ("8.5.5.2.2", &ClearDiagnosticInformation { group: Group::of(code("P0120")) }, "14 01 20"),
        (
            "5.2.2",
            &NegativeResponse { service: ServiceId::STOP_COMMUNICATION, code: ResponseCode::GENERAL_REJECT },
            "7F 82 10",
        ),
    ];
    for (clause, message, printed) in built {
        assert_eq!(message.emit(&mut [0; 64]), Ok(&bytes(printed)[..]), "{clause}");
    }
}

/// SSF 14230-3 issue 2 8.2.5.2.1: P0130 with A7, P0120 with E7, under the status bits of its table 8.2.3.2.1.
#[test]
fn stored_codes_are_told_in_words() {
    let read = ReadDtcByStatus::parse(&bytes("18 02 00 00")).unwrap();
    let answer = bytes("58 02 01 30 A7 01 20 E7");
    let told: Vec<String> = (read.faults(&answer).unwrap().iter())
        .map(|fault| format!("{}: {}", fault.code, Status { coding: StatusCoding::Ssf14230, byte: fault.status }))
        .collect();
    assert_eq!(
        told,
        [
            "P0130: pending fault present, pending fault in this cycle, test running, stored, validated fault in this cycle",
            "P0120: pending fault present, pending fault in this cycle, test running, stored, validated fault present, \
             validated fault in this cycle",
        ]
    );
}

/// SSF 14230-3 issue 2 8.4.5.2.5: nine pairs of access 01 and a local identifier.
#[test]
fn the_structure_of_a_freeze_frame_stands_between_the_repeated_parameters() {
    let read = freeze(0xFF, Access::STRUCTURE, &[0x01, 0x30]);
    let answer = bytes("52 FF 01 03 01 04 01 05 01 06 01 07 01 0A 01 0B 01 0C 01 0D 83 01 30");
    let identifiers: Vec<u8> = read.data(&answer).unwrap().chunks(2).map(|pair| pair[1]).collect();
    assert_eq!(identifiers, bytes("03 04 05 06 07 0A 0B 0C 0D"));
}

/// SSF 14230-3 issue 2 7.4.5.4.1, read back; 7.4.3: the position is an ordinal.
#[test]
fn a_printed_definition_is_read_as_its_pieces() {
    let message = bytes("2C F1 02 01 01 01 08 01 02 02 01 01 05 01 02 03 03 01 02 01");
    let (id, pieces) = DynamicallyDefineLocalIdentifier::parse(&message).unwrap();
    assert_eq!(id, LocalIdentifier(0xF1));
    assert_eq!(pieces.collect::<Result<Vec<_>, _>>(), Ok(FROM_COMMON.to_vec()));
}

/// SSF 14230-3 issue 2 7.3.5.2: the answer has no address, and as many bytes as were asked for.
#[test]
fn printed_memory_is_read() {
    let read = ReadMemoryByAddress { address: address(0x204813), size: 3 };
    assert_eq!(read.data(&bytes("63 00 46 FB")), Ok(&[0x00, 0x46, 0xFB][..]));
}

fn address(address: u32) -> Address {
    Address::new(address).expect("24 bits")
}

fn code(text: &str) -> FaultCode {
    text.parse().expect("a fault code")
}

fn freeze(frame: u8, access: Access, identifier: &'static [u8]) -> ReadFreezeFrameData<'static> {
    ReadFreezeFrameData { frame: FrameNumber(frame), access, identifier }
}
