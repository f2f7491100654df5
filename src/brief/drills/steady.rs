//! `steady`: a block.

use crate::protocol::{Hold, Target};
use crate::quantity::Range;

use super::super::action::StepAction;
use super::super::step::{ProtocolPart, Step};

pub(super) fn steps(power_w: Target, lasts_s: Range, part: ProtocolPart) -> Vec<Step> {
    vec![Step::held(StepAction::Block, part, &Hold { power_w, for_s: lasts_s })]
}
