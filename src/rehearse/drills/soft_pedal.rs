//! `soft_pedal`: a surge, then next to nothing.

use crate::protocol::Hold;

use super::super::span::TrueSpan;
use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

/// Soft pedalling is scored from so long after the surge on (design of the measures).
const FROM_S: f64 = 4.0;

pub(super) struct SoftPedal<'a> {
    pub surge: &'a Hold,
    pub soft: &'a Hold,
}

impl RehearsedDrill for SoftPedal<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        script.hold(RiderAction::Surge, asked.of, self.surge, 92.0);
        script.hold(RiderAction::Soft, asked.of, self.soft, asked.cadence_rpm(72.0));
    }

    fn window(&self, whole: TrueSpan, moves: &[TrueSpan]) -> TrueSpan {
        TrueSpan { start_s: moves.first().map_or(whole.start_s, |surge| surge.end_s + FROM_S), ..whole }
    }
}
