use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use chrono::{DateTime, Utc};

use super::exit::{Exit, say_aside};
use super::files::{Inputs, shown, write_whole};
use super::options::{load_protocol, load_session_before_ride, watts};
use crate::brief::{self, workout};
use crate::protocol::Protocol;
use crate::report;
use crate::session::Session;

/// The time that a workout carries if none is said: head units tell workouts apart by it and by the protocol's hash.
const MADE: &str = "2026-01-01T00:00:00Z";

/// The rider's run sheet of a protocol: what to check before, what to ride, what to write down
///
/// Printed to the terminal, and with --html as one or two pages. A workout leads a head unit through the same steps and
/// marks each with a lap.
#[derive(Debug, clap::Args)]
pub struct BriefArgs {
    /// Protocol to ride (YAML); if not said, the session's
    #[arg(required_unless_present = "session")]
    protocol: Option<PathBuf>,
    /// Session file with what is known before the ride (instruments, bike, rider); recordings need not be there, and a `?`
    /// is left blank
    #[arg(long, value_name = "FILE")]
    session: Option<PathBuf>,
    /// The rider's threshold power, as in 250W; if not said, the session's
    #[arg(long, value_name = "POWER", value_parser = watts)]
    threshold: Option<f64>,
    /// Where to write the page; - for standard output
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Where to write a FIT workout with a step for each move
    #[arg(long, value_name = "FILE")]
    workout: Option<PathBuf>,
    /// Time that the workout carries as that of its making
    #[arg(long, value_name = "UTC", default_value = MADE, requires = "workout")]
    made: DateTime<Utc>,
    /// Where to write the steps as JSON; - for standard output
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

pub fn run(args: &BriefArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let standard = Path::new("-");
    let to_standard = [&args.html, &args.json].into_iter().flatten().filter(|to| *to == standard).count();
    if to_standard > 1 {
        bail!("--html - and --json - both write to standard output; give one of them a file");
    }
    if args.workout.as_deref() == Some(standard) {
        bail!("--workout takes a file: a FIT file on a terminal is of no use");
    }
    let mut inputs = Inputs::default();
    let session = args.session.as_deref().map(|file| load_session_before_ride(file, &mut inputs)).transpose()?;
    let own = session.as_ref().and_then(|session| session.protocol.as_ref()).map(|protocol| protocol.file.clone());
    let Some(file) = args.protocol.clone().or(own) else {
        bail!("the session names no protocol; name one before --session");
    };
    let threshold_power_w = args.threshold.or(session.as_ref().and_then(|session| session.threshold_power_w));
    let protocol = load_protocol(&file, threshold_power_w, &mut inputs)?;
    inputs.may_write([&args.html, &args.workout, &args.json].into_iter().flatten())?;
    let documents = documents(args, &protocol, session.as_ref(), threshold_power_w)?;
    for (to, text) in &documents {
        if *to == standard {
            out.write_all(text.as_bytes())?;
        } else {
            write_whole(to, text.as_bytes()).with_context(|| format!("writing {}", to.display()))?;
        }
    }
    if to_standard > 0 {
        return Ok(Exit::Done);
    }
    report::brief::write(&report::brief::RunSheet::of(&protocol, session.as_ref(), threshold_power_w), out)
        .context("writing the run sheet")?;
    let files = documents.iter().map(|(to, _)| *to).chain(args.workout.as_deref());
    let files: Vec<String> = files.map(shown).collect();
    if !files.is_empty() {
        writeln!(out, "\nWritten: {}", files.join(", "))?;
    }
    Ok(Exit::Done)
}

/// Page and JSON, as far as they were asked for; the workout is written at once.
fn documents<'a>(
    args: &'a BriefArgs,
    protocol: &Protocol,
    session: Option<&Session>,
    threshold_power_w: Option<f64>,
) -> anyhow::Result<Vec<(&'a Path, String)>> {
    let steps = brief::steps(protocol);
    let mut documents = vec![];
    if let Some(to) = &args.html {
        let sheet = report::brief::RunSheet::of(protocol, session, threshold_power_w);
        documents.push((to.as_path(), report::brief::page(&sheet).context("making the page")?));
    }
    if let Some(to) = &args.json {
        documents.push((to.as_path(), report::brief::to_json(protocol, &steps)));
    }
    if let Some(to) = &args.workout {
        let entries = workout::fold(&steps).len();
        if entries > workout::MOST_STEPS {
            let most = workout::MOST_STEPS;
            say_aside(&format!("the workout has {entries} steps; many head units take no more than {most} or so"));
        }
        let bytes = workout::encode(protocol, &steps, args.made);
        write_whole(to, &bytes).with_context(|| format!("writing {}", to.display()))?;
    }
    Ok(documents)
}
