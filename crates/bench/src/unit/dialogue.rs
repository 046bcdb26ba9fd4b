//! Which request means what, and what is refused: everything of a unit's conversation but the values.

use std::collections::HashMap;

use tickover_defs::RecordId;
use tickover_defs::compiled::line::{J1979, Services};
use tickover_defs::compiled::{
    FaultRead, Layout, Line, List, Pattern, PatternByte, Read, Refusal, SessionState, Step, Template, TemplatePart,
};
use tickover_framing::{Instant, kline};
use tickover_services::obd::FaultMemory;
use tickover_services::{ResponseCode, ServiceId};

use super::obd::Emission;
use super::uds::{Identifiers, Source};

/// What a request asks of the unit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Asked {
    /// The data of a record.
    Record(RecordId),
    /// Several data identifiers of ISO 14229-1, as far as the unit has them.
    Identifiers(Vec<(u16, Source)>),
    /// To know an identifier from now on, made of parts of others; nothing: to forget it.
    Define { identifier: u16, parts: Vec<(u16, u8, u8)> },
    /// To forget an identifier that was defined, or all.
    Forget(Option<u16>),
    /// Fault codes as service 19 of ISO 14229-1 reports them.
    ReportFaults { report: u8, mask: u8 },
    /// The default session of ISO 14229-1.
    Default,
    /// Services 01 and 02 of SAE J1979: identifiers that the unit has.
    Pids(Vec<u8>),
    /// The freeze frame: identifiers that it has.
    Frozen(Vec<u8>),
    /// Services 03, 07 and 0A.
    Emission(FaultMemory),
    /// Service 09.
    Information(u8),
    /// A step that leads into a session of the definition; the last one enters it.
    Enter { session: u16, step: u16, last: bool },
    /// To go on listening.
    KeepAlive,
    /// The stored fault codes.
    ReadFaults,
    /// To forget the stored fault codes.
    ClearFaults { step: u16 },
    /// A step of a procedure.
    Procedure { procedure: u16, step: u16, finally: bool },
}

/// The requests that a definition names, and the state of the conversation.
#[derive(Clone, Debug)]
pub(super) struct Dialogue {
    pub(super) layout: Layout,
    sessions: List<SessionState>,
    base: Line,
    requests: HashMap<Vec<u8>, Asked>,
    pub(super) emission: Emission,
    pub(super) identifiers: Identifiers,
    templates: Vec<(Template, RecordId)>,
    /// Services that at least one request names.
    services: Vec<u8>,
    session: Option<u16>,
    /// A routine that was started has its result from then on.
    result_at: Option<Instant>,
}

impl Dialogue {
    /// `supports`: the PIDs that it has of those that the definition names; `None`: all.
    pub(super) fn new(base: Line, sessions: List<SessionState>, layout: Layout, supports: Option<&[u8]>) -> Self {
        let mut requests = HashMap::new();
        let mut templates = Vec::new();
        for record in layout.records.iter().flatten() {
            // These are understood by what they mean, or asked for by nobody.
            if matches!(record.read, Read::Pid(_) | Read::InfoType(_) | Read::DataIdentifier(_) | Read::Frame(_)) {
                continue;
            }
            match record.request.constant() {
                Some(request) => {
                    requests.entry(request).or_insert(Asked::Record(record.id));
                }
                None => templates.push((record.request.clone(), record.id)),
            }
        }
        let mut steps: Vec<(&Step, Asked)> = Vec::new();
        for (session, state) in sessions.iter().enumerate() {
            let count = state.enter.len();
            steps.extend(state.enter.iter().enumerate().map(|(step, action)| {
                (action, Asked::Enter { session: session as u16, step: step as u16, last: step + 1 == count })
            }));
        }
        if let Some(faults) = &layout.faults {
            let clear = faults.clear.iter().enumerate();
            steps.extend(clear.map(|(step, action)| (action, Asked::ClearFaults { step: step as u16 })));
            if let Some(request) = faults.read.and_then(fault_request) {
                requests.entry(request).or_insert(Asked::ReadFaults);
            }
        }
        for (place, procedure) in layout.procedures.iter().enumerate() {
            for (finally, list) in [(false, &procedure.steps), (true, &procedure.finally)] {
                steps.extend(list.iter().enumerate().map(|(step, action)| {
                    (action, Asked::Procedure { procedure: place as u16, step: step as u16, finally })
                }));
            }
        }
        for (action, asked) in steps {
            if let Step::Send { send, .. } = action {
                requests.entry(send.to_vec()).or_insert(asked);
            }
        }
        if let Some(keep_alive) = base.keep_alive() {
            requests.entry(keep_alive.send.to_vec()).or_insert(Asked::KeepAlive);
        }
        let mut services: Vec<u8> = requests.keys().filter_map(|request| request.first().copied()).collect();
        services.extend(templates.iter().filter_map(|(template, _)| match template.0.first() {
            Some(TemplatePart::Byte(byte)) => Some(*byte),
            _ => None,
        }));
        let emission = Emission::new(&layout, &base, supports);
        let identifiers = Identifiers::new(&layout, base.services());
        services.extend(emission.services().chain(identifiers.services()));
        let (session, result_at) = (None, None);
        Self { layout, sessions, base, requests, emission, identifiers, templates, services, session, result_at }
    }

    /// What a request asks for.
    ///
    /// # Errors
    /// Why it is refused.
    pub(super) fn understand(&self, request: &[u8]) -> Result<Asked, ResponseCode> {
        // A standard's meaning goes first: a definition spells out only the start of an answer.
        let meant = self.emission.understand(request);
        let meant = meant.or_else(|| self.identifiers.understand(request, |id| self.is_in_session_for(id)));
        if let Some(Ok(asked)) = meant {
            return Ok(asked);
        }
        if let Some(asked) = self.requests.get(request) {
            if let Asked::Record(id) = asked
                && !self.is_in_session_for(*id)
            {
                return Err(ResponseCode::NOT_SUPPORTED_IN_ACTIVE_SESSION);
            }
            return Ok(asked.clone());
        }
        for (template, record) in &self.templates {
            if fits(template, request) {
                return Ok(Asked::Record(*record));
            }
        }
        if let Some(Err(code)) = meant {
            return Err(code);
        }
        let known = request.first().is_some_and(|service| self.services.contains(service));
        Err(match (known, request.first().copied().map(ServiceId)) {
            (false, _) => ResponseCode::SERVICE_NOT_SUPPORTED,
            (true, Some(service)) if reads_by_identifier(service) => ResponseCode::REQUEST_OUT_OF_RANGE,
            (true, _) => ResponseCode::SUB_FUNCTION_NOT_SUPPORTED,
        })
    }

    fn is_in_session_for(&self, id: RecordId) -> bool {
        self.layout.record(id).and_then(|record| record.session).is_none_or(|needed| self.session == Some(needed))
    }

    /// Whether a request is refused in silence.
    ///
    /// To a group of units on CAN, "not supported" and "out of range" are not said (ISO 14229-1:2020 8.7), and to
    /// services of SAE J1979 nothing but an answer is (ISO 15765-4). ISO 9141-2 has no refusals (from memory).
    pub(super) fn refuses_in_silence(&self, request: &[u8], code: ResponseCode, functional: bool) -> bool {
        match &self.base {
            Line::KLine(line) => matches!(line.line.framing, kline::Framing::Iso9141),
            Line::Can(_) if functional => {
                let emission = request.first().is_some_and(|service| J1979.contains(service));
                emission || matches!(code.0, 0x11 | 0x12 | 0x31 | 0x7E | 0x7F)
            }
            _ => false,
        }
    }

    /// The refusal of a request: the standard's, or the one that the definition declares.
    pub(super) fn refuse(&self, request: &[u8], code: ResponseCode) -> Vec<u8> {
        match (self.base.services(), self.refusal()) {
            (None, Some(refusal)) => {
                let busy = code.is_busy();
                let fitting = refusal.meanings.iter().find(|(_, meaning)| busy == is_for_later(meaning));
                let code = fitting.or_else(|| refusal.meanings.first()).map_or(1, |(code, _)| *code);
                let mut answer = refusal.prefix.to_vec();
                answer.push(code);
                answer
            }
            _ => vec![ServiceId::NEGATIVE_RESPONSE.0, request.first().copied().unwrap_or(0), code.0],
        }
    }

    /// The answer of a step or of keep-alive; `None`: none is given.
    pub(super) fn answer(&mut self, now: Instant, request: &[u8], asked: &Asked) -> Option<Vec<u8>> {
        let step = match asked {
            Asked::Enter { session, step, .. } => {
                self.sessions.get(usize::from(*session))?.enter.get(usize::from(*step))
            }
            Asked::ClearFaults { step } => self.layout.faults.as_ref()?.clear.get(usize::from(*step)),
            Asked::Procedure { procedure, step, finally } => {
                let procedure = self.layout.procedures.get(usize::from(*procedure))?;
                (if *finally { &procedure.finally } else { &procedure.steps }).get(usize::from(*step))
            }
            Asked::KeepAlive => return self.base.keep_alive()?.expect.as_ref().map(first_bytes),
            _ => None,
        }?;
        let Step::Send { expect, within, .. } = step else { return None };
        let takes_time = within.is_some() && self.base.services().is_some();
        let mut answer = first_bytes(expect);
        if let (Asked::Enter { .. }, [0x50, _]) = (asked, answer.as_slice()) {
            answer.extend(self.times());
        }
        match (takes_time, self.result_at) {
            (true, None) => self.result_at = Some(now.after(ROUTINE)),
            (true, Some(at)) if at <= now => {
                self.result_at = None;
                return Some(answer);
            }
            (true, Some(_)) => {}
            (false, _) => return Some(answer),
        }
        let not_yet = match self.base.services() {
            Some(Services::Iso14229) => ResponseCode::BUSY_REPEAT_REQUEST,
            _ => ResponseCode::ROUTINE_NOT_COMPLETE,
        };
        Some(self.refuse(request, not_yet))
    }

    /// P2 in milliseconds and P2* in units of 10 ms, as service 10 of ISO 14229-1 answers; nothing elsewhere.
    pub(super) fn times(&self) -> Vec<u8> {
        let (Line::Can(line), Some(Services::Iso14229)) = (&self.base, self.base.services()) else { return Vec::new() };
        let Some(unit) = &line.unit else { return Vec::new() };
        let [p2, p2_star] = [unit.p2_max.as_millis(), unit.p2_star_max.as_millis() / 10];
        [p2, p2_star].map(|time| (time.min(0xFFFF) as u16).to_be_bytes()).concat()
    }

    /// Whether an answer is a refusal.
    pub(super) fn is_refusal(&self, answer: &[u8]) -> bool {
        match (self.base.services(), self.refusal()) {
            (None, Some(refusal)) => answer.starts_with(&refusal.prefix),
            (None, None) => false,
            (Some(_), _) => answer.first() == Some(&ServiceId::NEGATIVE_RESPONSE.0),
        }
    }

    /// Enters a session; the line as it is from the end of the answer on.
    pub(super) fn enter(&mut self, session: u16) -> Option<&Line> {
        self.session = Some(session);
        self.sessions.get(usize::from(session)).map(|session| &session.line)
    }

    /// Communication has ended: as after power-on.
    pub(super) fn reset(&mut self) {
        self.session = None;
        self.result_at = None;
        self.identifiers.forget(None);
    }

    /// Whether a session of the definition is entered.
    pub(super) const fn is_in_session(&self) -> bool {
        self.session.is_some()
    }

    /// Whose service numbers hold.
    pub(super) const fn services(&self) -> Option<Services> {
        self.base.services()
    }

    /// How a unit with declared framing refuses.
    const fn refusal(&self) -> Option<&Refusal> {
        match &self.base {
            Line::KLine(line) => line.refusal.as_ref(),
            _ => None,
        }
    }
}

/// How long a routine of the unit runs before it has a result.
const ROUTINE: core::time::Duration = core::time::Duration::from_secs(1);

/// The bytes of a pattern; where any byte may stand, 00.
pub(super) fn first_bytes(pattern: &Pattern) -> Vec<u8> {
    let byte = |byte: &PatternByte| match byte {
        PatternByte::Is(byte) => *byte,
        PatternByte::Any => 0,
    };
    pattern.0.iter().map(byte).collect()
}

fn fault_request(read: FaultRead) -> Option<Vec<u8>> {
    match read {
        FaultRead::DtcByStatus { status, group } => {
            let [high, low] = group.to_be_bytes();
            Some(vec![ServiceId::READ_DTC_BY_STATUS.0, status, high, low])
        }
        _ => None,
    }
}

const fn reads_by_identifier(service: ServiceId) -> bool {
    matches!(service.0, 0x1A | 0x21 | 0x22 | 0x23)
}

fn is_for_later(meaning: &str) -> bool {
    ["now", "busy", "later"].iter().any(|word| meaning.contains(word))
}

/// Whether a request is this template with any values put in.
fn fits(template: &Template, request: &[u8]) -> bool {
    let mut rest = request;
    for part in template.0.iter() {
        let (width, byte) = match part {
            TemplatePart::Byte(byte) => (1, Some(*byte)),
            TemplatePart::Value(place) => (usize::from(place.bytes), None),
        };
        let Some((head, tail)) = rest.split_at_checked(width) else { return false };
        if byte.is_some() && head.first().copied() != byte {
            return false;
        }
        rest = tail;
    }
    rest.is_empty()
}
