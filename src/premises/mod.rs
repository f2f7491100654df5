//! What a verdict rests on: everything that must be so for it to mean what it says, tested against the recordings.
//!
//! Takes the session with its recordings as read, then the ride as it was aligned, matched and scored; gives [`Premises`], each
//! premise `held`, `contradicted` or `untested`, with typed evidence and what it takes away. What is said of a session is a
//! hypothesis: the recordings test it. `src/premise.rs` is the one table of them; each file here holds one kind of test, a
//! function from what is known to a state. Words are made by the verdict.

mod as_asked;
mod bike;
mod clocks;
mod coverage;
mod dates;
mod devices;
mod evidence;
mod identical;
mod measured;
mod of_files;
mod of_recordings;
mod of_ride;
mod of_session;
mod pinned;
mod premise_names;
mod readings;
mod references;
mod same_ride;
mod tested;

pub use bike::bike;
pub use coverage::coverage;
pub use devices::{recorded_firmware, true_firmware};
pub use evidence::{Evidence, Lacks, PhaseRepeat};
pub use of_files::of_files;
pub use of_recordings::of_recordings;
pub use of_ride::{of_comparison, of_matches, of_scores};
pub use of_session::of_session;
pub use same_ride::{OneRide, one_ride, without_clocks};
pub use tested::{Premises, TestedPremise};
