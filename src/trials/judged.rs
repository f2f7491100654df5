//! What is kept of the verdict of one rehearsed session.

use std::collections::BTreeSet;

use crate::pattern::Pattern;
use crate::verdict::{CheckOf, Finding, Outcome, PlacedCheck, Verdict};

use super::names::{place_of, without_keys};

/// One rehearsed session as it was judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JudgedTrial {
    pub outcome: Outcome,
    /// Required checks that failed: `PHASE MEASURE`, the contrast's name, `whole ride MEASURE`.
    pub failed: BTreeSet<String>,
    /// The same, with the keys that tell a phase from its siblings: `steady[ring=big, power=120 W] mean_error`.
    pub failed_at: BTreeSet<String>,
    pub undecided: BTreeSet<String>,
    pub named: BTreeSet<Pattern>,
}

impl JudgedTrial {
    pub(super) fn of(verdict: &Verdict) -> Self {
        let failed_at = required(verdict, Outcome::Fail);
        let named = |checks: &BTreeSet<String>| checks.iter().map(|check| without_keys(check)).collect();
        Self {
            outcome: verdict.verdict.unwrap_or(Outcome::Undecided),
            failed: named(&failed_at),
            failed_at,
            undecided: named(&required(verdict, Outcome::Undecided)),
            named: verdict.diagnosis.iter().filter_map(Finding::named).collect(),
        }
    }

    /// Whether this phase, contrast or the whole ride failed it.
    pub fn failed_by(&self, place: &str) -> bool {
        self.failed.iter().any(|check| place_of(check) == place)
    }

    /// Whether nothing else than this phase, contrast or the whole ride failed it.
    pub fn failed_only_by(&self, place: &str) -> bool {
        !self.failed.is_empty() && self.failed.iter().all(|check| place_of(check) == place)
    }
}

/// Required checks that were decided so, each once: those of single repeats and of means under the phase.
fn required(verdict: &Verdict, outcome: Outcome) -> BTreeSet<String> {
    let counts = |placed: &PlacedCheck| match placed.of {
        // An undecided repeat among others decides nothing, their mean does; a failed one fails what accepts none.
        CheckOf::Ride(phase) => verdict
            .repeats_of(&phase.phase)
            .is_none_or(|repeats| outcome == Outcome::Fail && repeats.verdict == Outcome::Fail),
        // What accepts its repeats has failed by nothing, whatever one of them or their mean reads.
        CheckOf::Mean(repeats) => {
            repeats.verdict == outcome || outcome == Outcome::Undecided && repeats.verdict != Outcome::Pass
        }
        CheckOf::Contrast | CheckOf::WholeRide => true,
    };
    let decided = verdict.checks().filter(|placed| placed.required() && placed.check.verdict == outcome);
    let mut found: BTreeSet<String> = decided.filter(counts).map(|placed| placed.name()).collect();
    if outcome == Outcome::Undecided {
        let missing = verdict.phases.iter().filter(|phase| phase.required && phase.verdict.is_missing());
        found.extend(missing.map(|phase| format!("{} not-ridden", phase.phase)));
    }
    found
}
