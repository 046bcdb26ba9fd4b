//! The command line.

use std::path::{Path, PathBuf};

use clap::Parser;
use tickover::Definition;
use tickover::defs::compiled::Line;

/// Surveys a line: which units answer, what identifies them, what they support, which definition fits, what rate to
/// expect.
///
/// It only reads, as polling does: on CAN as ISO 15765-4 begins, then each definition's records once. Exit status:
/// 0 a definition fits, 1 none does, 2 nothing could be asked.
#[derive(Parser, Debug)]
#[command(name = "survey", after_help = CAUTIONS)]
pub(crate) struct Options {
    /// Definitions that may fit [default: all of the folder defs that are for this sort of line].
    files: Vec<PathBuf>,

    /// The line: path of a serial port (/dev/ttyUSB0, COM3), can:NAME, slcan:PATH or socketcand:HOST:PORT/NAME
    /// [default: a CAN bus of the built-in bench].
    #[arg(long, value_name = "PORT")]
    pub(crate) port: Option<String>,

    /// Prints the findings as JSON; everything else goes to the error output.
    #[arg(long)]
    pub(crate) json: bool,
}

/// Shown in the help and before a real port is opened.
pub(crate) const CAUTIONS: &str = "\
Cautions: survey with the engine off and the battery on a charger, or idling in the open, clear of hot and moving \
parts; never while driving. Local law and licensed practice come first.";

impl Options {
    /// The definitions with their files, those for this sort of line first.
    pub(crate) fn definitions(&self) -> Result<Vec<(PathBuf, Definition)>, String> {
        let can = self.port.as_deref().is_none_or(is_can);
        let mut found = Vec::new();
        if self.files.is_empty() {
            // A file of the folder with a mistake in it is no hindrance.
            let loaded = shipped(Path::new("defs")).into_iter().filter_map(|file| Some((load(&file).ok()?, file)));
            found.extend(loaded.map(|(definition, file)| (file, definition)));
            found.retain(|(_, definition)| is_for(definition, can));
        }
        for file in &self.files {
            found.push((file.clone(), load(file)?));
        }
        found.sort_by_key(|(_, definition)| !is_for(definition, can));
        match found.first() {
            Some((_, definition)) if is_for(definition, can) => Ok(found),
            _ => {
                let (line, port) = if can { ("a CAN bus", "a CAN bus") } else { ("a K-line", "a serial port") };
                Err(format!(
                    "caller: none of the definitions is for {line}, and this port is {port}; name others, or another \
                     --port"
                ))
            }
        }
    }
}

fn load(file: &Path) -> Result<Definition, String> {
    Definition::load(file).map_err(|error| error.to_string())
}

/// Whether the port's name is one of a CAN bus.
fn is_can(port: &str) -> bool {
    ["can:", "slcan:", "socketcand:"].iter().any(|scheme| port.starts_with(scheme))
}

/// Whether a definition is for a CAN bus, or else for a K-line.
pub(crate) fn is_for(definition: &Definition, can: bool) -> bool {
    definition.line.as_ref().is_some_and(|line| matches!(line, Line::Can(_)) == can)
}

/// The definitions of a folder, by name.
fn shipped(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut files: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|end| end == "toml")).collect();
    files.sort();
    files
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    fn ids(arguments: &[&str]) -> Result<Vec<String>, String> {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../defs/");
        let arguments = arguments.iter().map(|argument| argument.replace("defs/", folder));
        let options = Options::parse_from(std::iter::once("survey".to_owned()).chain(arguments));
        Ok(options.definitions()?.iter().map(|(_, definition)| definition.id.to_string()).collect())
    }

    #[test]
    fn the_command_line_is_consistent() {
        Options::command().debug_assert();
    }

    #[test]
    fn definitions_for_this_sort_of_line_come_first() {
        let both = ["defs/bramble-62.toml", "defs/bramble-40.toml"];
        assert_eq!(ids(&both).unwrap(), ["bramble-62", "bramble-40"]);
        assert_eq!(ids(&[&["--port", "/dev/ttyUSB0"][..], &both].concat()).unwrap(), ["bramble-40", "bramble-62"]);
    }

    #[test]
    fn a_port_that_no_definition_is_for_is_told() {
        let sentence = ids(&["--port", "slcan:/dev/ttyACM0", "defs/bramble-40.toml"]).unwrap_err();
        assert!(sentence.contains("none of the definitions is for a CAN bus"), "{sentence}");
    }

    #[test]
    fn the_help_is_complete() {
        insta::assert_snapshot!(Options::command().render_long_help());
    }
}
