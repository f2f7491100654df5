//! The judge against known truth: what a measure truly was, whether value ± U covers it, what was named.
//!
//! Truth is the measure on the noise-free continuous signals of the unit and of an ideal instrument at its place
//! (both at the spindle here). It is computed from what the simulator knows and shares no code with scoring:
//!
//! - power, work, sides: the rider's 20 Hz signal through the unit's drawn gain and offset and the plan's faults,
//!   less the rider's, over the window that was scored;
//! - peak: each signal's own best 3 s, on 20 Hz;
//! - lags: by how much every reading of the unit was made late; 0 for a sound unit. An ideal instrument at its place
//!   is a crank meter too: it reports once a turn and waits as long before it reads zero. Angle and head unit are
//!   chance, not the unit's systematic lateness;
//! - residual power, cadence error: 0; drift: what the plan made; linearity: the line through the true block means;
//! - contrast, rings: from the true errors of the blocks.

use std::collections::BTreeMap;

use assize::judge::Judgement;
use assize::protocol::{Check, Drill, Measure, Protocol, Ring, Side};
use assize::quantity::{Bound, Limit, Unit};
use assize::rehearse::{Fault, Kind, Rehearsal};
use assize::verdict::{CheckVerdict, Outcome, Span};
use chrono::{DateTime, Utc};

/// One number of one session beside its truth, both in the number's unit.
#[derive(Debug, Clone)]
pub struct Observation {
    /// `phase measure`, with ` mean` for the mean over repeats.
    pub what: String,
    pub value: f64,
    pub truth: f64,
    pub expanded: f64,
    pub coverage_factor: f64,
}

impl Observation {
    pub fn covered(&self) -> bool {
        (self.value - self.truth).abs() <= self.expanded
    }
}

/// Work of two signals up to each 20 Hz step: the unit's and the rider's, left and right, J.
struct Work {
    step_s: f64,
    until: Vec<[f64; 4]>,
}

impl Work {
    fn of(rehearsal: &Rehearsal, faults: &[Fault]) -> Self {
        let truth = &rehearsal.truth;
        let (signal, unit) = (&truth.signal, &truth.instruments[0]);
        let step_s = signal.step_s();
        let gain = 1.0 + unit.gain_pct / 100.0;
        let mut until = Vec::with_capacity(signal.len() + 1);
        let mut sum = [0.0; 4];
        for i in 0..signal.len() {
            until.push(sum);
            let t_s = i as f64 * step_s;
            let rider = [signal.left_w[i], signal.right_w[i]];
            let mut reads = [0.0; 2];
            if rider[0] + rider[1] > 0.0 {
                reads = rider;
                for fault in faults.iter().filter(|f| f.kind == Kind::SideShort) {
                    let name = fault.to_string();
                    let struck = truth.struck.iter().filter(|w| w.fault == name);
                    if struck.into_iter().any(|w| (w.start_s..w.end_s).contains(&t_s)) {
                        reads[usize::from(fault.side == Some(Side::Right))] -= fault.size;
                    }
                }
                reads = reads.map(|w| w * gain + unit.offset_w / 2.0);
                for fault in faults {
                    let (times, plus_w) = match fault.kind {
                        Kind::Gain => (1.0 + fault.size / 100.0, 0.0),
                        Kind::Offset => (1.0, fault.size),
                        Kind::Drift => (1.0, fault.size * t_s / 3600.0),
                        Kind::RingOffset if fault.ring == Some(ring_at(&truth.ring_shifts, t_s)) => (1.0, fault.size),
                        _ => (1.0, 0.0),
                    };
                    reads = reads.map(|w| w * times + plus_w / 2.0);
                }
                reads = reads.map(|w| w.max(0.0));
            }
            for (sum, w) in sum.iter_mut().zip([reads[0], reads[1], rider[0], rider[1]]) {
                *sum += w * step_s;
            }
        }
        until.push(sum);
        Self { step_s, until }
    }

    fn at(&self, t_s: f64) -> [f64; 4] {
        let place = (t_s / self.step_s).clamp(0.0, (self.until.len() - 1) as f64);
        let (i, part) = (place as usize, place.fract());
        let (a, b) = (self.until[i], self.until[(i + 1).min(self.until.len() - 1)]);
        std::array::from_fn(|n| a[n] + part * (b[n] - a[n]))
    }

    /// Mean power, W: unit's left and right, rider's left and right.
    fn mean_w(&self, (from_s, to_s): (f64, f64)) -> [f64; 4] {
        let (from, to) = (self.at(from_s), self.at(to_s));
        std::array::from_fn(|n| (to[n] - from[n]) / (to_s - from_s))
    }

    /// Best mean over `over_s`, W: the unit's and the rider's own.
    fn best_w(&self, (from_s, to_s): (f64, f64), over_s: f64) -> [f64; 2] {
        let mut best = [0.0_f64; 2];
        let mut start_s = from_s;
        while start_s + over_s <= to_s {
            let mean = self.mean_w((start_s, start_s + over_s));
            best = [best[0].max(mean[0] + mean[1]), best[1].max(mean[2] + mean[3])];
            start_s += self.step_s;
        }
        best
    }
}

fn ring_at(shifts: &[(f64, Ring)], t_s: f64) -> Ring {
    shifts.iter().rev().find(|shift| shift.0 <= t_s).map_or(Ring::Big, |shift| shift.1)
}

/// Error of `unit` against `rider`, W, as the check's unit has it.
fn in_unit(unit: &str, unit_w: f64, rider_w: f64) -> f64 {
    if unit == "%" { (unit_w / rider_w - 1.0) * 100.0 } else { unit_w - rider_w }
}

/// The same protocol with every further measure that has a known truth, advisory.
pub fn asked_more(mut protocol: Protocol) -> Protocol {
    let advisory = |measure| {
        let unit = match measure {
            Measure::CadenceError => Unit::Rpm,
            Measure::DriftTime => Unit::WattPerHour,
            _ => Unit::Percent,
        };
        let limit = Limit::Within(Bound::single(50.0, unit));
        Check { measure, limit, advisory: true, clause: None, over_s: None }
    };
    for phase in protocol.phases.iter_mut().filter(|p| matches!(p.drill, Drill::Steady { .. })) {
        phase.checks.extend([Measure::LeftError, Measure::RightError, Measure::CadenceError].map(advisory));
    }
    protocol.whole_ride.extend([Measure::DriftTime, Measure::Linearity].map(advisory));
    protocol
}

/// Every number of a judged rehearsal that has an uncertainty and a known truth.
///
/// Faults are the unit's, there throughout but for a short side; those that change when or whether a reading comes have
/// their truth in the lags alone.
pub fn observations(rehearsal: &Rehearsal, judgement: &Judgement, faults: &[Fault]) -> Vec<Observation> {
    let work = Work::of(rehearsal, faults);
    let truth = &rehearsal.truth;
    // Session time is the clock of the first reference, which is the second recording.
    let true_s = |utc: DateTime<Utc>| truth.true_s(1, utc);
    let span_s = |span: &Span| Some((true_s(span.start)?, true_s(span.end)?));
    let sum = |kind: Kind| -> f64 { faults.iter().filter(|f| f.kind == kind).map(|f| f.size).sum() };
    let late_s = sum(Kind::Late);
    let mut found = vec![];
    let mut see = |what: String, check: &CheckVerdict, truth: f64| {
        if let (Some(value), Some(expanded), Some(coverage_factor), false) =
            (check.value, check.expanded_uncertainty, check.coverage_factor, check.censored)
        {
            found.push(Observation { what, value, truth, expanded, coverage_factor });
        }
    };
    let mut repeats: BTreeMap<(String, String), Vec<f64>> = BTreeMap::new();
    let mut blocks: Vec<(String, f64, f64)> = vec![];
    for phase in judgement.verdict.phases.iter().filter(|p| !p.surplus) {
        let Some(matched) = &phase.matched else { continue };
        let Some(window_s) = span_s(&matched.window) else { continue };
        let mean = work.mean_w(window_s);
        let (unit_w, rider_w) = (mean[0] + mean[1], mean[2] + mean[3]);
        if phase.drill == "steady" {
            blocks.push((phase.phase.clone(), unit_w, rider_w));
        }
        for check in &phase.checks {
            let truth = match check.measure.as_str() {
                "mean_error" | "work_error" => in_unit(&check.unit, unit_w, rider_w),
                "left_error" => in_unit(&check.unit, mean[0], mean[2]),
                "right_error" => in_unit(&check.unit, mean[1], mean[3]),
                "peak_error" => {
                    let [unit_w, rider_w] = work.best_w(window_s, 3.0);
                    in_unit(&check.unit, unit_w, rider_w)
                }
                "missing_work" => {
                    let Some((from_s, to_s)) = matched.moves.last().and_then(span_s) else { continue };
                    let mean = work.mean_w((from_s - 2.0, to_s + 5.0));
                    -in_unit(&check.unit, mean[0] + mean[1], mean[2] + mean[3])
                }
                "residual_power" | "cadence_error" => 0.0,
                "release_lag" | "onset_lag" | "cadence_release_lag" | "cadence_onset_lag" => late_s,
                _ => continue,
            };
            let name = phase.phase.split('[').next().unwrap_or_default();
            see(format!("{name} {}", check.measure), check, truth);
            repeats.entry((phase.phase.clone(), check.measure.clone())).or_default().push(truth);
        }
    }
    for repeat in &judgement.verdict.repeats {
        for check in &repeat.checks {
            if let Some(truths) = repeats.get(&(repeat.phase.clone(), check.measure.clone())) {
                let truth = truths.iter().sum::<f64>() / truths.len() as f64;
                see(format!("{} {} mean", repeat.phase, check.measure), check, truth);
            }
        }
    }
    for check in &judgement.verdict.contrasts {
        let shifts: Vec<f64> = blocks
            .iter()
            .filter(|small| small.0.contains("ring=small"))
            .filter_map(|small| {
                let partner = small.0.replace("ring=small", "ring=big");
                let big = blocks.iter().find(|big| big.0 == partner)?;
                Some(in_unit("%", small.1, small.2) - in_unit("%", big.1, big.2))
            })
            .collect();
        see("contrast ring-shift".to_owned(), check, shifts.iter().sum::<f64>() / shifts.len() as f64);
    }
    let ridden_s = truth.signal.len() as f64 * truth.signal.step_s();
    for check in judgement.verdict.whole_ride.iter().filter(|c| c.measure == "work_error") {
        let mean = work.mean_w((0.0, ridden_s));
        see("whole ride work_error".to_owned(), check, in_unit(&check.unit, mean[0] + mean[1], mean[2] + mean[3]));
    }
    for check in judgement.verdict.whole_ride.iter().filter(|c| c.measure == "drift_time") {
        see("whole ride drift_time".to_owned(), check, sum(Kind::Drift));
    }
    for check in judgement.verdict.whole_ride.iter().filter(|c| c.measure == "linearity") {
        // Least squares of what the unit truly read on what was truly there.
        let n = blocks.len() as f64;
        let (x, y) = (blocks.iter().map(|b| b.2).sum::<f64>() / n, blocks.iter().map(|b| b.1).sum::<f64>() / n);
        let slope = blocks.iter().map(|b| (b.2 - x) * (b.1 - y)).sum::<f64>()
            / blocks.iter().map(|b| (b.2 - x).powi(2)).sum::<f64>();
        see("whole ride linearity".to_owned(), check, (slope - 1.0) * 100.0);
    }
    for ring in &judgement.verdict.rings {
        let on: Vec<f64> = blocks
            .iter()
            .filter(|b| b.0.contains(&format!("ring={}", ring.ring)))
            .map(|(_, unit_w, rider_w)| unit_w - rider_w)
            .collect();
        found.push(Observation {
            what: format!("ring {}", ring.ring),
            value: ring.error_w,
            truth: on.iter().sum::<f64>() / on.len() as f64,
            expanded: ring.expanded_uncertainty_w,
            coverage_factor: 1.96,
        });
    }
    found
}

/// One session's part of a count over sessions: of each measure one number, so that sessions are independent.
pub fn one_each(seed: u64, observations: &[Observation]) -> Vec<Observation> {
    let mut by: BTreeMap<&str, Vec<&Observation>> = BTreeMap::new();
    for observation in observations {
        by.entry(&observation.what).or_default().push(observation);
    }
    // Any fixed rule that looks at nothing but the seed is as good as a draw.
    let choose = |n: usize| (seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 33) as usize % n;
    by.into_values().map(|of| of[choose(of.len())].clone()).collect()
}

/// Names of the patterns that a verdict shows.
pub fn named(judgement: &Judgement) -> Vec<&str> {
    judgement.verdict.diagnosis.iter().map(|finding| finding.pattern.as_str()).collect()
}

/// Every failed or undecided check of a verdict that counts, in words without numbers.
pub fn not_passed(judgement: &Judgement, outcome: Outcome) -> Vec<String> {
    let verdict = &judgement.verdict;
    let repeated = |phase: &str| verdict.repeats.iter().any(|r| r.phase == phase);
    let plain = |phase: &str| phase.split('[').next().unwrap_or_default().to_owned();
    let mut found = vec![];
    for phase in verdict.phases.iter().filter(|p| p.required) {
        let single = if repeated(&phase.phase) { "one of " } else { "" };
        if single.is_empty() || outcome == Outcome::Fail {
            let checks = phase.checks.iter().filter(|c| c.required && c.verdict == outcome);
            found.extend(checks.map(|c| format!("{single}{} {}", plain(&phase.phase), c.measure)));
        }
        if phase.matched.is_none() && outcome == Outcome::Undecided && phase.verdict == Outcome::NotRidden {
            found.push(format!("{} not ridden", plain(&phase.phase)));
        }
    }
    for repeat in verdict.repeats.iter().filter(|r| r.required) {
        let checks = repeat.checks.iter().filter(|c| c.required && c.verdict == outcome);
        found.extend(checks.map(|c| format!("mean of {} {}", plain(&repeat.phase), c.measure)));
    }
    let rest = verdict.contrasts.iter().chain(&verdict.whole_ride).filter(|c| c.required && c.verdict == outcome);
    found.extend(rest.map(|c| c.contrast.clone().unwrap_or_else(|| format!("whole ride {}", c.measure))));
    found.sort();
    found.dedup();
    found
}
