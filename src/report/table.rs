//! The verdict on a terminal, readable in ten seconds at 80 columns.

use std::io::{self, Write};

use chrono::{DateTime, TimeDelta, Utc};

use super::groups;
use crate::judge::Judgement;
use crate::premise::Takes;
use crate::text::{cut, safe, wrap};
use crate::verdict::{CheckVerdict, Contradiction, MatchFacts, Outcome, PhaseVerdict, RepeatVerdict, Verdict};
use crate::words;

/// Whether the terminal takes colour. It never carries meaning: every outcome is also a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    Colour,
    Plain,
}

const WIDTH: usize = 80;
/// Room of the outcome with a space, and the least that a phase's name is left.
const OUTCOME_WIDTH: usize = 11;
const LEAST_LABEL_WIDTH: usize = 14;
/// What a measure, a value and a limit take at most; more is cut.
const CELL_WIDTHS: [usize; 3] = [19, 24, 14];

/// Writes verdict, reasons, a table of phases, contrasts and whole ride, what to look at first, what would decide what
/// is undecided, deviations and cautions.
///
/// # Errors
/// Those of `out`.
pub fn write(verdict: &Verdict, out: &mut impl Write, style: Style) -> io::Result<()> {
    let mut table = Table { out, style };
    table.head(verdict)?;
    table.rows(&rows(verdict))?;
    table.findings(verdict)?;
    table.list("To decide what is undecided", &remedies(verdict))?;
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
        let mean = match reference.mean_power_w(from_s, to_s) {
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
    let missing = verdict.phases.iter().filter(|p| p.matched.is_none() && p.verdict.is_missing());
    let missing = missing.map(|p| {
        let name = words::capital(&words::phase(&p.phase));
        format!("{name}, repeat {}: {}", p.repeat, p.reason.as_deref().unwrap_or("no reason is known"))
    });
    table.list("Not found", &missing.collect::<Vec<_>>())?;
    let rests_on = verdict.premises.iter().map(|premise| {
        let takes = match premise.takes() {
            Some(Takes::Nothing) => String::new(),
            _ => format!("; takes {}", premise.takes),
        };
        format!("{}, {}: {}{takes}", premise.premise, premise.state, premise.evidence)
    });
    table.list("What the verdict rests on", &rests_on.collect::<Vec<_>>())
}

const NOT_ASKED_FOR: &str = "no part of the protocol";

struct Table<'w, W: Write> {
    out: &'w mut W,
    style: Style,
}

impl<W: Write> Table<'_, W> {
    fn head(&mut self, verdict: &Verdict) -> io::Result<()> {
        let word = verdict.verdict.map_or("ADVISORY".to_owned(), |v| v.word().to_uppercase());
        let firmware = verdict.unit.firmware.as_ref().map(|firmware| format!(", firmware {firmware}"));
        let ridden = verdict.session.start.format("%Y-%m-%d");
        let unit = format!("{}{}, ridden {ridden}", verdict.unit.label, firmware.unwrap_or_default());
        let protocol = match &verdict.protocol {
            Some(p) => format!("{}, revision {}", p.title, p.revision),
            None => "whole ride compared, no protocol".to_owned(),
        };
        let painted = self.paint(&word, verdict.verdict);
        let indent = word.chars().count() + 2;
        let lines = wrap(&unit, WIDTH - indent).into_iter().chain(wrap(&protocol, WIDTH - indent));
        for (i, line) in lines.enumerate() {
            if i == 0 {
                writeln!(self.out, "{painted}  {line}")?;
            } else {
                writeln!(self.out, "{:indent$}{line}", "")?;
            }
        }
        writeln!(self.out)?;
        // What the verdict can't lean on stands before its reasons.
        for Contradiction { premise, evidence, more, takes } in verdict.contradictions() {
            let evidence: Vec<String> = evidence.into_iter().map(words::sentence).collect();
            let more = if more > 0 { format!("; and {more} more") } else { String::new() };
            let takes = takes.map(|takes| format!(" This takes {takes}.")).unwrap_or_default();
            let says = format!("Contradicted, {premise}: {}{more}.{takes}", evidence.join("; "));
            self.wrapped("  ! ", "    ", &says)?;
        }
        for deviation in &verdict.deviations {
            let says = words::stop(&words::capital(&words::sentence(deviation)));
            self.wrapped("  ! ", "    ", &format!("Deviation: {says}"))?;
        }
        for sentence in &verdict.why {
            self.wrapped("  ", "  ", &words::sentence(sentence))?;
        }
        writeln!(self.out)
    }

    /// Columns as wide as what stands in them; phases get what is left.
    fn rows(&mut self, rows: &[Row]) -> io::Result<()> {
        let (applicable, others): (Vec<&Row>, Vec<&Row>) = rows.iter().partition(|row| row.applies());
        let columns = Columns::of(&applicable);
        if !applicable.is_empty() {
            writeln!(self.out, "{}{}", padded("Verdict", OUTCOME_WIDTH), columns.head())?;
        }
        let beneath = " ".repeat(OUTCOME_WIDTH);
        for row in applicable {
            let pad = " ".repeat(OUTCOME_WIDTH.saturating_sub(row.word.len()));
            let painted = self.paint(row.word, Some(row.outcome));
            for (i, line) in columns.lines(row).iter().enumerate() {
                let before = if i == 0 { format!("{painted}{pad}") } else { beneath.clone() };
                writeln!(self.out, "{before}{line}")?;
            }
            if !row.notes.is_empty() {
                self.wrapped(&beneath, &beneath, &row.notes.join("; "))?;
            }
        }
        let labels: Vec<&str> = others.iter().map(|row| row.label.as_str()).collect();
        if labels.is_empty() { Ok(()) } else { self.wrapped("Not applicable: ", "  ", &labels.join("; ")) }
    }

    /// Patterns in the order of their weight, each with where to look; what the reasons above said is not said again.
    fn findings(&mut self, verdict: &Verdict) -> io::Result<()> {
        if verdict.diagnosis.is_empty() {
            return Ok(());
        }
        let (told_above, _) = verdict.findings_by_telling();
        writeln!(self.out, "\nWhat to look at first")?;
        for (i, finding) in verdict.diagnosis.iter().enumerate() {
            let size = words::quantity(finding.size, finding.expanded_uncertainty, &finding.unit);
            let name = words::capital(&words::pattern(&finding.pattern));
            let says = (i >= told_above.len()).then_some(&finding.says).map(|says| words::stop(&words::sentence(says)));
            let look = if says.is_some() { "Look" } else { "look" };
            let first = finding.named().map(|pattern| format!("{look} at {}.", words::look_first(pattern)));
            let told: Vec<String> = says.into_iter().chain(first).collect();
            let told = if told.is_empty() { String::new() } else { format!(": {}", told.join(" ")) };
            self.wrapped(&format!("  {}. ", i + 1), "     ", &format!("{name}, {size}{told}"))?;
            if !finding.could_also_be.is_empty() {
                let other = finding.could_also_be.join(", or ");
                self.wrapped("     ", "     ", &format!("It could also be {}", words::stop(&other)))?;
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

/// A phase, contrast or measure of the whole ride.
struct Row {
    /// The outcome, or another word in its place.
    word: &'static str,
    outcome: Outcome,
    label: String,
    /// Measure, value and limit of the checks that it names.
    cells: Vec<[String; 3]>,
    notes: Vec<String>,
    /// Without a protocol nothing was asked, so nothing is passed or failed, nor fails to apply.
    compared: bool,
}

impl Row {
    fn applies(&self) -> bool {
        self.compared || self.outcome != Outcome::NotApplicable
    }

    fn of(outcome: Outcome, required: bool, label: &str, checks: &[&CheckVerdict]) -> Self {
        let cell = |check: &&CheckVerdict| {
            let value = words::value_of(check).unwrap_or_else(|| "no value".to_owned());
            let limit = words::limit(check.limit_low, check.limit_high, &check.unit).unwrap_or_default();
            [words::plain(&check.measure), value, limit].map(|text| safe(&text))
        };
        let label = safe(&if required { label.to_owned() } else { format!("{label} (advisory)") });
        let word = if outcome == Outcome::Fail { "FAIL" } else { outcome.word() };
        Self { word, outcome, label, cells: checks.iter().map(cell).collect(), notes: vec![], compared: false }
    }
}

/// Where the table's columns stand.
struct Columns {
    label_width: usize,
    /// Of measure, value and limit.
    widths: [usize; 3],
    /// Of the numbers that values begin with: they stand right, their units left.
    number_width: usize,
    heads: [&'static str; 3],
}

impl Columns {
    fn of(rows: &[&Row]) -> Self {
        let cells = || rows.iter().flat_map(|row| &row.cells);
        let limits = cells().any(|cell| !cell[2].is_empty());
        let heads = ["Check", "Value", if limits { "Limit" } else { "" }];
        let number_width = cells().filter_map(|cell| number_width(&cell[1])).max().unwrap_or(0);
        let mut columns = Self { label_width: 0, widths: [0; 3], number_width, heads };
        let widest = |i: usize| cells().map(|cell| columns.aligned(cell)[i].chars().count()).max().unwrap_or(0);
        columns.widths = [0, 1, 2].map(|i| widest(i).max(heads[i].len()).min(CELL_WIDTHS[i]));
        let taken = OUTCOME_WIDTH + columns.widths.iter().map(|width| width + 2).sum::<usize>();
        let longest = rows.iter().map(|row| row.label.chars().count()).max().unwrap_or(0);
        columns.label_width = longest.min(WIDTH.saturating_sub(taken)).max(LEAST_LABEL_WIDTH);
        columns
    }

    fn aligned(&self, [measure, value, limit]: &[String; 3]) -> [String; 3] {
        let pad = " ".repeat(number_width(value).map_or(0, |width| self.number_width - width));
        [measure.clone(), format!("{pad}{value}"), limit.clone()]
    }

    fn line(&self, label: &str, cells: &[String; 3]) -> String {
        let mut line = padded(label, self.label_width);
        for (cell, width) in cells.iter().zip(self.widths) {
            line += &format!("  {}", padded(cell, width));
        }
        cut(line.trim_end(), WIDTH - OUTCOME_WIDTH)
    }

    fn head(&self) -> String {
        self.line("Phase", &self.heads.map(str::to_owned))
    }

    /// As many as the row has checks, or its label has lines.
    fn lines(&self, row: &Row) -> Vec<String> {
        let label = wrap(&row.label, self.label_width);
        let line = |i: usize| {
            let cells = row.cells.get(i).map(|cells| self.aligned(cells)).unwrap_or_default();
            self.line(label.get(i).map_or("", String::as_str), &cells)
        };
        (0..label.len().max(row.cells.len())).map(line).collect()
    }
}

fn rows(verdict: &Verdict) -> Vec<Row> {
    let groups = groups::groups(verdict);
    let phases = groups.iter().filter(|group| group.is_scored()).map(|group| {
        let checks = decisive(group.checks());
        let label = words::capital(&words::phase(group.selector()));
        let mut row = Row::of(group.outcome(), group.required(), &label, &checks);
        // A mean within its limit fails nothing: the repeat does that is farthest beyond it.
        if group.outcome() == Outcome::Fail
            && !checks.iter().any(|check| check.verdict == Outcome::Fail)
            && let Some((repeat, check)) = worst_repeat(&group.phases)
        {
            row.cells = Row::of(group.outcome(), true, "", &[check]).cells;
            row.cells[0][0] = format!("{}, no. {repeat}", words::plain(&check.measure));
        }
        let reason = group.phases.iter().find_map(|p| p.reason.as_deref());
        let reason = group.repeats.and_then(|r| r.reason.as_deref()).or(reason);
        let reason = reason.filter(|_| checks.is_empty() || group.outcome() != Outcome::Pass).map(words::sentence);
        // That so many failed is told by the tally.
        let as_asked =
            |r: &RepeatVerdict| r.failed == 0 && r.ridden == r.asked && !group.phases.iter().any(|p| p.surplus);
        let quiet = group.outcome() == Outcome::Pass && group.repeats.is_some_and(as_asked);
        let tally = group.tally().filter(|_| !quiet);
        let told = tally.is_some() && group.repeats.is_some_and(RepeatVerdict::fails_by_repeats_alone);
        let reason = reason.filter(|_| !told);
        Row { notes: tally.into_iter().chain(reason).collect(), ..row }
    });
    let across = verdict.contrasts.iter().chain(&verdict.whole_ride).map(|check| {
        let label = check.contrast.as_deref().map_or("Whole ride".to_owned(), |c| words::capital(&words::phase(c)));
        let compared = check.limit.is_none() && check.value.is_some();
        let row = Row::of(check.verdict, check.required || compared, &label, &[check]);
        if compared { Row { word: "compared", compared, ..row } } else { row }
    });
    phases.chain(across).collect()
}

/// What would decide each required check that is undecided, or what it lacks; measures of a phase that say the same
/// stand together, as `phase, measures: remedy`. Then what a phase lacks in repeats.
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
    let open = groups.iter().filter_map(|g| g.repeats).filter(|r| r.required && r.verdict == Outcome::Undecided);
    let of_repeats = open.filter_map(|r| Some((words::phase(&r.phase), r.remedy.as_deref()?)));
    let of_repeats: Vec<_> =
        of_repeats.filter(|(label, remedy)| !said.iter().any(|(at, _, says)| at == label && says == remedy)).collect();
    let checks = said.iter().map(|(label, measures, remedy)| format!("{label}, {}: {remedy}", measures.join(", ")));
    checks.chain(of_repeats.iter().map(|(label, remedy)| format!("{label}: {remedy}"))).collect()
}

/// The failed check of a repeat that takes most of its limit, with the repeat's number.
fn worst_repeat<'v>(phases: &[&'v PhaseVerdict]) -> Option<(u32, &'v CheckVerdict)> {
    let failed = phases.iter().flat_map(|phase| {
        let failed = phase.checks.iter().filter(|check| check.verdict == Outcome::Fail && check.required);
        failed.map(|check| (phase.repeat, check))
    });
    failed.max_by(|a, b| a.1.limit_used().unwrap_or(0.0).total_cmp(&b.1.limit_used().unwrap_or(0.0)))
}

/// The checks that a line names: those that failed, else those undecided, else the one that passes nearest its limit.
fn decisive(checks: &[CheckVerdict]) -> Vec<&CheckVerdict> {
    for outcome in [Outcome::Fail, Outcome::Undecided] {
        let found: Vec<_> = checks.iter().filter(|c| c.verdict == outcome && c.required).collect();
        if !found.is_empty() {
            return found;
        }
    }
    let passed = || checks.iter().filter(|c| c.verdict == Outcome::Pass);
    let nearest = passed().filter_map(|check| Some((check, check.limit_used()?)));
    let nearest = nearest.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(check, _)| check);
    nearest.or_else(|| passed().next()).or(checks.first()).into_iter().collect()
}

/// Of a value that begins with a number, the width of that number: numbers stand right, units left.
fn number_width(value: &str) -> Option<usize> {
    let number = value.split(['\u{a0}', ' ']).next()?;
    number.ends_with(|c: char| c.is_ascii_digit()).then(|| number.chars().count())
}

/// To exactly `width` characters.
fn padded(text: &str, width: usize) -> String {
    let text = cut(text, width);
    let pad = width - text.chars().count();
    text + &" ".repeat(pad)
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
    fn a_long_label_is_wrapped_and_loses_nothing() {
        let mut verdict = example::judgement().verdict;
        let name = "steady-with-a-name-that-is-long[ring=small, power=120 W, posture=standing, cadence=95 rpm]";
        let block = verdict.phases.iter_mut().find(|phase| phase.drill == "steady").unwrap();
        name.clone_into(&mut block.phase);
        let text = written(&verdict, Style::Plain);
        let cell = |line: &str| line.chars().skip(OUTCOME_WIDTH).take(26).collect::<String>();
        let labels: Vec<String> = text.lines().map(cell).collect();
        let labels = labels.join(" ").split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(labels.contains("Steady with a name that is long, small ring, 120 W, standing, 95 rpm"), "{text}");
    }

    #[test]
    fn a_phase_that_passes_shows_the_check_nearest_its_limit() {
        let example = example::judgement().verdict.phases[1].checks[0].clone();
        let check = |measure: &str, value: f64, u: f64, low: Option<f64>, high: Option<f64>| CheckVerdict {
            measure: measure.to_owned(),
            value: Some(value),
            expanded_uncertainty: Some(u),
            limit_low: low,
            limit_high: high,
            verdict: Outcome::Pass,
            ..example.clone()
        };
        let checks = [
            check("residual_power", 0.0, 0.3, None, Some(5.0)),
            check("mean_error", -1.0, 0.5, Some(-3.0), Some(3.0)),
            check("onset_lag", 0.9, 0.4, None, Some(1.5)),
            // A count without any room says nothing of nearness.
            check("dropout_time", 0.0, 0.0, Some(0.0), Some(0.0)),
        ];
        let used: Vec<Option<f64>> = checks.iter().map(CheckVerdict::limit_used).collect();
        assert_eq!(used, [Some(0.06), Some(0.5), Some(1.3 / 1.5), None]);
        assert_eq!(decisive(&checks)[0].measure, "onset_lag");
    }

    #[test]
    fn a_phase_that_fails_by_a_repeat_shows_that_repeat_and_not_the_mean_within() {
        let mut verdict = example::judgement().verdict;
        let sprints = verdict.repeats.iter_mut().find(|repeats| repeats.phase == "standing-sprints").unwrap();
        sprints.checks.iter_mut().for_each(|check| check.verdict = Outcome::Pass);
        let text = written(&verdict, Style::Plain);
        let line = text.lines().find(|line| line.contains("Standing sprints")).unwrap();
        assert!(line.starts_with("FAIL") && line.contains(", no. "), "{line}");
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
