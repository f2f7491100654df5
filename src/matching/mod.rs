//! The protocol's phases found in the reference signals.
//!
//! Takes a protocol, the session and the [`Ride`](crate::ride::Ride) seen from the unit's place; gives [`Matches`]. The
//! whole ride is explained at once: dynamic programming over segments finds the cheapest sequence of moves and filler
//! (`segment.rs`), each second charged by its misfit (`moves.rs`), each boundary by order and laps. What is found is then
//! trimmed to its edges and verified (`refine.rs`), and whatever is missing is explained (`explain.rs`). The unit's own
//! power and cadence are never looked at: a faulty unit must not hide its own phase.

mod assign;
mod blocks;
mod boundaries;
mod change;
mod explain;
mod find;
mod likenesses;
mod marks;
mod model;
mod moves;
mod numbering;
mod pace;
mod pins;
mod references;
mod refine;
mod remarks;
pub mod ring;
mod segment;
mod shape;
mod signals;
#[cfg(test)]
mod tests;
mod typed_times;

pub use find::find;
pub use model::{Deviation, Ground, MatchOutcome, Matches, PhaseMatch, RefusedPin, Ridden};
pub use ring::{SteadyGear, steady_gears};
