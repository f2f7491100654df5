use std::io::Write;

use super::Exit;

/// Read protocol and session files and list every mistake
#[derive(Debug, clap::Args)]
pub struct CheckArgs {}

pub fn run(_args: &CheckArgs, _out: &mut impl Write) -> anyhow::Result<Exit> {
    anyhow::bail!("not yet written")
}
