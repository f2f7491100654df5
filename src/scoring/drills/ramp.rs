//! Steps of steady power, one after the other.

use crate::matching::Ridden;
use crate::ride::Window;

use super::scored_drill::ScoredDrill;
use crate::scoring::consensus::ReferenceNeed;

pub struct Ramp {
    pub settle_s: f64,
}

impl ScoredDrill for Ramp {
    fn mean_needs(&self) -> ReferenceNeed {
        ReferenceNeed::SteadyPower
    }

    fn steady_levels(&self, ridden: &Ridden) -> Vec<Window> {
        ridden.moves.iter().map(|step| Window { start_s: step.start_s + self.settle_s, ..*step }).collect()
    }
}
