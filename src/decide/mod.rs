//! Measure, limit and uncertainty to a verdict, by the protocol's decision rule. What is decided here is typed to its reason
//! and to what would decide it; the words are made with the verdict.

mod outcome;
mod repeats;
mod session;
#[cfg(test)]
mod tests;

use crate::protocol::{Check, Decision, Measure, Rule};
use crate::quantity::{Bound, Limit, Quantity, Unit};
use crate::scoring::Pair;
use crate::scoring::budget::{Budget, Combined, Source};
use crate::scoring::value::{Measured, NoValue, Scored, Value, ValueKind};

pub use outcome::{Outcome, RateInterval};
pub use repeats::{RepeatDecision, RepeatReason, RepeatRemedy, Tally, clean_repeats_needed, fault_rates, repeats};
pub use session::{COMPARED_BY, DecidedPhase, DecidedRepeats, Decisions, compared, comparison, session};

/// What a check is decided by besides its own value.
#[derive(Debug, Clone)]
pub struct Rules<'a> {
    pub decision: Decision,
    /// What the session says that the unit claims.
    pub claimed: Option<&'a Bound>,
    pub quarrel: Option<ReferencesDisagree>,
}

/// References that disagree by more than they allow: what hangs on their gain fails only where it does whichever of
/// them is right, and passes never.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferencesDisagree {
    pub pair: Pair,
    pub over: Over,
}

/// Where references disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Over {
    Session,
    /// In this phase alone.
    Phase,
}

/// A limit at one phase's reference value; an open end is `None`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Ends {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// One check, decided.
#[derive(Debug, Clone, PartialEq)]
pub struct Decided {
    pub measure: Measure,
    pub measured: Measured,
    /// Of the value, or the one that a value would have.
    pub unit: Unit,
    /// The value's budget put together; `None` without one, for counts and for bounds.
    pub combined: Option<Combined>,
    /// As written; `None` where nothing was asked.
    pub limit: Option<Limit>,
    /// In `unit`; both open where the limit can't be held against the value.
    pub ends: Ends,
    pub conformance_probability: Option<f64>,
    pub outcome: Outcome,
    /// `false` for advisory phases and checks.
    pub required: bool,
    pub reason: Option<Reason>,
    pub remedy: Option<Remedy>,
    pub clause: Option<String>,
}

impl Decided {
    pub fn scored(&self) -> Option<&Value> {
        self.measured.as_ref().ok()
    }

    pub fn value(&self) -> Option<f64> {
        self.scored().map(|scored| scored.value)
    }

    /// In `unit`.
    pub fn expanded_uncertainty(&self) -> Option<f64> {
        self.combined.map(|combined| combined.expanded())
    }
}

/// Why a check is undecided or not applicable, or what has to be known of its value.
#[derive(Debug, Clone, PartialEq)]
pub enum Reason {
    /// There is no value; scoring says why.
    NoValue(NoValue),
    /// Said beside the value, one by one.
    Notes(Vec<String>),
    /// A limit that has no form in the value's unit.
    NotCompared {
        limit: Bound,
        unit: Unit,
    },
    NoClaim,
    References(ReferencesDisagree),
    /// The limit lies within the value's expanded uncertainty.
    NearLimit,
    /// The value is a lower bound, which does not reach the limit.
    OnlyABound,
}

/// What would decide a check that is undecided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Remedy {
    LongerStop,
    /// A reference good to this, %.
    ThirdReference {
        within_pct: f64,
    },
    More(More),
    Better(Better),
    MoreOrBetter(More, Better),
    /// An expanded uncertainty of this, in a unit.
    Uncertainty {
        expanded: f64,
        unit: Unit,
    },
}

/// Scatter averaged away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum More {
    /// So many times as many repeats or seconds.
    Times(u32),
    /// So many repeats besides those ridden.
    Repeats(u32),
}

/// References whose uncertainty together is `to`, in a unit, where it is `now`; expanded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Better {
    pub to: f64,
    pub now: f64,
    pub unit: Unit,
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
                outcome: match why {
                    NoValue::Undecided(_) => Outcome::Undecided,
                    NoValue::NotApplicable(_) => Outcome::NotApplicable,
                },
                reason: Some(Reason::NoValue(why.clone())),
                ..open
            },
            Ok(value) => self.decide(value, limit, open),
        }
    }

    fn decide(&self, value: &Value, limit: &Limit, open: Decided) -> Decided {
        let combined = (value.kind == ValueKind::Measured).then(|| value.budget.combine(self.decision.coverage));
        let mut decided = Decided { unit: value.unit, combined, ..open };
        let ends = match self.ends(limit, value) {
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
            decided.remedy = self.remedy(value, ends);
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

    fn ends(&self, limit: &Limit, value: &Value) -> Result<Ends, Reason> {
        let size = |bound: &Bound| {
            bound
                .in_unit(value.unit, value.reference)
                .ok_or_else(|| Reason::NotCompared { limit: bound.clone(), unit: value.unit })
        };
        Ok(match limit {
            Limit::Within(bound) => {
                let size = size(bound)?;
                Ends { low: Some(-size), high: Some(size) }
            }
            Limit::WithinClaim => {
                let claimed = self.claimed.ok_or(Reason::NoClaim)?;
                let size = size(claimed)?;
                Ends { low: Some(-size), high: Some(size) }
            }
            Limit::AtMost(bound) => Ends { low: None, high: Some(size(bound)?) },
            Limit::AtLeast(bound) => Ends { low: Some(size(bound)?), high: None },
            Limit::Between(low, high) => {
                let end = |end: &Quantity| size(&Bound::single(end.value, end.unit));
                Ends { low: Some(end(low)?), high: Some(end(high)?) }
            }
            Limit::Zero => Ends { low: Some(0.0), high: Some(0.0) },
        })
    }

    /// JCGM 106:2012, 8.2 (simple acceptance) and 8.3.2 (guarded, with rejection guarded alike).
    fn outcome(&self, value: &Value, combined: Option<Combined>, ends: Ends) -> Outcome {
        let beyond =
            |e: f64, by: f64| ends.low.is_some_and(|low| e + by < low) || ends.high.is_some_and(|high| e - by > high);
        let e = value.value;
        match (value.kind, self.decision.rule) {
            (ValueKind::Count, _) => {
                if beyond(e, 0.0) {
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
            (ValueKind::Measured, Rule::Simple) => {
                if beyond(e, 0.0) {
                    Outcome::Fail
                } else {
                    Outcome::Pass
                }
            }
            (ValueKind::Measured, Rule::Guarded) => {
                let expanded = combined.map_or(0.0, |c| c.expanded());
                let inside =
                    ends.low.is_none_or(|low| e - expanded >= low) && ends.high.is_none_or(|high| e + expanded <= high);
                if inside {
                    Outcome::Pass
                } else if beyond(e, expanded) {
                    Outcome::Fail
                } else {
                    Outcome::Undecided
                }
            }
        }
    }

    /// What would decide it, with a number: more of the scatter averaged away, or a better reference. Each number is the
    /// least with which this very value would be decided by the rule.
    fn remedy(&self, value: &Value, ends: Ends) -> Option<Remedy> {
        if value.kind == ValueKind::AtLeast {
            return Some(Remedy::LongerStop);
        }
        let decides = |budget: Budget| {
            let combined = budget.combine(self.decision.coverage);
            self.outcome(value, Some(combined), ends) != Outcome::Undecided
        };
        let more = least(MOST_TIMES, |times| decides(value.budget.after(f64::from(times))));
        let more = more.map(|times| match value.rides {
            0 | 1 => More::Times(times),
            rides => More::Repeats(rides * (times - 1)),
        });
        let reference = |source: Source| {
            matches!(source, Source::ReferenceGain | Source::SideSplit | Source::ChainLoss | Source::RingLoss)
        };
        let better_by = |share: f64| value.budget.widened(share, reference);
        let stated = 2.0 * value.budget.part(reference);
        let better = least(99, |less_pct| decides(better_by(1.0 - f64::from(less_pct) / 100.0)));
        let better = better.map(|less_pct| 1.0 - f64::from(less_pct) / 100.0);
        let better = better.filter(|_| stated > 0.0);
        let better = better.map(|share| Better { to: share * stated, now: stated, unit: value.unit });
        match (more, better) {
            (Some(more), Some(better)) => Some(Remedy::MoreOrBetter(more, better)),
            (Some(more), None) => Some(Remedy::More(more)),
            (None, Some(better)) => Some(Remedy::Better(better)),
            (None, None) => {
                let ends = [ends.low, ends.high].into_iter().flatten();
                let distance = ends.map(|end| (end - value.value).abs()).reduce(f64::min)?;
                Some(Remedy::Uncertainty { expanded: distance, unit: value.unit })
            }
        }
    }
}

/// Nobody rides more than this many times as much to decide one check.
const MOST_TIMES: u32 = 50;

/// The least whole number up to `most` (from 1) of which it is true, where it is true of all larger ones.
fn least(most: u32, is_true: impl Fn(u32) -> bool) -> Option<u32> {
    let (mut low, mut high) = (1, most + 1);
    while low < high {
        let middle = (low + high) / 2;
        if is_true(middle) { high = middle } else { low = middle + 1 }
    }
    (low <= most).then_some(low)
}

/// The unit that a measure without a value is listed with.
fn natural_unit(measure: Measure, limit: &Limit) -> Unit {
    match limit {
        Limit::Within(b) | Limit::AtMost(b) | Limit::AtLeast(b) => b.parts[0].unit,
        Limit::Between(low, _) => low.unit,
        Limit::Zero if matches!(measure, Measure::DropoutTime | Measure::HeldTime) => Unit::Second,
        Limit::Zero => Unit::One,
        Limit::WithinClaim => Unit::Percent,
    }
}

/// The worst of several outcomes: fail, undecided (or not ridden), pass. `None` of them counts: not applicable.
pub fn worst(outcomes: impl IntoIterator<Item = Outcome>) -> Outcome {
    let rank = |outcome: Outcome| match outcome {
        Outcome::NotApplicable => 0,
        Outcome::Pass => 1,
        Outcome::NotRidden | Outcome::Undecided => 2,
        Outcome::Fail => 3,
    };
    let worst = outcomes.into_iter().max_by_key(|o| rank(*o)).unwrap_or(Outcome::NotApplicable);
    if worst == Outcome::NotRidden { Outcome::Undecided } else { worst }
}

/// The expanded uncertainty of a value's budget.
pub fn expanded(budget: &Budget, coverage: f64) -> f64 {
    budget.combine(coverage).expanded()
}
