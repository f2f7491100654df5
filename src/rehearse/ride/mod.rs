//! What truly happens on the ride: from the script to power, cadence, balance, speed, heart rate and place at 20 Hz.
//!
//! `riding.rs` moves one rider (`rider.rs`) step by step against a course, which is a trainer or the road. Nothing here
//! knows an instrument or a head unit.

mod heart;
mod motion;
mod rider;
mod riding;
mod road;
mod signal;
mod trainer;

pub(super) use riding::ride;
pub(super) use signal::STEP_S;
pub use signal::{RideSignal, TruePosition, WorkOfSides};
