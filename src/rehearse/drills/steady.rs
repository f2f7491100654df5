//! `steady`: a block at one power.

use crate::protocol::{Posture, Target};
use crate::quantity::Range;

use super::super::span::TrueSpan;
use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

pub(super) struct Steady<'a> {
    pub power_w: &'a Target,
    pub lasts_s: &'a Range,
    pub settle_s: f64,
}

impl RehearsedDrill for Steady<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        // Out of the saddle legs turn slower. Common practice, no source.
        let usual_rpm = if asked.phase.posture == Some(Posture::Standing) { 74.0 } else { 88.0 };
        let aim_w = self.power_w.aim_w() * (1.0 + script.noise.truncated(0.015, 2.0));
        let lasts_s = script.within(self.lasts_s) + script.noise.between(2.0, 10.0);
        let rpm = asked.cadence_rpm(usual_rpm) * script.noise.between(0.98, 1.02);
        script.add(RiderAction::Block, Some(asked.of), lasts_s, aim_w, rpm);
    }

    fn window(&self, whole: TrueSpan, _moves: &[TrueSpan]) -> TrueSpan {
        TrueSpan { start_s: whole.start_s + self.settle_s, ..whole }
    }

    fn is_block(&self) -> bool {
        true
    }

    fn is_held_long(&self) -> bool {
        true
    }
}
