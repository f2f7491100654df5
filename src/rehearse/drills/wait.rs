//! `wait`: off the bike.

use crate::quantity::Range;

use super::super::stretches::{RiderAction, ScriptBuilder};
use super::rehearsed::{AskedRepeat, RehearsedDrill};

pub(super) struct Wait<'a> {
    pub lasts_s: &'a Option<Range>,
}

impl RehearsedDrill for Wait<'_> {
    fn ride(&self, script: &mut ScriptBuilder, asked: &AskedRepeat) {
        let lasts_s = self.lasts_s.map_or(60.0, |range| script.within(&range));
        script.add(RiderAction::Still, Some(asked.of), lasts_s, 0.0, 0.0);
    }
}
