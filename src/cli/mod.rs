//! The command line: a file or a folder for each subcommand, which reads its options, calls what does the work and writes
//! what came of it. Only these know a terminal, standard output or an exit code; what they share is in `exit.rs`, `options.rs`
//! and `files.rs`.

mod brief;
mod check;
mod commands;
mod compare;
mod completions;
mod cue;
mod draft;
mod exit;
mod files;
mod inspect;
mod judge;
mod manual;
mod options;
mod register;
mod rehearse;
mod trials;
mod verify;

pub use commands::{Cli, run};
pub use exit::{Exit, shown_safely, told};
