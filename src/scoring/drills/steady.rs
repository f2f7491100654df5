//! A block of steady riding at one power.

use crate::matching::Ridden;
use crate::ride::Window;

use super::scored_drill::{CHUNK_S, LevelStretches, ScoredDrill};
use crate::scoring::consensus::ReferenceNeed;

pub struct Steady {
    pub settle_s: f64,
}

impl ScoredDrill for Steady {
    fn window(&self, ridden: &Ridden) -> Window {
        Window { start_s: ridden.span.start_s + self.settle_s, ..ridden.span }
    }

    fn mean_needs(&self) -> ReferenceNeed {
        ReferenceNeed::SteadyPower
    }

    fn is_steady(&self) -> bool {
        true
    }

    fn steady_levels(&self, ridden: &Ridden) -> Vec<Window> {
        vec![self.window(ridden)]
    }

    fn level_stretches(&self) -> Option<LevelStretches> {
        Some(LevelStretches { need: ReferenceNeed::SteadyPower, part_s: Some(CHUNK_S as f64) })
    }
}
