//! All commands: how the program is called, and which file runs what.

use std::io::Write;

use clap::{CommandFactory, Parser, Subcommand};

use super::exit::Exit;
use super::options::NAME;
use super::{brief, check, compare, completions, cue, draft, inspect, judge, manual, register, rehearse, verify};

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
        Command::Completions(args) => completions::run(args, Cli::command(), out),
        Command::Manual(args) => manual::run(args, Cli::command(), out),
    }
}
