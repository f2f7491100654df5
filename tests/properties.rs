//! What the numbers promise, whatever the ride: scale, swap of instruments, clocks, budgets, advisory phases.

use crate::common;
use assize::internals::rehearse::{Rehearsal, RehearsalPlan, RideHabits, simulate};
use assize::internals::ride::{AlignedOn, Clock, ReferenceTrace, Ride, Trace};
use assize::internals::scoring::budget::{Budget, Line, Source};
use assize::internals::scoring::score_whole_ride;
use assize::internals::scoring::value::{Scored, Value};
use assize::judge::Judgement;
use assize::protocol::{Check, Measure, Part, Protocol};
use assize::quantity::{Bound, Limit, Unit};
use assize::session::{Location, Sides};
use assize::verdict::CheckVerdict;
use chrono::TimeDelta;
use proptest::prelude::*;

/// One second of a ride: power, cadence and right share of the reference, relative and absolute error of the unit.
type Second = [f64; 5];

/// Seconds, and which of them unit and reference lost: one each, as a reference must cover 95 % of its window.
fn seconds() -> impl Strategy<Value = (Vec<Second>, [usize; 2])> {
    let second = [60.0..900.0_f64, 40.0..130.0_f64, 42.0..58.0_f64, -0.06..0.06_f64, -8.0..8.0_f64];
    (proptest::collection::vec(second, 30..240), [0..400_usize, 0..400_usize])
}

fn trace(label: &str, columns: [Vec<Option<f64>>; 3]) -> Trace {
    let n = columns[0].len();
    let [power_w, cadence_rpm, right_share_pct] = columns;
    let clock = Clock {
        offset_s: 0.0,
        drift_ppm: 0.0,
        standard_uncertainty_s: 0.2,
        aligned_on: AlignedOn::SessionClock,
        also: vec![],
        apart: vec![],
        reset: None,
        windows: vec![],
    };
    Trace {
        power_w,
        cadence_rpm,
        right_share_pct,
        ..Trace::without_values(label, Location::Pedals, Sides::Both, clock, n)
    }
}

/// A unit of a gain and an offset beside one reference of ±1.5 %.
fn ride((seconds, lost): &(Vec<Second>, [usize; 2]), gain: f64) -> Ride {
    let column = |lost: usize, f: &dyn Fn(&Second) -> f64| -> Vec<Option<f64>> {
        seconds.iter().enumerate().map(|(i, s)| (i != lost).then(|| f(s))).collect()
    };
    let of_unit: [&dyn Fn(&Second) -> f64; 3] =
        [&|s| (gain * s[0] * (1.0 + s[3]) + s[4]).max(1.0), &|s| s[1] + s[4] / 10.0, &|s| s[2] + s[4] / 4.0];
    let of_reference: [&dyn Fn(&Second) -> f64; 3] = [&|s| s[0], &|s| s[1], &|s| s[2]];
    let unit = trace("unit 017", of_unit.map(|f| column(lost[0], f)));
    let reference = trace("pedal pair P", of_reference.map(|f| column(lost[1], f)));
    let reference = ReferenceTrace {
        trace: reference,
        carried_by: 1.0,
        uncertainty: Bound::single(1.5, Unit::Percent),
        loss_standard_pct: 0.0,
    };
    let start = chrono::DateTime::UNIX_EPOCH;
    Ride { start, length_s: seconds.len(), unit, references: vec![reference], edges: vec![], gears: vec![] }
}

fn scaled(mut ride: Ride, factor: f64) -> Ride {
    for trace in [&mut ride.unit, &mut ride.references[0].trace] {
        trace.power_w.iter_mut().flatten().for_each(|power_w| *power_w *= factor);
    }
    ride
}

fn swapped(mut ride: Ride) -> Ride {
    std::mem::swap(&mut ride.unit, &mut ride.references[0].trace);
    ride
}

fn check(measure: Measure, unit: Unit) -> Check {
    Check { measure, limit: Limit::Within(Bound::single(5.0, unit)), advisory: false, clause: None, over_s: None }
}

const ERRORS: [Measure; 4] = [Measure::WorkError, Measure::Spread, Measure::LeftError, Measure::RightError];

fn values(ride: &Ride, unit: Unit) -> Vec<Value> {
    let checks: Vec<Check> =
        ERRORS.iter().map(|m| check(*m, unit)).chain([check(Measure::CadenceError, Unit::Rpm)]).collect();
    let scored = score_whole_ride(ride, &checks, 0.95).whole_ride;
    scored.into_iter().map(|Scored { measured, .. }| measured.unwrap_or_else(|why| panic!("{why:?}"))).collect()
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * (1.0 + a.abs().max(b.abs()))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn scaling_unit_and_reference_together_leaves_relative_errors_and_what_blurs_them(
        seconds in seconds(), gain in 0.9..1.1_f64, factor in 0.3..3.0_f64,
    ) {
        let ride = ride(&seconds, gain);
        let (before, after) = (values(&ride, Unit::Percent), values(&scaled(ride, factor), Unit::Percent));
        for (b, a) in before.iter().zip(&after) {
            prop_assert!(near(b.value, a.value), "{b:?} {a:?}");
            // A reading's last digit does not grow with it.
            let part = |v: &Value| v.budget.part(|source| source != Source::Resolution);
            prop_assert!(near(part(b), part(a)), "{b:?} {a:?}");
        }
    }

    #[test]
    fn swapping_unit_and_reference_turns_the_sign_in_watts_and_inverts_the_ratio_in_per_cent(
        seconds in seconds(), gain in 0.9..1.1_f64,
    ) {
        let ride = ride(&seconds, gain);
        let back = swapped(ride.clone());
        for (of, against) in values(&ride, Unit::Watt).iter().zip(&values(&back, Unit::Watt)) {
            // The farther limit of agreement has no sign.
            let turned = if of.agreement.is_some() { against.value } else { -against.value };
            prop_assert!(near(of.value, turned), "{of:?} {against:?}");
        }
        // e' = −e/(1 + e): each error is a share of the other's mean. A limit of agreement is no ratio of means.
        for (i, (of, against)) in values(&ride, Unit::Percent).iter().zip(&values(&back, Unit::Percent)).enumerate() {
            if of.unit == Unit::Percent && ERRORS[i] != Measure::Spread {
                prop_assert!(near((1.0 + of.value / 100.0) * (1.0 + against.value / 100.0), 1.0), "{of:?} {against:?}");
            }
        }
    }

    #[test]
    fn doubling_a_line_of_a_budget_never_narrows_it(
        scatter in 0.01..5.0_f64, nu in 1.0..12.0_f64, others in proptest::collection::vec(0.0..5.0_f64, 0..6),
        coverage in 0.8..0.99_f64, which in any::<proptest::sample::Index>(),
    ) {
        let sources = [
            Source::ReferenceGain, Source::ChainLoss, Source::RingLoss, Source::Clock, Source::SamplingPhase, Source::Mass,
        ];
        let mut budget = Budget(vec![Line::scatter(scatter, nu)]);
        others.iter().zip(sources).for_each(|(u, source)| budget.push(Line::b(source, *u)));
        let before = budget.combine(coverage).expanded();
        let line = which.index(budget.0.len());
        budget.0[line].standard_uncertainty *= 2.0;
        let after = budget.combine(coverage).expanded();
        prop_assert!(after >= before * (1.0 - 1e-12), "{before} {after} {budget:?}");
    }
}

fn all_checks(judgement: &Judgement) -> Vec<&CheckVerdict> {
    let v = &judgement.verdict;
    let of_phases = v.phases.iter().flat_map(|p| &p.checks).chain(v.repeats.iter().flat_map(|r| &r.checks));
    of_phases.chain(&v.contrasts).chain(&v.whole_ride).collect()
}

fn rehearsed(seed: u64, faults: &[&str]) -> Rehearsal {
    let plan = RehearsalPlan { habits: RideHabits::varied(seed), ..common::plan(seed, faults) };
    simulate(&common::shipped("short-check.yaml"), &plan)
}

const FAULTS: [&[&str]; 4] = [&[], &["gain=-5"], &["late-wake=2.5"], &["side-short=110@left,2/3"]];

/// The phase's limits made so that each of its checks fails, or none.
fn with_limits(rehearsal: &Rehearsal, phase: usize, part: Part, fails: bool) -> Judgement {
    let mut rehearsal = rehearsal.clone();
    let protocol: &mut Protocol = rehearsal.session.protocol.as_mut().expect("a rehearsal has a protocol");
    protocol.phases[phase].part = part;
    for check in &mut protocol.phases[phase].checks {
        let far = if fails { -1e9 } else { 1e9 };
        let unit = match &check.limit {
            Limit::Within(b) | Limit::AtMost(b) | Limit::AtLeast(b) => b.parts[0].unit,
            _ => Unit::Second,
        };
        check.limit = Limit::AtMost(Bound::single(far, unit));
    }
    common::judge(&rehearsal)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    /// By whole seconds, as two clocks differ that both count them: a fraction moves the unit's samples on the ride.
    #[test]
    fn a_constant_offset_of_the_units_clock_changes_nothing_once_aligned(
        seed in 1..5000_u64, fault in proptest::sample::select(&FAULTS[..]), offset_s in -120..120_i64,
    ) {
        let rehearsal = rehearsed(seed, fault);
        let mut moved = rehearsal.clone();
        let unit = &rehearsal.session.units[0].instrument.recordings;
        for recording in moved.recordings.iter_mut().filter(|r| unit.contains(&r.file)) {
            // Laps, timer and samples count from it.
            recording.start += TimeDelta::seconds(offset_s);
        }
        let (before, after) = (common::judge(&rehearsal), common::judge(&moved));
        prop_assert_eq!(before.verdict.verdict, after.verdict.verdict);
        let (before, after) = (all_checks(&before), all_checks(&after));
        prop_assert_eq!(before.len(), after.len());
        for (b, a) in before.into_iter().zip(after) {
            prop_assert_eq!((&b.measure, b.verdict, b.value.is_some()), (&a.measure, a.verdict, a.value.is_some()));
            if let (Some(before), Some(after)) = (b.value, a.value) {
                let within = 1e-6 * (1.0 + before.abs());
                prop_assert!((before - after).abs() <= within, "{b:?} {a:?}");
            }
        }
    }

    #[test]
    fn an_advisory_phase_never_changes_the_verdict_and_a_required_one_does(
        seed in 1..5000_u64, fault in proptest::sample::select(&FAULTS[..]), phase in any::<proptest::sample::Index>(),
    ) {
        let rehearsal = rehearsed(seed, fault);
        let phases = &rehearsal.session.protocol.as_ref().expect("a protocol").phases;
        let checked: Vec<usize> = (0..phases.len()).filter(|&i| !phases[i].checks.is_empty()).collect();
        let phase = checked[phase.index(checked.len())];
        let verdict = |part, fails| with_limits(&rehearsal, phase, part, fails).verdict;
        let (failing, passing) = (verdict(Part::Advisory, true), verdict(Part::Advisory, false));
        prop_assert!(failing.counts.failed > passing.counts.failed);
        prop_assert_eq!(failing.verdict, passing.verdict);
        prop_assert_eq!(verdict(Part::Required, true).verdict, Some(assize::verdict::Outcome::Fail));
    }
}
