//! Readings that are wrong in themselves: repeated, far off for a second, missing, zero, or of one leg.

use crate::protocol::{Drill, Measure, Phase};
use crate::quantity::Unit;
use crate::ride::Window;
use crate::session::Sides;
use crate::stats;

use super::{Evidence, Finding, Pattern, UnexplainedCheck, finding};

/// A reading repeated for this long while the rider pedals was not measured. Sound units repeat power and cadence for 5 s
/// at most (rehearsals of 300 riders).
const STUCK_LEAST_S: usize = 8;
/// The reference has moved by this share of itself over the run, and by so many watts.
const MOVED: f64 = 0.02;
const MOVED_LEAST_W: f64 = 4.0;
/// A spike stands above all that the reference reads near it by this share, and by so many watts.
const SPIKE: f64 = 0.35;
const SPIKE_LEAST_W: f64 = 150.0;
/// A spike is over after this.
const SPIKE_LONGEST_S: usize = 2;
/// The reference is looked at this far to either side of a spike.
const SPIKE_NEAR_S: usize = 4;
/// Below this the reference counts as coasting. Common practice, no source.
const PEDALLING_W: f64 = 15.0;
/// Pedalling seconds that a balance must stay at one value, or away, before it counts as doubled.
const DOUBLED_SECONDS: usize = 120;
/// Means over this long follow the legs, not the angle at which each crank reports nor the noise of a reference's balance.
const DOUBLED_MEAN_S: usize = 30;
/// Fewer of them tell nothing of their own scatter.
const DOUBLED_MEANS: usize = 12;
/// On the way from the total (0) to twice one leg (1). Of 150 rehearsed sound units without a balance none lay beyond 0.30,
/// of 300 that double a side one lay below 0.57.
const DOUBLED_LEAST: f64 = 0.5;
/// So many standard uncertainties from a meter of both.
const DOUBLED_SURELY: f64 = 3.0;
/// Fewer seconds lost with the strap are what any head unit loses now and then. Common practice, no source.
const RADIO_LEAST_S: usize = 10;

/// Runs of seconds in which readings are wrong in themselves.
pub type Runs = Vec<std::ops::Range<usize>>;

/// Whether a window touches one of the runs.
pub fn touches(runs: &Runs, window: Window) -> bool {
    let seconds = window.seconds();
    runs.iter().any(|run| run.start < seconds.end && seconds.start < run.end)
}

impl Evidence<'_> {
    /// What serves as a witness that the rider pedals: the first reference off the hub, else the first.
    fn witness(&self) -> Option<&crate::ride::Trace> {
        let off_hub = self.ride.references.iter().find(|r| r.trace.located != crate::session::Location::Hub);
        off_hub.or(self.ride.references.first()).map(|r| &r.trace)
    }

    /// The first reference that measures the two sides apart.
    pub fn sided(&self) -> Option<&crate::ride::Trace> {
        let mut traces = self.ride.references.iter().map(|r| &r.trace);
        traces.find(|t| t.sides == Sides::Both && t.right_share_pct.iter().any(Option::is_some))
    }

    /// Runs of one repeated reading, power and cadence, while the reference moves.
    pub fn stuck_runs(&self) -> Runs {
        let Some(witness) = self.witness() else { return vec![] };
        let unit = &self.ride.unit;
        let pedalled = |k: usize| {
            unit.power_at(k).is_some_and(|w| w > 0.0) && witness.power_at(k).is_some_and(|w| w >= PEDALLING_W)
        };
        let same = |k: usize| unit.power_at(k) == unit.power_at(k - 1) && unit.cadence_at(k) == unit.cadence_at(k - 1);
        let mut runs = Runs::new();
        let mut start = 0;
        for k in 1..=self.ride.length_s {
            if k < self.ride.length_s && pedalled(k) && pedalled(k - 1) && same(k) {
                continue;
            }
            let read: Vec<f64> = (start..k).filter_map(|j| witness.power_at(j)).collect();
            let (low, high) = read.iter().fold((f64::INFINITY, 0.0_f64), |(l, h), w| (l.min(*w), h.max(*w)));
            if k - start >= STUCK_LEAST_S && high - low > f64::max(MOVED * high, MOVED_LEAST_W) {
                runs.push(start..k);
            }
            start = k;
        }
        runs
    }

    /// Single seconds, or two, that stand far above all that the reference reads near them.
    pub fn spikes(&self) -> Runs {
        // A hub's flywheel hides a rider's own surges.
        let off_hub = |trace: &&crate::ride::Trace| trace.located != crate::session::Location::Hub;
        let Some(witness) = self.witness().filter(off_hub) else { return vec![] };
        let unit = &self.ride.unit;
        let least_w = |most_w: f64| f64::max(SPIKE * most_w, SPIKE_LEAST_W);
        let most_near_w = |k: usize| {
            (k.saturating_sub(SPIKE_NEAR_S)..=k + SPIKE_NEAR_S).filter_map(|j| witness.power_at(j)).reduce(f64::max)
        };
        let above = |k: usize| {
            unit.power_at(k).zip(most_near_w(k)).is_some_and(|(reads_w, most_w)| reads_w - most_w > least_w(most_w))
        };
        // Its own readings before and after stay below: a reading that is merely kept is none.
        let alone = |run: &std::ops::Range<usize>| {
            let top_w = run.clone().filter_map(|k| unit.power_at(k)).fold(0.0, f64::max);
            let beside = [run.start.checked_sub(1), Some(run.end)];
            beside
                .into_iter()
                .flatten()
                .filter_map(|k| unit.power_at(k))
                .all(|reads_w| top_w - reads_w > least_w(reads_w.max(0.0)))
        };
        let mut runs = Runs::new();
        let mut k = 0;
        while k < self.ride.length_s {
            let start = k;
            while k < self.ride.length_s && above(k) {
                k += 1;
            }
            if (1..=SPIKE_LONGEST_S).contains(&(k - start)) && alone(&(start..k)) {
                runs.push(start..k);
            }
            k = k.max(start + 1);
        }
        runs
    }

    /// Repeated readings and spikes: seen in the readings themselves, whether or not a check fails for them.
    pub fn wrong_readings(&self, stuck: &Runs, spikes: &Runs) -> Vec<Finding> {
        let at = |run: &std::ops::Range<usize>| self.ride.utc(run.start as f64).format("%H:%M:%S").to_string();
        let power_w = |k: usize| self.ride.unit.power_at(k).unwrap_or(0.0);
        let mut found = vec![];
        if let Some(longest_s) = stuck.iter().map(|run| run.len()).max() {
            let lines =
                stuck.iter().map(|run| format!("{} s at {:.0} W from {}", run.len(), power_w(run.start), at(run)));
            let says = format!(
                "it repeats one reading for up to {longest_s} s while the rider pedals on, {}",
                times(stuck.len())
            );
            found.push(finding(Pattern::StuckReading, longest_s as f64, Unit::Second, None, says, lines.collect()));
        }
        let tall = |run: &std::ops::Range<usize>| run.clone().map(power_w).fold(0.0, f64::max);
        if let Some(tallest_w) = spikes.iter().map(tall).reduce(f64::max) {
            let lines = spikes.iter().map(|run| format!("{:.0} W at {}", tall(run), at(run)));
            let says =
                format!("a reading of up to {tallest_w:.0} W stands far above all around it, {}", times(spikes.len()));
            found.push(finding(Pattern::PowerSpikes, tallest_w, Unit::Watt, None, says, lines.collect()));
        }
        found
    }

    /// Seconds of a phase's windows in which the unit wrote (zero watts, no power at all) while it lost the rider.
    fn lost_s(&self, chosen: impl Fn(&Phase) -> bool) -> (usize, usize) {
        let mut lost = (0, 0);
        let Some(witness) = self.witness() else { return lost };
        for (found, scored) in self.matches.found.iter().zip(&self.scores.phases) {
            let Some(window) = scored.window.filter(|_| chosen(&self.protocol.phases[found.phase])) else { continue };
            for k in window.seconds() {
                if !self.ride.unit.recorded_at(k) || witness.power_at(k).is_none_or(|w| w < PEDALLING_W) {
                    continue;
                }
                match self.ride.unit.power_at(k) {
                    Some(0.0) => lost.0 += 1,
                    None => lost.1 += 1,
                    _ => {}
                }
            }
        }
        lost
    }

    /// Seconds of a window that its head unit wrote without a power.
    pub fn missing_s(&self, window: Window) -> usize {
        let unit = &self.ride.unit;
        window.seconds().filter(|&k| unit.recorded_at(k) && unit.power_at(k).is_none()).count()
    }

    /// Soft pedalling that it reads as nothing: zero watts, where a radio that fails leaves no reading at all.
    pub fn soft_pedalling_lost(&self) -> Option<Finding> {
        let soft = |phase: &Phase| matches!(phase.drill, Drill::SoftPedal { .. });
        let lost = self.failing_in(soft, &[Measure::DropoutTime]);
        let (zero_s, missing_s) = self.lost_s(soft);
        if lost.is_empty() || missing_s > zero_s {
            return None;
        }
        let seconds: Vec<f64> = self.values_in(soft, Measure::DropoutTime).map(|v| v.1.value).collect();
        let size_s = stats::mean(&seconds)?;
        let says = format!("soft pedalling is lost for {size_s:.1} s of each stretch on average");
        Some(finding(Pattern::SoftPedallingLost, size_s, Unit::Second, None, says, lost))
    }

    /// The head unit lost strap and power together, or power alone.
    pub fn radio(&self) -> Option<Finding> {
        let aside_s = self.scores.set_aside_s;
        if aside_s >= RADIO_LEAST_S {
            let says =
                format!("its head unit lost the strap with the power for {aside_s} s in all: the radio, not the unit");
            let evidence = vec![format!("{aside_s} s without heart rate and power, set aside")];
            return Some(finding(Pattern::RadioDropouts, aside_s as f64, Unit::Second, None, says, evidence));
        }
        let any = |_: &Phase| true;
        let (_, missing_s) = self.lost_s(any);
        let soft = |phase: &Phase| matches!(phase.drill, Drill::SoftPedal { .. });
        let mut evidence = self.failing_in(|phase| !soft(phase), &[Measure::DropoutTime]);
        let (soft_zero_s, soft_missing_s) = self.lost_s(soft);
        if soft_missing_s > soft_zero_s {
            evidence.extend(self.failing_in(soft, &[Measure::DropoutTime]));
        }
        evidence.extend(
            super::failed(&self.decided.whole_ride, &[Measure::DropoutTime]).map(|c| super::describe("whole ride", c)),
        );
        if evidence.is_empty() && missing_s < RADIO_LEAST_S {
            return None;
        }
        let counted: f64 = self.values_in(|phase| !soft(phase), Measure::DropoutTime).map(|v| v.1.value).sum();
        let size_s = counted.max(missing_s as f64);
        if evidence.is_empty() {
            evidence.push(format!("{missing_s} s without power while the reference shows pedalling"));
        }
        let says = format!("readings drop out for {size_s:.0} s in all while the rider pedals");
        let mut found = finding(Pattern::RadioDropouts, size_s, Unit::Second, None, says, evidence);
        found.could_also_be.push("the unit itself falling silent: the strap was heard throughout".to_owned());
        Some(found)
    }

    /// A unit that claims both sides, and whose balance never moves, or that sends none and follows one leg.
    pub fn doubled_side(&self) -> Option<Finding> {
        let unit = &self.ride.unit;
        if unit.sides != Sides::Both {
            return None;
        }
        let pedalling: Vec<usize> = (0..self.ride.length_s)
            .filter_map(|k| unit.grid[k].filter(|&i| unit.power_w[i].is_some_and(|p| p > 0.0)))
            .collect();
        let shares: Vec<f64> = pedalling.iter().filter_map(|&i| unit.right_share_pct[i]).collect();
        if pedalling.len() < DOUBLED_SECONDS {
            return None;
        }
        if shares.is_empty() {
            return self.follows_one_leg(pedalling.len());
        }
        let first = shares[0];
        let still = shares.len() >= DOUBLED_SECONDS && shares.iter().all(|share| *share == first);
        let says =
            format!("it claims both sides, but its balance stays at {first:.0} % throughout: one side is doubled");
        let evidence = vec![format!("{} pedalling seconds with the same balance", shares.len())];
        still.then(|| finding(Pattern::DoubledSide, first, Unit::Percent, None, says, evidence))
    }

    /// Whether twice one side of a reference that measures both tells the unit's readings better than the total does.
    fn follows_one_leg(&self, pedalling_s: usize) -> Option<Finding> {
        let sided = self.sided()?;
        let (unit, trace) = (&self.ride.unit, sided);
        // Means over stretches in which both pedal throughout: unit, reference's left, right.
        let stretches: Vec<[f64; 3]> = (0..self.ride.length_s / DOUBLED_MEAN_S)
            .filter_map(|n| {
                let mut sums = [0.0; 3];
                for k in n * DOUBLED_MEAN_S..(n + 1) * DOUBLED_MEAN_S {
                    let power_w = unit.power_at(k).filter(|power_w| *power_w > 0.0)?;
                    let reads = [power_w, trace.left_power_at(k)?, trace.right_power_at(k)?];
                    sums.iter_mut().zip(reads).for_each(|(sum, w)| *sum += w / DOUBLED_MEAN_S as f64);
                }
                Some(sums)
            })
            .collect();
        // unit = g·(left + right) + d·(left − right): d is 0 for a meter of both, 1 for twice the left, −1 for twice the
        // right. What of the balance never changes goes into the gain.
        let total = |of: fn(&[f64; 3]) -> f64| stretches.iter().map(of).sum::<f64>();
        fn both(s: &[f64; 3]) -> f64 {
            s[1] + s[2]
        }
        fn differ(s: &[f64; 3]) -> f64 {
            s[1] - s[2]
        }
        let all_w = total(both);
        if stretches.len() < DOUBLED_MEANS || all_w <= 0.0 {
            return None;
        }
        let (gain, lean) = (total(|s| s[0]) / all_w, total(differ) / all_w);
        let rest_w: Vec<f64> = stretches.iter().map(|s| s[0] - gain * both(s)).collect();
        let leans_w: Vec<f64> = stretches.iter().map(|s| differ(s) - lean * both(s)).collect();
        let squares: f64 = leans_w.iter().map(|w| w * w).sum();
        let follows = rest_w.iter().zip(&leans_w).map(|(r, l)| r * l).sum::<f64>() / squares;
        let left_w: Vec<f64> = rest_w.iter().zip(&leans_w).map(|(r, l)| r - follows * l).collect();
        // Neighbours are alike, so there are fewer of them than it seems.
        let n = left_w.len() as f64;
        let u = (left_w.iter().map(|w| w * w).sum::<f64>() / stats::effective_samples(&left_w) / squares).sqrt();
        let side = if follows > 0.0 { "left" } else { "right" };
        let expanded = stats::coverage_factor(self.coverage, f64::INFINITY) * u;
        let says =
            format!("it claims both sides, but sends no balance and follows the {side} leg: one side is doubled");
        let evidence = vec![
            format!("{pedalling_s} pedalling seconds without a balance"),
            format!(
                "from the total of {} (0) to twice its {side} side (1) it reads {:.2} ± {expanded:.2} ({n:.0} means over {DOUBLED_MEAN_S} s)",
                trace.label,
                follows.abs()
            ),
        ];
        let sure = follows.abs() > DOUBLED_LEAST.max(DOUBLED_SURELY * u);
        sure.then(|| finding(Pattern::DoubledSide, follows.abs(), Unit::One, Some(expanded), says, evidence))
    }
}

impl UnexplainedCheck<'_> {
    /// Whether what it was scored over touches one of the runs; means and the whole ride touch all.
    pub fn touched_by(&self, findings: &Evidence, runs: &Runs) -> bool {
        match self.of {
            super::CheckSubject::Found(found) => {
                findings.scores.phases[found].window.is_some_and(|window| touches(runs, window))
            }
            super::CheckSubject::Mean(phase) => (0..findings.matches.found.len())
                .filter(|&i| findings.matches.found[i].phase == phase)
                .any(|i| findings.scores.phases[i].window.is_some_and(|window| touches(runs, window))),
            _ => false,
        }
    }
}

fn times(n: usize) -> String {
    if n == 1 { "once".to_owned() } else { format!("{n} times") }
}
