use std::io::Write;

use anyhow::Context;
use clap::Command;
use clap_complete::Shell;

use super::exit::Exit;
use super::options::NAME;

/// Print what makes a shell complete this program's commands and options
///
/// For one session: source <(assize completions bash). To keep: write it where the shell looks, as
/// ~/.local/share/bash-completion/completions/assize.
#[derive(Debug, clap::Args)]
pub struct CompletionsArgs {
    /// Which shell
    shell: Shell,
}

pub fn run(args: &CompletionsArgs, mut program: Command, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut script = vec![];
    clap_complete::generate(args.shell, &mut program, NAME, &mut script);
    out.write_all(&script).context("writing the completions")?;
    Ok(Exit::Done)
}
