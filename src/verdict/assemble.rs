//! The verdict put together: one unit of one session, with what was matched and scored of it.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::facts::match_facts;
use super::prose::{comparison_in_words, quarrel_in_words, why};
use super::*;
use crate::align::Aligned;
use crate::decide::{self, Quarrel, Rules, Tally};
use crate::diagnose::{self, Findings};
use crate::judge::Judgement;
use crate::matching::{self, MatchOutcome, Matches};
use crate::protocol::{Accept, Check, Decision, Drill, Measure, Part, Phase, Protocol, Rule};
use crate::quantity::{Bound, Limit, Unit};
use crate::recording::Recording;
use crate::ride::Ride;
use crate::scoring::{self, Scores};
use crate::session::Session;

/// One unit of one session on its way to a verdict.
pub(crate) struct Case<'a> {
    pub session: &'a Session,
    pub recordings: &'a BTreeMap<PathBuf, Recording>,
    pub aligned: &'a Aligned,
    pub unit: usize,
}

impl Case<'_> {
    fn rules(&self, decision: Decision, scores_quarrel: Option<Quarrel>) -> Rules<'_> {
        Rules {
            decision,
            claimed: self.session.units[self.unit].claimed.as_ref(),
            quarrel: scores_quarrel,
            references: self.session.references.iter().map(|r| r.instrument.label.clone()).collect(),
        }
    }

    /// By its protocol.
    pub fn verdict(&self, protocol: &Protocol, matches: Matches, scores: Scores, ride: Ride) -> Judgement {
        let rules = self.rules(protocol.decision, quarrel(&scores.agreement, self.session));
        let mut phases = decided_phases(&rules, protocol, &matches, &scores, &ride);
        let repeats: Vec<RepeatVerdict> = (0..protocol.phases.len())
            .filter(|&index| protocol.phases[index].repeats > 1)
            .map(|index| decided_repeats(&rules, protocol, &matches, &scores, &phases, index))
            .collect();
        phases.extend(scores.typed.iter().map(|(index, checks)| {
            let phase = &protocol.phases[*index];
            let checks = checks.iter().map(|s| rules.check(s, phase.part == Part::Required)).collect();
            phase_verdict(phase, 1, false, None, None, checks)
        }));
        let contrasts: Vec<CheckVerdict> = scores
            .contrasts
            .iter()
            .map(|(contrast, scored)| CheckVerdict {
                contrast: Some(contrast.name.clone()),
                ..rules.check(scored, true)
            })
            .collect();
        let whole_ride: Vec<CheckVerdict> = scores.whole_ride.iter().map(|s| rules.check(s, true)).collect();
        let diagnosis = Findings {
            protocol,
            matches: &matches,
            ride: &ride,
            scores: &scores,
            phases: &phases,
            repeats: &repeats,
            contrasts: &contrasts,
            whole_ride: &whole_ride,
            coverage: protocol.decision.coverage,
        }
        .patterns();
        let repeated: Vec<&str> = repeats.iter().map(|r| r.phase.as_str()).collect();
        let single = phases.iter().filter(|p| p.required && !repeated.contains(&p.phase.as_str()));
        let outcome = decide::worst(
            single
                .map(|p| p.verdict)
                .chain(repeats.iter().filter(|r| r.required).map(|r| r.verdict))
                .chain(contrasts.iter().chain(&whole_ride).filter(|c| c.required).map(|c| c.verdict)),
        );
        let mut verdict = self.frame(&ride, Some(protocol), &scores.agreement);
        verdict.verdict = Some(outcome);
        verdict.rings = scores.rings.iter().filter_map(|ring| ring_error(ring, protocol.decision.coverage)).collect();
        verdict.deviations.extend(self.missing_references(protocol, &ride));
        verdict.deviations.extend(matches.deviations.iter().cloned());
        verdict.cautions.extend(matches.cautions.iter().cloned());
        verdict.cautions.extend(scores.agreement.left_out().map(|left_out| {
            let label = &self.session.references[left_out].instrument.label;
            format!("{label} stands apart from the references that agree and judged nothing")
        }));
        verdict.phases = phases;
        verdict.repeats = repeats;
        verdict.contrasts = contrasts;
        verdict.whole_ride = whole_ride;
        verdict.counts = counts(&verdict);
        verdict.diagnosis = diagnosis.into_iter().map(finding).collect();
        verdict.why = why(&verdict);
        Judgement { verdict, matches, ride, protocol: Some(protocol.clone()) }
    }

    /// Without a protocol: the whole ride, advisory.
    pub fn comparison(&self, ride: Ride) -> Judgement {
        let decision = Decision { rule: Rule::Guarded, coverage: 0.95 };
        let no_limit = Limit::Within(Bound::single(f64::INFINITY, Unit::Percent));
        let check = |measure| Check { measure, limit: no_limit.clone(), advisory: true, clause: None, over_s: None };
        let checks = [
            Measure::WorkError,
            Measure::Spread,
            Measure::CadenceError,
            Measure::DropoutTime,
            Measure::LeftError,
            Measure::RightError,
        ]
        .map(check);
        let (scored, agreement) = scoring::score_whole_ride(&ride, &checks, decision.coverage);
        let rules = self.rules(decision, None);
        let whole_ride: Vec<CheckVerdict> = scored
            .iter()
            .map(|s| {
                let verdict = rules.check(s, false);
                // Nothing was asked, so nothing is passed or failed.
                CheckVerdict {
                    limit: None,
                    limit_low: None,
                    limit_high: None,
                    conformance_probability: None,
                    remedy: None,
                    verdict: if verdict.value.is_some() { Outcome::NotApplicable } else { verdict.verdict },
                    ..verdict
                }
            })
            .collect();
        let mut verdict = self.frame(&ride, None, &agreement);
        verdict.why = vec![comparison_in_words(&whole_ride)];
        verdict.whole_ride = whole_ride;
        Judgement { verdict, matches: Matches::default(), ride, protocol: None }
    }
}

fn quarrel(agreement: &scoring::Agreement, session: &Session) -> Option<Quarrel> {
    let labels: Vec<String> = session.references.iter().map(|r| r.instrument.label.clone()).collect();
    let worst = agreement.pairs.iter().max_by(|a, b| a.e_n.total_cmp(&b.e_n)).filter(|_| agreement.quarrel());
    worst.map(|pair| quarrel_of(pair, &labels, ""))
}

fn quarrel_of(pair: &scoring::Pair, labels: &[String], here: &str) -> Quarrel {
    Quarrel { says: quarrel_in_words(pair, labels, here), difference_pct: pair.difference_pct }
}

fn decided_phases(
    rules: &Rules,
    protocol: &Protocol,
    matches: &Matches,
    scores: &Scores,
    ride: &Ride,
) -> Vec<PhaseVerdict> {
    let decide = |(found, score): (&matching::PhaseMatch, &scoring::PhaseScore)| {
        let phase = &protocol.phases[found.phase];
        match (&found.outcome, score.window) {
            (MatchOutcome::Ridden(ridden), Some(window)) => {
                let required = phase.part != Part::Advisory && !found.surplus;
                let apart = score.apart.as_ref().map(|pair| quarrel_of(pair, &rules.references, " here"));
                let here = Rules { quarrel: rules.quarrel.clone().or(apart), ..rules.clone() };
                let checks = score.checks.iter().map(|s| here.check(s, required)).collect();
                phase_verdict(phase, found.repeat, found.surplus, Some(match_facts(ridden, window, ride)), None, checks)
            }
            (MatchOutcome::NotRidden { reason }, _) => {
                phase_verdict(phase, found.repeat, found.surplus, None, Some(reason.clone()), vec![])
            }
            (MatchOutcome::Ridden(_), None) => phase_verdict(phase, found.repeat, found.surplus, None, None, vec![]),
        }
    };
    matches.found.iter().zip(&scores.phases).map(decide).collect()
}

fn phase_verdict(
    phase: &Phase,
    repeat: u32,
    surplus: bool,
    matched: Option<MatchFacts>,
    reason: Option<String>,
    checks: Vec<CheckVerdict>,
) -> PhaseVerdict {
    let typed = matches!(phase.drill, Drill::StaticLoad { .. } | Drill::ZeroCheck);
    let ridden = matched.is_some() || typed;
    // What is not scored, or optional and not ridden, takes no part.
    let scored = !phase.checks.is_empty();
    let required = scored
        && !surplus
        && match phase.part {
            Part::Required => true,
            Part::Advisory => false,
            Part::Optional => ridden,
        };
    let verdict = if ridden {
        // An advisory phase has its own outcome, told from all of its checks.
        let counted = checks.iter().filter(|c| c.required || !required).map(|c| c.verdict);
        decide::worst(counted)
    } else {
        Outcome::NotRidden
    };
    PhaseVerdict {
        phase: phase.id.to_string(),
        repeat,
        surplus,
        drill: phase.drill.word().to_owned(),
        verdict,
        required,
        matched,
        reason,
        checks,
    }
}

fn decided_repeats(
    rules: &Rules,
    protocol: &Protocol,
    matches: &Matches,
    scores: &Scores,
    phases: &[PhaseVerdict],
    index: usize,
) -> RepeatVerdict {
    let phase = &protocol.phases[index];
    let asked: Vec<usize> = (0..matches.found.len())
        .filter(|&i| matches.found[i].phase == index && !matches.found[i].surplus && phases[i].matched.is_some())
        .collect();
    // A fault is a repeat with a failed check that counts; an advisory phase shows its faults the same way.
    let outcome = |i: &usize| {
        decide::worst(
            phases[*i].checks.iter().filter(|c| c.required || phase.part == Part::Advisory).map(|c| c.verdict),
        )
    };
    let count = |wanted: Outcome| asked.iter().filter(|i| outcome(i) == wanted).count() as u32;
    let tally =
        Tally { ridden: asked.len() as u32, failed: count(Outcome::Fail), undecided: count(Outcome::Undecided) };
    let required = phase.part == Part::Required || (phase.part == Part::Optional && !asked.is_empty());
    let decided = |indices: &[usize]| -> Vec<CheckVerdict> {
        let means = scoring::means(&scores.phases, indices, phase);
        means.iter().map(|s| rules.check(s, phase.part != Part::Advisory)).collect()
    };
    let checks = decided(&asked);
    let counted: Vec<usize> = asked.iter().copied().filter(|i| outcome(i) != Outcome::Fail).collect();
    let of = |checks: &[CheckVerdict]| {
        decide::worst(checks.iter().filter(|c| c.required || phase.part == Part::Advisory).map(|c| c.verdict))
    };
    let of_others = match phase.accept {
        Accept::AtLeast { .. } if tally.failed > 0 && !counted.is_empty() => Some(decided(&counted)),
        _ => None,
    };
    let means = of_others.as_ref().unwrap_or(&checks);
    let of_mean = means.iter().find(|c| c.verdict == Outcome::Undecided && c.remedy.is_some());
    let decision = decide::repeats(phase, tally, of(means), of_mean.and_then(|c| c.remedy.as_deref()));
    let rates = decide::fault_rates(tally);
    RepeatVerdict {
        phase: phase.id.to_string(),
        asked: phase.repeats,
        ridden: tally.ridden,
        failed: tally.failed,
        undecided: tally.undecided,
        accept: phase.accept.to_string(),
        checks,
        fault_rate: (tally.ridden > 0).then(|| f64::from(tally.failed) / f64::from(tally.ridden)),
        fault_rate_interval: rates.as_ref().map(|r| r.0.clone()),
        fault_rate_upper_limit: rates.map(|r| r.1),
        verdict: decision.verdict,
        required: required && !phase.checks.is_empty(),
        reason: decision.reason,
        remedy: decision.remedy,
    }
}

fn ring_error(ring: &scoring::RingScore, coverage: f64) -> Option<RingError> {
    let (error_w, budget_w) = ring.error.in_unit(Unit::Watt)?;
    let (error_pct, budget_pct) = ring.error.in_unit(Unit::Percent)?;
    Some(RingError {
        ring: ring.ring.word().to_owned(),
        blocks: ring.blocks,
        error_w,
        expanded_uncertainty_w: decide::expanded(&budget_w, coverage),
        error_pct,
        expanded_uncertainty_pct: decide::expanded(&budget_pct, coverage),
        reference_w: ring.error.reference,
    })
}

fn counts(verdict: &Verdict) -> Counts {
    let count = |outcome| verdict.checks().filter(|placed| placed.check.verdict == outcome).count();
    let not_applicable = count(Outcome::NotApplicable);
    Counts {
        checks_made: verdict.checks().count() - not_applicable,
        passed: count(Outcome::Pass),
        failed: count(Outcome::Fail),
        undecided: count(Outcome::Undecided),
        not_ridden: verdict.phases.iter().filter(|p| p.verdict == Outcome::NotRidden && p.required).count(),
        not_applicable,
        surplus: verdict.phases.iter().filter(|p| p.surplus).count(),
    }
}

fn finding(found: diagnose::Finding) -> Finding {
    let diagnose::Finding { pattern, size, unit, expanded_uncertainty, says, evidence, could_also_be } = found;
    let (pattern, unit) = (pattern.word().to_owned(), unit.symbol().to_owned());
    Finding { pattern, size, unit, expanded_uncertainty, says, evidence, could_also_be }
}
