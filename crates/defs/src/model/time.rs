//! Times: a number with its unit.

use core::time::Duration;
use std::format;
use std::string::String;

use super::{Findings, value};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Item, Node};

/// Nanoseconds in each unit.
const UNITS: [(&str, u128); 5] =
    [("us", 1_000), ("ms", 1_000_000), ("s", 1_000_000_000), ("min", 60_000_000_000), ("h", 3_600_000_000_000)];
const LONGEST: Duration = Duration::from_secs(24 * 3600);

/// `"2.5 ms"`.
pub(crate) fn duration(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Duration> {
    if let Item::Integer(literal) | Item::Float(literal) = &node.item {
        out.push(
            Diagnostic::new(codes::QUANTITY, node.span.clone(), format!("`{key}` has no unit"))
                .expected("a time with its unit: us, ms, s, min or h")
                .suggest(node.span.clone(), format!("\"{literal} ms\""), "if milliseconds are meant"),
        );
        return None;
    }
    let text = value::text(node, key, out)?;
    let found = parse(&text.value).filter(|time| *time <= LONGEST);
    if found.is_none() {
        let wrong = Diagnostic::new(codes::QUANTITY, node.span.clone(), format!("`{key}` is not a time"))
            .expected("a number, a blank and us, ms, s, min or h, at most 24 h: \"2.5 ms\"");
        out.push(match spaced(&text.value) {
            Some(mended) => wrong.suggest(node.span.clone(), format!("\"{mended}\""), "the same with its blank"),
            None => wrong,
        });
    }
    found
}

/// `30ms` as it is to be written.
fn spaced(text: &str) -> Option<String> {
    let unit = text.find(|c: char| c.is_ascii_alphabetic())?;
    let mended = format!("{} {}", text.get(..unit)?, text.get(unit..)?);
    parse(&mended).filter(|time| *time <= LONGEST).map(|_| mended)
}

fn parse(text: &str) -> Option<Duration> {
    let (number, unit) = text.split_once(' ')?;
    let (_, scale) = UNITS.iter().find(|(name, _)| *name == unit)?;
    let (whole, part) = number.split_once('.').unwrap_or((number, "0"));
    let digits = |text: &str| !text.is_empty() && text.len() <= 12 && text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(whole) || !digits(part) {
        return None;
    }
    let decimals = 10_u128.checked_pow(u32::try_from(part.len()).ok()?)?;
    let scaled = (whole.parse::<u128>().ok()? * decimals + part.parse::<u128>().ok()?) * scale;
    let nanos = u64::try_from(scaled / decimals).ok()?;
    scaled.is_multiple_of(decimals).then(|| Duration::from_nanos(nanos))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_blank_that_is_missing_is_put_in() {
        assert_eq!(spaced("30ms").as_deref(), Some("30 ms"));
        assert_eq!(spaced("1500us").as_deref(), Some("1500 us"));
        assert_eq!((spaced("5sec"), spaced("30  ms"), spaced("ms")), (None, None, None));
    }

    #[test]
    fn a_time_is_exact_or_refused() {
        assert_eq!(parse("2.5 ms"), Some(Duration::from_micros(2500)));
        assert_eq!(parse("0 ms"), Some(Duration::ZERO));
        assert_eq!(parse("1 min"), Some(Duration::from_secs(60)));
        for wrong in ["2.5ms", "2,5 ms", "ms", "5 sec", "-1 s", "1. s", "0.0000001 us", "999999999999 h"] {
            assert_eq!(parse(wrong).filter(|time| *time <= LONGEST), None, "{wrong}");
        }
    }
}
