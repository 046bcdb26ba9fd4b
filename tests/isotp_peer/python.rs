//! The Python at the other end: an environment with pinned packages, made once and found again.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use serde_json::Value;

const PACKAGES: [&str; 2] = ["can-isotp==2.0.7", "python-can[serial]==4.6.1"];

/// Python with can-isotp and python-can.
pub(crate) fn python() -> &'static Path {
    static PYTHON: OnceLock<PathBuf> = OnceLock::new();
    PYTHON.get_or_init(|| {
        let place = Path::new(env!("CARGO_TARGET_TMPDIR")).join("python-isotp-2.0.7-can-4.6.1");
        let (python, made) = (place.join("bin/python"), place.join("made"));
        if !made.exists() {
            let venv = "python3 with its module venv is needed (Debian: apt-get install python3-venv)";
            run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&place), venv);
            let pip = "pip must reach the Python package index once";
            run(
                Command::new(&python)
                    .args(["-m", "pip", "install", "-q", "--disable-pip-version-check"])
                    .args(PACKAGES),
                pip,
            );
            std::fs::write(&made, "").unwrap_or_else(|error| panic!("{}: {error}", made.display()));
        }
        python
    })
}

fn run(command: &mut Command, needs: &str) {
    let done = command.status();
    assert!(done.as_ref().is_ok_and(|status| status.success()), "{command:?}: {done:?}; {needs}");
}

/// What the script of ours with this name says, a line of JSON each.
pub(crate) fn says(script: &str, arguments: &[&str]) -> Vec<Value> {
    let path = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/peers")).join(script);
    let output = Command::new(python())
        .arg(&path)
        .args(arguments)
        .stderr(Stdio::inherit())
        .output()
        .unwrap_or_else(|error| panic!("{script}: {error}"));
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{script} ended with {}; it had said:\n{text}", output.status);
    text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"))).collect()
}
