//! What a ride is made of before it is ridden: stretches, each with what the rider does and aims at.
//!
//! The drills write their stretches with the builder; the script as a whole is written in `script.rs`. What is written
//! is then changed to what a rider makes of it, and to another gear where a ring, a power or a cadence was changed.

mod builder;
mod reaction;
mod regear;
mod stretch;

pub(super) use builder::{RECOVERY_W, ScriptBuilder, aim_within};
pub(super) use reaction::follow;
pub(super) use regear::{change_gears, keep_one_gear};
pub use stretch::RiderAction;
pub(super) use stretch::{RepeatOf, ScriptStretch};
