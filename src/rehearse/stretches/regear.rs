//! The gears of a script that was changed after it was written.

use crate::session::Drivetrain;

use super::super::gearing::{brake_speed_m_s, developments_m, nearest_m};
use super::stretch::{RiderAction, ScriptStretch};

/// The cogs for stretches whose ring, power or cadence was changed.
pub(crate) fn change_gears(stretches: &mut [ScriptStretch], drivetrain: &Drivetrain) {
    for i in 0..stretches.len() {
        let s = &stretches[i];
        stretches[i].development_m = match s.act {
            // Nobody shifts while the cranks stand still.
            RiderAction::Restart if i >= 2 => stretches[i - 2].development_m,
            _ => nearest_m(drivetrain, s.ring, s.aim_w, s.cadence_rpm),
        };
    }
}

/// Where the brake holds the power, nobody needs another cog: the middle one of each ring, W and rpm as in a block.
pub(crate) fn keep_one_gear(stretches: &mut [ScriptStretch], drivetrain: &Drivetrain) {
    let wanted_m = brake_speed_m_s(180.0) * 60.0 / 88.0;
    for stretch in stretches {
        let on_ring = developments_m(drivetrain, stretch.ring);
        let nearest = on_ring.into_iter().min_by(|a, b| (a - wanted_m).abs().total_cmp(&(b - wanted_m).abs()));
        stretch.development_m = nearest.unwrap_or(stretch.development_m);
    }
}
