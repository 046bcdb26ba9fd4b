//! Body of the fuzz target. What a request type reads, it writes again as it was; an answer taken apart makes the same
//! answer again.

use crate::layout::Emit;
use crate::obd::{
    ClearFaultCodes, ControlSystem, CurrentData, FreezeFrame, FrozenPid, FrozenRecord, InformationOnCan, MonitorStatus,
    Pid, PidRecord, ReadCurrentData, ReadFaultCodes, ReadFreezeFrame, ReadMonitorResults, ReadOxygenSensorResults,
    ReadVehicleInformation, SupportMask,
};
use crate::uds::{
    self, ClearDiagnosticInformation, CommunicationControl, ControlDtcSetting, DataIdentifier, DataRecord,
    DiagnosticSessionControl, DynamicallyDefineDataIdentifier, EcuReset, InputOutputControl, PeriodicIdentifier,
    PositiveResponse, ReadDataByIdentifier, ReadDataByPeriodicIdentifier, ReadDtcByStatusMask,
    ReadDtcCountByStatusMask, ReadDtcExtendedData, ReadDtcSnapshot, ReadDtcSnapshotIdentification, ReadMemoryByAddress,
    ReadSupportedDtc, RecordReport, RoutineControl, SecurityAccess, TesterPresent, WriteDataByIdentifier,
};
use crate::{Effect, NegativeResponse, effect};

/// Longest message that is built again; longer ones are only read.
const LONGEST: usize = 64;

/// Takes a request and an answer to it from the bytes: the length of the request, the request, a length for records
/// that the answer may have, the answer.
///
/// # Panics
/// If something changes on its way, or a request reads that its effect does not let read.
pub fn services(bytes: &[u8]) {
    let Some((&length, rest)) = bytes.split_first() else { return };
    let Some((request, [record, answer @ ..])) = rest.split_at_checked(usize::from(length % 16)) else { return };
    let length = Some(usize::from(*record)).filter(|record| *record < 0x80);
    for message in [request, answer] {
        uds_requests(message);
        obd_requests(message);
        let _ = NegativeResponse::parse(message).map(|refusal| same(&refusal, message));
    }
    if let Ok(positive) = PositiveResponse::parse(request, answer) {
        assert_eq!(answer.len(), 1 + positive.repeated.len() + positive.data.len());
    }
    uds_answers(request, answer, length);
    obd_answers(request, answer, length);
}

/// Writes and compares.
fn same(written: &(impl Emit + ?Sized), read: &[u8]) {
    let mut buffer = [0; LONGEST];
    match written.emit(&mut buffer) {
        Ok(written) => assert_eq!(written, read),
        Err(small) => assert_eq!(small.needed, read.len()),
    }
}

/// Tries types of requests that hold all that they read.
macro_rules! same_as_read {
    ($message:expr, $($type:ident)*) => {
        $(if let Ok(read) = $type::parse($message) {
            same(&read, $message);
        })*
    };
}

fn uds_requests(message: &[u8]) {
    same_as_read!(message,
        ClearDiagnosticInformation CommunicationControl ControlDtcSetting DiagnosticSessionControl EcuReset
        InputOutputControl ReadDtcByStatusMask ReadDtcCountByStatusMask ReadDtcExtendedData ReadDtcSnapshot
        ReadMemoryByAddress ReadSupportedDtc RoutineControl TesterPresent WriteDataByIdentifier);
    if let Ok(read) = SecurityAccess::parse(message)
        && !uds::is_suppressed(message)
    {
        same(&read, message);
    }
    if let Ok(ids) = ReadDataByIdentifier::parse(message) {
        let mut all = [DataIdentifier(0); LONGEST];
        all.iter_mut().zip(ids.clone()).for_each(|(place, id)| *place = id);
        if let Some(read) = all.get(..ids.len()).and_then(ReadDataByIdentifier::new) {
            same(&read, message);
            assert_eq!(effect::of_iso14229(message), Some(Effect::Reads));
        }
    }
    if let Ok((mode, ids)) = ReadDataByPeriodicIdentifier::parse(message) {
        let mut all = [PeriodicIdentifier(0); LONGEST];
        all.iter_mut().zip(ids.clone()).for_each(|(place, id)| *place = id);
        if let Some(ids) = all.get(..ids.len()) {
            same(&ReadDataByPeriodicIdentifier { mode, ids }, message);
        }
    }
    if let Ok(request) = DynamicallyDefineDataIdentifier::parse(message) {
        let count = match request.pieces {
            uds::define::Pieces::ById(pieces) => pieces.count(),
            uds::define::Pieces::ByAddress(pieces) => pieces.count(),
            uds::define::Pieces::Cleared => 0,
        };
        assert!(count <= message.len());
    }
}

fn obd_requests(message: &[u8]) {
    same_as_read!(message,
        ClearFaultCodes ControlSystem ReadFaultCodes ReadMonitorResults ReadOxygenSensorResults ReadVehicleInformation);
    if let Ok(pids) = ReadCurrentData::parse(message) {
        let mut all = [Pid(0); ReadCurrentData::MOST];
        all.iter_mut().zip(pids.clone()).for_each(|(place, pid)| *place = pid);
        if let Some(read) = all.get(..pids.len()).and_then(ReadCurrentData::new) {
            same(&read, message);
            assert_eq!(effect::of_j1979(message), Some(Effect::Reads));
        }
    }
    if let Ok(wanted) = ReadFreezeFrame::parse(message) {
        let mut all = [FrozenPid { pid: Pid(0), frame: 0 }; ReadFreezeFrame::MOST];
        all.iter_mut().zip(wanted.clone()).for_each(|(place, of)| *place = of);
        if let Some(read) = all.get(..wanted.len()).and_then(ReadFreezeFrame::new) {
            same(&read, message);
        }
    }
}

/// Collects what is read without a mistake; `None` if there is one, or more than is looked at.
fn all_of<T: Copy, E>(items: impl Iterator<Item = Result<T, E>>, all: &mut [T]) -> Option<&[T]> {
    let mut count = 0;
    for item in items {
        *all.get_mut(count)? = item.ok()?;
        count += 1;
    }
    all.get(..count)
}

fn uds_answers(request: &[u8], answer: &[u8], length: Option<usize>) {
    if let Ok(session) = DiagnosticSessionControl::parse(request)
        && let Ok(Some(timing)) = session.timing(answer)
    {
        same(&session.answer(timing), answer);
    }
    if let Ok(asked) = ReadDataByIdentifier::parse(request) {
        let mut ids = [DataIdentifier(0); LONGEST];
        ids.iter_mut().zip(asked.clone()).for_each(|(place, id)| *place = id);
        let read = ids.get(..asked.len()).and_then(ReadDataByIdentifier::new);
        let mut all = [DataRecord { id: DataIdentifier(0), data: &[] }; LONGEST];
        if let Some(Ok(records)) = read.map(|read| read.records(answer, |_| length))
            && let Some(records) = all_of(records, &mut all)
        {
            same(&RecordReport(records), answer);
        }
    }
    for faults in
        [ReadSupportedDtc.faults(answer), ReadDtcByStatusMask { mask: uds::FaultStatus::all() }.faults(answer)]
    {
        let _ = faults.map(|list| assert_eq!(list.iter().count() * 4 + 3, answer.len()));
    }
    if let Ok(count) = (ReadDtcCountByStatusMask { mask: uds::FaultStatus::all() }).count(answer) {
        same(&count, answer);
    }
    let _ = ReadDtcSnapshotIdentification.snapshots(answer).map(Iterator::count);
    if let Ok((_, items)) =
        ReadDtcSnapshot::parse(request).map_err(Into::into).and_then(|read| read.items(answer, |_| length))
    {
        assert!(items.count() <= answer.len());
    }
    if let Ok((_, records)) =
        ReadDtcExtendedData::parse(request).map_err(Into::into).and_then(|read| read.records(answer, |_| length))
    {
        assert!(records.count() <= answer.len());
    }
    if let Ok(bytes) = ReadMemoryByAddress::parse(request).map_err(Into::into).and_then(|read| read.data(answer)) {
        assert_eq!(bytes.len() + 1, answer.len());
    }
}

fn obd_answers(request: &[u8], answer: &[u8], length: Option<usize>) {
    if let Ok(asked) = ReadCurrentData::parse(request) {
        let mut pids = [Pid(0); ReadCurrentData::MOST];
        pids.iter_mut().zip(asked.clone()).for_each(|(place, pid)| *place = pid);
        let read = pids.get(..asked.len()).and_then(ReadCurrentData::new);
        let mut all = [PidRecord { pid: Pid(0), data: &[] }; LONGEST];
        if let Some(Ok(records)) = read.map(|read| read.records(answer, |_| length))
            && let Some(records) = all_of(records, &mut all)
        {
            same(&CurrentData(records), answer);
        }
    }
    if let Ok(asked) = ReadFreezeFrame::parse(request) {
        let mut wanted = [FrozenPid { pid: Pid(0), frame: 0 }; ReadFreezeFrame::MOST];
        wanted.iter_mut().zip(asked.clone()).for_each(|(place, of)| *place = of);
        let read = wanted.get(..asked.len()).and_then(ReadFreezeFrame::new);
        let mut all = [FrozenRecord { of: FrozenPid { pid: Pid(0), frame: 0 }, data: &[] }; LONGEST];
        if let Some(Ok(records)) = read.map(|read| read.records(answer, |_| length))
            && let Some(records) = all_of(records, &mut all)
        {
            same(&FreezeFrame(records), answer);
        }
    }
    if let Ok(read) = ReadFaultCodes::parse(request) {
        for codes in [read.codes_on_can(answer), read.codes_on_k_line(answer)] {
            let _ = codes.map(|codes| assert!(codes.iter().count() * 2 < answer.len()));
        }
    }
    let mut supported = SupportMask::default();
    if let Ok(read) = ReadMonitorResults::parse(request) {
        let _ = read.add_support(answer, &mut supported);
        if let Ok(results) = read.results_on_can(answer) {
            assert_eq!(results.iter().count() * 9 + 1, answer.len());
        }
        if let Ok(result) = read.result_on_k_line(answer) {
            same(&result, answer);
        }
    }
    if let Ok(read) = ReadOxygenSensorResults::parse(request) {
        let _ = (read.result(answer).is_ok(), read.add_support(answer, &mut supported).is_ok());
    }
    if let Ok(read) = ReadVehicleInformation::parse(request) {
        let _ = read.add_support(answer, &mut supported);
        if let Ok(information) = read.on_can(answer) {
            let _ = (information.vin(), information.texts().count(), information.counters().count());
            let whole = InformationOnCan::new(information).filter(|_| read.info.item_len().is_some());
            if let Some(whole) = whole {
                same(&whole, answer);
            }
        }
    }
    for asked in SupportMask::ASKED {
        assert!(supported.answer(asked).is_some());
    }
    if let Some(bytes) = answer.first_chunk() {
        assert!(MonitorStatus(*bytes).monitors().count() <= 11);
    }
    let _ = SupportMask::from_iter(answer.iter().copied()).len();
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_seeds_pass() {
        let seeds = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fuzz/seeds/services");
        let seeds: Vec<_> = std::fs::read_dir(seeds).unwrap().map(|seed| seed.unwrap().path()).collect();
        assert!(seeds.len() > 20);
        seeds.iter().for_each(|seed| services(&std::fs::read(seed).unwrap()));
    }

    /// Services of all three tables, so that chance finds their views.
    fn message() -> impl Strategy<Value = Vec<u8>> {
        let service = prop_oneof![0x01..=0x0Au8, 0x10..=0x3Eu8, 0x83..=0x87u8];
        (service, proptest::collection::vec(prop_oneof![0..4u8, any::<u8>()], 0..12))
            .prop_map(|(service, rest)| [&[service], &rest[..]].concat())
    }

    proptest! {
        #[test]
        fn no_request_with_its_answer_changes_on_its_way(
            request in message(),
            length: u8,
            data in proptest::collection::vec(prop_oneof![0..4u8, any::<u8>()], 0..24),
            repeated in 0..5usize,
        ) {
            let echo = request.get(1..request.len().min(1 + repeated)).unwrap_or_default();
            let answer = [&[request[0] | 0x40], echo, &data].concat();
            services(&[&[request.len() as u8], &request[..], &[length], &answer[..]].concat());
        }
    }
}
