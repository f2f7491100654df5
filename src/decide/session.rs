//! Every check of a session decided, and what phases, repeats and the session come to.

use crate::matching::{MatchOutcome, Matches, PhaseMatch};
use crate::protocol::{Accept, Part, Protocol};
use crate::quantity::Bound;
use crate::scoring::value::Scored;
use crate::scoring::{self, Agreement, PhaseScore, Scores};

use super::decided::Decided;
use super::outcome::{Outcome, worst};
use super::reason::{Over, ReferencesDisagree};
use super::repeats::{RepeatDecision, Tally, repeats};
use super::rules::Rules;

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

/// Decides a session by its protocol. `claimed`: what the session says that the unit claims.
pub fn session(protocol: &Protocol, claimed: Option<&Bound>, matches: &Matches, scores: &Scores) -> Decisions {
    let rules = Rules { decision: protocol.decision, claimed, quarrel: quarrel(&scores.agreement) };
    let mut phases = phases(&rules, protocol, matches, scores);
    let repeated = (0..protocol.phases.len()).filter(|&index| protocol.phases[index].repeats > 1);
    let repeats: Vec<DecidedRepeats> =
        repeated.map(|index| repeats_of(&rules, protocol, matches, scores, &phases, index)).collect();
    phases.extend(scores.typed.iter().map(|typed| {
        let phase = &protocol.phases[typed.phase];
        let checks = typed.checks.iter().map(|s| rules.check(s, phase.part == Part::Required)).collect();
        let once = PhaseRepeat { phase: typed.phase, repeat: 1, surplus: false };
        decided(protocol, once, Some(checks))
    }));
    let all = |scored: &[&Scored]| -> Vec<Decided> { scored.iter().map(|s| rules.check(s, true)).collect() };
    let contrasts = all(&scores.contrasts.iter().map(|contrast| &contrast.scored).collect::<Vec<_>>());
    let whole_ride = all(&scores.whole_ride.iter().collect::<Vec<_>>());
    let single = phases.iter().filter(|p| p.required && repeats.iter().all(|r| r.phase != p.phase));
    let outcome = worst(
        single
            .map(|p| p.outcome)
            .chain(repeats.iter().filter(|r| r.required).map(|r| r.decision.verdict))
            .chain(contrasts.iter().chain(&whole_ride).filter(|c| c.required).map(|c| c.outcome)),
    );
    Decisions { phases, repeats, contrasts, whole_ride, outcome }
}

fn quarrel(agreement: &Agreement) -> Option<ReferencesDisagree> {
    let worst = agreement.pairs.iter().max_by(|a, b| a.e_n.total_cmp(&b.e_n)).filter(|_| agreement.quarrel());
    worst.map(|pair| ReferencesDisagree { pair: pair.clone(), over: Over::Session })
}

fn phases(rules: &Rules, protocol: &Protocol, matches: &Matches, scores: &Scores) -> Vec<DecidedPhase> {
    let decide = |(found, score): (&PhaseMatch, &PhaseScore)| {
        let of = PhaseRepeat { phase: found.phase, repeat: found.repeat, surplus: found.surplus };
        match (&found.outcome, score.window) {
            (MatchOutcome::Ridden(_), Some(_)) => {
                let required = protocol.phases[found.phase].part != Part::Advisory && !found.surplus;
                let apart =
                    score.apart.as_ref().map(|pair| ReferencesDisagree { pair: pair.clone(), over: Over::Phase });
                let here = Rules { quarrel: rules.quarrel.clone().or(apart), ..rules.clone() };
                let checks = score.checks.iter().map(|s| here.check(s, required)).collect();
                decided(protocol, of, Some(checks))
            }
            _ => decided(protocol, of, None),
        }
    };
    matches.found.iter().zip(&scores.phases).map(decide).collect()
}

/// Which repeat of which phase, by its index.
#[derive(Debug, Clone, Copy)]
struct PhaseRepeat {
    phase: usize,
    repeat: u32,
    surplus: bool,
}

/// One repeat put together; `checks` are `None` where it was not ridden.
fn decided(protocol: &Protocol, of: PhaseRepeat, checks: Option<Vec<Decided>>) -> DecidedPhase {
    let PhaseRepeat { phase: index, repeat, surplus } = of;
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
    // A fault is a repeat with a failed check that counts; an advisory phase shows its faults the same way.
    let of = |checks: &[Decided]| {
        worst(checks.iter().filter(|c| c.required || phase.part == Part::Advisory).map(|c| c.outcome))
    };
    let outcome = |i: &usize| of(&phases[*i].checks);
    let count = |wanted: Outcome| asked.iter().filter(|i| outcome(i) == wanted).count() as u32;
    let tally =
        Tally { ridden: asked.len() as u32, failed: count(Outcome::Fail), undecided: count(Outcome::Undecided) };
    let required = phase.part == Part::Required || (phase.part == Part::Optional && !asked.is_empty());
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
