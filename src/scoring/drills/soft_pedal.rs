//! Soft pedalling after a surge.

use crate::matching::Ridden;
use crate::protocol::Measure;
use crate::ride::Window;

use super::scored_drill::{LevelStretches, ScoredDrill};
use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::value::Value;

/// Soft pedalling counts from here after the surge ended. After 3 s a second's mean still holds the fall: in rehearsals the
/// mean was biased by 0.2 W and scattered three times too much. benches/gate.rs prints how often it covers the truth.
const SETTLE_S: f64 = 4.0;

/// What the mean of one repeat scatters by, from simulation: two meters count the same turns, and what they differ by at the
/// ends averages out faster than seconds do. benches/gate.rs prints the coverage that it leads to.
const MEAN_SCATTER_PCT: f64 = 0.8;

pub struct SoftPedal;

impl ScoredDrill for SoftPedal {
    fn window(&self, ridden: &Ridden) -> Window {
        let surge_end_s = ridden.moves.first().map_or(ridden.span.start_s, |surge| surge.end_s);
        Window { start_s: surge_end_s + SETTLE_S, ..ridden.span }
    }

    /// A flywheel still gives back what it took in the surge just before.
    fn mean_needs(&self) -> ReferenceNeed {
        ReferenceNeed::Edges
    }

    fn level_stretches(&self) -> Option<LevelStretches> {
        Some(LevelStretches { need: ReferenceNeed::ShortWork, part_s: None })
    }

    fn repeat_scatter(&self, measure: Measure, value: &Value, _simulated: f64) -> f64 {
        if measure == Measure::MeanError { value.per_cent(MEAN_SCATTER_PCT) } else { value.own_scatter() }
    }
}
