//! Several identifiers in one request: records with the same wish share it, and the answer is split again.

use alloc::vec::Vec;

use tickover_defs::RecordId;
use tickover_defs::compiled::{Layout, PatternByte, Read, Record, Several, SeveralOf};

use crate::plan::Polled;

/// A record that can stand in a request with others.
struct Member<'a> {
    several: &'a Several,
    service: u8,
    /// As request and answer have it.
    identifier: Vec<u8>,
    length: u16,
}

/// Puts records with the same wish into one request, first fit in the order of their periods.
///
/// `alone`: records that the unit did not answer together with others.
pub(crate) fn pack(layout: &Layout, mut polled: Vec<Polled>, alone: impl Fn(RecordId) -> bool) -> Vec<Polled> {
    if layout.several.is_empty() {
        return polled;
    }
    polled.sort_by_key(|polled| (polled.period.is_none(), polled.period));
    let mut packed: Vec<Polled> = Vec::new();
    for record in polled {
        let member = Some(record.record).filter(|id| !alone(*id)).and_then(|id| member(layout, layout.record(id)?));
        let fits = |group: &&mut Polled| {
            (group.period, group.fastest) == (record.period, record.fastest)
                && member.as_ref().is_some_and(|member| has_room(layout, group, member))
                && !alone(group.record)
        };
        match packed.iter_mut().find(fits) {
            Some(group) => group.with.push(record.record),
            None => packed.push(record),
        }
    }
    packed
}

fn has_room(layout: &Layout, group: &Polled, new: &Member<'_>) -> bool {
    let members: Option<Vec<Member<'_>>> = group.records().map(|id| member(layout, layout.record(id)?)).collect();
    members.is_some_and(|members| {
        let bytes = members.iter().map(|member| u32::from(member.length)).sum::<u32>() + u32::from(new.length);
        members.iter().all(|member| member.several.of == new.several.of && member.identifier != new.identifier)
            && members.len() < usize::from(new.several.count)
            && bytes <= u32::from(new.several.longest)
    })
}

/// The request for these records together; `None`: they do not go together.
pub(crate) fn request(layout: &Layout, records: impl Iterator<Item = RecordId>) -> Option<Vec<u8>> {
    let mut request = Vec::new();
    for id in records {
        let member = member(layout, layout.record(id)?)?;
        match request.first() {
            None => request.push(member.service),
            Some(service) if *service == member.service => {}
            Some(_) => return None,
        }
        request.extend(member.identifier);
    }
    Some(request)
}

/// Splits the answer to such a request: of each record that is in it what it would be alone. In any order; the unit may
/// leave some out.
///
/// `None`: something else stands in it.
pub(crate) fn split(layout: &Layout, records: &[RecordId], answer: &[u8]) -> Option<Vec<(RecordId, Vec<u8>)>> {
    let members: Vec<(RecordId, Member<'_>)> =
        records.iter().filter_map(|id| Some((*id, member(layout, layout.record(*id)?)?))).collect();
    let (service, mut rest) = answer.split_first()?;
    let mut parts: Vec<(RecordId, Vec<u8>)> = Vec::new();
    while !rest.is_empty() {
        let new = |(id, _): &&(RecordId, Member<'_>)| !parts.iter().any(|(done, _)| done == id);
        let (id, member) = members.iter().filter(new).find(|(_, member)| rest.starts_with(&member.identifier))?;
        let (part, after) = rest.split_at_checked(member.identifier.len() + usize::from(member.length))?;
        parts.push((*id, [&[*service][..], part].concat()));
        rest = after;
    }
    let expected = members.first().map(|(_, member)| member.service.wrapping_add(0x40));
    (Some(*service) == expected && !parts.is_empty()).then_some(parts)
}

/// A record with an identifier of a service that takes several, and an answer of one length.
fn member<'a>(layout: &'a Layout, record: &Record) -> Option<Member<'a>> {
    let of = match record.read {
        Read::LocalIdentifier(_) => SeveralOf::LocalIdentifier,
        Read::CommonIdentifier(_) => SeveralOf::CommonIdentifier,
        Read::DataIdentifier(_) => SeveralOf::DataIdentifier,
        // What says which PIDs there are does not go together with others (SAE J1979; from memory).
        Read::Pid(id) if id % 0x20 != 0 => SeveralOf::Pid,
        _ => return None,
    };
    let several = layout.several.iter().find(|several| several.of == of)?;
    let width = if matches!(of, SeveralOf::LocalIdentifier | SeveralOf::Pid) { 1 } else { 2 };
    let request = record.request.constant()?;
    let (service, identifier) = request.split_first()?;
    let answer: Vec<PatternByte> =
        core::iter::once(service.wrapping_add(0x40)).chain(identifier.iter().copied()).map(PatternByte::Is).collect();
    let plain = identifier.len() == width && *record.answer.0 == answer && record.length.0 == record.length.1;
    plain.then(|| Member { several, service: *service, identifier: identifier.to_vec(), length: record.length.0 })
}
