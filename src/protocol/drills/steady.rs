//! Steady blocks: one power held for minutes, the first seconds left to settle.

use super::super::amounts::{duration, target, times};
use super::super::asked::Target;
use super::super::drill::{Drill, DrillMove, Effort};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis, longer};
use crate::quantity::Range;

pub(super) const FACTS: DrillFacts = DrillFacts {
    is_block: true,
    usual_recovery_s: Some(Range::between(60.0, 90.0)),
    set_power: Some(set_power),
    lengthen: Some(lengthen),
    ..DrillFacts::of("steady", Conduct::ScoredRiding, read)
};

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
    let power_w = match (keys.take("power"), basis.swept) {
        (Some(n), _) => target(reading, n, basis.threshold_w, &ranges::BLOCK_POWER),
        (None, Some(target)) => Some(target),
        (None, None) => {
            keys.need(reading, "power", "200 W");
            None
        }
    };
    let lasts_s = keys.need(reading, "lasts", "4 min").and_then(|n| times(reading, n, Range::at_least, &ranges::BLOCK));
    let settle_node = keys.take("settle");
    let settle_s = settle_node.map_or(Some(0.0), |n| duration(reading, n, &ranges::SETTLE));
    let (lasts_s, settle_s) = (lasts_s?, settle_s?);
    let Some(least_s) = lasts_s.low else {
        let help = Some("as in `4 min` or `4..5 min`".into());
        reading.report(keys.take("lasts")?.at, "a steady drill needs to know how long it lasts at least", help);
        return None;
    };
    if let (true, Some(n)) = (settle_s >= least_s, settle_node) {
        let message = format!("nothing is left to score: settling takes {settle_s} s of {least_s} s");
        reading.report(n.at, message, Some("shorten `settle` or lengthen `lasts`".into()));
    }
    Some(Drill::Steady { power_w: power_w?, lasts_s, settle_s })
}

fn set_power(drill: &mut Drill, power: Target) {
    if let Drill::Steady { power_w, .. } = drill {
        *power_w = power;
    }
}

fn lengthen(drill: &mut Drill, times: f64) {
    if let Drill::Steady { lasts_s, .. } = drill {
        longer(lasts_s, times);
    }
}

pub(super) fn moves(power_w: Target, lasts_s: Range) -> Vec<DrillMove> {
    vec![DrillMove { name: "block", effort: Effort::Steady(power_w), lasts_s }]
}
