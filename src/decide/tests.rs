use super::repeats::{FaultRates, Tally, clean_repeats_needed, repeats};
use super::rules::Rules;
use super::*;
use crate::protocol::{Accept, Check, Decision, Measure, Phase, Rule};
use crate::quantity::{Bound, Limit, Quantity, Unit};
use crate::scoring::Pair;
use crate::scoring::budget::{Budget, Line, Source};
use crate::scoring::value::{Scored, Value, ValueKind};
use crate::verdict::{CheckVerdict, check_verdict};

fn rules(rule: Rule) -> Rules<'static> {
    Rules { decision: Decision { rule, coverage: 0.95 }, claimed: None, quarrel: None, premises: None }
}

fn scored(value: f64, u: f64, limit: Limit) -> Scored {
    let mut budget = Budget::default();
    budget.push(Line::b(Source::ReferenceGain, u));
    let value = Value { kind: ValueKind::Measured, budget, ..Value::count(value, Unit::Watt) };
    let check = Check { measure: Measure::MeanError, limit, advisory: false, clause: None, over_s: None };
    Scored::of(&check, Ok(value))
}

/// As the verdict says it.
fn told(rules: &Rules, scored: &Scored) -> CheckVerdict {
    check_verdict(&rules.check(scored, true), &["pedal pair P".to_owned(), "trainer T".to_owned()])
}

fn within(limit_w: f64) -> Limit {
    Limit::Within(Bound::single(limit_w, Unit::Watt))
}

#[test]
fn the_guarded_rule_leaves_a_value_near_its_limit_undecided_and_the_simple_one_does_not() {
    let near = scored(3.5, 0.5, within(4.0));
    assert_eq!(told(&rules(Rule::Guarded), &near).verdict, Outcome::Undecided);
    assert_eq!(told(&rules(Rule::Simple), &near).verdict, Outcome::Pass);
    assert_eq!(told(&rules(Rule::Guarded), &scored(2.9, 0.5, within(4.0))).verdict, Outcome::Pass);
    assert_eq!(told(&rules(Rule::Guarded), &scored(-5.1, 0.5, within(4.0))).verdict, Outcome::Fail);
    assert_eq!(told(&rules(Rule::Simple), &scored(-4.1, 0.5, within(4.0))).verdict, Outcome::Fail);
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
        let value = Value { reference, kind: ValueKind::Measured, ..Value::count(0.0, unit) };
        let bound = |by: f64| Bound::single(by, written);
        let ends = |limit: Limit| {
            let decided = told(&rules, &Scored { measured: Ok(value.clone()), ..scored(0.0, 1.0, limit) });
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
    let value = Value { kind: ValueKind::Measured, ..Value::count(0.0, Second) };
    let limit = Limit::Between(Quantity::new(-4.0, Watt), Quantity::new(4.0, Watt));
    let decided = told(&rules, &Scored { measured: Ok(value.clone()), ..scored(0.0, 1.0, limit) });
    assert_eq!((decided.limit_low, decided.limit_high), (None, None));
    assert!(decided.reason.unwrap().contains("can't be compared with a value in s"));
}

#[test]
fn a_value_on_its_acceptance_limit_conforms_with_97_5_percent() {
    // ILAC-G8:09/2019, Table 1: a guard band of 1 U leaves less than 2.5 % probability of false accept.
    let u = 1.0;
    let expanded = 1.959_963_985 * u;
    let at_acceptance = scored(10.0 - expanded, u, Limit::AtMost(Bound::single(10.0, Unit::Watt)));
    let verdict = told(&rules(Rule::Guarded), &at_acceptance);
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
    let pair = Pair { first: 0, second: 1, difference_pct: 4.0, expanded_pct: 2.0, e_n: 2.0 };
    let quarrel = Some(ReferencesDisagree { pair, over: Over::Session });
    let rules = Rules { quarrel, ..rules(Rule::Guarded) };
    let judged = |error_w: f64| {
        let mut scored = scored(error_w, 0.5, within(4.0));
        if let Ok(value) = &mut scored.measured {
            (value.gain_sensitive, value.reference) = (true, 200.0);
        }
        told(&rules, &scored)
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
        accepts_off_target: false,
    }
}

#[test]
fn two_faults_in_six_fail_every_repeat_and_leave_a_rate_below_80_percent_undecided_or_better() {
    let tally = Tally { ridden: 6, failed: 2, ..Tally::default() };
    assert_eq!(repeats(&phase(6, Accept::EveryRepeat), tally, Outcome::Pass, None).verdict, Outcome::Fail);
    let five = Accept::AtLeast { passing: 5, of: 6 };
    let four = Accept::AtLeast { passing: 4, of: 6 };
    assert_eq!(repeats(&phase(6, five), tally, Outcome::Pass, None).verdict, Outcome::Fail);
    assert_eq!(repeats(&phase(6, four), tally, Outcome::Pass, None).verdict, Outcome::Pass);
    let FaultRates { two_sided, .. } = fault_rates(tally).unwrap();
    // Clopper and Pearson 1934, computed: 2 of 6 leave 4.3 to 77.7 %.
    assert!((two_sided.low - 0.0433).abs() < 5e-4 && (two_sided.high - 0.7772).abs() < 5e-4);
}

#[test]
fn a_fault_rate_below_ten_percent_takes_29_clean_repeats() {
    // Zero-failure sample size for R = 0.90, C = 0.95: 29 (standard success-run figure, from memory).
    assert_eq!(clean_repeats_needed(0, 0, 0.10), Some(29));
    let rate = Accept::FaultRateBelow(0.10);
    let clean = |n| repeats(&phase(6, rate), Tally { ridden: n, ..Tally::default() }, Outcome::Pass, None).verdict;
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
        let verdict = told(&rules, &undecided);
        if verdict.verdict != Outcome::Undecided {
            continue;
        }
        let remedy = verdict.remedy.unwrap();
        let outcome = |budget: Budget| {
            let value = Value { budget, ..undecided.measured.clone().unwrap() };
            told(&rules, &Scored { measured: Ok(value), ..undecided.clone() }).verdict
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
    let at_most = |e: f64| told(&rules(Rule::Guarded), &scored(e, 0.5, Limit::AtMost(Bound::single(4.0, Unit::Watt))));
    let at_least =
        |e: f64| told(&rules(Rule::Guarded), &scored(e, 0.5, Limit::AtLeast(Bound::single(4.0, Unit::Watt))));
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
    let judged = |kind: ValueKind, seconds: f64| {
        let mut one = scored(seconds, 0.1, limit.clone());
        if let Ok(value) = &mut one.measured {
            (value.kind, value.unit) = (kind, Unit::Second);
        }
        told(&rules(Rule::Guarded), &one)
    };
    for (kind, seconds, verdict) in [
        (ValueKind::Count, 2.0, Outcome::Pass),
        (ValueKind::Count, 3.0, Outcome::Fail),
        (ValueKind::AtLeast, 1.0, Outcome::Undecided),
        (ValueKind::AtLeast, 2.1, Outcome::Undecided),
        (ValueKind::AtLeast, 2.3, Outcome::Fail),
    ] {
        let decided = judged(kind, seconds);
        assert_eq!(decided.verdict, verdict, "{kind:?} {seconds}");
        assert_eq!((decided.conformance_probability, decided.expanded_uncertainty), (None, None));
    }
    assert!(judged(ValueKind::Measured, 1.0).conformance_probability.is_some());
}

#[test]
fn at_least_four_of_six_waits_for_what_is_undecided_or_missing() {
    let four = phase(6, Accept::AtLeast { passing: 4, of: 6 });
    let tally = |ridden, failed, undecided| Tally { ridden, failed, undecided, ..Tally::default() };
    let of_mean = Remedy::More(More::Repeats(9));
    let open = repeats(&four, tally(6, 2, 4), Outcome::Undecided, Some(of_mean));
    assert_eq!(open.remedy, Some(RepeatRemedy::OfMean(of_mean)));
    assert_eq!(repeats(&four, tally(6, 3, 0), Outcome::Pass, None).verdict, Outcome::Fail);
    assert_eq!(repeats(&four, tally(6, 1, 0), Outcome::Fail, None).verdict, Outcome::Fail);
    let short = repeats(&four, tally(5, 2, 0), Outcome::Pass, None);
    assert_eq!((short.verdict, short.remedy), (Outcome::Undecided, Some(RepeatRemedy::Ride { more: 1 })));
    // Whatever the sixth does, four of six did.
    assert_eq!(repeats(&four, tally(5, 1, 0), Outcome::Pass, None).verdict, Outcome::Pass);
    assert_eq!(repeats(&four, tally(4, 0, 0), Outcome::Pass, None).verdict, Outcome::Pass);
    assert_eq!(repeats(&four, tally(3, 0, 0), Outcome::Pass, None).verdict, Outcome::Undecided);
}

#[test]
fn a_fault_rate_counts_what_is_undecided_as_a_fault_to_pass_and_not_to_fail() {
    let rate = phase(6, Accept::FaultRateBelow(0.4));
    let judged = |failed, undecided| {
        repeats(&rate, Tally { ridden: 6, failed, undecided, ..Tally::default() }, Outcome::Pass, None)
    };
    // No fault in six: 1 − 0.05^(1/6) = 39.3 %; one in six allows 58 %; five in six show at least 41.8 %, four 27 %.
    assert_eq!(judged(0, 0).verdict, Outcome::Pass);
    assert_eq!(judged(0, 1).verdict, Outcome::Undecided);
    assert_eq!(judged(4, 2).verdict, Outcome::Undecided);
    assert_eq!(judged(5, 1).verdict, Outcome::Fail);
    // One fault in n below 40 %: 0.6^n + n·0.4·0.6^(n−1) ≤ 0.05 from n = 10 on, so four more.
    assert_eq!(judged(1, 0).remedy, Some(RepeatRemedy::Clean { more: 4, rate: 0.4 }));
}
