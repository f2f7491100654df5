use std::io::Write;

use super::Exit;

/// Judge ridden sessions against their protocol
#[derive(Debug, clap::Args)]
pub struct JudgeArgs {}

pub fn run(_args: &JudgeArgs, _out: &mut impl Write) -> anyhow::Result<Exit> {
    anyhow::bail!("not yet written")
}
