//! `coast_restart`: a lead-in, feet still, riding on hard.

use crate::protocol::Hold;
use crate::quantity::Range;

use super::super::action::StepAction;
use super::super::step::{ProtocolPart, Step, StepLength};

pub(super) fn steps(lead_in: &Hold, coast_s: Range, restart: &Hold, part: ProtocolPart) -> Vec<Step> {
    vec![
        Step::held(StepAction::LeadIn, part, lead_in),
        Step::new(StepAction::Coast, Some(part), StepLength::asked(coast_s)),
        Step::held(StepAction::Restart, part, restart),
    ]
}
