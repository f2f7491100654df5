//! What verdicts rest on: how often a premise is contradicted where it holds, and what becomes of a session where it does not.
//!
//! `cargo bench --bench premises -- [SESSIONS [SEED]]`: so many sound sessions over all shipped protocols, benches and settings
//! (3,000 where nobody says), then each mistake of `tests/common/distortions.rs` a fiftieth as often. Ends with an error where a
//! premise is contradicted in more than 3 of 3,000 sound sessions, sound sessions fail by more than luck, a mistake goes unseen in
//! more than one of twenty, or a single session comes to what its mistake forbids.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use std::collections::BTreeMap;
use std::process::ExitCode;

use assize::internals::rehearse::{BENCHES, RehearsalPlan, RideSetting, record};
use assize::internals::trials;
use assize::premise::PREMISES;
use assize::protocol::Protocol;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::{Outcome, Verdict};
use common::distortions::{DISTORTIONS, contradicted, distorted};
use common::gate;
use common::shipped::SHIPPED;
use rayon::prelude::*;

/// Of so many sound sessions, so many may contradict a premise.
const MAY: (u64, u64) = (3, 3000);
/// Share of sessions in which a mistake may go unseen where it forbids nothing.
const MAY_MISS: f64 = 0.05;

struct Sound {
    name: String,
    protocol: Protocol,
    bench: usize,
    setting: RideSetting,
}

fn main() -> ExitCode {
    let numbers: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let sessions = numbers.first().copied().unwrap_or(3000);
    let seed = numbers.get(1).copied().unwrap_or(1);
    let mut off = sound(sessions, seed);
    off.extend(distortions((sessions / 50).max(2), seed));
    off.iter().for_each(|what| println!("off: {what}"));
    if off.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Every shipped protocol on its own bench, then on every other, in every setting that it can be ridden in.
fn cells() -> Vec<Sound> {
    let mut cells = vec![];
    for shipped in SHIPPED {
        let protocol = common::shipped(shipped.file);
        let own = RideSetting::asked_by(&protocol);
        for (bench, kind) in BENCHES.iter().enumerate() {
            for setting in RideSetting::ALL {
                if (own == RideSetting::Road) != (setting == RideSetting::Road) || !is_sound(shipped.file, kind.word) {
                    continue;
                }
                let name = format!("{} {} {}", shipped.file, kind.word, setting.word());
                cells.push(Sound { name, protocol: protocol.clone(), bench, setting });
            }
        }
    }
    cells
}

/// What one side senses and doubles is another question, with a protocol of its own, and nobody hangs masses on a hub.
fn is_sound(protocol: &str, bench: &str) -> bool {
    match bench {
        "left-unit" => protocol == "single-sided.yaml",
        "hub-unit" => protocol != "rig-ramp-and-loads.yaml",
        _ => true,
    }
}

fn sound(sessions: u64, seed: u64) -> Vec<String> {
    let cells = cells();
    let judged: Vec<(usize, u64, Verdict)> = (0..sessions)
        .into_par_iter()
        .map(|n| {
            let at = (n as usize) % cells.len();
            let Sound { name, protocol, bench, setting } = &cells[at];
            let seed = seed + n;
            let plan = RehearsalPlan { bench: (BENCHES[*bench].bench)(), setting: *setting, ..gate::varied(seed, &[]) };
            let (session, recordings) = record(protocol, &plan);
            let judged = trials::judge(&session, recordings).unwrap_or_else(|why| panic!("{name}, seed {seed}: {why}"));
            (at, seed, judged.verdict)
        })
        .collect();
    let mut off = vec![];
    println!("{sessions} sound sessions of {} protocols, benches and settings", cells.len());
    println!("| premise | held | untested | contradicted | |\n| --- | --- | --- | --- | --- |");
    for row in PREMISES {
        let is = |verdict: &Verdict, state: &str| {
            verdict.premises.iter().any(|tested| tested.premise == row.word && tested.state == state)
        };
        let count = |state: &str| judged.iter().filter(|(_, _, verdict)| is(verdict, state)).count() as u64;
        let wrong: Vec<String> = judged
            .iter()
            .filter(|(_, _, verdict)| contradicted(verdict, row.premise))
            .map(|(at, seed, verdict)| {
                let evidence = verdict.premises.iter().find(|p| p.premise == row.word && p.is_contradicted());
                format!("{} seed {seed}: {}", cells[*at].name, evidence.map_or("", |p| p.evidence.as_str()))
            })
            .collect();
        let contradicted = wrong.len() as u64;
        println!("| {} | {} | {} | {contradicted} | |", row.word, count("held"), count("untested"));
        wrong.iter().take(8).for_each(|what| println!("    {what}"));
        if clopper_pearson(contradicted, sessions, 0.999, Sides::Two).0 > MAY.0 as f64 / MAY.1 as f64
            || (sessions >= MAY.1 && contradicted * MAY.1 > MAY.0 * sessions)
        {
            off.push(format!("{}: contradicted in {contradicted} of {sessions} sound sessions", row.word));
        }
    }
    let mut outcomes: BTreeMap<&str, u64> = BTreeMap::new();
    for (at, seed, verdict) in &judged {
        let outcome = verdict.verdict.map_or("none", Outcome::word);
        *outcomes.entry(outcome).or_default() += 1;
        if outcome == "fail" {
            println!("    fails: {} seed {seed}: {}", cells[*at].name, verdict.why.join(" "));
        }
    }
    println!("outcomes: {outcomes:?}");
    let fails = outcomes.get("fail").copied().unwrap_or(0);
    if clopper_pearson(fails, sessions, 0.999, Sides::Two).0 > 0.01 {
        off.push(format!("{fails} of {sessions} sound sessions fail"));
    }
    off
}

fn distortions(sessions: u64, seed: u64) -> Vec<String> {
    let mut off = vec![];
    println!("\n{sessions} sessions of each mistake\n| mistake | seen | comes to | |\n| --- | --- | --- | --- |");
    for distortion in DISTORTIONS {
        let protocol = common::shipped(distortion.protocol);
        let judged: Vec<(u64, Verdict)> = (0..sessions)
            .into_par_iter()
            .map(|n| {
                let seed = seed + 100_000 + n;
                let of = distorted(distortion, &protocol, seed);
                let judged = trials::judge(&of.session, of.recordings);
                (seed, judged.unwrap_or_else(|why| panic!("{}, seed {seed}: {why}", distortion.word)).verdict)
            })
            .collect();
        let seen = |verdict: &Verdict| distortion.breaks.is_none_or(|premise| contradicted(verdict, premise));
        let missed: Vec<u64> = judged.iter().filter(|(_, verdict)| !seen(verdict)).map(|(seed, _)| *seed).collect();
        let mut outcomes: BTreeMap<&str, u64> = BTreeMap::new();
        let mut forbidden = vec![];
        for (seed, verdict) in &judged {
            let outcome = verdict.verdict.unwrap_or(Outcome::NotApplicable);
            *outcomes.entry(outcome.word()).or_default() += 1;
            if !distortion.may.contains(&outcome) {
                forbidden.push(format!("seed {seed} {}: {}", outcome.word(), verdict.why.join(" ")));
            }
        }
        println!("| {} | {} of {sessions} | {outcomes:?} | |", distortion.word, sessions - missed.len() as u64);
        forbidden.iter().take(4).for_each(|what| println!("    {what}"));
        // What is not seen must not matter, as its outcome says; and it has to be rare.
        if clopper_pearson(missed.len() as u64, sessions, 0.999, Sides::Two).0 > MAY_MISS {
            off.push(format!("{}: not seen with seeds {missed:?}", distortion.word));
        }
        if !forbidden.is_empty() {
            off.push(format!("{}: {} of {sessions} come to what they may not", distortion.word, forbidden.len()));
        }
    }
    off
}
