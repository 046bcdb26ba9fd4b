//! The units of a session and their names.

use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::{String, ToString};

use tickover_defs::compiled::{Can, Line};
use tickover_defs::{Definition, UnknownName};
use tickover_framing::can::Id;

use crate::conversation::Conversation;
use crate::machine::Session;
use crate::{ChannelKey, UnitId};

/// Units that one session holds at most.
const UNITS_MOST: usize = 64;

/// Why a unit cannot join a session: the caller's mistake, or one of a definition.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum UnitError {
    /// A name with which no channel could be written.
    #[error("caller: '{name}' cannot name a unit; a name is at least one character, without ':' and blanks")]
    Name {
        /// The name.
        name: String,
    },
    /// The name is taken.
    #[error("caller: two units are named '{name}'; give each a name of its own")]
    SameName {
        /// The name.
        name: String,
    },
    /// More than a session holds.
    #[error("caller: a session holds at most {most} units; open a second session on another port")]
    TooMany {
        /// How many it holds.
        most: usize,
    },
    /// Nothing says how to reach the unit.
    #[error(
        "definition: '{definition}' has no [line], so its unit is on no bus; use one that extends it and has a line"
    )]
    NoLine {
        /// The definition's id.
        definition: String,
    },
    /// A K-line carries one conversation.
    #[error(
        "caller: '{definition}' is reached over a K-line, which carries one conversation; open a session of its own \
         for it"
    )]
    KLine {
        /// The definition's id.
        definition: String,
    },
    /// The buses run at different speeds.
    #[error(
        "caller: '{definition}' expects a bus at {found}, the session's runs at {expected}; one bus has one bit rate, \
         so one of the definitions is for another bus"
    )]
    BitRate {
        /// The definition's id.
        definition: String,
        /// Its bus.
        found: String,
        /// The session's.
        expected: String,
    },
    /// Answers of two units could not be told apart.
    #[error("caller: '{first}' and '{second}' both answer with identifier {id}; two units on one bus never do")]
    SameResponse {
        /// Name of the unit that is there.
        first: String,
        /// Name of the unit that joins.
        second: String,
        /// The identifier in hex.
        id: String,
    },
}

impl Session {
    /// Gives the first unit another name than its definition's id.
    ///
    /// # Errors
    /// [`UnitError`]: the name has a `:` or a blank in it, is empty or taken.
    pub fn named(mut self, name: &str) -> Result<Self, UnitError> {
        if name != self.first.name {
            self.check_name(name)?;
            name.clone_into(&mut self.first.name);
        }
        Ok(self)
    }

    /// Adds a unit on the same CAN bus under a name.
    ///
    /// # Errors
    /// [`UnitError`]: the name does not serve or is taken; one of the definitions has no line or is for a K-line;
    /// they differ in their bit rates; two units answer with the same identifier; there are too many.
    pub fn with_unit(mut self, name: &str, definition: Definition) -> Result<Self, UnitError> {
        self.check_name(name)?;
        let place = u8::try_from(self.unit_count()).ok().filter(|place| usize::from(*place) < UNITS_MOST);
        let id = UnitId(place.ok_or(UnitError::TooMany { most: UNITS_MOST })?);
        let ours = can_line(&self.first.unit.definition)?;
        let theirs = can_line(&definition)?;
        if (ours.bit_rate, ours.data_rate) != (theirs.bit_rate, theirs.data_rate) {
            return Err(UnitError::BitRate {
                definition: definition.id.to_string(),
                found: say_rate(theirs),
                expected: say_rate(ours),
            });
        }
        for other in self.conversations() {
            if let Some(id) = can_line(&other.unit.definition).ok().and_then(|other| same_response(other, theirs)) {
                let (first, second) = (other.name.clone(), name.to_owned());
                return Err(UnitError::SameResponse { first, second, id: id.to_string() });
            }
        }
        self.others.push(Conversation::new(id, name.to_owned(), definition));
        Ok(self)
    }

    /// The definition of the first unit.
    pub fn definition(&self) -> &Definition {
        &self.first.unit.definition
    }

    /// The definition of a unit.
    pub fn definition_of(&self, unit: UnitId) -> Option<&Definition> {
        self.conversation(unit).map(|conversation| &conversation.unit.definition)
    }

    /// The units and their names, in the order in which they were added.
    pub fn units(&self) -> impl Iterator<Item = (UnitId, &str)> {
        self.conversations().map(|conversation| (conversation.id, &*conversation.name))
    }

    /// The unit with this name.
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if there is none.
    pub fn unit(&self, name: &str) -> Result<UnitId, UnknownName> {
        let found = self.units().find(|(_, other)| *other == name).map(|(id, _)| id);
        found.ok_or_else(|| {
            let names = self.conversations().map(|conversation| &*conversation.name);
            UnknownName::among("unit", name, self.definition(), names)
        })
    }

    /// The channel with this name: `oil`, or with several units `gearbox:oil`.
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if there is no such unit, or its definition has no such channel.
    pub fn channel(&self, name: &str) -> Result<ChannelKey, UnknownName> {
        let (unit, name) = self.split_name(name)?;
        let conversation = self.conversation(unit).unwrap_or(&self.first);
        Ok(ChannelKey { unit, channel: conversation.unit.definition.channel(name)? })
    }

    /// A channel as people write it: `oil`, or with several units `gearbox:oil`.
    pub fn channel_name(&self, channel: impl Into<ChannelKey>) -> String {
        let ChannelKey { unit, channel } = channel.into();
        let Some(conversation) = self.conversation(unit) else { return "?".to_owned() };
        let name = conversation.unit.definition.channel_name(channel);
        if self.others.is_empty() { name.to_owned() } else { format!("{}:{name}", conversation.name) }
    }

    /// The unit that a name speaks of and the rest of it. With one unit everything is of that.
    pub(crate) fn split_name<'a>(&self, name: &'a str) -> Result<(UnitId, &'a str), UnknownName> {
        match name.split_once(':') {
            Some((unit, rest)) => Ok((self.unit(unit)?, rest)),
            None if self.others.is_empty() => Ok((UnitId::FIRST, name)),
            None => Err(self.unit_missing(name)),
        }
    }

    /// A bare name among several units: where it could be found.
    fn unit_missing(&self, name: &str) -> UnknownName {
        let with = |unit: &&Conversation| unit.unit.definition.channel_id(name).is_some();
        let nearest = self.conversations().filter(with).take(3).map(|unit| format!("{}:{name}", unit.name)).collect();
        let others = self.conversations().take(3).map(|unit| format!("{}:..", unit.name)).collect();
        UnknownName {
            kind: "unit for",
            name: name.to_owned(),
            definition: self.definition().id.to_string(),
            nearest,
            others,
        }
    }

    fn check_name(&self, name: &str) -> Result<(), UnitError> {
        if name.is_empty() || name.contains(|c: char| c == ':' || c.is_whitespace()) {
            return Err(UnitError::Name { name: name.to_owned() });
        }
        if self.units().any(|(_, other)| other == name) {
            return Err(UnitError::SameName { name: name.to_owned() });
        }
        Ok(())
    }

    pub(crate) fn unit_count(&self) -> usize {
        1 + self.others.len()
    }

    pub(crate) fn conversations(&self) -> impl Iterator<Item = &Conversation> + Clone {
        core::iter::once(&self.first).chain(&self.others)
    }

    pub(crate) fn conversations_mut(&mut self) -> impl Iterator<Item = &mut Conversation> {
        core::iter::once(&mut self.first).chain(&mut self.others)
    }

    pub(crate) fn conversation(&self, unit: UnitId) -> Option<&Conversation> {
        self.conversations().nth(unit.place())
    }

    pub(crate) fn conversation_mut(&mut self, unit: UnitId) -> Option<&mut Conversation> {
        self.conversations_mut().nth(unit.place())
    }
}

fn can_line(definition: &Definition) -> Result<&Can, UnitError> {
    match &definition.line {
        Some(Line::Can(can)) => Ok(can),
        Some(_) => Err(UnitError::KLine { definition: definition.id.to_string() }),
        None => Err(UnitError::NoLine { definition: definition.id.to_string() }),
    }
}

fn say_rate(can: &Can) -> String {
    let bit_rate = can.bit_rate;
    can.data_rate.map_or_else(|| format!("{bit_rate} bit/s"), |data| format!("{bit_rate} bit/s, data {data} bit/s"))
}

/// The identifier with which both units answer, if nothing behind it tells them apart.
fn same_response(a: &Can, b: &Can) -> Option<Id> {
    let (a, b) = (a.unit?.path.response, b.unit?.path.response);
    a.collides_with(b).then(|| b.id())
}
