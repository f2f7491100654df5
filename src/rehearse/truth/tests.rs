use std::collections::BTreeSet;

use proptest::prelude::*;

use super::super::tests::{hold, phase};
use super::super::{BENCHES, FAULT_KINDS, Fault, FaultEffect, Instruments, RehearsalPlan, RideHabits, simulate};
use super::file::{TrueValue, TruthFile};
use super::measures::truth_of;
use crate::protocol::{Check, Contrast, Drill, Measure, Phase, Protocol, Ring, Selector, Side, Target};
use crate::quantity::{Bound, Limit, Range, Unit};
use crate::session::Sides;

/// Every measure, the power errors held in watts, so that none hangs on a per cent of nothing.
fn all_checks() -> Vec<Check> {
    let check = |measure: &Measure| {
        let limit = Limit::Within(Bound::single(1.0, truth_of(*measure).unit));
        Check { measure: *measure, limit, advisory: false, clause: None, over_s: None }
    };
    Measure::ALL.iter().map(check).collect()
}

/// Blocks at two or three powers on one ring or both, and each other drill so many times.
fn protocol(powers_w: &[f64], rings: &[Ring], repeats: u32) -> Protocol {
    let mut protocol = super::super::tests::bench_trial();
    let target = |power_w| Target::Value(power_w);
    let mut phases = vec![];
    for (i, power_w) in powers_w.iter().enumerate() {
        for ring in rings.iter().cycle().skip(i).take(rings.len()) {
            let power = format!("{power_w} W");
            let lasts_s = Range::at_least(70.0);
            let drill = Drill::Steady { power_w: target(*power_w), lasts_s, settle_s: 10.0 };
            phases.push(Phase {
                ring: Some(*ring),
                ..phase("steady", &[("ring", ring.word()), ("power", &power)], drill)
            });
        }
    }
    let recover_s = Some(Range::between(20.0, 30.0));
    let (effort_w, lasts_s) = (Range::at_least(500.0), Range::between(6.0, 9.0));
    let sprint = phase("sprint", &[], Drill::Sprint { effort_w, lasts_s, recover_s });
    let lead_in = hold(target(200.0), 6.5, 8.0);
    let restart = hold(Target::Within(Range::at_least(300.0)), 5.0, 9.0);
    let coast_s = Range::between(6.0, 11.0);
    let coast = phase("coast", &[], Drill::CoastRestart { lead_in, coast_s, restart, recover_s });
    let (surge, soft) = (hold(target(300.0), 8.0, 10.0), hold(target(60.0), 15.0, 20.0));
    let soft = phase("soft", &[], Drill::SoftPedal { surge, soft, recover_s });
    let ramp = phase("ramp", &[], Drill::Ramp { steps_w: vec![80.0, 160.0, 240.0], each_s: 25.0, settle_s: 8.0 });
    phases.extend([sprint, coast, soft].map(|p| Phase { repeats, ring: Some(rings[0]), ..p }));
    let loads = Drill::StaticLoad { loads_kg: vec![5.0, 10.0, 5.0], sides: vec![Side::Left], angles_deg: vec![] };
    phases.extend([ramp, phase("zero", &[], Drill::ZeroCheck), phase("loads", &[], loads)]);
    for phase in &mut phases {
        phase.checks = all_checks();
    }
    let selector = |ring: Ring| Selector {
        name: "steady".to_owned(),
        keys: vec![("ring".to_owned(), ring.word().to_owned())],
        repeat: None,
    };
    protocol.contrasts = vec![Contrast {
        name: "ring-shift".to_owned(),
        of: selector(Ring::Small),
        against: selector(Ring::Big),
        measure: Measure::MeanError,
        limit: Limit::Within(Bound::single(1.0, Unit::Percent)),
        advisory: false,
    }];
    protocol.whole_ride = all_checks();
    protocol.needs.warm_up_s = Some(60.0);
    protocol.phases = phases;
    protocol
}

fn any_protocol() -> impl Strategy<Value = Protocol> {
    let powers_w = prop::sample::subsequence(vec![100.0, 160.0, 220.0], 2..=3);
    let rings = prop::sample::subsequence(vec![Ring::Big, Ring::Small], 1..=2);
    (powers_w, rings, 1_u32..=3).prop_map(|(powers_w, rings, repeats)| protocol(&powers_w, &rings, repeats))
}

fn truth(protocol: &Protocol, seed: u64, faults: &[Fault]) -> TruthFile {
    let plan = RehearsalPlan {
        faults: faults.to_vec(),
        instruments: Instruments::Ideal,
        habits: RideHabits::varied(seed),
        ..RehearsalPlan::new(seed)
    };
    simulate(protocol, &plan).truth_file()
}

fn values(truth: &TruthFile) -> Vec<&TrueValue> {
    let phases = truth.phases.iter().flat_map(|p| &p.checks);
    let repeats = truth.repeats.iter().flat_map(|r| &r.checks);
    phases.chain(repeats).chain(truth.contrasts.iter().map(|c| &c.check)).chain(&truth.whole_ride).collect()
}

/// Measures whose truth differs somewhere.
fn moved(sound: &TruthFile, faulty: &TruthFile) -> BTreeSet<Measure> {
    let differ = |(a, b): &(&TrueValue, &TrueValue)| match (a.value, b.value) {
        (Some(a), Some(b)) => (a - b).abs() > 1e-9,
        (a, b) => a.is_some() != b.is_some(),
    };
    let pairs = values(sound).into_iter().zip(values(faulty));
    pairs.filter(differ).map(|(a, _)| Measure::from_word(&a.measure).unwrap()).collect()
}

/// Each kind as it is listed, and some with a place or a share.
fn any_fault() -> impl Strategy<Value = Fault> {
    let placed = ["gain=3@P", "late=2@T", "gain=2@1/3", "offset=-4@left", "ring-offset=5@small,1/2", "late=2@0.5"];
    let forms = FAULT_KINDS.iter().map(|kind| kind.form).chain(placed).collect::<Vec<_>>();
    prop::sample::select(forms).prop_map(|form| form.parse().unwrap())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn ideal_instruments_without_a_fault_have_no_error_in_any_measure(
        protocol in any_protocol(),
        seed in any::<u32>(),
    ) {
        for value in values(&truth(&protocol, u64::from(seed), &[])) {
            match (value.measure.as_str(), value.value) {
                // Nothing reads above the largest around it; the display's own shift is no error.
                ("spike", Some(spike_w)) => prop_assert!(spike_w <= 0.0, "{spike_w}"),
                ("zero_shift", shift) => prop_assert!(shift.is_none_or(|shift| shift == 2.0)),
                (_, Some(error)) => prop_assert_eq!(error, 0.0, "{}", &value.measure),
                (_, None) => {}
            }
            prop_assert!(!value.at_least);
        }
    }

    #[test]
    fn a_fault_moves_the_truth_of_no_measure_but_its_own(
        protocol in any_protocol(),
        seed in any::<u32>(),
        fault in any_fault(),
    ) {
        let seed = u64::from(seed);
        let own = fault.measures_that_it_moves();
        let moved = moved(&truth(&protocol, seed, &[]), &truth(&protocol, seed, std::slice::from_ref(&fault)));
        let strangers: Vec<_> = moved.difference(&own).collect();
        prop_assert!(strangers.is_empty(), "{fault} moves {strangers:?}");
    }
}

#[test]
fn each_fault_moves_the_truth_of_each_of_its_measures() {
    let protocol = protocol(&[100.0, 160.0, 220.0], &[Ring::Big, Ring::Small], 3);
    for kind in FAULT_KINDS {
        // In every repeat, so that each kind of edge is struck; lateness of less than two seconds never reaches into
        // what is read while coasting, and of less than five is no spike.
        let fault: Fault = match kind.kind {
            FaultEffect::Late => "late=7",
            FaultEffect::HeldReading => "held-reading=7",
            FaultEffect::Spike => "spike=400",
            FaultEffect::Stuck => "stuck=5",
            _ => kind.form,
        }
        .parse()
        .unwrap();
        let moved_by =
            |seed| moved(&truth(&protocol, seed, &[]), &truth(&protocol, seed, std::slice::from_ref(&fault)));
        // A short coast, a dropout at its place: some are moved in some rides only.
        let moved: BTreeSet<Measure> = (1..=4).flat_map(moved_by).collect();
        assert_eq!(moved, fault.measures_that_it_moves(), "{fault}");
    }
}

/// The value of a measure in the phases so named.
fn of(truth: &TruthFile, phase: &str, measure: Measure) -> Vec<f64> {
    let checks = truth.phases.iter().filter(|p| p.phase.starts_with(phase)).flat_map(|p| &p.checks);
    checks.filter(|c| c.measure == measure.word()).filter_map(|c| c.value).collect()
}

#[test]
fn the_truth_of_a_fault_is_of_its_size() {
    let protocol = protocol(&[100.0, 220.0], &[Ring::Big, Ring::Small], 2);
    let near = |fault: &str, phase: &str, measure: Measure, expected: &[f64], within: f64| {
        let values = of(&truth(&protocol, 9, &[fault.parse().unwrap()]), phase, measure);
        assert!(!values.is_empty(), "{fault}: no {measure:?}");
        for value in values {
            let distance = expected.iter().map(|e| (value - e).abs()).fold(f64::INFINITY, f64::min);
            assert!(distance <= within, "{fault}: {measure:?} {value}, not of {expected:?}");
        }
    };
    near("offset=-4", "steady", Measure::MeanError, &[-4.0], 1e-9);
    near("offset=-4", "steady", Measure::LeftError, &[-2.0], 1e-9);
    near("ring-offset=-14@big", "steady", Measure::MeanError, &[-14.0, 0.0], 1e-9);
    near("late=1.5", "coast", Measure::ReleaseLag, &[1.5], 0.02);
    near("late=1.5", "coast", Measure::CadenceOnsetLag, &[1.5], 0.05);
    near("late-cadence=2", "coast", Measure::CadenceReleaseLag, &[2.0], 0.02);
    near("late-cadence=2", "coast", Measure::OnsetLag, &[0.0], 0.0);
    near("held-reading=3", "coast", Measure::ReleaseLag, &[3.0], 0.2);
    // It counts from the first turn, before half of the step, and lasts until a turn ends.
    near("late-wake=2.5", "coast", Measure::OnsetLag, &[2.5], 0.8);
    near("soft-dropout=0.3", "soft", Measure::MeanError, &[0.0], 1e-9);
}

#[test]
fn a_drift_is_told_from_rings_and_gain() {
    let protocol = protocol(&[100.0, 160.0, 220.0], &[Ring::Big, Ring::Small], 1);
    let value = |drift: &str, measure: Measure| {
        let faults = ["gain=2", "ring-offset=-14@big", drift].map(|fault| fault.parse().unwrap());
        let truth = truth(&protocol, 3, &faults);
        truth.whole_ride.iter().find(|c| c.measure == measure.word()).unwrap().value.unwrap()
    };
    // A reading is that of the turn before it, so a chunk's drift is that of its turns.
    assert!((value("drift=6", Measure::DriftTime) - 6.0).abs() < 0.05);
    assert!((value("temperature-drift=3", Measure::DriftTemperature) - 3.0).abs() < 0.05);
}

#[test]
fn wherever_it_is_worn_a_sound_unit_reads_what_an_ideal_one_there_would() {
    let protocol = protocol(&[100.0, 220.0], &[Ring::Big, Ring::Small], 1);
    for listed in BENCHES {
        let plan = RehearsalPlan { bench: (listed.bench)(), instruments: Instruments::Ideal, ..RehearsalPlan::new(4) };
        let doubled = plan.bench.unit.sides == Sides::LeftDoubled;
        let truth = simulate(&protocol, &plan).truth_file();
        for error_w in of(&truth, "steady", Measure::MeanError) {
            // A hub is smoothed; a doubled side differs by twice what the sides do.
            assert!(if doubled { error_w.abs() > 0.05 } else { error_w.abs() < 0.3 }, "{}: {error_w}", listed.word);
        }
        let sided = plan.bench.unit.sides == Sides::Both || doubled;
        assert_eq!(of(&truth, "steady", Measure::LeftError), vec![0.0; if sided { 4 } else { 0 }], "{}", listed.word);
    }
}

#[test]
fn a_unit_that_never_lets_go_has_a_bound_and_no_onset() {
    let protocol = protocol(&[100.0, 220.0], &[Ring::Big], 2);
    let truth = truth(&protocol, 2, &["held-reading=30".parse().unwrap()]);
    let of = |measure: Measure| {
        let coasts = truth.phases.iter().filter(|p| p.phase == "coast");
        coasts.flat_map(|p| &p.checks).filter(|c| c.measure == measure.word()).collect::<Vec<_>>()
    };
    assert!(of(Measure::ReleaseLag).iter().all(|c| c.at_least && c.value.is_some_and(|lag_s| lag_s > 4.0)));
    assert!(of(Measure::OnsetLag).iter().all(|c| c.value.is_none()));
}
