//! The trials of a single-sided unit and on a rig: what their judge takes from hung masses and from sides.

use crate::common;
use assize::internals::against_truth;
use assize::internals::rehearse::{BENCHES, Instruments, RehearsalBench, RehearsalPlan, RideHabits, simulate};
use assize::judge::Judgement;
use assize::session;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::{CheckVerdict, Outcome};
use rayon::prelude::*;

const RIG: &str = "rig-ramp-and-loads.yaml";
const SINGLE: &str = "single-sided.yaml";
const FULL: &str = "bench-both-rings.yaml";

fn bench(word: &str) -> RehearsalBench {
    (BENCHES.iter().find(|kind| kind.word == word).unwrap().bench)()
}

fn judged(protocol: &str, word: &str, plan: RehearsalPlan) -> Judgement {
    common::judge(&simulate(&common::shipped(protocol), &RehearsalPlan { bench: bench(word), ..plan }))
}

fn ideal(seed: u64) -> RehearsalPlan {
    RehearsalPlan { instruments: Instruments::Ideal, ..RehearsalPlan::new(seed) }
}

fn varied(seed: u64, faults: &[&str]) -> RehearsalPlan {
    RehearsalPlan { habits: RideHabits { as_stated: true, ..RideHabits::varied(seed) }, ..common::plan(seed, faults) }
}

fn of_phase<'a>(judgement: &'a Judgement, phase: &str, measure: &str) -> Vec<&'a CheckVerdict> {
    let phases = judgement.verdict.phases.iter().filter(|p| p.phase.split('[').next() == Some(phase));
    phases.flat_map(|p| &p.checks).filter(|check| check.measure == measure).collect()
}

#[test]
fn an_ideal_unit_passes_both() {
    for seed in [1, 2] {
        for (protocol, word) in [(SINGLE, "left-unit"), (RIG, "both"), (RIG, "spider-unit")] {
            let plan = RehearsalPlan { bench: bench(word), ..ideal(seed) };
            let verdict = common::judge_ideal(&simulate(&common::shipped(protocol), &plan)).verdict;
            assert_eq!(verdict.verdict, Some(Outcome::Pass), "{protocol} {word} {seed}: {:?}", verdict.why);
            assert!(verdict.diagnosis.is_empty(), "{protocol}: {:?}", verdict.diagnosis);
        }
    }
}

#[test]
fn each_fails_what_its_drills_can_show() {
    let failed = |protocol: &str, word: &str, fault: &str| {
        let verdict = judged(protocol, word, varied(11, &[fault])).verdict;
        assert_eq!(verdict.verdict, Some(Outcome::Fail), "{protocol} {fault}: {:?}", verdict.why);
        verdict.diagnosis.iter().map(|finding| finding.pattern.clone()).collect::<Vec<_>>()
    };
    assert!(failed(SINGLE, "left-unit", "ring-offset=20@big").contains(&"ring-dependent".to_owned()));
    assert!(failed(SINGLE, "left-unit", "held-reading=5").contains(&"holds-reading-when-stopped".to_owned()));
    assert!(failed(SINGLE, "left-unit", "late-wake=3").contains(&"late-restart".to_owned()));
    assert!(failed(RIG, "both", "ring-offset=20@big").contains(&"ring-dependent".to_owned()));
    let rig = common::rehearse_and_judge(&common::shipped(RIG), 11, &["gain=8@left"]);
    assert_eq!(rig.verdict.verdict, Some(Outcome::Fail));
    assert!(of_phase(&rig, "masses-left", "torque_error").iter().all(|c| c.verdict == Outcome::Fail));
    assert!(of_phase(&rig, "masses-right", "torque_error").iter().all(|c| c.verdict == Outcome::Pass));
}

#[test]
fn where_the_total_is_told_the_side_that_is_sensed_decides() {
    let judgement = judged(SINGLE, "left-unit", varied(5, &[]));
    for (measure, required, applies) in
        [("mean_error", false, true), ("left_error", true, true), ("right_error", true, false)]
    {
        let checks = of_phase(&judgement, "steady", measure);
        assert_eq!(checks.len(), 8);
        assert!(checks.iter().all(|c| c.required == required), "{measure}");
        assert!(checks.iter().all(|c| (c.verdict != Outcome::NotApplicable) == applies), "{measure}");
    }
    // In the full trial the total is held to a limit, and the side informs.
    let full = judged(FULL, "left-unit", varied(5, &[]));
    assert!(of_phase(&full, "standing-sprints", "left_error").iter().all(|c| !c.required && c.value.is_some()));
}

/// A unit that senses the left leg is as good for a rider of the right as for any other.
#[test]
fn a_riders_balance_fails_no_sound_single_sided_unit() {
    let protocol = common::shipped(SINGLE);
    let mut totals = vec![];
    for seed in 21..=26 {
        let judgement =
            common::judge(&simulate(&protocol, &RehearsalPlan { bench: bench("left-unit"), ..ideal(seed) }));
        assert_eq!(judgement.verdict.verdict, Some(Outcome::Pass), "{seed}: {:?}", judgement.verdict.why);
        let steady = of_phase(&judgement, "steady", "mean_error");
        totals.push(steady.iter().filter_map(|c| c.value).sum::<f64>() / steady.len() as f64);
    }
    // The total is off by twice the rider's balance, another in each session.
    let (least, most) =
        (totals.iter().copied().fold(f64::MAX, f64::min), totals.iter().copied().fold(f64::MIN, f64::max));
    assert!(most - least > 1.0, "{totals:?}");
}

#[test]
fn typed_loads_are_written_and_read_back() {
    let dir = tempfile::tempdir().unwrap();
    let rehearsal = simulate(&common::shipped(RIG), &RehearsalPlan::new(4));
    assize::internals::rehearse::write(&rehearsal, dir.path()).unwrap();
    let read = session::load(&dir.path().join("session.yaml")).unwrap();
    assert_eq!(read.readings.loads.len(), 10);
    assert_eq!((&read.readings, &read.conditions), (&rehearsal.session.readings, &rehearsal.session.conditions));
}

/// Over many sessions with masses, cranks and gravity off by what a tester has, value ± U holds the truth as often as it
/// says.
#[test]
fn hung_masses_cover_the_truth() {
    let protocol = common::shipped(RIG);
    let inside = |seed: u64| {
        let rehearsal = simulate(&protocol, &varied(seed, &["gain=2"]));
        let verdict = common::judge(&rehearsal).verdict;
        let comparison = against_truth::compare(&verdict, &rehearsal.truth_file()).unwrap_or_else(|e| panic!("{e}"));
        let of = |phase: &str, measure: &str| {
            let phase = comparison.phases.iter().find(|p| p.phase == phase).unwrap();
            let value = phase.checks.iter().find(|c| c.measure == measure).unwrap();
            value.inside().unwrap_or_else(|| panic!("{phase:?}"))
        };
        // Both sides share masses and gravity: one of them is a session.
        [of("masses-left", "torque_error"), of("masses-right", "hysteresis")]
    };
    let sessions: Vec<[bool; 2]> = (1..=150_u64).into_par_iter().map(inside).collect();
    for (n, (what, most)) in [("torque_error", 0.995), ("hysteresis", 1.0)].into_iter().enumerate() {
        let hits = sessions.iter().filter(|inside| inside[n]).count() as u64;
        println!("{what}: {hits} of 150");
        assert!(clopper_pearson(hits, 150, 0.999, Sides::Upper).1 >= 0.95, "{what}: {hits}");
        assert!(clopper_pearson(hits, 150, 0.999, Sides::Lower).0 <= most, "{what}: {hits}");
    }
}
