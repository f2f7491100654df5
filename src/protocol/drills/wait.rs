//! Waiting off the bike: a cold soak, a rest.

use super::super::amounts::times;
use super::super::drill::{Drill, DrillMove, Effort};
use super::super::ranges;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};
use crate::quantity::Range;

pub(super) const FACTS: DrillFacts = DrillFacts::of("wait", Conduct::OffTheBike, read);

fn read(reading: &mut SourceFiles, keys: &mut MapKeys, _: &PowerBasis) -> Option<Drill> {
    Some(Drill::Wait { lasts_s: keys.take("lasts").and_then(|n| times(reading, n, Range::at_least, &ranges::WAIT)) })
}

pub(super) fn moves(lasts_s: Option<Range>) -> Vec<DrillMove> {
    vec![DrillMove { name: "off the bike", effort: Effort::OffTheBike, lasts_s: lasts_s.unwrap_or(Range::ANY) }]
}
