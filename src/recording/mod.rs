//! What was measured: FIT and CSV files to [`Recording`].

mod model;

pub use model::*;
