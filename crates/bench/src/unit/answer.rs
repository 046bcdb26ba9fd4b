//! From a request to everything that is said to it.

use tickover_defs::RecordId;
use tickover_defs::compiled::line::Services;
use tickover_services::obd::FaultMemory;

use super::Simulated;
use super::dialogue::Asked;
use super::uds::{Source, without_suppress};

/// What is said to a request, and what follows once it is out.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Reply {
    /// One after the other; of some answers none.
    pub(super) messages: Vec<Vec<u8>>,
    /// The records that stand in them, each as if it had been asked for alone.
    pub(super) records: Vec<(RecordId, Vec<u8>)>,
    pub(super) then: Then,
}

/// What happens once an answer is out.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) enum Then {
    #[default]
    Nothing,
    /// The line changes as this session says.
    Enter(u16),
    /// The default session.
    Default,
}

impl From<Vec<u8>> for Reply {
    fn from(message: Vec<u8>) -> Self {
        Self { messages: vec![message], ..Self::default() }
    }
}

impl Simulated {
    /// What is said to a request; `None`: nothing.
    pub(super) fn reply(&mut self, request: &[u8], functional: bool) -> Option<Reply> {
        let (plain, suppressed) = without_suppress(self.dialogue.services(), request);
        let asked = match self.dialogue.understand(request) {
            Err(_) if suppressed => self.dialogue.understand(&plain),
            asked => asked,
        };
        let asked = match asked {
            Ok(asked) => asked,
            Err(code) => {
                self.tally.unknown += 1;
                let silent = self.dialogue.refuses_in_silence(request, code, functional);
                return (!silent).then(|| self.dialogue.refuse(request, code).into());
            }
        };
        let mut reply = self.answer(&plain, asked)?;
        if suppressed {
            // Suppression never hides a refusal (ISO 14229-1:2020 8.2.2).
            reply.messages.retain(|message| self.dialogue.is_refusal(message));
        }
        Some(reply)
    }

    fn answer(&mut self, request: &[u8], asked: Asked) -> Option<Reply> {
        let (layout, now) = (&self.dialogue.layout, self.now);
        Some(match asked {
            Asked::Record(id) => {
                let response = self.sensors.response(layout, id, now)?;
                Reply { records: vec![(id, response.clone())], ..response.into() }
            }
            Asked::Identifiers(identifiers) => self.identifiers(&identifiers)?,
            Asked::Define { identifier, parts } => {
                self.dialogue.identifiers.learn(identifier, &parts);
                let [high, low] = identifier.to_be_bytes();
                vec![0x6C, 0x01, high, low].into()
            }
            Asked::Forget(identifier) => {
                self.dialogue.identifiers.forget(identifier);
                let echo = identifier.map(u16::to_be_bytes);
                [&[0x6C, 0x03][..], echo.as_ref().map_or(&[], <[u8; 2]>::as_slice)].concat().into()
            }
            Asked::ReportFaults { report, mask } => self.sensors.faults.by_status_14229(report, mask).into(),
            Asked::Default => {
                let answer = [&[0x50, 0x01][..], &self.dialogue.times()].concat();
                Reply { then: Then::Default, ..answer.into() }
            }
            Asked::KeepAlive if self.dialogue.services() == Some(Services::Iso14229) => vec![0x7E, 0x00].into(),
            Asked::Pids(pids) => self.pids(&pids),
            Asked::Frozen(pids) => self.frozen(&pids)?,
            Asked::Emission(memory) => {
                let codes = self.sensors.faults.emission(memory);
                Reply { messages: self.dialogue.emission.report(memory, &codes), ..Reply::default() }
            }
            Asked::Information(info) => self.information(info)?,
            // Service 04, which no step of the definition names.
            Asked::ClearFaults { step: u16::MAX } => {
                self.sensors.faults.clear();
                vec![0x44].into()
            }
            Asked::ReadFaults => self.sensors.faults.by_status_14230().into(),
            asked => {
                let answer = self.dialogue.answer(now, request, &asked)?;
                if !self.dialogue.is_refusal(&answer) {
                    self.take_effect(&asked);
                }
                let then = match asked {
                    Asked::Enter { session, last: true, .. } => Then::Enter(session),
                    _ => Then::Nothing,
                };
                Reply { then, ..answer.into() }
            }
        })
    }

    fn take_effect(&mut self, asked: &Asked) {
        match asked {
            Asked::ClearFaults { .. } => self.sensors.faults.clear(),
            Asked::Procedure { procedure, finally: false, .. } => {
                let layout = &self.dialogue.layout;
                let read = layout.procedures.get(usize::from(*procedure)).and_then(|p| p.then_read.as_deref());
                let group = read.and_then(|name| layout.groups.iter().find(|group| group.name == name));
                for id in group.map(|group| group.channels.to_vec()).unwrap_or_default() {
                    self.sensors.unlearn(&self.dialogue.layout, id);
                }
            }
            _ => {}
        }
    }

    /// Service 22 of ISO 14229-1: `62 {identifier data}..`.
    fn identifiers(&mut self, identifiers: &[(u16, Source)]) -> Option<Reply> {
        let mut reply = Reply::from(vec![0x62]);
        for (identifier, source) in identifiers {
            let message = reply.messages.first_mut()?;
            message.extend_from_slice(&identifier.to_be_bytes());
            let parts = match source {
                Source::Record(id) => vec![(*id, 0..usize::MAX)],
                Source::Defined => self.dialogue.identifiers.parts(*identifier),
            };
            // A definition may know what it has the unit put together: that record is what was sent.
            let own = match source {
                Source::Record(_) => None,
                Source::Defined => self.dialogue.identifiers.record(*identifier),
            };
            let begin = message.len();
            for (id, range) in parts {
                let response = self.sensors.response(&self.dialogue.layout, id, self.now)?;
                let data = self.dialogue.layout.record(id)?.answer.strip(&response)?;
                message.extend_from_slice(data.get(range.start..range.end.min(data.len())).unwrap_or_default());
                if own.is_none() && !reply.records.iter().any(|(noted, _)| *noted == id) {
                    reply.records.push((id, response));
                }
            }
            if let Some(id) = own {
                let [high, low] = identifier.to_be_bytes();
                let mut response = vec![0x62, high, low];
                response.extend_from_slice(message.get(begin..).unwrap_or_default());
                reply.records.push((id, response));
            }
        }
        Some(reply)
    }

    /// Service 01 of SAE J1979: `41 {pid data}..`.
    fn pids(&mut self, pids: &[u8]) -> Reply {
        let mut message = vec![0x41];
        let mut records = Vec::new();
        for pid in pids {
            let id = self.dialogue.emission.pid(*pid);
            let response = id.and_then(|id| Some((id, self.sensors.response(&self.dialogue.layout, id, self.now)?)));
            match (response, self.dialogue.emission.supported_pids.answer(*pid)) {
                (Some((id, response)), _) => {
                    message.extend_from_slice(response.get(1..).unwrap_or_default());
                    if !records.iter().any(|(noted, _)| *noted == id) {
                        records.push((id, response));
                    }
                }
                (None, Some(mask)) => {
                    message.push(*pid);
                    message.extend_from_slice(&mask);
                }
                (None, None) => {}
            }
        }
        Reply { records, ..message.into() }
    }

    /// Service 02: `42 {pid frame data}..`; PID 02 is the code that the frame belongs to, 0000 without one.
    fn frozen(&mut self, pids: &[u8]) -> Option<Reply> {
        let cause = self.sensors.faults.emission(FaultMemory::Confirmed).first().copied();
        let mut message = vec![0x42];
        for pid in pids {
            let data = match (*pid, self.dialogue.emission.supported_frozen.answer(*pid)) {
                (_, Some(mask)) => Some(mask.to_vec()),
                (0x02, _) => Some(cause.map_or(0, |cause| cause.code).to_be_bytes().to_vec()),
                _ if cause.is_none() => None,
                _ => {
                    let id = self.dialogue.emission.pid(*pid);
                    id.and_then(|id| self.sensors.frozen(&self.dialogue.layout, id))
                }
            };
            if let Some(data) = data {
                message.extend_from_slice(&[*pid, 0x00]);
                message.extend_from_slice(&data);
            }
        }
        (message.len() > 1).then(|| message.into())
    }

    /// Service 09.
    fn information(&mut self, info: u8) -> Option<Reply> {
        let (data, records) = match self.dialogue.emission.supported_infos.answer(info) {
            Some(mask) => (mask.to_vec(), Vec::new()),
            None => {
                let id = self.dialogue.emission.info(info)?;
                let response = self.sensors.response(&self.dialogue.layout, id, self.now)?;
                let data = self.sensors.plain(&self.dialogue.layout, id, self.now)?;
                (data, vec![(id, response)])
            }
        };
        let messages = self.dialogue.emission.information(info, &data);
        Some(Reply { messages, records, then: Then::Nothing })
    }
}
