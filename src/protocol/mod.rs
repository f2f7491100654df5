//! What should happen: YAML to [`Protocol`].

mod model;
mod parse;
mod phase;
mod plan;
mod tree;
mod words;

use std::path::Path;

pub use model::*;
pub(crate) use parse::{overlay, read, selector as placed_selector};
pub(crate) use phase::{Phases, SIDES, positive, power};
pub(crate) use tree::{Body, Keys, Node, Place, Reading, hex, nearest};
pub use words::{Slip, range_in_words, selector};

use crate::problem::Problems;

/// Reads a protocol file and what it extends.
///
/// `threshold_power_w` is the rider's own, where a session states it; it overrules the file's `basis`.
///
/// # Errors
/// Every mistake of the file and of those it extends, each at its place.
pub fn load(path: &Path, threshold_power_w: Option<f64>) -> Result<Protocol, Problems> {
    let mut reading = Reading::default();
    let protocol = read(&mut reading, path, None, threshold_power_w);
    reading.close(protocol)
}

/// A number as people write it: no trailing zeros, at most six decimals.
pub fn trim(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
