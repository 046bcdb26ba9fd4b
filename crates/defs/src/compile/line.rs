//! The line and the sessions that change it; what a request does on it.

use std::borrow::Cow;
use std::format;
use std::string::String;
use std::vec::Vec;

use tickover_services::Effect;

use super::owned;
use crate::check;
use crate::check::collision::{self, Taken};
use crate::compiled::{Can, Line, SessionState, Step};
use crate::diagnostic::{Diagnostic, codes};
use crate::model::procedure::read_steps;
use crate::model::{At, Findings, line, value};
use crate::source::{Table, merge};

/// The line with its sessions.
#[derive(Debug, Default)]
pub(crate) struct Lines {
    line: Option<Line>,
    /// The line as far as it says what requests do, known even where the rest of it has mistakes.
    judge: Option<Line>,
    /// In file order; `None` where something is wrong.
    sessions: Vec<(String, Option<SessionState>)>,
    /// Identifiers that requests and answers use.
    taken: Vec<Taken>,
}

/// The most sessions.
const SESSIONS: usize = 64;

/// Reads `[line]` and `[session]`.
pub(crate) fn read(root: &Table, out: &mut Findings<'_>) -> Lines {
    let table = root.get("line").and_then(|node| value::table(node, "line", out));
    let line = table.and_then(|table| line::read(table, out));
    let taken = table.zip(line.as_ref()).map(|(table, line)| collision::taken(table, line)).unwrap_or_default();
    let judge = table.and_then(|table| line::judge(table, out.text));
    let mut lines = Lines { line, judge, sessions: Vec::new(), taken };
    if let Some(keep_alive) = lines.line.as_ref().and_then(Line::keep_alive) {
        let span = table.and_then(|table| table.get("keep_alive")).map_or(0..0, |node| node.span.clone());
        check::effect::at_most(&keep_alive.send, Effect::Session, &lines, &span, "`keep_alive`", out);
    }
    let all = value::named(root, "session", out);
    if let Some((entry, _)) = all.get(SESSIONS) {
        let message = format!("a definition has at most {SESSIONS} sessions, not {}", all.len());
        out.push(Diagnostic::new(codes::TOO_MANY, entry.key_span.clone(), message));
    }
    for (entry, own) in all.into_iter().take(SESSIONS) {
        check::name::plain(&entry.key, entry.key_span.clone(), "session", out);
        let state = session(&entry.key, own, table, &mut lines, out);
        lines.sessions.push((entry.key.clone(), state));
    }
    lines
}

fn session(
    name: &str,
    own: &Table,
    line: Option<&Table>,
    lines: &mut Lines,
    out: &mut Findings<'_>,
) -> Option<SessionState> {
    let keys = line::keys_of_session(own, line, out);
    let enter = keys.need("enter", "[{ send = \"10 86 03\", expect = \"50 86\" }]", out);
    let enter = enter.and_then(|node| read_steps(node, "enter", out));
    for step in enter.iter().flatten() {
        check::effect::step(step, Effect::Session, lines, "what enters a session", out);
    }
    // What is wrong with [line] itself has been said; of the laid-over one only what the session brings is.
    let mut laid_over = line?.clone();
    merge::lay_over(&mut laid_over, &line::of_session(own, line?));
    let before = out.list.len();
    let laid = line::read(&laid_over, out);
    let known: Vec<Diagnostic> = out.list.iter().take(before).cloned().collect();
    let mut place = before;
    while let Some(found) = out.list.get(place) {
        if known.contains(found) {
            out.list.remove(place);
        } else {
            place += 1;
        }
    }
    if let Some(laid) = &laid {
        let mut own = collision::taken(&laid_over, laid);
        own.retain(|own| !lines.taken.iter().any(|taken| taken.id == own.id));
        lines.taken.extend(own);
    }
    let enter: Vec<Step> = enter?.into_iter().map(|step| step.value).collect();
    Some(SessionState { name: owned(name), enter: Cow::Owned(enter), line: laid? })
}

/// What is known of a request's effect.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum Judged {
    Known(Effect),
    /// Nobody says what this does.
    Unknown,
    /// The standards differ, and the line does not say which holds.
    WhichStandard,
    /// There is no line to judge by, or it has mistakes of its own.
    NoLine,
}

impl Lines {
    /// The line of the compiled form.
    pub(crate) fn line(&self) -> Option<Line> {
        self.line.clone()
    }

    /// The sessions of the compiled form.
    pub(crate) fn sessions(&self) -> Vec<SessionState> {
        self.sessions.iter().filter_map(|(_, state)| state.clone()).collect()
    }

    /// The line, if it is a CAN line.
    pub(crate) const fn can(&self) -> Option<&Can> {
        match &self.line {
            Some(Line::Can(line)) => Some(line),
            _ => None,
        }
    }

    /// Whether nothing can be asked: the bus is only listened to.
    pub(crate) fn only_listens(&self) -> bool {
        self.can().is_some_and(|line| line.unit.is_none())
    }

    /// The line as far as it says what requests do; `None`: there is none, or that is unknown.
    pub(crate) const fn judge(&self) -> Option<&Line> {
        self.judge.as_ref()
    }

    /// The place of a session.
    pub(crate) fn session(&self, name: &str) -> Option<u16> {
        self.sessions.iter().position(|(known, _)| known == name).and_then(|place| u16::try_from(place).ok())
    }

    pub(crate) fn session_names(&self) -> impl Iterator<Item = &str> + Clone {
        self.sessions.iter().map(|(name, _)| name.as_str())
    }

    /// Identifiers that no frame may have.
    pub(crate) fn taken(&self) -> &[Taken] {
        &self.taken
    }

    /// What a whole request does on this line.
    pub(crate) fn effect(&self, request: &[u8]) -> Judged {
        match &self.judge {
            None => Judged::NoLine,
            Some(line) if line.needs_services(request) => Judged::WhichStandard,
            Some(line) => line.effect_of(request).map_or(Judged::Unknown, Judged::Known),
        }
    }
}

/// For sentences: bytes as hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    format!("{}", tickover_framing::contract::Hex(bytes))
}

/// A step and where it stands.
pub(crate) type StepAt = At<Step>;
