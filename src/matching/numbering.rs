//! What was tried of one phase, and which try is which repeat.

use super::chain::Segment;
use super::edges::edges;
use super::explain::Explainer;
use super::model::{Deviation, Ground, Ridden};
use super::pins::ResolvedPin;
use super::verify::verify;
use crate::ride::Window;

/// One place where a phase was ridden or tried.
pub(super) struct Attempt {
    pub outcome: Result<Ridden, String>,
    /// Second at which it began.
    from: usize,
    /// Probability that the phase was ridden here.
    sure: f64,
    /// The repeat that a pin names.
    number: Option<u32>,
}

/// One stretch of a phase as ridden, or why it does not count. What a person pinned has to be what any other stretch has to
/// be; where it is, its ends are the person's.
pub(super) fn attempt(explainer: &Explainer, segments: &[Segment], at: usize, pins: &[ResolvedPin]) -> Attempt {
    let segment = &segments[at];
    let (phase, signals) = (explainer.phase(segment.entry), explainer.observer.signals);
    let verified = |bounds: &[usize]| {
        verify(phase, bounds, signals, explainer.ride)
            .map_err(|reason| format!("tried at {}: {reason}", explainer.stretch(segment.from(), segment.to())))
    };
    let Some(pin) = segment.pinned.map(|pin| &pins[pin]) else {
        let room = (
            at.checked_sub(1).map_or(0, |before| segments[before].middle()),
            segments.get(at + 1).map_or(signals.len(), Segment::middle),
        );
        let (bounds, spread) = edges(explainer.posterior, segment, room);
        let sure = explainer.posterior.within(segment.entry, segment.middle());
        let outcome = verified(&bounds).map(|mut ridden| {
            (ridden.confidence, ridden.edges) = (sure, spread);
            explainer.weigh(&mut ridden, segments, at);
            ridden
        });
        return Attempt { outcome, from: segment.from(), sure, number: None };
    };
    let number = pin.pin.phase.repeat;
    let attempt = |outcome| Attempt { outcome, from: segment.from(), sure: 1.0, number };
    let refused = |why: String| attempt(Err(format!("what was pinned is not that; {why}")));
    // Within a wide pin it is where power says; else its ends are the person's.
    let (inside, _) = super::chain::closest_within(&explainer.plan.chain.entries[segment.entry].moves, pin.seconds);
    let was = explainer.stretch(inside[0], inside[inside.len() - 1]);
    let mut ridden = match verified(&inside) {
        Ok(ridden) if covers(pin.span, ridden.span) || holds(pin.span, ridden.span) => ridden,
        Ok(_) => return refused(format!("it was ridden at {was}")),
        Err(reason) => return refused(reason),
    };
    explainer.weigh(&mut ridden, segments, at);
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
    attempt(Ok(ridden))
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

/// A try less sure than this is surplus before any other; of sure ones the last is.
const SURE: f64 = 0.999;

/// Where those begin that were ridden together, as repeats of a drill are: the first ones, but where as many later ones lie within
/// half of their time.
fn together(sure: &[Attempt], expected: usize) -> usize {
    let Some(last) = expected.checked_sub(1).filter(|_| sure.len() > expected) else { return 0 };
    let span = |first: usize| sure[first + last].from - sure[first].from;
    let closest = (0..sure.len() - last).min_by_key(|first| span(*first)).unwrap_or(0);
    if 2 * span(closest) < span(0) { closest } else { 0 }
}

/// Gives the tries of one phase their repeat numbers: in time, but where a pin names one. `expected` is how many were asked
/// for or put in by the tester, whose last are surplus; any beyond are as unlikely as `beyond` says.
///
/// Returns one slot per repeat (asked ones first, then surplus) and the reasons of tries that are none.
pub(super) fn number(
    mut attempts: Vec<Attempt>,
    (asked, expected): (usize, usize),
    beyond: f64,
) -> (Vec<Option<Result<Ridden, String>>>, Vec<String>) {
    let mut dropped = vec![];
    while attempts.len() > asked
        && let Some(failed) = attempts.iter().position(|attempt| attempt.outcome.is_err())
    {
        dropped.extend(attempts.remove(failed).outcome.err());
    }
    attempts.sort_by_key(|attempt| attempt.sure < SURE);
    let sure = attempts.iter().filter(|attempt| attempt.sure >= SURE).count();
    let first = together(&attempts[..sure], expected);
    attempts[..sure].rotate_left(first);
    for attempt in attempts.iter_mut().skip(expected) {
        attempt.sure = beyond * attempt.sure / (beyond * attempt.sure + 1.0 - attempt.sure);
        if let Ok(ridden) = &mut attempt.outcome {
            ridden.confidence = attempt.sure;
        }
    }
    // Less likely than not beyond what was asked is none.
    let mut at = 0;
    attempts.retain(|attempt| {
        at += 1;
        at <= asked || attempt.sure >= 0.5
    });
    let named = attempts.iter().filter_map(|a| a.number).max().unwrap_or(0) as usize;
    let mut slots: Vec<Option<Result<Ridden, String>>> = Vec::new();
    slots.resize_with(attempts.len().max(asked).max(named), || None);
    let (pinned, mut free): (Vec<_>, Vec<_>) = attempts.into_iter().partition(|a| a.number.is_some());
    // What is asked for in time, then what is surplus in time.
    let room = asked.saturating_sub(pinned.len()).min(free.len());
    let (asked_for, surplus) = free.split_at_mut(room);
    asked_for.sort_by_key(|attempt| attempt.from);
    surplus.sort_by_key(|attempt| attempt.from);
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
    while slots.len() > asked && slots.last().is_some_and(Option::is_none) {
        slots.pop();
    }
    (slots, dropped)
}
