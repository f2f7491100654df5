//! `free`: easy riding: a warm-up first, a cool-down last.

use crate::quantity::Range;

use super::super::action::StepAction;
use super::super::aim::PowerAim;
use super::super::step::{Step, StepLength};
use super::so_far::StepsSoFar;

pub(super) fn steps(power_w: Option<Range>, lasts_s: Option<Range>, so_far: &StepsSoFar) -> Vec<Step> {
    let (first, last) = (so_far.part.phase == 0, so_far.later().is_empty());
    let act = if first {
        StepAction::WarmUp
    } else if last {
        StepAction::CoolDown
    } else {
        StepAction::Ride
    };
    let lasts = lasts_s.map_or(StepLength::open(None), StepLength::asked);
    let power = power_w.as_ref().and_then(PowerAim::of);
    vec![Step { power, ..Step::new(act, Some(so_far.part), lasts) }]
}
