//! Surveys of lines in virtual time: which of several definitions fits what answers.

use tickover::bench::{Line, Options, Simulated};
use tickover::defs::Definition;
use tickover::framing::Instant;
use tickover::framing::drive::Port;
use tickover::framing::transport::Reach;
use tickover::session::Survey;
use tickover::session::survey::{Findings, Outcome, SurveyEvent};

use crate::virtual_line::definition;

/// Surveys a K-line on which this unit stands.
fn survey_k_line(unit: &str, definitions: &[&str]) -> Findings {
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(&definition(unit), &Options::default(), Instant::ORIGIN).expect("a unit"));
    let definitions: Vec<Definition> = definitions.iter().map(|name| definition(name)).collect();
    let mut survey = Survey::new(definitions);
    survey.begin(line.now(), line.reach());
    let findings = line.drive(&mut survey, Instant::from_nanos(120_000_000_000), |_, event| match event {
        SurveyEvent::Done(findings) => Some(findings),
        _ => None,
    });
    findings.expect("a survey ends")
}

#[test]
fn of_several_definitions_the_one_whose_unit_answers_fits() {
    let findings = survey_k_line("bramble-40", &["thistle-9", "bramble-40"]);
    assert_eq!(findings.best().map(|fit| &*fit.id), Some("bramble-40"), "{findings:?}");
    let sentences: Vec<String> = findings.fits.iter().map(ToString::to_string).collect();
    insta::assert_snapshot!(sentences.join("\n"));
    let Outcome::Answers(answers) = &findings.fits[1].outcome else { panic!("{findings:?}") };
    assert!(answers.unsupported.len() < definition("bramble-40").channels.len());
    assert!(answers.prediction.per_second > 1.0 && answers.readings.iter().any(|reading| reading.value.is_ok()));
}

#[test]
fn a_line_without_a_unit_fits_no_definition() {
    let mut line: Line<Simulated> = Line::new(Reach::IDEAL);
    let mut survey = Survey::new(vec![definition("bramble-40")]);
    survey.begin(line.now(), line.reach());
    let findings = line.drive(&mut survey, Instant::from_nanos(120_000_000_000), |_, event| match event {
        SurveyEvent::Done(findings) => Some(findings),
        _ => None,
    });
    let findings = findings.expect("a survey ends");
    assert!(findings.best().is_none() && findings.bus.is_none());
    assert!(matches!(&findings.fits[0].outcome, Outcome::Silent(Some(_))), "{findings:?}");
}
