//! A limit held against a value.

use crate::quantity::{Bound, Limit, Quantity};
use crate::scoring::value::Value;

use super::reason::Reason;

/// A limit at one phase's reference value; an open end is `None`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Ends {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

impl Ends {
    /// A limit at this value. `claimed`: what the session says that the unit claims.
    pub fn of(limit: &Limit, value: &Value, claimed: Option<&Bound>) -> Result<Self, Reason> {
        let size = |bound: &Bound| {
            bound
                .in_unit(value.unit, value.reference)
                .ok_or_else(|| Reason::NotCompared { limit: bound.clone(), unit: value.unit })
        };
        Ok(match limit {
            Limit::Within(bound) => {
                let size = size(bound)?;
                Ends { low: Some(-size), high: Some(size) }
            }
            Limit::WithinClaim => {
                let claimed = claimed.ok_or(Reason::NoClaim)?;
                let size = size(claimed)?;
                Ends { low: Some(-size), high: Some(size) }
            }
            Limit::AtMost(bound) => Ends { low: None, high: Some(size(bound)?) },
            Limit::AtLeast(bound) => Ends { low: Some(size(bound)?), high: None },
            Limit::Between(low, high) => {
                let end = |end: &Quantity| size(&Bound::single(end.value, end.unit));
                Ends { low: Some(end(low)?), high: Some(end(high)?) }
            }
            Limit::Zero => Ends { low: Some(0.0), high: Some(0.0) },
        })
    }

    /// Whether this value lies beyond the limit by more than `by`.
    pub fn are_passed(self, value: f64, by: f64) -> bool {
        self.low.is_some_and(|low| value + by < low) || self.high.is_some_and(|high| value - by > high)
    }
}
