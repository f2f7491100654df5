//! `ramp`: one power after another.

use super::super::span::TrueSpan;
use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

pub(super) struct Ramp<'a> {
    pub steps_w: &'a [f64],
    pub each_s: f64,
    pub settle_s: f64,
}

impl RehearsedDrill for Ramp<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        for aim_w in self.steps_w {
            let lasts_s = self.each_s + script.noise.between(0.0, 2.0);
            script.add(RiderAction::Step, Some(asked.of), lasts_s, *aim_w, asked.cadence_rpm(86.0));
        }
    }

    fn levels(&self, moves: &[TrueSpan]) -> Option<Vec<TrueSpan>> {
        let settled = |step: &TrueSpan| TrueSpan { start_s: step.start_s + self.settle_s, ..*step };
        Some(moves.iter().map(settled).collect())
    }

    fn is_held_long(&self) -> bool {
        true
    }
}
