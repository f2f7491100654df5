use std::io::Write;

use super::Exit;

/// Make sessions with known faults
#[derive(Debug, clap::Args)]
pub struct RehearseArgs {}

pub fn run(_args: &RehearseArgs, _out: &mut impl Write) -> anyhow::Result<Exit> {
    anyhow::bail!("not yet written")
}
