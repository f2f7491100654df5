//! Every check of a session decided, and what phases, repeats and the session come to.

use crate::matching::{MatchOutcome, Matches, PhaseMatch};
use crate::premise::Premise;
use crate::premises::{PhaseRepeat, Premises};
use crate::protocol::{Accept, Part, Phase, Protocol};
use crate::quantity::Bound;
use crate::scoring::value::Scored;
use crate::scoring::{self, Agreement, ContrastScore, PhaseScore, Scores};

use super::decided::Decided;
use super::outcome::{Outcome, worst};
use super::reason::{Over, ReferencesDisagree};
use super::remedy::Remedy;
use super::repeats::{RepeatDecision, Tally, repeats};
use super::rules::{Rules, taken};

/// A session, decided.
#[derive(Debug, Clone, PartialEq)]
pub struct Decisions {
    /// One per `matches.found`, in its order; then phases without a ride.
    pub phases: Vec<DecidedPhase>,
    /// Of phases that are ridden more than once.
    pub repeats: Vec<DecidedRepeats>,
    /// In the protocol's order.
    pub contrasts: Vec<Decided>,
    pub whole_ride: Vec<Decided>,
    pub outcome: Outcome,
}

/// One repeat of one phase.
#[derive(Debug, Clone, PartialEq)]
pub struct DecidedPhase {
    /// Index into the protocol's phases.
    pub phase: usize,
    /// From 1.
    pub repeat: u32,
    pub surplus: bool,
    pub outcome: Outcome,
    /// The phase counts towards the session's outcome.
    pub required: bool,
    pub checks: Vec<Decided>,
}

/// What all repeats of one phase say together.
#[derive(Debug, Clone, PartialEq)]
pub struct DecidedRepeats {
    /// Index into the protocol's phases.
    pub phase: usize,
    pub tally: Tally,
    /// Of the mean over the repeats.
    pub checks: Vec<Decided>,
    pub decision: RepeatDecision,
    pub required: bool,
}

/// Decides a session by its protocol. `claimed`: what the session says that the unit claims. What hangs on a contradicted
/// premise is undecided.
pub fn session(
    protocol: &Protocol,
    claimed: Option<&Bound>,
    matches: &Matches,
    scores: &Scores,
    premises: &Premises,
) -> Decisions {
    let quarrel = quarrel(&scores.agreement);
    let rules = Rules { decision: protocol.decision, claimed, quarrel, premises: Some(premises) };
    let references: Vec<&str> = scores.references.iter().map(String::as_str).collect();
    let unrecorded_s = premises.unrecorded_s(|label| references.contains(&label));
    let mut phases = phases(&rules, protocol, matches, scores, unrecorded_s);
    let repeated = (0..protocol.phases.len()).filter(|&index| protocol.phases[index].repeats > 1);
    let repeats: Vec<DecidedRepeats> =
        repeated.map(|index| repeats_of(&rules, protocol, matches, scores, &phases, index)).collect();
    phases.extend(scores.typed.iter().map(|typed| {
        let phase = &protocol.phases[typed.phase];
        let incomplete = premises.take_readings(&phase.id.to_string());
        let check = |s: &Scored| {
            let decided = rules.check(s, phase.part == Part::Required);
            if incomplete { taken(decided, Premise::Readings, Remedy::ReadAll) } else { decided }
        };
        let once = MatchedRepeat { phase: typed.phase, repeat: 1, surplus: false };
        let all = decided(protocol, once, Some(typed.checks.iter().map(check).collect()));
        // A part of what was asked is not what was asked.
        DecidedPhase { outcome: if incomplete { Outcome::NotRidden } else { all.outcome }, ..all }
    }));
    let all = |scored: &[&Scored]| -> Vec<Decided> { scored.iter().map(|s| rules.check(s, true)).collect() };
    let off = |index: usize| matches.found.iter().any(|found| found.phase == index && is_off(premises, found));
    let contrast = |score: &ContrastScore| {
        let decided = rules.check(&score.scored, true);
        let pairs = score.contrast.pairs(&protocol.phases);
        if pairs.iter().any(|pair| off(pair.of) || off(pair.against)) {
            taken(decided, Premise::AsAsked, Remedy::AsAsked)
        } else {
            decided
        }
    };
    let contrasts: Vec<Decided> = scores.contrasts.iter().map(contrast).collect();
    let whole_ride = all(&scores.whole_ride.iter().collect::<Vec<_>>());
    let single = phases.iter().filter(|p| p.required && repeats.iter().all(|r| r.phase != p.phase));
    let outcome = worst(
        single
            .map(|p| p.outcome)
            .chain(repeats.iter().filter(|r| r.required).map(|r| r.decision.verdict))
            .chain(contrasts.iter().chain(&whole_ride).filter(|c| c.required).map(|c| c.outcome)),
    );
    let outcome = if premises.take_pass() { Outcome::Undecided } else { outcome };
    Decisions { phases, repeats, contrasts, whole_ride, outcome }
}

fn quarrel(agreement: &Agreement) -> Option<ReferencesDisagree> {
    let worst = agreement.pairs.iter().max_by(|a, b| a.e_n.total_cmp(&b.e_n)).filter(|_| agreement.quarrel());
    worst.map(|pair| ReferencesDisagree { pair: pair.clone(), over: Over::Session })
}

/// Whether a repeat was ridden otherwise than asked, so that it decides nothing.
fn is_off(premises: &Premises, found: &PhaseMatch) -> bool {
    premises.take_repeat(PhaseRepeat { phase: found.phase, repeat: found.repeat })
}

/// Whether a stretch that a reference did not record could hold a phase.
fn could_hold(unrecorded_s: f64, phase: &Phase) -> bool {
    let asked_s: f64 = phase.drill.moves().iter().filter_map(|part| part.lasts_s.low).sum();
    unrecorded_s > 0.0 && unrecorded_s >= asked_s
}

fn phases(
    rules: &Rules,
    protocol: &Protocol,
    matches: &Matches,
    scores: &Scores,
    unrecorded_s: f64,
) -> Vec<DecidedPhase> {
    let premises = rules.premises;
    let decide = |(found, score): (&PhaseMatch, &PhaseScore)| {
        let of = MatchedRepeat { phase: found.phase, repeat: found.repeat, surplus: found.surplus };
        match (&found.outcome, score.window) {
            (MatchOutcome::Ridden(_), Some(_)) => {
                let required = protocol.phases[found.phase].part != Part::Advisory && !found.surplus;
                let apart =
                    score.apart.as_ref().map(|pair| ReferencesDisagree { pair: pair.clone(), over: Over::Phase });
                let here = Rules { quarrel: rules.quarrel.clone().or(apart), ..rules.clone() };
                let off = premises.is_some_and(|premises| is_off(premises, found));
                let check = |s: &Scored| {
                    let decided = here.check(s, required);
                    if off { taken(decided, Premise::AsAsked, Remedy::AsAsked) } else { decided }
                };
                decided(protocol, of, Some(score.checks.iter().map(check).collect()))
            }
            _ => {
                let missing = decided(protocol, of, None);
                let unrecorded = could_hold(unrecorded_s, &protocol.phases[found.phase]);
                DecidedPhase { outcome: if unrecorded { Outcome::NotRecorded } else { missing.outcome }, ..missing }
            }
        }
    };
    matches.found.iter().zip(&scores.phases).map(decide).collect()
}

/// Which repeat of which phase, by its index.
#[derive(Debug, Clone, Copy)]
struct MatchedRepeat {
    phase: usize,
    repeat: u32,
    surplus: bool,
}

/// One repeat put together; `checks` are `None` where it was not ridden.
fn decided(protocol: &Protocol, of: MatchedRepeat, checks: Option<Vec<Decided>>) -> DecidedPhase {
    let MatchedRepeat { phase: index, repeat, surplus } = of;
    let phase = &protocol.phases[index];
    let ridden = checks.is_some();
    let checks = checks.unwrap_or_default();
    // What is not scored, or optional and not ridden, takes no part.
    let scored = !phase.checks.is_empty();
    let required = scored
        && !surplus
        && match phase.part {
            Part::Required => true,
            Part::Advisory => false,
            Part::Optional => ridden,
        };
    let outcome = if ridden {
        // An advisory phase has its own outcome, told from all of its checks.
        worst(checks.iter().filter(|c| c.required || !required).map(|c| c.outcome))
    } else {
        Outcome::NotRidden
    };
    DecidedPhase { phase: index, repeat, surplus, outcome, required, checks }
}

fn repeats_of(
    rules: &Rules,
    protocol: &Protocol,
    matches: &Matches,
    scores: &Scores,
    phases: &[DecidedPhase],
    index: usize,
) -> DecidedRepeats {
    let phase = &protocol.phases[index];
    let ridden =
        |i: usize| matches!(matches.found[i].outcome, MatchOutcome::Ridden(_)) && scores.phases[i].window.is_some();
    let asked: Vec<usize> = (0..matches.found.len())
        .filter(|&i| matches.found[i].phase == index && !matches.found[i].surplus && ridden(i))
        .collect();
    let is_off = |i: &usize| rules.premises.is_some_and(|premises| is_off(premises, &matches.found[*i]));
    let (off, asked): (Vec<usize>, Vec<usize>) = asked.into_iter().partition(is_off);
    // A fault is a repeat with a failed check that counts; an advisory phase shows its faults the same way.
    let of = |checks: &[Decided]| {
        worst(checks.iter().filter(|c| c.required || phase.part == Part::Advisory).map(|c| c.outcome))
    };
    let outcome = |i: &usize| of(&phases[*i].checks);
    let count = |wanted: Outcome| asked.iter().filter(|i| outcome(i) == wanted).count() as u32;
    let unrecorded = phases.iter().filter(|p| p.phase == index && p.outcome == Outcome::NotRecorded).count();
    let tally = Tally {
        ridden: asked.len() as u32,
        off: off.len() as u32,
        unrecorded: unrecorded as u32,
        failed: count(Outcome::Fail),
        undecided: count(Outcome::Undecided),
    };
    let required =
        phase.part == Part::Required || (phase.part == Part::Optional && !(asked.is_empty() && off.is_empty()));
    let means_of = |indices: &[usize]| -> Vec<Decided> {
        let means = scoring::means(&scores.phases, indices, phase);
        means.iter().map(|s| rules.check(s, phase.part != Part::Advisory)).collect()
    };
    let checks = means_of(&asked);
    let counted: Vec<usize> = asked.iter().copied().filter(|i| outcome(i) != Outcome::Fail).collect();
    let of_others = match phase.accept {
        Accept::AtLeast { .. } if tally.failed > 0 && !counted.is_empty() => Some(means_of(&counted)),
        _ => None,
    };
    let means = of_others.as_ref().unwrap_or(&checks);
    let of_mean = means.iter().filter(|c| c.outcome == Outcome::Undecided).find_map(|c| c.remedy);
    let decision = repeats(phase, tally, of(means), of_mean);
    DecidedRepeats { phase: index, tally, checks, decision, required: required && !phase.checks.is_empty() }
}
