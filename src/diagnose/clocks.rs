//! Clocks that were set wrong, or put right while they recorded.

use super::evidence::Evidence;
use super::finding::{Finding, finding};
use crate::pattern::Pattern;
use crate::quantity::Unit;
use crate::ride::ClockReset;

/// A clock further off than this was set wrong; head units set by satellite or phone agree within seconds.
const CLOCK_SET_WRONG_S: f64 = 60.0;

impl Evidence<'_> {
    /// Of the unit and of every reference.
    pub fn clocks(&self) -> Vec<Finding> {
        let traces = std::iter::once(&self.ride.unit).chain(self.ride.references.iter().map(|r| &r.trace));
        let mut found = vec![];
        for trace in traces {
            let (clock, label) = (&trace.clock, &trace.label);
            let mut add = |size_s: f64, says: String| {
                let evidence = vec![format!("aligned on {}", clock.channels())];
                let expanded_s = Some(2.0 * clock.standard_uncertainty_s);
                found.push(finding(Pattern::ClockMismatch, size_s, Unit::Second, expanded_s, says, evidence));
            };
            let off_s = clock.offset_s;
            if off_s.abs() > CLOCK_SET_WRONG_S {
                add(off_s, format!("the clock of {label}'s head unit was off by {off_s:.0} s; it was corrected"));
            }
            if let Some(ClockReset { by_s, .. }) = clock.reset {
                let way = if by_s > 0.0 { "back" } else { "forward" };
                let by = by_s.abs();
                add(
                    by_s,
                    format!(
                        "the clock of {label}'s head unit was put {way} by {by:.1} s while it recorded; it was followed"
                    ),
                );
            }
        }
        found
    }
}
