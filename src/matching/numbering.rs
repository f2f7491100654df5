//! What was tried of one phase, and which try is which repeat.

use super::explain::Explainer;
use super::model::{Deviation, Ground, Ridden};
use super::pins::ResolvedPin;
use super::refine;
use super::segment::Segment;
use crate::protocol::Phase;
use crate::ride::Window;

/// One place where a phase was ridden or tried.
pub(super) struct Attempt {
    pub outcome: Result<Ridden, String>,
    /// See [`super::moves::ScoredPhase::quality`].
    quality: f64,
    /// The repeat that a pin names.
    number: Option<u32>,
}

/// One stretch of a phase as ridden, or why it does not count. What a person pinned has to be what any other stretch has to
/// be; where it is, its ends are the person's.
pub(super) fn attempt(
    explainer: &Explainer,
    phase: &Phase,
    instances: &[Segment],
    at: usize,
    instance: &Segment,
    pins: &[ResolvedPin],
) -> Attempt {
    let room = explainer.room(instances, instance.from(), instance.to());
    let outcome = match refine::verify(phase, instance, room, explainer.signals, explainer.ride) {
        Ok(mut ridden) => {
            explainer.weigh(&mut ridden, instances, at);
            Ok(ridden)
        }
        Err(reason) => Err(format!("tried at {}: {reason}", explainer.stretch(instance.from(), instance.to()))),
    };
    let Some(pin) = instance.forced.map(|f| &pins[f]) else {
        return Attempt {
            outcome,
            quality: explainer.plan.entries[instance.entry].quality(&instance.bounds),
            number: None,
        };
    };
    let number = pin.pin.phase.repeat;
    let mut ridden = match outcome {
        Ok(ridden) if covers(pin.span, ridden.span) || holds(pin.span, ridden.span) => ridden,
        Ok(ridden) => {
            let was = explainer.stretch(ridden.span.start_s as usize, ridden.span.end_s as usize);
            let reason = format!("what was pinned is not that; it was ridden at {was}");
            return Attempt { outcome: Err(reason), quality: 1.0, number };
        }
        Err(reason) => {
            let reason = format!("what was pinned is not that; {reason}");
            return Attempt { outcome: Err(reason), quality: 1.0, number };
        }
    };
    // Within a wide pin it is where power says; else its ends are the person's.
    if covers(pin.span, ridden.span) {
        ridden.span = pin.span;
        if let Some(first) = ridden.moves.first_mut() {
            first.start_s = pin.span.start_s;
        }
        if let Some(last) = ridden.moves.last_mut() {
            last.end_s = pin.span.end_s;
        }
    }
    ridden.confidence = 1.0;
    ridden.runner_up = None;
    ridden.rests_on = vec![Ground::Pinned];
    ridden.deviations.push(Deviation::told("a person pinned where it was ridden; the matcher was overruled"));
    Attempt { outcome: Ok(ridden), quality: 1.0, number }
}

/// Whether a pin means what was ridden: half of either lies in the other. A person's seconds are rough.
fn covers(pinned: Window, ridden: Window) -> bool {
    let common_s = pinned.end_s.min(ridden.end_s) - pinned.start_s.max(ridden.start_s);
    2.0 * common_s >= pinned.length_s().max(ridden.length_s())
}

/// Whether a pin, however wide, holds all that was ridden.
fn holds(pinned: Window, ridden: Window) -> bool {
    pinned.start_s <= ridden.start_s && ridden.end_s <= pinned.end_s
}

/// Below this share of the best try's quality, another one is the lesser.
const CLEARLY_WORSE: f64 = 0.8;

/// Gives the tries of one phase their repeat numbers: in time, but where a pin names one. Of those that the tester put in
/// the last are surplus.
///
/// Returns one slot per repeat (asked ones first, then surplus) and the reasons of failed tries that a good
/// one made up for. Beyond what was asked, a match less likely than not is none.
pub(super) fn number(
    mut attempts: Vec<Attempt>,
    asked: u32,
    last_were_added: bool,
) -> (Vec<Option<Result<Ridden, String>>>, Vec<String>) {
    let mut dropped = Vec::new();
    while attempts.len() > asked as usize
        && let Some(failed) = attempts.iter().position(|a| a.outcome.as_ref().map_or(true, |r| r.confidence < 0.5))
    {
        dropped.extend(attempts.remove(failed).outcome.err());
    }
    // A try that is clearly worse than the best is the surplus one; otherwise the last.
    let best = attempts.iter().map(|a| a.quality).fold(0.0, f64::max);
    if attempts.len() > asked as usize && !last_were_added {
        attempts.sort_by_key(|a| a.quality < CLEARLY_WORSE * best);
    }
    let named = attempts.iter().filter_map(|a| a.number).max().unwrap_or(0) as usize;
    let mut slots: Vec<Option<Result<Ridden, String>>> = Vec::new();
    slots.resize_with(attempts.len().max(asked as usize).max(named), || None);
    let (pinned, free): (Vec<_>, Vec<_>) = attempts.into_iter().partition(|a| a.number.is_some());
    for attempt in pinned {
        let slot = attempt.number.map_or(0, |n| n.saturating_sub(1) as usize);
        slots[slot] = Some(attempt.outcome);
    }
    let mut free = free.into_iter();
    for slot in slots.iter_mut().filter(|s| s.is_none()) {
        *slot = free.next().map(|a| a.outcome);
    }
    // Two pins on one number leave a try without a slot of its own.
    slots.extend(free.map(|a| Some(a.outcome)));
    while slots.len() > asked as usize && slots.last().is_some_and(Option::is_none) {
        slots.pop();
    }
    (slots, dropped)
}
