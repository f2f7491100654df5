//! Warm-up and recovery: nothing in them is scored.

use super::scored_drill::ScoredDrill;
use crate::scoring::consensus::ReferenceNeed;

pub struct Free;

impl ScoredDrill for Free {
    fn mean_needs(&self) -> ReferenceNeed {
        ReferenceNeed::SteadyPower
    }
}
