//! The judge against known truth, small and with fixed seeds; `cargo bench --bench gate` is the large one.

use crate::common;
use crate::common::gate;
use std::collections::BTreeMap;
use std::sync::LazyLock;

use assize::internals::rehearse::{RehearsalPlan, RideHabits, simulate};
use assize::protocol::Protocol;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::Outcome;
use rayon::prelude::*;

const SESSIONS: u64 = 30;

/// Riders, noise, head units and straps differ from seed to seed.
fn varied(seed: u64, faults: &[&str]) -> RehearsalPlan {
    RehearsalPlan { habits: RideHabits::varied(seed), ..common::plan(seed, faults) }
}

type Observed = BTreeMap<String, Vec<gate::Observation>>;

fn observed(protocol: &Protocol, faults: &[&str]) -> Observed {
    let session = |seed: u64| {
        let rehearsal = simulate(protocol, &gate::varied(seed, faults));
        let judgement = common::judge(&rehearsal);
        gate::one_each(seed, &gate::observations(&gate::beside_truth(&rehearsal, &judgement), &judgement))
    };
    let sessions: Vec<_> = (1..=SESSIONS).into_par_iter().map(session).collect();
    let mut by = Observed::new();
    for observation in sessions.into_iter().flatten() {
        by.entry(observation.what.clone()).or_default().push(observation);
    }
    by
}

fn of_sound_units() -> &'static Observed {
    static OF_SOUND_UNITS: LazyLock<Observed> =
        LazyLock::new(|| observed(&gate::asked_more(common::shipped("bench-both-rings.yaml")), &[]));
    &OF_SOUND_UNITS
}

/// Value ± U holds the truth as often as is asked, as far as so many sessions can tell; what covers a fault that was put
/// in may be wider than it need be.
#[track_caller]
fn covers(by: &Observed, sound: bool) {
    for (what, of) in by {
        let (hits, n) = (of.iter().filter(|o| o.covered()).count() as u64, of.len() as u64);
        assert!(n > SESSIONS / 2, "{what}: only {n} values");
        let Some((least, most)) = gate::asked_coverage(what) else { continue };
        assert!(!gate::too_few(hits, n, least), "{what}: {hits} of {n} covered");
        assert!(!sound || !gate::too_many(hits, n, most), "{what}: {hits} of {n} covered");
    }
}

#[test]
fn every_expanded_uncertainty_covers_the_truth_of_sound_units() {
    let by = of_sound_units();
    assert!(by.len() >= 30, "{:?}", by.keys());
    covers(by, true);
}

#[test]
fn every_expanded_uncertainty_covers_the_truth_of_faulty_units() {
    let faults = ["gain=-4", "drift=8", "ring-offset=-14@big", "side-short=110@left,2/6"];
    covers(&observed(&common::shipped("bench-both-rings.yaml"), &faults), false);
}

/// A bias small enough to be covered is still a mistake of the method: over many sessions it does not average out.
#[test]
fn no_measure_is_biased_beyond_a_fifth_of_its_uncertainty() {
    for (what, of) in of_sound_units() {
        let n = of.len() as f64;
        let bias = of.iter().map(|o| o.value - o.truth).sum::<f64>() / n;
        let expanded = of.iter().map(|o| o.expanded).sum::<f64>() / n;
        // 3.3 standard errors of the mean of n values with u = U/2, beside a fifth of U.
        assert!(bias.abs() <= expanded * (0.2 + 3.3 / 2.0 / n.sqrt()), "{what}: {bias} of {expanded}");
    }
}

fn sound_outcomes(protocol: &str) -> (usize, usize) {
    let protocol = common::shipped(protocol);
    let outcome = |seed: u64| common::rehearse_and_judge(&protocol, seed, &[]).verdict.verdict;
    let outcomes: Vec<_> = (1..=25).into_par_iter().map(outcome).collect();
    let of = |outcome| outcomes.iter().filter(|o| **o == Some(outcome)).count();
    (of(Outcome::Pass), of(Outcome::Fail))
}

/// At least 85 % of sound units pass, as far as 25 sessions can tell, and none fails.
#[track_caller]
fn passes_sound_units(protocol: &str) {
    let (passed, failed) = sound_outcomes(protocol);
    let (_, high) = clopper_pearson(passed as u64, 25, gate::LEVEL, Sides::Upper);
    assert!(high >= 0.85 && failed == 0, "{protocol}: {passed} passed, {failed} failed");
}

#[test]
fn a_sound_unit_passes_the_bench_trial_and_never_fails_it() {
    passes_sound_units("bench-both-rings.yaml");
}

#[test]
fn a_sound_unit_passes_the_short_check_and_never_fails_it() {
    passes_sound_units("short-check.yaml");
}

/// The guarded rule passes a value at its limit in 2.5 % and fails one 2.2 U beyond in 99 %, as far as so many can tell.
#[test]
fn limits_at_the_truth_and_short_of_it_are_decided_as_the_rule_says() {
    let bench = gate::asked_more(common::shipped("bench-both-rings.yaml"));
    let session = |seed: u64| {
        let rehearsal = simulate(&bench, &gate::varied(seed, &["gain=9", "late=2.5", "ring-offset=-14@big"]));
        let judgement = common::judge(&rehearsal);
        let quarrel = judgement.verdict.reference_comparison.iter().any(|pair| pair.e_n > 1.0);
        let comparison = gate::beside_truth(&rehearsal, &judgement);
        [0.0, 2.2].map(|by| {
            let all = gate::decided_at(&rehearsal, &comparison, by);
            let (what, outcome) = all[gate::choose(seed, all.len())].clone();
            (what, outcome, quarrel)
        })
    };
    let all: Vec<_> = (1..=SESSIONS).into_par_iter().map(session).collect();
    let passed = all.iter().filter(|[at, _]| at.1 == Outcome::Pass).count() as u64;
    assert!(!gate::too_many(passed, SESSIONS, 0.025), "{all:?}");
    // References that quarrel decide nothing that hangs on their gain.
    let beyond: Vec<_> = all.iter().map(|[_, beyond]| beyond).filter(|beyond| !beyond.2).collect();
    let failed = beyond.iter().filter(|beyond| beyond.1 == Outcome::Fail).count() as u64;
    assert!(!gate::too_few(failed, beyond.len() as u64, 0.99), "{beyond:?}");
}

/// Sizes that the trade calls disqualifying. Common practice, no source.
#[test]
fn absolute_faults_fail() {
    let bench = common::shipped("bench-both-rings.yaml");
    for fault in gate::ABSOLUTE {
        let fails = |seed: &u64| {
            let judgement = common::judge(&simulate(&bench, &gate::varied(*seed, &[fault])));
            judgement.verdict.verdict == Some(Outcome::Fail)
        };
        let failed = (1..=6_u64).into_par_iter().filter(fails).count() as u64;
        assert!(!gate::too_few(failed, 6, 0.99), "{fault}: {failed} of 6");
    }
}

#[test]
fn limits_of_agreement_are_as_sure_as_they_say() {
    let further = gate::further();
    let beside = |seed: u64| {
        gate::spread_beside_long(&common::judge(&simulate(&further, &gate::in_step(gate::varied(seed, &[])))))
    };
    let all: Vec<gate::Observation> = (1..=30_u64).into_par_iter().filter_map(beside).collect();
    assert!(all.len() > 20);
    let hits = all.iter().filter(|o| o.covered()).count() as u64;
    assert!(!gate::too_few(hits, all.len() as u64, 0.93), "{all:?}");
}

/// Two short sprints of six widen what the other four say of their own scatter, so that one session in twenty may leave
/// the short side unnamed.
#[test]
fn three_faults_are_found_by_name_and_nothing_else_is_named() {
    let bench = common::shipped("bench-both-rings.yaml");
    let faults = ["ring-offset=-14@big", "side-short=110@left,2/6", "late-wake=2.5"];
    let expected = ["ring-dependent", "side-short-in-sprints", "late-restart"];
    let all_named = |seed: u64| {
        let judgement = common::rehearse_and_judge(&bench, seed, &faults);
        assert_eq!(judgement.verdict.verdict, Some(Outcome::Fail), "seed {seed}");
        let named = gate::named(&judgement);
        let sure = named.iter().filter(|name| **name != expected[1]);
        assert!(sure.eq([&expected[0], &expected[2]]), "seed {seed}: {named:?}");
        named == expected
    };
    assert!((1..=20_u64).into_par_iter().filter(|seed| all_named(*seed)).count() >= 19);
}

#[test]
fn a_sound_unit_does_not_fail_for_a_deaf_head_unit() {
    let bench = common::shipped("bench-both-rings.yaml");
    (1..=30_u64).into_par_iter().for_each(|seed| {
        let judgement = common::judge(&simulate(&bench, &varied(seed, &["radio-dropout=0.04"])));
        let failed = gate::not_passed(&judgement, Outcome::Fail);
        assert!(failed.is_empty(), "seed {seed}: {failed:?}");
        assert!(gate::named(&judgement).contains(&"radio-dropouts"), "seed {seed}");
    });
}

#[test]
fn a_doubled_side_is_told_from_a_head_unit_that_keeps_no_balance() {
    let bench = common::shipped("bench-both-rings.yaml");
    let named_doubled = |seed: u64, faults: &[&str]| {
        let mut rehearsal = simulate(&bench, &varied(seed, faults));
        rehearsal.recordings[0].samples.right_share_pct.fill(None);
        gate::named(&common::judge(&rehearsal)).contains(&"doubled-side")
    };
    let count = |faults: &[&str]| (1..=30_u64).into_par_iter().filter(|seed| named_doubled(*seed, faults)).count();
    // None of 330 sound units was called doubled in the large version.
    assert!(count(&[]) <= 1);
    assert!(count(&["doubled-side=left"]) >= 27);
}

/// Every case a few times: over all of them a pattern is named in 95 % of the sessions that have its fault, and another
/// one in 1 %, as far as so many sessions can tell. `cargo bench --bench diagnosis` is the large version.
#[test]
fn clear_faults_are_named_and_nothing_else_is() {
    let bench = common::shipped("bench-both-rings.yaml");
    let sessions: Vec<(&gate::Case, u64)> =
        gate::CASES.iter().flat_map(|case| (1..=2).map(move |seed| (case, seed))).collect();
    let judged = sessions.into_par_iter().map(|(case, seed)| {
        let judgement = common::judge(&case.rehearse(&bench, seed));
        let (expected, named) = (case.expected(), gate::named(&judgement));
        let hit = expected.is_none_or(|pattern| named.contains(&pattern));
        let wrong: Vec<&str> = named.into_iter().filter(|name| Some(*name) != expected).collect();
        (format!("{:?}, seed {seed}: {expected:?}, besides {wrong:?}", case.fault), hit, wrong.is_empty())
    });
    let judged: Vec<(String, bool, bool)> = judged.collect();
    let of = |good: fn(&(String, bool, bool)) -> bool, least: f64| {
        let bad: Vec<&String> = judged.iter().filter(|j| !good(j)).map(|j| &j.0).collect();
        let hits = (judged.len() - bad.len()) as u64;
        let (_, high) = clopper_pearson(hits, judged.len() as u64, gate::LEVEL, Sides::Upper);
        assert!(high >= least, "{bad:#?}");
    };
    of(|j| j.1, 0.95);
    of(|j| j.2, 0.99);
}
