//! How each drill is ridden in the simulation.
//!
//! A file for each drill takes what the protocol asks for and gives the stretches that a rider makes of it, and what of
//! a ridden repeat the truth of its measures is taken over. `table.rs` says which file is whose; a new drill is a file and
//! a line there.

mod coast_restart;
mod free;
mod ramp;
mod rehearsed;
mod soft_pedal;
mod sprint;
mod static_load;
mod steady;
mod table;
mod wait;
mod zero_check;

pub(super) use rehearsed::{AskedRepeat, HungMass, Stop};
pub(super) use table::rehearsed;
