//! Intervals of comparisons against known truth, and the time that a thousand verdicts take.
//!
//! `cargo bench --bench compare -- 2000` (seasons for each line) ends with an error where a share is off by more than luck.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use std::time::Instant;

use assize::internals::compare::{Grouping, VerdictFile, compare, read_all};
use assize::stats::{Sides, clopper_pearson};
use common::season::{Season, coverages, told_apart};

const SEED: u64 = 80_001;

fn main() {
    let draws = std::env::args().find_map(|word| word.parse().ok()).unwrap_or(2000);
    println!("{:<52}{:>9}   of {draws} seasons each", "interval, 95 %", "covers");
    let found = coverages(draws, SEED);
    for of in &found {
        let why = of.at_least.map(|why| format!("at least, as {why}")).unwrap_or_default();
        println!("{:<52}{:>7.1} %   {why}", of.name, 100.0 * of.share());
    }
    let mut off: Vec<&str> = found.iter().filter(|of| !of.holds()).map(|of| of.name.as_str()).collect();
    for session_sd in [0.0, 0.3, 0.6] {
        let equal = Season { between_sd: 0.0, session_sd, ..Season::PLAIN };
        let (hits, draws) = told_apart(&equal, draws, SEED + 50);
        println!("equal units, sessions {session_sd} %, any told apart: {:.1} %", 100.0 * hits as f64 / draws as f64);
        if clopper_pearson(hits, draws, 0.999, Sides::Two).0 > 0.05 {
            off.push("equal units told apart");
        }
    }
    for one_bad in [-1.0, -1.5, -2.0, -3.0] {
        let season = Season { specimens: 5, between_sd: 0.0, one_bad, ..Season::PLAIN };
        let (hits, draws) = told_apart(&season, draws, SEED + 60);
        println!("one of five off by {one_bad} %, told apart: {:.1} %", 100.0 * hits as f64 / draws as f64);
    }
    time_of_a_thousand();
    assert!(off.is_empty(), "off by more than luck: {off:?}");
}

/// A rehearsed full trial's verdict under a thousand hashes: 20 units of 50 sessions.
fn time_of_a_thousand() {
    let verdict = common::rehearse_and_judge(&common::shipped("bench-both-rings.yaml"), 1, &[]).verdict;
    let folder = tempfile::tempdir().expect("a folder");
    let write = |i: usize| {
        let mut verdict = verdict.clone();
        verdict.unit.label = format!("unit {:03}", i % 20);
        verdict.unit.serial = Some((i % 20 + 1).to_string());
        verdict.session.start += chrono::TimeDelta::days(i as i64);
        verdict.recordings.iter_mut().for_each(|recording| recording.sha256 = format!("{i}"));
        let file = folder.path().join(format!("{i}.json"));
        std::fs::write(&file, assize::verdict::json::to_string(&verdict)).expect("a verdict is written");
        file
    };
    let files: Vec<_> = (0..1000).map(write).collect();
    let began = Instant::now();
    let given: Vec<VerdictFile> = read_all(&files).expect("they read");
    let read_s = began.elapsed().as_secs_f64();
    let comparison = compare(given, Grouping::Specimen).expect("they compare");
    let json = assize::internals::report::compare::json(&comparison);
    let all_s = began.elapsed().as_secs_f64();
    println!("1000 verdicts: {read_s:.2} s to read, {all_s:.2} s in all (1 allowed), {} kB of JSON", json.len() / 1000);
}
