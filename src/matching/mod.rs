//! The protocol's phases found in the reference signals.

mod model;

pub use model::*;
