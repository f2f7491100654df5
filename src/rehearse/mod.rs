//! A rehearsal: a protocol ridden by a simulated rider on simulated instruments with known faults.
//!
//! It takes a protocol and a plan and gives a session with its recordings, in memory or as files, and what truly
//! happened: for the demo data and, over many seeds, for trials and tests. It shares nothing with the modules that judge, so
//! that it can't agree with them by construction. Its rider is as unsteady as real ones were measured to be; instruments
//! and head units are plausible rather than measured: where no source is named, a figure is common practice.

mod as_recorded;
mod as_ridden;
mod bench;
mod checks;
mod clock;
mod drills;
mod faults;
mod gearing;
mod gears;
mod habits;
mod head_units;
mod instruments;
mod loss;
mod mishap;
pub mod names;
mod noise;
mod plan;
mod readings;
mod rehearsal;
mod ride;
mod script;
mod session;
mod setting;
mod simulated;
mod sizes;
mod span;
mod stretches;
mod timed;
mod true_ride;
mod truth;
mod write;

pub use bench::{BENCHES, BenchKind, Device, FittedInstrument, HeadUnits, Identity, RehearsalBench};
pub use checks::{check_faults, check_labels, check_mishaps};
pub use faults::{FAULT_KINDS, Fault, FaultEffect, FaultError, FaultKind, Occasion, StruckShare};
pub use habits::{RideHabits, RiderScatter, SecondStorage, SensingDelay, Shifting};
pub use mishap::{MISHAP_KINDS, Mishap, MishapEffect, MishapError, MishapKind, MishapPlace};
pub use plan::RehearsalPlan;
pub use rehearsal::{Rehearsal, record, simulate};
pub use ride::{RideSignal, TruePosition, WorkOfSides};
pub use setting::{Instruments, RideSetting};
pub use span::TrueSpan;
pub use stretches::RiderAction;
pub use timed::TimedValue;
pub use truth::*;
pub use write::{TRUTH, WriteError, names_of_files, write};

#[cfg(test)]
mod tests;
