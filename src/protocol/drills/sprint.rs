//! Sprints: as hard as can be, for seconds.

use super::super::amounts::{target, times};
use super::super::asked::Target;
use super::super::drill::{Drill, DrillMove, Effort};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use crate::quantity::Range;

pub(super) const FACTS: DrillFacts = DrillFacts {
    all_out: true,
    usual_recovery_s: Some(Range::between(90.0, 120.0)),
    ..DrillFacts::of("sprint", Conduct::ScoredRiding, read)
};

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
    let effort_w = keys.need(reading, "effort", "at least 600 W").and_then(|n| {
        match target(reading, n, basis.threshold_w, &ranges::SPRINT_POWER)? {
            Target::Within(range) => Some(range),
            Target::Value(power_w) => {
                let help = format!("write `at least {power_w} W`");
                reading.report(n.at, "a sprint's effort is a least power", Some(help));
                None
            }
        }
    });
    let lasts_s =
        keys.need(reading, "lasts", "6..12 s").and_then(|n| times(reading, n, Range::at_least, &ranges::SPRINT));
    let recover_s = keys.take("recover").and_then(|n| times(reading, n, Range::at_least, &ranges::RECOVERY));
    Some(Drill::Sprint { effort_w: effort_w?, lasts_s: lasts_s?, recover_s })
}

pub(super) fn moves(effort_w: Range, lasts_s: Range) -> Vec<DrillMove> {
    vec![DrillMove { name: "sprint", effort: Effort::AllOut(effort_w), lasts_s }]
}
