//! `coast_restart`: riding, feet still, riding on hard.

use crate::protocol::Hold;
use crate::quantity::Range;

use super::super::span::TrueSpan;
use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill, Stop};

/// What a restart is scored beyond its end (design of the measures).
const AFTER_S: f64 = 5.0;

pub(super) struct CoastRestart<'a> {
    pub lead_in: &'a Hold,
    pub coast_s: &'a Range,
    pub restart: &'a Hold,
}

impl RehearsedDrill for CoastRestart<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        script.hold(RiderAction::LeadIn, asked.of, self.lead_in, asked.cadence_rpm(88.0));
        let lasts_s = script.within(self.coast_s);
        script.add(RiderAction::Coast, Some(asked.of), lasts_s, 0.0, 0.0);
        script.hold(RiderAction::Restart, asked.of, self.restart, asked.cadence_rpm(92.0));
        // Nobody shifts while the cranks stand still.
        if let [.., lead_in, _, restart] = script.stretches.as_mut_slice() {
            restart.development_m = lead_in.development_m;
        }
    }

    fn window(&self, whole: TrueSpan, _moves: &[TrueSpan]) -> TrueSpan {
        TrueSpan { end_s: whole.end_s + AFTER_S, ..whole }
    }

    fn stop(&self, moves: &[TrueSpan]) -> Option<Stop> {
        let [_, coast, restart] = moves else { return None };
        Some(Stop { coast: *coast, restart: *restart })
    }
}
