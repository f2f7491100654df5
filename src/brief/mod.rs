//! What the rider is told before and during a session: the protocol as one step after another, grouped for the run
//! sheet, and as a workout for head units.

pub mod gear;
pub mod parts;
pub mod steps;
pub mod workout;

pub use gear::{ChosenGear, gear};
pub use parts::{Part, PartLine, parts};
pub use steps::{
    CrankPosition, HungMass, PowerAim, ProtocolPart, Step, StepAction, StepLength, TypedReading, planned_s, steps,
};
