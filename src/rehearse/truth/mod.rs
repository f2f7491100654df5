//! What is true of a rehearsal: what happened, what every measure of it truly is, and both as `truth.json`.
//!
//! `readings.rs` holds what the unit and an ideal instrument read without noise, `measures.rs` the truth of each measure on
//! them, `checks.rs` everything that a protocol checks, `file.rs` the file. Nothing here is shared with what judges.

mod checks;
mod edges;
mod file;
mod measures;
mod number;
mod readings;
mod ridden;
mod slopes;
mod step_function;
#[cfg(test)]
mod tests;

pub(super) use checks::Truths;
pub use file::*;
pub use readings::TrueReadings;
pub use ridden::{TrueInstrument, TrueMove, TrueRidden, TrueWindow, Truth};
