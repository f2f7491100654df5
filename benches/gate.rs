//! Many rehearsed sessions with known truth: does value ± U cover it, do sound units pass, are faults failed?
//!
//! `cargo bench --bench gate -- [SESSIONS [SEED]] [real]`; which faults are named is told by `--bench diagnosis`. Riders, noise,
//! head units and straps differ from seed to seed, gains, sides and losses are drawn from what certificates and sessions
//! state ([`gate::varied`]). Coverage is counted over sessions, one number of each measure in each, so that the binomial
//! interval holds. Ends with an error where a share lies outside what is asked by more than luck (exact limits, one in a
//! thousand).
//!
//! With `real`, riders scatter as the real rides in the folder `ASSIZE_RECORDINGS` do, minute by minute drawn at random. No
//! open recording holds a unit and a reference together, so it is the rider's power, cadence and balance that are real; what
//! two instruments make of them stays simulated.

#[allow(dead_code, reason = "each test and bench uses its part")]
#[path = "../tests/common/mod.rs"]
mod common;

use common::gate;
use common::steady;
use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Instant;

use assize::internals::rehearse::{
    BENCHES, Rehearsal, RehearsalPlan, RideHabits, RideSetting, RiderScatter, SecondStorage, simulate,
};
use assize::protocol::Protocol;
use assize::quantity::{Bound, Unit};
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::Outcome;
use rayon::prelude::*;

struct Judged {
    seed: u64,
    bench: String,
    storage: [SecondStorage; 4],
    outcome: Outcome,
    named: Vec<String>,
    failed: Vec<String>,
    undecided: Vec<String>,
    observations: Vec<gate::Observation>,
    /// Largest E_n between references.
    e_n: f64,
    /// One measure at its limit, one 2.2 U beyond it.
    at_limit: Option<(String, Outcome)>,
    beyond: Option<(String, Outcome)>,
}

type Riders = Option<Arc<RiderScatter>>;

/// Judges one session for each seed.
#[derive(Clone, Copy)]
struct Gate<'a> {
    protocol: &'a Protocol,
    riders: &'a Riders,
    faults: &'a [&'a str],
    /// Decides measures at their limits and beyond as well.
    limits: bool,
}

impl Gate<'_> {
    fn plan(&self, seed: u64) -> RehearsalPlan {
        let mut plan = gate::varied(seed, self.faults);
        plan.habits.scatter = self.riders.clone();
        plan
    }

    fn judge(&self, seeds: Range<u64>) -> Vec<Judged> {
        self.judge_with(seeds, |plan, _| plan, |_| ())
    }

    fn judge_with(
        &self,
        seeds: Range<u64>,
        planned: impl Fn(RehearsalPlan, u64) -> RehearsalPlan + Sync,
        ridden: impl Fn(&mut Rehearsal) + Sync,
    ) -> Vec<Judged> {
        let one = |seed: u64| {
            let plan = planned(self.plan(seed), seed);
            let mut rehearsal = simulate(self.protocol, &plan);
            ridden(&mut rehearsal);
            judge_one(&plan, &rehearsal, self.limits)
        };
        seeds.into_par_iter().map(one).collect()
    }
}

/// Every bench but the usual one in every setting, in turn.
fn elsewhere(plan: RehearsalPlan, seed: u64) -> RehearsalPlan {
    let places = BENCHES.len() * RideSetting::ALL.len() - 1;
    let place = 1 + (seed % places as u64) as usize;
    let setting = RideSetting::ALL[place / BENCHES.len()];
    RehearsalPlan { bench: (BENCHES[place % BENCHES.len()].bench)(), setting, ..plan }
}

/// One reference that is right and says so: what is left is scatter, clock and sampling.
fn right_and_alone(rehearsal: &mut Rehearsal) {
    rehearsal.session.references.truncate(1);
    rehearsal.session.references[0].uncertainty = Bound::single(0.0, Unit::Percent);
}

fn judge_one(plan: &RehearsalPlan, rehearsal: &Rehearsal, limits: bool) -> Judged {
    let judgement = common::judge(rehearsal);
    let comparison = gate::beside_truth(rehearsal, &judgement);
    let mut observations = gate::one_each(plan.seed, &gate::observations(&comparison, &judgement));
    observations.extend(gate::spread_beside_long(&judgement));
    let bench = BENCHES.iter().find(|kind| (kind.bench)() == plan.bench).map_or("", |kind| kind.word);
    let one_at = |by: f64| {
        let mut all = if limits { gate::decided_at(rehearsal, &comparison, by) } else { vec![] };
        (!all.is_empty()).then(|| all.swap_remove(gate::choose(plan.seed, all.len())))
    };
    Judged {
        seed: plan.seed,
        bench: format!("{bench}, {}", plan.setting.word()),
        storage: plan.habits.storage,
        outcome: judgement.verdict.verdict.unwrap_or(Outcome::Undecided),
        named: gate::named(&judgement).into_iter().map(str::to_owned).collect(),
        failed: gate::not_passed(&judgement, Outcome::Fail),
        undecided: gate::not_passed(&judgement, Outcome::Undecided),
        observations,
        e_n: judgement.verdict.reference_comparison.iter().map(|pair| pair.e_n).fold(0.0, f64::max),
        at_limit: one_at(0.0),
        beyond: one_at(2.2),
    }
}

/// What was asked and not held.
#[derive(Default)]
struct Short(Vec<String>);

impl Short {
    /// Holds a count to least and most, both as shares.
    fn hold(&mut self, what: &str, (hits, n): (usize, usize), (least, most): (f64, f64)) -> &'static str {
        let (hits, n) = (hits as u64, n as u64);
        let share = hits as f64 / n as f64;
        if n == 0 || gate::too_few(hits, n, least) || gate::too_many(hits, n, most) {
            self.0.push(format!("{what}: {hits} of {n}, asked {:.1} to {:.1} %", least * 100.0, most * 100.0));
            return "**outside**";
        }
        if (least..=most).contains(&share) { "" } else { "outside, may be luck" }
    }
}

fn mean(x: &[f64]) -> f64 {
    x.iter().sum::<f64>() / x.len() as f64
}

fn rms(x: &[f64]) -> f64 {
    mean(&x.iter().map(|x| x * x).collect::<Vec<_>>()).sqrt()
}

/// One line per measure; `asked` holds each to its coverage.
fn coverage_table(title: &str, judged: &[&Judged], short: Option<&mut Short>, only: impl Fn(&str) -> bool) {
    println!("\n## {title}, {} sessions\n", judged.len());
    let mut by: BTreeMap<&str, Vec<&gate::Observation>> = BTreeMap::new();
    for observation in judged.iter().flat_map(|j| &j.observations).filter(|o| only(&o.what)) {
        by.entry(&observation.what).or_default().push(observation);
    }
    println!(
        "| measure | n | bias | sd | mean U | rms z | covered % (95 % interval) | |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    let mut holds = short;
    for (what, of) in by {
        let errors: Vec<f64> = of.iter().map(|o| o.value - o.truth).collect();
        let bias = mean(&errors);
        let sd = rms(&errors.iter().map(|e| e - bias).collect::<Vec<_>>());
        let z = rms(&of.iter().map(|o| (o.value - o.truth) / o.expanded * o.coverage_factor).collect::<Vec<_>>());
        let hits = of.iter().filter(|o| o.covered()).count();
        let n = of.len();
        let (low, high) = clopper_pearson(hits as u64, n as u64, 0.95, Sides::Two);
        let says = match (&mut holds, gate::asked_coverage(what)) {
            (Some(short), Some(asked)) => short.hold(&format!("{title}: {what}"), (hits, n), asked),
            _ => "",
        };
        println!(
            "| {what} | {n} | {bias:+.3} | {sd:.3} | {:.3} | {z:.2} | {:.1} ({:.1}..{:.1}) | {says} |",
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

fn outcomes<'a>(judged: impl IntoIterator<Item = &'a Judged>) -> String {
    let all: Vec<Outcome> = judged.into_iter().map(|j| j.outcome).collect();
    let of = |outcome| 100.0 * all.iter().filter(|o| **o == outcome).count() as f64 / all.len() as f64;
    format!(
        "pass {:.1} %, fail {:.1} %, undecided {:.1} %",
        of(Outcome::Pass),
        of(Outcome::Fail),
        of(Outcome::Undecided)
    )
}

/// Outcomes of sound units, and what kept them from passing.
fn sound_outcomes(title: &str, judged: &[Judged], undecided: f64, short: &mut Short) {
    let n = judged.len();
    let of = |outcome| judged.iter().filter(|j| j.outcome == outcome).count();
    println!("\n{}", outcomes(judged));
    println!("failed: {}", shares(n, judged.iter().flat_map(|j| &j.failed)));
    println!("undecided: {}", shares(n, judged.iter().flat_map(|j| &j.undecided)));
    println!("named: {}", shares(n, judged.iter().flat_map(|j| &j.named)));
    for j in judged.iter().filter(|j| !j.failed.is_empty() || j.outcome == Outcome::Fail) {
        println!("seed {} {} {:?}: failed {:?}, E_n {:.2}", j.seed, j.bench, j.storage, j.failed, j.e_n);
    }
    let above = |e_n: f64| judged.iter().filter(|j| j.e_n > e_n).count() as f64 / n as f64 * 100.0;
    println!("E_n between references above 1: {:.1} %, 1.3: {:.1} %", above(1.0), above(1.3));
    short.hold(&format!("{title}: sound sessions failed"), (of(Outcome::Fail), n), (0.0, 0.01));
    short.hold(&format!("{title}: sound sessions undecided"), (of(Outcome::Undecided), n), (0.0, undecided));
}

/// How often each measure was decided so, one measure in each session.
fn limit_table(title: &str, of: &[&(String, Outcome)], wanted: Outcome, asked: (f64, f64), short: &mut Short) {
    println!("\n### {title}\n\n| measure | n | {} % | |\n| --- | --- | --- | --- |", wanted.word());
    let mut by: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for (what, outcome) in of {
        for what in [what.as_str(), "all"] {
            let (hits, n) = by.entry(what).or_default();
            *hits += usize::from(*outcome == wanted);
            *n += 1;
        }
    }
    for (what, (hits, n)) in by {
        let says = short.hold(&format!("{title}: {what}"), (hits, n), asked);
        println!("| {what} | {n} | {:.1} | {says} |", 100.0 * hits as f64 / n as f64);
    }
}

/// Large enough that each measure has a truth beyond its own uncertainty.
const AWAY: [&[&str]; 3] = [
    &["gain=-8", "late=1.5", "drift=25"],
    &["gain=9", "ring-offset=-14@big", "late-cadence=5", "late-wake=4"],
    &["offset=-15", "side-short=150@left", "held-reading=5", "temperature-drift=8"],
];

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let mut numbers = words.iter().filter_map(|word| word.parse::<u64>().ok());
    let (sessions, seed) = (numbers.next().unwrap_or(1000), numbers.next().unwrap_or(1));
    let riders = match words.iter().any(|word| word == "real").then(real_riders).transpose() {
        Ok(riders) => riders.map(Arc::new),
        Err(why) => {
            eprintln!("{why}");
            return ExitCode::FAILURE;
        }
    };
    let whose = if riders.is_some() { "riders scatter as real ones" } else { "simulated riders" };
    println!("# Gate, seeds from {seed}, {whose}");
    let started = Instant::now();
    let mut short = Short::default();
    let part = (sessions / 4).max(1);
    let bench = gate::asked_more(common::shipped("bench-both-rings.yaml"));
    let sound = Gate { protocol: &bench, riders: &riders, faults: &[], limits: false };

    // References are usually better than they state; at the edge of it one session in twenty has an E_n above 1 and waits.
    let title = "Sound units, good references, full bench trial";
    let good =
        |plan: RehearsalPlan, _| RehearsalPlan { habits: RideHabits { as_stated: false, ..plan.habits }, ..plan };
    let judged = sound.judge_with(seed..seed + sessions, good, |_| ());
    coverage_table(title, &judged.iter().collect::<Vec<_>>(), None, |_| true);
    sound_outcomes(title, &judged, 0.15, &mut short);

    let title = "Sound units, references off by what they state, full bench trial";
    let judged = sound.judge(seed..seed + sessions);
    coverage_table(title, &judged.iter().collect::<Vec<_>>(), Some(&mut short), |_| true);
    sound_outcomes(title, &judged, 0.15, &mut short);
    let short_term = |what: &str| what.contains("coast") || what.contains("standing");
    for (unit, pedals) in [
        (SecondStorage::LastMessage, SecondStorage::LastMessage),
        (SecondStorage::SecondMean, SecondStorage::SecondMean),
        (SecondStorage::LastMessage, SecondStorage::SecondMean),
        (SecondStorage::SecondMean, SecondStorage::LastMessage),
    ] {
        let these: Vec<&Judged> = judged.iter().filter(|j| j.storage[..2] == [unit, pedals]).collect();
        coverage_table(&format!("Unit stores {unit:?}, pedals {pedals:?}"), &these, None, short_term);
    }

    let title = "Sound units, other benches and settings";
    let judged = sound.judge_with(seed..seed + sessions, elsewhere, |_| ());
    coverage_table(title, &judged.iter().collect::<Vec<_>>(), Some(&mut short), |_| true);
    println!("\n| bench | sessions | pass, fail, undecided | failed |\n| --- | --- | --- | --- |");
    let mut by: BTreeMap<&str, Vec<&Judged>> = BTreeMap::new();
    judged.iter().for_each(|j| by.entry(&j.bench).or_default().push(j));
    for (place, of) in by {
        let failed = shares(of.len(), of.iter().flat_map(|j| &j.failed));
        println!("| {place} | {} | {} | {failed} |", of.len(), outcomes(of.iter().copied()));
        for what in of.iter().flat_map(|j| &j.observations).map(|o| &o.what).collect::<std::collections::BTreeSet<_>>()
        {
            let these = || of.iter().flat_map(|j| &j.observations).filter(|o| o.what == *what);
            let (hits, n) = (these().filter(|o| o.covered()).count(), these().count());
            if gate::asked_coverage(what).is_some_and(|asked| gate::too_few(hits as u64, n as u64, asked.0)) {
                println!("| {place} | {n} | {what}: {hits} covered | |");
            }
        }
    }
    println!("\n{:.1} min so far", started.elapsed().as_secs_f64() / 60.0);

    let further = gate::further();
    let of_further = Gate { protocol: &further, ..sound }.judge_with(
        seed..seed + sessions / 2,
        |plan, _| gate::in_step(plan),
        |_| (),
    );
    coverage_table("Spread and a ramp", &of_further.iter().collect::<Vec<_>>(), Some(&mut short), |_| true);

    let systematic =
        |plan: RehearsalPlan, _| RehearsalPlan { habits: RideHabits { systematic: 0.0, ..plan.habits }, ..plan };
    let scattered = sound.judge_with(seed..seed + part, systematic, right_and_alone);
    coverage_table("Scatter, clock and sampling alone", &scattered.iter().collect::<Vec<_>>(), None, |_| true);

    for faults in AWAY {
        let faulty = Gate { faults, limits: true, ..sound }.judge(seed..seed + sessions / 2);
        let title = format!("Faulty units ({})", faults.join(" "));
        coverage_table(&title, &faulty.iter().collect::<Vec<_>>(), None, |_| true);
        let at_limit: Vec<_> = faulty.iter().filter_map(|j| j.at_limit.as_ref()).collect();
        limit_table(&format!("{title}, limit at the truth"), &at_limit, Outcome::Pass, (0.0, 0.025), &mut short);
        // References that quarrel decide nothing that hangs on their gain.
        let agreed = faulty.iter().filter(|j| j.e_n <= 1.0);
        let beyond: Vec<_> = agreed.filter_map(|j| j.beyond.as_ref()).collect();
        limit_table(&format!("{title}, 2.2 U beyond the limit"), &beyond, Outcome::Fail, (0.99, 1.0), &mut short);
    }

    println!("\n## Absolute faults\n\n| fault | sessions | fail % | failed | |\n| --- | --- | --- | --- | --- |");
    for fault in gate::ABSOLUTE {
        let all = Gate { faults: &[fault], ..sound }.judge(seed..seed + part);
        let hits = all.iter().filter(|j| j.outcome == Outcome::Fail).count();
        let says = short.hold(fault, (hits, all.len()), (0.99, 1.0));
        let failed = shares(all.len(), all.iter().flat_map(|j| &j.failed));
        println!("| {fault} | {} | {:.1} | {failed} | {says} |", all.len(), 100.0 * hits as f64 / all.len() as f64);
    }

    let check = common::shipped("short-check.yaml");
    let judged = Gate { protocol: &check, ..sound }.judge(seed..seed + sessions / 2);
    let title = "Sound units, short check";
    coverage_table(title, &judged.iter().collect::<Vec<_>>(), Some(&mut short), |_| true);
    sound_outcomes(title, &judged, 0.25, &mut short);

    println!("\n{:.1} min in all", started.elapsed().as_secs_f64() / 60.0);
    short.0.iter().for_each(|what| eprintln!("not held: {what}"));
    if short.0.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Steady minutes of the real rides: efforts of the one indoors, where this trial is ridden; balance from the road, the
/// indoor ride has none.
fn real_riders() -> Result<RiderScatter, String> {
    let folder = std::env::var_os("ASSIZE_RECORDINGS").ok_or("ASSIZE_RECORDINGS names no folder of real rides")?;
    let minutes = |names: &[&str]| -> Result<Vec<steady::Minute>, String> {
        let mut found = vec![];
        for name in names {
            let file = Path::new(&folder).join(name);
            let ride = assize::recording::read(&file).map_err(|why| format!("{}: {why}", file.display()))?;
            found.extend(steady::minutes(&ride, |_| true));
        }
        if found.is_empty() { Err(format!("no steady minute in {names:?}")) } else { Ok(found) }
    };
    let (indoors, road) =
        (minutes(&["indoor-38min.fit"])?, minutes(&["road-two-sided-78min.fit", "road-autopause-6h.fit"])?);
    let over = |values: &[f64]| -> Vec<f64> { values.iter().map(|v| v / mean(values) - 1.0).collect() };
    let effort = |m: &steady::Minute| over(&m.power_w).into_iter().zip(over(&m.cadence_rpm)).collect();
    let share = |m: &steady::Minute| {
        let share_pct = m.share_pct.as_ref()?;
        Some(share_pct.iter().map(|pct| (pct - mean(share_pct)) / 100.0).collect())
    };
    Ok(RiderScatter {
        efforts: indoors.iter().map(effort).collect(),
        right_shares: road.iter().filter_map(share).collect(),
    })
}
