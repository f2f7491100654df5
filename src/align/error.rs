//! Why recordings can't be brought together.

use std::fmt;
use std::path::PathBuf;

use chrono::{DateTime, TimeDelta, Utc};

use super::times::last_s;
use crate::recording::Recording;

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AlignError {
    #[error("{}: the session lists this recording, but it was not read", .0.display())]
    Unread(PathBuf),
    #[error("no reference has a recording; list one under `references`")]
    NoReference,
    #[error("{}: no power for `{instrument}` in {field}; name the field or column that holds it (`assize inspect` lists them)", .file.display())]
    NoPower { file: PathBuf, instrument: String, field: String },
    #[error("{0}: longer than two days, so a time stamp in it is wrong; cut or repair the file")]
    TooLong(RecordedSpan),
    #[error(
        "{theirs} and {session} are of different days, and nothing that both recorded (heart rate, position, speed) links them; list recordings of one ride"
    )]
    DifferentDays { theirs: RecordedSpan, session: RecordedSpan },
    #[error(
        "{theirs} and {session} have no time in common, and nothing that both recorded (heart rate, position, speed) links them; list recordings of one ride"
    )]
    NoOverlap { theirs: RecordedSpan, session: RecordedSpan },
    #[error(
        "{theirs} and {session} have only {overlap_s:.0} s in common, but 60 s are needed; list the whole recordings"
    )]
    ShortOverlap { theirs: RecordedSpan, session: RecordedSpan, overlap_s: f64 },
}

impl AlignError {
    /// Whether the others can be brought together without the instrument that it is about.
    pub(super) fn is_of_one_instrument(&self) -> bool {
        match self {
            AlignError::Unread(_) | AlignError::NoReference | AlignError::TooLong(_) => false,
            AlignError::NoPower { .. }
            | AlignError::DifferentDays { .. }
            | AlignError::NoOverlap { .. }
            | AlignError::ShortOverlap { .. } => true,
        }
    }
}

/// When a recording ran, by its own stamps.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedSpan {
    pub file: PathBuf,
    pub from: DateTime<Utc>,
    pub to: DateTime<Utc>,
}

impl RecordedSpan {
    pub(super) fn of(recording: &Recording) -> Self {
        let to = recording.start + TimeDelta::milliseconds((last_s(recording) * 1000.0) as i64);
        Self { file: recording.file.clone(), from: recording.start, to }
    }
}

impl fmt::Display for RecordedSpan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let to = if self.from.date_naive() == self.to.date_naive() { "%H:%M:%S" } else { "%F %H:%M:%S" };
        write!(f, "{} ({} to {} UTC)", self.file.display(), self.from.format("%F %H:%M:%S"), self.to.format(to))
    }
}
