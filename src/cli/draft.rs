use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

use super::exit::{Exit, say_aside};
use super::files::{Inputs, shown, write_whole};
use super::options::load_protocol;
use crate::text::SafeWriter;
use crate::verdict::premise_evidence;
use crate::{premises, recording, session};

/// Write a session file from recordings, with ? where you must fill in
#[derive(Debug, clap::Args)]
pub struct DraftArgs {
    /// Recordings of one ride; the unit's first, where nothing else tells it from the references
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Protocol that was ridden
    #[arg(long, value_name = "FILE")]
    protocol: Option<PathBuf>,
    /// Session file to write, in place of standard output; paths in it start from its folder
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write over a session file that is there
    #[arg(long, requires = "out")]
    force: bool,
}

pub fn run(args: &DraftArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let mut inputs = Inputs::default();
    inputs.extend(args.files.iter().chain(&args.protocol));
    if let Some(to) = &args.out {
        may_write(args, to, &inputs)?;
    }
    let protocol = args.protocol.as_ref().map(|file| load_protocol(file, None, &mut inputs)).transpose()?;
    inputs.may_write(&args.out)?;
    let (mut recordings, mut unreadable) = (vec![], vec![]);
    for read in recording::read_all(&args.files) {
        match read {
            Ok(recording) => recordings.push(recording),
            Err(error) => unreadable.push(error.to_string()),
        }
    }
    let folder = args.out.as_deref().and_then(Path::parent).filter(|p| !p.as_os_str().is_empty());
    let tested = premises::of_files(recordings.clone());
    let contradicted: Vec<String> = tested.contradicted().map(premise_evidence).collect();
    let folder = folder.unwrap_or(Path::new("."));
    let draft = session::draft(&recordings, protocol.as_ref(), folder, &contradicted);
    let Some(draft) = draft else {
        let why = if unreadable.is_empty() { String::new() } else { format!("\n{}", unreadable.join("\n")) };
        bail!("none of these recordings holds power, so there is no session to draft{why}");
    };
    match &args.out {
        None => out.write_all(draft.text.as_bytes())?,
        Some(to) => {
            write_whole(to, draft.text.as_bytes()).with_context(|| format!("writing {}", to.display()))?;
            let (name, mut out) = (shown(to), SafeWriter::new(&mut *out));
            writeln!(out, "wrote {name}: {} `?` to fill in, then `assize judge {name}`", draft.asked)?;
            for sentence in &draft.left_out {
                writeln!(out, "left out: {sentence}")?;
            }
            for sentence in &contradicted {
                writeln!(out, "contradicted: {sentence}")?;
            }
            out.flush()?;
        }
    }
    out.flush()?;
    for error in &unreadable {
        say_aside(&format!("error: {error}"));
    }
    Ok(if unreadable.is_empty() { Exit::Done } else { Exit::CouldNotJudge })
}

/// A session that somebody filled in is not lost to a second draft, and a recording to none at all.
fn may_write(args: &DraftArgs, to: &Path, inputs: &Inputs) -> anyhow::Result<()> {
    inputs.may_write([to])?;
    if to.symlink_metadata().is_ok() && !args.force {
        bail!("{} is there already; name another file, or write over it with --force", to.display());
    }
    Ok(())
}
