//! Which file is which drill's.

use crate::protocol::Drill;

use super::coast_restart::CoastRestart;
use super::free::Free;
use super::ramp::Ramp;
use super::rehearsed::RehearsedDrill;
use super::soft_pedal::SoftPedal;
use super::sprint::Sprint;
use super::static_load::StaticLoad;
use super::steady::Steady;
use super::wait::Wait;
use super::zero_check::ZeroCheck;

/// How a drill of the protocol is ridden.
pub(crate) fn rehearsed(drill: &Drill) -> Box<dyn RehearsedDrill + '_> {
    match drill {
        Drill::Free { power_w, lasts_s } => Box::new(Free { power_w, lasts_s }),
        Drill::Wait { lasts_s } => Box::new(Wait { lasts_s }),
        Drill::Steady { power_w, lasts_s, settle_s } => Box::new(Steady { power_w, lasts_s, settle_s: *settle_s }),
        Drill::Sprint { effort_w, lasts_s, .. } => Box::new(Sprint { effort_w, lasts_s }),
        Drill::CoastRestart { lead_in, coast_s, restart, .. } => Box::new(CoastRestart { lead_in, coast_s, restart }),
        Drill::SoftPedal { surge, soft, .. } => Box::new(SoftPedal { surge, soft }),
        Drill::Ramp { steps_w, each_s, settle_s } => Box::new(Ramp { steps_w, each_s: *each_s, settle_s: *settle_s }),
        Drill::StaticLoad { loads_kg, sides, angles_deg } => Box::new(StaticLoad { loads_kg, sides, angles_deg }),
        Drill::ZeroCheck => Box::new(ZeroCheck),
    }
}
