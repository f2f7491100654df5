//! Which pattern is named for which fault, and for none, over many rehearsed sessions.
//!
//! `cargo bench --bench diagnosis -- [SESSIONS [SEED]] [FAULT…]`. A number is a setting; any other word keeps the faults that
//! begin with it (`elsewhere`: sound units on other benches) and then also prints every session in which the expected pattern
//! was not named or another one was. Each row has seeds of its own, so that counts over rows are of independent sessions. Ends
//! with an error where a clear fault is named in less than 95 % or a pattern where it is not in more than 1 %, by more than
//! luck (exact limits, one in a thousand).

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use common::gate;
use std::collections::BTreeMap;
use std::ops::Range;
use std::process::ExitCode;
use std::time::Instant;

use assize::internals::against_truth::ComparedValue;
use assize::internals::rehearse::{BENCHES, Rehearsal, RehearsalPlan, RideHabits, RideSetting, simulate};
use assize::protocol::Protocol;
use assize::session;
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::{Finding, Outcome};
use rayon::prelude::*;

/// Least share of sessions in which a clear fault is named, most in which a pattern is named that is not there.
const NAMED: f64 = 0.95;
const WRONGLY: f64 = 0.01;

struct Session {
    seed: u64,
    outcome: Option<Outcome>,
    findings: Vec<Finding>,
    failed: Vec<String>,
    /// A sound unit with a true error beyond a limit.
    truly_off: bool,
}

impl Session {
    fn of(seed: u64, rehearsal: &Rehearsal) -> Self {
        let judgement = common::judge(rehearsal);
        let failed = gate::not_passed(&judgement, Outcome::Fail);
        Self {
            seed,
            outcome: judgement.verdict.verdict,
            findings: judgement.verdict.diagnosis,
            failed,
            truly_off: false,
        }
    }

    /// Patterns named besides the expected one, each once.
    fn wrong(&self, expected: Option<Expected>) -> Vec<&str> {
        let others = self.findings.iter().filter(|finding| !expected.is_some_and(|e| e.is(finding)));
        let mut wrong: Vec<&str> = others.map(|finding| finding.pattern.as_str()).collect();
        wrong.sort_unstable();
        wrong.dedup();
        wrong
    }

    fn says(&self) -> String {
        let says = self.findings.iter().map(|f| {
            format!("{} {:.1} {} {:?} because of {:?}", f.pattern, f.size, f.unit, f.could_also_be, f.evidence)
        });
        format!(
            "seed {} {:?} failed {:?}: {}",
            self.seed,
            self.outcome,
            self.failed,
            says.collect::<Vec<_>>().join("; ")
        )
    }
}

/// What should be named: a pattern, of a reference the right one.
#[derive(Clone, Copy)]
struct Expected {
    pattern: &'static str,
    reference: Option<&'static str>,
}

impl Expected {
    fn of(case: &gate::Case) -> Option<Self> {
        let reference = case.fault.and_then(|fault| fault.split_once('@')).map(|(_, struck)| struck);
        let pattern = case.expected()?;
        Some(Self { pattern, reference: reference.filter(|_| pattern == "reference-at-fault") })
    }

    fn is(self, finding: &Finding) -> bool {
        // A reference is struck by the last word of its label, and a finding begins with the label.
        let here =
            |reference: &str| finding.says.split(" reads ").next().is_some_and(|label| label.ends_with(reference));
        finding.pattern == self.pattern && self.reference.is_none_or(here)
    }
}

/// What was asked and not held.
#[derive(Default)]
struct Short(Vec<String>);

impl Short {
    fn named(&mut self, what: &str, hits: usize, n: usize) {
        if gate::too_few(hits as u64, n as u64, NAMED) {
            self.0.push(format!("{what}: named in {hits} of {n}"));
        }
    }

    fn wrongly(&mut self, what: &str, hits: usize, n: usize) {
        if gate::too_many(hits as u64, n as u64, WRONGLY) {
            self.0.push(format!("{what}: wrongly named in {hits} of {n}"));
        }
    }
}

/// Sessions in which each pattern was named wrongly.
#[derive(Default)]
struct Wrongly {
    sessions: usize,
    /// Sessions in which a pattern would have been right.
    right: BTreeMap<&'static str, usize>,
    /// Pattern: sessions, the place with the largest share and that share.
    by: BTreeMap<String, (usize, String, f64)>,
}

impl Wrongly {
    /// Counts the sessions of one place; the shares in words.
    fn count(&mut self, place: &str, all: &[Session], expected: Option<Expected>, short: &mut Short) -> String {
        let mut here: BTreeMap<&str, usize> = BTreeMap::new();
        all.iter().flat_map(|s| s.wrong(expected)).for_each(|name| *here.entry(name).or_default() += 1);
        for (name, count) in &here {
            short.wrongly(&format!("{name} at {place}"), *count, all.len());
            let entry = self.by.entry((*name).to_owned()).or_default();
            entry.0 += count;
            if pct(*count, all.len()) > entry.2 {
                (entry.1, entry.2) = (place.to_owned(), pct(*count, all.len()));
            }
        }
        self.sessions += all.len();
        if let Some(expected) = expected {
            *self.right.entry(expected.pattern).or_default() += all.len();
        }
        here.iter().map(|(name, count)| format!("{name} {:.1}", pct(*count, all.len()))).collect::<Vec<_>>().join(", ")
    }

    fn print(&self, short: &mut Short) {
        println!(
            "\n| pattern | named wrongly in | of sessions | % (upper 95 % limit) | most often at |\n| --- | --- | --- | --- | --- |"
        );
        for (name, (count, worst, worst_pct)) in &self.by {
            // Another reference than the faulty one may be named in any session.
            let right = self.right.get(name.as_str()).filter(|_| name != "reference-at-fault");
            let of = self.sessions - right.copied().unwrap_or(0);
            short.wrongly(name, *count, of);
            let (_, high) = clopper_pearson(*count as u64, of as u64, 0.95, Sides::Upper);
            println!(
                "| {name} | {count} | {of} | {:.2} ({:.2}) | {worst} {worst_pct:.1} % |",
                pct(*count, of),
                100.0 * high
            );
        }
    }
}

/// Findings of a pattern, and how many of them were right: by themselves, and with another explanation listed.
#[derive(Default)]
struct Trust {
    alone: (usize, usize),
    also: (usize, usize),
    /// Of those with another explanation that were wrong, how many list the right one.
    listed: usize,
}

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let mut numbers = words.iter().filter_map(|word| word.parse::<u64>().ok());
    let (sessions, first) = (numbers.next().unwrap_or(100), numbers.next().unwrap_or(1001));
    let only: Vec<&String> = words.iter().filter(|word| word.parse::<u64>().is_err()).collect();
    let wanted = |fault: &str| only.is_empty() || only.iter().any(|word| fault.starts_with(word.as_str()));
    let started = Instant::now();
    println!("seeds from {first}, {sessions} for each row, each row {sessions} on");
    let mut short = Short::default();
    faults(first..first + sessions, &wanted, !only.is_empty(), &mut short);
    if wanted("elsewhere") {
        sound(first..first + sessions, &mut short);
    }
    println!("\n{:.1} min", started.elapsed().as_secs_f64() / 60.0);
    short.0.iter().for_each(|what| eprintln!("not held: {what}"));
    if short.0.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Every case, clear and unclear.
fn faults(seeds: Range<u64>, wanted: &dyn Fn(&str) -> bool, each: bool, short: &mut Short) {
    let protocol = common::shipped("bench-both-rings.yaml");
    println!(
        "\n| fault | bench | fail % | expected | named % (95 % interval) | size, mean (sd) | with another explanation % | other patterns, % of sessions |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    let mut wrongly = Wrongly::default();
    let mut trust: BTreeMap<String, Trust> = BTreeMap::new();
    let sessions = seeds.end - seeds.start;
    let cases = gate::CASES.iter().map(|case| (case, true)).chain(gate::UNCLEAR.iter().map(|case| (case, false)));
    for (row, (case, clear)) in (0..).zip(cases).filter(|(_, (case, _))| wanted(case.fault.unwrap_or("sound"))) {
        let (expected, fault) = (Expected::of(case), case.fault.unwrap_or("sound"));
        let one = |seed: u64| Session::of(seed, &case.rehearse(&protocol, seed));
        let all: Vec<Session> = own(&seeds, row * sessions).into_par_iter().map(one).collect();
        let n = all.len();
        let right = |s: &Session| s.findings.iter().find(|f| expected.is_some_and(|e| e.is(f))).map(|f| f.size);
        let sizes: Vec<f64> = all.iter().filter_map(right).collect();
        let hits = sizes.len();
        let (low, high) = clopper_pearson(hits as u64, n as u64, 0.95, Sides::Two);
        let (mut named, mut size) = (String::new(), String::new());
        let bench = if case.no_balance { "both, no balance kept" } else { case.bench };
        if expected.is_some() {
            named = format!("{:.1} ({:.1}..{:.1})", pct(hits, n), 100.0 * low, 100.0 * high);
            let mean = sizes.iter().sum::<f64>() / hits as f64;
            let sd = (sizes.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (hits as f64 - 1.0)).sqrt();
            size = format!("{mean:.2} ({sd:.2})");
            if clear {
                short.named(&format!("{fault}, {bench}"), hits, n);
            }
        }
        let others = wrongly.count(&format!("`{fault}`, {bench}"), &all, expected, short);
        let also = all.iter().filter(|s| s.findings.iter().any(|f| !f.could_also_be.is_empty())).count();
        let failed = all.iter().filter(|s| s.outcome == Some(Outcome::Fail)).count();
        println!(
            "| `{fault}` | {bench} | {:.0} | {} | {named} | {size} | {:.0} | {others} |",
            pct(failed, n),
            expected.map_or("none", |e| e.pattern),
            pct(also, n),
        );
        for finding in all.iter().flat_map(|s| &s.findings) {
            let of = trust.entry(finding.pattern.clone()).or_default();
            let is_right = expected.is_some_and(|e| e.is(finding));
            let count = if finding.could_also_be.is_empty() { &mut of.alone } else { &mut of.also };
            *count = (count.0 + usize::from(is_right), count.1 + 1);
            let lists = |e: Expected| {
                let of_reference =
                    e.reference.is_some() && finding.could_also_be.iter().any(|a| a.ends_with("at fault"));
                of_reference || finding.could_also_be.iter().any(|also| also.starts_with(e.pattern))
            };
            of.listed += usize::from(!is_right && expected.is_some_and(lists));
        }
        let amiss = |s: &&Session| right(s).is_none() && expected.is_some() || !s.wrong(expected).is_empty();
        all.iter().filter(amiss).filter(|_| each).for_each(|s| println!("  {}", s.says()));
    }
    wrongly.print(short);
    println!(
        "\n| pattern | named alone, right | named with another explanation, right | wrong, and the right one listed |\n| --- | --- | --- | --- |"
    );
    for (name, Trust { alone, also, listed }) in trust {
        println!("| {name} | {} of {} | {} of {} | {listed} |", alone.0, alone.1, also.0, also.1);
    }
}

/// Sound units on every bench in every setting, under both protocols. References are off by what they state in every other
/// session. A unit that doubles its rider's left leg truly reads high or low: a gain or an offset is right there where the true
/// error lies beyond a limit.
fn sound(seeds: Range<u64>, short: &mut Short) {
    println!("\n| sound units | protocol | named, % of sessions | |\n| --- | --- | --- | --- |");
    let mut wrongly = Wrongly::default();
    let mut amiss = vec![];
    let mut on = 0;
    for file in ["bench-both-rings.yaml", "short-check.yaml"] {
        let protocol = common::shipped(file);
        for (kind, setting) in BENCHES.iter().flat_map(|kind| RideSetting::ALL.map(|setting| (kind, setting))) {
            let all: Vec<Session> =
                own(&seeds, on).into_par_iter().map(|seed| sound_one(&protocol, seed, kind, setting)).collect();
            on += seeds.end - seeds.start;
            let place = format!("{}, {}", kind.word, setting.word());
            let named = wrongly.count(&place, &all, None, short);
            let truly = all.iter().filter(|s| s.truly_off).count();
            let truly = if truly > 0 { format!("truly off {:.1}", pct(truly, all.len())) } else { String::new() };
            println!("| {place} | {file} | {named} | {truly} |");
            amiss.extend(
                all.iter().filter(|s| !s.findings.is_empty()).map(|s| format!("{place}, {file}: {}", s.says())),
            );
        }
    }
    wrongly.print(short);
    println!();
    amiss.iter().for_each(|says| println!("{says}"));
}

/// The seeds of a row that lies so many sessions on.
fn own(seeds: &Range<u64>, on: u64) -> Range<u64> {
    seeds.start + on..seeds.end + on
}

fn sound_one(
    protocol: &Protocol,
    seed: u64,
    kind: &assize::internals::rehearse::BenchKind,
    setting: RideSetting,
) -> Session {
    let plan = gate::varied(seed, &[]);
    let habits = RideHabits { as_stated: seed.is_multiple_of(2), ..plan.habits };
    let plan = RehearsalPlan { habits, bench: (kind.bench)(), setting, ..plan };
    let rehearsal = simulate(protocol, &plan);
    let mut session = Session::of(seed, &rehearsal);
    if plan.bench.unit.sides == session::Sides::LeftDoubled {
        let comparison = gate::beside_truth(&rehearsal, &common::judge(&rehearsal));
        let beyond = |value: &ComparedValue| {
            let (low, high) = value.limit;
            value.measure == "mean_error"
                && value.truth.is_some_and(|t| low.is_some_and(|l| t < l) || high.is_some_and(|h| t > h))
        };
        session.truly_off = comparison.phases.iter().flat_map(|phase| &phase.checks).any(beyond);
        let level = |finding: &Finding| ["gain", "offset"].contains(&finding.pattern.as_str());
        session.findings.retain(|finding| !(session.truly_off && level(finding)));
    }
    session
}

fn pct(count: usize, of: usize) -> f64 {
    100.0 * count as f64 / of as f64
}
