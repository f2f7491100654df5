//! The verdict put together: one unit of one session, with what was matched, scored, decided and diagnosed of it.

use crate::decide::{self, Decided, DecidedPhase, DecidedRepeats, Decisions, Outcome};
use crate::diagnose;
use crate::matching::{MatchOutcome, Matches};
use crate::premises::Premises;
use crate::protocol::Protocol;
use crate::quantity::Unit;
use crate::scoring::{Agreement, RingScore, Scores};

use super::case::Case;
use super::check::check_verdict;
use super::facts::match_facts;
use super::model::{CheckVerdict, Counts, Finding, PhaseVerdict, RepeatVerdict, RingError, Verdict};
use super::premise_words::{not_judged_in_words, premise_evidence};
use super::prose::{comparison_in_words, why};
use super::reasons::{repeat_reason_in_words, repeat_remedy_in_words};

impl Case<'_> {
    /// By its protocol.
    pub fn verdict(
        &self,
        protocol: &Protocol,
        matches: &Matches,
        scores: &Scores,
        decided: &Decisions,
        findings: Vec<diagnose::Finding>,
        premises: &Premises,
    ) -> Verdict {
        let references = self.references();
        let check = |decided: &Decided| check_verdict(decided, &references);
        let mut verdict = self.frame(Some(protocol), &scores.agreement, premises);
        verdict.verdict = Some(decided.outcome);
        verdict.rings = scores.rings.iter().filter_map(|ring| ring_error(ring, protocol.decision.coverage)).collect();
        verdict.deviations.extend(self.missing_references(protocol));
        verdict.deviations.extend(matches.deviations.iter().cloned());
        verdict.cautions.extend(matches.cautions.iter().cloned());
        verdict.cautions.extend(scores.agreement.left_out().map(|left_out| {
            format!("{} stands apart from the references that agree and judged nothing", references[left_out])
        }));
        let phase = |(i, decided): (usize, &DecidedPhase)| PhaseVerdict {
            checks: decided.checks.iter().map(check).collect(),
            ..self.phase_verdict(protocol, matches, scores, decided, i, premises)
        };
        verdict.phases = decided.phases.iter().enumerate().map(phase).collect();
        let repeats = |decided: &DecidedRepeats| RepeatVerdict {
            checks: decided.checks.iter().map(check).collect(),
            ..repeat_verdict(protocol, decided)
        };
        verdict.repeats = decided.repeats.iter().map(repeats).collect();
        let contrasts = protocol.contrasts.iter().zip(&decided.contrasts);
        verdict.contrasts = contrasts
            .map(|(contrast, decided)| CheckVerdict { contrast: Some(contrast.name.clone()), ..check(decided) })
            .collect();
        verdict.whole_ride = decided.whole_ride.iter().map(check).collect();
        verdict.counts = counts(&verdict);
        verdict.diagnosis = findings.into_iter().map(finding).collect();
        verdict.why = why(&verdict);
        verdict
    }

    /// Without a protocol: the whole ride, advisory.
    pub fn comparison(&self, decided: &[Decided], agreement: &Agreement, premises: &Premises) -> Verdict {
        let references = self.references();
        let mut verdict = self.frame(None, agreement, premises);
        verdict.whole_ride = decided.iter().map(|decided| check_verdict(decided, &references)).collect();
        verdict.why = vec![comparison_in_words(decided)];
        verdict
    }

    /// Of a session that can't be judged: what it is, and why.
    pub fn not_judged(&self, premises: &Premises) -> Verdict {
        let mut verdict = self.frame(self.stated.protocol.as_ref(), &Agreement::default(), premises);
        verdict.verdict = Some(Outcome::NotJudged);
        verdict.clocks.clear();
        verdict.why = not_judged_in_words(premises);
        verdict
    }

    /// All but its checks; `i`: where it stands among the decided phases, which begin with the matches.
    fn phase_verdict(
        &self,
        protocol: &Protocol,
        matches: &Matches,
        scores: &Scores,
        decided: &DecidedPhase,
        i: usize,
        premises: &Premises,
    ) -> PhaseVerdict {
        let phase = &protocol.phases[decided.phase];
        let window = scores.phases.get(i).and_then(|score| score.window);
        let (matched, reason) = match (matches.found.get(i).map(|found| &found.outcome), window) {
            (Some(MatchOutcome::Ridden(ridden)), Some(window)) => (Some(match_facts(ridden, window, self.ride)), None),
            (Some(MatchOutcome::NotRidden { reason }), _) if decided.outcome == Outcome::NotRecorded => {
                let lacks = "a reference's recording leaves out a part of the ride that could hold it";
                (None, Some(format!("{lacks}; in what is there, {reason}")))
            }
            (Some(MatchOutcome::NotRidden { reason }), _) => (None, Some(reason.clone())),
            (None, _) if decided.outcome == Outcome::NotRidden => {
                (None, premises.reading(&phase.id.to_string()).map(premise_evidence))
            }
            _ => (None, None),
        };
        PhaseVerdict {
            phase: phase.id.to_string(),
            repeat: decided.repeat,
            surplus: decided.surplus,
            drill: phase.drill.word().to_owned(),
            verdict: decided.outcome,
            required: decided.required,
            matched,
            reason,
            checks: vec![],
        }
    }
}

/// All but its checks.
fn repeat_verdict(protocol: &Protocol, decided: &DecidedRepeats) -> RepeatVerdict {
    let (phase, tally) = (&protocol.phases[decided.phase], decided.tally);
    let rates = decide::fault_rates(tally);
    RepeatVerdict {
        phase: phase.id.to_string(),
        asked: phase.repeats,
        ridden: tally.ridden,
        failed: tally.failed,
        undecided: tally.undecided,
        accept: phase.accept.to_string(),
        checks: vec![],
        fault_rate: (tally.ridden > 0).then(|| f64::from(tally.failed) / f64::from(tally.ridden)),
        fault_rate_interval: rates.as_ref().map(|rates| rates.two_sided.clone()),
        fault_rate_upper_limit: rates.map(|rates| rates.upper_limit),
        verdict: decided.decision.verdict,
        required: decided.required,
        reason: decided.decision.reason.map(repeat_reason_in_words),
        remedy: decided.decision.remedy.map(repeat_remedy_in_words),
    }
}

fn ring_error(ring: &RingScore, coverage: f64) -> Option<RingError> {
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
    let missing = |outcome| verdict.phases.iter().filter(|p| p.verdict == outcome && p.required).count();
    let not_applicable = count(Outcome::NotApplicable);
    Counts {
        checks_made: verdict.checks().count() - not_applicable,
        passed: count(Outcome::Pass),
        failed: count(Outcome::Fail),
        undecided: count(Outcome::Undecided),
        not_ridden: missing(Outcome::NotRidden),
        not_recorded: missing(Outcome::NotRecorded),
        not_applicable,
        surplus: verdict.phases.iter().filter(|p| p.surplus).count(),
    }
}

fn finding(found: diagnose::Finding) -> Finding {
    let diagnose::Finding { pattern, size, unit, expanded_uncertainty, says, evidence, could_also_be } = found;
    let (pattern, unit) = (pattern.word().to_owned(), unit.symbol().to_owned());
    Finding { pattern, size, unit, expanded_uncertainty, says, evidence, could_also_be }
}
