//! Spikes: seconds that stand far above all that the reference reads near them.

use std::ops::Range;

use super::evidence::Evidence;
use super::finding::{Finding, finding};
use super::runs::{Runs, times};
use crate::pattern::Pattern;
use crate::quantity::Unit;
use crate::ride::Trace;
use crate::session::Location;

/// A spike stands above all that the reference reads near it by this share, and by so many watts.
const SPIKE: f64 = 0.35;
const SPIKE_LEAST_W: f64 = 150.0;
/// A spike is over after this.
const SPIKE_LONGEST_S: usize = 2;
/// The reference is looked at this far to either side of a spike.
const SPIKE_NEAR_S: usize = 4;

impl Evidence<'_> {
    /// Single seconds, or two, that stand far above all that the reference reads near them.
    pub fn spikes(&self) -> Runs {
        // A hub's flywheel hides a rider's own surges.
        let off_hub = |trace: &&Trace| trace.located != Location::Hub;
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
        let alone = |run: &Range<usize>| {
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

    /// Seen in the readings themselves, whether or not a check fails for them.
    pub fn power_spikes(&self, spikes: &Runs) -> Option<Finding> {
        let power_w = |k: usize| self.ride.unit.power_at(k).unwrap_or(0.0);
        let tall = |run: &Range<usize>| run.clone().map(power_w).fold(0.0, f64::max);
        let tallest_w = spikes.iter().map(tall).reduce(f64::max)?;
        let lines = spikes.iter().map(|run| format!("{:.0} W at {}", tall(run), self.clock(run.start)));
        let says =
            format!("a reading of up to {tallest_w:.0} W stands far above all around it, {}", times(spikes.len()));
        Some(finding(Pattern::PowerSpikes, tallest_w, Unit::Watt, None, says, lines.collect()))
    }
}
