//! Which file is which drill's.

use crate::protocol::Drill;

use super::super::step::Step;
use super::so_far::StepsSoFar;
use super::{coast_restart, free, ramp, soft_pedal, sprint, static_load, steady, wait, zero_check};

/// The steps of one repeat of a drill.
pub(crate) fn steps_of(drill: &Drill, so_far: &StepsSoFar) -> Vec<Step> {
    let part = so_far.part;
    match drill {
        Drill::Free { power_w, lasts_s } => free::steps(*power_w, *lasts_s, so_far),
        Drill::Wait { lasts_s } => wait::steps(*lasts_s, part),
        Drill::Steady { power_w, lasts_s, .. } => steady::steps(*power_w, *lasts_s, part),
        Drill::Sprint { effort_w, lasts_s, .. } => sprint::steps(*effort_w, *lasts_s, part),
        Drill::CoastRestart { lead_in, coast_s, restart, .. } => coast_restart::steps(lead_in, *coast_s, restart, part),
        Drill::SoftPedal { surge, soft, .. } => soft_pedal::steps(surge, soft, part),
        Drill::Ramp { steps_w, each_s, .. } => ramp::steps(steps_w, *each_s, part),
        Drill::StaticLoad { loads_kg, sides, angles_deg } => static_load::steps(loads_kg, sides, angles_deg, part),
        Drill::ZeroCheck => zero_check::steps(so_far),
    }
}
