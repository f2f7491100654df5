//! A verdict's words read back in types: whoever branches on what a verdict says asks here. An answer is `None`, or no, for
//! the word of another version of the program.

use serde::Serialize;

use crate::matching::Ground;
use crate::pattern::Pattern;
use crate::protocol::{Accept, DrillKind, Measure, Ring};
use crate::quantity::Unit;

use super::model::{AlsoValue, CheckVerdict, Finding, MatchFacts, PhaseVerdict, PremiseFacts, RepeatVerdict, Verdict};
use crate::decide::Outcome;
use crate::premise::Takes;

/// So many findings are told among the reasons of a verdict, the weightiest first: more than three would bury the checks that fail.
const FINDINGS_AMONG_REASONS: usize = 3;

impl Verdict {
    /// The findings that [`Verdict::why`] tells, and those that it does not.
    pub fn findings_by_telling(&self) -> (&[Finding], &[Finding]) {
        self.diagnosis.split_at(self.diagnosis.len().min(FINDINGS_AMONG_REASONS))
    }
}

/// So many evidences of one premise are told on the first page; the table of premises has all.
const EVIDENCE_TOLD: usize = 3;

/// What contradicts a premise, told once for all that it is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Contradiction<'v> {
    pub premise: &'v str,
    /// The first few, one sentence each.
    pub evidence: Vec<&'v str>,
    /// What is not told here.
    pub more: usize,
    /// `None` where it takes nothing.
    pub takes: Option<&'v str>,
}

impl Verdict {
    /// What stands above the reasons; a session that is not judged tells why among its reasons.
    pub fn contradictions(&self) -> Vec<Contradiction<'_>> {
        let told_as_reason =
            |p: &&PremiseFacts| self.verdict == Some(Outcome::NotJudged) && p.takes() == Some(Takes::Verdict);
        let contradicted: Vec<&PremiseFacts> =
            self.premises.iter().filter(|p| p.is_contradicted() && !told_as_reason(p)).collect();
        let alike = |a: &&PremiseFacts, b: &&PremiseFacts| a.premise == b.premise && a.takes == b.takes;
        contradicted
            .chunk_by(alike)
            .map(|of| Contradiction {
                premise: &of[0].premise,
                evidence: of.iter().take(EVIDENCE_TOLD).map(|p| p.evidence.as_str()).collect(),
                more: of.len().saturating_sub(EVIDENCE_TOLD),
                takes: (of[0].takes() != Some(Takes::Nothing)).then_some(of[0].takes.as_str()),
            })
            .collect()
    }
}

impl MatchFacts {
    pub fn rests_on(&self, ground: Ground) -> bool {
        self.rests_on.iter().any(|word| Ground::from_word(word) == Some(ground))
    }

    /// The ring that its word names.
    pub fn ring(&self) -> Option<Ring> {
        self.ring.as_deref().and_then(Ring::from_word)
    }
}

impl PhaseVerdict {
    pub fn kind(&self) -> Option<DrillKind> {
        DrillKind::from_word(&self.drill)
    }

    /// The first check of a measure that has a value.
    pub fn valued(&self, measure: Measure) -> Option<&CheckVerdict> {
        self.checks.iter().find(|check| check.is_of(measure) && check.value.is_some())
    }
}

impl CheckVerdict {
    pub fn is_of(&self, measure: Measure) -> bool {
        Measure::from_word(&self.measure) == Some(measure)
    }

    pub fn is_in(&self, unit: Unit) -> bool {
        Unit::from_symbol(&self.unit) == Some(unit)
    }

    /// The share of its limit that a value takes with its uncertainty; `None` where there is no size to hold it against.
    pub fn limit_used(&self) -> Option<f64> {
        let (value, uncertainty) = (self.value?, self.expanded_uncertainty.unwrap_or(0.0));
        let of = |limit: Option<f64>, end: f64| limit.filter(|limit| *limit != 0.0).map(|limit| end / limit);
        match (self.limit_low, self.limit_high) {
            (Some(low), Some(high)) if low < high => {
                let (middle, half) = ((high + low) / 2.0, (high - low) / 2.0);
                Some(((value - middle).abs() + uncertainty) / half)
            }
            (None, high) => of(high, value + uncertainty),
            (low, None) => of(low, value - uncertainty).filter(|used| *used > 0.0).map(f64::recip),
            _ => None,
        }
    }
}

impl AlsoValue {
    pub fn is_in(&self, unit: Unit) -> bool {
        Unit::from_symbol(&self.unit) == Some(unit)
    }
}

impl RepeatVerdict {
    /// Whether it fails because every repeat has to pass and some do not.
    pub fn fails_by_repeats_alone(&self) -> bool {
        self.failed > 0 && self.accept == Accept::EveryRepeat.to_string()
    }
}

impl Finding {
    /// The pattern that its word names; `None` for one that another version of the program wrote.
    pub fn named(&self) -> Option<Pattern> {
        Pattern::from_word(&self.pattern)
    }
}
