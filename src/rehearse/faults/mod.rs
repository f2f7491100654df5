//! Known faults: what can be written, where each strikes, what it does there and what it should be taken for.
//!
//! It takes `--fault` texts and a script; it gives strikes, which change what instruments and head units send and write.
//! Each fault draws from a stream of its own and touches one instrument, so that everything else stays as it is.

mod effect;
mod grammar;
mod kinds;
mod strike;

pub(super) use effect::{clocks, creeps, deaf, edges, messages, sides, values};
pub use grammar::FaultError;
pub use kinds::{FAULT_KINDS, Fault, FaultEffect, FaultKind, Occasion, StruckShare};
pub(super) use strike::{Strike, all, refuse};
