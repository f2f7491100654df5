//! One check decided by the protocol's rule.

use crate::premise::Premise;
use crate::premises::Premises;
use crate::protocol::{Check, Decision, Measure, Rule};
use crate::quantity::{Bound, Limit, Unit};
use crate::scoring::budget::{Budget, Combined};
use crate::scoring::value::{Scored, Value, ValueKind};

use super::decided::Decided;
use super::ends::Ends;
use super::outcome::Outcome;
use super::reason::{Reason, ReferencesDisagree};
use super::remedy::{self, Remedy};

/// What a check is decided by besides its own value.
#[derive(Debug, Clone)]
pub struct Rules<'a> {
    pub decision: Decision,
    /// What the session says that the unit claims.
    pub claimed: Option<&'a Bound>,
    pub quarrel: Option<ReferencesDisagree>,
    /// What a value hangs on besides, and how it can be had again.
    pub premises: Option<&'a Premises>,
}

/// What hangs on a contradicted premise is shown, and undecided.
pub fn taken(decided: Decided, premise: Premise, remedy: Remedy) -> Decided {
    match decided.outcome {
        Outcome::NotApplicable => decided,
        _ => Decided {
            outcome: Outcome::Undecided,
            reason: Some(Reason::Premise(premise)),
            remedy: Some(remedy),
            ..decided
        },
    }
}

impl Rules<'_> {
    /// Decides one check. `required` is false for advisory phases and checks.
    pub fn check(&self, scored: &Scored, required: bool) -> Decided {
        let Check { measure, limit, clause, .. } = &scored.check;
        let open = Decided {
            measure: *measure,
            measured: scored.measured.clone(),
            unit: natural_unit(*measure, limit),
            combined: None,
            limit: Some(limit.clone()),
            ends: Ends::default(),
            conformance_probability: None,
            outcome: Outcome::Undecided,
            required: required && !scored.advisory,
            reason: None,
            remedy: None,
            clause: clause.clone(),
        };
        match &scored.measured {
            Err(why) => Decided {
                outcome: if why.is_applicable() { Outcome::Undecided } else { Outcome::NotApplicable },
                reason: Some(Reason::NoValue(*why)),
                ..open
            },
            Ok(value) => {
                let decided = self.decide(value, limit, open);
                match self.premises {
                    Some(premises) if measure.hangs_on_clock() && premises.take_timing() => {
                        taken(decided, Premise::Clocks, Remedy::SharedClock)
                    }
                    _ => decided,
                }
            }
        }
    }

    fn decide(&self, value: &Value, limit: &Limit, open: Decided) -> Decided {
        let combined = (value.kind == ValueKind::Measured).then(|| value.budget.combine(self.decision.coverage));
        let mut decided = Decided { unit: value.unit, combined, ..open };
        let ends = match Ends::of(limit, value, self.claimed) {
            Ok(ends) => ends,
            Err(reason) => return Decided { reason: Some(reason), ..decided },
        };
        decided.ends = ends;
        if combined.is_some() {
            decided.conformance_probability = Some(value.budget.conformance(value.value, ends.low, ends.high));
        }
        decided.outcome = self.outcome(value, combined, ends);
        decided.reason = (!value.notes.is_empty()).then(|| Reason::Notes(value.notes.clone()));
        let quarrel = self.quarrel.as_ref().filter(|quarrel| {
            value.gain_sensitive && !(decided.outcome == Outcome::Fail && self.fails_either_way(value, ends, quarrel))
        });
        if let Some(quarrel) = quarrel {
            decided.outcome = Outcome::Undecided;
            // Within half of the difference of the truth, a third one can't be as near to both.
            decided.remedy = Some(Remedy::ThirdReference { within_pct: quarrel.pair.difference_pct.abs() / 2.0 });
            decided.reason = Some(Reason::References(quarrel.clone()));
        } else if decided.outcome == Outcome::Undecided {
            decided.remedy = remedy::of(value, ends, |budget| {
                let combined = budget.combine(self.decision.coverage);
                self.outcome(value, Some(combined), ends) != Outcome::Undecided
            });
            decided.reason = decided.reason.or(Some(match value.kind {
                ValueKind::AtLeast => Reason::OnlyABound,
                ValueKind::Measured | ValueKind::Count => Reason::NearLimit,
            }));
        }
        decided
    }

    /// Whether the value fails by more than all that the references disagree by.
    fn fails_either_way(&self, value: &Value, ends: Ends, quarrel: &ReferencesDisagree) -> bool {
        let of_unit = if value.unit == Unit::Percent { 1.0 } else { value.reference.abs() / 100.0 };
        let by = quarrel.pair.difference_pct.abs() * of_unit;
        let combined = value.budget.combine(self.decision.coverage);
        let moved = |by: f64| Value { value: value.value + by, ..value.clone() };
        by > 0.0 && [-by, by].iter().all(|by| self.outcome(&moved(*by), Some(combined), ends) == Outcome::Fail)
    }

    /// JCGM 106:2012, 8.2 (simple acceptance) and 8.3.2 (guarded, with rejection guarded alike).
    fn outcome(&self, value: &Value, combined: Option<Combined>, ends: Ends) -> Outcome {
        let e = value.value;
        match (value.kind, self.decision.rule) {
            (ValueKind::Count, _) | (ValueKind::Measured, Rule::Simple) => {
                if ends.are_passed(e, 0.0) {
                    Outcome::Fail
                } else {
                    Outcome::Pass
                }
            }
            (ValueKind::AtLeast, _) => {
                // Only the upper end can be decided by a lower bound; the clock may be off by its share.
                let expanded = value.budget.combine(self.decision.coverage).expanded();
                if ends.high.is_some_and(|high| e - expanded > high) { Outcome::Fail } else { Outcome::Undecided }
            }
            (ValueKind::Measured, Rule::Guarded) => {
                let expanded = combined.map_or(0.0, |c| c.expanded());
                let inside =
                    ends.low.is_none_or(|low| e - expanded >= low) && ends.high.is_none_or(|high| e + expanded <= high);
                if inside {
                    Outcome::Pass
                } else if ends.are_passed(e, expanded) {
                    Outcome::Fail
                } else {
                    Outcome::Undecided
                }
            }
        }
    }
}

/// The unit that a measure without a value is listed with.
fn natural_unit(measure: Measure, limit: &Limit) -> Unit {
    match limit {
        Limit::Within(b) | Limit::AtMost(b) | Limit::AtLeast(b) => b.parts[0].unit,
        Limit::Between(low, _) => low.unit,
        Limit::Zero => measure.units()[0],
        Limit::WithinClaim => Unit::Percent,
    }
}

/// The expanded uncertainty of a value's budget.
pub fn expanded(budget: &Budget, coverage: f64) -> f64 {
    budget.combine(coverage).expanded()
}
