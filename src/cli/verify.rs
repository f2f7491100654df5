use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

use super::exit::{Exit, say_aside};
use super::files::{Inputs, is_standard_output, write_whole};
use crate::files;
use crate::report::{self, verify::Bytes};
use crate::text::{SafeWriter, safe};
use crate::verdict::Verdict;
use crate::verify::{self, FilesByHash, InputPlaces, InputState, Verification, VerificationResult};

/// Judge the same recordings by the same protocol again: the same verdict, or what differs
///
/// The session is looked for beside the verdict, protocol, marks and recordings where the session names them, each told
/// by its hash. Exit code: 0 the same, 1 something differs, 2 could not be verified; of several verdicts the worst, in the
/// order 2, 1, 0.
#[derive(Debug, clap::Args)]
pub struct VerifyArgs {
    /// Verdicts as `judge` wrote them (JSON)
    #[arg(value_name = "VERDICT", required = true)]
    verdicts: Vec<PathBuf>,
    /// Session file, in place of the one beside the verdict
    #[arg(long, value_name = "FILE")]
    session: Option<PathBuf>,
    /// Folder to look for recordings in by their hash, whatever they are called now; with the folders in it
    #[arg(long, value_name = "DIR")]
    recordings: Option<PathBuf>,
    /// Protocol, where it was judged with --protocol or is no longer where the session names it
    #[arg(long, value_name = "FILE")]
    protocol: Option<PathBuf>,
    /// Marks, likewise
    #[arg(long, value_name = "FILE")]
    marks: Option<PathBuf>,
    /// Where a phase was ridden, if it was judged with --pin
    #[arg(long, value_name = "PHASE=FROM..TO")]
    pin: Vec<String>,
    /// Where to write inputs and differences as JSON, an object for each verdict; - for standard output
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

pub fn run(args: &VerifyArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut inputs = Inputs::default();
    inputs.extend(args.verdicts.iter().chain(&args.session).chain(&args.protocol).chain(&args.marks));
    inputs.may_write(&args.json)?;
    let one_ride =
        [("--session", args.session.is_some()), ("--marks", args.marks.is_some()), ("--pin", !args.pin.is_empty())];
    let shelf = match &args.recordings {
        Some(folder) => FilesByHash::of(folder).with_context(|| format!("looking into {}", folder.display()))?,
        None => FilesByHash::default(),
    };
    let verdicts = args.verdicts.iter().map(|file| load(file)).collect::<Vec<_>>();
    // The verdicts of one session with several units may share these.
    let sessions: Vec<_> = verdicts.iter().flatten().map(|loaded| &loaded.verdict.session).collect();
    if let Some((option, _)) = one_ride.iter().find(|(_, given)| *given)
        && sessions.windows(2).any(|pair| pair[0].sha256 != pair[1].sha256)
    {
        bail!("{option} is of one session, and these verdicts are of several; verify them one at a time");
    }
    let to_standard = args.json.as_deref().is_some_and(is_standard_output);
    let (mut worst, mut objects) = (Exit::Done, vec![]);
    for (i, (file, loaded)) in args.verdicts.iter().zip(verdicts).enumerate() {
        let loaded = match loaded {
            Ok(loaded) => loaded,
            Err(error) if args.verdicts.len() > 1 => {
                out.flush()?;
                say_aside(&format!("error: {error:#}"));
                worst = Exit::CouldNotJudge;
                continue;
            }
            Err(error) => return Err(error),
        };
        let places = InputPlaces {
            session: args.session.clone(),
            shelf: shelf.clone(),
            protocol: args.protocol.clone(),
            marks: args.marks.clone(),
            pins: args.pin.clone(),
            ..InputPlaces::beside(file)
        };
        let verification = verify::again_as_written(&loaded.verdict, &loaded.written, &places);
        let same = verification.judged.as_ref().is_ok_and(|judged| verify::written_as_now(&loaded.bytes, judged));
        let bytes = if same { Bytes::Same } else { Bytes::Other };
        let name = file.display().to_string();
        if !to_standard {
            if i > 0 {
                writeln!(out)?;
            }
            let mut out = SafeWriter::new(&mut *out);
            report::verify::write(&verification, &safe(&name), bytes, &mut out).context("writing what differs")?;
            out.flush()?;
        }
        inputs.extend(read_by(&verification));
        objects.push(report::verify::object(&verification, &name, bytes));
        let exit = match verification.verified() {
            VerificationResult::Same => Exit::Done,
            VerificationResult::Differs => Exit::Fail,
            VerificationResult::CouldNot => Exit::CouldNotJudge,
        };
        worst = if exit.code() > worst.code() { exit } else { worst };
    }
    if let Some(to) = &args.json {
        let mut text = serde_json::to_string_pretty(&objects).context("making the JSON")?;
        text.push('\n');
        if to_standard {
            out.write_all(text.as_bytes())?;
        } else {
            inputs.may_write([to])?;
            write_whole(to, text.as_bytes()).with_context(|| format!("writing {}", to.display()))?;
        }
    }
    Ok(worst)
}

/// Every file that a verification read.
fn read_by(verification: &Verification) -> Vec<PathBuf> {
    let there = verification.inputs.iter().filter_map(|input| match &input.state {
        InputState::Same { file } | InputState::Another { file, .. } => Some(file.clone()),
        InputState::Unstated { file, .. } => file.clone(),
        InputState::NotFound { .. } => None,
    });
    there.chain(verification.read.iter().cloned()).collect()
}

/// A verdict file as its bytes, as JSON and as this program understands it.
struct Loaded {
    bytes: Vec<u8>,
    written: serde_json::Value,
    verdict: Verdict,
}

fn load(file: &Path) -> anyhow::Result<Loaded> {
    let name = file.display();
    let bytes = files::read(file, files::VERDICT).with_context(|| name.to_string())?;
    let no_verdict = || format!("{name}: no verdict; give the JSON file that `assize judge` wrote");
    let written: serde_json::Value = serde_json::from_slice(&bytes).with_context(no_verdict)?;
    let verdict = serde_json::from_slice(&bytes).with_context(no_verdict)?;
    Ok(Loaded { bytes, written, verdict })
}
