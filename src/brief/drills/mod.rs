//! The steps of each drill, as a rider or a tester goes through them.
//!
//! A file for each drill takes what the protocol asks for and gives the steps of one repeat. `table.rs` says which file is
//! whose; a new drill is a file and a line there.

mod coast_restart;
mod free;
mod ramp;
mod so_far;
mod soft_pedal;
mod sprint;
mod static_load;
mod steady;
mod table;
mod wait;
mod zero_check;

pub(super) use so_far::StepsSoFar;
pub(super) use table::steps_of;
