//! What a survey found, for people and for programs.

use std::fmt;
use std::path::PathBuf;

use serde_json::{Value as Json, json};
use tickover::Definition;
use tickover::defs::compiled::{Array, Every, Origin};
use tickover::defs::{ChannelId, Reading, Value};
use tickover::session::survey::{Answers, Findings, Fit, Outcome};

/// Findings with what their numbers stand for.
#[derive(Debug)]
pub(crate) struct Report<'a> {
    /// As the survey was given them, with their files.
    pub(crate) definitions: &'a [(PathBuf, Definition)],
    pub(crate) findings: &'a Findings,
    /// The port as the command line names it; `None`: the built-in bench.
    pub(crate) port: Option<&'a str>,
}

/// A line of text is filled up to here.
const WIDTH: usize = 110;
const INDENT: &str = "  ";

impl fmt::Display for Report<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.findings.bus {
            None => {}
            Some(Ok(started)) => writeln!(f, "{started}\n")?,
            Some(Err(not_started)) => writeln!(f, "{not_started}; {}\n", not_started.advice())?,
        }
        for fit in &self.findings.fits {
            writeln!(f, "{fit}")?;
            if let (Outcome::Answers(answers), Some((_, definition))) = (&fit.outcome, self.of(fit)) {
                self.answers(f, definition, answers)?;
            }
        }
        match self.findings.best() {
            Some(best) => self.next_step(f, best),
            None => writeln!(f, "\nno definition fits"),
        }
    }
}

impl Report<'_> {
    fn of(&self, fit: &Fit) -> Option<&(PathBuf, Definition)> {
        self.definitions.get(fit.definition)
    }

    fn answers(&self, f: &mut fmt::Formatter<'_>, definition: &Definition, answers: &Answers) -> fmt::Result {
        for reading in answers.readings.iter().filter(|reading| identifies(definition, reading)) {
            let name = definition.channel_name(reading.channel);
            writeln!(f, "{INDENT}{name:<14} {}", text_of(reading))?;
        }
        for note in &answers.misfits {
            writeln!(f, "{INDENT}{note}")?;
        }
        let measured: Vec<ChannelId> = measured(definition, answers).collect();
        fill(f, &format!("{} channels:", measured.len()), &names(definition, &measured))?;
        if !measured.is_empty() {
            let millis = answers.response_time.as_secs_f64() * 1e3;
            writeln!(f, "{INDENT}answers after {millis:.1} ms; all as fast as possible: {}", answers.prediction)?;
        }
        Ok(())
    }

    /// What to type next.
    fn next_step(&self, f: &mut fmt::Formatter<'_>, best: &Fit) -> fmt::Result {
        let Some((file, _)) = self.of(best) else { return Ok(()) };
        let port = self.port.map(|port| format!(" --port {port}")).unwrap_or_default();
        writeln!(f, "\nfits best: {}; to log it: log --definition {}{port}", best.id, file.display())
    }

    /// The same for programs.
    pub(crate) fn to_json(&self) -> Json {
        let bus = match &self.findings.bus {
            None => Json::Null,
            Some(Ok(started)) => json!({
                "started": true,
                "bit_rate": started.bit_rate,
                "responders": started.responders.iter().map(|path| path.response.id().to_string()).collect::<Vec<_>>(),
                "text": started.to_string(),
            }),
            Some(Err(not_started)) => json!({
                "started": false,
                "bit_rate": not_started.bit_rate,
                "text": format!("{not_started}; {}", not_started.advice()),
            }),
        };
        let fits: Vec<Json> = self.findings.fits.iter().map(|fit| self.fit_json(fit)).collect();
        json!({ "bus": bus, "fits": fits, "best": self.findings.best().map(|fit| &fit.id) })
    }

    fn fit_json(&self, fit: &Fit) -> Json {
        let mut out = json!({
            "definition": fit.id,
            "file": self.of(fit).map(|(file, _)| file.display().to_string()),
            "response_id": fit.path.map(|path| path.response.id().to_string()),
            "fits": fit.fits(),
            "text": fit.to_string(),
        });
        if let (Outcome::Answers(answers), Some((_, definition)), Some(map)) =
            (&fit.outcome, self.of(fit), out.as_object_mut())
        {
            let identity = answers.readings.iter().filter(|reading| identifies(definition, reading));
            let identity = identity.map(|reading| (definition.channel_name(reading.channel), json!(text_of(reading))));
            map.insert("variant".into(), json!(answers.variant));
            map.insert("identity".into(), identity.map(|(name, text)| (name.to_owned(), text)).collect());
            let channels: Vec<&str> = measured(definition, answers).map(|id| definition.channel_name(id)).collect();
            map.insert("channels".into(), json!(channels));
            map.insert("response_time".into(), json!(answers.response_time.as_secs_f64()));
            map.insert("responses_per_second".into(), json!(answers.prediction.per_second));
        }
        out
    }
}

/// Channels that can be logged: those that were read, without what only identifies.
fn measured<'a>(definition: &'a Definition, answers: &'a Answers) -> impl Iterator<Item = ChannelId> + 'a {
    let read = answers.readings.iter().filter(|reading| !identifies(definition, reading));
    read.map(|reading| reading.channel).filter(|id| !answers.unsupported.contains(id))
}

/// Names in order; an array of which everything is there by its own name.
fn names(definition: &Definition, channels: &[ChannelId]) -> Vec<String> {
    let mut names = Vec::new();
    for id in channels {
        let range = |array: &&Array| (array.first.0..array.first.0 + array.elements.len() as u16).contains(&id.0);
        let whole =
            |array: &&Array| (0..array.elements.len()).all(|n| channels.contains(&ChannelId(array.first.0 + n as u16)));
        match definition.arrays.iter().find(range).filter(whole) {
            Some(array) if array.first == *id => names.push(format!("{} ({})", array.name, array.elements.len())),
            Some(_) => {}
            None => names.push(definition.channel_name(*id).to_owned()),
        }
    }
    names
}

/// What is read once says who a unit is.
fn identifies(definition: &Definition, reading: &Reading) -> bool {
    let mut layouts =
        std::iter::once(&definition.base).chain(definition.variants.iter().map(|variant| &variant.layout));
    let found = layouts.find_map(|layout| Some((layout, layout.channel(reading.channel)?)));
    found.is_some_and(|(layout, channel)| match &channel.origin {
        Origin::Field { record, .. } | Origin::Parts { record, .. } => {
            layout.record(*record).is_some_and(|record| record.every == Every::Once)
        }
        Origin::Derived => false,
    })
}

fn text_of(reading: &Reading) -> String {
    match &reading.value {
        Ok(Value::Number(number)) => {
            let unit = reading.unit.map(|unit| unit.symbol()).unwrap_or_default();
            format!("{number:.*} {unit}", usize::from(reading.decimals)).trim_end().to_owned()
        }
        Ok(Value::Text(text)) => text.to_string(),
        Err(reason) => format!("({reason})"),
    }
}

/// Names after a heading, in lines of the same width.
fn fill(f: &mut fmt::Formatter<'_>, heading: &str, names: &[String]) -> fmt::Result {
    let mut line = format!("{INDENT}{heading}");
    for (place, name) in names.iter().enumerate() {
        let end = if place + 1 < names.len() { "," } else { "" };
        if line.len() + name.len() + 2 > WIDTH {
            writeln!(f, "{line}")?;
            line = format!("{INDENT}{INDENT}{name}{end}");
        } else {
            line = format!("{line} {name}{end}");
        }
    }
    writeln!(f, "{line}")
}
