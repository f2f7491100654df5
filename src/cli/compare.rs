use std::io::Write;
use std::path::PathBuf;

use anyhow::{Context, bail};

use super::exit::Exit;
use super::files::{Inputs, is_standard_output, write_whole};
use crate::compare::{self, Comparison, Grouping};
use crate::report;
use crate::text::SafeWriter;

/// Judged sessions of one protocol side by side: who differs, specimen or model, firmware, testers, faults now and then, drift
///
/// Takes the verdict files that `assize judge` wrote. It ranks nobody beyond what the uncertainties allow. Exit code 0
/// once compared, 2 where the files can't be.
#[derive(Debug, clap::Args)]
pub struct CompareArgs {
    /// Verdict files (JSON), in any order
    #[arg(required = true)]
    verdicts: Vec<PathBuf>,
    /// What sessions are put together by
    #[arg(long, value_enum, default_value_t = Grouping::Specimen)]
    by: Grouping,
    /// Where to write all of it as a page to print and keep; - for standard output, in place of the table
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Where to write a line for each row and group; - for standard output, in place of the table
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Where to write everything as JSON; - for standard output, in place of the table
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

pub fn run(args: &CompareArgs, out: &mut impl Write) -> anyhow::Result<Exit> {
    let to_standard_output = |to: &Option<PathBuf>| to.as_deref().is_some_and(is_standard_output);
    if [&args.html, &args.csv, &args.json].into_iter().filter(|to| to_standard_output(to)).count() > 1 {
        bail!("only one of --html, --csv and --json can go to standard output");
    }
    let mut inputs = Inputs::default();
    inputs.extend(&args.verdicts);
    inputs.may_write([&args.html, &args.csv, &args.json].into_iter().flatten())?;
    let given = compare::read_all(&args.verdicts)?;
    let comparison = compare::compare(given, args.by)?;
    type Documents = fn(&Comparison) -> anyhow::Result<Vec<u8>>;
    let documents: [(&Option<PathBuf>, Documents); 3] = [
        (&args.html, |comparison| Ok(report::side_by_side::page(comparison).context("making the page")?.into_bytes())),
        (&args.csv, |comparison| {
            let mut lines = vec![];
            report::compare::csv(comparison, &mut lines).context("making the lines")?;
            Ok(lines)
        }),
        (&args.json, |comparison| Ok(report::compare::json(comparison).into_bytes())),
    ];
    let mut table = true;
    for (to, made) in documents {
        match to {
            Some(_) if to_standard_output(to) => {
                out.write_all(&made(&comparison)?)?;
                table = false;
            }
            Some(to) => {
                write_whole(to, &made(&comparison)?).with_context(|| format!("writing {}", to.display()))?;
            }
            None => {}
        }
    }
    if table {
        let mut out = SafeWriter::new(out);
        report::compare::table(&comparison, &mut out).context("writing the table")?;
        out.flush()?;
    }
    Ok(Exit::Done)
}
