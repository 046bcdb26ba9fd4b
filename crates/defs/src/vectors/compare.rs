//! What came, against what is written.

use std::format;
use std::string::{String, ToString};

use crate::compiled::{Affine, Channel, Conversion};
use crate::decode;
use crate::diagnostic::{Diagnostic, codes};
use crate::model::Findings;
use crate::model::vector::Want;
use crate::number;
use crate::source::Span;
use crate::value::{Invalid, Value};

/// Difference that binary arithmetic alone can make: what is nearer is the exact value.
const EXACT: f64 = 1e-12;

/// Whether the value is as written; a difference is reported at the written value.
pub(super) fn compare(
    channel: &Channel,
    want: &Want,
    came: &Result<Value, Invalid>,
    span: &Span,
    out: &mut Findings<'_>,
) -> bool {
    let same = match (want, came) {
        (Want::Text(want), Ok(Value::Text(came))) => want == came,
        (Want::Invalid(want), Err(came)) => *want == came.to_string(),
        (Want::Number(literal), Ok(Value::Number(came))) => match number::decimal(literal) {
            Some(written) => {
                let want = written.value.to_f64();
                // Half a unit of the last digit written, and what rounding the literal itself can cost.
                let half = 0.5 / 10_f64.powi(i32::from(written.decimals));
                let agrees = (want - came).abs() <= half + want.abs() * f64::EPSILON;
                let exact = (want - came).abs() <= EXACT * want.abs().max(1.0);
                if agrees && !exact && written.decimals < channel.decimals && !singled_out(channel, want, *came, half) {
                    out.push(too_short(channel, literal, *came, span));
                    return false;
                }
                agrees
            }
            None => false,
        },
        _ => false,
    };
    if !same {
        let message = format!("`{}` gives {}, not {}", channel.name, shown(channel, came), wanted(want));
        out.push(
            Diagnostic::new(codes::VECTOR, span.clone(), message)
                .label("the bytes give something else")
                .expected(format!("what comes: {}", shown(channel, came))),
        );
    }
    same
}

/// Whether no neighbouring raw value of a straight line would agree as well.
fn singled_out(channel: &Channel, want: f64, came: f64, half: f64) -> bool {
    let Conversion::Affine(Affine { scale, divisor, .. }) = channel.conversion else { return false };
    let step = decode::quotient(i128::from(scale).abs(), i128::from(divisor));
    [came - step, came + step].iter().all(|neighbour| (want - neighbour).abs() > half)
}

fn too_short(channel: &Channel, literal: &str, came: f64, span: &Span) -> Diagnostic {
    let decimals = usize::from(channel.decimals);
    let message = format!("{literal} has fewer decimals than `{}` shows ({decimals})", channel.name);
    Diagnostic::new(codes::VECTOR_DECIMALS, span.clone(), message)
        .expected(format!("at least {decimals} decimals, or the exact value"))
        .suggest(span.clone(), format!("{came:.decimals$}"), "to the channel's decimals; check it against the source")
}

fn wanted(want: &Want) -> String {
    match want {
        Want::Number(literal) => literal.clone(),
        Want::Text(text) => format!("\"{text}\""),
        Want::Invalid(reason) => format!("invalid (\"{reason}\")"),
    }
}

/// As it would be written in the check.
fn shown(channel: &Channel, came: &Result<Value, Invalid>) -> String {
    match came {
        Ok(Value::Number(number)) => {
            // Rust writes the shortest text that reads back the same: exact values stay short.
            let shortest = format!("{number}");
            let decimals = usize::from(channel.decimals) + 3;
            let rounded = format!("{number:.decimals$}");
            if shortest.len() <= rounded.len() { shortest } else { rounded }
        }
        Ok(Value::Text(text)) => format!("\"{text}\""),
        Err(invalid) => format!("invalid (\"{invalid}\")"),
    }
}
