//! `wait`: off the bike.

use crate::quantity::Range;

use super::super::action::StepAction;
use super::super::step::{ProtocolPart, Step, StepLength};

pub(super) fn steps(lasts_s: Option<Range>, part: ProtocolPart) -> Vec<Step> {
    let lasts = lasts_s.map_or(StepLength::open(None), StepLength::asked);
    vec![Step::new(StepAction::OffBike, Some(part), lasts)]
}
