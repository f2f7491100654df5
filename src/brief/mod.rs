//! What the rider is told before and during a session: the protocol as one step after another, grouped for the run
//! sheet, and as a workout for head units.

pub mod gear;
pub mod parts;
pub mod steps;
pub mod workout;

pub use gear::{Gear, gear};
pub use parts::{Line, Part, parts};
pub use steps::{Act, Aim, CrankAt, Lasts, Load, PartOf, Reads, Step, planned_s, steps};
