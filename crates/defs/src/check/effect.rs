//! `not-a-read`, `effect-unknown`, `effect-too-strong`, `services-needed`: a definition cannot make polling write.
//!
//! ```toml
//! [record.engine]
//! read = { request = "3B 90 01", answer = "7B 90" }     # writes: never polled
//! ```

use std::format;
use std::string::String;

use tickover_services::Effect;

use crate::compile::Lines;
use crate::compile::line::{Judged, StepAt, hex};
use crate::compiled::Step;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::source::Span;

/// Whether a request only reads; what it does instead is reported.
pub(crate) fn only_reads(request: &[u8], lines: &Lines, span: &Span, out: &mut Findings<'_>) -> bool {
    match lines.effect(request) {
        Judged::Known(Effect::Reads) => true,
        Judged::Known(effect) => {
            let message = format!("the request {} is no read", hex(request));
            out.push(
                Diagnostic::new(codes::NOT_A_READ, span.clone(), message)
                    .label(format!("its effect is \"{effect}\""))
                    .expected("a request that only reads; anything else is a procedure"),
            );
            false
        }
        judged => unknown(&judged, request, span, out),
    }
}

/// Reports a request that does more than `most`.
pub(crate) fn at_most(request: &[u8], most: Effect, lines: &Lines, span: &Span, what: &str, out: &mut Findings<'_>) {
    if !super::asked::can_be(lines, span, out) {
        return;
    }
    match lines.effect(request) {
        Judged::Known(effect) if strength(effect) <= strength(most) => {}
        Judged::Known(effect) => {
            let message = format!("{what} does more than \"{most}\": {} {effect}", hex(request));
            out.push(
                Diagnostic::new(codes::EFFECT_TOO_STRONG, span.clone(), message)
                    .label(format!("its effect is \"{effect}\"")),
            );
        }
        judged => {
            unknown(&judged, request, span, out);
        }
    }
}

/// The same for a step.
pub(crate) fn step(step: &StepAt, most: Effect, lines: &Lines, what: &str, out: &mut Findings<'_>) {
    if let Step::Send { send, .. } = &step.value {
        at_most(send, most, lines, &step.span, what, out);
    }
}

/// A step of a procedure: a permit names the procedure's effect, so a harmless word may not cover a harmful step.
pub(crate) fn of_procedure(at: &StepAt, declared: Effect, lines: &Lines, out: &mut Findings<'_>) {
    // What a routine does is known to the author alone: the standard calls them all "actuates".
    let most = if strength(declared) >= strength(Effect::Writes) { Effect::Actuates } else { declared };
    step(at, most, lines, "this step", out);
}

const fn strength(effect: Effect) -> u8 {
    match effect {
        Effect::Reads => 0,
        Effect::Session => 1,
        Effect::Writes => 2,
        Effect::Clears => 3,
        _ => 4,
    }
}

fn unknown(judged: &Judged, request: &[u8], span: &Span, out: &mut Findings<'_>) -> bool {
    let command = request.first().copied().unwrap_or_default();
    match judged {
        Judged::WhichStandard => out.push(
            Diagnostic::new(
                codes::SERVICES_NEEDED,
                span.clone(),
                format!("service {command:02X} differs between the standards, and [line] does not say which holds"),
            )
            .expected(String::from("`services = \"iso14230\"` or `\"iso14229\"` in [line]")),
        ),
        Judged::Unknown => out.push(
            Diagnostic::new(codes::EFFECT_UNKNOWN, span.clone(), format!("nobody says what {} does", hex(request)))
                .label("not sent without a known effect")
                .expected(format!("`0x{command:02X} = \"reads\"`, or what else it does, in [line.effects]")),
        ),
        Judged::Known(_) | Judged::NoLine => {}
    }
    *judged == Judged::NoLine
}
