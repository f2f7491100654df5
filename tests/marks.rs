//! Marks made while riding, as evidence: with known truth they help or do no harm, whatever their clock shows.

use crate::common;
use crate::common::assignment::{CASES, Tally, tally};
use crate::common::marks::{Marking, marks};
use assize::internals::matching::MatchOutcome;
use assize::internals::rehearse::{Rehearsal, RehearsalPlan, RideHabits, simulate};
use assize::judge::Judgement;
use assize::protocol::Protocol;
use rayon::prelude::*;

const SEEDS: u64 = 2;
/// The computer's clock less true time, s.
const CLOCKS_S: [f64; 3] = [0.0, 40.0, -300.0];

fn judged(protocol: &Protocol, rehearsal: &Rehearsal, marking: Option<&Marking>) -> Judgement {
    let mut rehearsal = rehearsal.clone();
    rehearsal.session.marks_file = marking.map(|marking| marks(protocol, &rehearsal, marking));
    common::judge(&rehearsal)
}

fn bench_trial(seed: u64, mishaps: &[&str]) -> (Protocol, Rehearsal) {
    let protocol = common::shipped("bench-both-rings.yaml");
    let mishaps = mishaps.iter().map(|text| text.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
    let plan = RehearsalPlan { mishaps, habits: RideHabits::varied(seed), ..RehearsalPlan::new(seed) };
    let rehearsal = simulate(&protocol, &plan);
    (protocol, rehearsal)
}

fn index(protocol: &Protocol, name: &str) -> usize {
    protocol.phases.iter().position(|p| p.id.name == name).unwrap()
}

/// (phase, repeat, reason) of what was not ridden.
fn missing(judgement: &Judgement) -> Vec<(usize, u32, String)> {
    let found = judgement.matches.found.iter();
    let missing = found.filter_map(|m| match &m.outcome {
        MatchOutcome::NotRidden { reason } => Some((m.phase, m.repeat, reason.clone())),
        MatchOutcome::Ridden(_) => None,
    });
    missing.collect()
}

struct Row {
    name: &'static str,
    without: Tally,
    with: Vec<Tally>,
}

fn near(tally: &Tally) -> (usize, usize) {
    (tally.outer_edges().filter(|edge| edge.off_s.abs() <= 2.0).count(), tally.outer_edges().count())
}

fn told(name: &str, tally: &Tally) -> String {
    let (near, all) = near(tally);
    let mean = tally.outer_edges().map(|e| e.off_s.abs()).sum::<f64>() / all as f64;
    format!(
        "{name}: {} of {} found, {} invented, {} misnumbered, {} of {} spoiled right, {near} of {all} edges in 2 s, mean {mean:.3} s",
        tally.found,
        tally.ridden,
        tally.invented.len(),
        tally.misnumbered,
        tally.spoiled_right,
        tally.spoiled
    )
}

#[test]
fn marks_help_or_do_no_harm_in_every_case_of_riders_gone_astray() {
    let rides: Vec<_> = CASES.iter().flat_map(|case| (301..301 + SEEDS).map(move |seed| (case, seed))).collect();
    let one = |(case, seed): &(&common::assignment::Case, u64)| {
        let protocol = case.protocol();
        let rehearsal = simulate(&protocol, &case.plan(*seed));
        let of = |marking: Option<&Marking>| tally(&protocol, &rehearsal, &judged(&protocol, &rehearsal, marking));
        let with = CLOCKS_S.iter().map(|&clock_s| of(Some(&Marking { clock_s, seed: *seed, ..Marking::default() })));
        Row { name: case.name, without: of(None), with: with.collect() }
    };
    let rows: Vec<Row> = rides.par_iter().map(one).collect();
    let (mut without, mut with) = (Tally::default(), vec![Tally::default(); CLOCKS_S.len()]);
    for row in rows {
        if row.with.iter().any(|w| told("", w) != told("", &row.without)) {
            println!("{}", told(row.name, &row.without));
            row.with.iter().for_each(|w| println!("{}", told("    with marks", w)));
        }
        without += row.without;
        with.iter_mut().zip(row.with).for_each(|(sum, one)| *sum += one);
    }
    println!("{}", told("without", &without));
    for (clock_s, with) in CLOCKS_S.iter().zip(&with) {
        println!("{}", told(&format!("clock {clock_s:+} s"), with));
        println!("    missed {:?}, invented {:?}, askew {:?}", with.missed, with.invented, with.askew);
        assert!(with.found >= without.found, "{} of {}, {} without", with.found, without.ridden, without.found);
        assert!(with.invented.len() <= without.invented.len(), "{:?}", with.invented);
        assert!(with.misnumbered <= without.misnumbered);
        assert!(with.spoiled_right >= without.spoiled_right);
        let ((near_with, all_with), (near_without, all_without)) = (near(with), near(&without));
        assert!(near_with * all_without >= near_without * all_with, "{near_with} of {all_with}");
    }
}

#[test]
fn the_marks_clock_is_told() {
    let (protocol, rehearsal) = bench_trial(5, &[]);
    for (clock_s, says) in [(40.0, "ahead of"), (-300.0, "behind"), (-86_400.0, "behind")] {
        let marking = Marking { clock_s, seed: 5, ..Marking::default() };
        let judgement = judged(&protocol, &rehearsal, Some(&marking));
        let caution = judgement.verdict.cautions.iter().find(|c| c.starts_with("marks.yaml: its clock is")).unwrap();
        let told_s: f64 = caution.split(' ').nth(4).unwrap().parse().unwrap();
        // Session time is the pedals' clock, and a prompt comes a reaction before the ride's edge.
        let shown = rehearsal.truth.shown_utc(1, 0.0) - rehearsal.truth.date;
        let truly_s = clock_s - shown.as_seconds_f64() - 1.0;
        assert!(caution.contains(says) && (told_s - truly_s.abs()).abs() < 1.0, "{truly_s}: {caution}");
    }
}

#[test]
fn what_is_called_spoiled_is_struck_and_nothing_else() {
    for (seed, clock_s) in [(11, 0.0), (12, 40.0), (13, -300.0)] {
        let (protocol, rehearsal) = bench_trial(seed, &[]);
        let (sprints, stops) = (index(&protocol, "standing-sprints"), index(&protocol, "coast-and-restart"));
        let before = missing(&judged(&protocol, &rehearsal, None));
        let spoiled = vec![(sprints, 3), (sprints, 4), (stops, 2)];
        let marking = Marking { clock_s, seed, spoiled: spoiled.clone(), ..Marking::default() };
        let after = missing(&judged(&protocol, &rehearsal, Some(&marking)));
        let struck: Vec<_> = after.iter().filter(|m| m.2.starts_with("called spoiled")).map(|m| (m.0, m.1)).collect();
        assert_eq!(struck, spoiled, "seed {seed}: {after:?}");
        // What was not found without marks may be found with them.
        assert!(after.len() - struck.len() <= before.len(), "{after:?}, {before:?}");
    }
}

#[test]
fn a_skipped_repeat_is_told_with_its_time_and_what_was_spoiled_after_it_is_found() {
    let (protocol, rehearsal) = bench_trial(21, &["skipped-repeat@standing-sprints/3"]);
    let sprints = index(&protocol, "standing-sprints");
    // The program counts the skipped one: what was ridden as the fourth is its fifth.
    let (skipped, spoiled) = (Some((sprints, 3)), vec![(sprints, 4)]);
    for clock_s in [0.0, 40.0] {
        let marking = Marking { clock_s, seed: 21, skipped, spoiled: spoiled.clone() };
        let judgement = judged(&protocol, &rehearsal, Some(&marking));
        let missing: Vec<_> = missing(&judgement).into_iter().filter(|m| m.0 == sprints).collect();
        let [struck, skipped] = &missing[..] else { panic!("{missing:?}") };
        assert!(struck.1 == 4 && struck.2.starts_with("called spoiled"), "{struck:?}");
        assert!(skipped.1 == 6 && skipped.2.starts_with("the tester skipped standing-sprints/3 at "), "{skipped:?}");
    }
}

#[test]
fn an_added_repeat_is_surplus() {
    for seed in 31..34 {
        let (protocol, rehearsal) = bench_trial(seed, &["surplus-repeat@standing-sprints"]);
        let sprints = index(&protocol, "standing-sprints");
        let marking = Marking { clock_s: 40.0, seed, ..Marking::default() };
        let judgement = judged(&protocol, &rehearsal, Some(&marking));
        let found = judgement.matches.found.iter().filter(|m| m.phase == sprints);
        let surplus: Vec<u32> = found.filter(|m| m.surplus).map(|m| m.repeat).collect();
        assert_eq!(surplus, [7]);
        assert!(!judgement.verdict.cautions.iter().any(|c| c.contains("the tester added")));
    }
}

/// Marks of another ride set no clock: they are said to be of no use, and change nothing.
#[test]
fn marks_of_another_ride_change_nothing() {
    let (protocol, rehearsal) = bench_trial(41, &[]);
    let (_, other) = bench_trial(42, &[]);
    let alone = common::judge(&rehearsal);
    let mut with = rehearsal.clone();
    with.session.marks_file = Some(marks(&protocol, &other, &Marking { seed: 41, ..Marking::default() }));
    let with = common::judge(&with);
    let told = |j: &Judgement| j.verdict.cautions.iter().any(|c| c.contains("can't be set by the ride"));
    if told(&with) {
        assert_eq!(with.matches.found, alone.matches.found);
    } else {
        panic!("{:?}", with.verdict.cautions);
    }
}

/// Prompts in even steps could pass for a clock that is one step off.
#[test]
fn even_steps_do_not_mislead_the_clock() {
    let protocol = common::shipped("sprint-and-stop.yaml");
    for seed in 61..65 {
        let rehearsal =
            simulate(&protocol, &RehearsalPlan { habits: RideHabits::varied(seed), ..RehearsalPlan::new(seed) });
        for clock_s in [0.0, 47.0, -75.0] {
            let marking = Marking { clock_s, seed, ..Marking::default() };
            let judgement = judged(&protocol, &rehearsal, Some(&marking));
            let cautions = &judgement.verdict.cautions;
            let Some(told) = cautions.iter().find(|c| c.starts_with("marks.yaml: its clock is")) else {
                panic!("seed {seed}, {clock_s} s: {cautions:?}");
            };
            let off_s: f64 = told.split(' ').nth(4).unwrap().parse().unwrap();
            let off_s = if told.contains("behind") { -off_s } else { off_s };
            let shown = rehearsal.truth.shown_utc(1, 0.0) - rehearsal.truth.date;
            let truly_s = clock_s - shown.as_seconds_f64() - 1.0;
            assert!((off_s - truly_s).abs() < 1.5, "seed {seed}, {clock_s} s: {told}");
        }
    }
}
