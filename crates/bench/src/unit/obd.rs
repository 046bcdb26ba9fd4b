//! Services of SAE J1979, made from the PIDs and types of information that a definition names.
//!
//! The set of identifiers is what the definition has; its masks (00, 20, 40 ..) follow from it. On CAN one message
//! carries all, on the K-line a message has seven data bytes and more of them follow.

use std::collections::BTreeMap;

use tickover_defs::RecordId;
use tickover_defs::compiled::{FaultRead, Layout, Line, Read};
use tickover_services::obd::identifiers::is_support_mask;
use tickover_services::obd::{
    FaultMemory, FaultReport, InfoType, InformationOnCan, InformationOnKLine, Pid, ReadCurrentData, ReadFaultCodes,
    ReadFreezeFrame, ReadVehicleInformation, SupportMask, VehicleInformation,
};
use tickover_services::{Emit, FaultCode, ResponseCode};

use super::dialogue::Asked;

/// What the unit tells of emissions.
#[derive(Clone, Debug)]
pub(super) struct Emission {
    pids: BTreeMap<u8, RecordId>,
    infos: BTreeMap<u8, RecordId>,
    has_faults: bool,
    on_can: bool,
    pub(super) supported_pids: SupportMask,
    /// Of the freeze frame: PID 02 is there and 01 is not (SAE J1979, an encyclopaedia's table).
    pub(super) supported_frozen: SupportMask,
    pub(super) supported_infos: SupportMask,
}

impl Emission {
    pub(super) fn new(layout: &Layout, line: &Line, supports: Option<&[u8]>) -> Self {
        let (mut pids, mut infos) = (BTreeMap::new(), BTreeMap::new());
        for record in layout.records.iter().flatten() {
            match record.read {
                Read::Pid(pid) if supports.is_none_or(|pids| is_support_mask(pid) || pids.contains(&pid)) => {
                    pids.entry(pid).or_insert(record.id);
                }
                Read::InfoType(info) => {
                    infos.entry(info).or_insert(record.id);
                }
                _ => {}
            }
        }
        let read = layout.faults.as_ref().and_then(|faults| faults.read);
        let frozen = pids.keys().copied().filter(|pid| !is_support_mask(*pid) && *pid != 0x01).chain([0x02]).collect();
        let named = |records: &BTreeMap<u8, RecordId>| {
            records.keys().copied().filter(|identifier| !is_support_mask(*identifier)).collect()
        };
        Self {
            supported_pids: named(&pids),
            supported_frozen: frozen,
            supported_infos: named(&infos),
            pids,
            infos,
            has_faults: matches!(read, Some(FaultRead::EmissionDtc(_))),
            on_can: matches!(line, Line::Can(_)),
        }
    }

    /// The services that the definition makes it have.
    pub(super) fn services(&self) -> impl Iterator<Item = u8> + use<> {
        let (pids, infos, faults) = (!self.pids.is_empty(), !self.infos.is_empty(), self.has_faults);
        let has = [(0x01, pids), (0x02, pids), (0x03, faults), (0x04, faults), (0x07, faults), (0x0A, faults)];
        has.into_iter().chain([(0x09, infos)]).filter(|(_, has)| *has).map(|(service, _)| service)
    }

    /// What a request means; `None` if it is not of these services.
    pub(super) fn understand(&self, request: &[u8]) -> Option<Result<Asked, ResponseCode>> {
        let service = *request.first()?;
        self.services().any(|has| has == service).then_some(())?;
        Some(match (service, request) {
            (0x01, _) => {
                let pids = ReadCurrentData::parse(request).ok().map(|pids| pids.collect());
                self.some(pids, self.supported_pids, Asked::Pids)
            }
            (0x02, _) => {
                let wanted = ReadFreezeFrame::parse(request).ok();
                // There is one frame: 00.
                let pids = wanted.map(|wanted| wanted.filter(|of| of.frame == 0).map(|of| of.pid).collect());
                self.some(pids, self.supported_frozen, Asked::Frozen)
            }
            (0x03, [_]) => Ok(Asked::Emission(FaultMemory::Confirmed)),
            (0x07, [_]) => Ok(Asked::Emission(FaultMemory::Pending)),
            // Not on the K-line (SAE J1979).
            (0x0A, [_]) if self.on_can => Ok(Asked::Emission(FaultMemory::Permanent)),
            (0x04, [_]) => Ok(Asked::ClearFaults { step: u16::MAX }),
            (0x09, _) => match ReadVehicleInformation::parse(request) {
                Ok(ReadVehicleInformation { info: InfoType(info) }) if self.has_info(info) => {
                    Ok(Asked::Information(info))
                }
                _ => Err(ResponseCode::SUB_FUNCTION_NOT_SUPPORTED),
            },
            _ => Err(ResponseCode::SUB_FUNCTION_NOT_SUPPORTED),
        })
    }

    /// Those that the unit has; it says nothing of the others as long as there is one.
    fn some(
        &self,
        pids: Option<Vec<Pid>>,
        supported: SupportMask,
        asked: fn(Vec<u8>) -> Asked,
    ) -> Result<Asked, ResponseCode> {
        let pids = pids.filter(|pids| self.on_can || pids.len() == 1).unwrap_or_default();
        let had: Vec<u8> =
            pids.into_iter().map(|Pid(pid)| pid).filter(|pid| *pid == 0 || supported.contains(*pid)).collect();
        if had.is_empty() { Err(ResponseCode::SUB_FUNCTION_NOT_SUPPORTED) } else { Ok(asked(had)) }
    }

    fn has_info(&self, info: u8) -> bool {
        info == 0 || self.supported_infos.contains(info)
    }

    /// The record that a PID is read by.
    pub(super) fn pid(&self, pid: u8) -> Option<RecordId> {
        self.pids.get(&pid).copied()
    }

    /// The record that a type of information is read by.
    pub(super) fn info(&self, info: u8) -> Option<RecordId> {
        self.infos.get(&info).copied()
    }

    /// The messages that tell fault codes.
    pub(super) fn report(&self, memory: FaultMemory, codes: &[FaultCode]) -> Vec<Vec<u8>> {
        let read = ReadFaultCodes { memory };
        if self.on_can {
            FaultReport::on_can(read, codes).iter().filter_map(emitted).collect()
        } else {
            FaultReport::on_k_line(read, codes).filter_map(|report| emitted(&report)).collect()
        }
    }

    /// The messages that tell information; a mask stands without a count on CAN.
    pub(super) fn information(&self, info: u8, data: &[u8]) -> Vec<Vec<u8>> {
        let information = VehicleInformation { info: InfoType(info), data };
        match self.on_can {
            true if is_support_mask(info) => vec![[&[0x49, info], data].concat()],
            true => InformationOnCan::new(information).iter().filter_map(emitted).collect(),
            false => InformationOnKLine::messages(information).filter_map(|message| emitted(&message)).collect(),
        }
    }
}

fn emitted(message: &impl Emit) -> Option<Vec<u8>> {
    message.emit(&mut [0; 1024]).ok().map(|message| message.to_vec())
}
