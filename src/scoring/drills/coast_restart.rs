//! A coast and a restart: edges, what is read while coasting, and the work that is missing afterwards.

use crate::matching::Ridden;
use crate::protocol::Measure;
use crate::ride::Window;

use super::scored_drill::{EFFORT_TAIL_S, ScoredDrill};
use crate::scoring::stop::{READINGS_FOLLOW_S, Stop};
use crate::scoring::value::Value;

pub struct CoastRestart;

impl ScoredDrill for CoastRestart {
    fn window(&self, ridden: &Ridden) -> Window {
        Window { end_s: ridden.span.end_s + EFFORT_TAIL_S, ..ridden.span }
    }

    fn is_short(&self) -> bool {
        true
    }

    fn repeat_scatter(&self, _measure: Measure, _value: &Value, simulated: f64) -> f64 {
        simulated
    }

    fn stop(&self, ridden: &Ridden) -> Option<Stop> {
        let [_, coast, restart] = ridden.moves.as_slice() else { return None };
        let restart = Window { end_s: restart.end_s + READINGS_FOLLOW_S, ..*restart };
        Some(Stop { coast: *coast, restart })
    }
}
