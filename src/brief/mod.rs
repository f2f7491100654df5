//! What the rider is told before and during a session.
//!
//! It takes a protocol and gives it as one step after another (`steps.rs`), grouped for the run sheet (`parts.rs`), and as
//! a workout for head units (`workout.rs`). What a protocol leaves unwritten (the warm-up, recoveries, where the ring
//! changes, where the lap is pressed) is said here and nowhere else.

mod action;
mod aim;
mod drills;
mod gear;
mod list;
mod parts;
mod step;
mod steps;
pub mod workout;

pub use action::StepAction;
pub use aim::PowerAim;
pub(crate) use aim::spoken;
pub use gear::{ChosenGear, gear};
pub use parts::{Part, PartLine, parts};
pub use step::{CrankPosition, HungMass, ProtocolPart, Step, StepLength, TypedReading};
pub use steps::{planned_s, steps};

#[cfg(test)]
mod tests;
