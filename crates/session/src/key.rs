//! Which unit, which of its channels.

use tickover_defs::ChannelId;

/// A control unit of a session: its place in the order in which units were added.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct UnitId(pub u8);

impl UnitId {
    /// The unit that a session is made with.
    pub const FIRST: Self = Self(0);

    pub(crate) const fn place(self) -> usize {
        self.0 as usize
    }
}

/// A channel of one of a session's units. A bare [`ChannelId`] is one of the first unit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct ChannelKey {
    /// Which unit.
    pub unit: UnitId,
    /// Which channel of its definition.
    pub channel: ChannelId,
}

impl From<ChannelId> for ChannelKey {
    fn from(channel: ChannelId) -> Self {
        Self { unit: UnitId::FIRST, channel }
    }
}
