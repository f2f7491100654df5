//! Every file in `protocols/`: it reads without a mistake, an ideal unit has nothing to fear from it, and its phases are
//! found where they were ridden.

#[allow(dead_code, reason = "each test uses its part")]
mod common;
#[path = "common/shipped.rs"]
mod shipped;

use std::path::Path;

use assize::against_truth::{Comparison, Found, compare};
use assize::rehearse::{BENCHES, Instruments, Plan, Rehearsal, Setting, simulate};
use assize::verdict::{Outcome, Verdict};
use shipped::{SHIPPED, Shipped};

/// One ride in which the rider holds what is asked for; how often one does not, `--bench assignment` counts.
const SEED: u64 = 5;

fn ridden(shipped: &Shipped, instruments: Instruments) -> (Rehearsal, Verdict) {
    let word = shipped.bench;
    let bench = BENCHES.iter().find(|kind| kind.word == word).unwrap_or_else(|| panic!("no bench {word}"));
    let protocol = common::shipped(shipped.file);
    let plan = Plan { bench: (bench.bench)(), setting: Setting::asked_by(&protocol), instruments, ..Plan::new(SEED) };
    let rehearsal = simulate(&protocol, &plan);
    let verdict = common::judge(&rehearsal).verdict;
    (rehearsal, verdict)
}

fn beside_truth(rehearsal: &Rehearsal, verdict: &Verdict) -> Comparison {
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
    for Shipped { file, bench: word, .. } in SHIPPED {
        let protocol = common::shipped(file);
        let bench = (BENCHES.iter().find(|kind| kind.word == *word).unwrap().bench)();
        assert!(bench.references.len() >= protocol.needs.references, "{file}");
    }
}

#[test]
fn an_ideal_unit_passes_every_shipped_protocol() {
    for shipped in SHIPPED {
        let (_, verdict) = ridden(shipped, Instruments::Ideal);
        let checks = verdict.repeats.iter().flat_map(|repeats| &repeats.checks);
        let open: Vec<_> = checks.chain(&verdict.whole_ride).filter(|c| c.verdict != Outcome::Pass).collect();
        assert_eq!(verdict.verdict, Some(Outcome::Pass), "{}: {open:?}", shipped.file);
    }
}

/// Seconds by which a phase may be found early or late. On the road riders roll out of a block, and a lead-in of any length
/// may begin before the script says; no more than what settling leaves out.
fn near_s(setting: Setting) -> f64 {
    if setting == Setting::Road { 30.0 } else { 5.0 }
}

#[test]
fn every_phase_of_every_shipped_protocol_is_found_where_it_was_ridden() {
    for shipped in SHIPPED {
        let (rehearsal, verdict) = ridden(shipped, Instruments::Real);
        let near_s = near_s(Setting::asked_by(&common::shipped(shipped.file)));
        for phase in beside_truth(&rehearsal, &verdict).phases {
            let what = format!("{}: {} {}", shipped.file, phase.phase, phase.repeat);
            match phase.found {
                Found::Typed => {}
                // What nothing scores lies between the others, and is divided as well as may be.
                _ if phase.checks.is_empty() => {}
                Found::At { start_off_s, end_off_s, ring_right } => {
                    assert!(start_off_s.abs().max(end_off_s.abs()) < near_s, "{what}: {:?}", phase.found);
                    assert_ne!(ring_right, Some(false), "{what}");
                }
                Found::Missed | Found::NotRidden => panic!("{what}: {:?}", phase.found),
            }
        }
    }
}
