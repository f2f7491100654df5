//! Clocks against known truth: every shared channel alone and all together, with drifts, gaps and pauses.
//!
//! `cargo bench --bench clocks -- [SEEDS [SEED]]`. Delays of straps and sensors differ from seed to seed.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use std::collections::BTreeMap;

use common::clocks::{Found, HAPPENS, Happens, SHARED, Shared, found, ride};
use rayon::prelude::*;

fn row(name: &str, of: &[&Found]) {
    let n = of.len() as f64;
    let mean = |f: &dyn Fn(&Found) -> f64| of.iter().map(|c| f(c)).sum::<f64>() / n;
    let inside = of.iter().filter(|c| c.inside()).count() as f64;
    let end =
        |c: &Found| c.ends_off_s.iter().filter(|e| e.abs() <= 2.0 * c.standard_uncertainty_s).count() as f64 / 2.0;
    println!(
        "| {name} | {n} | {:.1} | {:.1} | {:+.2} | {:.2} | {:.2} | {:.2} | {:.0} |",
        100.0 * inside / n,
        100.0 * mean(&end),
        mean(&|c| c.off_s),
        mean(&|c| c.off_s.powi(2)).sqrt(),
        mean(&|c| c.standard_uncertainty_s.powi(2)).sqrt(),
        of.iter().map(|c| c.off_s.abs()).fold(0.0, f64::max),
        mean(&|c| c.drift_off_ppm.powi(2)).sqrt(),
    );
}

/// `strap, 10 min missing, unit`.
fn name(shared: Shared, happens: Happens) -> String {
    let what = match happens {
        Happens::Drift(ppm) => format!("drift {ppm:+} ppm"),
        Happens::UnitGap => "10 min missing, unit".to_owned(),
        Happens::PedalsGap => "10 min missing, pedals".to_owned(),
        Happens::UnitPause => "automatic pause, unit".to_owned(),
        Happens::PedalsPause => "automatic pause, pedals".to_owned(),
    };
    format!("{}, {what}", word(shared))
}

fn word(shared: Shared) -> &'static str {
    match shared {
        Shared::Strap => "strap",
        Shared::Position => "position",
        Shared::Speed => "speed",
        Shared::Altitude => "altitude",
        Shared::Nothing => "nothing but power",
        Shared::All => "all of them",
    }
}

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|argument| argument.parse::<u64>().ok());
    let (rides, first) = (numbers.next().unwrap_or(20), numbers.next().unwrap_or(1));
    let protocol = common::shipped("bench-both-rings.yaml");
    println!(
        "| shared, and | clocks | in the middle % | at the ends % | mean s | rms s | u s | largest s | drift rms ppm |"
    );
    println!("|{}", " --- |".repeat(9));
    for shared in SHARED {
        let mut all = vec![];
        for happens in HAPPENS {
            let one = |seed: u64| found(&ride(&protocol, shared, happens, seed));
            let of: Vec<_> = (first..first + rides).into_par_iter().map(one).collect();
            let clocks: Vec<Found> = of.iter().flat_map(|one| one.0.clone()).collect();
            row(&name(shared, happens), &clocks.iter().collect::<Vec<_>>());
            all.extend(clocks);
        }
        row(&format!("**{}**", word(shared)), &all.iter().collect::<Vec<_>>());
        let mut by: BTreeMap<&str, Vec<&Found>> = BTreeMap::new();
        all.iter().for_each(|clock| by.entry(&clock.on).or_default().push(clock));
        by.iter().for_each(|(on, clocks)| row(&format!("{}, taken: {on}", word(shared)), clocks));
    }
}
