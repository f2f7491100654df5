//! The command line: one file per subcommand.

mod brief;
mod check;
mod compare;
mod completions;
mod cue;
mod draft;
mod files;
mod inspect;
mod judge;
mod manual;
mod register;
mod rehearse;
mod trials;
mod verify;

use std::io::Write;

use clap::{Parser, Subcommand};

/// What the program's exit code says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done, or judged `pass`: 0.
    Done,
    /// Judged `fail`, a checked file has mistakes, or a verified verdict differs: 1.
    Fail,
    /// Could not judge or verify (usage or input): 2.
    CouldNotJudge,
    /// Judged `undecided`: 3.
    Undecided,
}

impl Exit {
    pub fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::Fail => 1,
            Exit::CouldNotJudge => 2,
            Exit::Undecided => 3,
        }
    }
}

/// A power as an option takes it.
fn watts(text: &str) -> Result<f64, String> {
    crate::protocol::watts(text).map_err(|slip| slip.to_string())
}

/// What the program is called.
const NAME: &str = "assize";

/// Accuracy trials of cycling power meters: recordings in, a verdict sheet out
#[derive(Debug, Parser)]
#[command(name = NAME, version, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Judge(judge::JudgeArgs),
    Draft(draft::DraftArgs),
    Cue(cue::CueArgs),
    Check(check::CheckArgs),
    Verify(verify::VerifyArgs),
    Compare(compare::CompareArgs),
    Inspect(inspect::InspectArgs),
    Brief(brief::BriefArgs),
    Register(register::RegisterArgs),
    // Many options; each other command would carry room for them.
    Rehearse(Box<rehearse::RehearseArgs>),
    Completions(completions::CompletionsArgs),
    Manual(manual::ManualArgs),
}

/// Runs one command; everything meant for the user's eyes goes to `out`.
pub fn run(cli: &Cli, out: &mut impl Write) -> anyhow::Result<Exit> {
    match &cli.command {
        Command::Judge(args) => judge::run(args, out),
        Command::Draft(args) => draft::run(args, out),
        Command::Cue(args) => cue::run(args, out),
        Command::Check(args) => check::run(args, out),
        Command::Verify(args) => verify::run(args, out),
        Command::Compare(args) => compare::run(args, out),
        Command::Inspect(args) => inspect::run(args, out),
        Command::Brief(args) => brief::run(args, out),
        Command::Register(args) => register::run(args, out),
        Command::Rehearse(args) => rehearse::run(args, out),
        Command::Completions(args) => completions::run(args, out),
        Command::Manual(args) => manual::run(args, out),
    }
}
