//! `zero_check`: the zero is set and read before the ride, read again after it.

use super::super::action::StepAction;
use super::super::step::{Step, StepLength, TypedReading};
use super::so_far::StepsSoFar;

pub(super) fn steps(so_far: &StepsSoFar) -> Vec<Step> {
    let goes_on = so_far.later().iter().any(|p| p.drill.kind().is_scored_riding() || p.drill.kind().reads_zero());
    let taken = so_far.steps.iter().any(|step| step.reads == Some(TypedReading::ZeroBefore));
    let rode = so_far.steps.iter().any(|step| step.act.is_scored());
    let after = taken || (!goes_on && rode);
    let reads = Some(if after { TypedReading::ZeroAfter } else { TypedReading::ZeroBefore });
    vec![Step { reads, ..Step::new(StepAction::Zero, Some(so_far.part), StepLength::open(None)) }]
}
