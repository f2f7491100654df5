//! The marks file: begun, gone on with, and told of at the end.

use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

use crate::cli::files::shown;
use crate::cue::{MarksWriter, Prompter, Stage};
use crate::protocol::Protocol;
use crate::session::{self, MarkEvent, MarksFile, MarksHeader};
use crate::text::{SafeWriter, safe};

/// A session that can begin.
pub(super) struct BegunSession {
    pub prompter: Prompter,
    pub keeper: MarksWriter,
    /// Its marks file.
    pub marks: PathBuf,
}

/// Where marks are to go, and what to do if a file is there.
pub(super) struct MarksChoice<'a> {
    pub file: PathBuf,
    /// Go on with it without asking.
    pub go_on: bool,
    /// Nobody is there to be asked.
    pub scripted: bool,
    pub protocol: &'a Protocol,
}

/// A new session with a new marks file, or the one whose marks are there; `None` if the tester wants neither.
pub(super) fn begin(choice: &MarksChoice<'_>, out: &mut impl Write) -> anyhow::Result<Option<BegunSession>> {
    let MarksChoice { file, protocol, .. } = choice;
    let path = file.clone();
    let heading = MarksHeader::of(protocol);
    let anew = |path: PathBuf| -> anyhow::Result<Option<BegunSession>> {
        let keeper = MarksWriter::begin(&path, &heading)?;
        Ok(Some(BegunSession { prompter: Prompter::new(protocol), keeper, marks: path }))
    };
    if !path.exists() {
        return anew(path);
    }
    let there = session::load_marks(&path, Some(protocol)).map_err(|problems| {
        anyhow::anyhow!(
            "a marks file is there already and can't be read; mend it, or name another with --marks\n\n{problems}"
        )
    })?;
    let go_on = |there: &MarksFile| -> anyhow::Result<Option<BegunSession>> {
        let keeper = MarksWriter::go_on(&path, &heading, there.marks.len())?;
        Ok(Some(BegunSession { prompter: Prompter::resumed(protocol, there), keeper, marks: path.clone() }))
    };
    let may_go_on = can_go_on(&there, &heading);
    if choice.go_on {
        if let Err(why) = may_go_on {
            bail!("{} {why}; name another file with --marks", path.display());
        }
        return go_on(&there);
    }
    if choice.scripted {
        bail!("{} is there already; say --go-on, or name another file with --marks", path.display());
    }
    let other = free_name(&path);
    let mut out = SafeWriter::new(out);
    match may_go_on {
        Ok(said) => write!(
            out,
            "{} is there: {said}.\ny: go on from there   n: begin anew in {}   q: leave  > ",
            path.display(),
            other.display()
        )?,
        Err(why) => {
            write!(out, "{} is there and {why}.\nn: begin anew in {}   q: leave  > ", path.display(), other.display())?
        }
    }
    out.flush()?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer).context("reading the answer")?;
    match answer.trim().to_lowercase().as_str() {
        "y" | "yes" if can_go_on(&there, &heading).is_ok() => go_on(&there),
        "n" | "no" => anew(other),
        _ => Ok(None),
    }
}

/// Where a marks file ends, or why there is no going on with it.
fn can_go_on(there: &MarksFile, heading: &MarksHeader) -> Result<String, String> {
    match &there.heading {
        Some(own) if own != heading => {
            return Err(format!(
                "holds marks of \"{}\", revision {}, or of the file as it was",
                own.title, own.revision
            ));
        }
        None if !there.marks.is_empty() => return Err("does not say what protocol it was made for".into()),
        _ => {}
    }
    if there.marks.iter().any(|m| m.what == MarkEvent::Session(session::SessionEvent::Done)) {
        return Err("holds a session that was ridden to its end".into());
    }
    let last = there.marks.iter().rev().find_map(|m| match &m.what {
        MarkEvent::Began { of, .. } => Some(format!("{of} began at {}", m.at.format("%F %H:%M:%S UTC"))),
        MarkEvent::Ended(of) => Some(format!("{of} ended at {}", m.at.format("%F %H:%M:%S UTC"))),
        _ => None,
    });
    Ok(format!("{} marks, the last repeat: {}", there.marks.len(), last.unwrap_or_else(|| "none".into())))
}

/// `marks-2.yaml` and so on.
fn free_name(path: &Path) -> PathBuf {
    let stem = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let end = path.extension().map_or_else(String::new, |e| format!(".{}", e.to_string_lossy()));
    let names = (2..).map(|n: u32| path.with_file_name(format!("{stem}-{n}{end}")));
    names.into_iter().find(|name| !name.exists()).unwrap_or_else(|| path.to_owned())
}

/// Where the marks are and what becomes of them.
pub(super) fn goodbye(
    prompter: &Prompter,
    keeper: &MarksWriter,
    path: &Path,
    out: &mut impl Write,
) -> anyhow::Result<()> {
    let how = match prompter.stage() {
        Stage::Done => "The session is done.",
        _ => "The session is not at its end; the same command goes on with it.",
    };
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let name = safe(&name);
    writeln!(out, "{how} {} marks are in {}.", keeper.written(), shown(path))?;
    writeln!(
        out,
        "Into the session file beside it goes the line\n\n    marks: {name}\n\nand `assize judge` takes them as evidence."
    )?;
    if let Some(trouble) = keeper.trouble() {
        bail!("not all marks could be written to {}: {trouble}", path.display());
    }
    Ok(())
}
