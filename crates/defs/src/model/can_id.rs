//! Identifiers of CAN frames: the number of digits says the width.

use std::format;
use std::string::String;

use tickover_framing::can::Id;

use super::{Findings, value};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Item, Node};

/// `"7E0"` or `"18DA10F1"`.
pub(crate) fn id(node: &Node, key: &str, out: &mut Findings<'_>) -> Option<Id> {
    if let Item::Integer(literal) = &node.item {
        let message = format!("`{key}` is a text: the number of its digits says how wide the identifier is");
        // Digits of a decimal number are not those of the identifier.
        out.push(wrong(node, message, literal.strip_prefix("0x").unwrap_or_default()));
        return None;
    }
    let text = value::text(node, key, out)?;
    let number = u32::from_str_radix(&text.value, 16).ok().filter(|_| is_hex(&text.value));
    let found = match (number, text.value.len()) {
        (Some(number), 3) => Id::standard(u16::try_from(number).ok()?),
        (Some(number), 8) => Id::extended(number),
        _ => {
            let message = format!("`{key}` is three or eight hex digits, not \"{}\"", text.value);
            out.push(wrong(node, message, text.value.trim_start_matches("0x")));
            return None;
        }
    };
    if found.is_none() {
        let (width, most) = match text.value.len() {
            3 => (11, "at most 7FF; eight digits if it has 29 bits"),
            _ => (29, "at most 1FFFFFFF"),
        };
        let message = format!("{} is more than an identifier of {width} bits can be", text.value);
        out.push(Diagnostic::new(codes::CAN_ID, node.span.clone(), message).expected(most));
    }
    found
}

fn is_hex(text: &str) -> bool {
    text.bytes().all(|byte| byte.is_ascii_hexdigit())
}

fn wrong(node: &Node, message: String, digits: &str) -> Diagnostic {
    let found = Diagnostic::new(codes::CAN_ID, node.span.clone(), message)
        .expected("three hex digits for 11 bits (\"7E0\"), eight for 29 bits (\"18DA10F1\")");
    let digits = digits.to_ascii_uppercase();
    let number = u32::from_str_radix(&digits, 16).unwrap_or(u32::MAX);
    match digits.len() {
        _ if !is_hex(&digits) || Id::extended(number).is_none() => found,
        1..=3 if number < 0x800 => found.suggest(node.span.clone(), format!("\"{digits:0>3}\""), "if it has 11 bits"),
        4..=8 => found.suggest(node.span.clone(), format!("\"{digits:0>8}\""), "if it has 29 bits"),
        _ => found,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a line would have to say for the identifier that stands here.
    fn suggested(item: Item) -> Option<String> {
        let mut out = Findings::new("");
        assert_eq!(id(&Node { span: 0..0, item }, "frame", &mut out), None);
        out.list.first()?.suggestion.as_ref().map(|suggestion| suggestion.text.clone())
    }

    #[test]
    fn only_what_can_be_an_identifier_is_suggested() {
        let integer = |text: &str| suggested(Item::Integer(text.into()));
        let text = |text: &str| suggested(Item::Text(text.into()));
        assert_eq!(integer("0x7E0").as_deref(), Some("\"7E0\""));
        assert_eq!(integer("2016"), None, "the digits of a decimal number are others");
        assert_eq!(integer("0x800"), None, "too much for three digits, and eight would be a guess");
        assert_eq!(text("7DFF").as_deref(), Some("\"00007DFF\""));
        assert_eq!(text("1b").as_deref(), Some("\"01B\""));
        assert_eq!(text("FFFFFFFF"), None);
        assert_eq!(text("18DA10F1F"), None);
    }
}
