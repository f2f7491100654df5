//! Free riding: warm-up and recovery. Matched, nothing scored.

use super::super::amounts::{target, times};
use super::super::asked::Target;
use super::super::drill::{Drill, DrillMove, Effort};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use crate::quantity::Range;

pub(super) const FACTS: DrillFacts = DrillFacts::of("free", Conduct::FreeRiding, read);

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, basis: &PowerBasis) -> Option<Drill> {
    let power = keys.take("power").map(|n| (n, target(reading, n, basis.threshold_w, &ranges::FREE_POWER)));
    let power_w = match power {
        Some((n, Some(Target::Value(_)))) => {
            reading.report(n.at, "a `free` drill takes a range of power", Some("as in `at most 150 W`".into()));
            None
        }
        Some((_, Some(Target::Within(range)))) => Some(range),
        _ => None,
    };
    let lasts_s = keys.take("lasts").and_then(|n| times(reading, n, Range::at_least, &ranges::RIDE));
    Some(Drill::Free { power_w, lasts_s })
}

pub(super) fn moves(power_w: Option<Range>, lasts_s: Option<Range>) -> Vec<DrillMove> {
    vec![DrillMove { name: "free riding", effort: Effort::Free(power_w), lasts_s: lasts_s.unwrap_or(Range::ANY) }]
}
