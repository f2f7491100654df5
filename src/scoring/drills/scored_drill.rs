//! What scoring asks of a drill.

use crate::matching::Ridden;
use crate::protocol::{Measure, Side};
use crate::ride::Window;

use crate::scoring::consensus::ReferenceNeed;
use crate::scoring::stop::Stop;
use crate::scoring::value::Value;

/// Work of an effort is taken to this long after it, so that a late or smoothed reading still falls inside. Part of what the
/// measure means, and the truth of a rehearsal is taken over the same seconds; common practice, no source.
pub const EFFORT_TAIL_S: f64 = 5.0;

/// A drill as scoring sees it. What most drills have in common is written here; a drill's file says what is different.
pub trait ScoredDrill {
    /// What of a phase as ridden is scored. Some measures cut it again.
    fn window(&self, ridden: &Ridden) -> Window {
        ridden.span
    }

    /// What a mean over the window asks of a reference.
    fn mean_needs(&self) -> ReferenceNeed {
        ReferenceNeed::ShortWork
    }

    /// Steady riding at one power: references are compared over it, its scatter stands in where a window has too little of
    /// its own, and a ring's error is told from it.
    fn is_steady(&self) -> bool {
        false
    }

    /// Stretches of steady power in a ride of it, as they are scored: what pictures mark and lines are fitted to.
    fn steady_levels(&self, _ridden: &Ridden) -> Vec<Window> {
        vec![]
    }

    /// How diagnosis looks at the unit's level in it; `None` where it does not.
    fn level_stretches(&self) -> Option<LevelStretches> {
        None
    }

    /// One ride of it is too short to show what its measures scatter by.
    fn is_short(&self) -> bool {
        false
    }

    /// What one repeat of a measure scatters by, in the value's unit, as far as is known before repeats are compared.
    /// `simulated`: the measure's own figure. A window of many seconds knows its own.
    fn repeat_scatter(&self, _measure: Measure, value: &Value, _simulated: f64) -> f64 {
        value.own_scatter()
    }

    /// A side that no reference measures is held against the unit's own seated balance.
    fn falls_back_on_seated_balance(&self) -> bool {
        false
    }

    /// The coast and the restart, where the drill has them and they were told apart.
    fn stop(&self, _ridden: &Ridden) -> Option<Stop> {
        None
    }

    /// The sides whose typed readings are scored, none standing for all, of a drill that is not ridden.
    fn typed_sides(&self) -> Option<&[Side]> {
        None
    }
}

/// The parts of a window in which diagnosis looks at the unit's level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelStretches {
    pub need: ReferenceNeed,
    /// `None`: the window as a whole.
    pub part_s: Option<f64>,
}

/// Drift is fitted on means over this long, and a level is looked at in parts of it: long enough that seconds that remember
/// their neighbours average out, short enough that a drift shows within a block. Common practice, no source.
pub const CHUNK_S: usize = 30;
