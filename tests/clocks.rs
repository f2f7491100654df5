//! Clocks against known truth, small and with fixed seeds (`cargo bench --bench clocks` is the large one); and what no clock
//! and no order of files may change.

use crate::common;
use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::common::clocks::{Found, HAPPENS, Happens, SHARED, Shared, found, ride};
use assize::internals::align::{self, AlignError, Aligned};
use assize::internals::rehearse::{BENCHES, Rehearsal, RehearsalPlan, simulate};
use assize::internals::ride::AlignedOn;
use assize::recording::Recording;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::{Outcome, Verdict};
use chrono::TimeDelta;
use rayon::prelude::*;

/// One in a thousand: what exact limits leave to luck.
const LEVEL: f64 = 0.999;

#[test]
fn each_shared_channel_gives_the_clock_within_its_uncertainty() {
    let protocol = common::shipped("bench-both-rings.yaml");
    for shared in SHARED {
        let rides: Vec<(Happens, u64)> = HAPPENS.iter().flat_map(|h| (401..405).map(move |seed| (*h, seed))).collect();
        let one = |(happens, seed): &(Happens, u64)| found(&ride(&protocol, shared, *happens, *seed));
        let all: Vec<(Vec<Found>, Vec<String>)> = rides.par_iter().map(one).collect();
        let clocks: Vec<&Found> = all.iter().flat_map(|one| &one.0).collect();
        let inside = clocks.iter().filter(|clock| clock.inside()).count();
        let (_, high) = clopper_pearson(inside as u64, clocks.len() as u64, LEVEL, Sides::Upper);
        assert!(clocks.len() > 40 && high >= 0.93, "{shared:?}: {inside} of {}", clocks.len());
        // An uncertainty that covers all for being far too wide is wrong, too.
        let rms =
            |of: fn(&Found) -> f64| (clocks.iter().map(|c| of(c).powi(2)).sum::<f64>() / clocks.len() as f64).sqrt();
        let (off_s, u_s) = (rms(|c| c.off_s), rms(|c| c.standard_uncertainty_s));
        assert!(u_s < 1.6 * off_s, "{shared:?}: off by {off_s} s, said {u_s} s");
        let word = match shared {
            Shared::Strap | Shared::All => "heart rate",
            Shared::Position => "position",
            Shared::Speed => "speed",
            Shared::Altitude => "altitude",
            Shared::Nothing => "power",
        };
        assert!(clocks.iter().all(|clock| clock.on.starts_with(word)), "{shared:?}");
        let unsteady =
            all.iter().flat_map(|one| &one.1).find(|c| c.contains("no steady clock") || c.contains("was put"));
        assert!(unsteady.is_none(), "{shared:?}: {unsteady:?}");
    }
}

fn aligned(rehearsal: &Rehearsal) -> Result<Aligned, AlignError> {
    let recordings: BTreeMap<PathBuf, Recording> =
        rehearsal.recordings.iter().map(|recording| (recording.file.clone(), recording.clone())).collect();
    align::to_session_time(&rehearsal.session, &recordings)
}

#[test]
fn a_clock_hours_off_is_found_on_what_is_shared_and_said() {
    let protocol = common::shipped("bench-both-rings.yaml");
    for (shared, hours) in [
        (Shared::Strap, 5),
        (Shared::Strap, 30),
        (Shared::Position, 5),
        (Shared::Position, 1),
        (Shared::Speed, -3),
        (Shared::Nothing, 1),
        (Shared::Nothing, -5),
    ] {
        let mut shifted = ride(&protocol, shared, Happens::Drift(0.0), 411);
        let right = aligned(&shifted).unwrap().units.remove(0).clock;
        shifted.recordings[0].start += TimeDelta::hours(hours);
        let aligned = aligned(&shifted).unwrap_or_else(|e| panic!("{shared:?}, {hours} h: {e}"));
        let clock = &aligned.units[0].clock;
        let off_s = clock.offset_s + 3600.0 * hours as f64 - right.offset_s;
        assert!(off_s.abs() < 0.1 && clock.aligned_on == right.aligned_on, "{shared:?}, {hours} h: {off_s}");
        let way = if hours > 0 { "ahead of" } else { "behind" };
        let said = |c: &String| c.starts_with("unit 017: its clock ran ") && c.contains(way);
        assert!(aligned.cautions.iter().any(said), "{:?}", aligned.cautions);
    }
}

#[test]
fn another_ride_of_the_same_plan_is_refused_or_left_where_its_stamps_are() {
    let protocol = common::shipped("bench-both-rings.yaml");
    let tried: Vec<(Shared, u64, i64)> =
        [Shared::Strap, Shared::Position, Shared::Speed, Shared::Altitude, Shared::Nothing]
            .into_iter()
            .flat_map(|shared| (421..425).flat_map(move |seed| [1, 2, 24, 48].map(|hours| (shared, seed, hours))))
            .collect();
    tried.par_iter().for_each(|&(shared, seed, hours)| {
        let mut mixed = ride(&protocol, shared, Happens::Drift(0.0), seed);
        let other = ride(&protocol, shared, Happens::Drift(0.0), seed + 50);
        let file = mixed.recordings[0].file.clone();
        mixed.recordings[0] = Recording { file, ..other.recordings[0].clone() };
        mixed.recordings[0].start += TimeDelta::hours(hours);
        let aligned = aligned(&mixed).unwrap();
        match aligned.apart.first() {
            Some(apart) => {
                let says = apart.why.to_string();
                assert!(says.contains("017") && says.contains("pedals-p") && says.contains(" UTC)"), "{says}");
            }
            // An hour apart the two overlap.
            None => {
                let clock = &aligned.units[0].clock;
                assert!(
                    hours == 1 && clock.aligned_on == AlignedOn::Nothing,
                    "{shared:?}, {seed}, {hours} h: {clock:?}"
                );
                assert_eq!(clock.offset_s, 0.0);
                assert!(aligned.cautions.iter().any(|c| c.contains("nothing in common")), "{:?}", aligned.cautions);
            }
        }
        let verdict = judged(&mixed);
        assert_eq!(verdict.verdict, Some(Outcome::NotJudged), "{shared:?}, {seed}, {hours} h: {:?}", verdict.why);
    });
}

/// The same roads on another day, a little slower.
#[test]
fn the_same_roads_on_another_day_are_another_ride() {
    let protocol = common::shipped("bench-both-rings.yaml");
    let mut again = ride(&protocol, Shared::Position, Happens::Drift(0.0), 431);
    let samples = &mut again.recordings[0].samples;
    for column in [&mut samples.latitude_deg, &mut samples.longitude_deg] {
        *column = (0..column.len()).map(|i| column[i * 98 / 100]).collect();
    }
    again.recordings[0].start += TimeDelta::days(7);
    let says = aligned(&again).unwrap().apart[0].why.to_string();
    assert!(says.contains("are of different days"), "{says}");
}

fn judged(rehearsal: &Rehearsal) -> Verdict {
    common::judge(rehearsal).verdict
}

#[test]
fn all_recordings_later_by_any_time_change_nothing_but_times() {
    let protocol = common::shipped("short-check.yaml");
    let plain = simulate(&protocol, &common::plan(441, &["late=2"]));
    let told = judged(&plain);
    for shift in [TimeDelta::seconds(17), TimeDelta::hours(9), TimeDelta::days(-3), TimeDelta::milliseconds(400)] {
        let mut later = plain.clone();
        later.recordings.iter_mut().for_each(|r| r.start += shift);
        let mut verdict = judged(&later);
        let back = |at: &mut chrono::DateTime<chrono::Utc>| *at -= shift;
        // Session time begins with a whole second.
        let whole = shift.num_milliseconds() % 1000 == 0;
        verdict.recordings.iter_mut().for_each(|r| back(&mut r.start));
        let spans = verdict.phases.iter_mut().filter_map(|p| p.matched.as_mut());
        for m in spans {
            back(&mut m.start);
            back(&mut m.end);
            m.moves.iter_mut().chain([&mut m.window]).for_each(|w| {
                back(&mut w.start);
                back(&mut w.end);
            });
        }
        back(&mut verdict.session.start);
        back(&mut verdict.session.end);
        verdict.sheet_number = told.sheet_number.clone();
        // How old a certificate was on the day is one of them.
        verdict.premises.clone_from(&told.premises);
        if whole {
            assert_eq!(verdict, told, "{shift}");
        } else {
            let values = |v: &Verdict| -> Vec<(String, Option<f64>)> {
                let checks = v.phases.iter().flat_map(|p| &p.checks).chain(v.repeats.iter().flat_map(|r| &r.checks));
                checks.map(|c| (c.measure.clone(), c.value)).collect()
            };
            for (a, b) in values(&verdict).into_iter().zip(values(&told)) {
                assert_eq!(a.0, b.0);
                assert!((a.1.unwrap_or(0.0) - b.1.unwrap_or(0.0)).abs() < 0.05, "{shift}: {a:?}, was {b:?}");
            }
        }
    }
}

#[test]
fn the_order_of_references_and_files_changes_nothing() {
    let protocol = common::shipped("short-check.yaml");
    let mut plan = common::plan(451, &[]);
    let three = BENCHES.iter().find(|bench| bench.word == "three").unwrap();
    plan.bench = (three.bench)();
    plan.mishaps = vec!["restart=20@017".parse().unwrap(), "restart=30@P".parse().unwrap()];
    let plain = simulate(&protocol, &plan);
    let told = judged(&plain);
    assert!(told.references.len() == 3 && plain.recordings.len() == 6);
    let mut mixed = plain.clone();
    mixed.session.references.rotate_left(1);
    mixed.session.references.swap(0, 1);
    mixed.session.units[0].instrument.recordings.reverse();
    mixed.session.references.iter_mut().for_each(|r| r.instrument.recordings.reverse());
    assert_ne!(mixed.session, plain.session);
    assert_eq!(judged(&mixed), told);
}

/// Which mishap shows in `deviations` of the verdict, by what it says there or at the phase.
#[test]
fn what_was_ridden_otherwise_is_told_as_a_deviation() {
    let protocol = common::shipped("bench-both-rings.yaml");
    for (mishap, at_the_phase, says) in [
        ("phone-stop=40@steady", true, "the rider stopped for 4"),
        ("late-laps=6", false, "laps came about"),
        ("rings-swapped@steady", false, "was ridden out of the protocol's order"),
        ("phases-swapped@soft-pedalling,coast-and-restart", false, "was ridden out of the protocol's order"),
        ("surplus-repeat@standing-sprints", false, "standing-sprints was ridden 7 times, 6 asked"),
        ("skipped-repeat@standing-sprints/3", false, "standing-sprints was ridden 5 times, 6 asked"),
    ] {
        let plan = RehearsalPlan { mishaps: vec![mishap.parse().unwrap()], ..common::plan(461, &[]) };
        let verdict = judged(&simulate(&protocol, &plan));
        let phases = verdict.phases.iter().filter_map(|p| p.matched.as_ref()).flat_map(|m| &m.deviations);
        let told: Vec<&String> = if at_the_phase { phases.collect() } else { verdict.deviations.iter().collect() };
        assert!(told.iter().any(|d| d.contains(says)), "{mishap}: {told:?}");
    }
    assert_eq!(judged(&simulate(&protocol, &common::plan(461, &[]))).deviations, [""; 0]);
}
