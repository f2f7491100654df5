//! A session from its file, before the ride, after it, and again after it was judged.

use std::path::Path;

use super::model::Session;
use super::parse;
use crate::problem::Problems;
use crate::protocol::{MovedFiles, SourceFiles};

/// Reads a session file, the protocol that it names and its cards.
///
/// Paths start from the folder of the file that names them.
///
/// # Errors
/// Every mistake of all these files, each at its place. A recording that is not there and a `?` that nobody
/// filled in are mistakes; what a recording holds is not looked at.
pub fn load(path: &Path) -> Result<Session, Problems> {
    let mut reading = SourceFiles::default();
    let session = parse::read(&mut reading, path);
    reading.close(session)
}

/// [`load`] of a file's bytes, for whoever has them already; what it names is looked for beside `path`.
///
/// # Errors
/// As [`load`].
pub fn load_bytes(path: &Path, bytes: &[u8]) -> Result<Session, Problems> {
    let mut reading = SourceFiles::of(path, bytes);
    let session = parse::read(&mut reading, path);
    reading.close(session)
}

/// [`load`] of a session that is still to be ridden: a `?` is left blank, an instrument without all of its facts is left
/// out, and no recording is looked for.
///
/// # Errors
/// As [`load`], for every other mistake.
pub fn load_before_ride(path: &Path) -> Result<Session, Problems> {
    let mut reading = SourceFiles::before_ride();
    let session = parse::read(&mut reading, path);
    // Nothing but a `?` is a session of which nothing is known.
    let session = session.or_else(|| (reading.problem_count() == 0).then(Session::default));
    reading.close(session)
}

/// [`load_bytes`] of a session that was judged before, for judging it again: recordings need not be where it names them,
/// nor protocol and marks where `given` has others; pictures are left out where they are gone.
///
/// # Errors
/// As [`load`], for every other mistake.
pub(crate) fn load_again(path: &Path, bytes: &[u8], given: MovedFiles) -> Result<(Session, MovedFiles), Problems> {
    let mut reading = SourceFiles::reopening(path, bytes, given);
    let session = parse::read(&mut reading, path);
    let reopened = reading.reopened().map(std::mem::take).unwrap_or_default();
    reading.close(session).map(|session| (session, reopened))
}
