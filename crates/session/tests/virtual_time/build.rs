//! Small definitions, built by hand.

use std::borrow::Cow;
use std::time::Duration;

use tickover_defs::compiled::line::Services;
use tickover_defs::compiled::{
    Channel, Coding, Conversion, Every, Expr, Field, KLine, KeepAlive, Layout, Line, Node, Origin, Pattern,
    PatternByte, Read, Record, SessionState, Step, Template, TemplatePart, Variant,
};
use tickover_defs::{ChannelId, Definition, RecordId};
use tickover_framing::kline;

/// The unit's and the tester's address in all these tests.
pub(crate) const UNIT: u8 = 0x1C;
pub(crate) const TESTER: u8 = 0xF1;

/// A definition under construction.
pub(crate) struct Build {
    pub(crate) definition: Definition,
}

impl Build {
    /// ISO 14230 at 10 400 Bd with fast initialisation, no keep-alive, nothing to read.
    pub(crate) fn new() -> Self {
        let line = KLine {
            line: kline::Line::iso14230(UNIT, TESTER),
            services: Some(Services::Iso14230),
            keep_alive: None,
            effects: Cow::Borrowed(&[]),
            refusal: None,
        };
        let base = Layout {
            records: Cow::Owned(Vec::new()),
            channels: Cow::Owned(Vec::new()),
            curves: Cow::Borrowed(&[]),
            groups: Cow::Borrowed(&[]),
            faults: None,
            procedures: Cow::Borrowed(&[]),
            several: Cow::Borrowed(&[]),
        };
        let definition = Definition {
            id: "test".into(),
            title: "Test".into(),
            revision: "1".into(),
            source: "invented".into(),
            line: Some(Line::KLine(line)),
            sessions: Cow::Borrowed(&[]),
            channels: Cow::Owned(Vec::new()),
            arrays: Cow::Borrowed(&[]),
            records: Cow::Owned(Vec::new()),
            base,
            variants: Cow::Borrowed(&[]),
        };
        Self { definition }
    }

    pub(crate) fn line(mut self, change: impl FnOnce(&mut KLine)) -> Self {
        if let Some(Line::KLine(line)) = &mut self.definition.line {
            change(line);
        }
        self
    }

    pub(crate) fn keep_alive(self, every: Duration) -> Self {
        self.line(|line| {
            line.keep_alive = Some(KeepAlive { send: Cow::Borrowed(&[0x3E]), expect: Some(pattern(&[0x7E])), every });
        })
    }

    /// A record by local identifier with this many data bytes.
    pub(crate) fn record(self, name: &'static str, id: u8, length: u16) -> Self {
        self.record_of(name, &[0x21, id], &[0x61, id], (length, length))
    }

    pub(crate) fn record_of(mut self, name: &'static str, request: &[u8], answer: &[u8], length: (u16, u16)) -> Self {
        let id = RecordId(self.definition.records.len() as u16);
        self.definition.records.to_mut().push(name.into());
        self.definition.base.records.to_mut().push(Some(Record {
            id,
            read: Read::Request,
            request: Template(request.iter().map(|byte| TemplatePart::Byte(*byte)).collect()),
            answer: pattern(answer),
            length,
            reserved: Cow::Borrowed(&[]),
            every: Every::Wanted,
            session: None,
            frame: None,
            channels: Cow::Owned(Vec::new()),
        }));
        self
    }

    /// Changes the last record.
    pub(crate) fn but(mut self, change: impl FnOnce(&mut Record)) -> Self {
        if let Some(Some(record)) = self.definition.base.records.to_mut().last_mut() {
            change(record);
        }
        self
    }

    /// An unsigned byte of the last record.
    pub(crate) fn byte(self, name: &'static str, at: u16) -> Self {
        self.channel(name, at, 1, Coding::Unsigned)
    }

    /// Text of the last record.
    pub(crate) fn text(self, name: &'static str, at: u16, length: u16) -> Self {
        self.channel(name, at, length, Coding::Ascii)
    }

    fn channel(mut self, name: &'static str, at: u16, length: u16, coding: Coding) -> Self {
        let id = ChannelId(self.definition.channels.len() as u16);
        let record = RecordId(self.definition.records.len() as u16 - 1);
        let bytes = (at..at + length).collect();
        let width = if coding == Coding::Ascii { 0 } else { 8 * length as u8 };
        let field = Field { bytes, coding, low_bit: 0, width };
        let mut channel = bare(id, name, Origin::Field { record, field });
        if coding == Coding::Ascii {
            channel.conversion = Conversion::None;
        }
        self.push(name, channel);
        self.but(|record| record.channels.to_mut().push(id))
    }

    /// A derived channel.
    pub(crate) fn derived(
        mut self,
        name: &'static str,
        inputs: &[&str],
        nodes: impl FnOnce(&dyn Fn(&str) -> ChannelId) -> Vec<Node>,
    ) -> Self {
        let id = ChannelId(self.definition.channels.len() as u16);
        let mut channel = bare(id, name, Origin::Derived);
        let find = |name: &str| self.definition.channel(name).unwrap();
        channel.inputs = inputs.iter().map(|name| find(name)).collect();
        channel.conversion = Conversion::Expr(Expr { nodes: nodes(&find).into() });
        self.push(name, channel);
        self
    }

    fn push(&mut self, name: &'static str, channel: Channel) {
        self.definition.channels.to_mut().push(name.into());
        self.definition.base.channels.to_mut().push(Some(channel));
    }

    /// Changes the last channel.
    pub(crate) fn channel_but(mut self, change: impl FnOnce(&mut Channel)) -> Self {
        if let Some(Some(channel)) = self.definition.base.channels.to_mut().last_mut() {
            change(channel);
        }
        self
    }

    /// A variant whose condition holds when a text channel says this.
    pub(crate) fn variant(
        mut self,
        name: &'static str,
        channel: &str,
        text: &'static str,
        change: impl FnOnce(&mut Layout),
    ) -> Self {
        use tickover_defs::compiled::{Binary, NodeId};
        let id = self.definition.channel(channel).unwrap();
        let nodes = vec![Node::Channel(id), Node::Text(text.into()), Node::Binary(Binary::Equal, NodeId(0), NodeId(1))];
        let mut layout = self.definition.base.clone();
        change(&mut layout);
        self.definition.variants.to_mut().push(Variant {
            name: name.into(),
            when: Expr { nodes: nodes.into() },
            layout,
        });
        self
    }

    /// A session entered with `10 86`, on the line as `change` makes it.
    pub(crate) fn session(mut self, name: &'static str, change: impl FnOnce(&mut KLine)) -> Self {
        let Some(Line::KLine(mut line)) = self.definition.line.clone() else { unreachable!() };
        change(&mut line);
        let step = Step::Send { send: Cow::Borrowed(&[0x10, 0x86]), expect: pattern(&[0x50, 0x86]), within: None };
        let state = SessionState { name: name.into(), enter: vec![step].into(), line: Line::KLine(line) };
        self.definition.sessions.to_mut().push(state);
        self
    }

    pub(crate) fn id(&self, name: &str) -> ChannelId {
        self.definition.channel(name).unwrap()
    }
}

fn bare(id: ChannelId, name: &'static str, origin: Origin) -> Channel {
    Channel {
        id,
        name: name.into(),
        label: name.into(),
        quantity: None,
        reference: None,
        origin,
        when: None,
        invalid: Cow::Borrowed(&[]),
        states: Cow::Borrowed(&[]),
        conversion: Conversion::Identity,
        unit: None,
        range: None,
        decimals: 0,
        max_age: None,
        inputs: Cow::Borrowed(&[]),
        total: None,
        sent: None,
    }
}

pub(crate) fn pattern(bytes: &[u8]) -> Pattern {
    Pattern(bytes.iter().map(|byte| PatternByte::Is(*byte)).collect())
}
