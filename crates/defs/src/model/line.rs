//! `[line]`: how to reach the unit. A session reads it again with its own keys laid over.

use std::borrow::Cow;
use std::format;
use std::vec::Vec;

use tickover_framing::kline;
use tickover_services::Effect;

use super::{Findings, Keys, bytes, keys, time, value};
use crate::compiled::line::Services;
use crate::compiled::{Can, KLine, KeepAlive, Line, Refusal};
use crate::diagnostic::{Diagnostic, codes};
use crate::source::{Entry, Item, Node, Table};

mod can;
pub(crate) mod effects;
mod framing;
mod k_line;
mod timing;

pub(crate) use can::padding_needed;

/// What a line runs over.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Bus {
    KLine,
    Can,
}

impl Bus {
    const WORDS: [(&str, Self); 2] = [("k-line", Self::KLine), ("can", Self::Can)];

    /// As the file says, or as its keys look where it does not.
    fn of(table: &Table) -> Self {
        match table.get("type").map(|node| &node.item) {
            Some(Item::Text(text)) if text == "can" => Self::Can,
            Some(Item::Text(text)) if text == "k-line" => Self::KLine,
            _ if table.get("bit_rate").is_some() => Self::Can,
            _ => Self::KLine,
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::KLine => "a K-line",
            Self::Can => "a CAN line",
        }
    }

    const fn keys(self) -> &'static [&'static str] {
        match self {
            Self::KLine => &k_line::KEYS,
            Self::Can => &can::KEYS,
        }
    }

    /// Keys that hold whatever the session: a bus is shared with others.
    const fn fixed(self) -> &'static [&'static str] {
        match self {
            Self::KLine => &["type"],
            Self::Can => &["type", "bit_rate", "data_rate", "start"],
        }
    }

    const fn other(self) -> Self {
        match self {
            Self::KLine => Self::Can,
            Self::Can => Self::KLine,
        }
    }
}

/// The keys of a session: what it is entered with, and those of the line that it may change.
pub(crate) fn keys_of_session<'t>(own: &'t Table, line: Option<&Table>, out: &mut Findings<'_>) -> Keys<'t> {
    let bus = line.map_or(Bus::KLine, Bus::of);
    let fixed = |key: &str| bus.fixed().contains(&key);
    let mut known = Vec::from(["enter"]);
    known.extend(bus.keys().iter().filter(|key| !fixed(key)));
    let other = |entry: &Entry| {
        if !fixed(&entry.key) {
            return of_the_other(bus, &known, bus.other().keys(), entry);
        }
        let message = format!("a session cannot change `{}`", entry.key);
        Some(Diagnostic::new(codes::LINE_KEYS, entry.key_span.clone(), message).label("it holds for the whole line"))
    };
    Keys::with_others(own, "a session", &known, other, out)
}

/// What a session lays over its line.
pub(crate) fn of_session(own: &Table, line: &Table) -> Table {
    let bus = Bus::of(line);
    let mut over = own.clone();
    over.entries.retain(|entry| bus.keys().contains(&&*entry.key) && !bus.fixed().contains(&&*entry.key));
    over
}

/// Reads a line; `None` if something is wrong with it.
pub(crate) fn read(table: &Table, out: &mut Findings<'_>) -> Option<Line> {
    let bus = Bus::of(table);
    let other = |entry: &Entry| of_the_other(bus, bus.keys(), bus.other().keys(), entry);
    let keys = Keys::with_others(table, "[line]", bus.keys(), other, out);
    let kind = keys.need("type", "\"k-line\"", out).and_then(|node| value::word(node, "type", &Bus::WORDS, out));
    let line = match bus {
        Bus::KLine => k_line::read(&keys, out).map(Line::KLine),
        Bus::Can => can::read(&keys, out).map(Line::Can),
    };
    kind.and(line)
}

/// A key that lines of the other type have in the same table.
fn of_the_other(bus: Bus, known: &[&str], others: &[&str], entry: &Entry) -> Option<Diagnostic> {
    others.contains(&entry.key.as_str()).then(|| {
        let message = format!("`{}` is a key of {}, this is {}", entry.key, bus.other().name(), bus.name());
        Diagnostic::new(codes::LINE_KEYS, entry.key_span.clone(), message)
            .label("not used on this line")
            .expected(keys::list(known))
    })
}

/// The line as far as it says what requests do: services, framing, effects. `None` if that would be a guess.
///
/// Says nothing: mistakes are those of [`read`].
pub(crate) fn judge(table: &Table, text: &str) -> Option<Line> {
    let mut out = Findings::new(text);
    let services = table.get("services").and_then(|node| services(node, &mut out));
    let effects = effects::read(table.get("effects"), services, &mut out);
    let judge = match Bus::of(table) {
        Bus::KLine => {
            let (framing, _) = framing::read(table.get("framing")?, &mut out)?;
            let line = kline::Line { framing, ..kline::Line::iso14230(0, 0) };
            Line::KLine(KLine { line, services, keep_alive: None, effects: Cow::Owned(effects), refusal: None })
        }
        Bus::Can => Line::Can(Can {
            bit_rate: 0,
            data_rate: None,
            start: None,
            unit: None,
            services,
            keep_alive: None,
            effects: Cow::Owned(effects),
        }),
    };
    out.list.is_empty().then_some(judge)
}

fn services(node: &Node, out: &mut Findings<'_>) -> Option<Services> {
    let words = [("iso14230", Services::Iso14230), ("iso14229", Services::Iso14229)];
    value::word(node, "services", &words, out)
}

/// `"none"`, or what is sent; the inner option is whether there is one.
fn keep_alive(node: &Node, out: &mut Findings<'_>) -> Option<Option<KeepAlive>> {
    if node.as_table().is_none() {
        return value::word(node, "keep_alive", &[("none", ())], out).map(|()| None);
    }
    let table = value::table(node, "keep_alive", out)?;
    let keys = Keys::new(table, "`keep_alive`", &["send", "expect", "every"], &[], out);
    let send = keys.need("send", "\"3E\"", out).and_then(|node| bytes::constant(node, "send", out));
    let every = keys.need("every", "\"2 s\"", out).and_then(|node| time::duration(node, "every", out));
    let expect = keys.get("expect").map(|node| bytes::pattern(node, "expect", out));
    let expect = match expect {
        Some(read) => Some(read?),
        None => None,
    };
    if every.is_some_and(|every| every.is_zero()) {
        let span = keys.get("every").map_or_else(|| node.span.clone(), |node| node.span.clone());
        out.push(Diagnostic::new(codes::QUANTITY, span, format!("`{}` is above zero", "every")));
    }
    Some(Some(KeepAlive { send: Cow::Owned(send?), expect, every: every? }))
}

/// How a unit refuses, if it is declared.
type Refused = Option<Refusal>;
/// Effects by first byte.
type Effects = Vec<(u8, Effect)>;
