//! The protocol's phases found in the reference signals.
//!
//! Takes a protocol, the session and the [`Ride`](crate::ride::Ride) seen from the unit's place; gives [`Matches`]. The
//! whole ride is one chain of phases and filler (`chain.rs`), each second observed (`observe.rs`), each boundary spoken for by
//! what changes and by what was pressed there (`boundaries.rs`), all by one table of `parameters.rs`. Its likeliest way is the
//! match, and what all ways together say is how sure each match and each of its edges is (`posterior.rs`). What is found is
//! held against what was asked (`verify.rs`), and whatever is missing is explained (`explain.rs`). The unit's own power and
//! cadence are never looked at: a faulty unit must not hide its own phase.

mod boundaries;
mod chain;
mod changes;
mod edges;
mod explain;
mod lasting;
mod marks;
mod model;
mod numbering;
mod observe;
mod pace;
mod parameters;
mod pins;
mod plan;
mod posterior;
mod read;
mod references;
mod remarks;
pub mod ring;
mod shape;
mod signals;
#[cfg(test)]
mod tests;
mod typed_times;
mod verify;

pub use edges::MatchedEdge;
pub use model::{Deviation, Ground, MatchOutcome, Matches, PhaseMatch, RefusedPin, Ridden};
pub use parameters::Parameters;
pub use read::{find, log_evidence};

#[cfg(feature = "internals")]
pub use read::find_with;
pub use ring::{SteadyGear, steady_gears};
