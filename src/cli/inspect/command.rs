//! Its options, and what they print.

use std::io::Write;
use std::path::PathBuf;

use anyhow::{Context, bail};
use rayon::prelude::*;

use super::facts::{Facts, FilesPremise, Report, Unreadable};
use super::text::write_text;
use crate::cli::exit::Exit;
use crate::premises;
use crate::recording;
use crate::text::{SafeWriter, safe_json};

/// Show what recordings hold, and what they contradict among each other
#[derive(Debug, clap::Args)]
pub struct InspectArgs {
    /// Recordings (FIT, TCX, GPX or CSV, plain or gzip, told by content)
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Print JSON instead
    #[arg(long)]
    json: bool,
    /// Print the records of one recording as CSV instead: an empty cell is missing, `invalid` was written as such
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// The column that holds the time, of tables that call it something unusual
    #[arg(long, value_name = "COLUMN")]
    time: Option<String>,
}

pub fn run(args: &InspectArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let time = args.time.as_deref();
    if args.csv {
        let [file] = &args.files[..] else { bail!("--csv exports one recording at a time; name one FILE") };
        recording::write_csv(&recording::read_with(file, time)?, out).context("writing the records")?;
        return Ok(Exit::Done);
    }
    let mut report = Report { recordings: vec![], premises: vec![], unreadable: vec![] };
    let mut recordings = vec![];
    let results: Vec<_> = args.files.par_iter().map(|file| recording::read_keeping_replaced(file, time)).collect();
    for (file, result) in args.files.iter().zip(results) {
        match result {
            Ok((recording, replaced)) => {
                report.recordings.push(Facts::of(&recording, &replaced));
                recordings.push(recording);
            }
            Err(error) => {
                report
                    .unreadable
                    .push(Unreadable { file: file.display().to_string(), message: error.kind.to_string() });
            }
        }
    }
    report.premises = premises::of_files(recordings).0.iter().map(FilesPremise::of).collect();
    if args.json {
        writeln!(out, "{}", safe_json(&serde_json::to_string_pretty(&report)?))?;
    } else {
        // Sensors' and columns' names come from the files.
        let mut out = SafeWriter::new(out);
        write_text(&report, &mut out).context("writing what the recordings hold")?;
        out.flush()?;
    }
    Ok(if report.unreadable.is_empty() { Exit::Done } else { Exit::CouldNotJudge })
}
