//! The units of the command line as one session, and what their channels are called.

use tickover::session::{ChannelKey, Session, UnitId};

use crate::units::{Unit, Units};

impl Units {
    /// A session with these units on one line.
    pub(crate) fn session(&self) -> Result<Session, String> {
        let (first, others) = self.0.split_first().ok_or("a definition is missing: --definition FILE")?;
        let session = Session::new(first.definition.clone()).named(&first.name);
        let session =
            others.iter().fold(session, |session, unit| session?.with_unit(&unit.name, unit.definition.clone()));
        session.map_err(|error| error.to_string())
    }

    pub(crate) fn get(&self, id: UnitId) -> Option<&Unit> {
        self.0.get(usize::from(id.0))
    }

    /// `engine_speed`, or `gearbox:engine_speed` where there are several units.
    pub(crate) fn channel_name(&self, key: ChannelKey) -> String {
        let Some(unit) = self.get(key.unit) else { return "?".into() };
        let name = unit.definition.channel_name(key.channel);
        if self.only().is_some() { name.to_owned() } else { format!("{}:{name}", unit.name) }
    }

    /// Titles of the definitions: what is on the line.
    pub(crate) fn title(&self) -> String {
        self.0.iter().map(|unit| &*unit.definition.title).collect::<Vec<_>>().join(" and ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_units_of_one_k_line_are_refused() {
        let source = |name| format!("{}/../defs/{name}.toml", env!("CARGO_MANIFEST_DIR")).parse().unwrap();
        let units = Units::load(&[source("bramble-40"), source("thistle-9")]).unwrap();
        let sentence = units.session().unwrap_err();
        assert!(sentence.contains("a K-line, which carries one conversation"), "{sentence}");
    }
}
