//! The compiled form: a definition as plain data, complete and checked.
//!
//! It is built by the compiler (feature `std`), or written by `emit` as a Rust `static`, which is how a
//! microcontroller gets one. Everything is `Cow`, so both look the same to a session.

pub mod channel;
pub mod expr;
pub mod frame;
pub mod line;
pub mod record;
pub mod service;

use alloc::borrow::Cow;

pub use channel::{
    Affine, Between, Channel, Code, Coding, Conversion, Curve, Field, Origin, Outside, Part, Sent, SentOutside, State,
    Total,
};
pub use expr::{Binary, Expr, Function, Node, NodeId, Unary};
pub use frame::{ChecksumMethod, Counter, Direction, FrameChecksum, FrameRules};
pub use line::{Can, CanUnit, KLine, KeepAlive, Line, Refusal, SessionState, Start};
pub use record::{Every, Pattern, PatternByte, Place, Read, Record, Template, TemplatePart};
pub use service::{EmissionDtc, Fault, FaultRead, Faults, Group, Procedure, Several, SeveralOf, StatusCoding, Step};

pub use crate::unit::UnitCode;
use crate::value::{ChannelId, RecordId};

/// Text that is either compiled in or owned.
pub type Text = Cow<'static, str>;
/// A list that is either compiled in or owned.
pub type List<T> = Cow<'static, [T]>;

/// Everything known about one control unit.
#[derive(Clone, PartialEq, Debug)]
pub struct Definition {
    /// The file's stem.
    pub id: Text,
    /// For people.
    pub title: Text,
    /// Of the definition.
    pub revision: Text,
    /// Where the facts come from.
    pub source: Text,
    /// How to reach the unit; `None` for a base that other definitions start from.
    pub line: Option<Line>,
    /// States that the unit can be asked into.
    pub sessions: List<SessionState>,
    /// Names of channels by [`ChannelId`]; elements of arrays are `knock_retard.1`.
    pub channels: List<Text>,
    /// Arrays among the channels.
    pub arrays: List<Array>,
    /// Names of records by [`RecordId`]. A channel that brings its own read, or stands in a memory record,
    /// is a record of its own.
    pub records: List<Text>,
    /// What holds before a variant is known, and always if there are none.
    pub base: Layout,
    /// Laid over the base; each is complete.
    pub variants: List<Variant>,
}

/// Channels that are elements of one array; their ids follow each other in stored order.
#[derive(Clone, PartialEq, Debug)]
pub struct Array {
    /// `knock_retard`.
    pub name: Text,
    /// The first element.
    pub first: ChannelId,
    /// Names of the elements in stored order; of a two-dimensional array `row.column`.
    pub elements: List<Text>,
}

/// Records, channels and services as they hold for one variant.
#[derive(Clone, PartialEq, Debug)]
pub struct Layout {
    /// By [`RecordId`]; `None`: this variant does not have it.
    pub records: List<Option<Record>>,
    /// By [`ChannelId`]; `None`: this variant does not have it.
    pub channels: List<Option<Channel>>,
    /// Conversion tables; expressions name them by place.
    pub curves: List<Curve>,
    /// Channels that belong together.
    pub groups: List<Group>,
    /// Fault codes.
    pub faults: Option<Faults>,
    /// What can be asked of the unit with a permit.
    pub procedures: List<Procedure>,
    /// Identifiers that the unit takes several of in one request.
    pub several: List<Several>,
}

/// A variant of the unit.
#[derive(Clone, PartialEq, Debug)]
pub struct Variant {
    /// Its name.
    pub name: Text,
    /// Holds for this variant; reads channels of the base.
    pub when: Expr,
    /// The base with this variant laid over it.
    pub layout: Layout,
}

impl Definition {
    /// The channel with this full name (`knock_retard.1`).
    pub fn channel_id(&self, name: &str) -> Option<ChannelId> {
        self.channels.iter().position(|n| n == name).map(|i| ChannelId(i as u16))
    }

    /// The name of a channel of this definition.
    pub fn channel_name(&self, id: ChannelId) -> &str {
        self.channels.get(usize::from(id.0)).map_or("?", |name| name)
    }

    /// The name of a record of this definition.
    pub fn record_name(&self, id: RecordId) -> &str {
        self.records.get(usize::from(id.0)).map_or("?", |name| name)
    }
}

impl Layout {
    /// The channel, if this layout has it.
    pub fn channel(&self, id: ChannelId) -> Option<&Channel> {
        self.channels.get(usize::from(id.0))?.as_ref()
    }

    /// The record, if this layout has it.
    pub fn record(&self, id: RecordId) -> Option<&Record> {
        self.records.get(usize::from(id.0))?.as_ref()
    }
}
