//! The protocol's phases found in the reference signals.
//!
//! The whole ride is explained at once: dynamic programming over segments finds the cheapest sequence of
//! moves and filler ([`segment`]), each second charged by its misfit ([`moves`]), each boundary by order
//! and laps. What is found is then trimmed to its edges and verified ([`refine`]), and whatever is missing is
//! explained ([`explain`]). The unit's own power and cadence are never looked at: a faulty unit must not
//! hide its own phase.

mod change;
mod explain;
mod model;
mod moves;
mod pace;
mod refine;
pub mod ring;
mod segment;
mod signals;
#[cfg(test)]
mod tests;
mod told;

pub use model::*;

use crate::protocol::{Drill, Phase, Protocol, Target};
use crate::ride::{Ride, Window};
use crate::session::{ClockTime, Pin, Remark, Session};
use explain::Explainer;
use moves::ScoredPhases;
use segment::{EdgeCosts, LAP, PinnedSegment, Segment};
use signals::Signals;
use told::MarksEvidence;

/// Finds every phase of the protocol in the ride, in protocol order, then by repeat.
///
/// Typed drills (`static_load`, `zero_check`) are not ridden and are left out of [`Matches::found`].
/// Time and memory grow with the ride's length times the number of phases. Marks made while riding help to find what
/// they name, if their clock can be set by what is found without them.
pub fn find(protocol: &Protocol, session: &Session, ride: &Ride) -> Matches {
    let alone = assign(protocol, session, ride, &MarksEvidence::default());
    let Some(marks) = &session.marks_file else { return alone };
    let told = MarksEvidence::of(protocol, marks, &alone, ride);
    let (session, ride) = told.added_to(session, ride);
    let mut matches = assign(protocol, &session, &ride, &told);
    matches.cautions.splice(0..0, told.cautions.iter().cloned());
    told.explain(protocol, &mut matches);
    matches
}

/// The whole ride explained, with what marks tell of it.
fn assign(protocol: &Protocol, session: &Session, ride: &Ride, told: &MarksEvidence) -> Matches {
    let signals = Signals::of(session, ride);
    let planned = |paced: f64| {
        let mut plan = ScoredPhases::of(protocol, &signals, paced);
        expect_remarked(protocol, session, ride, &mut plan);
        expect_added(told, &mut plan);
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
        let likenesses = likenesses(protocol, &plan, &signals, &instances, told);
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
        let attempts = instances
            .iter()
            .enumerate()
            .filter(|(_, i)| i.entry == entry)
            .map(|(at, instance)| attempt(&explainer, phase, &instances, at, instance, &pins))
            .collect();
        let (numbered, dropped) = number(attempts, phase.repeats, told.added(expected.phase) > 0);
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

/// What was prompted at either end may fit this badly, in seconds of misfit: as much as half of the order is worth.
const PROMPTED: f64 = moves::JUMP / 2.0;

/// Whether marks made while riding name a stretch's phase at both of its ends.
fn prompted(protocol: &Protocol, plan: &ScoredPhases, ride: &Ride, instance: &Segment) -> bool {
    const REACH_S: f64 = 3.0;
    let id = &protocol.phases[plan.entries[instance.entry].phase].id;
    let near = |second: usize| {
        let named = |e: &&crate::ride::Edge| matches!(&e.kind, crate::ride::EdgeKind::Cue(of) if of.selects(id));
        ride.edges.iter().filter(named).any(|e| (e.at_s - second as f64).abs() <= REACH_S)
    };
    near(instance.from()) && near(instance.to())
}

/// By how much another pace must explain the ride better, in seconds of misfit: about half of a block.
const LEAST_CHEAPER: f64 = 60.0;

/// Steady blocks with one target, against what was asked.
struct Blocks {
    asked: usize,
    found: usize,
    surplus: usize,
    /// Within 6 % of the target times the pace.
    near: usize,
}

impl Blocks {
    fn of(protocol: &Protocol, plan: &ScoredPhases, signals: &Signals, instances: &[Segment]) -> Self {
        const NEAR: f64 = 0.06;
        let mut blocks = Self { asked: 0, found: 0, surplus: 0, near: 0 };
        for (at, entry) in plan.entries.iter().enumerate() {
            let phase = &protocol.phases[entry.phase];
            let Drill::Steady { power_w: Target::Value(aim_w), .. } = phase.drill else { continue };
            let repeats: Vec<&Segment> = instances.iter().filter(|i| i.entry == at).collect();
            let level_w = |i: &&&Segment| signals.median_w(i.from(), i.to()).unwrap_or(0.0);
            let asked = phase.repeats as usize;
            blocks.asked += asked;
            blocks.found += repeats.len().min(asked);
            blocks.surplus += repeats.len().saturating_sub(asked);
            let near = repeats.iter().filter(|i| (level_w(i) / (aim_w * plan.paced) - 1.0).abs() < NEAR).count();
            blocks.near += near.min(asked);
        }
        blocks
    }

    /// All there, and most of them hit.
    fn as_asked(&self) -> bool {
        self.surplus == 0 && self.found == self.asked && 2 * self.near >= self.found
    }

    /// Enough there and hit to speak of a pace.
    fn share_a_pace(&self) -> bool {
        self.found >= 3 && 3 * self.found >= 2 * self.asked && 4 * self.near >= 3 * self.found
    }
}

/// How often the ride is explained anew without the likenesses found in it.
const MOST_REVISIONS: usize = 4;

/// Stretches that are no more than likenesses of a phase, most of them beyond the repeats asked for: a recovery near a
/// target gains less per second than the block does, but may hide a sprint that belongs there.
fn likenesses(
    protocol: &Protocol,
    plan: &ScoredPhases,
    signals: &Signals,
    instances: &[Segment],
    told: &MarksEvidence,
) -> Vec<Segment> {
    // A surplus repeat is taken for one from half of a perfect fit on, if it is not much worse than the best …
    const LEAST: f64 = 0.5;
    const LEAST_OF_BEST: f64 = 0.7;
    // … at its level, as a rider who repeats a block aims at the same power …
    const SAME_LEVEL: f64 = 0.06;
    // … and no further off the target than this part of its tolerance: easy riding may be as even as a block …
    const OFF_TARGET: f64 = 0.75;
    // … and not cut out of a longer even stretch, in seconds of misfit.
    const MOST_CUT: f64 = 12.0;
    // The one that comes where the protocol has it may be so much worse a fit than another.
    const IN_ORDER: f64 = 0.2;
    let mut likenesses = Vec::new();
    for (at, entry) in plan.entries.iter().enumerate() {
        let mut repeats: Vec<(f64, &Segment)> = instances
            .iter()
            .filter(|i| i.entry == at && i.forced.is_none())
            .map(|i| (entry.quality(&i.bounds), i))
            .collect();
        let rank = |(quality, i): &(f64, &Segment)| quality + IN_ORDER * in_order(plan, instances, i);
        repeats.sort_by(|a, b| rank(b).total_cmp(&rank(a)));
        let Some(&(best, example)) = repeats.first() else { continue };
        let level_w = |i: &Segment| signals.median_w(i.from(), i.to()).unwrap_or(0.0);
        let phase = &protocol.phases[entry.phase];
        let steady = matches!(phase.drill, Drill::Steady { .. });
        let off_target = |i: &Segment, paced: f64| match phase.drill {
            Drill::Steady { power_w: Target::Value(asked_w), .. } => {
                (level_w(i) / (asked_w * paced) - 1.0).abs() > OFF_TARGET * phase.tolerance
            }
            _ => false,
        };
        let cut_out = |i: &Segment| entry.beginning(i.from(), 0.0) + entry.ending(i.to(), 0.0) > MOST_CUT;
        let alike = |(quality, i): &(f64, &Segment)| {
            *quality >= (LEAST_OF_BEST * best).max(LEAST)
                && !cut_out(i)
                && (!steady || (level_w(i) / level_w(example) - 1.0).abs() <= SAME_LEVEL)
                && !off_target(i, 1.0)
        };
        let asked = phase.repeats as usize + told.added(entry.phase);
        let surplus = repeats.iter().skip(asked).filter(|r| !alike(r));
        // What the order asks for may be off its target or without clear edges, not both.
        let in_name_only = repeats.iter().take(asked).filter(|r| off_target(r.1, plan.paced) && cut_out(r.1));
        likenesses.extend(surplus.chain(in_name_only).map(|r| r.1.clone()));
    }
    likenesses
}

/// 1 where what was ridden before and after a stretch is what the protocol has around its phase, half for either.
fn in_order(plan: &ScoredPhases, instances: &[Segment], of: &Segment) -> f64 {
    let others = |i: &&Segment| i.entry != of.entry;
    let before = instances.iter().filter(others).rfind(|i| i.to() <= of.from()).map(|i| i.entry);
    let after = instances.iter().filter(others).find(|i| i.from() >= of.to()).map(|i| i.entry);
    let follows = |entry: usize, last: Option<usize>| plan.entries[entry].free_after.contains(&last);
    let after = after.map_or(of.entry + 1 == plan.entries.len(), |next| follows(next, Some(of.entry)));
    0.5 * (f64::from(u8::from(follows(of.entry, before))) + f64::from(u8::from(after)))
}

/// One place where a phase was ridden or tried.
struct Attempt {
    outcome: Result<Ridden, String>,
    /// See [`moves::ScoredPhase::quality`].
    quality: f64,
    /// The repeat that a pin names.
    number: Option<u32>,
}

fn attempt(
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
    let mut ridden = match outcome {
        Ok(ridden) => ridden,
        Err(reason) => Ridden { deviations: vec![reason], ..refine::as_segmented(phase, instance, explainer.signals) },
    };
    ridden.span = pin.span;
    if let Some(first) = ridden.moves.first_mut() {
        first.start_s = pin.span.start_s;
    }
    if let Some(last) = ridden.moves.last_mut() {
        last.end_s = pin.span.end_s;
    }
    ridden.confidence = 1.0;
    ridden.runner_up = None;
    ridden.rests_on = vec![Ground::Pinned];
    ridden.deviations.push("a person pinned where it was ridden; the matcher was overruled".into());
    Attempt { outcome: Ok(ridden), quality: 1.0, number: pin.pin.phase.repeat }
}

/// Below this share of the best try's quality, another one is the lesser.
const CLEARLY_WORSE: f64 = 0.8;

/// Gives the tries of one phase their repeat numbers: in time, but where a pin names one. Of those that the tester put in
/// the last are surplus.
///
/// Returns one slot per repeat (asked ones first, then surplus) and the reasons of failed tries that a good
/// one made up for. Beyond what was asked, a match less likely than not is none.
fn number(
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

/// Second of a remark that names a phase.
fn remarked(remark: &Remark, ride: &Ride) -> Option<usize> {
    let at_s = session_seconds(ride, remark.at.as_ref()?);
    (at_s >= 0.0 && at_s <= ride.length_s as f64).then_some(at_s as usize)
}

/// Whether a remark at second `at` may be about what was ridden over `span`.
fn written_of(span: Window, at: usize) -> bool {
    (span.start_s..=span.end_s + moves::WRITTEN_S as f64).contains(&(at as f64))
}

/// What was remarked on was ridden then.
fn expect_remarked(protocol: &Protocol, session: &Session, ride: &Ride, plan: &mut ScoredPhases) {
    for remark in &session.remarks {
        let (Some(selector), Some(at)) = (&remark.spoiled, remarked(remark, ride)) else { continue };
        let named = |e: &&mut moves::ScoredPhase| selector.selects(&protocol.phases[e.phase].id);
        plan.entries.iter_mut().filter(named).for_each(|entry| entry.expect(at));
    }
}

/// What was put in while riding was ridden again.
fn expect_added(told: &MarksEvidence, plan: &mut ScoredPhases) {
    for (at, entry) in plan.entries.iter_mut().enumerate() {
        if told.added(entry.phase) > 0 && !entry.free_after.contains(&Some(at)) {
            entry.free_after.push(Some(at));
        }
    }
}

/// How the reason of a struck repeat begins.
const STRUCK: &str = "called spoiled by the tester";

/// Strikes the repeat that a remark calls spoiled: what was ridden at its time, else the one with its number.
fn spoil(protocol: &Protocol, remark: &Remark, ride: &Ride, matches: &mut Matches) {
    let Some(selector) = &remark.spoiled else { return };
    let told = |m: &PhaseMatch| selector.selects(&protocol.phases[m.phase].id);
    let numbered = |m: &PhaseMatch| told(m) && selector.repeat.is_none_or(|n| n == m.repeat);
    let then = remarked(remark, ride).and_then(|at| {
        let over = |m: &PhaseMatch| matches!(&m.outcome, MatchOutcome::Ridden(r) if written_of(r.span, at));
        // Of two within reach the later had begun.
        matches.found.iter().rposition(|m| told(m) && over(m))
    });
    if let (Some(at), Some(number)) = (then, selector.repeat)
        && matches.found[at].repeat != number
    {
        let id = &protocol.phases[matches.found[at].phase].id;
        matches.cautions.push(format!(
            "the remark \"{}\" calls {id}/{number} spoiled; at its time repeat {} was ridden, so that one was left out",
            remark.text, matches.found[at].repeat
        ));
    }
    let reason = format!("{STRUCK}: {}", remark.text);
    let struck: Vec<usize> = match then {
        Some(at) => vec![at],
        None => (0..matches.found.len()).filter(|&at| numbered(&matches.found[at])).collect(),
    };
    for at in struck {
        matches.found[at].outcome = MatchOutcome::NotRidden { reason: reason.clone() };
    }
}

/// A pin whose phase and seconds are known.
struct ResolvedPin<'a> {
    pin: &'a Pin,
    entry: usize,
    seconds: (usize, usize),
    span: Window,
}

fn resolve_pins<'a>(
    protocol: &Protocol,
    session: &'a Session,
    ride: &Ride,
    plan: &ScoredPhases,
    cautions: &mut Vec<String>,
) -> Vec<ResolvedPin<'a>> {
    let mut resolved: Vec<ResolvedPin> = Vec::new();
    for pin in &session.pins {
        let mut ignore = |why: &str| cautions.push(format!("the pin on {} was not used: {why}", pin.phase));
        let entries: Vec<usize> = (0..plan.entries.len())
            .filter(|&e| pin.phase.selects(&protocol.phases[plan.entries[e].phase].id))
            .collect();
        let [entry] = entries[..] else {
            ignore(if entries.is_empty() {
                "no phase that is scored by riding has that name"
            } else {
                "it names more than one phase"
            });
            continue;
        };
        let span = Window { start_s: session_seconds(ride, &pin.from), end_s: session_seconds(ride, &pin.to) };
        let (from, to) = (span.start_s.round(), span.end_s.round());
        if from < 0.0 || to > ride.length_s as f64 {
            ignore("it lies outside the ride (times are UTC unless written otherwise)");
            continue;
        }
        let seconds = (from as usize, to as usize);
        if seconds.1 < seconds.0 + plan.entries[entry].moves.len() {
            ignore("it ends before it could hold the phase");
        } else if resolved.iter().any(|r| seconds.0 < r.seconds.1 && r.seconds.0 < seconds.1) {
            ignore("it overlaps another pin");
        } else if resolved
            .iter()
            .any(|r| r.entry == entry && r.pin.phase.repeat == pin.phase.repeat && pin.phase.repeat.is_some())
        {
            ignore("another pin names the same repeat");
        } else {
            resolved.push(ResolvedPin { pin, entry, seconds, span });
        }
    }
    resolved
}

/// Session seconds of a typed time; without a date, the day on which it is nearest to the ride's middle.
fn session_seconds(ride: &Ride, at: &ClockTime) -> f64 {
    const DAY_S: f64 = 86_400.0;
    let day = at.date.unwrap_or_else(|| ride.start.date_naive());
    let utc = day.and_time(at.time).and_utc();
    let session_s = (utc - ride.start).num_milliseconds() as f64 / 1000.0 - f64::from(at.offset_s.unwrap_or(0));
    if at.date.is_some() {
        return session_s;
    }
    let middle_s = ride.length_s as f64 / 2.0;
    session_s - DAY_S * ((session_s - middle_s) / DAY_S).round()
}

/// What boundaries cost: negative near a lap, timer event or mark.
fn edge_costs(protocol: &Protocol, plan: &ScoredPhases, signals: &Signals, ride: &Ride) -> EdgeCosts {
    use crate::ride::EdgeKind;
    const REACH_S: f64 = 3.0;
    let mut costs = EdgeCosts::none(plan.entries.len(), ride.length_s);
    for edge in &ride.edges {
        let worth = match &edge.kind {
            EdgeKind::Lap | EdgeKind::Mark(None) => LAP,
            EdgeKind::TimerStart | EdgeKind::TimerStop => LAP / 2.0,
            EdgeKind::Mark(Some(_)) | EdgeKind::Cue(_) => 2.5 * LAP,
        };
        let whose: Vec<Option<usize>> = match &edge.kind {
            EdgeKind::Mark(Some(selector)) | EdgeKind::Cue(selector) => {
                let named = |e: &usize| selector.selects(&protocol.phases[plan.entries[*e].phase].id);
                (0..plan.entries.len()).filter(named).map(Some).collect()
            }
            _ => vec![None],
        };
        let late_s = if edge.kind == EdgeKind::Lap { signals.laps_late_s.unwrap_or(0.0) } else { 0.0 };
        let at_s = edge.at_s - late_s;
        let near = (at_s - REACH_S).ceil().max(0.0) as usize..=(at_s + REACH_S).floor().max(0.0) as usize;
        for second in near.filter(|&s| s <= ride.length_s) {
            let closeness = 1.0 - (second as f64 - at_s).abs() / (REACH_S + 1.0);
            whose.iter().for_each(|&entry| costs.lower(entry, second, -worth * closeness));
        }
    }
    costs
}
