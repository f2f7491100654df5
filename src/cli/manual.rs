use std::io::Write;
use std::path::PathBuf;

use anyhow::Context;
use clap::Command;
use clap_mangen::Man;

use super::exit::Exit;
use super::files::{shown, write_whole};
use super::options::NAME;

/// Write the manual: a page for the program and one for each command
///
/// Read one with man DIR/assize-judge.1, or put them where man looks, as ~/.local/share/man/man1.
#[derive(Debug, clap::Args)]
pub struct ManualArgs {
    /// Folder for the pages; made where it is missing
    dir: PathBuf,
}

pub fn run(args: &ManualArgs, program: Command, out: &mut impl Write) -> anyhow::Result<Exit> {
    let dir = &args.dir;
    std::fs::create_dir_all(dir).with_context(|| format!("making the folder {}", dir.display()))?;
    for page in pages(program) {
        let to = dir.join(page.get_filename());
        let mut bytes = vec![];
        page.render(&mut bytes).context("making a page of the manual")?;
        write_whole(&to, &bytes).with_context(|| format!("writing {}", to.display()))?;
        writeln!(out, "{}", shown(&to))?;
    }
    Ok(Exit::Done)
}

/// Of the program, then of its commands in the order of its help.
fn pages(program: Command) -> Vec<Man> {
    let mut program = program.disable_help_subcommand(true);
    // Gives each command its full name, and the options that all have.
    program.build();
    let shown = |command: &Command| -> Vec<Command> {
        command.get_subcommands().filter(|c| !c.is_hide_set()).cloned().collect()
    };
    // A command, then what it has of its own.
    let with_its_own = |command: Command| std::iter::once(command.clone()).chain(shown(&command));
    let commands: Vec<Command> = shown(&program).into_iter().flat_map(with_its_own).collect();
    let source = format!("{} {}", NAME, program.get_version().unwrap_or_default());
    // The same program writes the same page: no date. An empty one would vanish and the source take its place.
    let page = |command| Man::new(command).source(source.clone()).date(" ").manual("Manual of assize");
    std::iter::once(program).chain(commands).map(page).collect()
}
