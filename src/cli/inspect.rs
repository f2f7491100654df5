use std::io::Write;

use super::Exit;

/// Show what recordings hold
#[derive(Debug, clap::Args)]
pub struct InspectArgs {}

pub fn run(_args: &InspectArgs, _out: &mut impl Write) -> anyhow::Result<Exit> {
    anyhow::bail!("not yet written")
}
