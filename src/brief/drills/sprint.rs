//! `sprint`: one effort.

use crate::protocol::{Hold, Target};
use crate::quantity::Range;

use super::super::action::StepAction;
use super::super::step::{ProtocolPart, Step};

pub(super) fn steps(effort_w: Range, lasts_s: Range, part: ProtocolPart) -> Vec<Step> {
    vec![Step::held(StepAction::Sprint, part, &Hold { power_w: Target::Within(effort_w), for_s: lasts_s })]
}
