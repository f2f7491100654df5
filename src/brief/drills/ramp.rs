//! `ramp`: one power after another.

use crate::protocol::{Hold, Target};
use crate::quantity::Range;

use super::super::action::StepAction;
use super::super::step::{ProtocolPart, Step};

pub(super) fn steps(steps_w: &[f64], each_s: f64, part: ProtocolPart) -> Vec<Step> {
    let for_s = Range::between(each_s, each_s);
    let level = |power_w: &f64| Step::held(StepAction::Level, part, &Hold { power_w: Target::Value(*power_w), for_s });
    steps_w.iter().map(level).collect()
}
