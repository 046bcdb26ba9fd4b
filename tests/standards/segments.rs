//! One answer in several messages.

use tickover::services::kwp::{Group, ReadDtcByStatus, Segments, StatusRequest};
use tickover::services::{Emit, ServiceId};

use super::source::{APPLICATION, Source};

pub(crate) const SOURCE: Source = Source::Standard(APPLICATION, "8.2.5.2.3");

/// SSF 14230-3 issue 2 8.2.5.2.3: 16 codes from a unit that can send 15 data bytes at a time, in messages of 13, 14,
/// 14 and 7 bytes of codes; the standard prints the layout alone, so the codes are made up.
#[test]
fn sixteen_codes_come_in_four_messages() {
    let read = ReadDtcByStatus { status: StatusRequest::ALL, group: Group(0x0000) };
    assert_eq!(read.emit(&mut [0; 4]), Ok(&[0x18, 0x03, 0x00, 0x00][..]));

    let codes: Vec<u8> = (0..16).flat_map(|n| [0x01, 0x10 + n, 0x20]).collect();
    let counted: Vec<u8> = [16].into_iter().chain(codes).collect();
    let messages: Vec<Vec<u8>> = counted.chunks(14).map(|piece| [&[0x58], piece].concat()).collect();
    assert_eq!(messages.iter().map(|m| m.len() - 1).collect::<Vec<_>>(), [1 + 13, 14, 14, 7]);

    let mut buffer = [0; 64];
    let mut answer = Segments::new(ServiceId::READ_DTC_BY_STATUS, &mut buffer);
    for message in &messages {
        assert!(read.faults(answer.message()).is_err(), "the list is not complete");
        answer.push(message).unwrap();
    }
    assert_eq!(answer.message().len(), 50);
    let faults = read.faults(answer.message()).unwrap();
    assert!(faults.iter().map(|fault| fault.code.code).eq(0x0110..0x0120));
}
