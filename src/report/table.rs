//! The verdict on a terminal, readable in ten seconds at 80 columns.

use std::io::{self, Write};

use chrono::{DateTime, TimeDelta, Utc};

use super::groups::{self, Group};
use super::words;
use crate::judge::Judgement;
use crate::ride::Trace;
use crate::verdict::{CheckVerdict, MatchFacts, Outcome, PhaseVerdict, Verdict};

/// Whether the terminal takes colour. It never carries meaning: every outcome is also a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    Colour,
    Plain,
}

const WIDTH: usize = 80;
/// Room of the outcome (the rare `not applicable` takes more) and of the phase.
const OUTCOME_WIDTH: usize = 10;
const PHASE_WIDTH: usize = 25;

/// Writes verdict, reasons, phases, contrasts, whole ride, findings, deviations and cautions.
///
/// # Errors
/// Those of `out`.
pub fn write(verdict: &Verdict, out: &mut impl Write, style: Style) -> io::Result<()> {
    let mut table = Table { out, style };
    table.head(verdict)?;
    for group in groups::groups(verdict).iter().filter(|g| g.is_scored()) {
        table.group(group)?;
    }
    for (name, checks) in [("Contrast", &verdict.contrasts), ("Whole ride", &verdict.whole_ride)] {
        for check in checks {
            let label = check.contrast.as_deref().map_or_else(|| name.to_owned(), |c| words::capital(&words::phase(c)));
            // Without a protocol nothing was asked, so nothing is passed or failed, nor fails to apply.
            let compared = check.limit.is_none() && check.value.is_some();
            let word = compared.then_some("compared");
            table.row(word, check.verdict, check.required || compared, &label, &[check])?;
        }
    }
    table.findings(verdict)?;
    table.list("To decide what is undecided", &remedies(verdict))?;
    table.list("Deviations", &verdict.deviations)?;
    table.list("Cautions", &verdict.cautions)
}

/// Writes the whole ride in order of time: what each stretch was taken for, on what grounds and what came second; then
/// what was not found, with the nearest stretch.
///
/// # Errors
/// Those of `out`.
pub fn assignment(judgement: &Judgement, out: &mut impl Write) -> io::Result<()> {
    let (verdict, ride) = (&judgement.verdict, &judgement.ride);
    let Some(reference) = ride.references.first().map(|r| &r.trace) else { return Ok(()) };
    let mut table = Table { out, style: Style::Plain };
    writeln!(table.out, "\nHow the ride was read (UTC by the clock of {}, power its mean)", safe(&reference.label))?;
    let clock = |at_s: f64| (ride.start + TimeDelta::seconds(at_s.round() as i64)).format("%H:%M:%S").to_string();
    let seconds = |at: DateTime<Utc>| (at - ride.start).as_seconds_f64();
    let mut line = |(from_s, to_s): (f64, f64), what: &str, notes: &[String]| -> io::Result<()> {
        let mean = match mean_w(reference, from_s, to_s) {
            Some(power_w) => format!("{power_w:.0} W"),
            None => "no power".to_owned(),
        };
        let head = format!("  {} to {}  {:>8}  ", clock(from_s), clock(to_s), mean);
        let beneath = " ".repeat(head.len() + 2);
        table.wrapped(&head, &beneath, what)?;
        notes.iter().try_for_each(|note| table.wrapped(&beneath, &beneath, note))
    };
    let mut found: Vec<(&PhaseVerdict, &MatchFacts)> =
        verdict.phases.iter().filter_map(|p| Some((p, p.matched.as_ref()?))).collect();
    found.sort_by_key(|(_, matched)| matched.start);
    let (mut now_s, mut last) = (0.0, None);
    for (phase, matched) in found {
        let span = (seconds(matched.start), seconds(matched.end));
        if span.0 - now_s >= 1.0 {
            let between = last == Some(&phase.phase);
            line((now_s, span.0), if between { "between repeats" } else { NOT_ASKED_FOR }, &[])?;
        }
        (now_s, last) = (span.1.max(now_s), Some(&phase.phase));
        let ring = matched.ring.as_ref().map(|r| format!(", {r} ring")).unwrap_or_default();
        let surplus = if phase.surplus { ", surplus" } else { "" };
        let name = words::capital(&words::phase(&phase.phase));
        let what = format!("{name}, repeat {}{surplus}{ring}", phase.repeat);
        let sure = words::probability(matched.confidence);
        let mut notes = vec![format!("by {}; confidence {sure}", matched.rests_on.join(", "))];
        if matched.moves.len() > 1 {
            let borders: Vec<String> = matched.moves.iter().map(|m| clock(seconds(m.start))).collect();
            notes.push(format!("its moves begin at {}", borders.join(", ")));
        }
        notes.extend(matched.runner_up.iter().map(|second| format!("runner-up: {}", words::sentence(second))));
        notes.extend(matched.deviations.iter().map(|d| words::sentence(d)));
        line(span, &what, &notes)?;
    }
    let end_s = ride.length_s as f64;
    if end_s - now_s >= 1.0 {
        line((now_s, end_s), NOT_ASKED_FOR, &[])?;
    }
    let missing = verdict.phases.iter().filter(|p| p.matched.is_none() && p.verdict == Outcome::NotRidden);
    let missing = missing.map(|p| {
        let name = words::capital(&words::phase(&p.phase));
        format!("{name}, repeat {}: {}", p.repeat, p.reason.as_deref().unwrap_or("no reason is known"))
    });
    table.list("Not found", &missing.collect::<Vec<_>>())
}

const NOT_ASKED_FOR: &str = "no part of the protocol";

/// Mean power of a trace's samples from a session time to before another, W.
fn mean_w(trace: &Trace, from_s: f64, to_s: f64) -> Option<f64> {
    let times = trace.time_s.iter().zip(&trace.power_w);
    let known: Vec<f64> = times.filter(|(t, _)| (from_s..to_s).contains(*t)).filter_map(|(_, w)| *w).collect();
    crate::stats::mean(&known)
}

struct Table<'w, W: Write> {
    out: &'w mut W,
    style: Style,
}

impl<W: Write> Table<'_, W> {
    fn head(&mut self, verdict: &Verdict) -> io::Result<()> {
        let word = verdict.verdict.map_or("ADVISORY".to_owned(), |v| v.word().to_uppercase());
        let title = match &verdict.protocol {
            Some(p) => format!("{}, revision {}", p.title, p.revision),
            None => "whole ride compared, no protocol".to_owned(),
        };
        let painted = self.paint(&word, verdict.verdict);
        let rest = format!("{} · {title} · sheet {}", verdict.unit.label, verdict.sheet_number);
        let indent = word.chars().count() + 2;
        let lines = wrap(&rest, WIDTH - indent);
        writeln!(self.out, "{painted}  {}", lines[0])?;
        for line in &lines[1..] {
            writeln!(self.out, "{:indent$}{line}", "")?;
        }
        for sentence in &verdict.why {
            self.wrapped("  ", "  ", &words::sentence(sentence))?;
        }
        writeln!(self.out)
    }

    fn group(&mut self, group: &Group<'_>) -> io::Result<()> {
        let label = words::capital(&words::phase(group.selector()));
        let decisive = decisive(group.checks());
        self.row(None, group.outcome(), group.required(), &label, &decisive)?;
        let reason = group.phases.iter().find_map(|p| p.reason.as_deref());
        let reason = group.repeats.and_then(|r| r.reason.as_deref()).or(reason);
        let beneath = " ".repeat(OUTCOME_WIDTH + 2);
        let reason = reason.filter(|_| decisive.is_empty() || group.outcome() != Outcome::Pass).map(words::sentence);
        let notes: Vec<String> = group.tally().into_iter().chain(reason).collect();
        if notes.is_empty() { Ok(()) } else { self.wrapped(&beneath, &beneath, &notes.join("; ")) }
    }

    /// Outcome (or another word in its place), what, and the first check; further checks on lines of their own.
    fn row(
        &mut self,
        word: Option<&str>,
        outcome: Outcome,
        required: bool,
        label: &str,
        checks: &[&CheckVerdict],
    ) -> io::Result<()> {
        let word = word.unwrap_or(if outcome == Outcome::Fail { "FAIL" } else { outcome.word() });
        let pad = " ".repeat(OUTCOME_WIDTH.saturating_sub(word.len()));
        let label = cut(&safe(&if required { label.to_owned() } else { format!("{label} (advisory)") }), PHASE_WIDTH);
        let painted = self.paint(word, Some(outcome));
        write!(self.out, "{painted}{pad}  {label}")?;
        let indent = OUTCOME_WIDTH + 2 + PHASE_WIDTH + 1;
        let mut column = OUTCOME_WIDTH + 2 + label.chars().count();
        for check in checks {
            let measure = words::plain(&check.measure);
            let value = words::value_of(check).unwrap_or_else(|| "no value".to_owned());
            let limit = words::limit(check.limit_low, check.limit_high, &check.unit)
                .map_or(String::new(), |l| format!(" ({l})"));
            let differs = if check.verdict == outcome { String::new() } else { format!(" {}", check.verdict.word()) };
            let text = cut(&safe(&format!("{measure} {value}{limit}{differs}")), WIDTH - 1);
            if column > indent {
                writeln!(self.out)?;
                column = 0;
            }
            if column + 1 + text.chars().count() > WIDTH {
                writeln!(self.out)?;
                column = 0;
            }
            // A long one keeps the line's end and gives up its column.
            let at = indent.min(WIDTH.saturating_sub(text.chars().count())).max(column + 1);
            write!(self.out, "{:1$}{text}", "", at - column)?;
            column = WIDTH;
        }
        writeln!(self.out)
    }

    fn findings(&mut self, verdict: &Verdict) -> io::Result<()> {
        if verdict.diagnosis.is_empty() {
            return Ok(());
        }
        writeln!(self.out, "\nFindings")?;
        for finding in &verdict.diagnosis {
            let size = words::quantity(finding.size, finding.expanded_uncertainty, &finding.unit);
            let says = words::sentence(&finding.says);
            self.wrapped("  - ", "    ", &format!("{} ({size}): {says}", words::pattern(&finding.pattern)))?;
            if !finding.could_also_be.is_empty() {
                self.wrapped("    could also be ", "      ", &finding.could_also_be.join(", or "))?;
            }
            if let Some(first) = words::look_first(&finding.pattern) {
                self.wrapped("    look first at ", "      ", first)?;
            }
        }
        Ok(())
    }

    fn list(&mut self, title: &str, items: &[String]) -> io::Result<()> {
        if items.is_empty() {
            return Ok(());
        }
        writeln!(self.out, "\n{title}")?;
        items.iter().try_for_each(|item| self.wrapped("  - ", "    ", &words::sentence(item)))
    }

    fn wrapped(&mut self, first: &str, then: &str, text: &str) -> io::Result<()> {
        let lines = wrap(text, WIDTH - first.len().max(then.len()));
        for (i, line) in lines.iter().enumerate() {
            writeln!(self.out, "{}{line}", if i == 0 { first } else { then })?;
        }
        Ok(())
    }

    fn paint(&self, word: &str, outcome: Option<Outcome>) -> String {
        let code = match (self.style, outcome) {
            (Style::Plain, _) => return word.to_owned(),
            (_, Some(Outcome::Pass)) => "32",
            (_, Some(Outcome::Fail)) => "1;31",
            (_, Some(Outcome::Undecided)) => "33",
            _ => "2",
        };
        format!("\x1b[{code}m{word}\x1b[0m")
    }
}

/// What would decide each required check that is undecided, or what it lacks; measures of a phase that say the same
/// stand together, as `phase, measures: remedy`.
fn remedies(verdict: &Verdict) -> Vec<String> {
    let groups = groups::groups(verdict);
    let of_phases = groups.iter().flat_map(|g| g.checks().iter().map(|c| (words::phase(g.selector()), c)));
    let across = verdict.contrasts.iter().chain(&verdict.whole_ride);
    let across = across.map(|c| (c.contrast.as_deref().map_or_else(|| "whole ride".to_owned(), words::phase), c));
    let mut said: Vec<(String, Vec<String>, &str)> = Vec::new();
    for (label, check) in of_phases.chain(across).filter(|(_, c)| c.verdict == Outcome::Undecided && c.required) {
        let Some(remedy) = check.remedy.as_deref().or(check.reason.as_deref()) else { continue };
        let measure = words::plain(&check.measure);
        match said.iter_mut().find(|(phase, _, says)| *phase == label && *says == remedy) {
            Some((_, measures, _)) => measures.push(measure),
            None => said.push((label, vec![measure], remedy)),
        }
    }
    said.iter().map(|(label, measures, remedy)| format!("{label}, {}: {remedy}", measures.join(", "))).collect()
}

/// The checks that a line names: those that failed, else those undecided, else the first that was decided.
fn decisive(checks: &[CheckVerdict]) -> Vec<&CheckVerdict> {
    for outcome in [Outcome::Fail, Outcome::Undecided] {
        let found: Vec<_> = checks.iter().filter(|c| c.verdict == outcome && c.required).collect();
        if !found.is_empty() {
            return found;
        }
    }
    checks.iter().find(|c| c.verdict == Outcome::Pass).or(checks.first()).into_iter().collect()
}

/// A label from a file can hold what moves a terminal's cursor or turns its text round.
pub(super) fn safe(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|c| if c.is_control() || turns(c) { '\u{fffd}' } else { c }).collect()
}

/// To at most `width` characters, with an ellipsis where something is lost.
pub(super) fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    text.chars().take(width - 1).chain(['…']).collect()
}

/// Lines of at most `width` characters, broken at spaces; never empty. A longer word is broken.
pub(super) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut used = 0;
    for word in safe(text).split(' ').filter(|w| !w.is_empty()) {
        let chars: Vec<char> = word.chars().collect();
        for piece in chars.chunks(width) {
            if used > 0 && used + 1 + piece.len() > width {
                lines.push(String::new());
                used = 0;
            }
            let line = lines.last_mut().expect("there is always a line");
            if used > 0 {
                line.push(' ');
                used += 1;
            }
            line.extend(piece);
            used += piece.len();
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    fn written(verdict: &Verdict, style: Style) -> String {
        let mut out = vec![];
        write(verdict, &mut out, style).unwrap();
        String::from_utf8(out).unwrap().replace('\u{a0}', " ")
    }

    #[test]
    fn the_table_says_verdict_reasons_and_findings() {
        insta::assert_snapshot!(written(&example::judgement().verdict, Style::Plain));
    }

    #[test]
    fn no_line_is_wider_than_80_columns() {
        for verdict in [example::judgement().verdict, example::hostile().verdict] {
            for line in written(&verdict, Style::Plain).lines() {
                assert!(line.chars().count() <= WIDTH, "{line}");
            }
        }
    }

    #[test]
    fn colour_adds_nothing_but_colour() {
        let verdict = example::judgement().verdict;
        let coloured = written(&verdict, Style::Colour);
        let mut stripped = String::new();
        for (i, part) in coloured.split("\x1b[").enumerate() {
            stripped.push_str(if i == 0 { part } else { part.split_once('m').unwrap().1 });
        }
        assert!(coloured.contains("\x1b[1;31m"));
        assert_eq!(stripped, written(&verdict, Style::Plain));
    }

    #[test]
    fn a_label_cannot_steer_the_terminal() {
        let text = written(&example::hostile().verdict, Style::Plain);
        assert!(!text.contains('\x1b') && !text.contains('\u{202e}'));
    }
}
