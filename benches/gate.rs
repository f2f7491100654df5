//! Many rehearsed sessions with known truth: does value ± U cover it, do sound units pass?
//!
//! `cargo bench --bench gate -- [SESSIONS [SEED]]`; which faults are found is told by `--bench diagnosis`. Riders, noise, head
//! units and straps differ from seed to seed ([`Habits::varied`]), gains and losses are drawn within what certificates state. Coverage is counted over sessions,
//! one number of each measure in each, so that the binomial interval holds.

#[allow(dead_code, reason = "shared with the tests")]
#[path = "../tests/common/mod.rs"]
mod common;
#[allow(dead_code, reason = "shared with the tests and another bench")]
#[path = "../tests/common/gate.rs"]
mod gate;

use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Instant;

use assize::protocol::Protocol;
use assize::quantity::{Bound, Unit};
use assize::rehearse::{Habits, Plan, Rehearsal, Storage, simulate};
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::Outcome;
use rayon::prelude::*;

struct Judged {
    seed: u64,
    storage: [Storage; 4],
    outcome: Outcome,
    named: Vec<String>,
    failed: Vec<String>,
    undecided: Vec<String>,
    observations: Vec<gate::Observation>,
    /// Largest E_n between references.
    e_n: f64,
}

fn judge_all(protocol: &Protocol, seeds: Range<u64>, faults: &[&str]) -> Vec<Judged> {
    let one = |seed: u64| {
        let plan = Plan { habits: Habits::varied(seed), ..common::plan(seed, faults) };
        judge_one(&plan, &simulate(protocol, &plan))
    };
    seeds.into_par_iter().map(one).collect()
}

/// One reference that is right and says so: what is left is scatter, clock and sampling.
fn judge_scatter(protocol: &Protocol, seeds: Range<u64>) -> Vec<Judged> {
    let one = |seed: u64| {
        let habits = Habits { systematic: 0.0, ..Habits::varied(seed) };
        let plan = Plan { habits, ..common::plan(seed, &[]) };
        let mut rehearsal = simulate(protocol, &plan);
        rehearsal.session.references.truncate(1);
        rehearsal.session.references[0].uncertainty = Bound::single(0.0, Unit::Percent);
        judge_one(&plan, &rehearsal)
    };
    seeds.into_par_iter().map(one).collect()
}

fn judge_one(plan: &Plan, rehearsal: &Rehearsal) -> Judged {
    let judgement = common::judge(rehearsal);
    Judged {
        seed: plan.seed,
        storage: plan.habits.storage,
        outcome: judgement.verdict.verdict.unwrap_or(Outcome::Undecided),
        named: gate::named(&judgement).into_iter().map(str::to_owned).collect(),
        failed: gate::not_passed(&judgement, Outcome::Fail),
        undecided: gate::not_passed(&judgement, Outcome::Undecided),
        observations: gate::one_each(plan.seed, &gate::observations(rehearsal, &judgement)),
        e_n: judgement.verdict.reference_comparison.iter().map(|pair| pair.e_n).fold(0.0, f64::max),
    }
}

fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len() as f64
}

fn rms(x: &[f64]) -> f64 {
    mean(&x.iter().map(|x| x * x).collect::<Vec<_>>()).sqrt()
}

/// One line per measure.
fn coverage_table(judged: &[&Judged], only: impl Fn(&str) -> bool) {
    let mut by: BTreeMap<&str, Vec<&gate::Observation>> = BTreeMap::new();
    for observation in judged.iter().flat_map(|j| &j.observations).filter(|o| only(&o.what)) {
        by.entry(&observation.what).or_default().push(observation);
    }
    println!(
        "| measure | n | bias | sd | mean U | rms z | covered % (95 % interval) |\n| --- | --- | --- | --- | --- | --- | --- |"
    );
    for (what, of) in by {
        let errors: Vec<f64> = of.iter().map(|o| o.value - o.truth).collect();
        let bias = mean(&errors);
        let sd = rms(&errors.iter().map(|e| e - bias).collect::<Vec<_>>());
        let z = rms(&of.iter().map(|o| (o.value - o.truth) / o.expanded * o.coverage_factor).collect::<Vec<_>>());
        let hits = of.iter().filter(|o| o.covered()).count();
        let n = of.len();
        let (low, high) = clopper_pearson(hits as u64, n as u64, 0.95, Sides::Two);
        println!(
            "| {what} | {n} | {bias:+.3} | {sd:.3} | {:.3} | {z:.2} | {:.1} ({:.1}..{:.1}) |",
            mean(&of.iter().map(|o| o.expanded).collect::<Vec<_>>()),
            100.0 * hits as f64 / n as f64,
            100.0 * low,
            100.0 * high
        );
    }
}

fn shares<'a>(n: usize, words: impl Iterator<Item = &'a String>) -> String {
    let mut by: BTreeMap<&str, usize> = BTreeMap::new();
    words.for_each(|word| *by.entry(word).or_default() += 1);
    let mut by: Vec<(&str, usize)> = by.into_iter().collect();
    by.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    let all: Vec<String> =
        by.iter().map(|(word, count)| format!("{word} {:.1} %", 100.0 * *count as f64 / n as f64)).collect();
    all.join(", ")
}

fn outcomes(judged: &[Judged]) -> String {
    let of = |outcome| 100.0 * judged.iter().filter(|j| j.outcome == outcome).count() as f64 / judged.len() as f64;
    format!(
        "pass {:.1} %, fail {:.1} %, undecided {:.1} %",
        of(Outcome::Pass),
        of(Outcome::Fail),
        of(Outcome::Undecided)
    )
}

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|argument| argument.parse::<u64>().ok());
    let (sessions, seed) = (numbers.next().unwrap_or(1000), numbers.next().unwrap_or(1));
    let started = Instant::now();
    let bench = gate::asked_more(common::shipped("bench-both-rings.yaml"));
    let judged = judge_all(&bench, seed..seed + sessions, &[]);
    println!("## Sound units, {} sessions of `{}`\n", judged.len(), bench.title);
    coverage_table(&judged.iter().collect::<Vec<_>>(), |_| true);
    println!("\n{}", outcomes(&judged));
    println!("undecided: {}", shares(judged.len(), judged.iter().flat_map(|j| &j.undecided)));
    println!("named: {}", shares(judged.len(), judged.iter().flat_map(|j| &j.named)));
    for j in judged.iter().filter(|j| !j.failed.is_empty() || j.outcome == Outcome::Fail || !j.named.is_empty()) {
        println!("seed {} {:?}: failed {:?}, named {:?}, E_n {:.2}", j.seed, j.storage, j.failed, j.named, j.e_n);
    }
    let above = |e_n: f64| judged.iter().filter(|j| j.e_n > e_n).count() as f64 / judged.len() as f64 * 100.0;
    println!("E_n between references above 1: {:.1} %, 1.3: {:.1} %, 1.5: {:.1} %", above(1.0), above(1.3), above(1.5));

    let short_term = |what: &str| what.contains("coast") || what.contains("standing");
    for (unit, pedals) in [
        (Storage::LastMessage, Storage::LastMessage),
        (Storage::SecondMean, Storage::SecondMean),
        (Storage::LastMessage, Storage::SecondMean),
        (Storage::SecondMean, Storage::LastMessage),
    ] {
        let these: Vec<&Judged> = judged.iter().filter(|j| j.storage[..2] == [unit, pedals]).collect();
        println!("\n### Unit stores {unit:?}, pedals {pedals:?}\n");
        coverage_table(&these, short_term);
    }
    println!("\n{:.1} min so far", started.elapsed().as_secs_f64() / 60.0);

    let part = (sessions / 4).max(1);
    let scattered = judge_scatter(&bench, seed..seed + part);
    println!("\n## Scatter, clock and sampling alone, {part} sessions\n");
    coverage_table(&scattered.iter().collect::<Vec<_>>(), |_| true);

    let faults = ["gain=-4", "drift=8", "ring-offset=-14@big", "side-short=110@left,2/6"];
    let faulty = judge_all(&bench, seed..seed + part, &faults);
    println!("\n## Faulty units ({}), {part} sessions\n", faults.join(" "));
    coverage_table(&faulty.iter().collect::<Vec<_>>(), |_| true);

    let short = common::shipped("short-check.yaml");
    let short_judged = judge_all(&short, seed..seed + (sessions / 2).max(1), &[]);
    println!("\n## Sound units, {} sessions of `{}`\n", short_judged.len(), short.title);
    coverage_table(&short_judged.iter().collect::<Vec<_>>(), |_| true);
    println!("\n{}", outcomes(&short_judged));
    println!("undecided: {}", shares(short_judged.len(), short_judged.iter().flat_map(|j| &j.undecided)));
    println!("named: {}", shares(short_judged.len(), short_judged.iter().flat_map(|j| &j.named)));
    println!("failed: {}", shares(short_judged.len(), short_judged.iter().flat_map(|j| &j.failed)));

    println!("\n{:.1} min in all", started.elapsed().as_secs_f64() / 60.0);
}
