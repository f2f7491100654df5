//! A verdict beside the truth, on a terminal.

use std::io::{self, Write};

use crate::against_truth::{ComparedPhase, ComparedValue, Coverage, Found, TruthComparison, TruthCounts};
use crate::text::{cut, safe, wrap};
use crate::verdict::Outcome;
use crate::words;

const WIDTH: usize = 80;
/// Indented by two, beside the value, the truth and what comes of it.
const LABEL_WIDTH: usize = 20;
const VALUE_WIDTH: usize = 18;
/// Of a fault as written.
const FAULT_WIDTH: usize = 28;

/// Writes phases with their checks, what lies across phases, clocks, faults and counts.
///
/// # Errors
/// Those of `out`.
pub fn write(comparison: &TruthComparison, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "\nBeside the truth (seed {})", comparison.seed)?;
    for phase in &comparison.phases {
        heading(out, &label(phase), &place(&phase.found))?;
        phase.checks.iter().try_for_each(|check| value(out, check))?;
    }
    for (what, values) in &comparison.across {
        heading(out, &words::capital(&words::phase(what)), "")?;
        values.iter().try_for_each(|check| value(out, check))?;
    }
    if !comparison.clocks.is_empty() {
        heading(out, "Clocks", "")?;
    }
    for clock in &comparison.clocks {
        let expanded_s = clock.expanded_uncertainty_s;
        let offset = words::quantity(clock.offset_s, Some(expanded_s), "s");
        let truth = words::number(clock.truth_s, words::decimals_for(expanded_s));
        row(out, &clock.instrument, &offset, &format!("{truth} s"), inside(clock.inside()))?;
    }
    if !comparison.faults.is_empty() || !comparison.also_named.is_empty() {
        heading(out, "Faults", "")?;
    }
    for fault in &comparison.faults {
        let says = match (&fault.pattern, fault.named) {
            (Some(pattern), true) => format!("named, as {}", words::pattern(pattern)),
            (Some(pattern), false) => format!("NOT named ({})", words::pattern(pattern)),
            (None, _) => "no pattern is meant for it".to_owned(),
        };
        line(out, &format!("  {:<FAULT_WIDTH$} {says}", cut(&safe(&fault.fault), FAULT_WIDTH)))?;
    }
    for pattern in &comparison.also_named {
        line(out, &format!("  {:<FAULT_WIDTH$} NAMED, though not injected", words::pattern(pattern)))?;
    }
    let wrong: Vec<_> = comparison.premises.iter().filter(|premise| !premise.told_rightly()).collect();
    if !wrong.is_empty() {
        heading(out, "Premises", "")?;
    }
    for premise in wrong {
        let says =
            if premise.truly_broken { "NOT contradicted, though broken" } else { "CONTRADICTED, though it holds" };
        line(out, &format!("  {:<FAULT_WIDTH$} {says}", premise.premise))?;
    }
    sum(&comparison.sum(), out)
}

/// Writes the counts of one session, or of several added up.
///
/// # Errors
/// Those of `out`.
pub fn sum(sum: &TruthCounts, out: &mut impl Write) -> io::Result<()> {
    let title = if sum.sessions == 1 { "Sum".to_owned() } else { format!("Sum of {} sessions", sum.sessions) };
    writeln!(out, "\n{title}")?;
    let seconds = |s: f64| words::number(s, 1);
    let elsewhere = match sum.found_but_not_ridden {
        0 => String::new(),
        n => format!(", {n} FOUND where none was ridden"),
    };
    let mut say = |name: &str, text: String| {
        let lines = wrap(&text, WIDTH - 12);
        lines.iter().enumerate().try_for_each(|(i, text)| {
            let name = if i == 0 { name } else { "" };
            writeln!(out, "  {name:<9} {text}")
        })
    };
    say(
        "phases",
        format!(
            "{} of {} found{elsewhere}; scored ones start within {} s, end within {} s; rings {} right, {} wrong",
            sum.found,
            sum.ridden,
            seconds(sum.worst_start_s),
            seconds(sum.worst_end_s),
            sum.rings_right,
            sum.rings_wrong
        ),
    )?;
    if let Some(Coverage { share, low, high }) = sum.coverage() {
        let pct = |share: f64| words::number(share * 100.0, 1);
        say(
            "values",
            format!(
                "{} of {} hold the truth within ± U: {} % (95 % interval {}…{} %, as if independent)",
                sum.inside,
                sum.with_uncertainty,
                pct(share),
                pct(low),
                pct(high)
            ),
        )?;
    }
    say(
        "verdicts",
        format!(
            "passed: {} rightly, {} falsely; failed: {} rightly, {} falsely; undecided: {}",
            sum.passed_rightly, sum.passed_wrongly, sum.failed_rightly, sum.failed_wrongly, sum.undecided
        ),
    )?;
    say("clocks", format!("{} of {} hold the truth within ± U", sum.clocks_inside, sum.clocks))?;
    say("faults", format!("{} of {} named; named though not injected: {}", sum.named, sum.to_name, sum.also_named))?;
    say(
        "premises",
        format!(
            "{} told rightly; contradicted though they hold: {}; broken and not seen: {}",
            sum.premises_right, sum.premises_doubted, sum.premises_missed
        ),
    )
}

fn label(phase: &ComparedPhase) -> String {
    let name = words::capital(&words::phase(&phase.phase));
    if phase.repeat > 1 { format!("{name} {}", phase.repeat) } else { name }
}

fn place(found: &Found) -> String {
    match found {
        Found::At { start_off_s, end_off_s, ring_right } => {
            let ring = match ring_right {
                Some(true) => ", ring right",
                Some(false) => ", ring WRONG",
                None => "",
            };
            let [start, end] = [start_off_s, end_off_s].map(|s| signed(*s));
            format!("starts {start} s, ends {end} s{ring}")
        }
        Found::Missed => "NOT found".to_owned(),
        Found::NotRidden => "FOUND where none was ridden".to_owned(),
        Found::Typed => String::new(),
    }
}

fn signed(value: f64) -> String {
    let text = words::number(value, 1);
    if text.starts_with('−') || value < 0.05 { text } else { format!("+{text}") }
}

fn heading(out: &mut impl Write, label: &str, says: &str) -> io::Result<()> {
    let room = WIDTH.saturating_sub(says.chars().count() + 1);
    let label = cut(&safe(label), room);
    line(
        out,
        &format!(
            "{label:<0$}{says}",
            if says.is_empty() { 0 } else { (LABEL_WIDTH + VALUE_WIDTH - 10).max(label.chars().count() + 1) }
        ),
    )
}

fn value(out: &mut impl Write, check: &ComparedValue) -> io::Result<()> {
    let quoted = words::value(check.value, check.expanded_uncertainty, &check.unit, check.censored);
    let quoted = quoted.unwrap_or_else(|| check.verdict.word().to_owned());
    let truth = check.truth.map(|truth| {
        let number = match check.expanded_uncertainty.filter(|expanded| *expanded > 0.0) {
            Some(expanded) => words::number(truth, words::decimals_for(expanded)),
            None => words::plain_number(truth),
        };
        let bound = if check.truth_at_least { "at least " } else { "" };
        format!("{bound}{number} {}", check.unit)
    });
    let wrongly = match (check.decided_rightly(), check.verdict) {
        (Some(false), Outcome::Pass) => "FALSE PASS",
        (Some(false), _) => "FALSE FAIL",
        _ => "",
    };
    let inside = check.inside().map_or("", inside);
    let comes = [inside, wrongly].into_iter().filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
    row(out, &words::plain(&check.measure), &quoted, truth.as_deref().unwrap_or("–"), &comes)
}

fn inside(inside: bool) -> &'static str {
    if inside { "inside" } else { "OUTSIDE" }
}

fn row(out: &mut impl Write, label: &str, value: &str, truth: &str, comes: &str) -> io::Result<()> {
    let label = cut(&safe(label), LABEL_WIDTH);
    line(out, &format!("  {label:<LABEL_WIDTH$} {value:<VALUE_WIDTH$} truly {:<12} {comes}", truth.trim_end()))
}

fn line(out: &mut impl Write, text: &str) -> io::Result<()> {
    writeln!(out, "{}", cut(text.trim_end(), WIDTH))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::against_truth::{ComparedClock, ComparedFault};

    fn compared(value: f64, expanded: Option<f64>, truth: Option<f64>, verdict: Outcome) -> ComparedValue {
        ComparedValue {
            measure: "mean_error".to_owned(),
            value: Some(value),
            unit: "%".to_owned(),
            expanded_uncertainty: expanded,
            coverage_factor: expanded.map(|_| 2.0),
            censored: false,
            truth,
            truth_at_least: false,
            verdict,
            limit: (Some(-3.0), Some(3.0)),
        }
    }

    fn comparison() -> TruthComparison {
        let phase =
            |phase: &str, repeat, found, checks| ComparedPhase { phase: phase.to_owned(), repeat, found, checks };
        let at = |start_off_s, end_off_s, ring_right| Found::At { start_off_s, end_off_s, ring_right };
        let lost = ComparedValue {
            measure: "dropout_time".to_owned(),
            unit: "s".to_owned(),
            limit: (Some(0.0), Some(0.0)),
            ..compared(0.0, None, Some(2.3), Outcome::Pass)
        };
        let bound = ComparedValue {
            measure: "cadence_release_lag".to_owned(),
            unit: "s".to_owned(),
            censored: true,
            truth_at_least: true,
            limit: (None, Some(2.0)),
            ..compared(7.4, None, Some(7.62), Outcome::Fail)
        };
        let unknown = ComparedValue { value: None, ..compared(0.0, None, None, Outcome::Undecided) };
        let first = vec![compared(-0.31, Some(1.12), Some(-0.5), Outcome::Pass), lost];
        let steady = "steady[ring=small, power=120 W]";
        TruthComparison {
            seed: 7,
            phases: vec![
                phase(steady, 1, at(0.43, -1.26, Some(true)), first),
                phase(
                    "standing-sprints",
                    2,
                    at(0.0, 0.02, Some(false)),
                    vec![
                        compared(2.1, Some(0.4), Some(3.2), Outcome::Pass),
                        compared(4.4, Some(0.4), Some(2.9), Outcome::Fail),
                    ],
                ),
                phase("coast-and-restart", 1, at(0.1, 0.1, None), vec![bound, unknown]),
                phase("standing-sprints", 3, Found::Missed, vec![]),
                phase("a-phase-with-a-long-name[ring=small, power=120 W]", 1, Found::NotRidden, vec![]),
            ],
            across: vec![("whole ride".to_owned(), vec![compared(0.2, Some(0.9), Some(0.1), Outcome::Pass)])],
            clocks: vec![ComparedClock {
                instrument: "unit 017".to_owned(),
                offset_s: -2.131,
                expanded_uncertainty_s: 0.24,
                truth_s: -2.204,
            }],
            faults: ["gain", "offset"]
                .map(|pattern| ComparedFault {
                    fault: format!("{pattern}=3"),
                    pattern: Some(pattern.to_owned()),
                    named: pattern == "gain",
                })
                .into(),
            premises: vec![],
            also_named: vec!["drift".to_owned()],
        }
    }

    fn written(write: impl Fn(&mut Vec<u8>) -> io::Result<()>) -> String {
        let mut out = vec![];
        write(&mut out).unwrap();
        String::from_utf8(out).unwrap().replace('\u{a0}', " ")
    }

    #[test]
    fn phases_values_clocks_and_faults_stand_beside_the_truth() {
        insta::assert_snapshot!(written(|out| write(&comparison(), out)));
    }

    #[test]
    fn no_line_is_wider_than_80_columns_and_sessions_add_up() {
        let mut two = comparison().sum();
        two += comparison().sum();
        let text = written(|out| write(&comparison(), out)) + &written(|out| sum(&two, out));
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
        assert!(text.contains("Sum of 2 sessions\n  phases    6 of 8 found, 2 FOUND"), "{text}");
        assert!(text.contains("values    4 of 8 hold"), "{text}");
    }
}
