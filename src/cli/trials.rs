use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::Context;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::exit::{Exit, say_aside};
use super::files::write_whole;
use crate::rehearse::Fault;
use crate::report;
use crate::text::SafeWriter;
use crate::trials::{self, TrialPoint, Trials, TrialsSummary};

/// Set by the first Ctrl-C: what was ridden so far is told. The second ends the program.
static STOP: AtomicBool = AtomicBool::new(false);

/// What is told beside the table, and where to keep what the sessions showed.
pub struct TrialsOutputs<'a> {
    /// Faults that the protocol should find.
    pub wanted: &'a [Fault],
    /// Whether to look for what could be left out.
    pub spare: bool,
    /// The counts.
    pub csv: Option<&'a Path>,
    pub html: Option<&'a Path>,
    /// What the page says of how to make it again.
    pub command: String,
}

/// Rides, tells and keeps.
pub fn run(trials: &Trials, faults: &[Fault], outputs: &TrialsOutputs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let stop = || {
        if STOP.swap(true, Ordering::SeqCst) {
            std::process::exit(130);
        }
    };
    // Without it Ctrl-C ends the program, as everywhere.
    if let Err(why) = ctrlc::set_handler(stop) {
        say_aside(&format!("Ctrl-C will not tell what was ridden so far: {why}"));
    }
    let out = &mut SafeWriter::new(out);
    let sessions = u64::from(trials.sessions) * (faults.len() as u64 + 1);
    let bar = progress("rehearsing", sessions);
    let points = trials::ride(trials, faults, go_on, || bar.inc(1))?;
    bar.finish_and_clear();
    if !go_on() {
        let ridden: u64 = points.iter().map(|point| point.sessions.len() as u64).sum();
        writeln!(out, "interrupted after {ridden} of {sessions} sessions\n")?;
    }
    let summary = TrialsSummary::of(trials, &points);
    report::trials::table(trials, &summary, out)?;
    if let Some(path) = outputs.csv {
        let mut lines = vec![];
        report::trials::csv(&summary, &mut lines).context("making the lines")?;
        write_whole(path, &lines).with_context(|| format!("{} can't be written", path.display()))?;
    }
    let mut advice = vec![];
    for fault in outputs.wanted {
        tell(wanted(trials, fault)?, &mut advice, out)?;
    }
    if outputs.spare && go_on() {
        tell(spared(trials, &points)?, &mut advice, out)?;
    }
    if let Some(path) = outputs.html {
        let page = report::trials::page(trials, &summary, &outputs.command, &advice).context("making the page")?;
        write_whole(path, page.as_bytes()).with_context(|| format!("{} can't be written", path.display()))?;
    }
    out.flush()?;
    Ok(Exit::Done)
}

fn go_on() -> bool {
    !STOP.load(Ordering::SeqCst)
}

fn tell(sentences: Vec<String>, advice: &mut Vec<String>, out: &mut impl Write) -> anyhow::Result<()> {
    writeln!(out)?;
    sentences.iter().try_for_each(|sentence| writeln!(out, "{sentence}"))?;
    advice.extend(sentences);
    Ok(())
}

fn wanted(trials: &Trials, fault: &Fault) -> anyhow::Result<Vec<String>> {
    let bar = progress("looking for advice", trials::sessions_at_most(trials));
    let advice = trials::advise(trials, fault, go_on, || bar.inc(1))?;
    bar.finish_and_clear();
    Ok(report::trials::wanted(trials, &advice))
}

fn spared(trials: &Trials, points: &[TrialPoint]) -> anyhow::Result<Vec<String>> {
    let bar = progress("leaving out", trials::sessions_of_spare(trials, points));
    let spare = trials::spare(trials, points, go_on, || bar.inc(1))?;
    bar.finish_and_clear();
    Ok(report::trials::spared(trials, &spare))
}

fn progress(what: &str, sessions: u64) -> ProgressBar {
    let target =
        if std::io::stderr().is_terminal() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(Some(sessions), target);
    let style = ProgressStyle::with_template("{msg} {pos}/{len} {wide_bar} {eta} left");
    let bar = bar.with_message(what.to_owned());
    style.map(|style| bar.clone().with_style(style)).unwrap_or(bar)
}
