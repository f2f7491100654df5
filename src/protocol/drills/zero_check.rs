//! Zero checks: the zero offset, read before and after and typed into the session.

use super::super::drill::Drill;
use super::super::yaml::{MapKeys, SourceFiles};
use super::facts::{Conduct, DrillFacts, PowerBasis};

pub(super) const FACTS: DrillFacts =
    DrillFacts { reads_zero: true, ..DrillFacts::of("zero_check", Conduct::TypedReadings, read) };

fn read(_: &mut SourceFiles, _: &mut MapKeys, _: &PowerBasis) -> Option<Drill> {
    Some(Drill::ZeroCheck)
}
