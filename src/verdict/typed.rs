//! A verdict's words read back in types: whoever branches on what a verdict says asks here. An answer is `None`, or no, for
//! the word of another version of the program.

use crate::matching::Ground;
use crate::pattern::Pattern;
use crate::protocol::{Accept, DrillKind, Measure, Ring};
use crate::quantity::Unit;

use super::model::{AlsoValue, CheckVerdict, Finding, MatchFacts, PhaseVerdict, RepeatVerdict, Verdict};

/// So many findings are told among the reasons of a verdict, the weightiest first: more than three would bury the checks that fail.
const FINDINGS_AMONG_REASONS: usize = 3;

impl Verdict {
    /// The findings that [`Verdict::why`] tells, and those that it does not.
    pub fn findings_by_telling(&self) -> (&[Finding], &[Finding]) {
        self.diagnosis.split_at(self.diagnosis.len().min(FINDINGS_AMONG_REASONS))
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
