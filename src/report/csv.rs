//! The verdict as a table for spreadsheets and scripts: one line per check.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::text::cell as text;
use crate::verdict::{CheckOf, CheckVerdict, Outcome, PhaseVerdict, PlacedCheck, Verdict};

/// One line; numbers are those of the JSON, digit by digit, and empty where the JSON has null.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    pub sheet_number: String,
    pub session_verdict: Option<Outcome>,
    pub unit_under_test: String,
    pub firmware: Option<String>,
    pub protocol: Option<String>,
    pub revision: Option<String>,
    pub session_start: DateTime<Utc>,
    /// The phase's selector, the contrast's name or `whole ride`.
    pub phase: String,
    /// `ride` for one ride of a phase, `mean` over its repeats, `contrast` or `whole ride`.
    pub of: String,
    /// Empty for what is not one ride of a phase.
    pub repeat: Option<u32>,
    pub surplus: bool,
    /// Empty where the phase was not ridden.
    pub measure: Option<String>,
    pub value: Option<f64>,
    /// Of value, uncertainty and limits.
    pub unit: Option<String>,
    pub expanded_uncertainty: Option<f64>,
    pub coverage_factor: Option<f64>,
    /// As written.
    pub limit: Option<String>,
    pub limit_low: Option<f64>,
    pub limit_high: Option<f64>,
    pub conformance_probability: Option<f64>,
    pub verdict: Outcome,
    /// The check and its phase count towards the session's verdict.
    pub required: bool,
    /// The value is only a bound: at least this much.
    pub censored: bool,
    pub reason: Option<String>,
}

/// A line of names, then one for each check in the JSON's order, and one for each ride that was asked for and not
/// ridden. What is no number stands in quotes; text that a spreadsheet would run begins with an apostrophe.
///
/// # Errors
/// Of what it is written to.
pub fn write(verdict: &Verdict, out: impl std::io::Write) -> Result<(), csv::Error> {
    let mut writer = csv::WriterBuilder::new().quote_style(csv::QuoteStyle::NonNumeric).from_writer(out);
    for line in lines(verdict) {
        writer.serialize(line)?;
    }
    Ok(writer.flush()?)
}

fn lines(verdict: &Verdict) -> Vec<Line> {
    let missing = |phase: &&PhaseVerdict| phase.verdict.is_missing() && phase.checks.is_empty();
    let rides = verdict.checks().filter(|placed| matches!(placed.of, CheckOf::Ride(_)));
    let across = verdict.checks().filter(|placed| !matches!(placed.of, CheckOf::Ride(_)));
    let of_rides = rides.map(|placed| of_check(verdict, &placed));
    let not_ridden = verdict.phases.iter().filter(missing).map(|phase| of_missing(verdict, phase));
    of_rides.chain(not_ridden).chain(across.map(|placed| of_check(verdict, &placed))).collect()
}

fn of_check(verdict: &Verdict, placed: &PlacedCheck<'_>) -> Line {
    let CheckVerdict { value, expanded_uncertainty, coverage_factor, limit_low, limit_high, .. } = *placed.check;
    let of = match placed.of {
        CheckOf::Ride(_) => "ride",
        CheckOf::Mean(_) => "mean",
        CheckOf::Contrast => "contrast",
        CheckOf::WholeRide => "whole ride",
    };
    Line {
        repeat: placed.repeat(),
        surplus: placed.surplus(),
        measure: Some(text(&placed.check.measure)),
        value,
        unit: Some(text(&placed.check.unit)),
        expanded_uncertainty,
        coverage_factor,
        limit: optional(&placed.check.limit),
        limit_low,
        limit_high,
        conformance_probability: placed.check.conformance_probability,
        censored: placed.check.censored,
        reason: optional(&placed.check.reason),
        ..line(verdict, placed.label(), of, placed.check.verdict, placed.required())
    }
}

fn of_missing(verdict: &Verdict, phase: &PhaseVerdict) -> Line {
    let line = line(verdict, &phase.phase, "ride", phase.verdict, phase.required);
    Line { repeat: Some(phase.repeat), surplus: phase.surplus, reason: optional(&phase.reason), ..line }
}

/// What every line has; the rest is empty.
fn line(verdict: &Verdict, phase: &str, of: &str, outcome: Outcome, required: bool) -> Line {
    Line {
        sheet_number: text(&verdict.sheet_number),
        session_verdict: verdict.verdict,
        unit_under_test: text(&verdict.unit.label),
        firmware: optional(&verdict.unit.firmware),
        protocol: verdict.protocol.as_ref().map(|protocol| text(&protocol.title)),
        revision: verdict.protocol.as_ref().map(|protocol| text(&protocol.revision)),
        session_start: verdict.session.start,
        phase: text(phase),
        of: of.to_owned(),
        repeat: None,
        surplus: false,
        measure: None,
        value: None,
        unit: None,
        expanded_uncertainty: None,
        coverage_factor: None,
        limit: None,
        limit_low: None,
        limit_high: None,
        conformance_probability: None,
        verdict: outcome,
        required,
        censored: false,
        reason: None,
    }
}

fn optional(raw: &Option<String>) -> Option<String> {
    raw.as_deref().map(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    fn written(verdict: &Verdict) -> String {
        let mut bytes = vec![];
        write(verdict, &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    fn read(text: &str) -> Vec<Line> {
        csv::Reader::from_reader(text.as_bytes()).deserialize().map(Result::unwrap).collect()
    }

    #[test]
    fn every_check_is_a_line_with_the_numbers_of_the_json() {
        let verdict = example::judgement().verdict;
        let lines = read(&written(&verdict));
        let checks: Vec<&Line> = lines.iter().filter(|line| line.measure.is_some()).collect();
        assert_eq!(checks.len(), verdict.checks().count());
        for (line, placed) in checks.iter().zip(verdict.checks()) {
            let check = placed.check;
            assert_eq!((line.phase.as_str(), line.repeat), (placed.label(), placed.repeat()));
            assert_eq!(line.measure.as_ref(), Some(&check.measure));
            assert_eq!((line.value, line.expanded_uncertainty), (check.value, check.expanded_uncertainty));
            assert_eq!((line.limit_low, line.limit_high), (check.limit_low, check.limit_high));
            assert_eq!((line.verdict, &line.reason), (check.verdict, &check.reason));
        }
    }

    #[test]
    fn what_was_not_ridden_has_a_line_that_says_why() {
        let lines = read(&written(&example::judgement().verdict));
        let missing: Vec<&Line> = lines.iter().filter(|line| line.verdict == Outcome::NotRidden).collect();
        assert_eq!(missing.len(), 1);
        assert_eq!((missing[0].phase.as_str(), missing[0].repeat), ("soft-pedalling", Some(4)));
        assert!(missing[0].required && missing[0].measure.is_none() && missing[0].reason.is_some());
    }

    #[test]
    fn text_that_a_spreadsheet_would_run_begins_with_an_apostrophe_and_numbers_stay_numbers() {
        let mut verdict = example::judgement().verdict;
        verdict.unit.label = "=HYPERLINK(\"file:///\")".into();
        verdict.unit.firmware = Some("\t@SUM(1)\n2".into());
        verdict.phases[1].phase = "-2+3; \"x\"".into();
        let text = written(&verdict);
        let line = text.lines().nth(1).unwrap();
        assert!(line.contains(",\"'=HYPERLINK(\"\"file:///\"\")\",\"'\u{fffd}@SUM(1)\u{fffd}2\","), "{line}");
        assert!(line.contains(",\"'-2+3; \"\"x\"\"\","), "{line}");
        assert_eq!(text.lines().count(), 1 + read(&text).len(), "a line each");
        let value = verdict.phases[1].checks[0].value.unwrap();
        assert!(value < 0.0 && line.contains(&format!(",{value},\"W\"")), "{line}");
    }
}
