use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::Exit;
use super::files::write_whole;
use crate::against_truth::Sum;
use crate::judge::Judgement;
use crate::protocol::Protocol;
use crate::quantity::{Bound, Join, Quantity, Unit};
use crate::rehearse::TruthFile;
use crate::report::{self, table::Style};
use crate::session::{Instrument, Location, Reference, Session, Sides};
use crate::verdict::{Outcome, Verdict};
use crate::{against_truth, judge, protocol, recording, session};

/// Judge ridden sessions against their protocol
///
/// Writes verdict.json and sheet.html beside each session file, and a table to the terminal. Exit code: 0 pass,
/// 1 fail, 3 undecided, 2 could not judge; of several sessions the worst, in the order 2, 1, 3, 0.
#[derive(Debug, clap::Args)]
pub struct JudgeArgs {
    /// Session files (YAML); none if the recordings are named by --unit and --reference
    #[arg(value_name = "SESSION", required_unless_present = "unit")]
    sessions: Vec<PathBuf>,
    /// Recording of the unit under test, without a session file
    #[arg(long, value_name = "FILE", requires = "reference", conflicts_with = "sessions")]
    unit: Option<PathBuf>,
    /// Recording of a reference, without a session file; may be given again
    #[arg(long, value_name = "FILE", requires = "unit")]
    reference: Vec<PathBuf>,
    /// Protocol to judge by, in place of the session's own; with --unit and none the whole ride is compared
    #[arg(long, value_name = "FILE")]
    protocol: Option<PathBuf>,
    /// Where a phase was ridden, against the matcher: standing-sprints/2=14:31:02..14:31:10
    #[arg(long, value_name = "PHASE=FROM..TO")]
    pin: Vec<String>,
    /// Where to write the verdict as JSON; - for standard output
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Where to write the sheet; - for standard output
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    /// Print what each stretch of the ride was taken for, on what grounds, and what was not found
    #[arg(long)]
    explain: bool,
    /// Exit with 0 whatever the verdict
    #[arg(long)]
    exit_zero: bool,
    /// Truth of a rehearsal (truth.json): afterwards, says how well it was judged; once for each session, in any order
    #[arg(long, value_name = "FILE")]
    truth: Vec<PathBuf>,
}

/// The truths given, and the counts of what stood beside them.
struct Truths {
    files: Vec<(PathBuf, TruthFile)>,
    sum: Sum,
}

impl Truths {
    fn load(args: &JudgeArgs) -> anyhow::Result<Self> {
        let standard = Path::new("-");
        if !args.truth.is_empty() && [&args.json, &args.sheet].iter().any(|to| to.as_deref() == Some(standard)) {
            bail!("--truth reports to standard output, where --json - or --sheet - already writes; give that a file");
        }
        let load = |file: &PathBuf| Ok((file.clone(), TruthFile::load(file)?));
        let files = args.truth.iter().map(load).collect::<anyhow::Result<Vec<_>>>()?;
        Ok(Self { files, sum: Sum::default() })
    }

    /// Holds a verdict against the truth of its recordings.
    fn report(&mut self, verdict: &Verdict, out: &mut impl Write) -> anyhow::Result<()> {
        let mut refusals = vec![];
        for (file, truth) in &self.files {
            match against_truth::compare(verdict, truth) {
                Ok(comparison) => {
                    self.sum += comparison.sum();
                    return report::truth::write(&comparison, out).context("writing what the truth says");
                }
                Err(other) => refusals.push(format!("{}: {other}", file.display())),
            }
        }
        if refusals.is_empty() { Ok(()) } else { bail!("{}", refusals.join("\n")) }
    }
}

pub fn run(args: &JudgeArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut truths = Truths::load(args)?;
    if args.unit.is_some() {
        let session = session_from_args(args)?;
        return Ok(exit(args, [judge_one(args, &session, Path::new(""), &mut truths, out)?]));
    }
    if args.sessions.len() > 1 && (args.json.is_some() || args.sheet.is_some()) {
        bail!(
            "--json and --sheet name one file each; with several sessions leave them out (the files go beside each session)"
        );
    }
    let progress = Progress::over(args.sessions.len() as u64);
    let mut exits = Vec::new();
    for path in &args.sessions {
        exits.push(match load_and_judge(args, path, &mut truths, out) {
            Ok(exit) => exit,
            Err(error) if args.sessions.len() > 1 => {
                out.flush()?;
                eprintln!("error: {}: {error:#}", path.display());
                Exit::CouldNotJudge
            }
            Err(error) => return Err(error),
        });
        progress.step(path);
    }
    if truths.sum.sessions > 1 {
        report::truth::sum(&truths.sum, out)?;
    }
    Ok(exit(args, exits))
}

/// The worst, in the order 2, 1, 3, 0. What could not be judged is never hidden by `--exit-zero`.
fn exit(args: &JudgeArgs, exits: impl IntoIterator<Item = Exit>) -> Exit {
    let rank = |exit: &Exit| match exit {
        Exit::CouldNotJudge => 3,
        Exit::Fail => 2,
        Exit::Undecided => 1,
        Exit::Done => 0,
    };
    let worst = exits.into_iter().max_by_key(rank).unwrap_or(Exit::Done);
    if args.exit_zero && worst != Exit::CouldNotJudge { Exit::Done } else { worst }
}

fn load_and_judge(args: &JudgeArgs, path: &Path, truths: &mut Truths, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut session =
        session::load(path).map_err(|problems| anyhow::anyhow!("the session can't be used\n\n{problems}"))?;
    if let Some(file) = &args.protocol {
        session.protocol = Some(load_protocol(file, session.threshold_power_w)?);
    }
    add_pins(args, &mut session)?;
    judge_one(args, &session, path.parent().unwrap_or(Path::new("")), truths, out)
}

fn load_protocol(file: &Path, threshold_power_w: Option<f64>) -> anyhow::Result<Protocol> {
    protocol::load(file, threshold_power_w)
        .map_err(|problems| anyhow::anyhow!("the protocol can't be used\n\n{problems}"))
}

fn add_pins(args: &JudgeArgs, session: &mut Session) -> anyhow::Result<()> {
    let Some(protocol) = &session.protocol else {
        if args.pin.is_empty() {
            return Ok(());
        }
        bail!("--pin says where a phase was ridden, and without a protocol there is none");
    };
    for text in &args.pin {
        let pin = session::pin(text, &protocol.phases).map_err(|slip| anyhow::anyhow!("--pin {text}: {slip}"))?;
        session.pins.push(pin);
    }
    Ok(())
}

fn judge_one(
    args: &JudgeArgs,
    session: &Session,
    folder: &Path,
    truths: &mut Truths,
    out: &mut impl Write,
) -> anyhow::Result<Exit> {
    let judgements = judge::judge(session)?;
    let several = judgements.len() > 1;
    if several && (args.json.is_some() || args.sheet.is_some()) {
        bail!(
            "--json and --sheet name one file each; a session with several units writes one of each per unit beside the session"
        );
    }
    let mut exits = Vec::new();
    for judgement in &judgements {
        exits.push(write_all(args, judgement, folder, several, out)?);
        truths.report(&judgement.verdict, out)?;
    }
    Ok(exit(args, exits))
}

fn write_all(
    args: &JudgeArgs,
    judgement: &Judgement,
    folder: &Path,
    several: bool,
    out: &mut impl Write,
) -> anyhow::Result<Exit> {
    let verdict = &judgement.verdict;
    let json = report::json::to_string(verdict);
    let sheet = report::html::render(judgement).context("making the sheet")?;
    let suffix = if several { format!("-{}", file_word(&verdict.unit.label)) } else { String::new() };
    let json_to = args.json.clone().unwrap_or_else(|| folder.join(format!("verdict{suffix}.json")));
    let sheet_to = args.sheet.clone().unwrap_or_else(|| folder.join(format!("sheet{suffix}.html")));
    let standard = Path::new("-");
    // Standard output carries one thing at a time: a document that was asked for there, or the table.
    if json_to != standard && sheet_to != standard {
        let style = if std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none() {
            Style::Colour
        } else {
            Style::Plain
        };
        report::table::write(verdict, out, style).context("writing the table")?;
        if args.explain {
            report::table::assignment(judgement, out).context("writing the assignment")?;
        }
        writeln!(out, "\nSheet {}: {}\nVerdict: {}", verdict.sheet_number, sheet_to.display(), json_to.display())?;
    }
    for (to, text) in [(&json_to, &json), (&sheet_to, &sheet)] {
        if to == standard {
            out.write_all(text.as_bytes())?;
        } else {
            write_whole(to, text.as_bytes()).with_context(|| format!("writing {}", to.display()))?;
        }
    }
    Ok(match verdict.verdict {
        Some(Outcome::Fail) => Exit::Fail,
        Some(Outcome::Undecided | Outcome::NotRidden) => Exit::Undecided,
        _ => Exit::Done,
    })
}

/// A label in a file name: letters, digits and dashes.
fn file_word(label: &str) -> String {
    label.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect()
}

/// Says what was assumed because nobody said.
fn session_from_args(args: &JudgeArgs) -> anyhow::Result<Session> {
    let mut session = Session::default();
    let unit = args.unit.as_ref().context("no unit")?;
    session.units.push(session::Unit { instrument: instrument("unit", unit, &mut session.assumed)?, claimed: None });
    for (i, path) in args.reference.iter().enumerate() {
        let label = if args.reference.len() == 1 { "reference".to_owned() } else { format!("reference {}", i + 1) };
        let instrument = instrument(&label, path, &mut session.assumed)?;
        session.assumed.push(format!(
            "{label}: expanded uncertainty of 1.5 % or 3 W (k = 2), common for field references, no source"
        ));
        let parts = vec![Quantity::new(1.5, Unit::Percent), Quantity::new(3.0, Unit::Watt)];
        let uncertainty = Bound { parts, join: Join::Wider };
        session.references.push(Reference { instrument, uncertainty, certificate: None, mode: None });
    }
    session.assumed.push("no chain between unit and references".to_owned());
    session.protocol = args.protocol.as_ref().map(|file| load_protocol(file, None)).transpose()?;
    add_pins(args, &mut session)?;
    Ok(session)
}

fn instrument(label: &str, path: &Path, assumed: &mut Vec<String>) -> anyhow::Result<Instrument> {
    let recording = recording::read(path)?;
    let both = recording.samples.right_share_pct.iter().any(Option::is_some);
    let (sides, word) = if both {
        (Sides::Both, "both sides, as its recording holds a balance")
    } else {
        (Sides::Total, "the total only")
    };
    assumed.push(format!("{label} ({}): measures at the crank, {word}", path.display()));
    Ok(Instrument::new(label, Location::Crank, sides, vec![path.to_owned()]))
}

/// Seen only on a terminal, and only once the work has taken a second.
struct Progress {
    bar: ProgressBar,
    since: Instant,
}

impl Progress {
    fn over(steps: u64) -> Self {
        let bar = ProgressBar::with_draw_target(Some(steps), ProgressDrawTarget::hidden());
        let style = ProgressStyle::with_template("judging {pos}/{len} {wide_bar} {eta} {msg}");
        Self { bar: style.map(|style| bar.clone().with_style(style)).unwrap_or(bar), since: Instant::now() }
    }

    fn step(&self, path: &Path) {
        if self.bar.is_hidden() && self.since.elapsed() > Duration::from_secs(1) && std::io::stderr().is_terminal() {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        self.bar.set_message(path.display().to_string());
        self.bar.inc(1);
    }
}
