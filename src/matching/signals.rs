//! What the matcher looks at: the references' power and cadence, and the ring.

use crate::ride::{EdgeKind, Ride, RingBelief, Window};
use crate::session::Session;
use crate::stats::median;

use super::references::by_fitness;
use super::ring;

/// One value per grid second; `None` is a second for which no reference has one.
pub(super) struct Signals {
    pub power_w: Vec<Option<f64>>,
    pub cadence_rpm: Vec<Option<f64>>,
    pub rings: Vec<Option<RingBelief>>,
    /// Sums and counts of power and of cadence over the seconds before, so that any mean is two look-ups.
    sums: [Vec<(f64, f64)>; 2],
    /// By how much the lap button was pressed after the rider began to change; `None` where too few laps tell.
    pub laps_late_s: Option<f64>,
    /// Seconds at which speed over cadence jumped: a change of gear.
    pub shifts: Vec<usize>,
}

#[derive(Debug, Clone, Copy)]
pub(super) enum Channel {
    Power,
    Cadence,
}

fn sums(column: &[Option<f64>]) -> Vec<(f64, f64)> {
    let mut sums = vec![(0.0, 0.0)];
    for value in column {
        let (sum, count) = sums[sums.len() - 1];
        sums.push(value.map_or((sum, count), |v| (sum + v, count + 1.0)));
    }
    sums
}

impl Signals {
    /// A reference off the hub leads, because a hub has a flywheel and smoothing; the others fill in seconds where it
    /// has nothing.
    pub fn of(session: &Session, ride: &Ride) -> Self {
        let traces = by_fitness(ride);
        let power_w: Vec<_> = (0..ride.length_s).map(|k| traces.iter().find_map(|t| t.power_at(k))).collect();
        let cadence_rpm: Vec<_> = (0..ride.length_s).map(|k| traces.iter().find_map(|t| t.cadence_at(k))).collect();
        let mut signals = Self::of_columns(power_w, cadence_rpm);
        (signals.rings, signals.shifts) = ring::rings_and_shifts(session, ride);
        signals.laps_late_s = signals.laps_late_s(ride);
        signals
    }

    /// Power and cadence alone.
    pub fn of_columns(power_w: Vec<Option<f64>>, cadence_rpm: Vec<Option<f64>>) -> Self {
        let sums = [sums(&power_w), sums(&cadence_rpm)];
        Self { power_w, cadence_rpm, rings: vec![], sums, laps_late_s: None, shifts: vec![] }
    }

    /// The lag at which most laps near clear steps of power follow one; `None` where too few agree.
    fn laps_late_s(&self, ride: &Ride) -> Option<f64> {
        const LATEST_S: usize = 12;
        const EARLIEST_S: usize = 3;
        const CLEAR: f64 = 0.4;
        // Half of a step shows so long after the rider began it.
        const SHOWS_S: f64 = 1.5;
        const ENOUGH: usize = 6;
        const AGREE_S: f64 = 1.5;
        let step = |k: usize| {
            let means_w = self.mean_w(k.saturating_sub(3), k).zip(self.mean_w(k, k + 3));
            means_w.map_or(0.0, |(before_w, after_w)| (after_w - before_w).abs() / before_w.max(after_w).max(1.0))
        };
        let clear = |&k: &usize| step(k) > CLEAR && step(k) >= step(k + 1) && step(k) > step(k.saturating_sub(1));
        let laps = ride.edges.iter().filter(|e| e.kind == EdgeKind::Lap).map(|e| e.at_s);
        let lates: Vec<Vec<f64>> = laps
            .map(|at_s| {
                let at = at_s.round().max(0.0) as usize;
                let steps = (at.saturating_sub(LATEST_S)..=at + EARLIEST_S).filter(clear);
                steps.map(|k| at_s - (k as f64 - SHOWS_S)).collect()
            })
            .filter(|lates: &Vec<f64>| !lates.is_empty())
            .collect();
        let alike = |late_s: f64| -> Vec<f64> {
            let near = |lates: &Vec<f64>| lates.iter().copied().find(|other| (other - late_s).abs() <= AGREE_S);
            lates.iter().filter_map(near).collect()
        };
        let most = lates.iter().flatten().map(|&late_s| alike(late_s)).max_by_key(Vec::len)?;
        (most.len() >= ENOUGH && 2 * most.len() > lates.len()).then(|| median(&most)).flatten()
    }

    pub fn column(&self, channel: Channel) -> &[Option<f64>] {
        match channel {
            Channel::Power => &self.power_w,
            Channel::Cadence => &self.cadence_rpm,
        }
    }

    pub fn len(&self) -> usize {
        self.power_w.len()
    }

    /// Mean power over seconds `from..to`, cut to the ride; `None` if no second has one.
    pub fn mean_w(&self, from: usize, to: usize) -> Option<f64> {
        self.mean(Channel::Power, from, to)
    }

    /// Mean over seconds `from..to`, cut to the ride; `None` if no second has one.
    pub fn mean(&self, channel: Channel, from: usize, to: usize) -> Option<f64> {
        let sums = &self.sums[channel as usize];
        let (from, to) = (from.min(self.len()), to.min(self.len()));
        let count = sums[to].1 - sums[from.min(to)].1;
        (count > 0.0).then(|| (sums[to].0 - sums[from].0) / count)
    }

    /// Mean power within `half` seconds of second `k`; `None` where `k` itself has none.
    pub fn smoothed_w(&self, k: usize, half: usize) -> Option<f64> {
        self.power_w[k].and_then(|_| self.mean_w(k.saturating_sub(half), k + half + 1))
    }

    /// Best mean over `over` seconds within `from..to`, and where it starts.
    pub fn best_mean_w(&self, from: usize, to: usize, over: usize) -> Option<(usize, f64)> {
        (from..(to + 1).saturating_sub(over).max(from + 1))
            .filter_map(|k| Some((k, self.mean_w(k, k + over)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
    }

    /// Median power over seconds `from..to`.
    pub fn median_w(&self, from: usize, to: usize) -> Option<f64> {
        let mut powers: Vec<f64> =
            self.power_w[from.min(self.len())..to.min(self.len())].iter().copied().flatten().collect();
        powers.sort_by(f64::total_cmp);
        powers.get(powers.len() / 2).copied()
    }

    /// The ring over most of a window, and the mean belief in it; `None` where nothing tells.
    pub fn ring_over(&self, window: Window) -> Option<RingBelief> {
        use crate::protocol::Ring;
        let seconds = window.seconds();
        let beliefs = self.rings.get(seconds.start..seconds.end.min(self.len()))?;
        let known = beliefs.iter().flatten().count();
        if known * 2 < beliefs.len().max(1) {
            return None;
        }
        let big: f64 =
            beliefs.iter().flatten().map(|b| if b.ring == Ring::Big { b.confidence } else { 1.0 - b.confidence }).sum();
        let big = big / known as f64;
        let ring = if big >= 0.5 { Ring::Big } else { Ring::Small };
        Some(RingBelief { ring, confidence: big.max(1.0 - big) })
    }
}
