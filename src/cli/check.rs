use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;

use super::exit::Exit;
use super::options::bench_words;
use crate::files;
use crate::premise::{PremiseState, Takes};
use crate::premises::{self, Evidence, TestedPremise};
use crate::problem::Problems;
use crate::protocol::{Accept, PhaseId, Protocol, ReadingNotes, Rule, trim};
use crate::rehearse::{BENCHES, BenchKind, RehearsalBench, RideSetting};
use crate::session::Session;
use crate::text::SafeWriter;
use crate::trials::{CheckReach, TrialShare, Trials, reach};
use crate::verdict::premise_evidence;
use crate::words;
use crate::{protocol, session};

/// Read protocol and session files and list every mistake
#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    /// Protocol and session files (YAML), told apart by their first key
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// What the limits of a protocol are rehearsed with; if not said, as many references as it needs
    #[arg(long, value_name = "WORD", value_parser = bench_words())]
    bench: Option<&'static BenchKind>,
}

pub fn run(args: &CheckArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut worst = Exit::Done;
    let mut out = SafeWriter::new(out);
    for file in &args.files {
        let exit = check(file, args.bench, &mut out)?;
        if worst == Exit::Done || exit == Exit::CouldNotJudge {
            worst = exit;
        }
    }
    out.flush()?;
    Ok(worst)
}

fn check(file: &Path, bench: Option<&BenchKind>, out: &mut impl Write) -> anyhow::Result<Exit> {
    let name = file.display();
    let text = match files::read(file, files::TEXT) {
        Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
        Err(error) => {
            writeln!(out, "{name}: {error}")?;
            return Ok(Exit::CouldNotJudge);
        }
    };
    match first_key(&text) {
        "assize_session" => report(file, session::load(file), session_facts, out),
        "assize" => report(
            file,
            protocol::load_noting(file, None),
            |(protocol, notes)| protocol_says(protocol, notes, bench),
            out,
        ),
        _ => {
            let help = "a protocol begins with `assize: 1`, a session with `assize_session: 1`; \
                        a card is checked with the session that names it";
            writeln!(out, "{name}: neither a protocol nor a session ({help})")?;
            Ok(Exit::Fail)
        }
    }
}

/// The key on the first line that is neither blank, a comment nor a document mark.
fn first_key(text: &str) -> &str {
    let mut lines = text.trim_start_matches('\u{feff}').lines().map(str::trim);
    let first = lines.find(|l| !l.is_empty() && !l.starts_with(['#', '%']) && *l != "---");
    first.and_then(|l| l.split_once(':')).map_or("", |(key, _)| key.trim())
}

fn report<T>(
    file: &Path,
    read: Result<T, Problems>,
    facts: impl Fn(&T) -> Vec<String>,
    out: &mut impl Write,
) -> anyhow::Result<Exit> {
    match read {
        Ok(value) => {
            let facts = facts(&value);
            let (summary, hints) = facts.split_first().context("a file without a summary")?;
            writeln!(out, "{}: ok ({summary})", file.display())?;
            for hint in hints {
                writeln!(out, "  {hint}")?;
            }
            Ok(Exit::Done)
        }
        Err(problems) => {
            let count = problems.iter().count();
            let mistakes = if count == 1 { "mistake" } else { "mistakes" };
            writeln!(out, "{problems}\n\n{}: {count} {mistakes}", file.display())?;
            Ok(Exit::Fail)
        }
    }
}

/// What it says and what it can decide.
fn protocol_says(protocol: &Protocol, notes: &ReadingNotes, bench: Option<&BenchKind>) -> Vec<String> {
    let mut says = protocol_facts(protocol);
    says.extend(notes.cautions.iter().map(|sentence| format!("caution: {sentence}")));
    says.extend(limits(protocol, bench));
    says
}

/// Enough for a median.
const REHEARSALS: u32 = 9;

/// Whether the uncertainty that this design reaches leaves room within its limits, by rehearsal.
fn limits(protocol: &Protocol, bench: Option<&BenchKind>) -> Vec<String> {
    let wanted = protocol.needs.references.max(1);
    let usual = || BENCHES.iter().map(|kind| (kind.bench)()).find(|bench| bench.references.len() == wanted);
    let bench = bench.map(|kind| (kind.bench)()).or_else(usual).unwrap_or_else(RehearsalBench::both);
    let setting = RideSetting::asked_by(protocol);
    let trials = Trials { protocol, bench, setting, seed: 1, sessions: REHEARSALS };
    let reached = match reach(&trials) {
        Ok(reached) => reached,
        Err(why) => return vec![format!("warning: its limits can't be rehearsed: {why}")],
    };
    let mut warnings: Vec<String> = reached.iter().filter_map(|reach| too_little_room(protocol, reach)).collect();
    warnings.extend(without_a_value(&reached));
    let references: Vec<String> =
        trials.bench.references.iter().map(|fitted| format!("{} ±{}", fitted.label, fitted.stated)).collect();
    let with = format!("rehearsed {REHEARSALS} times, a sound unit against {}", references.join(" and "));
    let room = if warnings.is_empty() { ": each limit leaves room for the uncertainty reached" } else { "" };
    std::iter::once(format!("{with}{room}")).chain(warnings).collect()
}

/// Whether it stays undecided more often than not.
fn stays_open(reach: &CheckReach) -> bool {
    2 * reach.undecided.hits > reach.undecided.n
}

fn too_little_room(protocol: &Protocol, reach: &CheckReach) -> Option<String> {
    let CheckReach { check, limit, undecided: TrialShare { hits: undecided, n: of }, .. } = reach;
    let room = reach.room.as_ref()?;
    let number = |value: f64| words::number(value, words::decimals_for(room.expanded_uncertainty));
    let place = room.at.rsplit_once(' ').map_or(room.at.as_str(), |(place, _)| place);
    let (reached, unit) = (number(room.expanded_uncertainty), &room.unit);
    let wide = format!("{} {unit} at {place}", number(room.limit));
    if reach.out_of_reach().is_some() {
        let so = match protocol.decision.rule {
            Rule::Guarded => "no unit can pass",
            Rule::Simple => "chance decides",
        };
        return Some(format!(
            "warning: {check}: `{limit}` ({wide}) is less than the uncertainty that this design reaches, ±{reached} {unit}: {so}; \
             ride longer or more often, use a better reference, or widen the limit"
        ));
    }
    stays_open(reach).then(|| {
        format!(
            "warning: {check}: `{limit}` ({wide}) leaves little room for the uncertainty that this design reaches, \
             ±{reached} {unit}: a sound unit stays undecided in {undecided} of {of}"
        )
    })
}

/// Checks that no rehearsal could give a value, by the reason.
fn without_a_value(reached: &[CheckReach]) -> Vec<String> {
    let mut by_reason: Vec<(&str, Vec<&str>)> = vec![];
    for reach in reached.iter().filter(|reach| reach.room.is_none() && stays_open(reach)) {
        let reason = reach.reason.as_deref().unwrap_or("no value");
        match by_reason.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, checks)) => checks.push(&reach.check),
            None => by_reason.push((reason, vec![&reach.check])),
        }
    }
    let told =
        |(reason, checks): (&str, Vec<&str>)| format!("warning: can't be decided: {}: {reason}", checks.join(", "));
    by_reason.into_iter().map(told).collect()
}

/// One line of summary, then hints.
fn protocol_facts(protocol: &Protocol) -> Vec<String> {
    let repeats: u32 = protocol.phases.iter().map(|p| p.repeats).sum();
    let mut summary = format!(
        "protocol `{}`, {} phases, {repeats} with repeats, {} min of riding",
        protocol.title,
        protocol.phases.len(),
        trim((protocol.riding_s() / 6.0).round() / 10.0),
    );
    if protocol.waiting_s() > 0.0 {
        summary.push_str(&format!(", {} min off the bike", trim((protocol.waiting_s() / 6.0).round() / 10.0)));
    }
    let mut facts = vec![summary];
    let mut named: Option<&PhaseId> = None;
    for phase in &protocol.phases {
        let Accept::FaultRateBelow(rate) = phase.accept else { continue };
        if named.is_some_and(|id| id.name == phase.id.name) {
            continue;
        }
        named = Some(&phase.id);
        let clean = clean_repeats(rate);
        let enough = if phase.repeats >= clean {
            format!("{} are asked for", phase.repeats)
        } else {
            format!("{} are asked for, so one session can't pass it; several pool", phase.repeats)
        };
        let warning = if phase.repeats >= clean { "" } else { "warning: " };
        facts.push(format!(
            "{warning}{}: `{}` takes {clean} repeats without a fault; {enough}",
            phase.id.name, phase.accept
        ));
    }
    facts
}

/// The fewest repeats that, all without a fault, put the one-sided 95 % limit (Clopper and Pearson 1934) of
/// the fault rate below `rate`: (1 − rate)ⁿ ≤ 0.05.
fn clean_repeats(rate: f64) -> u32 {
    (0.05_f64.ln() / (1.0 - rate).ln()).ceil() as u32
}

fn session_facts(session: &Session) -> Vec<String> {
    let units: Vec<&str> = session.units.iter().map(|u| u.instrument.label.as_str()).collect();
    let references: Vec<&str> = session.references.iter().map(|r| r.instrument.label.as_str()).collect();
    let references = if references.is_empty() { "no reference".into() } else { references.join(", ") };
    let mut facts = vec![format!("session, {} against {references}", units.join(", "))];
    match &session.protocol {
        Some(protocol) => {
            facts.extend(protocol_facts(protocol));
            let asked = protocol.needs.references;
            if session.references.len() < asked {
                facts.push(format!("the protocol asks for {asked} references: fewer is a deviation on the sheet"));
            }
        }
        None => facts.push("no protocol: the whole ride will be compared, advisory".into()),
    }
    facts.extend(session.cautions.iter().map(|sentence| format!("caution: {sentence}")));
    facts.extend(session.assumed.iter().map(|sentence| format!("assumed: {sentence}")));
    facts.extend(premises::of_session(session).0.iter().filter_map(rests_on));
    facts
}

/// What a verdict would rest on and can be told before any recording is read: what does not hold, what can't, and what is
/// still to be typed.
fn rests_on(tested: &TestedPremise) -> Option<String> {
    let (evidence, word) = (premise_evidence(tested), tested.premise.word());
    match (tested.state, tested.takes, &tested.evidence) {
        (PremiseState::Held, ..) => None,
        (PremiseState::Contradicted, Takes::Nothing, _) => Some(format!("contradicted: {evidence}")),
        (PremiseState::Contradicted, Takes::Pass, _) | (PremiseState::Untested, Takes::Pass, _) => {
            Some(format!("warning: {evidence}; the protocol needs `{word}` to be held, so nothing can pass"))
        }
        (PremiseState::Contradicted, takes, _) => {
            Some(format!("contradicted: {evidence}; this takes {}", takes.word()))
        }
        (PremiseState::Untested, _, Evidence::ReadingsToCome { .. }) => Some(format!("hint: {evidence}")),
        (PremiseState::Untested, ..) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// No fault in n repeats bounds the rate by 1 − 0.05^(1/n): 29 repeats for 10 %, 59 for 5 %, 299 for 1 %
    /// (the tables of success-run sampling at 95 % confidence; figures from memory).
    #[test]
    fn clean_repeats_are_those_of_success_run_tables() {
        assert_eq!([0.1, 0.05, 0.01].map(clean_repeats), [29, 59, 299]);
    }

    #[test]
    fn the_first_key_is_found_behind_comments() {
        assert_eq!(first_key("# a comment\n---\n\nassize: 1\n"), "assize");
        assert_eq!(first_key("\u{feff}assize_session: 1"), "assize_session");
        assert_eq!(first_key("nothing"), "");
    }
}
