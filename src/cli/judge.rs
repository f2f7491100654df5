use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::exit::{Exit, say_aside};
use super::files::{Inputs, Numbered, is_standard_output, make_room, shown, write_whole};
use super::options::{files_of, load_protocol_noting, style};
use crate::against_truth::TruthCounts;
use crate::judge::Judgement;
use crate::quantity::{Bound, Join, Quantity, Unit};
use crate::rehearse::TruthFile;
use crate::report;
use crate::session::{Instrument, Location, Reference, Session, Sides};
use crate::text::SafeWriter;
use crate::verdict::{Outcome, Verdict};
use crate::{against_truth, judge, recording, session};

/// Judge ridden sessions against their protocol
///
/// Writes verdict.json and sheet.html beside session.yaml (NAME-verdict.json and NAME-sheet.html beside any other NAME.yaml),
/// and a table to the terminal. Another sheet or verdict that lies there is kept under its own number. Exit code: 0 pass,
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
    /// Marks that `assize cue` wrote while riding, in place of the session's own
    #[arg(long, value_name = "FILE")]
    marks: Option<PathBuf>,
    /// Where to write the verdict as JSON; - for standard output
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Where to write the sheet; - for standard output
    #[arg(long, value_name = "FILE")]
    sheet: Option<PathBuf>,
    /// Where to write a line per check, for spreadsheets and scripts; - for standard output
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Where to write a case per check, in the XML form that build servers read of tests; - for standard output
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Where to write each picture as a file of its own: SVG (and PNG, by a build with the feature `png`), for an article and
    /// 16:9, and its numbers as CSV
    #[arg(long, value_name = "DIR")]
    charts: Option<PathBuf>,
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

/// What judging can write beside the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Document {
    Sheet,
    Verdict,
    Lines,
    Cases,
}

impl Document {
    const ALL: [Document; 4] = [Document::Sheet, Document::Verdict, Document::Lines, Document::Cases];

    fn option(self) -> &'static str {
        match self {
            Document::Sheet => "--sheet",
            Document::Verdict => "--json",
            Document::Lines => "--csv",
            Document::Cases => "--junit",
        }
    }

    /// What the terminal calls it.
    fn name(self) -> &'static str {
        match self {
            Document::Sheet => "Sheet",
            Document::Verdict => "Verdict",
            Document::Lines => "Checks, a line each",
            Document::Cases => "Checks, for a build server",
        }
    }

    fn asked(self, args: &JudgeArgs) -> Option<&Path> {
        let asked = match self {
            Document::Sheet => &args.sheet,
            Document::Verdict => &args.json,
            Document::Lines => &args.csv,
            Document::Cases => &args.junit,
        };
        asked.as_deref()
    }

    /// What keeps it apart from that of another session.
    fn numbered(self) -> Option<Numbered> {
        match self {
            Document::Sheet => Some(Numbered::Sheet),
            Document::Verdict => Some(Numbered::Verdict),
            Document::Lines | Document::Cases => None,
        }
    }

    /// Where it goes: as asked, or beside the session; `None` for what is only made when asked for.
    fn to(self, args: &JudgeArgs, beside: &Beside, suffix: &str) -> Option<PathBuf> {
        let Beside { folder, prefix } = beside;
        let beside = |stem, extension| Some(folder.join(format!("{prefix}{stem}{suffix}.{extension}")));
        self.asked(args).map(Path::to_owned).or_else(|| match self {
            Document::Sheet => beside("sheet", "html"),
            Document::Verdict => beside("verdict", "json"),
            Document::Lines | Document::Cases => None,
        })
    }

    fn render(self, judgement: &Judgement) -> anyhow::Result<Vec<u8>> {
        let verdict = &judgement.verdict;
        let mut bytes = vec![];
        match self {
            Document::Sheet => bytes = report::html::render(judgement).context("making the sheet")?.into_bytes(),
            Document::Verdict => bytes = crate::verdict::json::to_string(verdict).into_bytes(),
            Document::Lines => report::csv::write(verdict, &mut bytes).context("making the lines")?,
            Document::Cases => report::suites::write(verdict, &mut bytes).context("making the cases")?,
        }
        Ok(bytes)
    }
}

/// Where outputs go whose file nobody named.
struct Beside {
    folder: PathBuf,
    /// The session's own name, so that several sessions of one folder keep apart; none for `session.yaml`.
    prefix: String,
}

impl Beside {
    fn of(session: &Path) -> Self {
        let stem = session.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
        let prefix = if stem == "session" { String::new() } else { format!("{stem}-") };
        Self { folder: session.parent().unwrap_or(Path::new("")).to_owned(), prefix }
    }

    /// Here, where there is no session file.
    fn nothing() -> Self {
        Self { folder: PathBuf::new(), prefix: String::new() }
    }
}

/// Standard output carries one thing at a time.
fn one_to_standard_output(args: &JudgeArgs) -> anyhow::Result<()> {
    let to_standard = |document: &Document| document.asked(args).is_some_and(is_standard_output);
    let options: Vec<String> =
        Document::ALL.into_iter().filter(to_standard).map(|document| format!("{} -", document.option())).collect();
    match options.as_slice() {
        [one] if !args.truth.is_empty() => {
            bail!("--truth reports to standard output, where {one} already writes; give that a file")
        }
        [] | [_] => Ok(()),
        several => {
            bail!("{} would all write to standard output; give all but one of them a file", several.join(" and "))
        }
    }
}

/// Before anything is judged.
fn may_write_asked(args: &JudgeArgs, inputs: &Inputs) -> anyhow::Result<()> {
    inputs.may_write(Document::ALL.into_iter().filter_map(|document| document.asked(args)))
}

/// One file can't hold what is made for each of several units.
fn no_file_named(args: &JudgeArgs, instead: &str) -> anyhow::Result<()> {
    if args.charts.is_some() {
        bail!("--charts names the folder of one unit's pictures; judge one session with one unit at a time");
    }
    if Document::ALL.iter().all(|document| document.asked(args).is_none()) {
        return Ok(());
    }
    let options = Document::ALL.map(Document::option);
    bail!(
        "{} and {} name one file each; {instead}",
        options[..options.len() - 1].join(", "),
        options[options.len() - 1]
    )
}

/// The truths given, and the counts of what stood beside them.
struct GivenTruths {
    files: Vec<(PathBuf, TruthFile)>,
    sum: TruthCounts,
}

impl GivenTruths {
    fn load(args: &JudgeArgs) -> anyhow::Result<Self> {
        let load = |file: &PathBuf| Ok((file.clone(), TruthFile::load(file)?));
        let files = args.truth.iter().map(load).collect::<anyhow::Result<Vec<_>>>()?;
        Ok(Self { files, sum: TruthCounts::default() })
    }

    /// Holds a verdict against the truth of its recordings.
    fn report(&mut self, verdict: &Verdict, out: &mut impl Write) -> anyhow::Result<()> {
        let mut refusals = vec![];
        for (file, truth) in &self.files {
            match against_truth::compare(verdict, truth) {
                Ok(comparison) => {
                    self.sum += comparison.sum();
                    let mut out = SafeWriter::new(out);
                    report::truth::write(&comparison, &mut out).context("writing what the truth says")?;
                    return Ok(out.flush()?);
                }
                Err(other) => refusals.push(format!("{}: {other}", file.display())),
            }
        }
        if refusals.is_empty() { Ok(()) } else { bail!("{}", refusals.join("\n")) }
    }
}

pub fn run(args: &JudgeArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    one_to_standard_output(args)?;
    let mut truths = GivenTruths::load(args)?;
    let mut inputs = Inputs::default();
    inputs.extend(args.sessions.iter().chain(&args.truth).chain(&args.marks));
    inputs.extend(args.unit.iter().chain(&args.reference));
    may_write_asked(args, &inputs)?;
    if args.unit.is_some() {
        let session = session_from_args(args, &mut inputs)?;
        let judged = judge_one(args, &session, &Beside::nothing(), &inputs, &mut truths, out)?;
        return Ok(exit(args, [judged]));
    }
    if args.sessions.len() > 1 && args.marks.is_some() {
        bail!("--marks are of one ride; with several sessions write `marks: FILE` into each session file");
    }
    if args.sessions.len() > 1 {
        no_file_named(
            args,
            "with several sessions leave them out (sheet and verdict go beside each session) or judge one at a time",
        )?;
    }
    let progress = Progress::over(args.sessions.len() as u64);
    let mut exits = Vec::new();
    for path in &args.sessions {
        exits.push(match load_and_judge(args, path, &mut inputs, &mut truths, out) {
            Ok(exit) => exit,
            Err(error) if args.sessions.len() > 1 => {
                out.flush()?;
                say_aside(&format!("error: {}: {error:#}", path.display()));
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

fn load_and_judge(
    args: &JudgeArgs,
    path: &Path,
    inputs: &mut Inputs,
    truths: &mut GivenTruths,
    out: &mut impl Write,
) -> anyhow::Result<Exit> {
    let mut session =
        session::load(path).map_err(|problems| anyhow::anyhow!("the session can't be used\n\n{problems}"))?;
    put_protocol(args, &mut session, inputs)?;
    add_pins(args, &mut session)?;
    add_marks(args, &mut session)?;
    judge_one(args, &session, &Beside::of(path), inputs, truths, out)
}

/// The protocol that an option names in place of the session's own.
fn put_protocol(args: &JudgeArgs, session: &mut Session, inputs: &mut Inputs) -> anyhow::Result<()> {
    if let Some(file) = &args.protocol {
        let (protocol, cautions) = load_protocol_noting(file, session.threshold_power_w, inputs)?;
        session.protocol = Some(protocol);
        session.cautions.extend(cautions);
    }
    Ok(())
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

fn add_marks(args: &JudgeArgs, session: &mut Session) -> anyhow::Result<()> {
    let Some(file) = &args.marks else { return Ok(()) };
    let Some(protocol) = &session.protocol else {
        bail!("--marks names phases of a protocol, and without a protocol there are none");
    };
    let marks = session::load_marks(file, Some(protocol));
    session.marks_file = Some(marks.map_err(|problems| anyhow::anyhow!("the marks file can't be used\n\n{problems}"))?);
    Ok(())
}

fn judge_one(
    args: &JudgeArgs,
    session: &Session,
    beside: &Beside,
    inputs: &Inputs,
    truths: &mut GivenTruths,
    out: &mut impl Write,
) -> anyhow::Result<Exit> {
    let mut inputs = Inputs::clone(inputs);
    inputs.extend(files_of(session));
    may_write_asked(args, &inputs)?;
    let judgements = judge::judge(session)?;
    if judgements.len() > 1 {
        no_file_named(args, "a session with several units writes a sheet and a verdict per unit beside the session")?;
    }
    let suffixes = suffixes(&judgements);
    let wanted = |suffix: &String| -> Vec<(Document, PathBuf)> {
        let to = |document: Document| Some((document, document.to(args, beside, suffix)?));
        Document::ALL.into_iter().filter_map(to).collect()
    };
    let wanted: Vec<_> = suffixes.iter().map(wanted).collect();
    inputs.may_write(wanted.iter().flatten().map(|(_, to)| to))?;
    let mut exits = Vec::new();
    for (judgement, wanted) in judgements.iter().zip(&wanted) {
        exits.push(write_all(args, judgement, wanted, &inputs, out)?);
        truths.report(&judgement.verdict, out)?;
    }
    Ok(exit(args, exits))
}

fn write_all(
    args: &JudgeArgs,
    judgement: &Judgement,
    wanted: &[(Document, PathBuf)],
    inputs: &Inputs,
    out: &mut impl Write,
) -> anyhow::Result<Exit> {
    let verdict = &judgement.verdict;
    let bytes = wanted.iter().map(|(document, _)| document.render(judgement)).collect::<anyhow::Result<Vec<_>>>()?;
    let pictures = match &args.charts {
        Some(folder) => pictures(judgement, folder, inputs)?,
        None => vec![],
    };
    // A document that was asked for there takes the table's place.
    let table = !wanted.iter().any(|(_, to)| is_standard_output(to));
    if table {
        report::table::write(verdict, out, style()).context("writing the table")?;
        if args.explain {
            report::table::assignment(judgement, out).context("writing the assignment")?;
        }
        writeln!(out)?;
        for (document, to) in wanted {
            let number =
                if *document == Document::Sheet { format!(" {}", verdict.sheet_number) } else { String::new() };
            writeln!(out, "{}{number}: {}", document.name(), shown(to))?;
        }
        if let Some(folder) = &args.charts {
            writeln!(out, "Pictures: {}", shown(folder))?;
            if !report::publish::DRAWS_PNG {
                writeln!(out, "  as SVG and CSV: this build draws no PNG, one made with `--features png` does")?;
            }
        }
    }
    for ((document, to), bytes) in wanted.iter().zip(&bytes) {
        if is_standard_output(to) {
            out.write_all(bytes)?;
            continue;
        }
        let kept = document.numbered().map(|kind| make_room(to, kind, &verdict.sheet_number)).transpose()?.flatten();
        match kept {
            Some(kept) if table => writeln!(out, "{}", kept.told())?,
            Some(kept) => say_aside(&kept.told()),
            None => {}
        }
        write_whole(to, bytes).with_context(|| format!("writing {}", to.display()))?;
    }
    if let Some(folder) = &args.charts {
        std::fs::create_dir_all(folder).with_context(|| format!("making the folder {}", folder.display()))?;
    }
    for (to, bytes) in &pictures {
        write_whole(to, bytes).with_context(|| format!("writing {}", to.display()))?;
    }
    Ok(match verdict.verdict {
        Some(Outcome::Fail) => Exit::Fail,
        Some(Outcome::NotJudged) => Exit::CouldNotJudge,
        Some(Outcome::Undecided | Outcome::NotRidden | Outcome::NotRecorded) => Exit::Undecided,
        _ => Exit::Done,
    })
}

/// The pictures with their places, none of which is an input.
fn pictures(judgement: &Judgement, folder: &Path, inputs: &Inputs) -> anyhow::Result<Vec<(PathBuf, Vec<u8>)>> {
    let files = report::publish::files(judgement).context("drawing the pictures")?;
    let files: Vec<_> = files.into_iter().map(|file| (folder.join(&file.name), file.bytes)).collect();
    inputs.may_write(files.iter().map(|(to, _)| to))?;
    Ok(files)
}

/// What tells the files of a session's units apart: nothing for one, of several each unit's label, with a number where
/// two labels make the same name.
fn suffixes(judgements: &[Judgement]) -> Vec<String> {
    if judgements.len() < 2 {
        return judgements.iter().map(|_| String::new()).collect();
    }
    let mut suffixes: Vec<String> = vec![];
    for judgement in judgements {
        let word = format!("-{}", file_word(&judgement.verdict.unit.label));
        let names = (1..).map(|n| if n == 1 { word.clone() } else { format!("{word}-{n}") });
        // Some file systems keep no letters apart by their case.
        let is_taken = |name: &str| suffixes.iter().any(|taken| taken.to_lowercase() == name.to_lowercase());
        let free = names.into_iter().find(|name| !is_taken(name)).unwrap_or_default();
        suffixes.push(free);
    }
    suffixes
}

/// A label in a file name: letters, digits and dashes.
fn file_word(label: &str) -> String {
    label.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect()
}

/// Says what was assumed because nobody said.
fn session_from_args(args: &JudgeArgs, inputs: &mut Inputs) -> anyhow::Result<Session> {
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
    put_protocol(args, &mut session, inputs)?;
    add_pins(args, &mut session)?;
    add_marks(args, &mut session)?;
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
        self.bar.set_message(shown(path));
        self.bar.inc(1);
    }
}
