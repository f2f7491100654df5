//! A verdict file as it is kept: its bytes, what they say, and by what they are the same session again.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::files::{self, FileError};
use crate::verdict::{VERDICT_FORMAT, Verdict, reads_format};

/// Why a file is not taken for a verdict.
#[derive(Debug, thiserror::Error)]
pub enum DocumentError {
    #[error(transparent)]
    File(#[from] FileError),
    #[error("it can't be kept: {0}")]
    Pack(#[from] std::io::Error),
    #[error("it is no verdict: {0}; give the verdict.json that `assize judge` writes")]
    NotAVerdict(String),
    #[error(
        "its verdict_format is {found}, and this program reads up to {VERDICT_FORMAT}; use the program that wrote it{by}, or judge \
         the session again with this one"
    )]
    OtherFormat { found: u64, by: String },
}

/// A verdict as its file holds it.
#[derive(Debug, Clone)]
pub struct VerdictDocument {
    pub verdict: Verdict,
    /// The folder that the file lies in, absolute.
    pub folder: PathBuf,
    pub file_name: String,
    /// SHA-256 of the file's bytes, lower-case hex.
    pub sha256: String,
    pub(super) gzip: Vec<u8>,
}

/// What is looked at before the rest: another format may have other keys.
#[derive(Deserialize)]
struct VerdictHead {
    #[serde(default)]
    verdict_format: Option<u64>,
    #[serde(default)]
    assize: Option<String>,
}

impl VerdictDocument {
    /// # Errors
    /// Where the file can't be read, is no verdict or a verdict of another format.
    pub fn read(file: &Path) -> Result<Self, DocumentError> {
        let bytes = files::read(file, files::VERDICT)?;
        let whole = std::path::absolute(file)?;
        let folder = whole.parent().unwrap_or(&whole).to_owned();
        let file_name = whole.file_name().unwrap_or_default().to_string_lossy().into_owned();
        Self::of(&bytes, folder, file_name)
    }

    /// The same of bytes that are to lie in a folder under a name.
    ///
    /// # Errors
    /// As [`VerdictDocument::read`].
    pub fn of(bytes: &[u8], folder: PathBuf, file_name: String) -> Result<Self, DocumentError> {
        let wrong = |error: serde_json::Error| DocumentError::NotAVerdict(error.to_string());
        let head: VerdictHead = serde_json::from_slice(bytes).map_err(wrong)?;
        match head.verdict_format {
            Some(format) if reads_format(format) => {}
            Some(found) => {
                let by = head.assize.map(|version| format!(", {version}")).unwrap_or_default();
                return Err(DocumentError::OtherFormat { found, by });
            }
            None => return Err(DocumentError::NotAVerdict("it has no key `verdict_format`".to_owned())),
        }
        let verdict: Verdict = serde_json::from_slice(bytes).map_err(wrong)?;
        let mut encoder = GzEncoder::new(vec![], Compression::default());
        encoder.write_all(bytes)?;
        Ok(Self { verdict, folder, file_name, sha256: hex(bytes), gzip: encoder.finish()? })
    }

    /// What makes it the same session again: the unit's label, the recordings' hashes in order of their digits, the
    /// protocol's hash. Not the serial number, which is often written down later, nor the session file, which is corrected.
    pub fn identity(&self) -> String {
        hex(format!("{}\n{}", self.ride(), self.verdict.unit.label).as_bytes())
    }

    /// Recordings and protocol alone.
    pub(super) fn ride(&self) -> String {
        let mut hashes: Vec<&str> = self.verdict.recordings.iter().map(|r| r.sha256.as_str()).collect();
        hashes.sort_unstable();
        // Two instruments may share a recording, which is then listed twice.
        hashes.dedup();
        let protocol = self.verdict.protocol.as_ref().map_or("", |protocol| &protocol.sha256);
        hex(format!("{}\n{protocol}", hashes.join("\n")).as_bytes())
    }
}

/// The bytes that a document was made of.
pub(super) fn unpacked(gzip: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut bytes = vec![];
    GzDecoder::new(gzip).take(files::VERDICT.most_bytes + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// SHA-256, lower-case hex.
pub(super) fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
