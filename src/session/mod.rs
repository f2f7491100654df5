//! What was ridden by whom: YAML to [`Session`].
//!
//! # The session file
//!
//! One YAML file that begins with `assize_session: 1`. Sentences and units are those of
//! [the protocol language](crate::protocol). Uncertainties are expanded, k = 2. A `?` stands for what
//! is still to be filled in, and is a mistake.
//!
//! | key | value |
//! | --- | --- |
//! | `protocol` | the protocol file; without one the whole ride is compared, advisory |
//! | `tester`, `place`, `date`, `notes`, `authorised_by` | text |
//! | `laboratory`, `address`, `customer` | text: who reports, and to whom |
//! | `issued` | the sheet's date, `2026-11-20` |
//! | `amends` | `{sheet: A-7C41-09E2, because: the crank length was typed wrong}`: an earlier sheet that this one takes the place of |
//! | `threshold_power` | the rider's own, `250 W`; overrules the protocol's `basis` |
//! | `unit`, or `units` (a list) | an instrument, with (`claimed: 1.5 %`) |
//! | `references` | a list of instruments, each with `uncertainty: 1.0 % or 2 W`, (`certificate: {number, date, by}`), (`mode: resistance` or `constant power`) |
//! | `bike` | a card: a file with `drivetrain` and `conditions` that stay the same from ride to ride |
//! | `drivetrain` | `{chainrings: [52, 36], cassette: [11, 12, 13], wheel: 2105 mm, loss: 2.3 % ± 1.0 %}` |
//! | `conditions` | `{temperature: 19 °C, crank_length: 172.5 mm, latitude: 52.4 °, height: 35 m}` and further keys as text |
//! | `readings` | `{zero_before: 12, zero_after: 14}`, `loads`: a list of `{mass: 10 kg, side: left, angle: 90 °, torque: 16.9 N·m}`, and further keys as text |
//! | `remarks` | a list of texts or `{at: "14:32:10", text: chain dropped, spoiled: sprints/3}` |
//! | `marks` | a list of `{at: "14:32:10", phase: SELECTOR, text: …}`, or a marks file, below |
//! | `pins` | a list of `sprints/2=14:31:02..14:31:10` or `{phase: sprints/2, from: "14:31:02", to: "14:31:10"}` |
//! | `photos` | a list of files, which are hashed |
//!
//! | key of an instrument | value |
//! | --- | --- |
//! | `label` | text, needed |
//! | `located` | `pedals`, `crank`, `spindle`, `spider`, `hub`; needed |
//! | `sides` | `both`, `left doubled`, `right doubled`, `total`; else assumed from the place, aloud |
//! | `recording` | a file, or a list where the recording was restarted; needed if anything is ridden |
//! | `instrument` | a card: a file with the keys of this table that stay the same from ride to ride; the session's own win |
//! | `model`, `serial`, `firmware`, `battery`, `history`, `condition`, `head_unit` | text as written; `condition` is the state that it came in |
//! | `received` | the day that it came, `2026-11-20` |
//! | `power`, `cadence`, `heart_rate`, `speed`, `altitude`, `temperature`, `distance`, `latitude`, `longitude`, `right_share` | the field or column that holds this channel, where several instruments share a recording: `power: developer power_2`. Cadence and balance of a shared recording are the one's whose power is in the usual field, unless named |
//! | `time` | the column that holds the time, where a table names it unusually |
//!
//! # The marks file
//!
//! What `assize cue` writes while a session is ridden, one mark a line: a list whose first item says what protocol it was
//! made for. A line can be mended by hand; half a line, as a crash leaves it, is left out with a caution.
//!
//! | key of a mark | says |
//! | --- | --- |
//! | `at` | when, with date and time zone; needed |
//! | `began: SELECTOR` (`move: coast`) | the rider was told to begin this repeat, or this later move of it |
//! | `ended: SELECTOR` | it was over |
//! | `skipped: SELECTOR` | the tester went on before half of it |
//! | `spoiled: SELECTOR` (`text: …`), `taken_back: SELECTOR` | the tester calls it spoiled, or not after all |
//! | `added: SELECTOR` | one more repeat was put in |
//! | `session: started`, `paused`, `resumed`, `back`, `stopped` or `done` | what happened to the session as a whole |
//! | `text` alone | a note |

mod clock;
mod draft;
mod marks;
mod model;
mod parse;

use std::path::Path;

pub use clock::pin;
pub(crate) use draft::relative;
pub use draft::{Draft, draft};
pub(crate) use marks::quoted;
pub use marks::{COAST, MarkEvent, MarksFile, MarksHeader, RESTART, SOFT, SessionEvent, TimedMark, load_marks};
pub use model::*;

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
