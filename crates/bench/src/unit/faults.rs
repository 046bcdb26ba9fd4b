//! Stored fault codes, as the services of three standards tell them.

use tickover_defs::compiled::{FaultRead, Layout};
use tickover_services::obd::FaultMemory;
use tickover_services::{FaultCode, ServiceId};

/// testFailed, this cycle, pending, confirmed, since clear; and confirmed, since clear (ISO 14229-1:2013 annex D.2).
const OF_ISO14229: [u8; 2] = [0x2F, 0x28];
/// Stored, and once stored and present (ISO 14230-3, coding of the status byte).
const OF_ISO14230: [u8; 2] = [0x61, 0x21];
const PENDING: u8 = 1 << 2;
const CONFIRMED: u8 = 1 << 3;
/// All bits but warningIndicatorRequested.
const AVAILABLE: u8 = 0x7F;

/// The unit's fault memory.
#[derive(Clone, Debug)]
pub(super) struct FaultStore {
    stored: Vec<(FaultCode, u8)>,
    /// Status bytes are those of ISO 14230-3: every stored code counts as confirmed.
    coded_as_14230: bool,
}

impl FaultStore {
    /// With these codes, or with the first two that the definition explains.
    pub(super) fn new(layout: &Layout, wanted: Option<Vec<(FaultCode, u8)>>) -> Self {
        let faults = layout.faults.as_ref();
        let coded_as_14230 = faults.is_some_and(|faults| matches!(faults.read, Some(FaultRead::DtcByStatus { .. })));
        let explained = || {
            let codes = faults.into_iter().flat_map(|faults| faults.known.iter());
            let codes = codes.filter_map(|fault| fault.code.parse().ok());
            codes.zip(if coded_as_14230 { OF_ISO14230 } else { OF_ISO14229 }).collect()
        };
        Self { stored: wanted.unwrap_or_else(explained), coded_as_14230 }
    }

    pub(super) fn clear(&mut self) {
        self.stored.clear();
    }

    /// Service 18 of ISO 14230-3.
    pub(super) fn by_status_14230(&self) -> Vec<u8> {
        let mut answer = vec![ServiceId::READ_DTC_BY_STATUS.response().0, self.stored.len() as u8];
        for (code, status) in &self.stored {
            answer.extend_from_slice(&code.code.to_be_bytes());
            answer.push(*status);
        }
        answer
    }

    /// Service 19 of ISO 14229-1: 01 counts, 02 lists those of the mask, 0A lists all (11.3).
    pub(super) fn by_status_14229(&self, report: u8, mask: u8) -> Vec<u8> {
        let matching = || self.stored.iter().filter(|(_, status)| report == 0x0A || status & mask & AVAILABLE != 0);
        let mut answer = vec![0x59, report, AVAILABLE];
        if report == 0x01 {
            // Codes as ISO 14229-1 formats them.
            answer.push(0x01);
            answer.extend_from_slice(&(matching().count() as u16).to_be_bytes());
            return answer;
        }
        for (code, status) in matching() {
            answer.extend_from_slice(&code.code.to_be_bytes());
            answer.extend_from_slice(&[code.failure_type.unwrap_or(0), *status]);
        }
        answer
    }

    /// Services 03, 07 and 0A of SAE J1979.
    pub(super) fn emission(&self, memory: FaultMemory) -> Vec<FaultCode> {
        let bit = if memory == FaultMemory::Pending { PENDING } else { CONFIRMED };
        let tells = |status: u8| match self.coded_as_14230 {
            true => memory != FaultMemory::Pending,
            false => status & bit != 0,
        };
        self.stored.iter().filter(|(_, status)| tells(*status)).map(|(code, _)| *code).collect()
    }

    /// First byte of PID 01: the lamp, and how many codes are confirmed (an encyclopaedia's table of SAE J1979).
    pub(super) fn lamp_and_count(&self) -> u8 {
        match self.emission(FaultMemory::Confirmed).len().min(0x7F) as u8 {
            0 => 0,
            count => 0x80 | count,
        }
    }
}
