//! What should happen: YAML to [`Protocol`].

mod model;

pub use model::*;

/// A number as people write it: no trailing zeros, at most six decimals.
pub fn trim(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
