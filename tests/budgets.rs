//! Budgets, references and the control channel on rehearsed sessions, where the truth is known.

use crate::common;
use crate::common::gate;
use std::collections::BTreeMap;

use assize::internals::rehearse::{BENCHES, Rehearsal, RehearsalPlan, RideHabits, RideSetting, simulate};
use assize::judge::Judgement;
use assize::protocol::{self, Protocol};
use assize::quantity::{Bound, Unit};
use assize::recording::Recording;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::{CheckVerdict, Outcome, PhaseVerdict};
use rayon::prelude::*;

const LEVEL: f64 = 0.999;

/// Everything on both rings, so that any measure can be contrasted.
const TWICE: &str = r#"
assize: 1
title: Everything on both rings
revision: "1"
setting: indoor
needs: {references: 1}
phases:
  - {phase: warm-up, drill: free, lasts: 5..6 min}
  - phase: steady
    drill: steady
    for_each: {ring: [big, small], power: [150 W, 220 W]}
    cadence: 80..95 rpm
    lasts: 3 min
    settle: 30 s
    recover: 30..60 s
    checks: {mean_error: within 3 % or 5 W, cadence_error: within 2 rpm, spread: within 30 %}
  - phase: sprints
    drill: sprint
    for_each: {ring: [big, small]}
    repeat: 4
    effort: at least 500 W
    lasts: 6..10 s
    recover: 60..75 s
    checks: {work_error: within 9 %, left_error: within 9 %}
  - phase: stops
    drill: coast_restart
    for_each: {ring: [big, small]}
    repeat: 4
    lead_in: 180 W for 15 s
    coast: 7..10 s
    restart: at least 250 W for 5..8 s
    recover: 15..25 s
    checks: {release_lag: at most 3 s, onset_lag: at most 3 s}
"#;

const CONTRASTED: [(&str, &str, &str); 7] = [
    ("steady", "mean_error", "within 1.5 % or 3 W"),
    ("steady", "cadence_error", "within 1 rpm"),
    ("sprints", "work_error", "within 9 %"),
    ("sprints", "left_error", "within 9 %"),
    ("sprints", "peak_error", "within 9 %"),
    ("stops", "release_lag", "within 1.5 s"),
    ("stops", "onset_lag", "within 1.5 s"),
];

fn loaded(text: &str) -> Result<Protocol, String> {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("protocol.yaml");
    std::fs::write(&file, text).unwrap();
    protocol::load(&file, None).map_err(|problems| problems.to_string())
}

/// The protocol with these contrasts between its rings.
fn contrasts(of: &[(&str, &str, &str)]) -> String {
    let line = |(phase, measure, limit): &(&str, &str, &str)| {
        format!(
            "  - {{contrast: {measure}, of: '{phase}[ring=small]', against: '{phase}[ring=big]', measure: {measure}, limit: {limit}}}\n"
        )
    };
    TWICE.to_owned() + "contrasts:\n" + &of.iter().map(line).collect::<String>()
}

#[test]
fn every_measure_with_an_uncertainty_can_be_contrasted_and_covers_the_truth() {
    let protocol = loaded(&contrasts(&CONTRASTED)).unwrap();
    let session = |seed: u64| {
        let plan =
            RehearsalPlan { habits: RideHabits::varied(seed), ..common::plan(seed, &["ring-offset=-8@big", "gain=3"]) };
        let rehearsal = simulate(&protocol, &plan);
        let judgement = common::judge(&rehearsal);
        for contrast in &judgement.verdict.contrasts {
            let has = |source: &str| {
                contrast.budget.iter().any(|line| line.source == source && line.standard_uncertainty > 0.0)
            };
            assert!(contrast.value.is_some() && contrast.expanded_uncertainty.unwrap() > 0.0, "{contrast:?}");
            // What of a gain is left is the difference of two reference powers' statements, in per cent a trifle.
            let gain = contrast.budget.iter().find(|line| line.source == "reference gain");
            assert!(gain.is_none_or(|line| line.standard_uncertainty < 0.1), "{contrast:?}");
            assert!(has("scatter"), "{contrast:?}");
            assert!(!(contrast.measure.ends_with("lag") && has("clock and strap delay")), "{contrast:?}");
        }
        let all = gate::observations(&gate::beside_truth(&rehearsal, &judgement), &judgement);
        all.into_iter().filter(|o| CONTRASTED.iter().any(|c| o.what.split(' ').next() == Some(c.1))).collect::<Vec<_>>()
    };
    let sessions = 60;
    let all: Vec<gate::Observation> = (1..=sessions).into_par_iter().flat_map_iter(session).collect();
    let mut by: BTreeMap<String, (u64, u64)> = BTreeMap::new();
    for one in &all {
        let count = by.entry(one.what.clone()).or_default();
        *count = (count.0 + u64::from(one.covered()), count.1 + 1);
    }
    println!("{by:#?}");
    assert_eq!(by.len(), CONTRASTED.len(), "{by:?}");
    for (what, (hits, n)) in by {
        assert!(n > sessions / 2, "{what}: {n} values");
        assert!(clopper_pearson(hits, n, LEVEL, Sides::Upper).1 >= 0.93, "{what}: {hits} of {n}");
    }
}

#[test]
fn a_measure_without_a_contrast_is_refused_with_the_reason() {
    for (phase, measure, limit, why) in [
        ("steady", "spread", "within 9 %", "both sides of the error"),
        ("steady", "dropout_time", "none", "counted"),
        ("steady", "spike", "at most 50 W", "largest of many"),
    ] {
        let refused = loaded(&contrasts(&[(phase, measure, limit)])).unwrap_err();
        assert!(refused.contains(measure) && refused.contains("no contrast") && refused.contains(why), "{refused}");
    }
}

fn phase<'a>(judgement: &'a Judgement, name: &str) -> &'a PhaseVerdict {
    judgement.verdict.phases.iter().find(|p| p.phase.starts_with(name)).unwrap()
}

fn check<'a>(phase: &'a PhaseVerdict, measure: &str) -> &'a CheckVerdict {
    phase.checks.iter().find(|c| c.measure == measure).unwrap()
}

#[test]
fn a_spread_shows_both_limits_with_their_uncertainty() {
    let protocol = loaded(TWICE).unwrap();
    let judgement = common::rehearse_and_judge(&protocol, 3, &["gain=4"]);
    let spread = check(phase(&judgement, "steady"), "spread");
    let limits = spread.limits_of_agreement.unwrap();
    assert_eq!(spread.value, Some(limits.high.max(-limits.low)));
    assert_eq!(spread.expanded_uncertainty, Some(limits.expanded_uncertainty));
    let mean = check(phase(&judgement, "steady"), "mean_error").value.unwrap();
    assert!(((limits.low + limits.high) / 2.0 - mean).abs() < 1e-9 && limits.low < mean && mean < limits.high);
    let judgement = common::rehearse_and_judge(&protocol, 3, &["gain=-4"]);
    // A unit that reads low has its farther limit below; it is held against the limit all the same.
    let spread = check(phase(&judgement, "steady"), "spread");
    assert!(spread.value.unwrap() == -spread.limits_of_agreement.unwrap().low);
}

/// Samples of a recording in the scored window of the first ride of a phase, from its middle or from its start on.
fn samples_in(rehearsal: &Rehearsal, recording: usize, name: &str, from_middle: Option<f64>) -> Vec<usize> {
    let protocol = rehearsal.session.protocol.as_ref().unwrap();
    let named = |index: usize| protocol.phases[index].id.to_string().starts_with(name);
    let window = rehearsal.truth.ridden.iter().find(|r| named(r.phase_index)).unwrap().window;
    let middle_s = (window.start_s + window.end_s) / 2.0;
    let span_s = from_middle.map_or(window.start_s..window.end_s, |seconds| middle_s..middle_s + seconds);
    let Recording { start, samples, .. } = &rehearsal.recordings[recording];
    let inside = |i: &usize| {
        let shown = *start + chrono::TimeDelta::milliseconds((samples.time_s[*i] * 1000.0).round() as i64);
        rehearsal.truth.true_s(recording, shown).is_some_and(|true_s| span_s.contains(&true_s))
    };
    (0..samples.time_s.len()).filter(inside).collect()
}

#[test]
fn seconds_without_the_strap_are_set_aside_and_over_a_tenth_of_a_window_nothing_is_decided() {
    let protocol = loaded(TWICE).unwrap();
    // The scored window has 150 s.
    for (seed, lost_s, decided) in [(1, 8, true), (2, 12, true), (1, 19, false), (2, 40, false)] {
        let mut rehearsal = simulate(&protocol, &common::plan(seed, &[]));
        for i in samples_in(&rehearsal, 0, "steady", Some(f64::from(lost_s))) {
            rehearsal.recordings[0].samples.power_w[i] = None;
            rehearsal.recordings[0].samples.heart_rate_bpm[i] = None;
        }
        let judgement = common::judge(&rehearsal);
        let steady = phase(&judgement, "steady");
        let mean = check(steady, "mean_error");
        let says = mean.reason.clone().unwrap_or_default();
        assert_eq!(mean.verdict == Outcome::Pass, decided, "{lost_s} s: {says}");
        assert_eq!(mean.value.is_some(), decided);
        assert!(says.contains(&lost_s.to_string()) && says.contains("strap"), "{lost_s} s: {says}");
    }
}

/// A trainer that slips in one block of steady riding and reads right in the others.
#[test]
fn references_that_part_in_one_phase_leave_that_phase_undecided_and_no_other() {
    let protocol = common::shipped("bench-both-rings.yaml");
    let plan = |seed| RehearsalPlan { habits: RideHabits::varied(seed), ..common::plan(seed, &[]) };
    let undecided = |judgement: &Judgement| -> Vec<String> {
        let here = |c: &CheckVerdict| c.reason.as_ref().is_some_and(|r| r.contains("differ here"));
        let phases = judgement.verdict.phases.iter().filter(|p| p.checks.iter().any(here));
        phases.map(|p| p.phase.clone()).collect()
    };
    let mut rehearsal = simulate(&protocol, &plan(5));
    assert_eq!(undecided(&common::judge(&rehearsal)), Vec::<String>::new());
    for i in samples_in(&rehearsal, 2, "steady[", None) {
        let power_w = &mut rehearsal.recordings[2].samples.power_w[i];
        *power_w = power_w.map(|power_w| power_w * 0.94);
    }
    let first = rehearsal.truth.ridden.iter().map(|r| protocol.phases[r.phase_index].id.to_string());
    let name = first.into_iter().find(|name| name.starts_with("steady[")).unwrap();
    assert_eq!(undecided(&common::judge(&rehearsal)), [name]);
    let honest = (101..=140_u64)
        .into_par_iter()
        .filter(|seed| !undecided(&common::judge(&simulate(&protocol, &plan(*seed)))).is_empty());
    assert!(honest.count() <= 6, "honest references part too often");
}

#[test]
fn a_doubled_side_is_judged_by_the_total_and_informed_of_what_it_senses() {
    let protocol = loaded(TWICE).unwrap();
    let bench = (BENCHES.iter().find(|b| b.word == "left-unit").unwrap().bench)();
    let judgement = common::judge(&simulate(&protocol, &RehearsalPlan { bench, ..common::plan(4, &[]) }));
    let steady = phase(&judgement, "steady");
    assert!(check(steady, "mean_error").required);
    let sensed = check(steady, "left_error");
    assert!(!sensed.required && sensed.value.is_some());
    assert_eq!(steady.verdict, check(steady, "mean_error").verdict);
    // Against the side that it senses it is as right as any.
    assert_eq!(sensed.verdict, Outcome::Pass, "{sensed:?}");
}

/// A reference as good as the remedy asks for decides what was undecided.
#[test]
fn the_reference_that_a_remedy_asks_for_decides() {
    let protocol = loaded(TWICE).unwrap();
    let mut tried = 0;
    for seed in 1..=6 {
        let mut plan = common::plan(seed, &[]);
        plan.bench = (BENCHES.iter().find(|b| b.word == "pedals").unwrap().bench)();
        let mut rehearsal = simulate(&protocol, &plan);
        rehearsal.session.references[0].uncertainty = Bound::single(5.0, Unit::Percent);
        let judged = common::judge(&rehearsal);
        let wants = |c: &CheckVerdict| c.unit == "%" && c.remedy.as_ref().is_some_and(|r| r.contains("good to ±"));
        let all: Vec<(String, CheckVerdict)> = judged
            .verdict
            .phases
            .iter()
            .filter(|p| p.drill == "steady")
            .flat_map(|p| p.checks.iter().map(move |c| (p.phase.clone(), c.clone())))
            .filter(|(_, c)| c.measure == "mean_error" && wants(c))
            .collect();
        let Some((name, undecided)) = all.first() else { continue };
        let remedy = undecided.remedy.as_ref().unwrap();
        let number = remedy.split_once("good to ±").unwrap().1.split(' ').next().unwrap();
        let asked: f64 = number.parse().unwrap();
        rehearsal.session.references[0].uncertainty = Bound::single(asked, Unit::Percent);
        let again = common::judge(&rehearsal);
        let decided = check(phase(&again, name), "mean_error");
        assert_ne!(decided.verdict, Outcome::Undecided, "{remedy}: {decided:?}");
        tried += 1;
    }
    assert!(tried >= 3, "{tried}");
}

/// On the road a sprint begins from and ends in coasting; ± U holds the truth there too.
#[test]
fn work_of_sprints_on_the_road_covers_the_truth() {
    let protocol = common::shipped("bench-both-rings.yaml");
    let session = |seed: u64| {
        let plan =
            RehearsalPlan { setting: RideSetting::Road, habits: RideHabits::varied(seed), ..common::plan(seed, &[]) };
        let rehearsal = simulate(&protocol, &plan);
        let judgement = common::judge(&rehearsal);
        let all = gate::observations(&gate::beside_truth(&rehearsal, &judgement), &judgement);
        let sprint = |what: &str| what.contains("sprints work_error") || what.contains("restart missing_work");
        gate::one_each(seed, &all).into_iter().filter(|o| sprint(&o.what)).collect::<Vec<_>>()
    };
    let sessions: Vec<gate::Observation> = (1..=50_u64).into_par_iter().flat_map_iter(session).collect();
    let mut by: BTreeMap<String, (u64, u64)> = BTreeMap::new();
    for one in &sessions {
        let count = by.entry(one.what.clone()).or_default();
        *count = (count.0 + u64::from(one.covered()), count.1 + 1);
    }
    println!("{by:#?}");
    for (what, (hits, n)) in by {
        assert!(clopper_pearson(hits, n, LEVEL, Sides::Upper).1 >= 0.93, "{what}: {hits} of {n}");
    }
}
