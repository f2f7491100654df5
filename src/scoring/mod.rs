//! Each measure of a ride, with its uncertainty budget.
//!
//! Takes the protocol, what matching found of it and the ride on one clock; gives [`Scores`]: a value or the reason why there
//! is none for every check, how well the references agree, and what pictures mark. Nothing is decided here and no sentence is
//! written: a value is handed on complete, and what is missing is told in types.
//!
//! What a drill asks of scoring is a file of `drills/`; a measure is a row of `measures/table.rs`, with its computation there
//! or in a file beside it.

mod agreement;
pub mod budget;
mod consensus;
mod context;
mod contrasts;
mod drills;
mod edges;
mod losses;
mod marks;
mod measures;
mod no_value;
mod paired;
mod phase;
mod phases;
mod protocol_ride;
mod repeats;
mod rings;
mod scatter;
mod score;
mod scores;
mod stop;
mod stretches;
mod unmeasurable;
pub mod value;
mod widening;

pub use agreement::{Agreement, OutlyingReference, Pair};
pub use consensus::ReferenceNeed;
pub use marks::{PictureMarks, ReferenceEdges, SteadyLevel};
pub use measures::scatter_from_simulation;
pub use no_value::{DriftOver, MeasuredOver, NoValue, Note};
pub use repeats::means;
pub use score::{score_all, score_whole_ride};
pub use scores::{Compared, ContrastScore, PhaseScore, RingScore, Scores, SteadyStretch, TypedScore};
pub use stop::Signal;
pub use unmeasurable::{UnmeasurableChecks, unserved};
