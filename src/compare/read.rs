//! Verdict files in.

use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Deserialize;

use crate::files::{self, FileError};
use crate::verdict::{VERDICT_FORMAT, Verdict, reads_format};

/// A verdict and the file that it stands in.
#[derive(Debug, Clone, PartialEq)]
pub struct VerdictFile {
    pub file: String,
    pub verdict: Verdict,
}

#[derive(Debug, thiserror::Error)]
pub enum CompareError {
    #[error("{}: {why}", .file.display())]
    Unreadable { file: PathBuf, why: FileError },
    #[error("{}: not a verdict of `assize judge`: {why}; give the verdict.json that judging wrote", .file.display())]
    NotAVerdict { file: PathBuf, why: String },
    #[error(
        "{}: verdict_format {found}, and this program reads up to {VERDICT_FORMAT}; judge the session again with this program, \
         or compare with the version that wrote it", .file.display()
    )]
    OtherFormat { file: PathBuf, found: u64 },
    #[error("{file}: judged without a protocol, so there are no common checks; judge it with one")]
    NoProtocol { file: String },
    #[error("the sessions follow different protocols, so their checks are not the same questions:\n{differences}")]
    OtherProtocols { differences: String },
    #[error("a comparison takes two sessions or more, and {found}; give more verdict files")]
    TooFew { found: String },
}

/// Just what tells a verdict from anything else.
#[derive(Deserialize)]
struct Marked {
    verdict_format: Option<u64>,
}

/// A verdict from its JSON.
///
/// # Errors
/// What is no verdict, or one of another format.
pub fn from_json(file: &Path, bytes: &[u8]) -> Result<Verdict, CompareError> {
    // Checked as UTF-8 once, not text by text: a thousand verdicts are 200 MB.
    let text = std::str::from_utf8(bytes)
        .map_err(|why| CompareError::NotAVerdict { file: file.to_owned(), why: why.to_string() })?;
    let verdict: Verdict = serde_json::from_str(text).map_err(|slip| known_format(file, text, &slip))?;
    let found = u64::from(verdict.verdict_format);
    if !reads_format(found) {
        return Err(CompareError::OtherFormat { file: file.to_owned(), found });
    }
    Ok(verdict)
}

/// Why it did not read: another format says more than the first key that is missed.
fn known_format(file: &Path, text: &str, slip: &serde_json::Error) -> CompareError {
    let file = file.to_owned();
    match serde_json::from_str::<Marked>(text) {
        Ok(Marked { verdict_format: Some(found) }) if !reads_format(found) => CompareError::OtherFormat { file, found },
        Ok(Marked { verdict_format: None }) => {
            CompareError::NotAVerdict { file, why: "it has no `verdict_format`".to_owned() }
        }
        _ => CompareError::NotAVerdict { file, why: slip.to_string() },
    }
}

/// Reads verdict files, several at a time; of mistakes the first in the order given.
///
/// # Errors
/// Those of the file system and of [`from_json`].
pub fn read_all(files: &[PathBuf]) -> Result<Vec<VerdictFile>, CompareError> {
    let read = |file: &PathBuf| {
        let bytes = files::read(file, files::VERDICT);
        let bytes = bytes.map_err(|why| CompareError::Unreadable { file: file.clone(), why })?;
        Ok(VerdictFile { file: file.display().to_string(), verdict: from_json(file, &bytes)? })
    };
    let read: Vec<Result<VerdictFile, CompareError>> = files.par_iter().map(read).collect();
    read.into_iter().collect()
}
