//! Checks definition files: every mistake with its place, the text underlined, what was expected, what to write.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Parser;
use tickover::defs::check::{self, Count, Outcome};
use tickover::defs::diagnostic::Severity;

/// Checks definition files and runs the vectors in them.
///
/// Exit status: 0 clean (warnings are allowed), 1 a file has mistakes or cannot be read.
#[derive(Parser, Debug)]
#[command(name = "check")]
struct Options {
    /// Definition files [default: all of the folder defs].
    files: Vec<PathBuf>,
    /// Prints one line of JSON per file: its findings with line, column, bytes and suggestions.
    #[arg(long, conflicts_with = "short")]
    json: bool,
    /// Prints one line per finding.
    #[arg(long)]
    short: bool,
}

fn main() -> ExitCode {
    let mut out = anstream::AutoStream::auto(io::stdout().lock());
    match run(&Options::parse(), &mut out) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        // Whoever read us has gone.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::FAILURE,
        Err(error) => {
            let _ = writeln!(anstream::stderr(), "output: {error}");
            ExitCode::FAILURE
        }
    }
}

/// Whether every file is clean.
fn run(options: &Options, out: &mut impl Write) -> io::Result<bool> {
    let files = if options.files.is_empty() { shipped(Path::new("defs")) } else { options.files.clone() };
    if files.is_empty() {
        writeln!(anstream::stderr(), "there is no definition in the folder defs; name the files to check")?;
        return Ok(false);
    }
    let mut clean = true;
    for file in files {
        let outcome = check::file(&file);
        clean &= outcome.report.is_clean();
        show(&outcome, options, out)?;
    }
    Ok(clean)
}

fn show(outcome: &Outcome, options: &Options, out: &mut impl Write) -> io::Result<()> {
    let report = &outcome.report;
    if options.json {
        return writeln!(out, "{}", serde_json::to_string(outcome)?);
    }
    let findings = if options.short { report.short() } else { report.styled() };
    out.write_all(findings.as_bytes())?;
    let count = |severity| report.diagnostics().iter().filter(|finding| finding.severity == severity).count();
    let word = if report.is_clean() { "clean" } else { "not usable" };
    let counted = |severity, word: &str| match count(severity) {
        1 => format!("1 {word}"),
        many => format!("{many} {word}s"),
    };
    let mistakes = counted(Severity::Mistake, "mistake");
    let (warnings, notes) = (counted(Severity::Warning, "warning"), counted(Severity::Note, "note"));
    let Count { run, held } = outcome.vectors;
    writeln!(out, "{}: {word}: {mistakes}, {warnings}, {notes}; {held} of {run} checks hold", report.name())
}

/// The definitions of a folder, by name.
fn shipped(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut files: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|end| end == "toml")).collect();
    files.sort();
    files
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    fn options(json: bool, short: bool, file: PathBuf) -> Options {
        Options { files: vec![file], json, short }
    }

    /// What `check` prints for a text, and whether it is clean. The file's stem is the definition's id.
    fn checked(text: &str, json: bool, short: bool) -> (bool, String) {
        let folder = std::env::temp_dir().join(format!("tickover-check-{}-{json}-{short}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let file = folder.join("sample-1.toml");
        fs::write(&file, text).unwrap();
        let mut out = Vec::new();
        let clean = run(&options(json, short, file), &mut out).unwrap();
        fs::remove_dir_all(&folder).unwrap();
        (clean, String::from_utf8(out).unwrap().replace(&*folder.to_string_lossy(), "DIR"))
    }

    const WRONG: &str = "edition = 1\n\n[definition]\nid = \"sample-1\"\ntitel = \"Sample\"\n";

    #[test]
    fn the_command_line_is_consistent() {
        Options::command().debug_assert();
    }

    #[test]
    fn the_shipped_definitions_are_clean() {
        let files = shipped(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../defs"));
        assert!(files.len() >= 2);
        for file in files {
            let mut out = Vec::new();
            let clean = run(&options(false, true, file), &mut out).unwrap();
            assert!(clean, "{}", String::from_utf8_lossy(&out));
        }
    }

    #[test]
    fn a_mistake_is_shown_with_file_line_and_column() {
        let (clean, out) = checked(WRONG, false, true);
        assert!(!clean);
        assert!(out.contains("DIR/sample-1.toml:5:1: mistake["), "{out}");
    }

    #[test]
    fn json_has_one_line_a_file() {
        let (clean, out) = checked(WRONG, true, false);
        assert!(!clean);
        let json: serde_json::Value = serde_json::from_str(out.trim_end()).unwrap();
        let places = json["diagnostics"].as_array().unwrap().iter().map(|finding| &finding["place"]["line"]);
        assert!(places.into_iter().any(|line| line == 5), "{json}");
    }

    #[test]
    fn a_file_that_does_not_exist_is_not_clean() {
        assert!(!run(&options(false, false, PathBuf::from("no/such/file.toml")), &mut Vec::new()).unwrap());
    }
}
