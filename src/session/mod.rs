//! What was ridden by whom: YAML to [`Session`].
//!
//! Takes a session file, the protocol and the cards that it names and its marks file, and gives who rode what with which
//! instruments, or every mistake at its place. `model.rs` says what a session is made of, `parse.rs` puts it together,
//! `marks.rs` is the marks file, and `draft/` writes a session file to fill in.
//!
//! # The session file
//!
//! One YAML file that begins with `assize_session: 1`. Sentences and units are those of
//! [the protocol language](crate::protocol). Uncertainties are expanded, k = 2. A `?` stands for what
//! is still to be filled in, and is a mistake. A number that can't be (a wheel of 2105 cm) is one, too; what is possible
//! but unusual is a caution: `ranges.rs` holds what can be and what usually is.
//!
//! | key | value |
//! | --- | --- |
//! | `protocol` | the protocol file; without one the whole ride is compared, advisory |
//! | `tester`, `place`, `authorised_by` | text, of 80 characters at most, as are labels and the names of everything |
//! | `date` | the day of the ride, `2026-11-14`; dates have this one form |
//! | `notes` | text |
//! | `laboratory`, `address`, `customer` | text: who reports, and to whom |
//! | `issued` | the sheet's date, `2026-11-20` |
//! | `amends` | `{sheet: A-7C41-09E2, because: the crank length was typed wrong}`: an earlier sheet that this one takes the place of |
//! | `threshold_power` | the rider's own, `250 W`; overrules the protocol's `basis` |
//! | `unit`, or `units` (a list) | an instrument, with (`claimed: 1.5 %`) |
//! | `references` | a list of instruments, each with `uncertainty: 1.0 % or 2 W`, (`certificate: {number, date, due, by}`), (`mode: resistance` or `constant power`) |
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

mod bench;
mod clock;
mod dates;
mod draft;
mod instruments;
mod load;
mod marks;
mod model;
mod named_files;
mod notes;
mod parse;
mod pins;
mod ranges;

pub use clock::ClockTime;
pub(crate) use clock::date;
pub use draft::{Draft, draft};
pub(crate) use draft::{relative, restarts};
pub(crate) use load::load_again;
pub use load::{load, load_before_ride, load_bytes};
pub(crate) use marks::quoted;
pub use marks::{MarkEvent, MarksFile, MarksHeader, SessionEvent, TimedMark, load_marks};
pub use model::*;
pub use pins::pin;

// A mark's `move:` names the moves of drills.
pub use crate::protocol::{COAST, RESTART, SOFT};
