//! Which pattern is named for which fault, over many rehearsed sessions.
//!
//! `cargo bench --bench diagnosis -- [SESSIONS [SEED]] [FAULT…]`. A number is a setting; any other word keeps the faults that
//! begin with it and then also prints every session in which the expected pattern was not named or another one was.

#[allow(dead_code, reason = "shared with the tests")]
#[path = "../tests/common/mod.rs"]
mod common;
#[allow(dead_code, reason = "shared with the tests")]
#[path = "../tests/common/gate.rs"]
mod gate;

use std::collections::BTreeMap;
use std::time::Instant;

use assize::protocol::Protocol;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::Outcome;
use rayon::prelude::*;

struct Session {
    seed: u64,
    outcome: Option<Outcome>,
    named: Vec<String>,
    sizes: Vec<f64>,
    also: usize,
    says: Vec<String>,
    failed: Vec<String>,
}

fn session(protocol: &Protocol, case: &gate::Case, seed: u64) -> Session {
    let judgement = common::judge(&case.rehearse(protocol, seed));
    let findings = &judgement.verdict.diagnosis;
    Session {
        seed,
        outcome: judgement.verdict.verdict,
        named: findings.iter().map(|finding| finding.pattern.clone()).collect(),
        sizes: findings.iter().map(|finding| finding.size).collect(),
        also: findings.iter().filter(|finding| !finding.could_also_be.is_empty()).count(),
        says: findings
            .iter()
            .map(|finding| {
                format!("{} {:.1} {} {:?}", finding.pattern, finding.size, finding.unit, finding.could_also_be)
            })
            .collect(),
        failed: gate::not_passed(&judgement, Outcome::Fail),
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let mut numbers = words.iter().filter_map(|word| word.parse::<u64>().ok());
    let (sessions, first) = (numbers.next().unwrap_or(100), numbers.next().unwrap_or(1001));
    let only: Vec<&String> = words.iter().filter(|word| word.parse::<u64>().is_err()).collect();
    let wanted = |case: &&gate::Case| {
        only.is_empty() || only.iter().any(|word| case.fault.unwrap_or("sound").starts_with(word.as_str()))
    };
    let started = Instant::now();
    let protocol = common::shipped("bench-both-rings.yaml");
    println!("seeds {first} to {}\n", first + sessions - 1);
    println!(
        "| fault | bench | fail % | expected | named % (95 % interval) | size, mean (sd) | with another explanation % | other patterns, % of sessions |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    // (sessions in which it was named wrongly, the fault and share where it was most often)
    let mut wrongly: BTreeMap<String, (usize, String, f64)> = BTreeMap::new();
    let mut without: BTreeMap<&str, usize> = BTreeMap::new();
    let mut judged = 0;
    for case in gate::CASES.iter().chain(gate::UNCLEAR).filter(wanted) {
        let expected = case.expected();
        let seeds = first..first + sessions;
        let all: Vec<Session> = seeds.into_par_iter().map(|seed| session(&protocol, case, seed)).collect();
        let n = all.len();
        let hits = all.iter().filter(|s| expected.is_some_and(|e| s.named.iter().any(|name| name == e))).count();
        let (low, high) = clopper_pearson(hits as u64, n as u64, 0.95, Sides::Two);
        let named = match expected {
            Some(_) => format!("{:.1} ({:.1}..{:.1})", pct(hits, n), 100.0 * low, 100.0 * high),
            None => String::new(),
        };
        let mut others: BTreeMap<&str, usize> = BTreeMap::new();
        for s in &all {
            let mut once: Vec<&str> =
                s.named.iter().map(String::as_str).filter(|name| Some(*name) != expected).collect();
            once.sort_unstable();
            once.dedup();
            once.into_iter().for_each(|name| *others.entry(name).or_default() += 1);
        }
        for (name, count) in &others {
            let entry = wrongly.entry((*name).to_owned()).or_default();
            entry.0 += count;
            if pct(*count, n) > entry.2 {
                (entry.1, entry.2) = (case.fault.unwrap_or("sound").to_owned(), pct(*count, n));
            }
        }
        let words: Vec<String> = others.iter().map(|(name, count)| format!("{name} {:.1}", pct(*count, n))).collect();
        let sizes: Vec<f64> = all
            .iter()
            .flat_map(|s| {
                s.named.iter().zip(&s.sizes).find(|(name, _)| Some(name.as_str()) == expected).map(|(_, size)| *size)
            })
            .collect();
        let mean = sizes.iter().sum::<f64>() / sizes.len() as f64;
        let sd = (sizes.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (sizes.len() as f64 - 1.0)).sqrt();
        let size = if sizes.is_empty() { String::new() } else { format!("{mean:.2} ({sd:.2})") };
        let also = pct(all.iter().filter(|s| s.also > 0).count(), n);
        let failed = all.iter().filter(|s| s.outcome == Some(Outcome::Fail)).count();
        println!(
            "| `{}` | {} | {:.0} | {} | {named} | {size} | {also:.0} | {} |",
            case.fault.unwrap_or("sound"),
            if case.no_balance { "both, no balance kept" } else { case.bench },
            pct(failed, n),
            expected.unwrap_or("none"),
            words.join(", ")
        );
        judged += n;
        *without.entry(expected.unwrap_or("none")).or_default() += n;
        let wrong = |s: &&Session| s.named.iter().map(String::as_str).ne(expected);
        if !only.is_empty() {
            for s in all.iter().filter(wrong) {
                println!("  seed {} {:?} named {:?} failed {:?}", s.seed, s.outcome, s.says, s.failed);
            }
        }
    }
    println!(
        "\n| pattern | named wrongly in | of sessions | % (upper 95 % limit) | most often at |\n| --- | --- | --- | --- | --- |"
    );
    for (name, (count, worst, worst_pct)) in wrongly {
        let of = judged - without.get(name.as_str()).copied().unwrap_or(0);
        let (_, high) = clopper_pearson(count as u64, of as u64, 0.95, Sides::Upper);
        println!(
            "| {name} | {count} | {of} | {:.2} ({:.2}) | `{worst}` {worst_pct:.1} % |",
            pct(count, of),
            100.0 * high
        );
    }
    println!("{:.1} min", started.elapsed().as_secs_f64() / 60.0);
}

fn pct(count: usize, of: usize) -> f64 {
    100.0 * count as f64 / of as f64
}
