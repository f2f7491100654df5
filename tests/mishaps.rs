//! What the judge makes of riders and head units that go astray, from the files to the verdict.

use crate::common;
use crate::common::assignment::{shown_s, tally};
use assize::internals::rehearse::{self, MISHAP_KINDS, Rehearsal, RehearsalPlan, Shifting, simulate};
use assize::internals::ride::Trace;
use assize::judge::{Judgement, judge};
use assize::session;

/// Every kind once in its listed form, and where that says more the same on other head units.
fn cases() -> Vec<String> {
    let more = [
        "restart=20@017",
        "restart=20@T",
        "late-start=6",
        "irregular=8@P",
        "irregular=8@017",
        "clock-unset@017",
        "clock-unset",
        "auto-pause",
        "auto-pause-coasting@017",
        "off-target=-20",
        "skipped-repeat@steady[big, 180 W]",
        "phone-stop=300@steady",
        "phone-stop=120@steady and auto-pause",
        "phone-stop=120@steady and auto-pause@017",
    ];
    let listed = MISHAP_KINDS.iter().map(|kind| kind.form);
    listed.chain(more).map(str::to_owned).collect()
}

/// Largest error of a trace's session times, s; `None` where part of it was left out.
fn clock_error_s(rehearsal: &Rehearsal, judgement: &Judgement, n: usize, trace: &Trace) -> Option<f64> {
    let truth = &rehearsal.truth;
    let first = &rehearsal.recordings[n].file.with_extension("");
    let own = rehearsal
        .recordings
        .iter()
        .enumerate()
        .filter(|(_, r)| r.file.to_string_lossy().starts_with(&*first.to_string_lossy()));
    let samples = own.flat_map(|(at, r)| {
        r.samples.time_s.iter().map(move |t| (at, r.start + chrono::TimeDelta::milliseconds((t * 1000.0) as i64)))
    });
    let truly: Vec<f64> = samples
        .map(|(at, stamp)| truth.shown_utc(1, truth.true_s(at, stamp).unwrap()))
        .map(|shown| shown_s(judgement, shown))
        .collect();
    let errors = trace.time_s.iter().zip(&truly).map(|(is, was)| (is - was).abs());
    (trace.time_s.len() == truly.len()).then(|| errors.fold(0.0, f64::max))
}

/// A line for each mishap of what is right and wrong today: `cargo test --test cases mishaps:: -- --nocapture`.
#[test]
fn no_mishap_is_a_panic_and_hardly_a_phase_is_found_where_none_was_ridden() {
    let protocol = common::shipped("bench-both-rings.yaml");
    let (mut invented, mut ridden) = (vec![], 0);
    for (case, seed) in cases().into_iter().zip((1..=3).cycle()) {
        let mishaps = case.split(" and ").map(|text| text.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
        let mut plan = RehearsalPlan { mishaps, ..RehearsalPlan::new(seed) };
        if case.starts_with("no-gears") {
            plan.habits.shifting = Shifting::Electronic { only: None };
        }
        rehearse::check_mishaps(&protocol, &plan).unwrap_or_else(|why| panic!("{why}"));
        let rehearsal = simulate(&protocol, &plan);
        let dir = tempfile::tempdir().unwrap();
        rehearse::write(&rehearsal, dir.path()).unwrap();
        let session = session::load(&dir.path().join("session.yaml")).unwrap_or_else(|p| panic!("{p}"));
        let judgement = match judge(&session) {
            Ok(mut judgements) => judgements.remove(0),
            Err(why) => {
                println!("{case}, seed {seed}: not judged: {why}");
                continue;
            }
        };
        let tally = tally(&protocol, &rehearsal, &judgement);
        let traces = std::iter::once(&judgement.ride.unit).chain(judgement.ride.references.iter().map(|r| &r.trace));
        let clocks: Vec<String> = traces
            .enumerate()
            .map(|(n, trace)| clock_error_s(&rehearsal, &judgement, n, trace))
            .map(|error_s| error_s.map_or("part left out".to_owned(), |error_s| format!("{error_s:.2}")))
            .collect();
        let verdict = &judgement.verdict;
        let patterns: Vec<&str> = verdict.diagnosis.iter().map(|f| f.pattern.as_str()).collect();
        println!(
            "{}, seed {seed}: {:?}, patterns {patterns:?}",
            rehearsal.truth.mishaps.join(" and "),
            verdict.verdict
        );
        println!(
            "    {} of {} found, {} of {} spoiled ones right, {} misnumbered",
            tally.found, tally.ridden, tally.spoiled_right, tally.spoiled, tally.misnumbered
        );
        println!("    missed {:?}, invented {:?}, askew {:?}", tally.missed, tally.invented, tally.askew);
        println!("    clocks off by up to {} s", clocks.join(", "));
        println!("    deviations {:?}, cautions {:?}", verdict.deviations, verdict.cautions);
        ridden += tally.ridden + tally.spoiled;
        assert!(tally.invented.len() <= 1, "{case} (seed {seed}): {:?}", tally.invented);
        invented.extend(tally.invented.iter().map(|what| format!("{case} (seed {seed}): {what}")));
    }
    println!("{} of {ridden} invented: {invented:#?}", invented.len());
    assert!(100 * invented.len() < ridden, "{invented:#?}");
}
