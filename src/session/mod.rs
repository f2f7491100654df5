//! What was ridden by whom: YAML to [`Session`].

mod clock;
mod model;
mod parse;

use std::path::Path;

pub use clock::pin;
pub use model::*;

use crate::problem::Problems;
use crate::protocol::Reading;

/// Reads a session file, the protocol that it names and its cards.
///
/// Paths start from the folder of the file that names them.
///
/// # Errors
/// Every mistake of all these files, each at its place. A recording that is not there and a `?` that nobody
/// filled in are mistakes; what a recording holds is not looked at.
pub fn load(path: &Path) -> Result<Session, Problems> {
    let mut reading = Reading::default();
    let session = parse::read(&mut reading, path);
    reading.close(session)
}
