//! Soft pedalling lost: zero watts while the rider turns easily.

use super::drills::is_soft_pedalling;
use super::evidence::{Evidence, LostSeconds};
use super::finding::{Finding, finding};
use crate::pattern::Pattern;
use crate::protocol::{Measure, Phase};
use crate::quantity::Unit;
use crate::stats;

impl Evidence<'_> {
    /// Soft pedalling that it reads as nothing: zero watts, where a radio that fails leaves no reading at all.
    pub fn soft_pedalling_lost(&self) -> Option<Finding> {
        let soft = |phase: &Phase| is_soft_pedalling(&phase.drill);
        let lost = self.failing_in(soft, &[Measure::DropoutTime]);
        let LostSeconds { zero_s, missing_s } = self.lost_s(soft);
        if lost.is_empty() || missing_s > zero_s {
            return None;
        }
        let seconds: Vec<f64> = self.values_in(soft, Measure::DropoutTime).map(|value| value.value).collect();
        let size_s = stats::mean(&seconds)?;
        let says = format!("soft pedalling is lost for {size_s:.1} s of each stretch on average");
        Some(finding(Pattern::SoftPedallingLost, size_s, Unit::Second, None, says, lost))
    }
}
