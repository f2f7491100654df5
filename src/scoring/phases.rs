//! Every check of every phase that was ridden.

use crate::protocol::Check;

use super::agreement::{self, Agreement, Pair};
use super::consensus::{ReferenceNeed, serving};
use super::measures::{self, check_of_sensed_side};
use super::no_value::NoValue;
use super::phase::RiddenPhase;
use super::protocol_ride::ProtocolRide;
use super::scores::PhaseScore;
use super::value::{Measured, Scored};

/// One per `matches.found`, each by itself: what repeats say of one another is left out.
pub fn score_each(ride: &ProtocolRide, agreement: &Agreement) -> Vec<PhaseScore> {
    let coverage = ride.protocol.decision.coverage;
    // Where references quarrel over the whole session, a phase adds nothing to that.
    let apart: Vec<Option<Pair>> =
        if agreement.quarrel() { vec![] } else { agreement::apart(ride.context.ride, ride.steady, coverage) };
    let mut apart = apart.into_iter();
    let score = |ridden: Option<RiddenPhase>| {
        let Some(ridden) = ridden else { return PhaseScore::default() };
        let asked = ridden.phase.checks.iter().map(|check| score_check(&ridden, check));
        let sensed = check_of_sensed_side(&ridden).map(|check| score_check(&ridden, &check));
        PhaseScore {
            window: Some(ridden.window),
            checks: asked.chain(sensed).collect(),
            apart: if ridden.drill.is_steady() { apart.next().flatten() } else { None },
        }
    };
    ride.phases().map(score).collect()
}

/// One check of one ride of a phase.
pub fn score_check(ridden: &RiddenPhase, check: &Check) -> Scored {
    let advisory = check.advisory || (measures::scoring(check.measure).only_informs)(ridden);
    Scored { check: check.clone(), measured: measure(ridden, check), advisory }
}

fn measure(ridden: &RiddenPhase, check: &Check) -> Measured {
    let scoring = measures::scoring(check.measure);
    let need = scoring.needs.of_phase(ridden.drill.mean_needs());
    // Sides have something to fall back on in sprints.
    let need = need.filter(|need| *need != ReferenceNeed::Sides);
    if let Some(need) = need.filter(|need| serving(ridden.context.ride, *need).is_empty()) {
        return Err(NoValue::NoReference(need));
    }
    (scoring.in_phase)(ridden, check)
}
