//! A sprint: its work with margins, its peak, its sides.

use crate::matching::Ridden;
use crate::protocol::Measure;
use crate::ride::Window;

use super::scored_drill::{EFFORT_TAIL_S, ScoredDrill};
use crate::scoring::value::Value;

/// Work is taken from this long before a sprint. Part of what the measure means, as [`EFFORT_TAIL_S`] is; common practice,
/// no source.
const LEAD_S: f64 = 3.0;

pub struct Sprint;

impl ScoredDrill for Sprint {
    fn window(&self, ridden: &Ridden) -> Window {
        Window { start_s: ridden.span.start_s - LEAD_S, end_s: ridden.span.end_s + EFFORT_TAIL_S }
    }

    fn is_short(&self) -> bool {
        true
    }

    fn repeat_scatter(&self, _measure: Measure, _value: &Value, simulated: f64) -> f64 {
        simulated
    }

    fn falls_back_on_seated_balance(&self) -> bool {
        true
    }
}
