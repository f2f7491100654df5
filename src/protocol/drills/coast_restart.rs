//! Coast and restart: a power, then feet still, then at once and hard again. What a unit invents while nobody pedals, and how
//! late it notices.

use super::super::amounts::{hold, times};
use super::super::asked::Hold;
use super::super::drill::{Drill, DrillMove, Effort};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use crate::quantity::Range;

/// Words by which a mark's `move:` names the later moves.
pub const COAST: &str = "coast";
pub const RESTART: &str = "restart";

pub(super) const FACTS: DrillFacts = DrillFacts {
    has_stop: true,
    usual_recovery_s: Some(Range::between(40.0, 60.0)),
    ..DrillFacts::of("coast_restart", Conduct::ScoredRiding, read)
};

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
    let lead_in = keys.need(reading, "lead_in", "200 W for 20 s").and_then(|n| hold(reading, n, basis.threshold_w));
    let exactly = |s| Range::between(s, s);
    let coast_s = keys.need(reading, "coast", "7..12 s").and_then(|n| times(reading, n, exactly, &ranges::COAST));
    let restart =
        keys.need(reading, "restart", "at least 300 W for 5..10 s").and_then(|n| hold(reading, n, basis.threshold_w));
    let recover_s = keys.take("recover").and_then(|n| times(reading, n, Range::at_least, &ranges::RECOVERY));
    Some(Drill::CoastRestart { lead_in: lead_in?, coast_s: coast_s?, restart: restart?, recover_s })
}

pub(super) fn moves(lead_in: &Hold, coast_s: Range, restart: &Hold) -> Vec<DrillMove> {
    vec![
        DrillMove::of_hold("lead-in", lead_in),
        DrillMove { name: COAST, effort: Effort::Coast, lasts_s: coast_s },
        DrillMove::of_hold(RESTART, restart),
    ]
}
