//! Which request means what, and what is refused: everything of a unit's conversation but the values.

use std::collections::HashMap;

use tickover_defs::RecordId;
use tickover_defs::compiled::{
    FaultRead, KLine, Layout, Line, List, Pattern, PatternByte, SessionState, Step, Template, TemplatePart,
};
use tickover_framing::Instant;
use tickover_services::{ResponseCode, ServiceId};

/// What a request asks of the unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Asked {
    /// The data of a record.
    Record(RecordId),
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
    base: KLine,
    requests: HashMap<Vec<u8>, Asked>,
    templates: Vec<(Template, RecordId)>,
    /// Services that at least one request names.
    services: Vec<u8>,
    session: Option<u16>,
    /// A routine that was started has its result from then on.
    result_at: Option<Instant>,
}

impl Dialogue {
    pub(super) fn new(base: KLine, sessions: List<SessionState>, layout: Layout) -> Self {
        let mut requests = HashMap::new();
        let mut templates = Vec::new();
        for record in layout.records.iter().flatten() {
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
        if let Some(keep_alive) = &base.keep_alive {
            requests.entry(keep_alive.send.to_vec()).or_insert(Asked::KeepAlive);
        }
        let mut services: Vec<u8> = requests.keys().filter_map(|request| request.first().copied()).collect();
        services.extend(templates.iter().filter_map(|(template, _)| match template.0.first() {
            Some(TemplatePart::Byte(byte)) => Some(*byte),
            _ => None,
        }));
        Self { layout, sessions, base, requests, templates, services, session: None, result_at: None }
    }

    /// What a request asks for.
    ///
    /// # Errors
    /// The refusal to answer with.
    pub(super) fn understand(&self, request: &[u8]) -> Result<Asked, Vec<u8>> {
        if let Some(asked) = self.requests.get(request) {
            if let Asked::Record(id) = asked
                && let Some(needs) = self.layout.record(*id).and_then(|record| record.session)
                && self.session != Some(needs)
            {
                return Err(self.refuse(request, ResponseCode::NOT_SUPPORTED_IN_ACTIVE_SESSION));
            }
            return Ok(*asked);
        }
        for (template, record) in &self.templates {
            if fits(template, request) {
                return Ok(Asked::Record(*record));
            }
        }
        let known = request.first().is_some_and(|service| self.services.contains(service));
        let code = match (known, request.first().copied().map(ServiceId)) {
            (false, _) => ResponseCode::SERVICE_NOT_SUPPORTED,
            (true, Some(service)) if reads_by_identifier(service) => ResponseCode::REQUEST_OUT_OF_RANGE,
            (true, _) => ResponseCode::SUB_FUNCTION_NOT_SUPPORTED,
        };
        Err(self.refuse(request, code))
    }

    /// The refusal of a request: the standard's, or the one that the definition declares.
    pub(super) fn refuse(&self, request: &[u8], code: ResponseCode) -> Vec<u8> {
        match (&self.base.services, &self.base.refusal) {
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
    pub(super) fn answer(&mut self, now: Instant, request: &[u8], asked: Asked) -> Option<Vec<u8>> {
        let step = match asked {
            Asked::Enter { session, step, .. } => self.sessions.get(usize::from(session))?.enter.get(usize::from(step)),
            Asked::ClearFaults { step } => self.layout.faults.as_ref()?.clear.get(usize::from(step)),
            Asked::Procedure { procedure, step, finally } => {
                let procedure = self.layout.procedures.get(usize::from(procedure))?;
                (if finally { &procedure.finally } else { &procedure.steps }).get(usize::from(step))
            }
            Asked::KeepAlive => {
                return self.base.keep_alive.as_ref()?.expect.as_ref().map(first_bytes);
            }
            Asked::Record(_) | Asked::ReadFaults => None,
        }?;
        let Step::Send { expect, within, .. } = step else { return None };
        let takes_time = within.is_some() && self.base.services.is_some();
        let answer = first_bytes(expect);
        match (takes_time, self.result_at) {
            (true, None) => self.result_at = Some(now.after(ROUTINE)),
            (true, Some(at)) if at <= now => {
                self.result_at = None;
                return Some(answer);
            }
            (true, Some(_)) => {}
            (false, _) => return Some(answer),
        }
        Some(self.refuse(request, ResponseCode::ROUTINE_NOT_COMPLETE))
    }

    /// Whether an answer is a refusal.
    pub(super) fn is_refusal(&self, answer: &[u8]) -> bool {
        match (&self.base.services, &self.base.refusal) {
            (None, Some(refusal)) => answer.starts_with(&refusal.prefix),
            (None, None) => false,
            (Some(_), _) => answer.first() == Some(&ServiceId::NEGATIVE_RESPONSE.0),
        }
    }

    /// Enters a session; the line as it is from the end of the answer on.
    pub(super) fn enter(&mut self, session: u16) -> Option<&KLine> {
        self.session = Some(session);
        match &self.sessions.get(usize::from(session))?.line {
            Line::KLine(line) => Some(line),
            _ => None,
        }
    }

    /// Communication has ended: as after power-on.
    pub(super) const fn reset(&mut self) {
        self.session = None;
        self.result_at = None;
    }

    /// The line as it is outside all sessions.
    pub(super) const fn base(&self) -> &KLine {
        &self.base
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
