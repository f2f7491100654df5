//! Measures: how each is computed of a phase, of the whole ride or of typed readings, and how it scatters.
//!
//! Takes a ridden phase, a whole ride or typed readings with the check that asks; gives a value with its budget, or the
//! reason why there is none. `table.rs` has a row for each measure.

mod cadence;
mod coasting;
mod drift;
mod lags;
mod linearity;
mod mean;
mod measure;
mod peak;
mod readings;
mod sides;
mod spread;
mod table;
mod torque;
mod zero_shift;

pub use measure::{Repeats, TypedReadings, WholeRide};
pub use sides::check_of_sensed_side;
pub use table::{scatter_from_simulation, scoring};
