//! One request's life: how long to wait, when to repeat, what the answer is. The same on every line.

use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::time::Duration;

use tickover_defs::compiled::Line;
use tickover_defs::compiled::line::Services;
use tickover_framing::Instant;
use tickover_framing::transport::{Answers, Ask, Heard, Noise, Peer};
use tickover_services::{Effect, NegativeResponse, ResponseCode};

use crate::carrier::Limits;

/// How often a request is sent before its turn is given up (ISO 14230-2 6.2, SSF 14230-2: two repetitions).
pub(crate) const SENDS: u8 = 3;
/// How long "response pending" is believed in a row, and the longest window of all: granted limits may be endless.
const PATIENCE: Duration = Duration::from_secs(30);

/// A request under way.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Exchange {
    pub(crate) request: Vec<u8>,
    pub(crate) ask: Ask,
    /// Repeated after "pending" only if it reads.
    effect: Effect,
    /// P2*max.
    pending_window: Duration,
    sends: u8,
    first_start: Option<Instant>,
    sent_end: Option<Instant>,
    pending_since: Option<Instant>,
    noise: Option<Noise>,
    /// A refusal that does not count: another unit may still answer.
    refused: Option<Refusal>,
}

/// What to do after something was heard.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Turn {
    Going,
    KeepWaiting(Duration),
    Repeat,
    Done(Outcome),
}

/// How an exchange ended.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Outcome {
    Answer(Answer),
    /// No answer was expected.
    Sent,
    Refused(Refusal),
    Failed(Failure),
}

/// A good message, not yet compared with what was expected.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Answer {
    pub(crate) data: Vec<u8>,
    /// First bit of the first request sent.
    pub(crate) asked: Instant,
    pub(crate) start: Instant,
    pub(crate) end: Instant,
    pub(crate) response_time: Duration,
    /// The first request was answered, without "pending".
    pub(crate) clean: bool,
}

/// The unit is healthy and said no.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Refusal {
    /// The answer as it came.
    pub(crate) data: Vec<u8>,
    /// Its code with the meaning.
    pub(crate) meaning: String,
    pub(crate) last: Last,
}

/// What a refusal means for the next time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Last {
    /// The unit does not have it: do not ask again.
    Never,
    /// Ask again later.
    Later,
    /// Not known: the meaning stands in the definition for people only.
    Unknown,
}

/// Why there is no answer after all repetitions.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Failure {
    Silence,
    Noise(Noise),
    /// "Response pending" without end.
    Pending,
}

impl Exchange {
    pub(crate) fn new(to: Peer, limits: Limits, request: Vec<u8>, effect: Effect, answers: Answers) -> Self {
        Self {
            request,
            ask: Ask { to, answers, window: limits.p2_max.min(PATIENCE) },
            effect,
            pending_window: limits.p2_star_max.min(PATIENCE),
            sends: 1,
            first_start: None,
            sent_end: None,
            pending_since: None,
            noise: None,
            refused: None,
        }
    }

    /// Takes what the transport heard.
    pub(crate) fn hear(&mut self, line: &Line, heard: &Heard, message: &[u8]) -> Turn {
        match *heard {
            Heard::Sent { start, end } => {
                self.first_start.get_or_insert(start);
                self.sent_end = Some(end);
                if self.ask.answers == Answers::None { Turn::Done(Outcome::Sent) } else { Turn::Going }
            }
            Heard::Message { start, end, .. } => self.answer(line, start, end, message),
            Heard::Noise { what: Noise::Early | Noise::Unasked { .. }, .. } => Turn::Going,
            Heard::Noise { what, .. } => {
                self.noise = Some(what);
                Turn::Going
            }
            Heard::Silence { .. } => self.nothing_came(),
            _ => Turn::Going,
        }
    }

    pub(crate) fn goes_to_all(&self) -> bool {
        self.ask.to == Peer::Anyone
    }

    /// The session is being closed: what is under way ends by itself.
    pub(crate) fn repeat_no_more(&mut self) {
        self.sends = SENDS;
    }

    fn answer(&mut self, line: &Line, start: Instant, end: Instant, message: &[u8]) -> Turn {
        let said = refusal(line, &self.request, message);
        match said {
            Some(said) if self.ignores_refusals(line) => {
                self.refused = Some(said.of_one_among_others());
                Turn::KeepWaiting(self.ask.window)
            }
            Some(Said::Pending(_)) => {
                let since = *self.pending_since.get_or_insert(start);
                if end.since(since) > PATIENCE {
                    return Turn::Done(Outcome::Failed(Failure::Pending));
                }
                Turn::KeepWaiting(self.pending_window)
            }
            Some(Said::Busy(_)) if self.sends < SENDS => self.repeat(),
            Some(Said::Busy(refusal) | Said::No(refusal)) => Turn::Done(Outcome::Refused(refusal)),
            None => Turn::Done(Outcome::Answer(Answer {
                data: message.to_vec(),
                asked: self.first_start.unwrap_or(start),
                start,
                end,
                response_time: self.sent_end.map_or(Duration::ZERO, |sent| start.since(sent)),
                clean: self.sends == 1 && self.pending_since.is_none(),
            })),
        }
    }

    /// ISO 14230-4 5.5: the tester takes no notice of what a negative answer says and waits for another P2. "Response
    /// pending" stretches nothing there (4.3).
    fn ignores_refusals(&self, line: &Line) -> bool {
        self.goes_to_all() && matches!(line, Line::KLine(_))
    }

    fn nothing_came(&mut self) -> Turn {
        if let Some(refusal) = self.refused.take() {
            return Turn::Done(Outcome::Refused(refusal));
        }
        let begun = self.pending_since.is_some() && self.effect != Effect::Reads;
        if self.sends < SENDS && !begun {
            return self.repeat();
        }
        let failure = match (self.noise, self.pending_since) {
            (Some(noise), _) => Failure::Noise(noise),
            (None, Some(_)) => Failure::Pending,
            (None, None) => Failure::Silence,
        };
        Turn::Done(Outcome::Failed(failure))
    }

    fn repeat(&mut self) -> Turn {
        self.sends += 1;
        self.sent_end = None;
        Turn::Repeat
    }
}

enum Said {
    Pending(Refusal),
    Busy(Refusal),
    No(Refusal),
}

impl Said {
    /// Others may have answered better: it is not the last word.
    fn of_one_among_others(self) -> Refusal {
        let (Self::Pending(refusal) | Self::Busy(refusal) | Self::No(refusal)) = self;
        Refusal { last: Last::Unknown, ..refusal }
    }
}

/// Reads a refusal of this request out of an answer; `None`: it is none.
fn refusal(line: &Line, request: &[u8], message: &[u8]) -> Option<Said> {
    if line.services().is_some() && NegativeResponse::is(message) {
        return standard_refusal(line.services(), request, message);
    }
    let Line::KLine(line) = line else { return None };
    let declared = line.refusal.as_ref()?;
    let rest = message.strip_prefix(&*declared.prefix)?;
    let code = rest.first().copied();
    let text = declared.meanings.iter().find(|(known, _)| Some(*known) == code).map(|(_, text)| &**text);
    let meaning = match (code, text) {
        (Some(code), Some(text)) => alloc::format!("{code:02X} {text}"),
        (Some(code), None) => alloc::format!("{code:02X}"),
        (None, _) => "no code".to_string(),
    };
    Some(Said::No(Refusal { data: message.to_vec(), meaning, last: Last::Unknown }))
}

fn standard_refusal(services: Option<Services>, request: &[u8], message: &[u8]) -> Option<Said> {
    let negative = NegativeResponse::parse(message).ok()?;
    if Some(&negative.service.0) != request.first() {
        return None;
    }
    let last = match negative.code {
        ResponseCode::SERVICE_NOT_SUPPORTED
        | ResponseCode::SUB_FUNCTION_NOT_SUPPORTED
        | ResponseCode::REQUEST_OUT_OF_RANGE
        | ResponseCode::SECURITY_ACCESS_DENIED
        | ResponseCode::NOT_SUPPORTED_IN_ACTIVE_SESSION => Last::Never,
        // ISO 14229-1 only: wrong length, not in the active session.
        ResponseCode(0x13 | 0x7E | 0x7F) if services == Some(Services::Iso14229) => Last::Never,
        _ => Last::Later,
    };
    let refusal = Refusal { data: message.to_vec(), meaning: negative.code.to_string(), last };
    Some(match negative {
        it if it.is_pending() => Said::Pending(refusal),
        it if it.is_busy() => Said::Busy(refusal),
        _ => Said::No(refusal),
    })
}
