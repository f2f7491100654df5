//! A stretch of true time.

use serde::{Deserialize, Serialize};

/// A stretch of true time, seconds since the ride's start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TrueSpan {
    pub start_s: f64,
    pub end_s: f64,
}

impl TrueSpan {
    #[inline]
    pub fn length_s(&self) -> f64 {
        self.end_s - self.start_s
    }

    /// What both share.
    pub fn common(&self, other: TrueSpan) -> Option<TrueSpan> {
        let common = TrueSpan { start_s: self.start_s.max(other.start_s), end_s: self.end_s.min(other.end_s) };
        (common.length_s() > 0.0).then_some(common)
    }

    /// Its end is no longer part of it.
    #[inline]
    pub(super) fn holds(&self, t_s: f64) -> bool {
        (self.start_s..self.end_s).contains(&t_s)
    }
}

/// Whether some of them hold a moment.
#[inline]
pub(super) fn inside(spans: &[TrueSpan], t_s: f64) -> bool {
    spans.iter().any(|span| span.holds(t_s))
}
