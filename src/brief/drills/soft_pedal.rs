//! `soft_pedal`: a surge, then next to nothing.

use crate::protocol::Hold;

use super::super::action::StepAction;
use super::super::step::{ProtocolPart, Step};

pub(super) fn steps(surge: &Hold, soft: &Hold, part: ProtocolPart) -> Vec<Step> {
    vec![Step::held(StepAction::Surge, part, surge), Step::held(StepAction::Soft, part, soft)]
}
