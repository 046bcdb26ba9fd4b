//! Looking things up by name: a wrong name is answered with the nearest ones.

use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::fmt;

use crate::compiled::Definition;
use crate::value::ChannelId;

/// A name that the definition does not have: the caller's mistake.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UnknownName {
    /// What was looked for: `channel`, `session`.
    pub kind: &'static str,
    /// The name asked for.
    pub name: String,
    /// The definition that was asked.
    pub definition: String,
    /// Names like it, the nearest first; at most three.
    pub nearest: Vec<String>,
    /// If none is like it: the first names that there are, at most three.
    pub others: Vec<String>,
}

impl UnknownName {
    /// Finds the names nearest to `name` among `known`.
    pub fn among<'a>(
        kind: &'static str,
        name: &str,
        definition: &Definition,
        known: impl Iterator<Item = &'a str> + Clone,
    ) -> Self {
        let others = known.clone().take(3).map(ToString::to_string);
        let mut near: Vec<(usize, &str)> = known
            .map(|candidate| (distance(name, candidate), candidate))
            .filter(|(far, candidate)| *far <= name.len().max(candidate.len()).div_ceil(2))
            .collect();
        near.sort();
        let nearest: Vec<String> = near.into_iter().take(3).map(|(_, candidate)| candidate.to_string()).collect();
        let others = if nearest.is_empty() { others.collect() } else { Vec::new() };
        Self { kind, name: name.to_string(), definition: definition.id.to_string(), nearest, others }
    }
}

impl fmt::Display for UnknownName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "caller: definition '{}' has no {} '{}'", self.definition, self.kind, self.name)?;
        let (names, what) = match self.nearest.len() {
            0 => (&self.others, "it has, among others,"),
            1 => (&self.nearest, "the nearest name is"),
            _ => (&self.nearest, "the nearest names are"),
        };
        match names.split_first() {
            None => write!(f, "; it has none"),
            Some((first, rest)) => {
                write!(f, "; {what} '{first}'")?;
                rest.iter().try_for_each(|name| write!(f, ", '{name}'"))
            }
        }
    }
}

impl core::error::Error for UnknownName {}

impl Definition {
    /// The channel with this full name (`engine_speed`, `knock_retard.1`).
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if there is no such channel.
    pub fn channel(&self, name: &str) -> Result<ChannelId, UnknownName> {
        self.channel_id(name).ok_or_else(|| self.unknown_channel(name))
    }

    /// The channel with this name, or all elements of the array with this name, in stored order.
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if there is neither.
    pub fn channels_named(&self, name: &str) -> Result<Vec<ChannelId>, UnknownName> {
        if let Some(array) = self.arrays.iter().find(|array| array.name == name) {
            let first = array.first.0;
            return Ok((0..array.elements.len()).map(|i| ChannelId(first.saturating_add(i as u16))).collect());
        }
        self.channel(name).map(|channel| alloc::vec![channel])
    }

    /// The place of the session with this name.
    ///
    /// # Errors
    /// [`UnknownName`] with the nearest names if there is no such session.
    pub fn session(&self, name: &str) -> Result<u16, UnknownName> {
        match self.sessions.iter().position(|session| session.name == name) {
            Some(place) => Ok(place as u16),
            None => Err(UnknownName::among("session", name, self, self.sessions.iter().map(|s| &*s.name))),
        }
    }

    fn unknown_channel(&self, name: &str) -> UnknownName {
        let known = self.channels.iter().map(|n| &**n).chain(self.arrays.iter().map(|array| &*array.name));
        UnknownName::among("channel", name, self, known)
    }
}

/// Insertions, deletions and replacements that turn `a` into `b` (Levenshtein), counted in bytes.
fn distance(a: &str, b: &str) -> usize {
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.bytes().enumerate() {
        let mut above_left = i;
        let mut left = i + 1;
        for (cell, y) in row.iter_mut().skip(1).zip(b.bytes()) {
            let best = (above_left + usize::from(x != y)).min(left + 1).min(*cell + 1);
            above_left = *cell;
            *cell = best;
            left = best;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(all(test, feature = "std"))]
mod tests {
    use super::*;

    #[test]
    fn a_name_like_no_other_is_answered_with_some_that_there_are() {
        let text = "edition = 1\n[definition]\nid = \"x\"\ntitle = \"x\"\nrevision = \"1\"\nsource = \"x\"\n";
        let definition = Definition::parse(text, "x.toml").unwrap();
        let told = |name: &str, known: &[&str]| {
            UnknownName::among("session", name, &definition, known.iter().copied()).to_string()
        };
        assert!(told("quick", &["fast", "slow"]).ends_with("it has, among others, 'fast', 'slow'"));
        assert!(told("fats", &["fast"]).ends_with("the nearest name is 'fast'"));
        assert!(told("fast", &[]).ends_with("it has none"));
    }

    /// Worked examples known everywhere: kitten to sitting is 3, saturday to sunday is 3 (from memory).
    #[test]
    fn distance_counts_insertions_deletions_and_replacements() {
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("saturday", "sunday"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("abc", ""), 3);
        assert_eq!(distance("coolant", "coolant"), 0);
    }
}
