//! The whole ride explained once: the cheapest assignment, cleared of what only looks like a phase, numbered and weighed.

use super::blocks::Blocks;
use super::boundaries::{PROMPTED, edge_costs, prompted};
use super::explain::Explainer;
use super::likenesses::likenesses;
use super::marks::MarksEvidence;
use super::model::{MatchOutcome, Matches, PhaseMatch, RefusedPin};
use super::moves::ScoredPhases;
use super::numbering::{attempt, number};
use super::pace;
use super::pins::resolve_pins;
use super::remarks::{expect_remarked, spoil};
use super::segment::{self, PinnedSegment, Segment};
use super::signals::Signals;
use crate::protocol::Protocol;
use crate::ride::Ride;
use crate::session::Session;

/// By how much another pace must explain the ride better, in seconds of misfit: about half of a block.
const LEAST_CHEAPER: f64 = 60.0;

/// How often the ride is explained anew without the likenesses found in it.
const MOST_REVISIONS: usize = 4;

/// The whole ride explained, with what marks say of it.
pub(super) fn assign(protocol: &Protocol, session: &Session, ride: &Ride, marks: &MarksEvidence) -> Matches {
    let signals = Signals::of(session, ride);
    let planned = |paced: f64| {
        let mut plan = ScoredPhases::of(protocol, &signals, paced);
        expect_remarked(protocol, session, ride, &mut plan);
        expect_added(marks, &mut plan);
        plan
    };
    let mut plan = planned(1.0);
    let mut matches = Matches::default();
    let pins = resolve_pins(protocol, session, ride, &plan, &mut matches.cautions);
    let forced: Vec<PinnedSegment> =
        pins.iter().map(|p| PinnedSegment { entry: p.entry, from: p.seconds.0, to: p.seconds.1 }).collect();
    let edges = edge_costs(protocol, &plan, &signals, ride);
    let (cost, mut instances) = segment::cheapest(&plan, &edges, &forced);
    if !Blocks::of(protocol, &plan, &signals, &instances).as_asked()
        && let Some(paced) = pace::of(protocol, &signals)
    {
        let other = planned(paced);
        let (other_cost, other_instances) = segment::cheapest(&other, &edges, &forced);
        let blocks = Blocks::of(protocol, &other, &signals, &other_instances);
        if other_cost < cost - LEAST_CHEAPER && blocks.share_a_pace() {
            (plan, instances) = (other, other_instances);
        }
    }
    for _ in 0..MOST_REVISIONS {
        let likenesses = likenesses(protocol, &plan, &signals, &instances, marks);
        if likenesses.is_empty() {
            break;
        }
        for likeness in likenesses {
            plan.entries[likeness.entry].ban(likeness.from(), likeness.to());
        }
        instances = segment::cheapest(&plan, &edges, &forced).1;
    }
    // Cheap boundaries alone, as around an automatic pause, make no phase.
    let least = |i: &Segment| if prompted(protocol, &plan, ride, i) { PROMPTED } else { 0.0 };
    instances.retain(|i| i.forced.is_some() || plan.entries[i.entry].cost(&i.bounds) < least(i));
    let explainer = Explainer { protocol, plan: &plan, signals: &signals, session, ride };

    for (entry, expected) in plan.entries.iter().enumerate() {
        let phase = &protocol.phases[expected.phase];
        let mut attempts = vec![];
        for (at, instance) in instances.iter().enumerate().filter(|(_, i)| i.entry == entry) {
            let tried = attempt(&explainer, phase, &instances, at, instance, &pins);
            if let (Err(says), Some(pin)) = (&tried.outcome, instance.forced) {
                let repeat = pins[pin].pin.phase.repeat;
                matches.refused_pins.push(RefusedPin { phase: expected.phase, repeat, says: says.clone() });
            }
            attempts.push(tried);
        }
        let (numbered, dropped) = number(attempts, phase.repeats, marks.added(expected.phase) > 0);
        matches
            .cautions
            .extend(dropped.into_iter().map(|reason| format!("a further {} was left out, {reason}", phase.id)));
        let missing = numbered.iter().any(Option::is_none).then(|| explainer.closest(entry, &instances));
        for (at, outcome) in numbered.into_iter().enumerate() {
            let repeat = at as u32 + 1;
            let outcome = match outcome {
                Some(Ok(ridden)) => MatchOutcome::Ridden(ridden),
                Some(Err(reason)) => MatchOutcome::NotRidden { reason },
                None => MatchOutcome::NotRidden { reason: missing.clone().unwrap_or_default() },
            };
            matches.found.push(PhaseMatch { phase: expected.phase, repeat, surplus: repeat > phase.repeats, outcome });
        }
    }
    for remark in &session.remarks {
        spoil(protocol, remark, ride, &mut matches);
    }
    explainer.recoveries(&mut matches.found);
    matches.deviations = explainer.deviations(&matches.found);
    let between = explainer.between(&matches.found);
    matches.found.extend(between);
    matches.found.sort_by_key(|m| (m.phase, m.repeat));
    matches
}

/// What was put in while riding was ridden again.
fn expect_added(marks: &MarksEvidence, plan: &mut ScoredPhases) {
    for (at, entry) in plan.entries.iter_mut().enumerate() {
        if marks.added(entry.phase) > 0 && !entry.free_after.contains(&Some(at)) {
            entry.free_after.push(Some(at));
        }
    }
}
