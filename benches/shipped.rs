//! Every shipped protocol on the bench that it is meant for: what a sound unit has to expect, and whether the trade's
//! disqualifying faults fail.
//!
//! `cargo bench --bench shipped -- [SESSIONS [SEED]]`, 100 of each where nobody says. Prints the table of
//! `shared/guide/verdict.md`. Ends with an error where more is off than by luck (exact limits, one in a thousand): sound units
//! that pass in less than 85 %, or fail in more than 1 %, faults that fail in less than 99 %.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use common::shipped;
use std::process::ExitCode;

use assize::internals::rehearse::{BENCHES, Fault, RideSetting};
use assize::internals::trials::{TrialShare, Trials, ride};
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::Outcome;
use shipped::{HELD, LATE, RING, SHIPPED, SIDE};

/// What the columns of the table say of each.
const COLUMNS: [(&str, &str); 4] = [
    ("20 W on one ring", RING),
    ("a side 100 W short in two of three sprints", SIDE),
    ("held for 5 s", HELD),
    ("3 s late after coasting", LATE),
];

fn main() -> ExitCode {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let sessions = numbers.first().map_or(100, |n| *n as u32);
    let seed = numbers.get(1).copied().unwrap_or(1);
    let columns = COLUMNS.map(|(words, _)| words).join(" | ");
    println!("| protocol, references | passes | undecided | fails | {columns} | others |");
    println!("| {} |", ["---"; 9].join(" | "));
    let mut off = vec![];
    for shipped in SHIPPED {
        let protocol = common::shipped(shipped.file);
        let bench = BENCHES.iter().find(|kind| kind.word == shipped.bench).map(|kind| (kind.bench)());
        let bench = bench.unwrap_or_else(|| panic!("no bench {}", shipped.bench));
        let parsed = |text: &&str| text.parse::<Fault>().unwrap_or_else(|why| panic!("{why}"));
        let faults: Vec<Fault> = shipped.finds.iter().map(parsed).collect();
        let references: Vec<&str> = bench.references.iter().map(|fitted| fitted.label.as_str()).collect();
        let row = format!("{}, {}", shipped.file, references.join(" and "));
        let setting = RideSetting::asked_by(&protocol);
        let trials = Trials { protocol: &protocol, bench, setting, seed, sessions };
        let points = ride(&trials, &faults, || true, || ()).unwrap_or_else(|why| panic!("{}: {why}", shipped.file));

        let mut within = |what: &str, share: TrialShare, (low, high): (f64, f64)| {
            let limits = clopper_pearson(share.hits, share.n, 0.999, Sides::Two);
            if limits.1 < low || limits.0 > high {
                off.push(format!("{row}: {what} {} of {}", share.hits, share.n));
            }
        };
        let sound = [Outcome::Pass, Outcome::Undecided, Outcome::Fail].map(|outcome| points[0].ending(outcome));
        within("passes", sound[0], (0.85, 1.0));
        within("fails", sound[2], (0.0, 0.01));
        let mut found: Vec<(&str, String)> = vec![];
        for (text, point) in shipped.finds.iter().zip(&points[1..]) {
            let failed = point.ending(Outcome::Fail);
            within(text, failed, (0.99, 1.0));
            let all = failed.hits == failed.n;
            found.push((text, if all { "all fail".to_owned() } else { format!("{} of {}", failed.hits, failed.n) }));
        }
        let cell = |(_, fault): (&str, &str)| {
            found.iter().find(|(text, _)| *text == fault).map_or("not asked".to_owned(), |(_, said)| said.clone())
        };
        let is_other = |text: &str| COLUMNS.iter().all(|(_, fault)| *fault != text);
        let others = found.iter().filter(|(text, _)| is_other(text)).map(|(text, said)| format!("`{text}`: {said}"));
        let sound = sound.map(|share| format!("{:.1} %", 100.0 * share.value()));
        let others = others.collect::<Vec<_>>().join(", ");
        println!("| {row} | {} | {} | {others} |", sound.join(" | "), COLUMNS.map(cell).join(" | "));
    }
    off.iter().for_each(|what| println!("off: {what}"));
    if off.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
