//! Checks that ask for an explanation: what patterns compete for.

use super::evidence::Evidence;
use super::finding::describe;
use super::runs::{Runs, touches};
use crate::decide::{Decided, Outcome};
use crate::quantity::Unit;

/// What a check is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CheckSubject {
    /// One repeat: index into the matches.
    Found(usize),
    /// The mean over a phase's repeats: index into the protocol's phases.
    Mean(usize),
    /// Index into the protocol's contrasts.
    Contrast(usize),
    WholeRide,
}

/// A check that asks for an explanation: it fails, or its value lies beyond the limit though not surely.
pub(super) struct UnexplainedCheck<'a> {
    pub of: CheckSubject,
    /// Said in evidence.
    pub place: String,
    pub check: &'a Decided,
    /// It is explained where no more than this lies beyond the limit, in the check's unit.
    pub guard: f64,
}

impl UnexplainedCheck<'_> {
    /// In a line of evidence.
    pub fn says(&self) -> String {
        describe(&self.place, self.check)
    }

    /// Whether what it was scored over touches one of the runs, of a mean any of its repeats. A contrast or the whole ride has
    /// too many seconds for some to explain it.
    pub fn touched_by(&self, evidence: &Evidence, runs: &Runs) -> bool {
        match self.of {
            CheckSubject::Found(found) => {
                evidence.scores.phases[found].window.is_some_and(|window| touches(runs, window))
            }
            CheckSubject::Mean(phase) => (0..evidence.matches.found.len())
                .filter(|&i| evidence.matches.found[i].phase == phase)
                .any(|i| evidence.scores.phases[i].window.is_some_and(|window| touches(runs, window))),
            _ => false,
        }
    }

    /// Whether it would no longer be open at this value.
    pub fn within(&self, value: f64) -> bool {
        !beyond(self.check, value, self.guard)
    }
}

/// Whether a value lies beyond a check's limit by more than a guard, in the check's unit.
fn beyond(check: &Decided, value: f64, guard: f64) -> bool {
    check.ends.low.is_some_and(|low| value + guard < low) || check.ends.high.is_some_and(|high| value - guard > high)
}

impl<'a> Evidence<'a> {
    /// Every check that asks for an explanation.
    pub fn open(&self) -> Vec<UnexplainedCheck<'a>> {
        let name = |phase: usize| self.protocol.phases[phase].id.to_string();
        let found = self.decided.phases.iter().enumerate().take(self.matches.found.len()).flat_map(|(i, decided)| {
            let repeated = self.protocol.phases[decided.phase].repeats > 1;
            let name = name(decided.phase);
            let place = if repeated { format!("{name}/{}", decided.repeat) } else { name };
            decided.checks.iter().map(move |check| (CheckSubject::Found(i), place.clone(), check))
        });
        let means = self.decided.repeats.iter().flat_map(|repeats| {
            let place = format!("{}, mean", name(repeats.phase));
            repeats.checks.iter().map(move |check| (CheckSubject::Mean(repeats.phase), place.clone(), check))
        });
        let contrasts = self.protocol.contrasts.iter().zip(&self.decided.contrasts).enumerate();
        let contrasts =
            contrasts.map(|(i, (contrast, check))| (CheckSubject::Contrast(i), contrast.name.clone(), check));
        let whole =
            self.decided.whole_ride.iter().map(|check| (CheckSubject::WholeRide, "whole ride".to_owned(), check));
        let all = means.chain(found).chain(contrasts).chain(whole);
        all.filter_map(|(of, place, check)| {
            Some(UnexplainedCheck { of, place, check, guard: self.guard_if_open(check)? })
        })
        .collect()
    }

    /// `None` for a check that asks for no explanation: it passes, or its value lies within the limit.
    fn guard_if_open(&self, check: &Decided) -> Option<f64> {
        let guard = match check.outcome {
            Outcome::Fail => return Some(check.expanded_uncertainty().unwrap_or(0.0)),
            Outcome::Undecided => self.quarrel_in_unit(check),
            _ => return None,
        };
        beyond(check, check.value()?, guard).then_some(guard)
    }

    /// By how much a reference that is right may lie from the others, where they quarrel; in the check's unit.
    fn quarrel_in_unit(&self, check: &Decided) -> f64 {
        if !self.scores.agreement.quarrel() {
            return 0.0;
        }
        // A reference that is named is the better explanation.
        let apart_pct =
            if self.scores.agreement.suspect.is_some() { f64::INFINITY } else { self.scores.agreement.apart_pct };
        let in_percent = check.scored().and_then(|scored| {
            let also = scored.also.filter(|also| also.unit == Unit::Percent)?;
            Some((scored.value, scored.value * also.factor))
        });
        match in_percent {
            _ if check.unit == Unit::Percent => apart_pct,
            Some((value, percent)) if percent != 0.0 => apart_pct * (value / percent).abs(),
            _ if check.unit == Unit::Watt => f64::INFINITY,
            _ => 0.0,
        }
    }
}
