//! What a verdict was judged from, and whether it is still there.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;
use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::files;
use crate::protocol::hex;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum InputKind {
    Session,
    Protocol,
    Marks,
    Card,
    Recording,
}

impl InputKind {
    pub fn word(self) -> &'static str {
        match self {
            InputKind::Session => "session",
            InputKind::Protocol => "protocol",
            InputKind::Marks => "marks",
            InputKind::Card => "card",
            InputKind::Recording => "recording",
        }
    }
}

/// One file that a verdict was judged from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Input {
    pub kind: InputKind,
    /// As the verdict calls it: its file, or a protocol's title.
    pub name: String,
    /// Of a recording, label of its instrument.
    pub instrument: Option<String>,
    /// As the verdict states it, lower-case hex.
    pub sha256: Option<String>,
    #[serde(flatten)]
    pub state: InputState,
}

impl Input {
    pub(super) fn new(kind: InputKind, name: &str, sha256: Option<&str>, state: InputState) -> Self {
        Self { kind, name: name.to_owned(), instrument: None, sha256: sha256.map(str::to_owned), state }
    }

    pub(super) fn recording(name: &str, instrument: &str, sha256: Option<&str>, state: InputState) -> Self {
        Self { instrument: Some(instrument.to_owned()), ..Self::new(InputKind::Recording, name, sha256, state) }
    }

    /// `recording pedals-p.fit`
    pub fn title(&self) -> String {
        format!("{} {}", self.kind.word(), self.name)
    }
}

/// What became of an input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum InputState {
    /// The same bytes, perhaps under another name.
    Same { file: PathBuf },
    Another {
        file: PathBuf,
        /// Of what is there now.
        #[serde(rename = "sha256_now")]
        sha256: String,
    },
    /// `None`: the session names no such file.
    NotFound { looked_for: Option<PathBuf> },
    /// There, and the verdict holds no hash of it.
    Unstated {
        file: Option<PathBuf>,
        #[serde(rename = "sha256_now")]
        sha256: Option<String>,
    },
}

impl InputState {
    pub(super) fn of(stated: Option<&str>, file: &Path, now: Option<String>) -> Self {
        let file = file.to_owned();
        match (stated, now) {
            (_, None) => InputState::NotFound { looked_for: Some(file) },
            (None, now) => InputState::Unstated { file: Some(file), sha256: now },
            (Some(stated), Some(now)) if stated.eq_ignore_ascii_case(&now) => InputState::Same { file },
            (Some(_), Some(sha256)) => InputState::Another { file, sha256 },
        }
    }
}

/// Folders deeper than this below the one that was given are left out.
const DEEPEST: usize = 8;

/// Files by their hash; a clone is cheap.
#[derive(Debug, Clone, Default)]
pub struct FilesByHash {
    files: Arc<BTreeMap<String, PathBuf>>,
}

impl FilesByHash {
    /// Every file of a folder and of those in it; links to folders are not followed. What can't be read is left out. Of
    /// two files alike the first by name is kept.
    ///
    /// # Errors
    /// Those of the file system, if `folder` itself can't be read.
    pub fn of(folder: &Path) -> io::Result<Self> {
        let mut files = vec![];
        let mut folders = vec![(folder.to_owned(), 0)];
        while let Some((folder, depth)) = folders.pop() {
            let entries = match fs::read_dir(&folder) {
                Ok(entries) => entries,
                Err(error) if depth == 0 => return Err(error),
                Err(_) => continue,
            };
            for entry in entries.flatten() {
                match entry.file_type() {
                    Ok(kind) if kind.is_dir() && depth < DEEPEST => folders.push((entry.path(), depth + 1)),
                    Ok(kind) if kind.is_dir() => {}
                    _ => files.push(entry.path()),
                }
            }
        }
        files.sort();
        let hashed: Vec<_> = files.into_par_iter().map(|file| (sha256_of_file(&file), file)).collect();
        let mut by_hash = BTreeMap::new();
        for (hash, file) in hashed {
            if let Some(hash) = hash {
                by_hash.entry(hash).or_insert(file);
            }
        }
        Ok(Self { files: Arc::new(by_hash) })
    }

    /// With what is on another shelf; of two files alike this one's.
    pub fn and(self, other: Self) -> Self {
        let mut files = Arc::unwrap_or_clone(other.files);
        files.extend(Arc::unwrap_or_clone(self.files));
        Self { files: Arc::new(files) }
    }

    /// Where the file of this hash (lower-case hex) is.
    pub fn find(&self, sha256: &str) -> Option<&Path> {
        self.files.get(sha256).map(PathBuf::as_path)
    }

    /// A recording by hash: at `path` if it is there, else on the shelf, else another at `path`.
    pub(super) fn place(&self, sha256: &str, path: &Path) -> InputState {
        self.place_of(sha256, path, sha256_of_file(path))
    }

    pub(super) fn place_of(&self, sha256: &str, path: &Path, now: Option<String>) -> InputState {
        match InputState::of(Some(sha256), path, now) {
            same @ InputState::Same { .. } => same,
            other => match self.files.get(&sha256.to_ascii_lowercase()) {
                Some(file) => InputState::Same { file: file.clone() },
                None => other,
            },
        }
    }
}

/// The file's own name of what a verdict calls a file: a verdict holds no folders, and one that does leads nowhere.
pub(super) fn last_part(name: &str) -> &str {
    Path::new(name).file_name().and_then(|name| name.to_str()).unwrap_or("")
}

pub(super) fn name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned())
}

pub(super) fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// `None` for what is no file (a folder, a pipe) or can't be read.
pub(super) fn sha256_of_file(path: &Path) -> Option<String> {
    files::sha256(path, files::HASHED).ok()
}

/// A session file; `None` likewise.
pub(super) fn read_file(path: &Path) -> Option<Vec<u8>> {
    files::read(path, files::TEXT).ok()
}
