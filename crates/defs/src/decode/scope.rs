//! What an expression can ask of the world around it.

use super::Counted;
use crate::value::{ChannelId, Invalid, Value};

/// What is known of other channels while an expression is evaluated.
pub trait Scope {
    /// The latest value of a channel, in its unit.
    ///
    /// # Errors
    /// Why there is none. The expression becomes invalid with the channel's name, except for
    /// [`Invalid::InputTooOld`], which passes through.
    fn latest(&self, channel: ChannelId) -> Result<&Value, Invalid>;

    /// False once the unit has said that it does not have this channel.
    fn supported(&self, channel: ChannelId) -> bool {
        let _ = channel;
        true
    }

    /// Change per second between the channel's last two readings.
    ///
    /// # Errors
    /// [`Invalid::NoRate`] until there are two, or why there is none.
    fn rate(&self, channel: ChannelId) -> Result<f64, Invalid> {
        let _ = channel;
        Err(Invalid::NoRate)
    }

    /// How far a channel with a total has counted; `None`: this reading is its first.
    fn counted(&self, channel: ChannelId) -> Option<Counted> {
        let _ = channel;
        None
    }
}

/// A scope in which nothing has been read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Nothing;

impl Scope for Nothing {
    fn latest(&self, _channel: ChannelId) -> Result<&Value, Invalid> {
        Err(Invalid::NoReading)
    }
}
