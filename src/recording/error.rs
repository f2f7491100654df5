//! Why a file gave no recording.

use std::path::PathBuf;

use crate::files::{Bound, FileError};

/// A day at one record a second with every field there is takes some 20 MB; ten times that is no ride.
pub(super) const MOST_UNPACKED_BYTES: u64 = 200_000_000;
/// Plain, a recording is as long as unpacked.
pub(super) const STORED: Bound = Bound { what: "any ride", most_bytes: MOST_UNPACKED_BYTES };

/// A file that gave no recording at all; what is merely damaged is in [`Recording::damage`](super::Recording::damage).
#[derive(Debug, thiserror::Error)]
#[error("{}: {kind}", .file.display())]
pub struct RecordingError {
    pub file: PathBuf,
    pub kind: RecordingErrorKind,
}

#[derive(Debug, thiserror::Error)]
pub enum RecordingErrorKind {
    #[error(transparent)]
    Unreadable(FileError),
    #[error("the file is empty; copy it from the head unit again")]
    Empty,
    #[error(
        "neither FIT, TCX or GPX nor a CSV table; export the ride as FIT, or as CSV with a header line such as `time,power,cadence`"
    )]
    NotARecording,
    #[error("unpacks to more than {} MB, more than any ride; check what it is", MOST_UNPACKED_BYTES / 1_000_000)]
    TooLarge,
    #[error("no time column among {}; name one `time` (RFC 3339 or Unix seconds) or `seconds` (since the start), or say which it is: `time:` in a session file, `inspect --time`", quoted(.columns))]
    NoTimeColumn { columns: Vec<String> },
    #[error("no column `{name}` for the time among {}; say which it is: `time:` in a session file, `inspect --time`", quoted(.columns))]
    NoSuchTimeColumn { name: String, columns: Vec<String> },
    #[error("no records in it{}; export the ride itself, not a course, workout or settings file", because(.damage))]
    NoRecords { damage: Vec<String> },
}

fn quoted(names: &[String]) -> String {
    names.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")
}

fn because(damage: &[String]) -> String {
    if damage.is_empty() { String::new() } else { format!(" ({})", damage.join("; ")) }
}
