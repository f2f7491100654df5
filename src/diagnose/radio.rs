//! Radio dropouts: the head unit heard nothing, of the unit alone or of the strap too.

use super::drills::is_soft_pedalling;
use super::evidence::{Evidence, failed};
use super::finding::{Finding, describe, finding};
use crate::pattern::Pattern;
use crate::protocol::{Measure, Phase};
use crate::quantity::Unit;

/// Fewer seconds lost with the strap are what any head unit loses now and then. Common practice, no source.
const RADIO_LEAST_S: usize = 10;

impl Evidence<'_> {
    /// The head unit lost strap and power together, or power alone.
    pub fn radio(&self) -> Option<Finding> {
        let aside_s = self.scores.set_aside_s;
        if aside_s >= RADIO_LEAST_S {
            let says =
                format!("its head unit lost the strap with the power for {aside_s} s in all: the radio, not the unit");
            let evidence = vec![format!("{aside_s} s without heart rate and power, set aside")];
            return Some(finding(Pattern::RadioDropouts, aside_s as f64, Unit::Second, None, says, evidence));
        }
        let any = |_: &Phase| true;
        let missing_s = self.lost_s(any).missing_s;
        let soft = |phase: &Phase| is_soft_pedalling(&phase.drill);
        let mut evidence = self.failing_in(|phase| !soft(phase), &[Measure::DropoutTime]);
        let lost = self.lost_s(soft);
        if lost.missing_s > lost.zero_s {
            evidence.extend(self.failing_in(soft, &[Measure::DropoutTime]));
        }
        evidence.extend(failed(&self.decided.whole_ride, &[Measure::DropoutTime]).map(|c| describe("whole ride", c)));
        if evidence.is_empty() && missing_s < RADIO_LEAST_S {
            return None;
        }
        let counted: f64 = self.values_in(|phase| !soft(phase), Measure::DropoutTime).map(|value| value.value).sum();
        let size_s = counted.max(missing_s as f64);
        if evidence.is_empty() {
            evidence.push(format!("{missing_s} s without power while the reference shows pedalling"));
        }
        let says = format!("readings drop out for {size_s:.0} s in all while the rider pedals");
        let mut found = finding(Pattern::RadioDropouts, size_s, Unit::Second, None, says, evidence);
        found.could_also_be.push("the unit itself falling silent: the strap was heard throughout".to_owned());
        Some(found)
    }
}
