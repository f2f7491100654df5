//! Where the references quarrel, every line of theirs grows by the Birge ratio.

use super::agreement::Agreement;
use super::budget::Source;
use super::value::{Scored, Value};

/// By how much the references' lines grow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Widening {
    factor: f64,
}

impl Widening {
    pub fn of(agreement: &Agreement) -> Self {
        Self { factor: agreement.widening() }
    }

    /// The value with the references' lines as wide as they have to be.
    pub fn of_value(self, value: Value) -> Value {
        if self.factor == 1.0 || !value.gain_sensitive {
            return value;
        }
        let from_reference =
            |source: Source| matches!(source, Source::ReferenceGain | Source::ChainLoss | Source::RingLoss);
        Value { budget: value.budget.widened(self.factor, from_reference), ..value }
    }

    pub fn of_scored(self, scored: Scored) -> Scored {
        Scored { measured: scored.measured.map(|value| self.of_value(value)), ..scored }
    }
}
