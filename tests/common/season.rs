//! Seasons of sessions with known truth, as verdicts made directly: what compares them reads only these.

use assize::internals::compare::{Comparison, Grouping, VerdictFile, compare};
use assize::stats::{Sides, clopper_pearson};
use assize::verdict::Verdict;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};

/// What is true of a season; sizes in per cent.
#[derive(Debug, Clone, Copy)]
pub struct Season {
    pub specimens: usize,
    /// Of each specimen.
    pub sessions: usize,
    pub between_sd: f64,
    /// Beyond the sessions' own budgets.
    pub session_sd: f64,
    /// Testers take turns, so that each rides every specimen; 0 leaves them out.
    pub testers: usize,
    pub tester_sd: f64,
    /// The second half of each specimen's sessions is with other firmware.
    pub firmware_change: f64,
    /// Half of the specimens have one version only, the others the other.
    pub firmware_by_specimen: bool,
    pub per_30_days: f64,
    /// Standard uncertainty of the reference; each specimen, or all, have one.
    pub reference_u: f64,
    pub references_by_specimen: bool,
    pub fault_rate: f64,
    /// Of the last specimen.
    pub one_bad: f64,
}

impl Season {
    pub const PLAIN: Season = Season {
        specimens: 4,
        sessions: 3,
        between_sd: 0.5,
        session_sd: 0.3,
        testers: 0,
        tester_sd: 0.0,
        firmware_change: 0.0,
        firmware_by_specimen: false,
        per_30_days: 0.0,
        reference_u: 0.5,
        references_by_specimen: false,
        fault_rate: 0.1,
        one_bad: 0.0,
    };
}

/// Of one block's error, from its own scatter.
const OWN_U: f64 = 0.25;
const RESOLUTION_U: f64 = 0.02;
const BLOCKS: usize = 2;
/// What a session's mean over its blocks has of its own, variance.
pub const OWN_VARIANCE: f64 = (OWN_U * OWN_U + RESOLUTION_U * RESOLUTION_U) / BLOCKS as f64;
pub const MODEL: f64 = 0.7;
pub const ROW: &str = "steady error, big ring";

pub struct Drawn {
    pub given: Vec<VerdictFile>,
    /// True error of each specimen.
    pub specimens: Vec<f64>,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (rng.random(), rng.random());
    (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

fn line(source: &str, u: f64) -> Value {
    json!({ "source": source, "standard_uncertainty": u, "degrees_of_freedom": null, "evaluation": "B" })
}

pub fn check(measure: &str, value: f64, references: &[&str], budget: Vec<Value>) -> Value {
    let u = budget.iter().map(|l| l["standard_uncertainty"].as_f64().unwrap().powi(2)).sum::<f64>().sqrt();
    json!({
        "measure": measure, "value": value, "unit": "%", "also": null, "expanded_uncertainty": 1.96 * u,
        "coverage_factor": 1.96, "degrees_of_freedom": null, "limit": "within 3 %", "limit_low": -3.0, "limit_high": 3.0,
        "conformance_probability": null, "verdict": "pass", "required": true, "censored": false, "reason": null,
        "remedy": null, "clause": null, "references": references, "budget": budget
    })
}

/// A verdict without checks.
pub fn bare(unit: &str, reference: &str, start: &str, hash: &str) -> Verdict {
    let instrument = |label: &str| {
        json!({ "label": label, "located": "pedals", "sides": "both", "model": null, "serial": null, "firmware": null,
            "battery": null, "head_unit": null, "history": null, "uncertainty": null, "certificate": null, "mode": null,
            "serves": null })
    };
    let verdict = json!({
        "assize": "0.1.0", "verdict_format": 1, "verdict": "pass", "sheet_number": hash, "why": [], "scope": "",
        "protocol": { "title": "Made trial", "revision": "1", "sha256": "ab", "purpose": null, "rule": "guarded",
            "rule_in_words": "", "coverage": 0.95, "references_needed": 1 },
        "session": { "file": null, "sha256": null, "tester": null, "place": "north bench", "start": start, "end": start,
            "duration_s": 0.0, "conditions": [], "readings": [], "drivetrain": [], "remarks": [], "notes": null,
            "authorised_by": null, "assumed": [] },
        "unit": instrument(unit), "references": [instrument(reference)], "rings": [],
        "counts": { "checks_made": 0, "passed": 0, "failed": 0, "undecided": 0, "not_ridden": 0, "not_applicable": 0,
            "surplus": 0 },
        "recordings": [{ "file": "unit.fit", "sha256": hash, "instrument": unit, "role": "unit", "head_unit": null,
            "start": start, "samples": 0, "gaps": 0, "damage": [] }],
        "clocks": [], "phases": [], "repeats": [], "contrasts": [], "whole_ride": [], "reference_comparison": [],
        "diagnosis": [], "deviations": [], "cautions": []
    });
    serde_json::from_value(verdict).expect("a verdict")
}

impl Season {
    fn steady(&self, error: f64, reference: &str, rng: &mut ChaCha8Rng) -> Vec<Value> {
        let block = |power: u32, rng: &mut ChaCha8Rng| {
            let value = error + OWN_U * normal(rng) + RESOLUTION_U * normal(rng);
            let budget = vec![
                line("scatter", OWN_U),
                line("resolution", RESOLUTION_U),
                line("reference gain", self.reference_u),
            ];
            json!({ "phase": format!("steady[ring=big, power={power} W]"), "repeat": 1, "surplus": false, "drill": "steady",
                "verdict": "pass", "required": true, "match": null, "reason": null,
                "checks": [check("mean_error", value, &[reference], budget)] })
        };
        (0..BLOCKS).map(|i| block(150 + 50 * i as u32, rng)).collect()
    }

    /// One season.
    pub fn draw(&self, rng: &mut ChaCha8Rng) -> Drawn {
        let tester_errors: Vec<f64> = (0..self.testers).map(|_| self.tester_sd * normal(rng)).collect();
        let gains: Vec<f64> = (0..self.specimens).map(|_| self.reference_u * normal(rng)).collect();
        let (mut given, mut specimens) = (vec![], vec![]);
        for s in 0..self.specimens {
            let bad = if s + 1 == self.specimens { self.one_bad } else { 0.0 };
            let own = MODEL + self.between_sd * normal(rng) + bad;
            specimens.push(own);
            let (reference, gain) = if self.references_by_specimen { (s, gains[s]) } else { (0, gains[0]) };
            let reference = format!("pedal pair {reference}");
            for n in 0..self.sessions {
                let newer = if self.firmware_by_specimen { 2 * s >= self.specimens } else { 2 * n >= self.sessions };
                let day = 20 * n + s;
                let mut error = own + gain + self.session_sd * normal(rng) + self.per_30_days * day as f64 / 30.0;
                error += if newer { self.firmware_change } else { 0.0 };
                let start = chrono::DateTime::from_timestamp(1_767_259_800 + 86_400 * day as i64, 0).expect("a time");
                let start = start.to_rfc3339();
                let mut verdict = bare(&format!("unit {:03}", s + 1), &reference, &start, &format!("{s}-{n}"));
                if self.firmware_change != 0.0 || self.firmware_by_specimen {
                    verdict.unit.firmware = Some(if newer { "2.10" } else { "2.9" }.to_owned());
                }
                if self.testers > 0 {
                    let t = (s + n) % self.testers;
                    verdict.session.tester = Some(format!("tester {}", t + 1));
                    error += tester_errors[t];
                }
                verdict.phases = serde_json::from_value(Value::Array(self.steady(error, &reference, rng))).unwrap();
                let failed = (0..6).filter(|_| rng.random::<f64>() < self.fault_rate).count();
                verdict.repeats = serde_json::from_value(json!([{ "phase": "sprints", "asked": 6, "ridden": 6,
                    "failed": failed, "undecided": 0, "accept": "every repeat", "checks": [], "fault_rate": null,
                    "fault_rate_interval": null, "fault_rate_upper_limit": null, "verdict": "pass", "required": true,
                    "reason": null, "remedy": null }]))
                .unwrap();
                given.push(VerdictFile { file: format!("{s}-{n}.json"), verdict });
            }
        }
        Drawn { given, specimens }
    }
}

/// How often an interval held the truth.
#[derive(Debug, Clone)]
pub struct Coverage {
    pub name: String,
    pub hits: u64,
    pub draws: u64,
    /// By design at least the stated level, for the reason told.
    pub at_least: Option<&'static str>,
}

impl Coverage {
    pub fn share(&self) -> f64 {
        self.hits as f64 / self.draws as f64
    }

    /// Whether 93 to 97 % (or 95 % and more) can be, by exact binomial bounds.
    pub fn holds(&self) -> bool {
        let (low, high) = clopper_pearson(self.hits, self.draws, 0.999, Sides::Two);
        match self.at_least {
            Some(_) => high >= 0.95,
            None => low <= 0.97 && high >= 0.93,
        }
    }
}

pub fn figure(comparison: &Comparison, question: &str, name: &str) -> Option<(f64, f64, f64)> {
    let question = comparison.questions.iter().find(|q| q.key == question)?;
    let figure = question.answers.iter().flat_map(|a| &a.figures).find(|f| f.name.starts_with(name))?;
    Some((figure.value, figure.low?, figure.high?))
}

/// Of so many seasons, how many give an interval that holds the truth.
fn covered(
    season: &Season,
    draws: u64,
    seed: u64,
    by: Grouping,
    holds: impl Fn(&Comparison, &Drawn) -> bool,
) -> (u64, u64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let hit = |rng: &mut ChaCha8Rng| {
        let drawn = season.draw(rng);
        let comparison = compare(drawn.given.clone(), by).expect("a season compares");
        u64::from(holds(&comparison, &drawn))
    };
    ((0..draws).map(|_| hit(&mut rng)).sum(), draws)
}

const SUMS: &str = "where sessions scatter less than their budgets the budgets stand";
const EXACT: &str = "exact for counts";
const AT_ZERO: &str = "the true value 0 is the end of the scale";

/// The share of seasons in which any two groups are called different.
pub fn told_apart(season: &Season, draws: u64, seed: u64) -> (u64, u64) {
    let any = |c: &Comparison, _: &Drawn| c.rows.iter().flat_map(|row| &row.differences).any(|d| d.differ);
    covered(season, draws, seed, Grouping::Specimen, any)
}

/// Every interval of a comparison, with known truth.
pub fn coverages(draws: u64, seed: u64) -> Vec<Coverage> {
    let mut found = vec![];
    let within = |(_, low, high): (f64, f64, f64), truth: f64| low - 1e-9 <= truth && truth <= high + 1e-9;
    let mut add = |name: &str, at_least: Option<&'static str>, (hits, draws): (u64, u64)| {
        found.push(Coverage { name: name.to_owned(), hits, draws, at_least });
    };
    for session_sd in [0.0, 0.2, 0.6] {
        let season = Season { session_sd, ..Season::PLAIN };
        let at_least = (session_sd < 0.5).then_some(SUMS);
        let cell = |c: &Comparison, d: &Drawn| {
            let cell = &c.rows[0].cells[1];
            (cell.value.unwrap() - d.specimens[1]).abs() <= cell.expanded_uncertainty.unwrap()
        };
        add(
            &format!("value of a unit, sessions {session_sd} %"),
            at_least,
            covered(&season, draws, seed, Grouping::Specimen, cell),
        );
        let difference = |c: &Comparison, d: &Drawn| {
            let of = &c.rows[0].differences[0];
            (of.value - (d.specimens[of.second] - d.specimens[of.first])).abs() <= of.expanded_uncertainty
        };
        let hits = covered(&season, draws, seed + 1, Grouping::Specimen, difference);
        add(&format!("difference of two units, sessions {session_sd} %"), at_least, hits);
    }
    let apart = Season { references_by_specimen: true, ..Season::PLAIN };
    let difference = |c: &Comparison, d: &Drawn| {
        let of = &c.rows[0].differences[0];
        (of.value - (d.specimens[of.second] - d.specimens[of.first])).abs() <= of.expanded_uncertainty
    };
    add(
        "difference, a reference for each unit",
        Some(SUMS),
        covered(&apart, draws, seed + 2, Grouping::Specimen, difference),
    );

    for between_sd in [0.0, 0.3, 1.0] {
        let season = Season { between_sd, specimens: 5, ..Season::PLAIN };
        let hits = covered(&season, draws, seed + 3, Grouping::Specimen, |c, _| {
            within(figure(c, "specimen", "between specimens").unwrap(), between_sd)
        });
        let at_least = (between_sd == 0.0).then_some(AT_ZERO);
        add(&format!("specimens' standard deviation, {between_sd} %"), at_least, hits);
    }
    let apart = Season { references_by_specimen: true, between_sd: 0.6, specimens: 5, ..Season::PLAIN };
    let hits = covered(&apart, draws, seed + 3, Grouping::Specimen, |c, _| {
        within(figure(c, "specimen", "between specimens").unwrap(), 0.6)
    });
    add("specimens' standard deviation, 0.6 %, a reference each", None, hits);
    let season = Season { specimens: 5, ..Season::PLAIN };
    let sessions = (season.session_sd * season.session_sd + OWN_VARIANCE).sqrt();
    let hits = covered(&season, draws, seed + 4, Grouping::Specimen, |c, _| {
        within(figure(c, "specimen", "from session to session").unwrap(), sessions)
    });
    add("sessions' standard deviation", None, hits);
    let hits = covered(&season, draws, seed + 5, Grouping::Specimen, |c, _| {
        within(figure(c, "specimen", "mean over the specimens").unwrap(), MODEL)
    });
    add("mean over the specimens", None, hits);

    let season = Season { firmware_change: 0.8, sessions: 4, session_sd: 0.6, ..Season::PLAIN };
    let change = |c: &Comparison, _: &Drawn| within(figure(c, "firmware", "difference").unwrap(), 0.8);
    add("firmware, the same specimens", None, covered(&season, draws, seed + 6, Grouping::Firmware, change));
    let season = Season { firmware_by_specimen: true, specimens: 6, sessions: 2, between_sd: 1.0, ..season };
    add("firmware, different specimens", None, covered(&season, draws, seed + 7, Grouping::Firmware, change));

    let season = Season { testers: 5, sessions: 5, specimens: 2, tester_sd: 0.6, between_sd: 0.0, ..Season::PLAIN };
    let hits = covered(&season, draws, seed + 8, Grouping::Tester, |c, _| {
        within(figure(c, "tester", "mean over the testers").unwrap(), MODEL)
    });
    add("mean over five testers", None, hits);
    for (testers, tester_sd) in [(5, 0.6), (3, 0.6), (5, 0.0)] {
        let season = Season { testers, sessions: testers, tester_sd, session_sd: 0.0, ..season };
        let hits = covered(&season, draws, seed + 9, Grouping::Tester, |c, _| {
            within(figure(c, "tester", "between testers").unwrap(), tester_sd)
        });
        let at_least = (tester_sd == 0.0).then_some(AT_ZERO);
        add(&format!("standard deviation between {testers} testers, {tester_sd} %"), at_least, hits);
    }
    for rate in [0.03, 0.3] {
        let season = Season { fault_rate: rate, ..Season::PLAIN };
        let hits = covered(&season, draws, seed + 10, Grouping::Specimen, |c, _| {
            within(figure(c, "intermittent", "fault rate over all").unwrap(), 100.0 * rate)
        });
        add(&format!("fault rate, {rate}"), Some(EXACT), hits);
    }
    for session_sd in [0.0, 0.6] {
        let season = Season { per_30_days: 0.4, session_sd, ..Season::PLAIN };
        let hits = covered(&season, draws, seed + 11, Grouping::Specimen, |c, _| {
            within(figure(c, "drift", "slope").unwrap(), 0.4)
        });
        let at_least = (session_sd < 0.5).then_some(SUMS);
        add(&format!("slope over the date, sessions {session_sd} %"), at_least, hits);
    }
    found
}
