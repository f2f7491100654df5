//! What was ridden by whom: YAML to [`Session`].

mod model;

pub use model::*;
