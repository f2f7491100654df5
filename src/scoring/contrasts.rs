//! Differences of one measure between phases that are alike in all but one key.

use crate::protocol::{Check, Contrast, Phase};
use crate::quantity::{Bound, Limit, Unit};

use super::budget::{Budget, Line, Source};
use super::no_value::{NoValue, Note};
use super::phase::RiddenPhase;
use super::phases::score_check;
use super::protocol_ride::ProtocolRide;
use super::repeats::{mean_over, mean_value, sharing_scatter};
use super::scores::ContrastScore;
use super::value::{Scored, SecondUnit, Value, ValueKind};

/// Mean over pairs alike in all but the contrasted keys of the difference, errors of power in per cent; what both
/// share cancels.
pub fn score(ride: &ProtocolRide, contrast: &Contrast) -> ContrastScore {
    let Contrast { measure, limit, advisory, .. } = contrast.clone();
    let check = Check { measure, limit, advisory, clause: None, over_s: None };
    let mut informs_only = advisory;
    let pairs = contrast.pairs(&ride.protocol.phases);
    let (mut differences, mut lacking) = (Vec::new(), None);
    for pair in &pairs {
        let sides = [pair.of, pair.against].map(|phase| mean_of_phase(ride, phase, &check));
        informs_only |= sides.iter().any(|side| side.advisory);
        match sides.map(|side| side.measured) {
            [Ok(of), Ok(against)] if against.kind == ValueKind::Measured => differences.push(difference(of, &against)),
            [Ok(_), Ok(_)] => lacking = Some(NoValue::HeldAgainstABound),
            [Err(why), _] | [_, Err(why)] => lacking = Some(why),
        }
    }
    let measured = if differences.is_empty() {
        Err(lacking.unwrap_or(NoValue::NoPairRidden { pairs: pairs.len() }))
    } else {
        Ok(over_pairs(&differences, pairs.len()))
    };
    ContrastScore { contrast: contrast.clone(), scored: Scored { check, measured, advisory: informs_only } }
}

/// The measure's mean over the repeats of a phase, by its index.
fn mean_of_phase(ride: &ProtocolRide, index: usize, check: &Check) -> Scored {
    let phase: &Phase = &ride.protocol.phases[index];
    let in_pct = Check { limit: Limit::Within(Bound::single(0.0, Unit::Percent)), ..check.clone() };
    let asked = ride.matches.found.iter().zip(ride.phases()).filter(|(f, _)| f.phase == index && !f.surplus);
    let alone: Vec<Scored> =
        asked.filter_map(|(_, ridden): (_, Option<RiddenPhase>)| Some(score_check(&ridden?, &in_pct))).collect();
    let rides = alone.iter().map(|scored| scored.measured.clone()).collect();
    let shared = sharing_scatter(rides, check, phase);
    let scored: Vec<Scored> =
        alone.into_iter().zip(shared).map(|(scored, measured)| Scored { measured, ..scored }).collect();
    mean_over(&scored.iter().collect::<Vec<_>>(), check)
}

fn difference(of: Value, against: &Value) -> Value {
    // A time shifts both ends of a difference of times alike; on power a clock's effect has the sign of the edge.
    let budget = Budget::of_difference(&of.budget, &against.budget, of.unit == Unit::Second);
    let reference = (of.reference + against.reference) / 2.0;
    let in_watts = SecondUnit { unit: Unit::Watt, factor: reference / 100.0 };
    let also = (of.unit == Unit::Percent && reference != 0.0).then_some(in_watts);
    Value { value: of.value - against.value, budget, reference, also, gain_sensitive: false, ..of }
}

fn over_pairs(differences: &[Value], pairs: usize) -> Value {
    let mean = mean_value(&differences.iter().collect::<Vec<_>>());
    // One draw per ring, shared by all pairs. What is stated is the difference between two rings, and each pair's line
    // holds it once per ring.
    let ring_line = |v: &Value| v.budget.part(|s| s == Source::RingLoss) / 2f64.sqrt();
    let ring = differences.iter().map(ring_line).sum::<f64>() / differences.len() as f64;
    let mut budget = Budget(mean.budget.0.iter().filter(|line| line.source != Source::RingLoss).copied().collect());
    budget.push(Line::b(Source::RingLoss, ring));
    let ridden = differences.len();
    let notes = if ridden < pairs { vec![Note::PairsRidden { ridden, pairs }] } else { vec![] };
    Value { budget, notes, ..mean }
}
