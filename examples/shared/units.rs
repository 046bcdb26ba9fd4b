//! Control units as the command line names them: `FILE`, or `NAME=FILE` where several share a bus.

use std::path::PathBuf;
use std::str::FromStr;

use tickover::Definition;
use tickover::session::UnitId;

/// A definition file, and the name that its unit gets.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) struct Source {
    name: Option<String>,
    file: PathBuf,
}

impl FromStr for Source {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, file) = match text.split_once('=') {
            Some((name, file)) => (Some(name.to_owned()), file),
            None => (None, text),
        };
        if file.is_empty() || name.as_deref() == Some("") {
            return Err("expected a definition file, or NAME=FILE".into());
        }
        Ok(Self { name, file: file.into() })
    }
}

/// One unit: its name and what is known about it.
#[derive(Clone, Debug)]
pub(crate) struct Unit {
    pub(crate) name: String,
    pub(crate) definition: Definition,
}

/// The units of a session, in its order.
#[derive(Clone, Debug)]
pub(crate) struct Units(pub(crate) Vec<Unit>);

impl Units {
    /// Reads the definitions. A unit without a name has its definition's id.
    pub(crate) fn load(sources: &[Source]) -> Result<Self, String> {
        let load = |source: &Source| {
            let definition = Definition::load(&source.file).map_err(|error| error.to_string())?;
            Ok(Unit { name: source.name.clone().unwrap_or_else(|| definition.id.to_string()), definition })
        };
        sources.iter().map(load).collect::<Result<_, String>>().map(Self)
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = (UnitId, &Unit)> {
        self.0.iter().enumerate().map(|(place, unit)| (UnitId(place as u8), unit))
    }

    /// The only unit, or `None` if there are several.
    pub(crate) fn only(&self) -> Option<&Unit> {
        if let [unit] = &*self.0 { Some(unit) } else { None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(text: &str) -> Source {
        let file = format!("{}/../defs/", env!("CARGO_MANIFEST_DIR"));
        text.replace("defs/", &file).parse().unwrap()
    }

    #[test]
    fn a_unit_is_named_by_its_definition_or_by_the_caller() {
        let units = Units::load(&[source("defs/bramble-40.toml"), source("other=defs/thistle-9.toml")]).unwrap();
        let names: Vec<&str> = units.iter().map(|(_, unit)| &*unit.name).collect();
        assert_eq!(names, ["bramble-40", "other"]);
    }

    #[test]
    fn what_is_no_file_is_told() {
        for wrong in ["", "=", "engine=", "=defs/bramble-40.toml"] {
            assert!(wrong.parse::<Source>().unwrap_err().contains("NAME=FILE"));
        }
        let sentence = Units::load(&["engine=no/such.toml".parse().unwrap()]).unwrap_err();
        assert!(sentence.contains("no/such.toml"), "{sentence}");
    }
}
