//! Every file in `protocols/`: it reads without a mistake, an ideal unit has nothing to fear from it, and its phases are
//! found where they were ridden.

use crate::common;
use std::path::Path;

use crate::common::shipped::{SHIPPED, Shipped};
use assize::internals::against_truth::{Found, TruthComparison, compare};
use assize::internals::rehearse::{
    BENCHES, Instruments, Rehearsal, RehearsalPlan, RideSetting, check_faults, simulate,
};
use assize::verdict::{Outcome, Verdict};

fn ridden(shipped: &Shipped, instruments: Instruments, seed: u64) -> (Rehearsal, Verdict) {
    let word = shipped.bench;
    let bench = BENCHES.iter().find(|kind| kind.word == word).unwrap_or_else(|| panic!("no bench {word}"));
    let protocol = common::shipped(shipped.file);
    let plan = RehearsalPlan {
        bench: (bench.bench)(),
        setting: RideSetting::asked_by(&protocol),
        instruments,
        ..RehearsalPlan::new(seed)
    };
    let rehearsal = simulate(&protocol, &plan);
    let judged = match instruments {
        Instruments::Real => common::judge(&rehearsal),
        Instruments::Ideal => common::judge_ideal(&rehearsal),
    };
    (rehearsal, judged.verdict)
}

fn beside_truth(rehearsal: &Rehearsal, verdict: &Verdict) -> TruthComparison {
    compare(verdict, &rehearsal.truth_file()).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn every_shipped_protocol_stands_in_the_table_with_a_bench_that_has_the_references_it_needs() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols");
    let mut files: Vec<String> =
        folder.read_dir().unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    files.sort();
    let listed: Vec<&str> = SHIPPED.iter().map(|shipped| shipped.file).collect();
    assert_eq!(files, listed);
    for Shipped { file, bench: word, finds } in SHIPPED {
        let protocol = common::shipped(file);
        let bench = (BENCHES.iter().find(|kind| kind.word == *word).unwrap().bench)();
        assert!(bench.references.len() >= protocol.needs.references, "{file}");
        let faults = finds.iter().map(|fault| fault.parse().unwrap_or_else(|e| panic!("{e}"))).collect();
        assert_eq!(
            check_faults(&protocol, &RehearsalPlan { faults, bench, ..RehearsalPlan::new(1) }),
            Ok(()),
            "{file}"
        );
    }
}

#[test]
fn an_ideal_unit_passes_every_shipped_protocol() {
    for shipped in SHIPPED {
        let (_, verdict) = ridden(shipped, Instruments::Ideal, 2);
        let checks = verdict.repeats.iter().flat_map(|repeats| &repeats.checks);
        let open: Vec<_> = checks.chain(&verdict.whole_ride).filter(|c| c.verdict != Outcome::Pass).collect();
        assert_eq!(verdict.verdict, Some(Outcome::Pass), "{}: {open:?}", shipped.file);
    }
}

/// Seconds by which a phase may be found early or late. On the road riders roll out of a block, and a lead-in of any length
/// may begin before the script says; no more than what settling leaves out.
fn near_s(setting: RideSetting) -> f64 {
    if setting == RideSetting::Road { 30.0 } else { 5.0 }
}

/// Now and then a rider changes within a block by as much as at its end, or two phases of one power follow each other.
const FOUND: f64 = 0.98;
const NEAR: f64 = 0.92;

#[test]
fn phases_of_every_shipped_protocol_are_found_where_they_were_ridden() {
    for shipped in SHIPPED {
        let near_s = near_s(RideSetting::asked_by(&common::shipped(shipped.file)));
        let (mut all, mut found, mut near, mut far) = (0, 0, 0, vec![]);
        for seed in 1..=6 {
            let (rehearsal, verdict) = ridden(shipped, Instruments::Real, seed);
            for phase in beside_truth(&rehearsal, &verdict).phases {
                // What nothing scores lies between the others, and is divided as well as may be.
                if phase.checks.is_empty() || matches!(phase.found, Found::Typed) {
                    continue;
                }
                all += 1;
                let Found::At { start_off_s, end_off_s, ring_right } = phase.found else {
                    far.push(format!("{seed}: {} {} {:?}", phase.phase, phase.repeat, phase.found));
                    continue;
                };
                found += 1;
                assert_ne!(ring_right, Some(false), "{}, {seed}: {} {}", shipped.file, phase.phase, phase.repeat);
                if start_off_s.abs().max(end_off_s.abs()) < near_s {
                    near += 1;
                } else {
                    far.push(format!("{seed}: {} {} by {start_off_s:.0} {end_off_s:.0} s", phase.phase, phase.repeat));
                }
            }
        }
        println!("{}: {found} of {all} found, {near} near", shipped.file);
        let share = |n: i32| f64::from(n) / f64::from(all);
        assert!(share(found) >= FOUND && share(near) >= NEAR, "{}: {found}, {near} of {all}: {far:?}", shipped.file);
    }
}
