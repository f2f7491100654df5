use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context;

use super::Exit;
use crate::problem::Problems;
use crate::protocol::{Accept, PhaseId, Protocol, trim};
use crate::session::Session;
use crate::{protocol, session};

/// Read protocol and session files and list every mistake
#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    /// Protocol and session files (YAML), told apart by their first key
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
}

pub fn run(args: &CheckArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut worst = Exit::Done;
    for file in &args.files {
        let exit = check(file, out)?;
        if worst == Exit::Done || exit == Exit::CouldNotJudge {
            worst = exit;
        }
    }
    Ok(worst)
}

fn check(file: &Path, out: &mut impl Write) -> anyhow::Result<Exit> {
    let name = file.display();
    let text = match std::fs::read(file).with_context(|| format!("reading {name}")) {
        Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
        Err(error) => {
            writeln!(out, "{error:#}")?;
            return Ok(Exit::CouldNotJudge);
        }
    };
    match first_key(&text) {
        "assize_session" => report(file, session::load(file), session_facts, out),
        "assize" => report(file, protocol::load(file, None), protocol_facts, out),
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
    facts: fn(&T) -> Vec<String>,
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
        facts.push(format!("{}: `{}` takes {clean} repeats without a fault; {enough}", phase.id.name, phase.accept));
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
    facts.extend(session.assumed.iter().map(|sentence| format!("assumed: {sentence}")));
    facts
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
