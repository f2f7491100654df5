//! Soft pedalling: down from a surge, turning all the while. What a unit makes of little torque.

use super::super::amounts::{hold, times};
use super::super::asked::Hold;
use super::super::drill::{Drill, DrillMove};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis, longer};
use crate::quantity::Range;

/// Word by which a mark's `move:` names the later move.
pub const SOFT: &str = "soft pedalling";

pub(super) const FACTS: DrillFacts = DrillFacts {
    usual_recovery_s: Some(Range::between(40.0, 60.0)),
    lengthen: Some(lengthen),
    ..DrillFacts::of("soft_pedal", Conduct::ScoredRiding, read)
};

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
    let surge = keys.need(reading, "surge", "300 W for 10 s").and_then(|n| hold(reading, n, basis.threshold_w));
    let soft = keys.need(reading, "soft", "30..90 W for 15..25 s").and_then(|n| hold(reading, n, basis.threshold_w));
    let recover_s = keys.take("recover").and_then(|n| times(reading, n, Range::at_least, &ranges::RECOVERY));
    Some(Drill::SoftPedal { surge: surge?, soft: soft?, recover_s })
}

fn lengthen(drill: &mut Drill, times: f64) {
    if let Drill::SoftPedal { soft, .. } = drill {
        longer(&mut soft.for_s, times);
    }
}

pub(super) fn moves(surge: &Hold, soft: &Hold) -> Vec<DrillMove> {
    vec![DrillMove::of_hold("surge", surge), DrillMove::of_hold(SOFT, soft)]
}
