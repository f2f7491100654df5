//! `sprint`: one hard effort.

use crate::protocol::Posture;
use crate::quantity::Range;

use super::super::span::TrueSpan;
use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

/// Work of a sprint is taken from this long before it to this long after it (design of the measures).
const BEFORE_S: f64 = 3.0;
const AFTER_S: f64 = 5.0;

pub(super) struct Sprint<'a> {
    pub effort_w: &'a Range,
    pub lasts_s: &'a Range,
}

impl RehearsedDrill for Sprint<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        // Common practice, no source: a fresh rider overshoots the least that was asked for.
        let asked_w = self.effort_w.low.unwrap_or(600.0);
        let most_w = self.effort_w.high.map_or(f64::INFINITY, |high| 0.95 * high);
        let aim_w = (asked_w * script.noise.between(1.15, 1.40)).min(most_w);
        let usual_rpm = if asked.phase.posture == Some(Posture::Seated) { 112.0 } else { 106.0 };
        let rpm = asked.cadence_rpm(usual_rpm) * script.noise.between(0.97, 1.03);
        let lasts_s = script.within(self.lasts_s);
        script.add(RiderAction::Sprint, Some(asked.of), lasts_s, aim_w, rpm);
    }

    fn window(&self, whole: TrueSpan, _moves: &[TrueSpan]) -> TrueSpan {
        TrueSpan { start_s: whole.start_s - BEFORE_S, end_s: whole.end_s + AFTER_S }
    }
}
