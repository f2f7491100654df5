//! Every shipped protocol on the bench that it is meant for: what a sound unit has to expect, and whether the trade's
//! disqualifying faults fail.
//!
//! `cargo bench --bench shipped -- [SESSIONS [SEED]]`, 100 of each where nobody says. Prints README's table. Ends with an
//! error where more is off than by luck (exact limits, one in a thousand): sound units that pass in less than 85 %, or fail
//! in more than 1 %, faults that fail in less than 99 %.

#[allow(dead_code, reason = "shared with the tests")]
#[path = "../tests/common/mod.rs"]
mod common;
#[path = "../tests/common/shipped.rs"]
mod shipped;

use std::process::ExitCode;

use assize::rehearse::{BENCHES, Fault, Plan, Setting, check_faults};
use assize::stats::{Sides, clopper_pearson};
use assize::trials::{Share, Trials, ride};
use assize::verdict::Outcome;

/// What nobody would ride with. Common practice, no source.
const DISQUALIFYING: [(&str, &str); 4] = [
    ("20 W on one ring", "ring-offset=20@big"),
    ("a side 100 W short in two of three sprints", "side-short=100@left,2/3"),
    ("held for 5 s", "held-reading=5"),
    ("3 s late after coasting", "late-wake=3"),
];

fn main() -> ExitCode {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let sessions = numbers.first().map_or(100, |n| *n as u32);
    let seed = numbers.get(1).copied().unwrap_or(1);
    let faults = DISQUALIFYING.map(|(words, _)| words).join(" | ");
    println!(
        "| protocol, references | passes | undecided | fails | {faults} |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    let mut off = vec![];
    for (file, word) in shipped::SHIPPED {
        let protocol = common::shipped(file);
        let bench = BENCHES.iter().find(|kind| kind.word == *word).map(|kind| (kind.bench)());
        let bench = bench.unwrap_or_else(|| panic!("no bench {word}"));
        let setting = Setting::asked_by(&protocol);
        let parsed = |text: &str| text.parse::<Fault>().unwrap_or_else(|why| panic!("{why}"));
        let strikes = |fault: &Fault| {
            check_faults(&protocol, &Plan { faults: vec![fault.clone()], bench: bench.clone(), ..Plan::new(seed) })
                .is_ok()
        };
        let faults: Vec<Fault> = DISQUALIFYING.iter().map(|(_, text)| parsed(text)).filter(strikes).collect();
        let trials = Trials { protocol: &protocol, bench: bench.clone(), setting, seed, sessions };
        let points = ride(&trials, &faults, || true, || ()).unwrap_or_else(|why| panic!("{file}: {why}"));

        let [passed, open, failed] =
            [Outcome::Pass, Outcome::Undecided, Outcome::Fail].map(|outcome| points[0].ending(outcome));
        let mut outside = |what: &str, share: Share, within: (f64, f64)| {
            let (low, high) = clopper_pearson(share.hits, share.n, 0.999, Sides::Two);
            if high < within.0 || low > within.1 {
                off.push(format!("{file} on {word}: {what} {} of {}", share.hits, share.n));
            }
        };
        outside("sound passes", passed, (0.85, 1.0));
        outside("sound fails", failed, (0.0, 0.01));
        let cell = |(_, text): &(&str, &str)| {
            let fault = parsed(text);
            let Some(point) = points.iter().find(|point| point.fault.as_ref() == Some(&fault)) else {
                return "no drill for it".to_owned();
            };
            let failed = point.ending(Outcome::Fail);
            outside(text, failed, (0.99, 1.0));
            if failed.hits == failed.n { "all fail".to_owned() } else { format!("{} of {}", failed.hits, failed.n) }
        };
        let cells: Vec<String> = DISQUALIFYING.iter().map(cell).collect();
        let references: Vec<&str> = bench.references.iter().map(|fitted| fitted.label.as_str()).collect();
        let pct = |share: Share| format!("{:.1} %", 100.0 * share.value());
        println!(
            "| {file}, {} | {} | {} | {} | {} |",
            references.join(" and "),
            pct(passed),
            pct(open),
            pct(failed),
            cells.join(" | ")
        );
    }
    off.iter().for_each(|what| println!("off: {what}"));
    if off.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
