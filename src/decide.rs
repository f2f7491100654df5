//! Measure, limit and uncertainty to a verdict, by the protocol's decision rule.

use crate::protocol::{Accept, Decision, Measure, Phase, Rule};
use crate::quantity::{Bound, Limit, Quantity, Unit};
use crate::scoring::budget::{Budget, Combined, Source};
use crate::scoring::value::{Kind, NoValue, Scored, Value};
use crate::stats;
use crate::verdict::{AlsoValue, BudgetLine, CheckVerdict, LimitsOfAgreement, Outcome, RateInterval};

/// Level of the exact limits of a fault rate, one-sided.
const RATE_LEVEL: f64 = 0.95;

/// What a check is decided by besides its own value.
#[derive(Debug, Clone)]
pub struct Rules<'a> {
    pub decision: Decision,
    /// What the session says that the unit claims.
    pub claimed: Option<&'a Bound>,
    pub quarrel: Option<Quarrel>,
    /// Labels of the references, in the session's order.
    pub references: Vec<String>,
}

/// References that disagree by more than they allow: what hangs on their gain fails only where it does whichever of
/// them is right, and passes never.
#[derive(Debug, Clone, PartialEq)]
pub struct Quarrel {
    pub says: String,
    pub difference_pct: f64,
}

/// A limit at one phase's reference value; an open end is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Ends {
    low: Option<f64>,
    high: Option<f64>,
}

impl Rules<'_> {
    /// Decides one check. `required` is false for advisory phases and checks.
    pub fn check(&self, scored: &Scored, required: bool) -> CheckVerdict {
        let check = &scored.check;
        let required = required && !check.advisory;
        let empty = CheckVerdict {
            contrast: None,
            measure: check.measure.word().to_owned(),
            value: None,
            unit: natural_unit(check.measure, &check.limit).symbol().to_owned(),
            also: None,
            expanded_uncertainty: None,
            coverage_factor: None,
            degrees_of_freedom: None,
            method: None,
            limits_of_agreement: None,
            limit: Some(check.limit.to_string()),
            limit_low: None,
            limit_high: None,
            conformance_probability: None,
            verdict: Outcome::Undecided,
            required,
            censored: false,
            reason: None,
            remedy: None,
            clause: check.clause.clone(),
            references: vec![],
            budget: vec![],
        };
        match &scored.measured {
            Err(NoValue::Undecided(reason)) => CheckVerdict { reason: Some(reason.clone()), ..empty },
            Err(NoValue::NotApplicable(reason)) => {
                CheckVerdict { reason: Some(reason.clone()), verdict: Outcome::NotApplicable, ..empty }
            }
            Ok(value) => self.decide(value, &check.limit, empty),
        }
    }

    fn decide(&self, value: &Value, limit: &Limit, empty: CheckVerdict) -> CheckVerdict {
        let combined = (value.kind == Kind::Measured).then(|| value.budget.combine(self.decision.coverage));
        let expanded = combined.map(|c| c.expanded());
        let budget = value.budget.0.iter().filter(|_| value.kind != Kind::Count).map(|line| BudgetLine {
            source: line.source.word().to_owned(),
            standard_uncertainty: line.standard_uncertainty,
            degrees_of_freedom: line.degrees_of_freedom.is_finite().then_some(line.degrees_of_freedom),
            evaluation: line.source.evaluation().to_owned(),
            distribution: line.distribution().to_owned(),
        });
        let mut verdict = CheckVerdict {
            value: Some(value.value),
            unit: value.unit.symbol().to_owned(),
            also: value.also.map(|also| AlsoValue {
                value: value.value * also.factor,
                unit: also.unit.symbol().to_owned(),
                expanded_uncertainty: expanded.map(|u| u * also.factor.abs()),
            }),
            expanded_uncertainty: expanded,
            coverage_factor: combined.map(|c| c.coverage_factor),
            degrees_of_freedom: combined.map(|c| c.degrees_of_freedom).filter(|nu| nu.is_finite()),
            method: combined.map(|c| c.method.word().to_owned()),
            limits_of_agreement: value
                .agreement
                .zip(expanded)
                .map(|([low, high], expanded_uncertainty)| LimitsOfAgreement { low, high, expanded_uncertainty }),
            censored: value.kind == Kind::AtLeast,
            references: value.references.iter().map(|&i| self.references[i].clone()).collect(),
            budget: budget.collect(),
            ..empty
        };
        let ends = match self.ends(limit, value) {
            Ok(ends) => ends,
            Err(reason) => return CheckVerdict { reason: Some(reason), ..verdict },
        };
        verdict.limit_low = ends.low;
        verdict.limit_high = ends.high;
        if combined.is_some() {
            verdict.conformance_probability = Some(value.budget.conformance(value.value, ends.low, ends.high));
        }
        verdict.verdict = self.outcome(value, combined, ends);
        verdict.reason = (!value.notes.is_empty()).then(|| value.notes.join("; "));
        let quarrel = self.quarrel.as_ref().filter(|quarrel| {
            value.gain_sensitive && !(verdict.verdict == Outcome::Fail && self.fails_either_way(value, ends, quarrel))
        });
        if let Some(quarrel) = quarrel {
            verdict.verdict = Outcome::Undecided;
            verdict.reason = Some(quarrel.says.clone());
            // Within half of the difference of the truth, it can't be as near to both.
            let third_pct = rounded_down(quarrel.difference_pct.abs() / 2.0);
            verdict.remedy = Some(format!(
                "settle which reference is right: a third one good to ±{third_pct} % can't agree with both; or a calibration of both"
            ));
        } else if verdict.verdict == Outcome::Undecided {
            verdict.remedy = self.remedy(value, ends);
            verdict.reason = verdict.reason.or_else(|| Some(why_undecided(value)));
        }
        verdict
    }

    /// Whether the value fails by more than all that the references disagree by.
    fn fails_either_way(&self, value: &Value, ends: Ends, quarrel: &Quarrel) -> bool {
        let of_unit = if value.unit == Unit::Percent { 1.0 } else { value.reference.abs() / 100.0 };
        let by = quarrel.difference_pct.abs() * of_unit;
        let combined = value.budget.combine(self.decision.coverage);
        let moved = |by: f64| Value { value: value.value + by, ..value.clone() };
        by > 0.0 && [-by, by].iter().all(|by| self.outcome(&moved(*by), Some(combined), ends) == Outcome::Fail)
    }

    fn ends(&self, limit: &Limit, value: &Value) -> Result<Ends, String> {
        let size = |bound: &Bound| {
            bound
                .in_unit(value.unit, value.reference)
                .ok_or_else(|| format!("the limit `{bound}` can't be compared with a value in {}", value.unit.symbol()))
        };
        Ok(match limit {
            Limit::Within(bound) => {
                let size = size(bound)?;
                Ends { low: Some(-size), high: Some(size) }
            }
            Limit::WithinClaim => {
                let claimed = self.claimed.ok_or("the session does not say what the unit claims (`claimed:`)")?;
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
            (Kind::Count, _) => {
                if beyond(e, 0.0) {
                    Outcome::Fail
                } else {
                    Outcome::Pass
                }
            }
            (Kind::AtLeast, _) => {
                // Only the upper end can be decided by a lower bound; the clock may be off by its share.
                let expanded = value.budget.combine(self.decision.coverage).expanded();
                if ends.high.is_some_and(|high| e - expanded > high) { Outcome::Fail } else { Outcome::Undecided }
            }
            (Kind::Measured, Rule::Simple) => {
                if beyond(e, 0.0) {
                    Outcome::Fail
                } else {
                    Outcome::Pass
                }
            }
            (Kind::Measured, Rule::Guarded) => {
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
    fn remedy(&self, value: &Value, ends: Ends) -> Option<String> {
        if value.kind == Kind::AtLeast {
            return Some("a longer coast or restart, so that the unit's crossing falls inside it".to_owned());
        }
        let decides = |budget: Budget| {
            let combined = budget.combine(self.decision.coverage);
            self.outcome(value, Some(combined), ends) != Outcome::Undecided
        };
        let more = least(MOST_TIMES, |times| decides(value.budget.after(f64::from(times))));
        let more = more.map(|times| match value.rides {
            0 | 1 => format!("about {times} times as many repeats or seconds"),
            rides => format!("{} more repeats", rides * (times - 1)),
        });
        let reference = |source: Source| {
            matches!(source, Source::ReferenceGain | Source::SideSplit | Source::ChainLoss | Source::RingLoss)
        };
        let better_by = |share: f64| value.budget.widened(share, reference);
        let stated = 2.0 * value.budget.part(reference);
        let better = least(99, |less_pct| decides(better_by(1.0 - f64::from(less_pct) / 100.0)));
        let better = better.map(|less_pct| 1.0 - f64::from(less_pct) / 100.0);
        let better = better.filter(|_| stated > 0.0).map(|share| {
            // Rounded up it would promise what it does not keep.
            let least = rounded_down(share * stated);
            format!("references good to ±{least} {} together (now ±{})", value.unit.symbol(), significant(stated))
        });
        match (more, better) {
            (Some(more), Some(better)) => Some(format!("{more}, or {better}, would decide it")),
            (Some(one), None) | (None, Some(one)) => Some(format!("{one} would decide it")),
            (None, None) => {
                let ends = [ends.low, ends.high].into_iter().flatten();
                let distance = ends.map(|end| (end - value.value).abs()).reduce(f64::min)?;
                Some(format!(
                    "an expanded uncertainty of {} {} would decide it; better references and more repeats together",
                    rounded_down(distance),
                    value.unit.symbol()
                ))
            }
        }
    }
}

/// Nobody rides more than this many times as much to decide one check.
const MOST_TIMES: u32 = 50;

/// Two significant digits.
fn significant(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    let digits = (1 - value.log10().floor() as i32).max(0) as usize;
    format!("{value:.digits$}")
}

/// Two significant digits, never above the value.
fn rounded_down(value: f64) -> String {
    if value <= 0.0 {
        return "0".to_owned();
    }
    let unit = 10f64.powi(value.log10().floor() as i32 - 1);
    significant((value / unit + 1e-9).floor() * unit)
}

/// The least whole number up to `most` (from 1) of which it is true, where it is true of all larger ones.
fn least(most: u32, is_true: impl Fn(u32) -> bool) -> Option<u32> {
    let (mut low, mut high) = (1, most + 1);
    while low < high {
        let middle = (low + high) / 2;
        if is_true(middle) { high = middle } else { low = middle + 1 }
    }
    (low <= most).then_some(low)
}

fn why_undecided(value: &Value) -> String {
    match value.kind {
        Kind::AtLeast => "the unit did not cross before the end: only a lower bound is known".to_owned(),
        _ => "the limit lies within the expanded uncertainty of the value".to_owned(),
    }
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

/// The worst of the required checks.
pub fn of_checks(checks: &[CheckVerdict]) -> Outcome {
    worst(checks.iter().filter(|c| c.required).map(|c| c.verdict))
}

/// What the repeats of a phase come to.
#[derive(Debug, Clone, PartialEq)]
pub struct RepeatDecision {
    pub verdict: Outcome,
    pub reason: Option<String>,
    pub remedy: Option<String>,
}

/// Counted repeats, without surplus ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tally {
    pub ridden: u32,
    pub failed: u32,
    pub undecided: u32,
}

/// Enough repeats did not fail, whatever the missing ones would have done.
fn passes_without_missing(accept: Accept, not_failed: u32) -> bool {
    matches!(accept, Accept::AtLeast { passing, .. } if not_failed >= passing)
}

/// Decides a repeated phase. `mean` is over the repeats that the acceptance counts (all, or those that did not fail),
/// `of_mean` what would decide it.
pub fn repeats(phase: &Phase, tally: Tally, mean: Outcome, of_mean: Option<&str>) -> RepeatDecision {
    let plain = |verdict, reason: &str| RepeatDecision { verdict, reason: Some(reason.to_owned()), remedy: None };
    let Tally { ridden, failed, undecided } = tally;
    if ridden == 0 {
        return plain(Outcome::NotRidden, "no repeat was ridden");
    }
    let missing = phase.repeats.saturating_sub(ridden);
    match phase.accept {
        Accept::EveryRepeat if failed > 0 => plain(Outcome::Fail, &format!("{failed} of {ridden} repeats failed")),
        Accept::AtLeast { passing, of } if failed > of.saturating_sub(passing) => {
            plain(Outcome::Fail, &format!("{failed} of {ridden} repeats failed, {} may", of.saturating_sub(passing)))
        }
        Accept::EveryRepeat | Accept::AtLeast { .. } => match mean {
            Outcome::Fail => plain(Outcome::Fail, "the mean over the repeats fails"),
            Outcome::Undecided | Outcome::NotRidden => RepeatDecision {
                remedy: of_mean.map(str::to_owned),
                ..plain(Outcome::Undecided, "the mean over the repeats is undecided")
            },
            Outcome::NotApplicable => plain(Outcome::NotApplicable, "nothing here applies to this unit"),
            Outcome::Pass if missing > 0 && !passes_without_missing(phase.accept, ridden - failed) => RepeatDecision {
                remedy: Some(format!("ride {missing} more")),
                ..plain(Outcome::Undecided, &format!("{missing} of {} repeats were not ridden", phase.repeats))
            },
            Outcome::Pass => RepeatDecision { verdict: Outcome::Pass, reason: None, remedy: None },
        },
        Accept::FaultRateBelow(rate) => {
            let upper = stats::clopper_pearson(
                u64::from(failed + undecided),
                u64::from(ridden),
                RATE_LEVEL,
                stats::Sides::Upper,
            )
            .1;
            let lower = stats::clopper_pearson(u64::from(failed), u64::from(ridden), RATE_LEVEL, stats::Sides::Lower).0;
            if upper < rate {
                RepeatDecision { verdict: Outcome::Pass, reason: None, remedy: None }
            } else if lower > rate {
                plain(
                    Outcome::Fail,
                    &format!(
                        "{failed} of {ridden} repeats failed: at least {} % with 95 % confidence",
                        significant(lower * 100.0)
                    ),
                )
            } else {
                let more = clean_repeats_needed(failed + undecided, ridden, rate);
                RepeatDecision {
                    remedy: more.map(|n| {
                        format!(
                            "{n} more repeats without a fault would show a rate below {} %",
                            significant(rate * 100.0)
                        )
                    }),
                    ..plain(
                        Outcome::Undecided,
                        &format!(
                            "{failed} faults and {undecided} undecided in {ridden} allow up to {} %",
                            significant(upper * 100.0)
                        ),
                    )
                }
            }
        }
    }
}

/// How many further clean repeats bring the one-sided 95 % limit below `rate`; `None` above a thousand.
pub fn clean_repeats_needed(faults: u32, ridden: u32, rate: f64) -> Option<u32> {
    (1..=1000).find(|more| {
        stats::clopper_pearson(u64::from(faults), u64::from(ridden + more), RATE_LEVEL, stats::Sides::Upper).1 < rate
    })
}

/// Both statements on a fault rate: the two-sided interval and the one-sided upper limit.
pub fn fault_rates(tally: Tally) -> Option<(RateInterval, RateInterval)> {
    if tally.ridden == 0 {
        return None;
    }
    let (failed, ridden) = (u64::from(tally.failed), u64::from(tally.ridden));
    let (low, high) = stats::clopper_pearson(failed, ridden, RATE_LEVEL, stats::Sides::Two);
    let upper = stats::clopper_pearson(failed, ridden, RATE_LEVEL, stats::Sides::Upper).1;
    Some((
        RateInterval { level: RATE_LEVEL, sides: 2, low, high },
        RateInterval { level: RATE_LEVEL, sides: 1, low: 0.0, high: upper },
    ))
}

/// The expanded uncertainty of a value's budget.
pub fn expanded(budget: &Budget, coverage: f64) -> f64 {
    budget.combine(coverage).expanded()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::Check;
    use crate::scoring::budget::Line;

    fn rules(rule: Rule) -> Rules<'static> {
        Rules { decision: Decision { rule, coverage: 0.95 }, claimed: None, quarrel: None, references: vec![] }
    }

    fn scored(value: f64, u: f64, limit: Limit) -> Scored {
        let mut budget = Budget::default();
        budget.push(Line::b(Source::ReferenceGain, u));
        let value = Value { kind: Kind::Measured, budget, ..Value::count(value, Unit::Watt) };
        let check = Check { measure: Measure::MeanError, limit, advisory: false, clause: None, over_s: None };
        Scored { check, measured: Ok(value) }
    }

    fn within(limit_w: f64) -> Limit {
        Limit::Within(Bound::single(limit_w, Unit::Watt))
    }

    #[test]
    fn the_guarded_rule_leaves_a_value_near_its_limit_undecided_and_the_simple_one_does_not() {
        let near = scored(3.5, 0.5, within(4.0));
        assert_eq!(rules(Rule::Guarded).check(&near, true).verdict, Outcome::Undecided);
        assert_eq!(rules(Rule::Simple).check(&near, true).verdict, Outcome::Pass);
        assert_eq!(rules(Rule::Guarded).check(&scored(2.9, 0.5, within(4.0)), true).verdict, Outcome::Pass);
        assert_eq!(rules(Rule::Guarded).check(&scored(-5.1, 0.5, within(4.0)), true).verdict, Outcome::Fail);
        assert_eq!(rules(Rule::Simple).check(&scored(-4.1, 0.5, within(4.0)), true).verdict, Outcome::Fail);
    }

    /// Every form of limit against every unit that a measure's value can have, at a reference of 200 W or 20 N·m.
    #[test]
    fn every_form_of_limit_is_held_in_the_unit_of_the_value() {
        use crate::quantity::Join;
        use Unit::*;
        let claim = Bound::single(1.5, Percent);
        let rules = Rules { claimed: Some(&claim), ..rules(Rule::Simple) };
        // The value's unit and reference; the limit's unit and what one of it is in the value's.
        let scales = [
            (Watt, 200.0, Watt, 1.0),
            (Watt, 200.0, Percent, 2.0),
            (Percent, 200.0, Percent, 1.0),
            (Percent, 200.0, Watt, 0.5),
            (Percent, 20.0, NewtonMetre, 5.0),
            (NewtonMetre, 0.0, NewtonMetre, 1.0),
            (Second, 0.0, Second, 1.0),
            (Rpm, 0.0, Rpm, 1.0),
            (Kilojoule, 0.0, Kilojoule, 1.0),
            (WattPerHour, 0.0, WattPerHour, 1.0),
            (WattPerCelsius, 0.0, WattPerCelsius, 1.0),
            (One, 0.0, One, 1.0),
        ];
        for (unit, reference, written, scale) in scales {
            let value = Value { reference, kind: Kind::Measured, ..Value::count(0.0, unit) };
            let bound = |by: f64| Bound::single(by, written);
            let ends = |limit: Limit| {
                let decided = rules.check(&Scored { measured: Ok(value.clone()), ..scored(0.0, 1.0, limit) }, true);
                (decided.limit_low, decided.limit_high, decided.reason)
            };
            let is = |low: Option<f64>, high: Option<f64>| (low.map(|e| e * scale), high.map(|e| e * scale), None);
            assert_eq!(ends(Limit::Within(bound(4.0))), is(Some(-4.0), Some(4.0)), "{unit:?} {written:?}");
            assert_eq!(ends(Limit::AtMost(bound(4.0))), is(None, Some(4.0)));
            assert_eq!(ends(Limit::AtLeast(bound(4.0))), is(Some(4.0), None));
            let between = Limit::Between(Quantity::new(-4.0, written), Quantity::new(6.0, written));
            assert_eq!(ends(between), is(Some(-4.0), Some(6.0)), "{unit:?} {written:?}");
            assert_eq!(ends(Limit::Zero), (Some(0.0), Some(0.0), None));
            for (join, wanted) in [(Join::Wider, 5.0), (Join::Narrower, 3.0)] {
                let parts = vec![Quantity::new(3.0, written), Quantity::new(5.0 * scale, unit)];
                let both = Limit::Within(Bound { parts, join });
                assert_eq!(ends(both), is(Some(-wanted), Some(wanted)), "{unit:?} {written:?}");
            }
            // A claim in per cent is of power or torque.
            if reference > 0.0 {
                let claimed = if unit == Percent { 1.5 } else { 3.0 };
                assert_eq!(ends(Limit::WithinClaim), (Some(-claimed), Some(claimed), None), "{unit:?}");
            }
        }
        // What no reference turns into the value's unit is not compared.
        let value = Value { kind: Kind::Measured, ..Value::count(0.0, Second) };
        let limit = Limit::Between(Quantity::new(-4.0, Watt), Quantity::new(4.0, Watt));
        let decided = rules.check(&Scored { measured: Ok(value), ..scored(0.0, 1.0, limit) }, true);
        assert_eq!((decided.limit_low, decided.limit_high), (None, None));
        assert!(decided.reason.unwrap().contains("can't be compared with a value in s"));
    }

    #[test]
    fn a_value_on_its_acceptance_limit_conforms_with_97_5_percent() {
        // ILAC-G8:09/2019, Table 1: a guard band of 1 U leaves less than 2.5 % probability of false accept.
        let u = 1.0;
        let expanded = 1.959_963_985 * u;
        let at_acceptance = scored(10.0 - expanded, u, Limit::AtMost(Bound::single(10.0, Unit::Watt)));
        let verdict = rules(Rule::Guarded).check(&at_acceptance, true);
        assert!((verdict.conformance_probability.unwrap() - 0.975).abs() < 1e-6);
    }

    #[test]
    fn jcgm_106_zener_diode_conforms_with_0_92() {
        // JCGM 106:2012, 7.3 and 7.4, example of the breakdown voltage (from memory): y = −5.47 V, u = 0.05 V, upper limit −5.40 V.
        let budget = Budget(vec![Line::b(Source::ReferenceGain, 0.05)]);
        assert!((budget.conformance(-5.47, None, Some(-5.40)) - 0.919_243).abs() < 1e-6);
    }

    #[test]
    fn a_quarrel_between_references_leaves_only_what_fails_either_way() {
        let quarrel = Some(Quarrel { says: String::new(), difference_pct: 4.0 });
        let rules = Rules { quarrel, ..rules(Rule::Guarded) };
        let judged = |error_w: f64| {
            let mut scored = scored(error_w, 0.5, within(4.0));
            if let Ok(value) = &mut scored.measured {
                (value.gain_sensitive, value.reference) = (true, 200.0);
            }
            rules.check(&scored, true)
        };
        assert_eq!([0.0, 6.0, 12.5].map(|error_w| judged(error_w).verdict), [Outcome::Undecided; 3]);
        assert!(judged(0.0).remedy.unwrap().contains("a third one good to ±2.0 %"));
        assert_eq!(judged(13.5).verdict, Outcome::Fail);
    }

    fn phase(repeats: u32, accept: Accept) -> Phase {
        Phase {
            id: crate::protocol::PhaseId { name: "p".to_owned(), keys: vec![] },
            drill: crate::protocol::Drill::ZeroCheck,
            ring: None,
            posture: None,
            cadence_rpm: None,
            grade_pct: None,
            repeats,
            accept,
            checks: vec![],
            part: crate::protocol::Part::Required,
            tolerance: 0.2,
        }
    }

    #[test]
    fn two_faults_in_six_fail_every_repeat_and_leave_a_rate_below_80_percent_undecided_or_better() {
        let tally = Tally { ridden: 6, failed: 2, undecided: 0 };
        assert_eq!(repeats(&phase(6, Accept::EveryRepeat), tally, Outcome::Pass, None).verdict, Outcome::Fail);
        let five = Accept::AtLeast { passing: 5, of: 6 };
        let four = Accept::AtLeast { passing: 4, of: 6 };
        assert_eq!(repeats(&phase(6, five), tally, Outcome::Pass, None).verdict, Outcome::Fail);
        assert_eq!(repeats(&phase(6, four), tally, Outcome::Pass, None).verdict, Outcome::Pass);
        let (two_sided, _) = fault_rates(tally).unwrap();
        // Clopper and Pearson 1934, computed: 2 of 6 leave 4.3 to 77.7 %.
        assert!((two_sided.low - 0.0433).abs() < 5e-4 && (two_sided.high - 0.7772).abs() < 5e-4);
    }

    #[test]
    fn a_fault_rate_below_ten_percent_takes_29_clean_repeats() {
        // Zero-failure sample size for R = 0.90, C = 0.95: 29 (standard success-run figure, from memory).
        assert_eq!(clean_repeats_needed(0, 0, 0.10), Some(29));
        let rate = Accept::FaultRateBelow(0.10);
        let clean =
            |n| repeats(&phase(6, rate), Tally { ridden: n, failed: 0, undecided: 0 }, Outcome::Pass, None).verdict;
        assert_eq!((clean(28), clean(29)), (Outcome::Undecided, Outcome::Pass));
    }

    /// The numbers of a remedy's text, in order.
    fn numbers(text: &str) -> Vec<f64> {
        let words = text.split(|c: char| !c.is_ascii_digit() && c != '.');
        words.filter_map(|word| word.parse().ok()).collect()
    }

    #[test]
    fn what_a_remedy_promises_decides() {
        let rules = rules(Rule::Guarded);
        let (mut by_repeats, mut by_reference) = (0, 0);
        for (scatter, gain, error_w, rides) in (0..200)
            .map(|i| (0.2 + f64::from(i % 7) * 0.3, 0.1 + f64::from(i % 5) * 0.4, f64::from(i % 29) * 0.25, i % 3 * 3))
        {
            let mut undecided = scored(error_w, gain, within(4.0));
            let Ok(value) = &mut undecided.measured else { unreachable!() };
            value.budget.push(Line::scatter(scatter, 6.0));
            value.rides = rides;
            let verdict = rules.check(&undecided, true);
            if verdict.verdict != Outcome::Undecided {
                continue;
            }
            let remedy = verdict.remedy.unwrap();
            let outcome = |budget: Budget| {
                let value = Value { budget, ..undecided.measured.clone().unwrap() };
                rules.check(&Scored { measured: Ok(value), ..undecided.clone() }, true).verdict
            };
            let budget = undecided.measured.as_ref().unwrap().budget.clone();
            if remedy.contains("repeats") && !remedy.contains("together;") && !remedy.starts_with("an expanded") {
                let first = numbers(&remedy)[0];
                let times = if remedy.contains("more repeats") { first / f64::from(rides) + 1.0 } else { first };
                assert_ne!(outcome(budget.after(times)), Outcome::Undecided, "{remedy}");
                assert_eq!(outcome(budget.after(times - 1.0)), Outcome::Undecided, "fewer would do: {remedy}");
                by_repeats += 1;
            }
            if let Some((_, promised)) = remedy.split_once("references good to") {
                let better = numbers(promised)[0] / 2.0;
                let of = |u: f64| Budget(vec![Line::b(Source::ReferenceGain, u), Line::scatter(scatter, 6.0)]);
                assert_ne!(outcome(of(better)), Outcome::Undecided, "{remedy}");
                assert_eq!(outcome(of(better * 1.15 + 0.01 * gain)), Outcome::Undecided, "worse would do: {remedy}");
                by_reference += 1;
            }
        }
        assert!(by_repeats > 10 && by_reference > 10, "{by_repeats} {by_reference}");
    }

    #[test]
    fn a_one_sided_limit_is_guarded_by_the_same_factor_on_its_one_side() {
        let at_most =
            |e: f64| rules(Rule::Guarded).check(&scored(e, 0.5, Limit::AtMost(Bound::single(4.0, Unit::Watt))), true);
        let at_least =
            |e: f64| rules(Rule::Guarded).check(&scored(e, 0.5, Limit::AtLeast(Bound::single(4.0, Unit::Watt))), true);
        // U = 1.96 · 0.5 W.
        assert_eq!(
            [3.0, 3.1, 4.9, 5.0].map(|e| at_most(e).verdict),
            [Outcome::Pass, Outcome::Undecided, Outcome::Undecided, Outcome::Fail]
        );
        assert_eq!(
            [5.0, 4.9, 3.1, 3.0].map(|e| at_least(e).verdict),
            [Outcome::Pass, Outcome::Undecided, Outcome::Undecided, Outcome::Fail]
        );
        assert_eq!(at_most(-400.0).verdict, Outcome::Pass);
        assert_eq!((at_most(0.0).limit_low, at_least(9.0).limit_high), (None, None));
        assert!((at_most(3.1).coverage_factor.unwrap() - 1.96).abs() < 0.001);
    }

    #[test]
    fn counts_and_bounds_have_no_conformance_probability() {
        let limit = Limit::AtMost(Bound::single(2.0, Unit::Second));
        let judged = |kind: Kind, seconds: f64| {
            let mut one = scored(seconds, 0.1, limit.clone());
            if let Ok(value) = &mut one.measured {
                (value.kind, value.unit) = (kind, Unit::Second);
            }
            rules(Rule::Guarded).check(&one, true)
        };
        for (kind, seconds, verdict) in [
            (Kind::Count, 2.0, Outcome::Pass),
            (Kind::Count, 3.0, Outcome::Fail),
            (Kind::AtLeast, 1.0, Outcome::Undecided),
            (Kind::AtLeast, 2.1, Outcome::Undecided),
            (Kind::AtLeast, 2.3, Outcome::Fail),
        ] {
            let decided = judged(kind, seconds);
            assert_eq!(decided.verdict, verdict, "{kind:?} {seconds}");
            assert_eq!((decided.conformance_probability, decided.expanded_uncertainty), (None, None));
        }
        assert!(judged(Kind::Measured, 1.0).conformance_probability.is_some());
    }

    #[test]
    fn at_least_four_of_six_waits_for_what_is_undecided_or_missing() {
        let four = phase(6, Accept::AtLeast { passing: 4, of: 6 });
        let tally = |ridden, failed, undecided| Tally { ridden, failed, undecided };
        assert_eq!(repeats(&four, tally(6, 2, 4), Outcome::Undecided, Some("9")).remedy.as_deref(), Some("9"));
        assert_eq!(repeats(&four, tally(6, 3, 0), Outcome::Pass, None).verdict, Outcome::Fail);
        assert_eq!(repeats(&four, tally(6, 1, 0), Outcome::Fail, None).verdict, Outcome::Fail);
        let short = repeats(&four, tally(5, 2, 0), Outcome::Pass, None);
        assert_eq!((short.verdict, short.remedy.as_deref()), (Outcome::Undecided, Some("ride 1 more")));
        // Whatever the sixth does, four of six did.
        assert_eq!(repeats(&four, tally(5, 1, 0), Outcome::Pass, None).verdict, Outcome::Pass);
        assert_eq!(repeats(&four, tally(4, 0, 0), Outcome::Pass, None).verdict, Outcome::Pass);
        assert_eq!(repeats(&four, tally(3, 0, 0), Outcome::Pass, None).verdict, Outcome::Undecided);
    }

    #[test]
    fn a_fault_rate_counts_what_is_undecided_as_a_fault_to_pass_and_not_to_fail() {
        let rate = phase(6, Accept::FaultRateBelow(0.4));
        let judged = |failed, undecided| repeats(&rate, Tally { ridden: 6, failed, undecided }, Outcome::Pass, None);
        // No fault in six: 1 − 0.05^(1/6) = 39.3 %; one in six allows 58 %; five in six show at least 41.8 %, four 27 %.
        assert_eq!(judged(0, 0).verdict, Outcome::Pass);
        assert_eq!(judged(0, 1).verdict, Outcome::Undecided);
        assert_eq!(judged(4, 2).verdict, Outcome::Undecided);
        assert_eq!(judged(5, 1).verdict, Outcome::Fail);
        // One fault in n below 40 %: 0.6^n + n·0.4·0.6^(n−1) ≤ 0.05 from n = 10 on, so four more.
        assert!(judged(1, 0).remedy.unwrap().starts_with("4 more repeats"));
    }
}
