//! A check, decided: what diagnosis and the verdict read.

use crate::protocol::Measure;
use crate::quantity::{Limit, Unit};
use crate::scoring::budget::Combined;
use crate::scoring::value::{Measured, Value};

use super::ends::Ends;
use super::outcome::Outcome;
use super::reason::Reason;
use super::remedy::Remedy;

/// One check, decided.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    pub measure: Measure,
    pub measured: Measured,
    /// Of the value, or the one that a value would have.
    pub unit: Unit,
    /// The value's budget put together; `None` without one, for counts and for bounds.
    pub combined: Option<Combined>,
    /// As written; `None` where nothing was asked.
    pub limit: Option<Limit>,
    /// In `unit`; both open where the limit can't be held against the value.
    pub ends: Ends,
    pub conformance_probability: Option<f64>,
    pub outcome: Outcome,
    /// `false` for advisory phases and checks.
    pub required: bool,
    pub reason: Option<Reason>,
    pub remedy: Option<Remedy>,
    pub clause: Option<String>,
}

impl Decided {
    pub fn scored(&self) -> Option<&Value> {
        self.measured.as_ref().ok()
    }

    pub fn value(&self) -> Option<f64> {
        self.scored().map(|scored| scored.value)
    }

    /// In `unit`.
    pub fn expanded_uncertainty(&self) -> Option<f64> {
        self.combined.map(|combined| combined.expanded())
    }
}
