//! `static_load`: for each side and angle the wheel is blocked, masses are hung and read, the last is taken off.

use crate::protocol::Side;

use super::super::action::StepAction;
use super::super::step::{CrankPosition, HungMass, ProtocolPart, Step, StepLength, TypedReading};

pub(super) fn steps(loads_kg: &[f64], sides: &[Side], angles_deg: &[f64], part: ProtocolPart) -> Vec<Step> {
    let open = |act: StepAction| Step::new(act, Some(part), StepLength::open(None));
    let mut steps = vec![];
    for at in cranks(sides, angles_deg) {
        steps.push(Step { crank: Some(at), ..open(StepAction::BlockWheel) });
        for &mass_kg in loads_kg {
            let reads = Some(TypedReading::Torque(HungMass { mass_kg, at }));
            steps.push(Step { reads, ..open(StepAction::Load) });
        }
        // The crank can't be turned, nor anybody roll off, before this.
        steps.push(open(StepAction::MassOff));
    }
    steps
}

/// For each side every angle, in the order in which masses are hung there. Both sides where none is named.
fn cranks(sides: &[Side], angles_deg: &[f64]) -> Vec<CrankPosition> {
    let sides = if sides.is_empty() { &[Side::Left, Side::Right][..] } else { sides };
    let angles: Vec<Option<f64>> =
        if angles_deg.is_empty() { vec![None] } else { angles_deg.iter().copied().map(Some).collect() };
    sides
        .iter()
        .flat_map(|side| angles.iter().map(|angle_deg| CrankPosition { side: *side, angle_deg: *angle_deg }))
        .collect()
}
