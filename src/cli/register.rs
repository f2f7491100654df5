use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use chrono::{DateTime, NaiveDate, Utc};
use clap::Subcommand;
use clap::builder::PossibleValuesParser;

use super::exit::{Exit, say_aside};
use super::files::{Inputs, shown, write_whole_by};
use super::options::{NAME, style};
use crate::register::{
    Added, Answer, Filters, KeptJudgement, Limits, Register, RejudgeOutcome, VIEWS, VerdictDocument, View,
};
use crate::report::grid;
use crate::report::table;
use crate::text::{safe, safe_lines, wrap};
use crate::verify::FilesByHash;

/// Keep a season's verdicts in one file, find them again, ask them questions
///
/// A session is what was ridden: one unit, its recordings and its protocol. Judged again, by a newer program or from a
/// corrected session file, it is superseded by what is added last; the older judgements stay readable.
#[derive(Debug, clap::Args)]
#[command(disable_help_subcommand = true)]
pub struct RegisterArgs {
    #[command(subcommand)]
    command: Command,
}

/// Where the register is.
#[derive(Debug, clap::Args)]
struct RegisterPath {
    /// The register: one file
    #[arg(long, value_name = "FILE", default_value = "assize-register.sqlite")]
    register: PathBuf,
}

#[derive(Debug, Subcommand)]
enum Command {
    Add(AddArgs),
    List(ListArgs),
    Show(ShowArgs),
    Ask(AskArgs),
    Export(ExportArgs),
    Rejudge(RejudgeArgs),
}

/// Add verdicts; the register is begun where there is none
///
/// Each verdict is on the disk once its line is printed. Adding one again changes nothing. Exit code 2 if any was refused;
/// the others are kept.
#[derive(Debug, clap::Args)]
struct AddArgs {
    /// Verdicts as `assize judge` writes them
    #[arg(required = true, value_name = "VERDICT.json")]
    verdicts: Vec<PathBuf>,
    #[command(flatten)]
    place: RegisterPath,
    /// When they are added (RFC 3339), if not now
    #[arg(long, value_name = "TIME")]
    at: Option<DateTime<Utc>>,
}

/// List sessions, the latest ridden first
#[derive(Debug, clap::Args)]
struct ListArgs {
    #[command(flatten)]
    place: RegisterPath,
    /// Label of the unit under test; all text is compared whole, its letters in either case
    #[arg(long, value_name = "LABEL")]
    unit: Option<String>,
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    #[arg(long, value_name = "VERSION")]
    firmware: Option<String>,
    /// Title of the protocol
    #[arg(long, value_name = "TITLE")]
    protocol: Option<String>,
    #[arg(long, value_name = "NAME")]
    tester: Option<String>,
    /// First day of riding (UTC), as 2026-11-01
    #[arg(long, value_name = "DAY")]
    from: Option<NaiveDate>,
    /// Last day of riding
    #[arg(long, value_name = "DAY")]
    to: Option<NaiveDate>,
    #[arg(long, value_name = "WORD", value_parser = PossibleValuesParser::new(["pass", "fail", "undecided", "not ridden", "advisory"]))]
    verdict: Option<String>,
    /// A pattern of faults that was found, as ring-dependent
    #[arg(long, value_name = "PATTERN")]
    pattern: Option<String>,
    /// At most this many lines [default: 200 in the table, all with --csv]
    #[arg(long, value_name = "N")]
    rows: Option<usize>,
    /// Every column of the view `sessions`, comma-separated
    #[arg(long)]
    csv: bool,
}

/// Show a kept verdict
#[derive(Debug, clap::Args)]
struct ShowArgs {
    /// Number of the sheet, or its beginning
    #[arg(value_name = "SHEET")]
    sheet: String,
    #[command(flatten)]
    place: RegisterPath,
    /// Every judgement of the session, superseded ones too, newest first
    #[arg(long, conflicts_with = "judgement")]
    all: bool,
    /// One judgement of the session by its number, as --all tells it
    #[arg(long, value_name = "N")]
    judgement: Option<i64>,
    /// The verdict file byte for byte as it was added
    #[arg(long, conflicts_with = "all")]
    json: bool,
}

/// Ask by SQL: one reading statement
#[derive(Debug, clap::Args)]
struct AskArgs {
    /// A SELECT, as "SELECT unit, count(*) FROM sessions GROUP BY unit"
    #[arg(value_name = "SQL", required_unless_present = "views")]
    question: Option<String>,
    #[command(flatten)]
    place: RegisterPath,
    /// List the views, their columns and a usual question to each
    #[arg(long, conflicts_with = "question")]
    views: bool,
    /// Stop a question that takes longer
    #[arg(long, value_name = "N", default_value_t = 10, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    seconds: u64,
    /// At most this many lines of the answer
    #[arg(long, value_name = "N", default_value_t = 1000)]
    rows: usize,
    /// Comma-separated, every digit, nothing cut
    #[arg(long)]
    csv: bool,
}

/// Write views as CSV, all of the same moment
#[derive(Debug, clap::Args)]
struct ExportArgs {
    /// Views to write; all, if none is named
    #[arg(value_name = "VIEW", value_parser = PossibleValuesParser::new(VIEWS.iter().map(|view| view.name)))]
    views: Vec<String>,
    #[command(flatten)]
    place: RegisterPath,
    /// Folder for a file per view; made where it is missing
    #[arg(long, value_name = "DIR")]
    csv: PathBuf,
}

/// Judge every kept session again and keep what comes out differently
///
/// Session files are looked for where the verdict lay when it was added, recordings where the session says, and both by
/// their hashes in the folders of --recordings. A judgement that differs only in digits that no sheet shows is the same. Exit code 1 if a session came out differently, 2 if one could not be judged
/// again.
#[derive(Debug, clap::Args)]
struct RejudgeArgs {
    #[command(flatten)]
    place: RegisterPath,
    /// Folder to look in, with the folders in it; may be given again
    #[arg(long, value_name = "DIR")]
    recordings: Vec<PathBuf>,
    /// When what differs is added (RFC 3339), if not now
    #[arg(long, value_name = "TIME")]
    at: Option<DateTime<Utc>>,
}

pub fn run(args: &RegisterArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    match &args.command {
        Command::Add(args) => add(args, out),
        Command::List(args) => list(args, out),
        Command::Show(args) => show(args, out),
        Command::Ask(args) => ask(args, out),
        Command::Export(args) => export(args, out),
        Command::Rejudge(args) => rejudge(args, out),
    }
}

fn add(args: &AddArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut inputs = Inputs::default();
    inputs.extend(&args.verdicts);
    inputs.may_write([&args.place.register])?;
    let mut register = Register::open(&args.place.register)?;
    let mut exit = Exit::Done;
    for file in &args.verdicts {
        let document = match VerdictDocument::read(file) {
            Ok(document) => document,
            Err(error) => {
                out.flush()?;
                say_aside(&format!("refused: {}: {error}", file.display()));
                exit = Exit::CouldNotJudge;
                continue;
            }
        };
        let added = register.add(&document, args.at.unwrap_or_else(Utc::now))?;
        writeln!(out, "{}", became(&document, &added))?;
        // Said as soon as it is so, whatever happens to the rest.
        out.flush()?;
    }
    Ok(exit)
}

/// What became of a verdict, in a line.
fn became(document: &VerdictDocument, added: &Added) -> String {
    let v = &document.verdict;
    let this =
        format!("{} {}, {}", safe(&v.sheet_number), safe(&v.unit.label), v.verdict.map_or("advisory", |o| o.word()));
    match added {
        Added::New { other_unit: None } => format!("kept: {this}"),
        Added::New { other_unit: Some(other) } => format!(
            "kept: {this}; the same recordings are kept for {} too: if that is this unit under another label, they count twice",
            safe(other)
        ),
        Added::Already { newest: true } => format!("already kept, nothing changed: {this}"),
        Added::Already { newest: false } => {
            format!("already kept and superseded since, nothing changed: {this}")
        }
        Added::Supersedes { sheet_number, program, verdict } => {
            let before = verdict.as_deref().unwrap_or("advisory");
            let by = if *program == v.assize { String::new() } else { format!(" by {}", safe(program)) };
            format!("kept: {this}; supersedes {}, {before}{by}, which stays readable", safe(sheet_number))
        }
    }
}

const LIST_ROWS: usize = 200;
/// Columns of the list and what stands above them. A sheet's number begins with the day of the ride.
const LISTED: [(&str, &str); 6] = [
    ("coalesce(verdict, 'advisory')", "Verdict"),
    ("sheet_number", "Sheet"),
    ("unit", "Unit"),
    ("firmware", "Firmware"),
    ("tester", "Tester"),
    ("coalesce(protocol, '')", "Protocol"),
];

fn list(args: &ListArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let register = Register::open_to_read(&args.place.register)?;
    let filters = Filters {
        unit: args.unit.clone(),
        model: args.model.clone(),
        firmware: args.firmware.clone(),
        protocol: args.protocol.clone(),
        tester: args.tester.clone(),
        from: args.from,
        to: args.to,
        verdict: args.verdict.clone(),
        pattern: args.pattern.clone(),
    };
    if args.csv {
        let columns: Vec<&str> = VIEWS[0].columns.iter().map(|(name, _)| *name).collect();
        let (answer, _) = register.list(&filters, &columns, args.rows.unwrap_or(usize::MAX))?;
        csv(&answer, out)?;
        return Ok(Exit::Done);
    }
    let columns = LISTED.map(|(column, _)| column);
    let (answer, all) = register.list(&filters, &columns, args.rows.unwrap_or(LIST_ROWS))?;
    if all == 0 {
        writeln!(out, "no session here is so")?;
        return Ok(Exit::Done);
    }
    grid::table(&LISTED.map(|(_, head)| head.to_owned()), &answer.lines, &[0, 1], out)?;
    let sessions = if all == 1 { "session" } else { "sessions" };
    match answer.more {
        true => writeln!(out, "\n{} of {all} {sessions}; --rows {all} shows all", answer.lines.len())?,
        false => writeln!(out, "\n{all} {sessions}")?,
    }
    Ok(Exit::Done)
}

fn csv(answer: &Answer, out: &mut impl Write) -> anyhow::Result<()> {
    Ok(grid::csv(&answer.heads, answer.lines.iter().map(|line| Ok(line.as_slice())), out)?)
}

fn show(args: &ShowArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let register = Register::open_to_read(&args.place.register)?;
    let found = register.sheet(&args.sheet)?;
    let all = &found.judgements;
    let shown: Vec<&KeptJudgement> =
        match args.judgement {
            Some(number) => {
                let numbers: Vec<String> = all.iter().map(|judged| judged.judgement.to_string()).collect();
                let judged = all.iter().find(|judged| judged.judgement == number);
                vec![judged.with_context(|| {
                    format!("that session has no judgement {number}; it has {}", numbers.join(", "))
                })?]
            }
            None if args.all => all.iter().collect(),
            None => vec![&all[found.named]],
        };
    if args.json {
        for judged in shown {
            out.write_all(&register.document(judged.judgement)?)?;
        }
        return Ok(Exit::Done);
    }
    let style = style();
    for (i, judged) in shown.iter().enumerate() {
        if i > 0 {
            writeln!(out, "\n{}\n", "-".repeat(80))?;
        }
        facts(judged, all, out)?;
        table::write(&register.verdict(judged.judgement)?, out, style).context("writing the table")?;
    }
    Ok(Exit::Done)
}

/// What the register knows of a judgement and the verdict does not.
fn facts(judged: &KeptJudgement, all: &[KeptJudgement], out: &mut impl Write) -> anyhow::Result<()> {
    writeln!(out, "Sheet {}, judged by {} {}", safe(&judged.sheet_number), NAME, safe(&judged.program))?;
    let place = if judged.newest {
        match all.len() - 1 {
            0 => String::new(),
            1 => ", supersedes an older one (--all shows both)".to_owned(),
            older => format!(", supersedes {older} older ones (--all shows them)"),
        }
    } else {
        let newest = all.iter().find(|other| other.newest);
        let newest = newest.map(|newest| format!(" by judgement {}, sheet {}", newest.judgement, newest.sheet_number));
        format!(", SUPERSEDED{}", safe(&newest.unwrap_or_default()))
    };
    writeln!(out, "Judgement {}, added {}{place}", judged.judgement, judged.added)?;
    let file = Path::new(&judged.folder).join(&judged.verdict_file);
    writeln!(out, "Added from {}\n", safe(&file.to_string_lossy()))?;
    Ok(())
}

fn ask(args: &AskArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let Some(question) = &args.question else {
        for (i, view) in VIEWS.iter().enumerate() {
            if i > 0 {
                writeln!(out)?;
            }
            describe(view, out)?;
        }
        return Ok(Exit::Done);
    };
    let mut register = Register::open_to_read(&args.place.register)?;
    let limits = Limits { time: Duration::from_secs(args.seconds), lines: args.rows };
    let answer = register.ask(question, limits)?;
    if args.csv {
        csv(&answer, out)?;
    } else {
        grid::table(&answer.heads, &answer.lines, &[], out)?;
    }
    if answer.more {
        out.flush()?;
        // Beside the answer, which may go into a file.
        say_aside(&format!("note: only the first {} lines; --rows shows more", args.rows));
    }
    Ok(Exit::Done)
}

fn describe(view: &View, out: &mut impl Write) -> anyhow::Result<()> {
    writeln!(out, "{}: {}", view.name, view.says)?;
    for (column, says) in view.columns {
        writeln!(out, "  {column:<26}{says}")?;
    }
    for (i, line) in wrap(view.question, 72).iter().enumerate() {
        writeln!(out, "{}{line}", if i == 0 { "  as in: " } else { "         " })?;
    }
    Ok(())
}

fn export(args: &ExportArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut register = Register::open_to_read(&args.place.register)?;
    let dir = &args.csv;
    let asked = |view: &&View| args.views.is_empty() || args.views.iter().any(|name| name == view.name);
    let to = |view: &View| dir.join(format!("{}.csv", view.name));
    let mut inputs = Inputs::default();
    inputs.add(&args.place.register);
    inputs.may_write(VIEWS.iter().filter(asked).map(to))?;
    std::fs::create_dir_all(dir).with_context(|| format!("making the folder {}", dir.display()))?;
    let moment = register.moment()?;
    for view in VIEWS.iter().filter(asked) {
        let to = to(view);
        let mut written = 0;
        write_whole_by(&to, |file| {
            let heads: Vec<String> = view.columns.iter().map(|(name, _)| (*name).to_owned()).collect();
            let mut lines = grid::Lines::new(&heads, file)?;
            written = moment.each_line(view, |line| lines.line(line))?;
            Ok(lines.finish()?)
        })
        .with_context(|| format!("writing {}", to.display()))?;
        writeln!(out, "{}: {written} {}", shown(&to), if written == 1 { "line" } else { "lines" })?;
    }
    Ok(Exit::Done)
}

fn rejudge(args: &RejudgeArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    // So that a register that is not there is not begun.
    let all = Register::open_to_read(&args.place.register)?.all_newest()?;
    let mut register = Register::open(&args.place.register)?;
    let mut shelf = FilesByHash::default();
    for folder in &args.recordings {
        let more = FilesByHash::of(folder).with_context(|| format!("looking into {}", folder.display()))?;
        shelf = shelf.and(more);
    }
    let (mut same, mut unfound) = (0_usize, vec![]);
    let mut differing = 0_usize;
    for judged in &all {
        match register.judge_again(judged, &shelf)? {
            RejudgeOutcome::Same => same += 1,
            RejudgeOutcome::Unfound(why) => unfound.push((judged, why)),
            RejudgeOutcome::Differs { document, verdict, checks } => {
                differing += 1;
                register.add(&document, args.at.unwrap_or_else(Utc::now))?;
                let word = |word: Option<&str>| word.unwrap_or("advisory").to_owned();
                let (before, now) = (word(judged.verdict_word.as_deref()), word(verdict));
                let verdicts =
                    if before == now { format!("{now} as before") } else { format!("{before} became {now}") };
                let checks = match checks {
                    0 => "no check differs".to_owned(),
                    1 => "one check differs".to_owned(),
                    many => format!("{many} checks differ"),
                };
                let by = format!("{} in place of {}", document.verdict.assize, judged.program);
                writeln!(out, "{}: {verdicts}, {checks}; judged by {}", safe(&judged.sheet_number), safe(&by))?;
                out.flush()?;
            }
        }
    }
    for (judged, why) in &unfound {
        writeln!(out, "{}: not judged again: {}", safe(&judged.sheet_number), safe_lines(&why.to_string()))?;
    }
    writeln!(out, "{} the same, {differing} kept anew, {} not judged again", same, unfound.len())?;
    Ok(match (differing, unfound.is_empty()) {
        (_, false) => Exit::CouldNotJudge,
        (0, true) => Exit::Done,
        _ => Exit::Fail,
    })
}
