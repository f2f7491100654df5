//! What the rider is told before and during a session: the protocol as one step after another.

pub mod steps;

pub use steps::{Act, Aim, Lasts, Load, PartOf, Reads, Step, planned_s, steps};
