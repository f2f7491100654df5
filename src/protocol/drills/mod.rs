//! One file for each drill: how its keys are read, the moves that it asks of the rider, and what is so of all of its kind.
//!
//! Takes the keys of a phase and gives a [`Drill`](super::drill::Drill). `table.rs` says which file a drill is in. Who
//! treats drills alike (matching, cautions, the run sheet, trials) asks for their moves or properties there, and never
//! which drill it is.

mod coast_restart;
mod facts;
mod free;
mod ramp;
mod soft_pedal;
mod sprint;
mod static_load;
mod steady;
mod table;
mod wait;
mod zero_check;

pub use coast_restart::{COAST, RESTART};
pub(super) use facts::PowerBasis;
pub use soft_pedal::SOFT;
