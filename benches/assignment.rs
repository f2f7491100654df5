//! The matcher against known truth: every case of riders and head units gone astray, many seeds each.
//!
//! `cargo bench --bench assignment -- [SEEDS [SEED]]`. Riders, noise, head units and straps differ from seed to seed. Each case has the
//! same share of the rides. With `fit` in place of the numbers it varies each parameter of the matcher on seeds that no report uses, and
//! prints what half as much again and a third less of it costs; parameters stand at the best of those.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use std::collections::BTreeMap;
use std::time::Instant;

use assize::internals::against_truth;
use assize::internals::matching::{Parameters, find_with};
use assize::internals::rehearse::{RehearsalPlan, RideHabits, simulate};
use common::assignment::{CASES, Case, Said, Tally, tally};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
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
    if std::env::args().any(|argument| argument == "fit") {
        return fit();
    }
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

    calibration(&all);
    lag(&seeds);
    for (what, of) in [("missed", &all.missed), ("invented", &all.invented), ("askew", &all.askew)] {
        println!("\n{what}:");
        of.iter().for_each(|one| println!("  {one}"));
    }
    eprintln!("{:.0} s for {} rides", started.elapsed().as_secs_f64(), all.rides);
}

/// Levels at which what is said is held against what is so.
const CLASSES: [(f64, f64); 5] = [(0.5, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 0.999), (0.999, 1.1)];

/// Probabilities of matches, rings and edges within two seconds, against the share that is right, with the 99.9 % interval of the
/// difference by resampling rides (Davison and Hinkley, Bootstrap Methods and their Application, 1997, section 3.8).
fn calibration(all: &Tally) {
    println!("\n| said of | between | n | said, mean % | right % | right less said, 99.9 % interval |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (what, said) in ["matches", "rings", "edges within 2 s"].into_iter().zip(&all.said) {
        for (low, high) in CLASSES {
            let of: Vec<&Said> = said.iter().filter(|s| (low..high).contains(&s.probability)).collect();
            let n = of.len();
            let mean = of.iter().map(|s| s.probability).sum::<f64>() / n.max(1) as f64;
            let right = of.iter().filter(|s| s.so).count();
            let (from, to) = resampled(&of);
            println!(
                "| {what} | {low}..{} | {n} | {:.2} | {} | {from:+.2} to {to:+.2} |",
                high.min(1.0),
                100.0 * mean,
                pct(right, n)
            );
        }
    }
}

/// Interval of right less said, in %, over rides drawn again.
fn resampled(of: &[&Said]) -> (f64, f64) {
    const DRAWS: usize = 4000;
    let mut by: BTreeMap<u64, (f64, f64)> = BTreeMap::new();
    for said in of {
        let sum = by.entry(said.ride).or_default();
        *sum = (sum.0 + f64::from(u8::from(said.so)) - said.probability, sum.1 + 1.0);
    }
    let rides: Vec<(f64, f64)> = by.into_values().collect();
    if rides.is_empty() {
        return (0.0, 0.0);
    }
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut draw = || {
        let drawn = (0..rides.len()).map(|_| rides[rng.random_range(0..rides.len())]);
        let (off, n) = drawn.fold((0.0, 0.0), |sum, ride| (sum.0 + ride.0, sum.1 + ride.1));
        100.0 * off / n
    };
    let mut draws: Vec<f64> = (0..DRAWS).map(|_| draw()).collect();
    draws.sort_by(f64::total_cmp);
    (draws[DRAWS / 2000], draws[DRAWS - 1 - DRAWS / 2000])
}

/// What the matcher says of the rides of some seeds by its parameters, in nats of surprise, and what it misses.
fn surprise(parameters: &Parameters, seeds: std::ops::Range<u64>) -> f64 {
    // A miss is as bad as a match that was called wrong at 98 %, an edge a third of a match.
    const MISS: f64 = 4.0;
    let rides: Vec<(&Case, u64)> = CASES.iter().flat_map(|case| seeds.clone().map(move |seed| (case, seed))).collect();
    let of = |(case, seed): &(&Case, u64)| {
        let protocol = case.protocol();
        let rehearsal = simulate(&protocol, &case.plan(*seed));
        let mut judgement = common::judge(&rehearsal);
        judgement.matches = find_with(&protocol, &rehearsal.session, &judgement.ride, parameters);
        let one = tally(&protocol, &rehearsal, &judgement);
        let told = |said: &Vec<Said>| -> f64 {
            said.iter().map(|s| -(if s.so { s.probability } else { 1.0 - s.probability }).max(1e-4).ln()).sum()
        };
        told(&one.said[0]) + 0.3 * told(&one.said[2]) + MISS * (one.ridden - one.found) as f64
    };
    rides.par_iter().map(of).sum()
}

fn fit() {
    const SEEDS: std::ops::Range<u64> = 990_001..990_003;
    let shipped = surprise(&Parameters::SHIPPED, SEEDS);
    println!("| parameter | shipped | rests on | a third less | half as much again |\n| --- | --- | --- | --- | --- |");
    for (name, value, rests_on) in Parameters::TABLE {
        let by = |factor: f64| {
            // Shares near one are varied by what they leave.
            let value = if *value > 0.5 && *value < 1.0 { 1.0 - (1.0 - value) * factor } else { value * factor };
            surprise(&Parameters::SHIPPED.with(name, value).expect("a name of the table"), SEEDS) - shipped
        };
        println!("| {name} | {value} | {rests_on} | {:+.1} | {:+.1} |", by(1.0 / 1.5), by(1.5));
    }
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
