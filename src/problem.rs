//! A mistake in a file that a person wrote, at its place.

use std::path::PathBuf;

/// One mistake: where, what, and the way out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    pub file: PathBuf,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// How many characters to underline, at least 1.
    pub length: usize,
    /// What is wrong and what was expected; lower case, no full stop.
    pub message: String,
    /// What to do, where more than the message is known (the nearest known key, the right form).
    pub help: Option<String>,
}
