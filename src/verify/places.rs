//! Where the inputs of a verdict are looked for.

use std::path::{Path, PathBuf};

use super::inputs::FilesByHash;

/// Where the inputs of a verdict may be.
#[derive(Debug, Clone, Default)]
pub struct InputPlaces {
    /// The folder that the session's name starts from, as a rule the verdict's own.
    pub folder: PathBuf,
    /// The session file, in place of the one of that name in the folder.
    pub session: Option<PathBuf>,
    /// Files that recordings are found among by their hash, whatever they are called.
    pub shelf: FilesByHash,
    /// As `judge` was given them, in place of the session's own.
    pub protocol: Option<PathBuf>,
    pub marks: Option<PathBuf>,
    pub pins: Vec<String>,
}

impl InputPlaces {
    /// Everything beside the verdict file.
    pub fn beside(verdict: &Path) -> Self {
        Self { folder: verdict.parent().unwrap_or(Path::new("")).to_owned(), ..Self::default() }
    }
}
