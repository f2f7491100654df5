//! The matcher against known truth: every case of riders and head units gone astray, many seeds each.
//!
//! `cargo bench --bench assignment -- [SEEDS [SEED]]`. Riders, noise, head units and straps differ from seed to seed.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use std::collections::BTreeMap;
use std::time::Instant;

use assize::internals::against_truth;
use assize::internals::rehearse::{RehearsalPlan, RideHabits, simulate};
use common::assignment::{CASES, Case, Tally, tally};
use rayon::prelude::*;

fn of_case(case: &Case, seeds: &[u64]) -> Tally {
    let protocol = case.protocol();
    let one = |seed: &u64| {
        let rehearsal = simulate(&protocol, &case.plan(*seed));
        let mut one = tally(&protocol, &rehearsal, &common::judge(&rehearsal));
        for what in one.invented.iter_mut().chain(&mut one.missed).chain(&mut one.askew) {
            *what = format!("{}, seed {seed}: {what}", case.name);
        }
        one
    };
    let mut sum = Tally::default();
    seeds.par_iter().map(one).collect::<Vec<_>>().into_iter().for_each(|one| sum += one);
    sum
}

fn pct(part: usize, of: usize) -> String {
    if of == 0 { "-".to_owned() } else { format!("{:.1}", 100.0 * part as f64 / of as f64) }
}

/// Share within two seconds, median, and the size that 95 % stay below, of errors in s.
fn errors(off_s: &[f64]) -> String {
    let within = off_s.iter().filter(|off| off.abs() <= 2.0).count();
    let mut sorted = off_s.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    sorted.iter_mut().for_each(|off| *off = off.abs());
    sorted.sort_by(f64::total_cmp);
    let most = sorted.get(sorted.len() * 95 / 100).copied().unwrap_or(0.0);
    format!("{} | {median:+.2} | {most:.2}", pct(within, off_s.len()))
}

fn row(name: &str, t: &Tally) {
    let off_s: Vec<f64> = t.outer_edges().map(|edge| edge.off_s).collect();
    println!(
        "| {name} | {} | {} | {} | {} | {} | {}/{} | {} | {} | {} |",
        t.rides,
        t.ridden,
        pct(t.found, t.ridden),
        pct(t.invented.len(), t.ridden + t.spoiled),
        t.misnumbered,
        t.spoiled_right,
        t.spoiled,
        errors(&off_s),
        pct(t.ring_right, t.seconds),
        pct(t.clocks_inside(), t.clocks.len()),
    );
}

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|argument| argument.parse::<u64>().ok());
    let (rides, first) = (numbers.next().unwrap_or(18), numbers.next().unwrap_or(1));
    let seeds: Vec<u64> = (first..first + rides).collect();
    let started = Instant::now();
    println!(
        "| case | rides | repeats | found % | invented % | misnumbered | spoiled, right | edges in 2 s % | median s | 95 % s | ring % | clocks % |"
    );
    println!("|{}", " --- |".repeat(12));
    let mut all = Tally::default();
    for case in CASES {
        let of = of_case(case, &seeds);
        row(case.name, &of);
        all += of;
    }
    row("all", &all);
    println!("| asked | 300 | | 99.0 | 1.0 | | | 95.0 | | 2.00 | 99.0 | 93 to 99 |");

    println!("\n| edge | n | in 2 s % | median s | 95 % s |\n| --- | --- | --- | --- | --- |");
    let mut by: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    all.edges.iter().for_each(|edge| by.entry(&edge.what).or_default().push(edge.off_s));
    by.iter().for_each(|(what, off_s)| println!("| {what} | {} | {} |", off_s.len(), errors(off_s)));

    lag(&seeds);
    for (what, of) in [("missed", &all.missed), ("invented", &all.invented), ("askew", &all.askew)] {
        println!("\n{what}:");
        of.iter().for_each(|one| println!("  {one}"));
    }
    eprintln!("{:.0} s for {} rides", started.elapsed().as_secs_f64(), all.rides);
}

/// A unit that reports late on a shared strap: what its lags read.
fn lag(seeds: &[u64]) {
    let protocol = common::shipped("bench-both-rings.yaml");
    let one = |seed: &u64| {
        let plan = RehearsalPlan { habits: RideHabits::varied(*seed), ..common::plan(*seed, &["late=3"]) };
        let rehearsal = simulate(&protocol, &plan);
        let compared = against_truth::compare(&common::judge(&rehearsal).verdict, &rehearsal.truth_file());
        let across = compared.unwrap_or_else(|e| panic!("{e}")).across;
        let values = across.into_iter().flat_map(|(_, values)| values).filter(|v| v.measure.ends_with("_lag"));
        values.filter_map(|v| Some((v.measure.clone(), v.value? - v.truth?, v.truth?, v.inside()?))).collect::<Vec<_>>()
    };
    let mut by: BTreeMap<String, Vec<(f64, f64, bool)>> = BTreeMap::new();
    for (measure, off_s, truth_s, inside) in seeds.par_iter().map(one).collect::<Vec<_>>().into_iter().flatten() {
        by.entry(measure).or_default().push((off_s, truth_s, inside));
    }
    println!("\n| a unit 3 s late | sessions | true s | mean error s | largest s | covered % |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (measure, of) in by {
        let n = of.len() as f64;
        println!(
            "| {measure} | {n} | {:.2} | {:+.2} | {:.2} | {} |",
            of.iter().map(|o| o.1).sum::<f64>() / n,
            of.iter().map(|o| o.0).sum::<f64>() / n,
            of.iter().map(|o| o.0.abs()).fold(0.0, f64::max),
            pct(of.iter().filter(|o| o.2).count(), of.len()),
        );
    }
}
