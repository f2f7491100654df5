//! Stuck readings: one value repeated while the rider pedals on.

use super::evidence::{Evidence, PEDALLING_W};
use super::finding::{Finding, finding};
use super::runs::{Runs, times};
use crate::pattern::Pattern;
use crate::quantity::Unit;

/// A reading repeated for this long while the rider pedals was not measured. Sound units repeat power and cadence for 5 s
/// at most (rehearsals of 300 riders).
const STUCK_LEAST_S: usize = 8;
/// The reference has moved by this share of itself over the run, and by so many watts.
const MOVED: f64 = 0.02;
const MOVED_LEAST_W: f64 = 4.0;

impl Evidence<'_> {
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

    /// Seen in the readings themselves, whether or not a check fails for them.
    pub fn stuck_reading(&self, stuck: &Runs) -> Option<Finding> {
        let longest_s = stuck.iter().map(|run| run.len()).max()?;
        let lines = stuck.iter().map(|run| {
            let power_w = self.ride.unit.power_at(run.start).unwrap_or(0.0);
            format!("{} s at {power_w:.0} W from {}", run.len(), self.clock(run.start))
        });
        let says =
            format!("it repeats one reading for up to {longest_s} s while the rider pedals on, {}", times(stuck.len()));
        Some(finding(Pattern::StuckReading, longest_s as f64, Unit::Second, None, says, lines.collect()))
    }
}
