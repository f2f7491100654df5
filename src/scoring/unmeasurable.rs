//! What a session's references can't decide, whatever is ridden.

use crate::protocol::{Drill, Measure, Part, Protocol};
use crate::ride::Ride;
use crate::session::Sides;

use super::consensus::{ReferenceNeed, serving};
use super::drills;
use super::measures;

/// Required checks that none of a session's references serves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnmeasurableChecks {
    /// Name of the phase or of the contrast.
    pub place: String,
    pub measures: Vec<Measure>,
    /// Nothing else is required there.
    pub all: bool,
}

/// What a measure of this drill asks of a reference; `None` where it asks nothing.
fn needed(measure: Measure, drill: &Drill) -> Option<ReferenceNeed> {
    measures::scoring(measure).needs.of_phase(drills::scored(drill).mean_needs())
}

/// Phases without their keys, then contrasts, in the protocol's order.
pub fn unserved(protocol: &Protocol, ride: &Ride) -> Vec<UnmeasurableChecks> {
    // Of a side that the unit does not tell nothing is asked.
    let tells = |measure| match (measure, ride.unit.sides) {
        (Measure::LeftError, sides) => matches!(sides, Sides::Both | Sides::LeftDoubled),
        (Measure::RightError, sides) => matches!(sides, Sides::Both | Sides::RightDoubled),
        _ => true,
    };
    let lacks = |measure: Measure, drill: &Drill| {
        tells(measure) && needed(measure, drill).is_some_and(|need| serving(ride, need).is_empty())
    };
    let mut found: Vec<UnmeasurableChecks> = vec![];
    for phase in protocol.phases.iter().filter(|phase| phase.part == Part::Required) {
        let required: Vec<Measure> = phase.checks.iter().filter(|c| !c.advisory).map(|c| c.measure).collect();
        let measures: Vec<Measure> = required.iter().copied().filter(|m| lacks(*m, &phase.drill)).collect();
        if !measures.is_empty() && found.iter().all(|known| known.place != phase.id.name) {
            let all = required.iter().all(|m| measures.contains(m) || !tells(*m));
            found.push(UnmeasurableChecks { place: phase.id.name.clone(), measures, all });
        }
    }
    for contrast in protocol.contrasts.iter().filter(|contrast| !contrast.advisory) {
        let of = protocol.phases.iter().find(|phase| contrast.of.selects(&phase.id));
        if of.is_some_and(|phase| lacks(contrast.measure, &phase.drill)) {
            found.push(UnmeasurableChecks {
                place: contrast.name.clone(),
                measures: vec![contrast.measure],
                all: true,
            });
        }
    }
    found
}
