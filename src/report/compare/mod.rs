//! Sessions compared: for the terminal, as CSV and as JSON. Takes a [`crate::compare::Comparison`]; its page is
//! [`super::side_by_side`].

mod json;
mod lines;
mod terminal;

pub use json::json;
#[cfg(feature = "schema")]
pub use json::schema;
pub use lines::{Line, csv};
pub use terminal::table;
