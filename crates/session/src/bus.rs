//! The CAN bus that a session's units share: its speed and its condition.

use tickover_defs::compiled::Can;
use tickover_framing::Instant;
use tickover_framing::can::Condition;
use tickover_framing::contract::{Lost, Speed};

use crate::conversation::Conversation;
use crate::machine::Session;
use crate::notes;

/// The bus as the session knows it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) enum Bus {
    /// No connection, or a K-line, whose transport looks after it.
    #[default]
    Closed,
    /// The speed is being set.
    Setting {
        wanted: Speed,
    },
    Up,
}

impl Bus {
    /// Opens the bus of this line; gives the speed to set.
    pub(crate) fn begin(&mut self, line: &Can) -> Speed {
        let wanted = Speed::Can { bit_rate: line.bit_rate, data_rate: line.data_rate, listen_only: false };
        *self = Self::Setting { wanted };
        wanted
    }

    pub(crate) fn close(&mut self) {
        *self = Self::Closed;
    }

    pub(crate) fn is_open(self) -> bool {
        self != Self::Closed
    }
}

impl Session {
    /// The port was asked for the bus's speed: with another one nobody is asked anything.
    pub(crate) fn bus_speed_is(&mut self, at: Instant, got: Option<Speed>) {
        let Bus::Setting { wanted } = self.bus else { return };
        let told = rates(got);
        if told.is_some() && told != rates(Some(wanted)) {
            self.note(notes::speed(at, wanted, got));
            return self.end_bus(at);
        }
        if told.is_none() {
            self.note(notes::speed_not_told(at, wanted));
        }
        self.bus = Bus::Up;
        let reach = self.reach;
        self.conversations_mut().for_each(|conversation| conversation.connect(at, reach));
    }

    pub(crate) fn bus_says(&mut self, _at: Instant, _condition: Condition) {}

    /// The port is gone: said once, whatever the number of units.
    pub(crate) fn bus_lost(&mut self, at: Instant, cause: Lost) {
        self.note(notes::lost(at, cause));
        self.end_bus(at);
    }

    fn end_bus(&mut self, at: Instant) {
        self.bus.close();
        self.conversations_mut().for_each(|conversation: &mut Conversation| conversation.end_connection(at));
    }
}

/// Bit rate and data rate.
fn rates(speed: Option<Speed>) -> Option<(u32, Option<u32>)> {
    match speed? {
        Speed::Can { bit_rate, data_rate, .. } => Some((bit_rate, data_rate)),
        Speed::Serial { .. } => None,
    }
}
