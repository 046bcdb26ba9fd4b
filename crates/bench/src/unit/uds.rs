//! Services of ISO 14229-1 that follow from what a definition names: its data identifiers, one or several in a
//! request, identifiers defined from parts of them, sessions, faults.

use std::collections::BTreeMap;

use tickover_defs::RecordId;
use tickover_defs::compiled::line::Services;
use tickover_defs::compiled::{FaultRead, Layout, Read, SeveralOf};
use tickover_services::ResponseCode;

use super::dialogue::Asked;

/// Incorrect message length or invalid format (ISO 14229-1:2020 annex A).
const LENGTH: ResponseCode = ResponseCode(0x13);
/// Identifiers that a tester may define (ISO 14229-1:2020 annex C).
const DEFINABLE: core::ops::RangeInclusive<u16> = 0xF300..=0xF3FF;
/// Parts that one of them may have.
const MOST_PARTS: usize = 64;
/// In a sub-function: no positive answer is wanted.
const SUPPRESS: u8 = 0x80;

/// Where the data of an identifier come from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Source {
    /// A record of the definition.
    Record(RecordId),
    /// Parts of others, as the tester defined it.
    Defined,
}

/// A part of a defined identifier: from which, the first byte counted from 1, how many.
pub(super) type Part = (u16, u8, u8);

/// The data identifiers of a unit.
#[derive(Clone, Debug)]
pub(super) struct Identifiers {
    is_iso14229: bool,
    records: BTreeMap<u16, (RecordId, u16)>,
    defined: BTreeMap<u16, Vec<Part>>,
    most: usize,
    longest: usize,
    has_faults: bool,
}

impl Identifiers {
    pub(super) fn new(layout: &Layout, services: Option<Services>) -> Self {
        let mut records = BTreeMap::new();
        for record in layout.records.iter().flatten() {
            if let Read::DataIdentifier(identifier) = record.read {
                records.entry(identifier).or_insert((record.id, record.length.1));
            }
        }
        let several = layout.several.iter().find(|several| several.of == SeveralOf::DataIdentifier);
        let read = layout.faults.as_ref().and_then(|faults| faults.read);
        Self {
            is_iso14229: services == Some(Services::Iso14229),
            records,
            defined: BTreeMap::new(),
            most: several.map_or(1, |several| usize::from(several.count.max(1))),
            longest: several.map_or(usize::MAX, |several| usize::from(several.longest)),
            has_faults: matches!(read, Some(FaultRead::DtcByStatusMask { .. })),
        }
    }

    /// The services that the definition makes it have.
    pub(super) fn services(&self) -> impl Iterator<Item = u8> + use<> {
        let reads = self.is_iso14229 && !self.records.is_empty();
        let has =
            [(0x10, self.is_iso14229), (0x3E, self.is_iso14229), (0x22, reads), (0x2C, reads), (0x19, self.has_faults)];
        has.into_iter().filter(|(_, has)| *has).map(|(service, _)| service)
    }

    /// What a request means; `None` if it is not of these services.
    pub(super) fn understand(
        &self,
        request: &[u8],
        is_in_session: impl Fn(RecordId) -> bool,
    ) -> Option<Result<Asked, ResponseCode>> {
        let service = *request.first()?;
        self.services().any(|has| has == service).then_some(())?;
        Some(match request {
            [0x10 | 0x3E | 0x19 | 0x2C] => Err(LENGTH),
            [0x10, 0x01] => Ok(Asked::Default),
            [0x3E, 0x00] => Ok(Asked::KeepAlive),
            [0x3E | 0x10, _, _, ..] => Err(LENGTH),
            [0x22, identifiers @ ..] => self.read(identifiers, is_in_session),
            [0x2C, 0x01, rest @ ..] => self.define(rest),
            [0x2C, 0x03] => Ok(Asked::Forget(None)),
            [0x2C, 0x03, high, low] => {
                let identifier = u16::from_be_bytes([*high, *low]);
                match self.defined.contains_key(&identifier) {
                    true => Ok(Asked::Forget(Some(identifier))),
                    false => Err(ResponseCode::REQUEST_OUT_OF_RANGE),
                }
            }
            [0x2C, 0x03, ..] => Err(LENGTH),
            [0x19, report @ (0x01 | 0x02), mask] => Ok(Asked::ReportFaults { report: *report, mask: *mask }),
            [0x19, 0x0A] => Ok(Asked::ReportFaults { report: 0x0A, mask: 0xFF }),
            [0x19, 0x01 | 0x02 | 0x0A, ..] => Err(LENGTH),
            _ => Err(ResponseCode::SUB_FUNCTION_NOT_SUPPORTED),
        })
    }

    /// ISO 14229-1:2020 11.2: what is not supported is left out as long as one is.
    fn read(&self, bytes: &[u8], is_in_session: impl Fn(RecordId) -> bool) -> Result<Asked, ResponseCode> {
        let (identifiers, rest) = bytes.as_chunks::<2>();
        if identifiers.is_empty() || !rest.is_empty() || identifiers.len() > self.most {
            return Err(LENGTH);
        }
        let had: Vec<(u16, Source)> = identifiers
            .iter()
            .map(|identifier| u16::from_be_bytes(*identifier))
            .filter_map(|identifier| match self.records.get(&identifier) {
                _ if self.defined.contains_key(&identifier) => Some((identifier, Source::Defined)),
                Some((id, _)) => is_in_session(*id).then_some((identifier, Source::Record(*id))),
                None => None,
            })
            .collect();
        let bytes: usize = had.iter().map(|(identifier, _)| self.len(*identifier)).sum();
        match had.len() {
            0 => Err(ResponseCode::REQUEST_OUT_OF_RANGE),
            1 => Ok(Asked::Identifiers(had)),
            // Response too long.
            _ if bytes > self.longest => Err(ResponseCode(0x14)),
            _ => Ok(Asked::Identifiers(had)),
        }
    }

    fn len(&self, identifier: u16) -> usize {
        match (self.records.get(&identifier), self.defined.get(&identifier)) {
            (Some((_, length)), _) => usize::from(*length),
            (None, Some(parts)) => parts.iter().map(|(.., count)| usize::from(*count)).sum(),
            (None, None) => 0,
        }
    }

    /// ISO 14229-1:2020 11.6: parts of identifiers that the unit has, bytes counted from 1.
    fn define(&self, rest: &[u8]) -> Result<Asked, ResponseCode> {
        let Some((identifier, rest)) = rest.split_first_chunk() else { return Err(LENGTH) };
        let (parts, odd) = rest.as_chunks::<4>();
        if parts.is_empty() || !odd.is_empty() {
            return Err(LENGTH);
        }
        let identifier = u16::from_be_bytes(*identifier);
        let parts: Vec<Part> =
            parts.iter().map(|[high, low, at, count]| (u16::from_be_bytes([*high, *low]), *at, *count)).collect();
        let had = self.defined.get(&identifier).map_or(0, Vec::len);
        let fits = |(of, at, count): &Part| {
            let length = self.records.get(of).map_or(0, |(_, length)| *length);
            *at > 0 && *count > 0 && u16::from(*at) - 1 + u16::from(*count) <= length
        };
        let good = DEFINABLE.contains(&identifier) && parts.iter().all(fits) && had + parts.len() <= MOST_PARTS;
        if good { Ok(Asked::Define { identifier, parts }) } else { Err(ResponseCode::REQUEST_OUT_OF_RANGE) }
    }

    /// Adds to what was defined, as the standard says.
    pub(super) fn learn(&mut self, identifier: u16, parts: &[Part]) {
        self.defined.entry(identifier).or_default().extend_from_slice(parts);
    }

    pub(super) fn forget(&mut self, identifier: Option<u16>) {
        match identifier {
            Some(identifier) => drop(self.defined.remove(&identifier)),
            None => self.defined.clear(),
        }
    }

    /// The record that the definition has for an identifier.
    pub(super) fn record(&self, identifier: u16) -> Option<RecordId> {
        self.records.get(&identifier).map(|(id, _)| *id)
    }

    /// What a defined identifier is made of: records, and which bytes of their data.
    pub(super) fn parts(&self, identifier: u16) -> Vec<(RecordId, core::ops::Range<usize>)> {
        let parts = self.defined.get(&identifier).map(Vec::as_slice).unwrap_or_default();
        let part = |(of, at, count): &Part| {
            let (id, _) = self.records.get(of)?;
            let start = usize::from(*at).saturating_sub(1);
            Some((*id, start..start + usize::from(*count)))
        };
        parts.iter().filter_map(part).collect()
    }
}

/// The request without the bit that suppresses a positive answer, and whether it was set (ISO 14229-1:2020 8.2.2).
pub(super) fn without_suppress(services: Option<Services>, request: &[u8]) -> (Vec<u8>, bool) {
    let mut plain = request.to_vec();
    match plain.as_mut_slice() {
        [0x10 | 0x11 | 0x19 | 0x27 | 0x28 | 0x2C | 0x31 | 0x3E | 0x85..=0x87, sub, ..]
            if services == Some(Services::Iso14229) && *sub & SUPPRESS != 0 =>
        {
            *sub &= !SUPPRESS;
            (plain, true)
        }
        _ => (plain, false),
    }
}
