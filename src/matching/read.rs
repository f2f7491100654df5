//! The way through this folder: the ride read without marks, then with them; each time as one chain.

use super::boundaries::Boundaries;
use super::chain::{Move, PinnedStretch, Segment, divided};
use super::explain::Explainer;
use super::marks::MarksEvidence;
use super::model::{Ground, MatchOutcome, Matches, PhaseMatch, RefusedPin};
use super::numbering::{attempt, number};
use super::observe::Observer;
use super::pace;
use super::parameters::Parameters;
use super::pins::{ResolvedPin, resolve_pins};
use super::plan::{Plan, timed_phases};
use super::posterior::Posterior;
use super::remarks::{expect_remarked, spoil};
use super::signals::Signals;
use super::verify::from_bounds;
use crate::protocol::{Phase, Protocol};
use crate::ride::Ride;
use crate::session::{Pin, Session};

/// Finds every phase of the protocol in the ride, in protocol order, then by repeat.
///
/// Typed drills (`static_load`, `zero_check`) are not ridden and are left out of [`Matches::found`].
/// Time and memory grow with the ride's length times the number of phases. Marks made while riding help to find what
/// they name, if their clock can be set by what is found without them.
pub fn find(protocol: &Protocol, session: &Session, ride: &Ride) -> Matches {
    find_with(protocol, session, ride, &Parameters::SHIPPED)
}

/// Log likelihood of a ride as a protocol's, against a ride of no protocol's; at the targets as written, without pins and marks.
pub fn log_evidence(protocol: &Protocol, session: &Session, ride: &Ride) -> f64 {
    let (signals, p) = (Signals::of(session, ride), &Parameters::SHIPPED);
    let phases = timed_phases(protocol);
    let timed: Vec<&Phase> = phases.iter().map(|phase| &protocol.phases[*phase]).collect();
    let boundaries = Boundaries::of(&timed, &signals, ride, p);
    Plan::of(protocol, &Observer::new(&signals, p, 1.0), &boundaries, &[]).chain.log_evidence()
}

/// [`find`] by other parameters than the shipped ones.
pub fn find_with(protocol: &Protocol, session: &Session, ride: &Ride, p: &Parameters) -> Matches {
    let alone = read(protocol, session, ride, &MarksEvidence::default(), p);
    let Some(marks) = &session.marks_file else { return alone };
    let evidence = MarksEvidence::of(protocol, marks, &alone, ride);
    let (session, ride) = evidence.added_to(session, ride);
    let mut matches = read(protocol, &session, &ride, &evidence, p);
    matches.cautions.splice(0..0, evidence.cautions.iter().cloned());
    evidence.explain(protocol, &mut matches);
    matches
}

/// The whole ride read with what marks say of it; where a pin is not what it says, once more without it.
fn read(protocol: &Protocol, session: &Session, ride: &Ride, marks: &MarksEvidence, p: &Parameters) -> Matches {
    let matches = read_once(protocol, session, ride, marks, p);
    if matches.refused_pins.is_empty() {
        return matches;
    }
    let refused = |pin: &Pin| {
        let of = |refused: &RefusedPin| {
            pin.phase.selects(&protocol.phases[refused.phase].id) && pin.phase.repeat == refused.repeat
        };
        matches.refused_pins.iter().any(of)
    };
    let mut kept = session.clone();
    kept.pins.retain(|pin| !refused(pin));
    Matches { refused_pins: matches.refused_pins.clone(), ..read_once(protocol, &kept, ride, marks, p) }
}

fn read_once(protocol: &Protocol, session: &Session, ride: &Ride, marks: &MarksEvidence, p: &Parameters) -> Matches {
    let signals = Signals::of(session, ride);
    let phases = timed_phases(protocol);
    let timed: Vec<&Phase> = phases.iter().map(|phase| &protocol.phases[*phase]).collect();
    let boundaries = Boundaries::of(&timed, &signals, ride, p);
    let mut matches = Matches::default();
    let pins = resolve_pins(protocol, session, ride, &phases, &mut matches.cautions);
    let pinned: Vec<PinnedStretch> = pins.iter().map(ResolvedPin::stretch).collect();
    let at_pace = |paced: f64| {
        let observer = Observer::new(&signals, p, paced);
        let mut plan = Plan::of(protocol, &observer, &boundaries, &pinned);
        expect_remarked(protocol, session, ride, &mut plan);
        let added = phases.iter().enumerate().filter(|(_, phase)| marks.added(**phase) > 0);
        added.for_each(|(entry, _)| plan.expect_again(entry));
        let posterior = plan.chain.posterior();
        (observer, plan, posterior)
    };
    let (mut observer, mut plan, mut posterior) = at_pace(1.0);
    if let Some(paced) = pace::of(protocol, &signals) {
        let other = at_pace(paced);
        if other.2.log_evidence + p.off_pace.ln() > posterior.log_evidence {
            (observer, plan, posterior) = other;
        }
    }
    let segments = posterior.best(&plan.chain);
    let laps_late_s = boundaries.laps_late_s;
    let explainer =
        Explainer { protocol, plan: &plan, posterior: &posterior, observer: &observer, laps_late_s, session, ride };
    for (entry, &phase) in phases.iter().enumerate() {
        if protocol.phases[phase].drill.kind().is_scored_riding() {
            let tried = Tried { segments: &segments, pins: &pins, added: marks.added(phase) };
            repeats_of(&explainer, entry, &tried, &mut matches);
        }
    }
    for remark in &session.remarks {
        spoil(protocol, remark, ride, &mut matches);
    }
    explainer.recoveries(&mut matches.found);
    matches.deviations = explainer.deviations(&matches.found);
    matches.found.extend(unscored(protocol, &plan, &posterior, &segments));
    matches.found.sort_by_key(|m| (m.phase, m.repeat));
    matches.log_evidence = posterior.log_evidence;
    matches
}

/// What the ride was read as.
struct Tried<'a> {
    segments: &'a [Segment],
    pins: &'a [ResolvedPin<'a>],
    /// Repeats of a phase that the tester put in.
    added: usize,
}

/// The repeats of one phase: found, refused or missing.
fn repeats_of(explainer: &Explainer, entry: usize, tried: &Tried, matches: &mut Matches) {
    let phase = explainer.plan.phases[entry];
    let asked = explainer.phase(entry).repeats as usize;
    let mut attempts = vec![];
    for at in (0..tried.segments.len()).filter(|at| tried.segments[*at].entry == entry) {
        let attempt = attempt(explainer, tried.segments, at, tried.pins);
        if let (Err(says), Some(pin)) = (&attempt.outcome, tried.segments[at].pinned) {
            let repeat = tried.pins[pin].pin.phase.repeat;
            matches.refused_pins.push(RefusedPin { phase, repeat, says: says.clone() });
        }
        attempts.push(attempt);
    }
    let beyond = explainer.observer.parameters.again;
    let (numbered, dropped) = number(attempts, (asked, asked + tried.added), beyond);
    let further = |reason| format!("a further {} was left out, {reason}", explainer.phase(entry).id);
    matches.cautions.extend(dropped.into_iter().map(further));
    let missing = numbered.iter().any(Option::is_none).then(|| explainer.closest(entry, tried.segments));
    for (outcome, repeat) in numbered.into_iter().zip(1..) {
        let outcome = match outcome {
            Some(Ok(ridden)) => MatchOutcome::Ridden(ridden),
            Some(Err(reason)) => MatchOutcome::NotRidden { reason },
            None => MatchOutcome::NotRidden { reason: missing.clone().unwrap_or_default() },
        };
        matches.found.push(PhaseMatch { phase, repeat, surplus: repeat as usize > asked, outcome });
    }
}

/// Warm-ups, spins and waits, of which nothing is scored: as they were found, and where none was, what lies between.
fn unscored(protocol: &Protocol, plan: &Plan, posterior: &Posterior, segments: &[Segment]) -> Vec<PhaseMatch> {
    let is_unscored = |entry: &usize| {
        let kind = protocol.phases[plan.phases[*entry]].drill.kind();
        kind.is_free_riding() || kind.is_off_the_bike()
    };
    let found = |entry: usize| segments.iter().find(|segment| segment.entry == entry).map(|s| s.bounds.clone());
    let matched = |entry: usize, bounds: Option<&[usize]>| {
        let outcome = match bounds {
            Some(bounds) => {
                let mut ridden = from_bounds(bounds);
                ridden.confidence = posterior.within(entry, (bounds[0] + bounds[bounds.len() - 1]) / 2);
                ridden.rests_on.push(Ground::Between);
                MatchOutcome::Ridden(ridden)
            }
            None => MatchOutcome::NotRidden { reason: "no time was left between the phases around it".into() },
        };
        PhaseMatch { phase: plan.phases[entry], repeat: 1, surplus: false, outcome }
    };
    let mut matches = vec![];
    let mut entry = 0;
    while entry < plan.phases.len() {
        // Those missing in a row share what lies between.
        let missing = (entry..plan.phases.len()).take_while(|e| is_unscored(e) && found(*e).is_none()).count();
        if missing == 0 {
            matches.extend(is_unscored(&entry).then(|| matched(entry, found(entry).as_deref())));
            entry += 1;
            continue;
        }
        let before = segments.iter().rfind(|s| s.entry < entry).map_or(0, Segment::to);
        let after = segments.iter().find(|s| s.from() >= before).map_or(plan.chain.seconds(), Segment::from);
        let group: Vec<&Move> = plan.chain.entries[entry..entry + missing].iter().flat_map(|e| &e.moves).collect();
        let bounds = (after > before + missing).then(|| divided(&group, before, after));
        let of = |at: usize| matched(entry + at, bounds.as_ref().map(|bounds| &bounds[at..at + 2]));
        matches.extend((0..missing).map(of));
        entry += missing;
    }
    matches
}
