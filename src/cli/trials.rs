use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::Context;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::Exit;
use super::judge::write_whole;
use crate::rehearse::Fault;
use crate::report;
use crate::trials::{self, Summary, Trials};

/// Set by the first Ctrl-C: what was ridden so far is told. The second ends the program.
static STOP: AtomicBool = AtomicBool::new(false);

/// Where to keep what the sessions showed.
pub struct Files<'a> {
    /// The counts.
    pub csv: Option<&'a Path>,
    pub html: Option<&'a Path>,
    /// What the page says of how to make it again.
    pub command: String,
}

/// Rides, tells and keeps.
pub fn run(trials: &Trials, faults: &[Fault], files: &Files, out: &mut impl Write) -> anyhow::Result<Exit> {
    let stop = || {
        if STOP.swap(true, Ordering::SeqCst) {
            std::process::exit(130);
        }
    };
    // Without it Ctrl-C ends the program, as everywhere.
    if let Err(why) = ctrlc::set_handler(stop) {
        eprintln!("Ctrl-C will not tell what was ridden so far: {why}");
    }
    let asked = u64::from(trials.sessions) * (faults.len() as u64 + 1);
    let bar = progress(asked);
    let points = trials::ride(trials, faults, || !STOP.load(Ordering::SeqCst), || bar.inc(1))?;
    bar.finish_and_clear();
    if STOP.load(Ordering::SeqCst) {
        let ridden: u64 = points.iter().map(|point| point.sessions.len() as u64).sum();
        writeln!(out, "interrupted after {ridden} of {asked} sessions\n")?;
    }
    let summary = Summary::of(trials, &points);
    report::trials::table(trials, &summary, out)?;
    if let Some(path) = files.csv {
        let written = std::fs::File::create(path).map_err(csv::Error::from);
        let written = written.and_then(|file| report::trials::csv(&summary, file));
        written.with_context(|| format!("{} can't be written", path.display()))?;
    }
    if let Some(path) = files.html {
        let page = report::trials::page(trials, &summary, &files.command, &[]).context("making the page")?;
        write_whole(path, &page).with_context(|| format!("{} can't be written", path.display()))?;
    }
    Ok(Exit::Done)
}

fn progress(sessions: u64) -> ProgressBar {
    let target =
        if std::io::stderr().is_terminal() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(Some(sessions), target);
    let style = ProgressStyle::with_template("rehearsing {pos}/{len} {wide_bar} {eta} left");
    style.map(|style| bar.clone().with_style(style)).unwrap_or(bar)
}
