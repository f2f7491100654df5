//! `free`: easy riding; as the first phase a warm-up.

use crate::quantity::Range;

use super::super::stretches::{RECOVERY_W, RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

pub(super) struct Free<'a> {
    pub power_w: &'a Option<Range>,
    pub lasts_s: &'a Option<Range>,
}

impl RehearsedDrill for Free<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        let lasts_s = self.lasts_s.map_or(120.0, |range| script.within(&range));
        if asked.of.phase_index == 0 && self.power_w.is_none() {
            return script.warm_up(Some(asked.of), lasts_s, asked.next_ring);
        }
        let aim_w = match self.power_w {
            Some(Range { low: None, high: Some(high) }) => RECOVERY_W.min(0.75 * high),
            Some(range) => range.middle().unwrap_or(RECOVERY_W),
            None => RECOVERY_W,
        };
        script.spin(RiderAction::Ride, Some(asked.of), lasts_s, aim_w, asked.cadence_rpm(84.0), asked.next_ring);
    }
}
